//! Turning: how far each nozzle has come, and where a plant meets the boom in a curve.
//!
//! **Heading.** θ grows to the left. In body axes (x forward, y to the right) a point at `y`
//! that the machine carries along moves forward by `dS + y·dθ` and sideways by what it lies
//! behind the axle. So a nozzle's own distance is `S_wheel + (y − wheel_y)·θ`: linear in one
//! heading, which serves all nozzles and adds up no error of theirs.
//!
//! **A place for the whole boom** is a pair: a place of the reference point and the heading
//! that the machine has, had or will have there. On any lane it is one number. Plans, keep-off
//! ground and seen stretches come in as such pairs and are held lane by lane in own distance.
//!
//! **Where the heading comes from**: a yaw-rate sensor, whose offset is learned whenever the
//! wheel certainly stands, or the lead of a second wheel over the first. Between its inputs the
//! heading goes on at the last rate; from the capture to the boom the curve is taken as steady.
//! When it changes by Δκ over a way x the aim is off by up to ½·Δκ·x² across, and along by
//! `y` times as much over x. So plants are kept until the boom comes by, one near it is looked
//! at again at each input of the heading, and its patch moves to where the boom will meet it.
//!
//! **Silence.** After [`TurningConfig::silence`] without an input the machine is taken to go
//! straight on, which is counted ([`YawCounts::silences`]).
//!
//! **A frozen sensor** says the same again and again, which noise never does. Once it was seen at
//! rest that readings differ (of 16 no more than 3 like the one before), 24 in a row that are
//! alike, over 0.4 s at least, are refused, counted ([`YawCounts::frozen`]) and teach nothing: as
//! after silence the machine is taken to go straight on, until a reading differs. A sensor too
//! coarse to show noise at rest is not held to this.
//!
//! Without the cargo feature `turning` none of this is built: a description that asks for it is
//! refused, and the code is that of a machine that goes straight.
//!
//! **Bounded containers:** the headings of the past overwrite the oldest; a capture before them
//! gets the oldest. They reach back the oldest detection age.

use crate::boom::{ConfigError, MAX_MOUNT};
use crate::units::{Length, Micros, PulseLength, Span};

mod curve;
mod heading;

#[cfg(not(feature = "turning"))]
mod absent;
#[cfg(feature = "turning")]
mod course;
#[cfg(feature = "turning")]
mod waiting;
#[cfg(feature = "turning")]
mod yaw;

#[cfg(not(feature = "turning"))]
pub(crate) use absent::{Swing, Turning};
#[cfg(feature = "turning")]
pub(crate) use course::Pose;
pub(crate) use curve::{Crossing, Curve};
pub(crate) use heading::{Heading, Side};
#[cfg(feature = "turning")]
pub(crate) use waiting::Kept;
#[cfg(feature = "turning")]
pub(crate) use yaw::{Swing, Turning, Way};

/// Whether the controller was built with the feature `turning`.
pub const BUILT: bool = cfg!(feature = "turning");

/// A group of nozzles is looked at anew when turning has moved its boundaries against one
/// another by more than this, counts: a quarter of a metre.
#[cfg(feature = "turning")]
pub(crate) const FAR_APART: i32 = 250 * crate::units::COUNTS_PER_MM;
/// Nearest that two wheels may be, across.
const NARROWEST: Length = Length::from_mm(300);

/// From where the heading is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum YawSource {
    /// A yaw-rate sensor ([`handle_yaw_rate`](crate::Controller::handle_yaw_rate)).
    Rate,
    /// A second wheel ([`handle_second_pulse`](crate::Controller::handle_second_pulse)). Its
    /// pulse length must be right against the first wheel's: 0.1 % off on wheels 2 m apart
    /// turns the machine by 0.5 mrad each metre, which is 6 mm a metre at 12 m.
    SecondWheel {
        /// Travel from pulse to pulse.
        pulse_length: PulseLength,
        /// Right of the boom reference point.
        y: Length,
    },
}

