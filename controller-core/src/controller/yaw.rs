//! Yaw rates and pulses of a second wheel: what they tell, and what becomes of nozzles that run
//! back in a tight turn.

use super::Controller;
#[cfg(feature = "turning")]
use crate::turning::YawCounts;
use crate::turning::{Taken, YawError};
use crate::units::Micros;

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// A reading of the yaw-rate sensor, stamped `now`: µrad/s, positive to the left. Work is that
    /// of an image with one plant, which is looked at again, and where nozzles run back a look at
    /// each.
    ///
    /// Readings taken while the wheel certainly stands teach the sensor's offset, so keep them
    /// coming then.
    ///
    /// # Errors
    /// [`YawError`]; counted, and the heading is as before.
    pub fn handle_yaw_rate(&mut self, now: Micros, rate_urad_s: i32) -> Result<(), YawError> {
        self.turn(now, |core| {
            core.turning.take_rate(now, rate_urad_s, &core.odometer)
        })
    }

    /// A pulse of the second wheel, stamped `now`. Work is bounded by the remembered headings and
    /// an image with one plant, which is looked at again.
    ///
    /// # Errors
    /// [`YawError`]; counted. After [`YawError::TooFast`] the heading goes on from where it was
    /// foretold.
    pub fn handle_second_pulse(&mut self, now: Micros) -> Result<(), YawError> {
        self.turn(now, |core| core.turning.take_second(now, &core.odometer))
    }

    /// What turning did so far, counted.
    #[cfg(feature = "turning")]
    #[must_use]
    pub const fn yaw_counts(&self) -> &YawCounts {
        self.turning.counts()
    }

    fn turn(
        &mut self,
        now: Micros,
        take: impl FnOnce(&mut Self) -> Result<Taken, YawError>,
    ) -> Result<(), YawError> {
        let taken = match self.advance(now) {
            Ok(()) => take(self),
            Err(latest) => Err(YawError::TimeBackwards { latest }),
        };
        match taken {
            Ok(taken) => {
                self.turning.count(|counts| &mut counts.inputs, 1);
                if taken == Taken::Taught {
                    self.turning.count(|counts| &mut counts.taught, 1);
                }
                self.stale = true;
                #[cfg(feature = "turning")]
                {
                    self.run_back(now);
                    self.look_again(now);
                }
                Ok(())
            }
            Err(error) => {
                self.turning.count(|counts| &mut counts.refused, 1);
                self.stale = true;
                Err(error)
            }
        }
    }

    /// Gives up what nozzles have planned that run back faster than creep speed.
    #[cfg(feature = "turning")]
    fn run_back(&mut self, now: Micros) {
        let motion = self.odometer.motion_at(now);
        let swing = self.turning.swing_at(now);
        let creep = self.odometer.creep();
        let margin = swing.fastest().wrapping_sub(i64::from(motion.v));
        if self.odometer.stands(now) || margin < i64::from(creep) {
            return;
        }
        for (lane, nozzle) in self.lanes.iter_mut().zip(self.nozzles) {
            let own = swing.own(&motion, self.turning.side(nozzle.y));
            if own.v <= creep.saturating_neg() {
                let given_up = lane.run_back(own.place());
                let given_up = u32::try_from(given_up).unwrap_or_default();
                self.turning.count(|counts| &mut counts.ran_back, given_up);
            }
        }
    }
}
