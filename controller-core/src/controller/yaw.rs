//! Yaw rates and pulses of a second wheel: what they tell, and what becomes of nozzles that run
//! back in a tight turn.

use super::Controller;
#[cfg(feature = "turning")]
use super::again::Look;
#[cfg(feature = "turning")]
use super::pending::Pending;
#[cfg(feature = "turning")]
use crate::turning::YawCounts;
use crate::turning::{Taken, YawError};
use crate::units::Micros;

/// Nozzles of which one call looks whether they run back.
#[cfg(feature = "turning")]
const NOZZLES_A_STEP: usize = 8;

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// A reading of the yaw-rate sensor, stamped `now`: µrad/s, positive to the left. Constant
    /// work; the polls that follow look at a plant again, and at each nozzle where some run back.
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

    /// A pulse of the second wheel, stamped `now`. Work is bounded by the remembered headings; the
    /// polls do the rest as after a yaw rate.
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
                    self.pending = if self.may_run_back(now) {
                        Pending::RunBack(now, 0)
                    } else {
                        Pending::Look(now, Look::Next)
                    };
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

    /// Whether some nozzle may run back faster than creep speed.
    #[cfg(feature = "turning")]
    fn may_run_back(&self, now: Micros) -> bool {
        let v = self.odometer.motion_at(now).v;
        let margin = self
            .turning
            .swing_at(now)
            .fastest()
            .wrapping_sub(i64::from(v));
        !self.odometer.stands(now) && margin >= i64::from(self.odometer.creep())
    }

    /// Gives up what some nozzles from this one on have planned that run back faster than creep
    /// speed.
    #[cfg(feature = "turning")]
    pub(super) fn run_back_some(&mut self, at: Micros, from: u16) {
        let motion = self.odometer.motion_at(at);
        let swing = self.turning.swing_at(at);
        let creep = self.odometer.creep();
        let first = usize::from(from);
        let end = first.saturating_add(NOZZLES_A_STEP);
        let lanes = self.lanes.get_mut(first..).unwrap_or_default();
        let nozzles = self.nozzles.get(first..).unwrap_or_default();
        for (lane, nozzle) in lanes.iter_mut().zip(nozzles).take(NOZZLES_A_STEP) {
            let own = swing.own(&motion, self.turning.side(nozzle.y));
            if own.v <= creep.saturating_neg() {
                let given_up = lane.run_back(own.place());
                let given_up = u32::try_from(given_up).unwrap_or_default();
                self.turning.count(|counts| &mut counts.ran_back, given_up);
            }
        }
        self.pending = match u16::try_from(end) {
            Ok(next) if end < self.nozzles.len() => Pending::RunBack(at, next),
            _ => Pending::Look(at, Look::Next),
        };
    }
}
