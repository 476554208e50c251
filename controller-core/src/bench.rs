//! The bench state: valves opened at rest by a person who holds a button.
//!
//! Only at standstill and with no latch set. The request counts as the first hold; it must
//! be renewed at least every [`HOLD`], else everything closes at the next decision instant.
//! Every on-time is capped by the machine description. The first pulse of the wheel, good
//! or refused, leaves the state and closes everything at once. The plan is not touched.
//!
//! Schedules run on decision instants: an on-time is exact to one decision period, and
//! never longer than asked for by more than that.
//!
//! **Overflow policy:** one request at a time; a second is refused as busy.

use crate::guard::GuardState;
use crate::units::{Micros, Span};

/// Longest time between two holds.
pub const HOLD: Span = Span::from_ms(500);
/// Most repetitions of a rinse.
pub const MOST_RINSES: u8 = 20;

/// What a person asks for at rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BenchRequest {
    /// Fills the plumbing: section after section open for `on`.
    Prime {
        /// Each section's time.
        on: Span,
    },
    /// All valves open for `on`.
    Flush {
        /// How long.
        on: Span,
    },
    /// All valves open for `on` and closed for `off`, so many times.
    Rinse {
        /// Each opening.
        on: Span,
        /// Each pause.
        off: Span,
        /// How often, 1 to [`MOST_RINSES`].
        times: u8,
    },
    /// One valve open once.
    Click {
        /// Which.
        nozzle: u16,
        /// How long.
        on: Span,
    },
    /// The button is still held.
    Hold,
    /// The button was let go: closes all.
    Release,
}

/// Why a request was refused. Counted in
/// [`Counters::bench_refused`](crate::Counters::bench_refused).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum BenchError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// The machine moves.
    Moving,
    /// A latch is set: acknowledge first.
    Latched {
        /// Which.
        by: GuardState,
    },
    /// Another request is running.
    Busy,
    /// Nothing is running that could be held or let go.
    NothingRuns,
    /// Longer than the machine description's cap.
    OnTooLong {
        /// The cap.
        most: Span,
    },
    /// Shorter than the valve's shortest on-time or off-time.
    TooShort {
        /// The shortest.
        least: Span,
    },
    /// No repetition, or more than [`MOST_RINSES`].
    Times,
    /// No such nozzle.
    UnknownNozzle {
        /// As given.
        nozzle: u16,
    },
}

impl core::fmt::Display for BenchError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "stamped before {} µs, already seen", latest.0)
            }
            Self::Moving => f.write_str("the machine moves: valves are tried at standstill only"),
            Self::Latched { by } => write!(f, "{by:?} holds everything closed: acknowledge first"),
            Self::Busy => f.write_str("another request is running: release it first"),
            Self::NothingRuns => f.write_str("nothing is running: ask for something first"),
            Self::OnTooLong { most } => write!(f, "open for longer than {} µs at a time", most.0),
            Self::TooShort { least } => write!(f, "the valve needs at least {} µs", least.0),
            Self::Times => write!(f, "repeat 1 to {MOST_RINSES} times"),
            Self::UnknownNozzle { nozzle } => write!(f, "no nozzle {nozzle}"),
        }
    }
}

impl core::error::Error for BenchError {}

/// Limits that a request is held against.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Limits {
    pub cap: Span,
    pub shortest_on: Span,
    pub shortest_off: Span,
    pub nozzles: usize,
    pub sections: usize,
}

/// How a request came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ended {
    /// Still running, or nothing was.
    No,
    /// Its schedule is through.
    Through,
    /// It was not held.
    Lapsed,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    request: BenchRequest,
    held_at: Micros,
    /// Which step of the schedule, and since which decision instant.
    step: u16,
    since: Option<Micros>,
}

/// The request that runs, if any.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Bench {
    run: Option<Run>,
}

impl Bench {
    pub(crate) const fn runs(&self) -> bool {
        self.run.is_some()
    }

    /// Ends whatever runs. Returns whether anything did.
    pub(crate) fn end(&mut self) -> bool {
        self.run.take().is_some()
    }

