//! The hardware watchdog is fed only when everything that matters has reported.
//!
//! A loop that still turns proves little: the pulse interrupt may be dead, the grid may be
//! stuck, the bus to the valves may hang. Each part reports where its own work is done, and
//! nowhere else.

/// What must report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Part {
    /// The pulse path: the hand-over was drained, and the input's interrupt is enabled and
    /// its timer runs (read back from the registers, so that it holds at standstill too).
    Pulses,
    /// The decision grid: [`crate::Controller::poll`] said idle with a later instant.
    Grid,
    /// The output: a flush to the valves came back without an error.
    Output,
}

/// Who has reported since the last feeding.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Watchdog {
    pulses: bool,
    grid: bool,
    output: bool,
}

impl Watchdog {
    /// Nobody has reported.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            pulses: false,
            grid: false,
            output: false,
        }
    }

    /// A part has done its work.
    pub fn report(&mut self, part: Part) {
        *match part {
            Part::Pulses => &mut self.pulses,
            Part::Grid => &mut self.grid,
            Part::Output => &mut self.output,
        } = true;
    }

    /// The part that has not reported, for the log before the bite.
    #[must_use]
    pub const fn silent(&self) -> Option<Part> {
        match (self.pulses, self.grid, self.output) {
            (false, ..) => Some(Part::Pulses),
            (_, false, _) => Some(Part::Grid),
            (_, _, false) => Some(Part::Output),
            _ => None,
        }
    }

    /// True when all have: feed now. All must report anew before the next.
    #[must_use]
    pub fn may_feed(&mut self) -> bool {
        let all = self.silent().is_none();
        if all {
            *self = Self::new();
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_part_that_keeps_silent_stops_the_feeding() {
        let parts = [Part::Pulses, Part::Grid, Part::Output];
        for dead in parts {
            let mut dog = Watchdog::new();
            for _ in 0..3 {
                parts
                    .iter()
                    .filter(|&&p| p != dead)
                    .for_each(|&p| dog.report(p));
                assert!(!dog.may_feed());
                assert_eq!(dog.silent(), Some(dead));
            }
            dog.report(dead);
            assert!(dog.may_feed());
            assert!(!dog.may_feed(), "all must report anew");
        }
    }
}
