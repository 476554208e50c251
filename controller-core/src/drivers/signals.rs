//! Lamp and buzzer: what they show follows from the state and the clock alone.

use crate::guard::GuardState;
use crate::units::Micros;

/// A pattern of lamp or buzzer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pattern {
    /// Dark, silent.
    #[default]
    Off,
    /// On all the time.
    Steady,
    /// 0.5 s on, 0.5 s off.
    Slow,
    /// 0.1 s on, 0.1 s off.
    Fast,
    /// Two short ones every two seconds.
    Twice,
}

impl Pattern {
    /// Whether it is on at this instant.
    #[must_use]
    pub fn is_on(self, now: Micros) -> bool {
        let ms = now.0.checked_div(1000).unwrap_or_default();
        let within = |period: u64| ms.checked_rem(period).unwrap_or_default();
        match self {
            Self::Off => false,
            Self::Steady => true,
            Self::Slow => within(1000) < 500,
            Self::Fast => within(200) < 100,
            Self::Twice => matches!(within(2000), 0..100 | 200..300),
        }
    }
}

/// What lamp and buzzer show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Signals {
    /// The lamp: steady while spraying is allowed, slow while it waits for motion, twice
    /// while it waits for a person, fast at a fault.
    pub lamp: Pattern,
    /// The buzzer: fast at a fault that came up while moving, else silent.
    pub buzzer: Pattern,
}

/// What to show. `fault`: anything at which the operator should look.
#[must_use]
pub const fn signals(guard: GuardState, fault: bool) -> Signals {
    let moving = guard.allows_spray();
    let latched = matches!(
        guard,
        GuardState::EmergencyStop | GuardState::SupplyLow | GuardState::Unacknowledged
    );
    let lamp = match (fault, latched, moving) {
        (true, ..) => Pattern::Fast,
        (_, true, _) => Pattern::Twice,
        (_, _, true) => Pattern::Steady,
        _ => Pattern::Slow,
    };
    let buzzer = if fault && moving {
        Pattern::Fast
    } else {
        Pattern::Off
    };
    Signals { lamp, buzzer }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_have_their_share_of_time() {
        for (pattern, on) in [
            (Pattern::Off, 0),
            (Pattern::Steady, 2000),
            (Pattern::Slow, 1000),
            (Pattern::Fast, 1000),
            (Pattern::Twice, 200),
        ] {
            let count = (0..2000_u64)
                .filter(|ms| pattern.is_on(Micros(ms * 1000)))
                .count();
            assert_eq!(count, on, "{pattern:?}");
        }
    }

    #[test]
    fn a_fault_shows_whatever_else_is() {
        let lamp = |guard, fault| signals(guard, fault).lamp;
        assert_eq!(lamp(GuardState::Running, false), Pattern::Steady);
        assert_eq!(lamp(GuardState::Running, true), Pattern::Fast);
        assert_eq!(lamp(GuardState::Stopped, false), Pattern::Slow);
        assert_eq!(lamp(GuardState::Unacknowledged, false), Pattern::Twice);
        assert_eq!(signals(GuardState::Running, true).buzzer, Pattern::Fast);
        assert_eq!(signals(GuardState::Stopped, true).buzzer, Pattern::Off);
    }
}