    /// Takes a request; the caller has made sure that the machine stands and no latch is
    /// set.
    pub(crate) fn ask(
        &mut self,
        now: Micros,
        request: BenchRequest,
        limits: &Limits,
    ) -> Result<(), BenchError> {
        let on = match request {
            BenchRequest::Hold => {
                let run = self.run.as_mut().ok_or(BenchError::NothingRuns)?;
                run.held_at = now;
                return Ok(());
            }
            BenchRequest::Release => {
                return if self.end() {
                    Ok(())
                } else {
                    Err(BenchError::NothingRuns)
                };
            }
            BenchRequest::Prime { on } | BenchRequest::Flush { on } => on,
            BenchRequest::Rinse { on, off, times } => {
                if times == 0 || times > MOST_RINSES {
                    return Err(BenchError::Times);
                }
                if off < limits.shortest_off {
                    return Err(BenchError::TooShort {
                        least: limits.shortest_off,
                    });
                }
                // A pause is no harm, but a schedule must end in foreseeable time.
                if off > limits.cap {
                    return Err(BenchError::OnTooLong { most: limits.cap });
                }
                on
            }
            BenchRequest::Click { nozzle, on } => {
                if usize::from(nozzle) >= limits.nozzles {
                    return Err(BenchError::UnknownNozzle { nozzle });
                }
                on
            }
        };
        if on > limits.cap {
            return Err(BenchError::OnTooLong { most: limits.cap });
        }
        if on < limits.shortest_on {
            return Err(BenchError::TooShort {
                least: limits.shortest_on,
            });
        }
        if self.run.is_some() {
            return Err(BenchError::Busy);
        }
        self.run = Some(Run {
            request,
            held_at: now,
            step: 0,
            since: None,
        });
        Ok(())
    }

    /// Moves the schedule on at a decision instant. Constant work.
    pub(crate) fn advance(&mut self, at: Micros, limits: &Limits) -> Ended {
        let Some(run) = self.run.as_mut() else {
            return Ended::No;
        };
        if at.since(run.held_at) > HOLD {
            self.run = None;
            return Ended::Lapsed;
        }
        let Some(since) = run.since else {
            run.since = Some(at);
            return Ended::No;
        };
        let odd = run.step & 1 == 1;
        let (length, steps) = match run.request {
            BenchRequest::Prime { on } => (on, u16::try_from(limits.sections).unwrap_or(u16::MAX)),
            BenchRequest::Rinse { on, off, times } => (
                if odd { off } else { on },
                u16::from(times).saturating_mul(2).saturating_sub(1),
            ),
            BenchRequest::Flush { on } | BenchRequest::Click { on, .. } => (on, 1),
            BenchRequest::Hold | BenchRequest::Release => (Span(0), 0),
        };
        if at.since(since) >= length {
            run.step = run.step.saturating_add(1);
            run.since = Some(at);
            if run.step >= steps {
                self.run = None;
                return Ended::Through;
            }
        }
        Ended::No
    }

