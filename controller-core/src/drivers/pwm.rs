//! Duty of open valves, switched by the driver.
//!
//! A valve's cycles begin with its opening: open at the command's instant, so that the patch
//! begins where it should, and then for the duty's share of each cycle. What a cycle is to be,
//! its duty and its length, is asked for when it begins and holds for it. Level and next change
//! follow from the cycle's beginning alone; cycles follow one another exactly, however late they
//! are asked for, so nothing drifts.
//!
//! **Bound:** a caller that comes more than a cycle late begins the cycle that it came in; the
//! ones between stay as they were.

use crate::rate::Cycle;
use crate::units::{Micros, Span};

/// One valve's cycle.
#[derive(Clone, Copy, Debug, Default)]
struct Running {
    begun: Micros,
    /// How long it lasts, µs; 0: the valve is closed.
    length: u32,
    /// How long it is on of that, µs.
    on: u32,
}

/// Cycles of `N` valves.
#[derive(Clone, Debug)]
pub struct Pwm<const N: usize> {
    cycle: Span,
    valves: [Running; N],
}

impl Running {
    fn is_open(&self) -> bool {
        self.length > 0
    }
}

impl<const N: usize> Pwm<N> {
    /// All closed. `None` for a cycle of nothing or above 10 s.
    #[must_use]
    pub fn new(cycle: Span) -> Option<Self> {
        let valves = [Running::default(); N];
        (cycle.0 > 0 && cycle <= Span(10_000_000)).then_some(Self { cycle, valves })
    }

    /// Opens a valve at `at` with its first cycle. A valve that is open goes on as it was.
    pub fn open(&mut self, nozzle: u16, at: Micros, first: Cycle) {
        let begun = self.running(at, first);
        if let Some(valve) = self.valves.get_mut(usize::from(nozzle))
            && !valve.is_open()
        {
            *valve = begun;
        }
    }

    /// Closes a valve at once.
    pub fn close(&mut self, nozzle: u16) {
        if let Some(valve) = self.valves.get_mut(usize::from(nozzle)) {
            valve.length = 0;
        }
    }

    /// Begins the cycles that are due by `now`: `ask` gives each by nozzle and the instant at
    /// which it begins, which is `now` or somewhat before. Work goes with `N`.
    pub fn turn(&mut self, now: Micros, mut ask: impl FnMut(u16, Micros) -> Cycle) {
        for (nozzle, index) in (0_u16..).zip(0..N) {
            let due = self.valves.get(index).filter(|valve| valve.is_open());
            let Some(over) = due.and_then(|valve| self.over(valve, now)) else {
                continue;
            };
            let begins = Micros(now.0.saturating_sub(over));
            let begun = self.running(begins, ask(nozzle, begins));
            if let Some(valve) = self.valves.get_mut(index) {
                *valve = begun;
            }
        }
    }

    /// Whether a valve has current at this instant; before its opening it has none.
    #[must_use]
    pub fn is_on(&self, nozzle: u16, now: Micros) -> bool {
        let valve = self.valves.get(usize::from(nozzle));
        valve.is_some_and(|valve| {
            let past = now.0.saturating_sub(valve.begun.0);
            let into = self.over(valve, now).unwrap_or(past);
            let whole = valve.on >= valve.length;
            valve.is_open() && now >= valve.begun && (whole || into < u64::from(valve.on))
        })
    }

    /// How far `now` is into a cycle after this one, µs; `None` within it.
    fn over(&self, valve: &Running, now: Micros) -> Option<u64> {
        let past = now.0.saturating_sub(valve.begun.0);
        let beyond = past.checked_sub(u64::from(valve.length))?;
        Some(
            beyond
                .checked_rem(u64::from(self.cycle.0))
                .unwrap_or_default(),
        )
    }

    /// The next instant after `now` at which a valve changes or a cycle begins; `None` when all
    /// are closed. Work goes with `N`.
    #[must_use]
    pub fn next_change(&self, now: Micros) -> Option<Micros> {
        let mut least: Option<Micros> = None;
        for valve in self.valves.iter().filter(|valve| valve.is_open()) {
            let end = valve.begun.plus(Span(valve.length));
            let next = [valve.begun, valve.begun.plus(Span(valve.on)), end]
                .into_iter()
                .find(|&at| at > now)
                .unwrap_or(Micros(now.0.saturating_add(1)));
            least = Some(least.map_or(next, |least| least.min(next)));
        }
        least
    }

