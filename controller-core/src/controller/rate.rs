//! Pressure in, duties out.

use super::Controller;
use crate::counters::bump;
use crate::rate::Duty;
use crate::sections::OrderError;
use crate::units::{Length, Micros, Speed};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// The pressure at the nozzles from now on, kPa. Without it the one of the machine
    /// description counts. Constant work.
    ///
    /// # Errors
    /// [`OrderError::TimeBackwards`]; counted.
    pub fn handle_pressure(&mut self, now: Micros, kpa: u16) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            if let Some(rate) = &mut core.rate {
                rate.pressure(kpa);
            }
            Ok(())
        })
    }

    /// What share of the cycle that begins at `now` an open valve is to be told, thousandths:
    /// to be asked once at each cycle's beginning, the first of which is the opening. `None`:
    /// no such nozzle. 1000 on a machine without [`Config::rate`](crate::Config::rate); 0 for
    /// a closed valve. The speed is that of the counted wheel, also in a curve, where a nozzle's
    /// own differs. Constant work; changes nothing but counters.
    pub fn duty(&mut self, now: Micros, nozzle: u16) -> Option<u16> {
        let index = usize::from(nozzle);
        let config = self.nozzles.get(index)?;
        let lane = self.lanes.get(index)?;
        if !lane.is_open() {
            return Some(0);
        }
        let Some(rate) = &self.rate else {
            return Some(1000);
        };
        let patch = if lane.in_bench() || !self.layers.is_plan(index) {
            None
        } else {
            lane.patch_length().map(Length::from_bits)
        };
        let speed = Speed::from_internal(self.odometer.motion_at(now).v);
        let open = config.open_delay.signed();
        let dead = open.saturating_sub(config.close_delay.signed());
        let share = rate.duty(index, speed, dead, patch);
        bump(&mut self.counters.duties);
        match share {
            Duty::Right(_) => {}
            Duty::Valve(_) => bump(&mut self.counters.duties_of_valve),
            Duty::Short => bump(&mut self.counters.duties_of_short),
            Duty::TooSmall => bump(&mut self.counters.duties_too_small),
        }
        Some(share.thousandths())
    }
}
