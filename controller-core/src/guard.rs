//! Whether any valve may be open at all. Knows nothing of plants.
//!
//! Closed is the resting state. Reasons stand in the order in which they win: a latch
//! (emergency stop, supply, start-up) before standstill, standstill before silence. What
//! the guard forbids no mode, plan or shortest on-time can have. The bound after the last
//! pulse is pulse length over creep speed, plus one decision period.
//!
//! **Latches** are set by an input and released only by a person, at standstill. The bench
//! state is the one way to open a valve at rest, and it yields to every latch.

use crate::odometer::Odometer;
use crate::units::Micros;

/// What the guard makes of the machine, the strongest reason first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[non_exhaustive]
pub enum GuardState {
    /// Emergency stop, until acknowledged. Closed.
    EmergencyStop,
    /// The supply is or was low, until acknowledged. Closed.
    SupplyLow,
    /// Started and not acknowledged yet, where the machine description asks for it. Closed.
    Unacknowledged,
    /// Standing, and a person holds the bench state: valves follow its schedule.
    Bench,
    /// No speed is known since power-up. Closed.
    #[default]
    NeverMoved,
    /// Slower than creep speed, or pulses have stopped. Closed.
    Stopped,
    /// Going back, as the direction input says. Closed.
    Reversing,
    /// The caller did not poll for longer than allowed. Closed for this instant.
    PollSilent,
    /// Moving; nozzles follow their sections' modes.
    Running,
}

impl GuardState {
    /// True when valves may open for plants or broadcast.
    #[must_use]
    pub const fn allows_spray(self) -> bool {
        matches!(self, Self::Running)
    }

    /// True when nothing but an acknowledgement at standstill leaves this state.
    #[must_use]
    pub const fn is_latched(self) -> bool {
        matches!(
            self,
            Self::EmergencyStop | Self::SupplyLow | Self::Unacknowledged
        )
    }
}

/// What keeps everything closed until a person acknowledges.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Latches {
    pub emergency: bool,
    pub supply: bool,
    pub start: bool,
    /// The supply is low at present: its latch can't be released.
    pub supply_is_low: bool,
}

impl Latches {
    /// The strongest latch that is set.
    pub(crate) const fn state(self) -> Option<GuardState> {
        if self.emergency {
            Some(GuardState::EmergencyStop)
        } else if self.supply {
            Some(GuardState::SupplyLow)
        } else if self.start {
            Some(GuardState::Unacknowledged)
        } else {
            None
        }
    }

    /// Releases all.
    pub(crate) fn release(&mut self) {
        *self = Self {
            supply_is_low: self.supply_is_low,
            supply: self.supply_is_low,
            ..Self::default()
        };
    }
}

/// Judges one decision instant.
pub(crate) fn judge<const H: usize>(
    odometer: &Odometer<H>,
    latches: Latches,
    bench: bool,
    at: Micros,
    poll_silent: bool,
) -> GuardState {
    if let Some(latched) = latches.state() {
        return latched;
    }
    let stands = odometer.never_moved() || odometer.stands(at);
    if stands && bench && !poll_silent {
        GuardState::Bench
    } else if odometer.never_moved() {
        GuardState::NeverMoved
    } else if odometer.reversing() {
        GuardState::Reversing
    } else if stands {
        GuardState::Stopped
    } else if poll_silent {
        GuardState::PollSilent
    } else {
        GuardState::Running
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::boom::Config;
    use crate::units::{PulseLength, Span};

    /// Every pair of the list: the reason that stands first wins.
    #[test]
    fn reasons_win_in_their_order() {
        let pulse = PulseLength::from_nm(20_000_000).expect("usual");
        let wheel = Config::new(pulse, &[], &[]).wheel;
        let mut moving: Odometer<16> = Odometer::new(&wheel, Span::from_ms(800));
        let still = moving.clone();
        for k in 0..20 {
            moving.handle_pulse(Micros(k * 10_000)).expect("accepted");
        }
        let (drives, stands) = (Micros(190_000), Micros(900_000));
        let mut seen = 0;
        for bits in 0..64u32 {
            let on = |b: u32| bits >> b & 1 == 1;
            let latches = Latches {
                emergency: on(0),
                supply: on(1),
                start: on(2),
                supply_is_low: false,
            };
            let at = if on(4) { stands } else { drives };
            for (odometer, never) in [(&moving, false), (&still, true)] {
                let got = judge(odometer, latches, on(3), at, on(5));
                let want = if on(0) {
                    GuardState::EmergencyStop
                } else if on(1) {
                    GuardState::SupplyLow
                } else if on(2) {
                    GuardState::Unacknowledged
                } else if on(3) && !on(5) && (never || on(4)) {
                    GuardState::Bench
                } else if never {
                    GuardState::NeverMoved
                } else if on(4) {
                    GuardState::Stopped
                } else if on(5) {
                    GuardState::PollSilent
                } else {
                    GuardState::Running
                };
                assert_eq!(got, want, "bits {bits:06b}, never moved {never}");
                seen += u32::from(got.allows_spray());
            }
        }
        // Bench asked for or not, while driving: two of all may spray.
        assert_eq!(seen, 2);
    }

    #[test]
    fn a_low_supply_keeps_its_latch() {
        let mut latches = Latches {
            emergency: true,
            supply: true,
            start: true,
            supply_is_low: true,
        };
        latches.release();
        assert_eq!(latches.state(), Some(GuardState::SupplyLow));
        latches.supply_is_low = false;
        latches.release();
        assert_eq!(latches.state(), None);
    }
}
