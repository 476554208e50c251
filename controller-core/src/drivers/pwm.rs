//! Duty of open valves, switched by the driver.
//!
//! A valve's cycles begin with its patch: open at the command's instant, so that the patch
//! begins where it should, and then for the duty's share of each cycle. The duty of a cycle is
//! asked for when the cycle begins and holds for it. Level and next change follow from the
//! cycle's beginning alone; cycles follow one another exactly, however late they are asked
//! for, so nothing drifts.
//!
//! **Bound:** a caller that comes more than a cycle late begins the cycle that it came in; the
//! ones between stay as they were.

use crate::units::{Micros, Span};

/// One valve's cycle.
#[derive(Clone, Copy, Debug, Default)]
struct Cycle {
    begun: Micros,
    /// How long it is on, µs. `None`: closed.
    on: Option<u32>,
}

/// Cycles of `N` valves.
#[derive(Clone, Debug)]
pub struct Pwm<const N: usize> {
    cycle: Span,
    valves: [Cycle; N],
}

impl<const N: usize> Pwm<N> {
    /// All closed. `None` for a cycle of nothing or above 10 s.
    #[must_use]
    pub fn new(cycle: Span) -> Option<Self> {
        let valves = [Cycle::default(); N];
        (cycle.0 > 0 && cycle <= Span(10_000_000)).then_some(Self { cycle, valves })
    }

    /// Opens a valve at `at`, its first cycle at `duty` thousandths; 1000 and more is the
    /// whole of it. A valve that is open goes on as it was.
    pub fn open(&mut self, nozzle: u16, at: Micros, duty: u16) {
        let on = self.on(duty);
        if let Some(valve) = self.valves.get_mut(usize::from(nozzle))
            && valve.on.is_none()
        {
            *valve = Cycle {
                begun: at,
                on: Some(on),
            };
        }
    }

    /// Closes a valve at once.
    pub fn close(&mut self, nozzle: u16) {
        if let Some(valve) = self.valves.get_mut(usize::from(nozzle)) {
            valve.on = None;
        }
    }

    /// Begins the cycles that are due by `now`, each with the duty that it is told. Work goes
    /// with `N`.
    pub fn turn(&mut self, now: Micros, mut duty: impl FnMut(u16) -> u16) {
        for (nozzle, index) in (0_u16..).zip(0..N) {
            let due = self
                .valves
                .get(index)
                .is_some_and(|valve| valve.on.is_some() && now.since(valve.begun) >= self.cycle);
            if !due {
                continue;
            }
            let on = self.on(duty(nozzle));
            let cycle = self.cycle;
            if let Some(valve) = self.valves.get_mut(index) {
                let past = now.0.saturating_sub(valve.begun.0);
                let into = past.checked_rem(u64::from(cycle.0)).unwrap_or_default();
                *valve = Cycle {
                    begun: Micros(now.0.saturating_sub(into)),
                    on: Some(on),
                };
            }
        }
    }

    /// Whether a valve has current at this instant; before its opening it has none.
    #[must_use]
    pub fn is_on(&self, nozzle: u16, now: Micros) -> bool {
        self.valves
            .get(usize::from(nozzle))
            .is_some_and(|valve| match valve.on {
                Some(on) => now >= valve.begun && (on >= self.cycle.0 || self.level(valve, now)),
                None => false,
            })
    }

    fn level(&self, valve: &Cycle, now: Micros) -> bool {
        let past = now.0.saturating_sub(valve.begun.0);
        let into = past
            .checked_rem(u64::from(self.cycle.0))
            .unwrap_or_default();
        valve.on.is_some_and(|on| into < u64::from(on))
    }

    /// The next instant after `now` at which a valve changes or a cycle begins; `None` when all
    /// are closed. Work goes with `N`.
    #[must_use]
    pub fn next_change(&self, now: Micros) -> Option<Micros> {
        let mut least: Option<Micros> = None;
        for valve in &self.valves {
            let Some(on) = valve.on else { continue };
            let end = valve.begun.plus(self.cycle);
            let next = [valve.begun, valve.begun.plus(Span(on)), end]
                .into_iter()
                .find(|&at| at > now)
                .unwrap_or(Micros(now.0.saturating_add(1)));
            least = Some(least.map_or(next, |least| least.min(next)));
        }
        least
    }

    /// On-time of a cycle, µs, nearest.
    fn on(&self, duty: u16) -> u32 {
        let on = u64::from(self.cycle.0).saturating_mul(u64::from(duty.min(1000)));
        let on = on.saturating_add(500).checked_div(1000).unwrap_or_default();
        u32::try_from(on).unwrap_or(self.cycle.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CYCLE: Span = Span(100_000);

    #[test]
    fn a_valve_is_on_from_its_opening_for_its_duty() {
        let mut pwm: Pwm<3> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(7_000), 250);
        pwm.open(1, Micros(2_000), 600);
        pwm.open(2, Micros(0), 1000);
        let mut on = [0_u32; 3];
        for us in (0..302_000_u64).step_by(100) {
            pwm.turn(Micros(us), |nozzle| [250, 600, 1000][usize::from(nozzle)]);
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
        pwm.open(0, Micros(5), 500);
        let mut told = [300, 700].into_iter();
        let (mut now, mut was) = (Micros(5), true);
        let edges = [0; 5].map(|_: u64| {
            while pwm.is_on(0, now) == was {
                now = pwm.next_change(now).expect("it is open");
                pwm.turn(now, |_| told.next().unwrap_or_default());
            }
            was = !was;
            now.0
        });
        assert_eq!(edges, [50_005, 100_005, 130_005, 200_005, 270_005]);
    }

    #[test]
    fn who_comes_late_keeps_the_beat() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(5), 500);
        pwm.turn(Micros(250_000), |_| 200);
        assert_eq!(pwm.next_change(Micros(250_000)), Some(Micros(300_005)));
        assert!(!pwm.is_on(0, Micros(250_000)) && pwm.is_on(0, Micros(219_000)));
    }

    #[test]
    fn closing_ends_the_cycle_and_an_open_valve_is_not_opened_anew() {
        let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
        pwm.open(0, Micros(0), 1000);
        pwm.open(0, Micros(10), 0);
        assert!(pwm.is_on(0, Micros(99_999)));
        pwm.close(0);
        assert!(!pwm.is_on(0, Micros(1)));
        assert_eq!(pwm.next_change(Micros(1)), None);
        assert!(Pwm::<1>::new(Span(0)).is_none() && Pwm::<1>::new(Span(10_000_001)).is_none());
    }
}
