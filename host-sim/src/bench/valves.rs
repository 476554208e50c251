//! Valves opened at rest, for as long as this program lives and says so.
//!
//! The board closes by itself when no *hold* comes for half a second. Ctrl-C, and the end of
//! the program by any way that can be caught, releases at once.

use std::fmt::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use controller_core::link::{Bench, FromBoard, Refusal, ToBoard};
use controller_core::{BenchRequest, Counters, Span};
use serde::Serialize;

use super::session::{Session, refused};
use super::words;
use crate::error::{Error, Result};

/// Time between two holds: three of them may be lost before the board closes.
const HOLD_EVERY: Duration = Duration::from_millis(120);
/// Time between two looks at the board.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// After the end of a run, for the last commands to come.
const AFTER: Duration = Duration::from_millis(60);
/// Longest that any run may last: 20 rinses of the longest opening, and some.
const LONGEST: Duration = Duration::from_secs(3600);

static INTERRUPTED: AtomicBool = AtomicBool::new(false);

/// One opening of one nozzle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Opening {
    /// Which.
    pub nozzle: u16,
    /// When, board's µs.
    pub opened_us: u64,
    /// For how long; none when no close came.
    pub on_us: Option<u64>,
}

/// One click of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shot {
    /// Which nozzle.
    pub nozzle: u16,
    /// For how long.
    pub on: Span,
    /// Pause before the next one, ms.
    pub pause_ms: u64,
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// As asked.
    Through,
    /// Let go by the person.
    Released,
    /// The wheel moved, or a latch was set.
    Cut,
    /// The board did not hear the holds.
    Lapsed,
}

/// What came of it.
#[derive(Debug, Clone, Serialize)]
pub struct Held {
    /// What was asked for.
    pub asked: String,
    /// How it ended.
    pub end: End,
    /// What opened, in order; boards that don't tell commands leave it empty.
    pub openings: Vec<Opening>,
    /// Openings that the board counted.
    pub counted: u64,
    /// For a click or a sweep: what should have opened once each and did not, or opened
    /// beside it.
    pub wrong: Vec<String>,
}

/// A person at the bench, and the board.
pub struct Hold<'s> {
    session: &'s mut Session,
    token: u16,
}

