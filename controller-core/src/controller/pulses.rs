//! Wheel pulses: noted in a few steps, counted at the next poll or at once.

use super::Controller;
use super::pending::Pending;
use crate::counters::{add, bump};
use crate::odometer::PulseError;
use crate::reaim::AIMS_A_PULSE;
use crate::units::{Length, Micros, wrap_i32};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// A wheel pulse, stamped `now`, noted for the next poll: the quickest of all calls. A pulse
    /// that the odometer refuses is counted there
    /// ([`Counters::pulses_refused`](crate::Counters::pulses_refused)). Until then distance, speed
    /// and counters are as before it. Commands are those of [`handle_pulse`](Self::handle_pulse).
    ///
    /// # Errors
    /// [`PulseError::TimeBackwards`]; counted, and nothing is noted.
    pub fn note_pulse(&mut self, now: Micros) -> Result<(), PulseError> {
        self.begin_pulse(now)?;
        self.pending = Pending::Pulse(now);
        Ok(())
    }

    /// A wheel pulse, stamped `now`, noted and counted at once: for a caller that wants to know
    /// what became of it. Work is bounded by the plants that are looked up again, four a pulse,
    /// times the nozzles that each needs.
    ///
    /// # Errors
    /// [`PulseError`]; counted, and the odometer is as before.
    pub fn handle_pulse(&mut self, now: Micros) -> Result<(), PulseError> {
        self.begin_pulse(now)?;
        let result = self.count_pulse(now);
        self.finish();
        result
    }

    fn begin_pulse(&mut self, now: Micros) -> Result<(), PulseError> {
        if let Err(latest) = self.advance(now) {
            bump(&mut self.counters.pulses_refused);
            return Err(PulseError::TimeBackwards { latest });
        }
        if self.bench.end() {
            // Good or refused: whatever turns the wheel ends the bench state.
            bump(&mut self.counters.bench_cut);
            self.close_at_once(now);
        }
        Ok(())
    }

    /// The odometer counts the pulse; what follows from that is left pending.
    pub(super) fn count_pulse(&mut self, now: Micros) -> Result<(), PulseError> {
        let stood = self.odometer.stands(now);
        match self.odometer.handle_pulse(now) {
            Ok(lost) => {
                bump(&mut self.counters.pulses);
                add(&mut self.counters.pulses_bridged, lost);
                self.counters.slot_drop_outs = self.odometer.slot_drop_outs();
                self.stale = true;
                self.pending = Pending::Passed(now, stood);
                Ok(())
            }
            Err(error) => {
                bump(&mut self.counters.pulses_refused);
                log!(warn, "pulse at {} us refused: {}", now.0, error);
                Err(error)
            }
        }
    }

    /// Up to the pulse counted last the boom has passed what lay before it. Then plants are looked
    /// up again.
    pub(super) fn pass(&mut self, now: Micros, stood: bool) {
        let here = wrap_i32(self.odometer.distance().0);
        let eyes = self.eyes;
        let swath = |index: usize| {
            eyes.get(index)
                .map_or(Length::default(), |eye| eye.view_left.plus(eye.view_right))
        };
        let heading = self.turning.swing_at(now).heading();
        self.layers.pass(here, heading, swath, &mut self.counters);
        if self.turning.fell_silent(now, stood) {
            self.turning.count(|counts| &mut counts.silences, 1);
        }
        self.reach.mind_lines(self.layers.keeps_off());
        if stood {
            // Standing, nobody needs to see anything: the wait starts anew.
            for sight in &mut self.detectors {
                sight.last_image = sight.last_image.max(now);
                sight.silent = false;
            }
            self.silence_due = now;
        }
        self.reaim(now, AIMS_A_PULSE);
    }
}
