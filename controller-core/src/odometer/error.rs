//! Why a wheel pulse or a direction of travel was refused.

use crate::units::{Micros, Span};

/// Why a wheel pulse was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum PulseError {
    /// Stamped before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// Sooner after the last pulse than the machine's top speed allows: contact
    /// bounce or interference.
    TooSoon {
        /// µs since the last pulse.
        after: Span,
        /// Shortest possible period, µs.
        shortest: Span,
    },
    /// Sooner after the last pulse than the machine can have sped up: contact bounce
    /// or interference.
    Implausible {
        /// µs since the last pulse.
        after: Span,
    },
}

impl core::fmt::Display for PulseError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "pulse stamped before {} µs, already seen", latest.0)
            }
            Self::TooSoon { after, shortest } => write!(
                f,
                "pulse {} µs after the last; top speed allows one every {} µs",
                after.0, shortest.0
            ),
            Self::Implausible { after } => write!(
                f,
                "pulse {} µs after the last, sooner than the acceleration limit allows",
                after.0
            ),
        }
    }
}

impl core::error::Error for PulseError {}

/// Why a direction of travel was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum DirectionError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// The machine description says that there is no direction input.
    NoInput,
}

impl core::fmt::Display for DirectionError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "direction stamped before {} µs, already seen", latest.0)
            }
            Self::NoInput => f.write_str("the machine description has no direction input"),
        }
    }
}

impl core::error::Error for DirectionError {}