impl<'s> Hold<'s> {
    /// Prints the caution and makes Ctrl-C close the valves.
    ///
    /// # Errors
    /// Ctrl-C can't be caught.
    pub fn new(session: &'s mut Session) -> Result<Hold<'s>> {
        eprintln!("{}", words::CAUTION);
        match ctrlc::set_handler(|| INTERRUPTED.store(true, Ordering::SeqCst)) {
            Ok(()) | Err(ctrlc::Error::MultipleHandlers) => {}
            Err(error) => return Err(Error::Internal(format!("Ctrl-C can't be caught: {error}"))),
        }
        let token = session.now_us() as u16;
        Ok(Hold { session, token })
    }

    /// Runs one request to its end.
    ///
    /// # Errors
    /// A refusal, or the board is gone.
    pub fn run(&mut self, request: BenchRequest) -> Result<Held> {
        let before = self.session.counters()?.0;
        let end = self.hold(request)?;
        let after = self.session.counters()?.0;
        let mut held = self.held(words::request(request), ended(end, &before, &after));
        held.counted = u64::from(after.bench_opens.saturating_sub(before.bench_opens));
        if let BenchRequest::Click { nozzle, .. } = request {
            held.wrong = wrong(&held.openings, nozzle..nozzle + 1);
        }
        Ok(held)
    }

    /// Clicks one nozzle after the other; where no last one is given, up to the machine's.
    ///
    /// # Errors
    /// As [`Hold::run`].
    pub fn sweep(
        &mut self,
        (from, last): (u16, u16),
        to_given: bool,
        on: Span,
        pause_ms: u64,
    ) -> Result<Held> {
        let before = self.session.counters()?.0;
        let mut end = true;
        let mut next = from;
        while next <= last && end {
            let request = BenchRequest::Click { nozzle: next, on };
            match self.ask(request)? {
                Ok(()) => {}
                // That was the machine's last.
                Err(Refusal::NoSuchPlace) if !to_given && next > from => break,
                Err(refusal) => return Err(refused(&format!("a click of nozzle {next}"), refusal)),
            }
            end = self.until_over()?;
            self.session.pass(Duration::from_millis(pause_ms))?;
            next = next.saturating_add(1);
            if next == u16::MAX {
                break;
            }
        }
        let after = self.session.counters()?.0;
        let asked = format!("clicks of nozzles {from} to {}", next.saturating_sub(1));
        let mut held = self.held(asked, ended(end, &before, &after));
        held.counted = u64::from(after.bench_opens.saturating_sub(before.bench_opens));
        held.wrong = wrong(&held.openings, from..next);
        Ok(held)
    }

    /// Fires shots one after the other, to the end or until one is cut off; stops at a nozzle that
    /// is not there.
    ///
    /// # Errors
    /// As [`Hold::run`].
    pub fn pattern(&mut self, shots: &[Shot]) -> Result<Held> {
        let before = self.session.counters()?.0;
        let mut end = true;
        let mut fired = 0;
        for shot in shots {
            let request = BenchRequest::Click {
                nozzle: shot.nozzle,
                on: shot.on,
            };
            self.ask(request)?.map_err(|refusal| {
                refused(&format!("a click of nozzle {}", shot.nozzle), refusal)
            })?;
            fired += 1;
            end = self.until_over()?;
            if !end {
                break;
            }
            self.session.pass(Duration::from_millis(shot.pause_ms))?;
        }
        let after = self.session.counters()?.0;
        let mut held = self.held(format!("{fired} shots"), ended(end, &before, &after));
        held.counted = u64::from(after.bench_opens.saturating_sub(before.bench_opens));
        Ok(held)
    }

    fn ask(&mut self, request: BenchRequest) -> Result<std::result::Result<(), Refusal>> {
        if !matches!(request, BenchRequest::Hold | BenchRequest::Release) {
            self.token = self.token.wrapping_add(1);
            self.session.tick()?;
        }
        let request = Bench::from(request);
        self.session.ask(&ToBoard::Bench {
            token: self.token,
            request,
        })
    }

    /// Asks and holds; true when it ran to its end, false when it was released.
    fn hold(&mut self, request: BenchRequest) -> Result<bool> {
        self.ask(request)?
            .map_err(|refusal| refused(&format!("the {}", words::request(request)), refusal))?;
        self.until_over()
    }

    fn until_over(&mut self) -> Result<bool> {
        let start = Instant::now();
        let mut held = Instant::now();
        loop {
            self.session.tick()?;
            self.session.listen(LOOK_EVERY)?;
            if INTERRUPTED.load(Ordering::SeqCst) || start.elapsed() > LONGEST {
                // Nothing to release any more is as good.
                let _over = self.ask(BenchRequest::Release)?;
                self.session.pass(AFTER)?;
                return Ok(false);
            }
            if held.elapsed() >= HOLD_EVERY {
                held = Instant::now();
                match self.ask(BenchRequest::Hold)? {
                    Ok(()) => {}
                    Err(
                        Refusal::NoSuchRun | Refusal::NotAtStandstill | Refusal::NotAcknowledged,
                    ) => {
                        self.session.pass(AFTER)?;
                        return Ok(true);
                    }
                    Err(refusal) => return Err(refused("to hold", refusal)),
                }
            }
        }
    }

    fn held(&mut self, asked: String, end: End) -> Held {
        let mut openings: Vec<Opening> = Vec::new();
        for message in self.session.aside.drain(..) {
            let FromBoard::Commands(batch) = message else {
                continue;
            };
            for entry in &batch.entries {
                let nozzle = entry.what / 2;
                let at = batch.base_us.wrapping_add_signed(entry.after_us.into());
                let at = at + u64::from(entry.late_us);
                if entry.what % 2 == 1 {
                    openings.push(Opening {
                        nozzle,
                        opened_us: at,
                        on_us: None,
                    });
                } else {
                    let still = |o: &&mut Opening| o.nozzle == nozzle && o.on_us.is_none();
                    if let Some(opening) = openings.iter_mut().rev().find(still) {
                        opening.on_us = Some(at.saturating_sub(opening.opened_us));
                    }
                }
            }
        }
        Held {
            asked,
            end,
            openings,
            counted: 0,
            wrong: Vec::new(),
        }
    }
}

/// How it ended, as the board counted.
fn ended(through: bool, before: &Counters, after: &Counters) -> End {
    if !through {
        End::Released
    } else if after.bench_cut > before.bench_cut {
        End::Cut
    } else if after.bench_lapses > before.bench_lapses {
        End::Lapsed
    } else {
        End::Through
    }
}

/// What is wrong with openings that should be one of each of these nozzles.
fn wrong(openings: &[Opening], nozzles: std::ops::Range<u16>) -> Vec<String> {
    let mut wrong = Vec::new();
    if openings.is_empty() {
        // A board that does not tell its commands can't be judged by them.
        return wrong;
    }
    for nozzle in nozzles.clone() {
        match openings.iter().filter(|o| o.nozzle == nozzle).count() {
            1 => {}
            count => wrong.push(format!("nozzle {nozzle} opened {count} times")),
        }
    }
    for opening in openings {
        if !nozzles.contains(&opening.nozzle) {
            wrong.push(format!("nozzle {} opened, unasked", opening.nozzle));
        }
    }
    wrong
}

impl Held {
    /// True when it ended as asked, or by the person's own hand, and everything closed.
    pub fn holds(&self) -> bool {
        matches!(self.end, End::Through | End::Released)
            && self.wrong.is_empty()
            && self.openings.iter().all(|o| o.on_us.is_some())
    }

