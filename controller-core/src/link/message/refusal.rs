//! Why the board did not do what it was told, and the words for it.

use crate::{
    BenchError, ConfigError, DirectionError, FaultError, ImageError, OrderError, YawError,
};

/// Why the board did not do what it was told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refusal {
    /// A good frame, but no known message, or bytes left over.
    #[default]
    Unreadable,
    /// This build has no such function.
    NotSupported,
    /// The board has not been acknowledged since power-up or emergency stop.
    NotAcknowledged,
    /// Only at standstill.
    NotAtStandstill,
    /// No such nozzle or section.
    NoSuchPlace,
    /// No run with this token, or it was not renewed in time.
    NoSuchRun,
    /// No such detector in the machine description.
    UnknownDetector,
    /// The capture stamp lies in the future: check the sender's clock.
    CapturedInFuture,
    /// Captured longer ago than allowed or remembered.
    TooOld,
    /// The sender's own bound of its stamp's error is beyond what the board allows.
    StampUncertain,
    /// No strobe pulse is known for this frame.
    UnknownFrame,
    /// More plants than an image may hold.
    TooManyPlants,
    /// A size or place that can't be, or a yaw sensor that is frozen.
    Implausible,
    /// A piece that does not follow on the one before, or none begun.
    PieceOutOfOrder,
    /// More bytes than the board has room for.
    TooLarge,
    /// The pieces don't have the digest that was announced.
    WrongDigest,
    /// A machine description of another version, or one that can't be read.
    BadMachine,
    /// The description was read, but the controller can't keep its promises with it.
    MachineRefused,
    /// Flash could not be written.
    NotStored,
    /// Another bench run goes on.
    Busy,
    /// Open or closed for longer than the machine description's cap.
    OnTooLong,
    /// Open or closed for shorter than the valve can be.
    TooShort,
    /// Never, or more often than a rinse may repeat.
    WrongTimes,
    /// The supply is still low.
    SupplyLow,
    /// The machine description has no direction input.
    NoDirectionInput,
    /// The stretch lies behind the boom already.
    Behind,
    /// The stretch is too far away, or ends before it begins.
    BadStretch,
    /// The machine description has no such turning input.
    NoTurningInput,
    /// The machine can't turn so fast.
    TurnsTooFast,
}

impl From<ImageError> for Refusal {
    fn from(error: ImageError) -> Self {
        match error {
            ImageError::CapturedInFuture => Self::CapturedInFuture,
            ImageError::TooOld | ImageError::TimeBackwards { .. } => Self::TooOld,
            ImageError::UnknownDetector { .. } => Self::UnknownDetector,
            ImageError::TooManyPlants { .. } => Self::TooManyPlants,
            ImageError::Implausible { .. } => Self::Implausible,
        }
    }
}

impl From<OrderError> for Refusal {
    fn from(error: OrderError) -> Self {
        match error {
            OrderError::TimeBackwards { .. } => Self::TooOld,
            OrderError::UnknownSection { .. } | OrderError::UnknownNozzles { .. } => {
                Self::NoSuchPlace
            }
            OrderError::Backwards | OrderError::TooFar => Self::BadStretch,
            OrderError::Behind => Self::Behind,
            OrderError::Moving => Self::NotAtStandstill,
            OrderError::SupplyLow => Self::SupplyLow,
        }
    }
}

impl From<BenchError> for Refusal {
    fn from(error: BenchError) -> Self {
        match error {
            BenchError::TimeBackwards { .. } => Self::TooOld,
            BenchError::Moving => Self::NotAtStandstill,
            BenchError::Latched { .. } => Self::NotAcknowledged,
            BenchError::Busy => Self::Busy,
            BenchError::NothingRuns => Self::NoSuchRun,
            BenchError::OnTooLong { .. } => Self::OnTooLong,
            BenchError::TooShort { .. } => Self::TooShort,
            BenchError::Times => Self::WrongTimes,
            BenchError::UnknownNozzle { .. } => Self::NoSuchPlace,
        }
    }
}

impl From<DirectionError> for Refusal {
    fn from(error: DirectionError) -> Self {
        match error {
            DirectionError::TimeBackwards { .. } => Self::TooOld,
            DirectionError::NoInput => Self::NoDirectionInput,
        }
    }
}

impl From<FaultError> for Refusal {
    fn from(error: FaultError) -> Self {
        match error {
            FaultError::TimeBackwards { .. } => Self::TooOld,
            FaultError::UnknownNozzle { .. } => Self::NoSuchPlace,
        }
    }
}

impl From<YawError> for Refusal {
    fn from(error: YawError) -> Self {
        match error {
            YawError::TimeBackwards { .. } => Self::TooOld,
            YawError::NoInput => Self::NoTurningInput,
            YawError::TooFast => Self::TurnsTooFast,
            YawError::Frozen => Self::Implausible,
        }
    }
}

/// Why a controller does not take a machine description, as far as the link tells.
impl From<ConfigError> for Refusal {
    fn from(error: ConfigError) -> Self {
        match error {
            ConfigError::TurningNotBuilt => Self::NotSupported,
            _ => Self::MachineRefused,
        }
    }
}

impl core::fmt::Display for Refusal {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Unreadable => "the message is not known; check both sides' versions",
            Self::NotSupported => "this board has no such function",
            Self::NotAcknowledged => "acknowledge first: a person must look at the machine",
            Self::NotAtStandstill => "only at standstill",
            Self::NoSuchPlace => "no such nozzle or section",
            Self::NoSuchRun => "no such run, or it was not renewed in time",
            Self::UnknownDetector => "no such detector",
            Self::CapturedInFuture => "captured in the future; check the sender's clock",
            Self::TooOld => "captured too long ago",
            Self::StampUncertain => "the capture stamp is too uncertain; wire the frame strobe",
            Self::UnknownFrame => "no strobe pulse is known for this frame; check its wire",
            Self::TooManyPlants => "too many plants in one image; send several",
            Self::Implausible => "a size or place that can't be, or a frozen yaw sensor",
            Self::PieceOutOfOrder => "a piece is missing; begin the upload again",
            Self::TooLarge => "too large for this board",
            Self::WrongDigest => "the digest does not fit; begin the upload again",
            Self::BadMachine => "the machine description can't be read; check its version",
            Self::MachineRefused => "the controller refuses this machine; run the check on it",
            Self::NotStored => "flash could not be written",
            Self::Busy => "another bench run goes on; release it first",
            Self::OnTooLong => "longer than the machine's bench cap allows",
            Self::TooShort => "shorter than the valve can be open or closed",
            Self::WrongTimes => "a rinse repeats 1 to 20 times",
            Self::SupplyLow => "the supply is still low",
            Self::NoDirectionInput => "the machine has no direction input",
            Self::Behind => "the stretch lies behind the boom already",
            Self::BadStretch => "the stretch is too far away or ends before it begins",
            Self::NoTurningInput => "the machine has no such turning input",
            Self::TurnsTooFast => "the machine can't turn so fast; check the yaw sensor's unit",
        })
    }
}
