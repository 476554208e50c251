//! Duty of open valves on one common frame, switched by the driver.
//!
//! A valve that is open flows for `duty` of every frame. The frame is a whole multiple of the
//! clock, so level and next change follow from the instant alone and nothing drifts. Valves
//! start their share staggered by `step`, so that not all coils draw their peak at once.

use crate::units::{Micros, Span};

/// A duty that the valve can't follow, or above the whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DutyOutOfRange {
    /// The lowest that is allowed, thousandths.
    pub lowest: u16,
}

/// PWM of `N` valves.
#[derive(Clone, Debug)]
pub struct Pwm<const N: usize> {
    frame: u64,
    step: u64,
    lowest: u16,
    /// On-time in each frame, µs; 0 is closed.
    on: [u32; N],
}

impl<const N: usize> Pwm<N> {
    /// All closed. `frame`: 10 Hz (100 ms) is usual for solenoid valves, common practice, no
    /// source. `shortest`: the shortest on-time that the valve follows; a duty below that
    /// share, or with an off-time below it, is refused. `None` for a frame of nothing or
    /// shorter than twice that, or above 10 s.
    #[must_use]
    pub fn new(frame: Span, step: Span, shortest: Span) -> Option<Self> {
        if frame.0 == 0 || frame > Span(10_000_000) || shortest.0 > frame.0 >> 1 {
            return None;
        }
        let lowest = u64::from(shortest.0)
            .saturating_mul(1000)
            .checked_div(u64::from(frame.0))?;
        Some(Self {
            frame: u64::from(frame.0),
            step: u64::from(step.0),
            lowest: u16::try_from(lowest).ok()?,
            on: [0; N],
        })
    }

    /// Opens a valve at a duty in thousandths; 0 closes it, 1000 is on without a break.
    ///
    /// # Errors
    /// [`DutyOutOfRange`]; the valve stays as it was.
    pub fn set(&mut self, nozzle: u16, duty: u16) -> Result<(), DutyOutOfRange> {
        let least_off = 1000_u16.saturating_sub(self.lowest);
        let fits = duty == 0 || duty == 1000 || (duty >= self.lowest && duty <= least_off);
        if !fits {
            return Err(DutyOutOfRange {
                lowest: self.lowest,
            });
        }
        let on = self
            .frame
            .saturating_mul(u64::from(duty))
            .checked_div(1000)
            .unwrap_or_default();
        if let Some(slot) = self.on.get_mut(usize::from(nozzle)) {
            *slot = u32::try_from(on).unwrap_or_default();
        }
        Ok(())
    }

    /// µs into the valve's own frame.
    fn phase(&self, nozzle: u16, now: Micros) -> u64 {
        let late = self.step.saturating_mul(u64::from(nozzle));
        let late = late.checked_rem(self.frame).unwrap_or_default();
        now.0
            .wrapping_add(self.frame)
            .wrapping_sub(late)
            .checked_rem(self.frame)
            .unwrap_or_default()
    }

    /// Whether a valve has current at this instant.
    #[must_use]
    pub fn is_on(&self, nozzle: u16, now: Micros) -> bool {
        let on = self
            .on
            .get(usize::from(nozzle))
            .copied()
            .unwrap_or_default();
        self.phase(nozzle, now) < u64::from(on)
    }

    /// The next instant at which a valve changes; `None` when none does. Work goes with `N`.
    #[must_use]
    pub fn next_change(&self, now: Micros) -> Option<Micros> {
        let mut least: Option<u64> = None;
        for (nozzle, &on) in (0_u16..).zip(&self.on) {
            let on = u64::from(on);
            if on == 0 || on >= self.frame {
                continue;
            }
            let phase = self.phase(nozzle, now);
            let end = if phase < on { on } else { self.frame };
            let wait = end.saturating_sub(phase);
            least = Some(least.map_or(wait, |l| l.min(wait)));
        }
        least.map(|wait| Micros(now.0.saturating_add(wait)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_valve_is_on_for_its_share_and_starts_in_turn() {
        let mut pwm: Pwm<3> = Pwm::new(Span(100_000), Span(2000), Span(15_000)).expect("sound");
        pwm.set(0, 250).expect("in range");
        pwm.set(1, 600).expect("in range");
        pwm.set(2, 1000).expect("in range");
        let mut on = [0_u32; 3];
        for us in (0..300_000_u64).step_by(100) {
            for (n, on) in (0_u16..).zip(&mut on) {
                *on += u32::from(pwm.is_on(n, Micros(us)));
            }
        }
        assert_eq!(on, [750, 1800, 3000]);
        assert!(pwm.is_on(0, Micros(0)) && pwm.is_on(1, Micros(2000)));
        assert!(!pwm.is_on(1, Micros(1999)));
    }

    #[test]
    fn jumping_from_change_to_change_misses_none() {
        let mut pwm: Pwm<2> = Pwm::new(Span(100_000), Span(2000), Span(15_000)).expect("sound");
        assert_eq!(pwm.next_change(Micros(5)), None);
        pwm.set(0, 250).expect("in range");
        pwm.set(1, 600).expect("in range");
        let mut now = Micros(0);
        for want in [2_000, 25_000, 62_000, 100_000, 102_000] {
            let next = pwm.next_change(now).expect("something changes");
            assert_eq!(next, Micros(want));
            now = next;
        }
    }

    #[test]
    fn what_a_valve_cannot_follow_is_refused() {
        let mut pwm: Pwm<1> = Pwm::new(Span(100_000), Span(0), Span(15_000)).expect("sound");
        for (duty, fits) in [
            (0, true),
            (149, false),
            (150, true),
            (850, true),
            (851, false),
            (1000, true),
            (1001, false),
        ] {
            assert_eq!(pwm.set(0, duty).is_ok(), fits, "{duty}");
        }
        assert!(pwm.is_on(0, Micros(99_999)));
        assert!(Pwm::<1>::new(Span(0), Span(0), Span(0)).is_none());
        assert!(Pwm::<1>::new(Span(20_000), Span(0), Span(11_000)).is_none());
    }
}