    /// Whether this nozzle of this section is to be open now.
    pub(crate) fn wants(&self, nozzle: u16, section: u8) -> bool {
        let Some(run) = self.run.filter(|run| run.since.is_some()) else {
            return false;
        };
        match run.request {
            BenchRequest::Prime { .. } => u16::from(section) == run.step,
            BenchRequest::Flush { .. } => true,
            BenchRequest::Rinse { .. } => run.step & 1 == 0,
            BenchRequest::Click { nozzle: one, .. } => one == nozzle,
            BenchRequest::Hold | BenchRequest::Release => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        cap: Span::from_ms(5000),
        shortest_on: Span::from_ms(20),
        shortest_off: Span::from_ms(10),
        nozzles: 6,
        sections: 3,
    };

    /// Runs a request to its end on a 2 ms grid, held all the time; for each nozzle the
    /// spans in ms for which it was wanted open.
    fn spans(request: BenchRequest) -> [heapless::Vec<(u64, u64), 8>; 6] {
        let mut bench = Bench::default();
        bench.ask(Micros(1000), request, &LIMITS).expect("taken");
        let mut out: [heapless::Vec<(u64, u64), 8>; 6] = Default::default();
        for k in 1..20_000u64 {
            let at = Micros(k * 2000);
            let ended = bench.advance(at, &LIMITS);
            let _ = bench.ask(at, BenchRequest::Hold, &LIMITS);
            for (n, spans) in (0u16..).zip(&mut out) {
                let wanted = bench.wants(n, u8::try_from(n / 2).unwrap());
                match (wanted, spans.last_mut()) {
                    (true, Some(last)) if last.1 == k * 2 - 2 => last.1 = k * 2,
                    (true, _) => spans.push((k * 2, k * 2)).unwrap(),
                    _ => {}
                }
            }
            if ended == Ended::Through {
                return out;
            }
        }
        panic!("{request:?} never ends");
    }

    #[test]
    fn prime_goes_section_by_section() {
        let on = Span::from_ms(100);
        let spans = spans(BenchRequest::Prime { on });
        for (n, spans) in (0u64..).zip(&spans) {
            let from = 2 + n / 2 * 100;
            assert_eq!(spans.as_slice(), &[(from, from + 98)], "nozzle {n}");
        }
    }

    #[test]
    fn a_rinse_repeats_and_a_click_is_one_valve() {
        let (on, off) = (Span::from_ms(60), Span::from_ms(40));
        let rinsed = spans(BenchRequest::Rinse { on, off, times: 3 });
        assert_eq!(rinsed[5].as_slice(), &[(2, 60), (102, 160), (202, 260)]);
        let clicked = spans(BenchRequest::Click { nozzle: 4, on });
        assert_eq!(clicked[4].as_slice(), &[(2, 60)]);
        assert!(
            clicked
                .iter()
                .enumerate()
                .all(|(n, s)| n == 4 || s.is_empty())
        );
    }

    #[test]
    fn what_is_not_held_lapses() {
        let mut bench = Bench::default();
        let on = Span::from_ms(4000);
        bench
            .ask(Micros(0), BenchRequest::Flush { on }, &LIMITS)
            .expect("taken");
        assert_eq!(bench.advance(Micros(2000), &LIMITS), Ended::No);
        assert_eq!(bench.advance(Micros(500_000), &LIMITS), Ended::No);
        assert!(bench.wants(0, 0));
        assert_eq!(bench.advance(Micros(500_001), &LIMITS), Ended::Lapsed);
        assert!(!bench.wants(0, 0) && !bench.runs());
    }

    #[test]
    fn each_bad_request_has_its_reason() {
        let mut bench = Bench::default();
        let ms = Span::from_ms;
        let mut ask = |request| bench.ask(Micros(0), request, &LIMITS);
        let rinse = |on, off, times| BenchRequest::Rinse { on, off, times };
        for (request, why) in [
            (BenchRequest::Hold, BenchError::NothingRuns),
            (BenchRequest::Release, BenchError::NothingRuns),
            (
                BenchRequest::Flush { on: ms(5001) },
                BenchError::OnTooLong { most: LIMITS.cap },
            ),
            (
                BenchRequest::Prime { on: ms(19) },
                BenchError::TooShort { least: ms(20) },
            ),
            (
                rinse(ms(20), ms(9), 1),
                BenchError::TooShort { least: ms(10) },
            ),
            (rinse(ms(20), ms(10), 0), BenchError::Times),
            (rinse(ms(20), ms(10), 21), BenchError::Times),
            (
                rinse(ms(20), ms(5001), 1),
                BenchError::OnTooLong { most: LIMITS.cap },
            ),
            (
                BenchRequest::Click {
                    nozzle: 6,
                    on: ms(20),
                },
                BenchError::UnknownNozzle { nozzle: 6 },
            ),
        ] {
            assert_eq!(ask(request), Err(why));
        }
        assert_eq!(ask(BenchRequest::Flush { on: ms(20) }), Ok(()));
        assert_eq!(
            ask(BenchRequest::Flush { on: ms(20) }),
            Err(BenchError::Busy)
        );
        assert_eq!(ask(BenchRequest::Release), Ok(()));
    }
}
