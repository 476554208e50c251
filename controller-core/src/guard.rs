//! Whether any valve may be open at all. Knows nothing of plants.
//!
//! Closed is the resting state. The bound after the last pulse is pulse length
//! over creep speed, plus one decision period.

use crate::odometer::Odometer;
use crate::units::Micros;

/// What the guard makes of the machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GuardState {
    /// No speed is known since power-up. Closed.
    #[default]
    NeverMoved,
    /// Slower than creep speed, or pulses have stopped. Closed.
    Stopped,
    /// The caller did not poll for longer than allowed. Closed for this instant.
    PollSilent,
    /// Moving; nozzles follow the plan.
    Running,
}

impl GuardState {
    /// True when valves may open.
    #[must_use]
    pub const fn allows_spray(self) -> bool {
        matches!(self, Self::Running)
    }
}

/// Judges one decision instant.
pub(crate) fn judge<const H: usize>(
    odometer: &Odometer<H>,
    at: Micros,
    poll_silent: bool,
) -> GuardState {
    if odometer.never_moved() {
        GuardState::NeverMoved
    } else if odometer.stands(at) {
        GuardState::Stopped
    } else if poll_silent {
        GuardState::PollSilent
    } else {
        GuardState::Running
    }
}
