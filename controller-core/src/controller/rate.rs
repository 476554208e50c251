//! Pressure in, duties out.

use super::Controller;
use crate::counters::bump;
use crate::rate::{Cycle, Duty, PressureFault};
use crate::sections::{Mode, OrderError};
use crate::units::{Length, Micros, Speed};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// The pressure at the nozzles from now on, kPa. Without it the one of the machine
    /// description counts. Once one was handed over, go on at least once in
    /// [`PRESSURE_SILENCE`](crate::PRESSURE_SILENCE). Constant work.
    ///
    /// 0 is a fault ([`pressure_fault`](Self::pressure_fault)), counted once for each time that
    /// it begins; while it lasts all is sprayed fully.
    ///
    /// # Errors
    /// [`OrderError::TimeBackwards`]; counted.
    pub fn handle_pressure(&mut self, now: Micros, kpa: u16) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            if let Some(rate) = &mut core.rate
                && rate.pressure(now, kpa)
            {
                bump(&mut core.counters.pressure_faults);
            }
            Ok(())
        })
    }

    /// Why the pressure is not known at `now`, for which every open valve is told to flow fully.
    /// `None`: it is known, or the machine has no [`Config::rate`](crate::Config::rate).
    #[must_use]
    pub fn pressure_fault(&self, now: Micros) -> Option<PressureFault> {
        self.rate.as_ref().and_then(|rate| rate.fault(now))
    }

    /// What share of the cycle that begins at `now` an open valve is to be told, thousandths:
    /// to be asked once at each cycle's beginning, the first of which is the opening. `None`:
    /// no such nozzle. 1000 on a machine without [`Config::rate`](crate::Config::rate); 0 for
    /// a closed valve. The speed is the nozzle's own, in a curve too. Constant work; changes
    /// nothing but counters.
    pub fn duty(&mut self, now: Micros, nozzle: u16) -> Option<u16> {
        let share = self.share(now, nozzle)?;
        Some(share.map_or_else(|plain| plain, |share| self.count(share)))
    }

    /// A duty, not yet counted. `Err`: one that is none of the rate's and counts for nothing.
    fn share(&mut self, now: Micros, nozzle: u16) -> Option<Result<Duty, u16>> {
        let index = usize::from(nozzle);
        let config = self.nozzles.get(index)?;
        let lane = self.lanes.get(index)?;
        if !lane.is_open() {
            return Some(Err(0));
        }
        let Some(rate) = &mut self.rate else {
            return Some(Err(1000));
        };
        if rate.fell_silent(now) {
            bump(&mut self.counters.pressure_faults);
        }
        let patch = if lane.in_bench() || !self.layers.is_plan(index) {
            None
        } else {
            lane.patch_length().map(Length::from_bits)
        };
        let motion = self.odometer.motion_at(now);
        let swing = self.turning.swing_at(now);
        let own = swing.own(&motion, self.turning.side(config.y));
        let speed = Speed::from_internal(own.v);
        let open = config.open_delay.signed();
        let dead = open.saturating_sub(config.close_delay.signed());
        Some(Ok(rate.duty(now, index, speed, dead, patch)))
    }

    fn count(&mut self, share: Duty) -> u16 {
        bump(&mut self.counters.duties);
        match share {
            Duty::Right(_) => {}
            Duty::Valve(_) => bump(&mut self.counters.duties_of_valve),
            Duty::Short => bump(&mut self.counters.duties_of_short),
            Duty::TooSmall | Duty::Unknown => bump(&mut self.counters.duties_too_small),
        }
        share.thousandths()
    }

    /// What the cycle of an open valve is to be that begins at `begins`, at or shortly before or
    /// after `now`, by the speed of `now`: its [`duty`](Self::duty) and how long it lasts. To be asked once at each cycle's
    /// beginning, the first of which is the opening. `None`: no such nozzle, or no
    /// [`Config::rate`](crate::Config::rate).
    ///
    /// In spot work all cycles are whole and the first begins with the patch. In broadcast
    /// neighbours beat half a cycle apart: a cycle that begins off its nozzle's beat lasts to the
    /// next one and flows fully: too much over less than a cycle, at most once an opening, and
    /// counted with what is too short to be switched. Constant work.
    pub fn cycle(&mut self, now: Micros, begins: Micros, nozzle: u16) -> Option<Cycle> {
        let share = self.share(now, nozzle)?;
        let index = usize::from(nozzle);
        let rate = self.rate.as_ref()?;
        let bench = self.lanes.get(index)?.in_bench();
        let beat = !bench && self.layers.mode_of(index) == Mode::Broadcast;
        let length = rate.length(begins, index, beat);
        let cut = rate.is_cut(length);
        let duty = match share {
            Err(plain) => plain,
            Ok(share) if cut => self.count(share.whole()),
            Ok(share) => self.count(share),
        };
        Some(Cycle { duty, length })
    }
}