    /// For people.
    pub fn table(&self) -> String {
        let end = match self.end {
            End::Through => "through",
            End::Released => "released",
            End::Cut => "cut off: the wheel moved or a latch was set",
            End::Lapsed => "lapsed: the board did not hear the holds in time",
        };
        let mut out = format!("{}: {end}; {} openings counted\n", self.asked, self.counted);
        for o in &self.openings {
            let on = match o.on_us {
                Some(us) => format!("{:.1} ms", us as f64 * 1e-3),
                None => "NOT CLOSED".into(),
            };
            let at = o.opened_us as f64 * 1e-6;
            let _infallible = writeln!(out, "nozzle {:>3} at {at:>12.6} s for {on}", o.nozzle);
        }
        for wrong in &self.wrong {
            let _infallible = writeln!(out, "WRONG: {wrong}");
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nozzle_too_few_too_often_or_beside_is_wrong() {
        let opening = |nozzle| Opening {
            nozzle,
            opened_us: 0,
            on_us: Some(60_000),
        };
        let of = |nozzles: &[u16]| {
            let all: Vec<_> = nozzles.iter().map(|&n| opening(n)).collect();
            wrong(&all, 2..5).len()
        };
        assert_eq!(of(&[2, 3, 4]), 0);
        assert_eq!(of(&[2, 4]), 1);
        assert_eq!(of(&[2, 3, 3, 4]), 1);
        assert_eq!(of(&[2, 3, 4, 5]), 1);
        let counters = |cut, lapses| Counters {
            bench_cut: cut,
            bench_lapses: lapses,
            ..Counters::default()
        };
        let from = counters(3, 3);
        assert_eq!(ended(true, &from, &from), End::Through);
        assert_eq!(ended(true, &from, &counters(4, 3)), End::Cut);
        assert_eq!(ended(true, &from, &counters(3, 4)), End::Lapsed);
        assert_eq!(ended(false, &from, &from), End::Released);
    }
}