    /// A cycle from `begun` on: not longer than those of this driver, and on for the nearest µs.
    fn running(&self, begun: Micros, cycle: Cycle) -> Running {
        // Not `clamp`, which panics on bounds that it can't see.
        let length = cycle.length.0.min(self.cycle.0).max(1);
        let on = u64::from(length).saturating_mul(u64::from(cycle.duty.min(1000)));
        let on = on.saturating_add(500).checked_div(1000).unwrap_or_default();
        let on = u32::try_from(on).unwrap_or(length);
        Running { begun, length, on }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CYCLE: Span = Span(100_000);

    /// A whole cycle.
    fn whole(duty: u16) -> Cycle {
        Cycle {
            duty,
            length: CYCLE,
        }
    }

    #[test]
    fn a_valve_is_on_from_its_opening_for_its_duty() {
        let mut pwm: Pwm<3> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(7_000), whole(250));
        pwm.open(1, Micros(2_000), whole(600));
        pwm.open(2, Micros(0), whole(1000));
        let mut on = [0_u32; 3];
        for us in (0..302_000_u64).step_by(100) {
            pwm.turn(Micros(us), |nozzle, _| {
                whole([250, 600, 1000][usize::from(nozzle)])
            });
            for (n, on) in (0_u16..).zip(&mut on) {
                *on += u32::from(pwm.is_on(n, Micros(us)));
            }
        }
        assert_eq!(on, [750, 1800, 3020]);
        assert!(!pwm.is_on(0, Micros(6_999)));
    }

    #[test]
    fn each_cycle_has_the_duty_told_at_its_beginning() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(5), whole(500));
        let mut told = [300, 700].into_iter();
        let (mut now, mut was) = (Micros(5), true);
        let edges = [0; 5].map(|_: u64| {
            while pwm.is_on(0, now) == was {
                now = pwm.next_change(now).expect("it is open");
                pwm.turn(now, |_, begins| {
                    assert_eq!(begins, now);
                    whole(told.next().unwrap_or_default())
                });
            }
            was = !was;
            now.0
        });
        assert_eq!(edges, [50_005, 100_005, 130_005, 200_005, 270_005]);
    }

    #[test]
    fn who_comes_late_keeps_the_beat() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(5), whole(500));
        pwm.turn(Micros(250_000), |_, begins| {
            assert_eq!(begins, Micros(200_005));
            whole(200)
        });
        assert_eq!(pwm.next_change(Micros(250_000)), Some(Micros(300_005)));
        assert!(!pwm.is_on(0, Micros(250_000)) && pwm.is_on(0, Micros(219_000)));
    }

    #[test]
    fn a_shorter_cycle_shifts_those_after_it() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        let short = Cycle {
            duty: 1000,
            length: Span(30_000),
        };
        pwm.open(0, Micros(5), short);
        assert_eq!(pwm.next_change(Micros(5)), Some(Micros(30_005)));
        // On until somebody comes, who then finds the beat that the short one set.
        assert!(pwm.is_on(0, Micros(30_004)) && pwm.is_on(0, Micros(31_000)));
        pwm.turn(Micros(131_000), |_, begins| {
            assert_eq!(begins, Micros(130_005));
            whole(400)
        });
        assert!(pwm.is_on(0, Micros(170_004)) && !pwm.is_on(0, Micros(170_005)));
        assert_eq!(pwm.next_change(Micros(170_005)), Some(Micros(230_005)));
        // Longer than this driver's are held to its own, and one of nothing lasts a moment.
        for (length, end) in [(200_000, 330_005), (0, 330_006)] {
            let now = pwm.next_change(Micros(200_000)).expect("it is open");
            pwm.turn(now.max(Micros(end - 1)), |_, _| Cycle {
                duty: 0,
                length: Span(length),
            });
            assert_eq!(pwm.next_change(Micros(end - 1)), Some(Micros(end)));
        }
    }

    #[test]
    fn closing_ends_the_cycle_and_an_open_valve_is_not_opened_anew() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(0), whole(1000));
        pwm.open(0, Micros(10), whole(0));
        assert!(pwm.is_on(0, Micros(99_999)));
        pwm.close(0);
        assert!(!pwm.is_on(0, Micros(1)));
        assert_eq!(pwm.next_change(Micros(1)), None);
        assert!(Pwm::<1>::new(Span(0)).is_none() && Pwm::<1>::new(Span(10_000_001)).is_none());
    }
}
