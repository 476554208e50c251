//! What can be wrong with a machine description.

use super::MAX_SLOTS;
use crate::sections::MAX_SECTIONS;

/// What is wrong with a machine description.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ConfigError {
    /// A boom without nozzles.
    NoNozzles,
    /// More nozzles than this controller was built for.
    TooManyNozzles {
        /// What it was built for.
        most: usize,
    },
    /// More detectors than this controller was built for.
    TooManyDetectors {
        /// What it was built for.
        most: usize,
    },
    /// Nozzles (and their lanes' edges) must run from left to right.
    NozzlesNotSorted {
        /// The one out of order.
        nozzle: usize,
    },
    /// More than 30 m from the reference point.
    NozzleTooFar {
        /// Which.
        nozzle: usize,
    },
    /// A lane must be wider than nothing and narrower than 30 m.
    LaneWidth {
        /// Which.
        nozzle: usize,
    },
    /// A delay or throw beyond 250 ms.
    DelayTooLong {
        /// Which.
        nozzle: usize,
    },
    /// A detector or its view reaches beyond 30 m, or the view is negative.
    DetectorTooFar {
        /// Which.
        detector: usize,
    },
    /// A margin is negative, beyond 10 m or beyond 250 ms.
    PatchMargin,
    /// A fan is 1 mm to 10 m wide to each side, its flat middle no wider, its spacing
    /// 1 mm to 20 m, and the wanted share 1 to 10,000 ten-thousandths.
    Fan,
    /// A rate is 1 ml/ha to 5,000 l/ha over a width of 1 mm to 10 m, a flow at
    /// least 10 ml/min, its pressure 1 to 5,000 kPa.
    Rate,
    /// There must be a flow for every nozzle, each at least 10 ml/min, or for none.
    NozzleFlows,
    /// A cycle must be 5 ms to 1 s, and the lowest share 1 to 1,000 thousandths.
    Cycle,
    /// The shortest patch passes in fewer than three cycles at top speed, and such are to be
    /// refused.
    ShortPatch,
    /// The list of faulty nozzles names one that is not there.
    NoSuchNozzle {
        /// As given.
        nozzle: u16,
    },
    /// No pulse length.
    PulseLength,
    /// Top speed must be above creep speed and at most 100 m/s.
    MaxSpeed,
    /// Creep speed must be above zero and at least one pulse a second, else a
    /// stop would take longer than a second to notice.
    CreepSpeed,
    /// Acceleration limit must be 1 to 50,000 mm/s².
    MaxAcceleration,
    /// More than [`MAX_SLOTS`] slots a turn.
    SlotsPerTurn,
    /// Decision period must be 0.2 to 20 ms.
    DecisionPeriod,
    /// Slack must be an eighth of a decision period to one period.
    Slack,
    /// Shortest on-time must cover a decision period plus slack, and be at most 1 s.
    ShortestOn,
    /// Shortest off-time must cover a decision period plus slack, and be at most 1 s.
    ShortestOff,
    /// Poll silence must be one period to 1 s.
    PollSilence,
    /// Oldest detection must be above zero and at most 2 s.
    MaxDetectionAge,
    /// More than [`MAX_SECTIONS`] sections.
    TooManySections,
    /// Sections must follow one another from the first nozzle to the last, none empty.
    Section {
        /// The first that does not; one past the last where nozzles are left over.
        section: usize,
    },
    /// The keep-off margin is negative or beyond 10 m.
    KeepOffMargin,
    /// A switch's quiet time is over 1 s.
    SwitchQuiet,
    /// The cap of the bench state must be the shortest on-time to 60 s.
    BenchOnCap,
    /// Axle and wheels are within 30 m and two wheels at least 0.3 m apart, the machine turns
    /// by 1 to 3000 mrad/s at most, and silence is 10 ms to 2 s.
    Turning,
    /// This controller was built without the feature `turning`.
    TurningNotBuilt,
    /// The controller has a machine already: only a blank one is set up.
    SetUpAlready,
}

