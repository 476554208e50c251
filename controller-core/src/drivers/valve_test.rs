//! Start-up test for valves without current: open circuit, pulled plug, blown fuse.
//!
//! One valve after the other gets current for `pulse`, shorter than its shortest opening so
//! that nothing is sprayed, and at its end the sense input tells whether current flows. Only
//! at standstill and before anything may open. Give `pulse` from the coil's time constant: a
//! coil of 20 mH and 10 Ω has 63 % of its current after 2 ms.

use crate::units::{Micros, Span};

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum TestStep {
    /// Switch this valve's current on, then call again at once.
    On(u16),
    /// Nothing until then.
    Wait(Micros),
    /// Read the sense input, give it to [`ValveTest::sensed`], and switch the current off.
    Read(u16),
    /// All valves were tried.
    Done,
}

#[derive(Clone, Copy, Debug)]
enum Phase {
    Start,
    Driven(Micros),
    Resting(Micros),
}

/// The test of up to `32 · WORDS` valves.
#[derive(Clone, Debug)]
pub struct ValveTest<const WORDS: usize> {
    count: u16,
    at: u16,
    pulse: Span,
    rest: Span,
    phase: Phase,
    dead: [u32; WORDS],
}

impl<const WORDS: usize> ValveTest<WORDS> {
    /// A test of valves 0 to `count`. `None` when there are more than it has room for, or when
    /// the pulse is not shorter than `shortest_opening`, the quickest from current to flow.
    #[must_use]
    pub fn new(count: u16, pulse: Span, rest: Span, shortest_opening: Span) -> Option<Self> {
        let room = WORDS.saturating_mul(32);
        (usize::from(count) <= room && pulse < shortest_opening).then_some(Self {
            count,
            at: 0,
            pulse,
            rest,
            phase: Phase::Start,
            dead: [0; WORDS],
        })
    }

    /// The next step.
    pub fn poll(&mut self, now: Micros) -> TestStep {
        if self.at >= self.count {
            return TestStep::Done;
        }
        match self.phase {
            Phase::Resting(until) if now < until => TestStep::Wait(until),
            Phase::Start | Phase::Resting(_) => {
                self.phase = Phase::Driven(now.plus(self.pulse));
                TestStep::On(self.at)
            }
            Phase::Driven(until) if now < until => TestStep::Wait(until),
            Phase::Driven(_) => TestStep::Read(self.at),
        }
    }

    /// What the sense input said of the valve that was to be read.
    pub fn sensed(&mut self, now: Micros, current_flows: bool) {
        let Phase::Driven(_) = self.phase else {
            return;
        };
        if !current_flows && let Some(word) = self.dead.get_mut(usize::from(self.at >> 5)) {
            *word |= 1_u32.wrapping_shl(u32::from(self.at & 31));
        }
        self.at = self.at.saturating_add(1);
        self.phase = Phase::Resting(now.plus(self.rest));
    }

    /// The sense input could not be read in time, and the current is off again: the valve is
    /// tried once more.
    pub fn missed(&mut self, now: Micros) {
        if let Phase::Driven(_) = self.phase {
            self.phase = Phase::Resting(now.plus(self.rest));
        }
    }

    /// A bit for each valve without current.
    #[must_use]
    pub const fn dead(&self) -> &[u32; WORDS] {
        &self.dead
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;

    #[test]
    fn each_valve_is_pulsed_once_and_alone_and_the_dead_ones_are_named() {
        let mut test: ValveTest<2> =
            ValveTest::new(40, Span(2000), Span(500), Span(4000)).expect("sound");
        let (mut now, mut on, mut driven) = (Micros(7), None, std::vec::Vec::new());
        let mut misses = 3;
        loop {
            match test.poll(now) {
                TestStep::On(valve) => {
                    assert_eq!(on, None, "one at a time");
                    on = Some((valve, now));
                }
                TestStep::Wait(until) => {
                    assert!(until > now);
                    now = until;
                }
                TestStep::Read(valve) => {
                    let (driving, since) = on.take().expect("driven");
                    assert_eq!(driving, valve);
                    assert_eq!(now.since(since), Span(2000));
                    if valve == 3 && misses > 0 {
                        misses -= 1;
                        test.missed(now);
                        continue;
                    }
                    driven.push(valve);
                    test.sensed(now, valve != 3 && valve != 35);
                }
                TestStep::Done => break,
            }
        }
        assert_eq!(driven.len(), 40);
        assert_eq!(*test.dead(), [1 << 3, 1 << 3]);
        assert!(ValveTest::<1>::new(33, Span(1), Span(1), Span(9)).is_none());
        assert!(ValveTest::<1>::new(3, Span(9), Span(1), Span(9)).is_none());
    }
}