/// How the machine turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TurningConfig {
    /// From the axle that does not steer back to the boom reference point; negative when the
    /// boom is ahead of it. At most 30 m.
    pub behind_axle: Length,
    /// The wheel whose pulses are counted, right of the boom reference point.
    pub wheel_y: Length,
    /// From where the heading is known.
    pub source: YawSource,
    /// Faster than this it can't turn: inputs that say so are refused. 1 to 3000 mrad/s.
    pub most_rate_mrad_s: u32,
    /// So long without an input counts as going straight. 10 ms to 2 s.
    pub silence: Span,
}

impl TurningConfig {
    /// Boom `behind_axle` of the axle, wheel in the middle, a yaw-rate sensor; at most 1 rad/s,
    /// silent after 200 ms.
    #[must_use]
    pub const fn yaw_rate(behind_axle: Length) -> Self {
        Self {
            behind_axle,
            wheel_y: Length::from_mm(0),
            source: YawSource::Rate,
            most_rate_mrad_s: 1000,
            silence: Span::from_ms(200),
        }
    }

    pub(crate) fn validate(&self) -> Result<(), ConfigError> {
        if !BUILT {
            return Err(ConfigError::TurningNotBuilt);
        }
        let near = |l: Length| l <= MAX_MOUNT && l >= Length::default().minus(MAX_MOUNT);
        let second = match self.source {
            YawSource::Rate => true,
            YawSource::SecondWheel { pulse_length, y } => {
                let apart = y.minus(self.wheel_y).bits().saturating_abs();
                near(y) && apart >= NARROWEST.bits() && pulse_length.bits() > 0
            }
        };
        let sound = near(self.behind_axle)
            && near(self.wheel_y)
            && second
            && (1..=3000).contains(&self.most_rate_mrad_s)
            && (Span::from_ms(10)..=Span::from_ms(2000)).contains(&self.silence);
        if sound {
            Ok(())
        } else {
            Err(ConfigError::Turning)
        }
    }
}

/// Why a yaw rate or a pulse of the second wheel was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum YawError {
    /// Stamped before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// The machine description has no such input.
    NoInput,
    /// Faster than the machine can turn. A second wheel's pulse is counted from anew.
    TooFast,
    /// A sensor whose readings differed at rest has said the same for 0.4 s and 24 readings.
    Frozen,
}

impl core::fmt::Display for YawError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "yaw stamped before {} µs, already seen", latest.0)
            }
            Self::NoInput => f.write_str("the machine description has no such turning input"),
            Self::TooFast => f.write_str("the machine can't turn so fast"),
            Self::Frozen => f.write_str("the yaw sensor repeats itself: frozen"),
        }
    }
}

impl core::error::Error for YawError {}

/// What turning did, counted like [`Counters`](crate::Counters). All saturate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct YawCounts {
    /// Yaw rates and pulses of the second wheel taken.
    pub inputs: u32,
    /// Those refused: no such input, faster than the machine can turn, frozen, or stamped
    /// backwards.
    pub refused: u32,
    /// Lessons of 16 readings at rest from which the yaw sensor's offset was learned.
    pub taught: u32,
    /// Times that the machine was taken to go straight because no yaw input came.
    pub silences: u32,
    /// Times that the yaw sensor froze.
    pub frozen: u32,
    /// Plants refused at first because the boom does not come by them on the curve.
    pub plants_off_curve: u32,
    /// Times that a plant was aimed at anew because the curve had changed.
    pub moved: u32,
    /// Plants that at first the boom was not to come by, planned after all.
    pub caught: u32,
    /// Plants that had to make room for newer ones: no longer aimed at anew.
    pub let_go: u32,
    /// Closings because a nozzle's own way in a curve was slower than creep speed.
    pub slow_closes: u32,
    /// Patches given up because their nozzle ran back in a curve, over other ground.
    pub ran_back: u32,
}

#[cfg(feature = "turning")]
impl YawCounts {
    pub(crate) const NONE: Self = Self {
        inputs: 0,
        refused: 0,
        taught: 0,
        silences: 0,
        frozen: 0,
        plants_off_curve: 0,
        moved: 0,
        caught: 0,
        let_go: 0,
        slow_closes: 0,
        ran_back: 0,
    };
}

/// What a handed over input did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(
    not(feature = "turning"),
    expect(dead_code, reason = "nothing is ever taken")
)]
pub(crate) enum Taken {
    /// The heading is brought up.
    Yes,
    /// And at rest the sensor's offset was learned from it.
    Taught,
}