impl core::fmt::Display for ConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::NoNozzles => f.write_str("the boom has no nozzle"),
            Self::TooManyNozzles { most } => write!(f, "more than {most} nozzles"),
            Self::TooManyDetectors { most } => write!(f, "more than {most} detectors"),
            Self::NozzlesNotSorted { nozzle } => {
                write!(f, "nozzle {nozzle} is not right of the one before it")
            }
            Self::NozzleTooFar { nozzle } => {
                write!(f, "nozzle {nozzle} is over 30 m from the reference point")
            }
            Self::LaneWidth { nozzle } => {
                write!(f, "lane width of nozzle {nozzle} must be above 0 and below 30 m")
            }
            Self::DelayTooLong { nozzle } => {
                write!(f, "a delay or the throw of nozzle {nozzle} is over 250 ms")
            }
            Self::DetectorTooFar { detector } => {
                write!(f, "detector {detector} or its view is beyond 30 m or negative")
            }
            Self::PatchMargin => f.write_str("a margin must be 0 to 10 m and 0 to 250 ms"),
            Self::Fan => f.write_str(
                "a fan must be 1 mm to 10 m wide to each side and flat over no more, its spacing 1 mm to 20 m, its wanted share 1 to 10,000",
            ),
            Self::Rate => f.write_str(
                "a rate must be 1 ml/ha to 5,000 l/ha over 1 mm to 10 m, a flow at least 10 ml/min, its pressure 1 to 5,000 kPa",
            ),
            Self::NozzleFlows => {
                f.write_str("give a flow of at least 10 ml/min for every nozzle, or for none")
            }
            Self::Cycle => f.write_str(
                "a cycle must be 5 ms to 1 s and the lowest share 1 to 1,000 thousandths",
            ),
            Self::ShortPatch => f.write_str(
                "the shortest patch passes in fewer than three cycles at top speed: shorten the cycle, lower the top speed or widen lead and trail",
            ),
            Self::NoSuchNozzle { nozzle } => {
                write!(f, "nozzle {nozzle} is listed as faulty but is not there")
            }
            Self::PulseLength => f.write_str("the pulse length is missing"),
            Self::MaxSpeed => f.write_str("top speed must be above creep speed, at most 100 m/s"),
            Self::CreepSpeed => f.write_str(
                "creep speed must be above 0 and at least one pulse a second, else a stop is noticed too late",
            ),
            Self::MaxAcceleration => {
                f.write_str("the acceleration limit must be above 0 and at most 50 m/s²")
            }
            Self::SlotsPerTurn => write!(f, "at most {MAX_SLOTS} slots a turn can be learned; 0 leaves it off"),
            Self::DecisionPeriod => f.write_str("the decision period must be 0.2 to 20 ms"),
            Self::Slack => f.write_str("slack must be an eighth of a decision period to one"),
            Self::ShortestOn => f.write_str(
                "the shortest on-time must be at least decision period plus slack, at most 1 s",
            ),
            Self::ShortestOff => f.write_str(
                "the shortest off-time must be at least decision period plus slack, at most 1 s",
            ),
            Self::PollSilence => f.write_str("poll silence must be one decision period to 1 s"),
            Self::MaxDetectionAge => {
                f.write_str("the oldest detection must be above 0 and at most 2 s")
            }
            Self::TooManySections => write!(f, "more than {MAX_SECTIONS} sections"),
            Self::Section { section } => write!(
                f,
                "section {section}: sections must hold every nozzle once, from left to right, none empty"
            ),
            Self::KeepOffMargin => f.write_str("the keep-off margin must be 0 to 10 m"),
            Self::SwitchQuiet => f.write_str("a switch's quiet time must be at most 1 s"),
            Self::BenchOnCap => f.write_str(
                "the longest on-time of the bench state must be the shortest on-time to 60 s",
            ),
            Self::Turning => f.write_str(
                "axle and wheels must be within 30 m and two wheels 0.3 m apart, the highest yaw rate 1 to 3000 mrad/s, its silence 10 ms to 2 s",
            ),
            Self::TurningNotBuilt => f.write_str(
                "this controller is built without turning: leave it out of the machine description",
            ),
            Self::SetUpAlready => {
                f.write_str("the controller has a machine already: set up a blank one")
            }
        }
    }
}

impl core::error::Error for ConfigError {}
