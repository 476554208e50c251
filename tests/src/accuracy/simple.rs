//! Two simple ways to keep time, plant by plant, beside which the core's figures stand.
//!
//! They are those of the study that set the budgets: both reckon from the *arrival* of
//! a message with the mean age of all, and with the speed of the last pulse period.

use super::world::{OPEN_DELAY_S, World};
use super::{Case, Simple};
use ground_truth::Ground;

impl World<'_> {
    /// Errors of the starts in mm, one a target; none where no speed is known.
    pub(super) fn simple(&self, case: &Case, way: Simple) -> Vec<Option<f64>> {
        let pulse = f64::from(case.pulse_mm) / 1000.0;
        let motion = &self.profile.motion;
        self.targets
            .iter()
            .map(|target| {
                let count = self.stamps.partition_point(|&t| t <= target.arrives);
                let period =
                    self.stamps.get(count - 1)? - self.stamps.get(count.checked_sub(2)?)?;
                let v = pulse / period.max(1e-6);
                let at = match way {
                    Simple::FixedDelay => {
                        let at = target.arrives - case.age_s.0 + target.ahead / v - OPEN_DELAY_S;
                        at.max(target.arrives)
                    }
                    Simple::WholePulses => {
                        let way = target.ahead - v * (case.age_s.0 + OPEN_DELAY_S);
                        let pulses = (way / pulse).round();
                        if pulses < 1.0 {
                            target.arrives
                        } else {
                            *self.stamps.get(count - 1 + pulses as usize)?
                        }
                    }
                };
                Some((motion.position(at + OPEN_DELAY_S) - target.start) * 1000.0)
            })
            .collect()
    }
}
