//! What is said over the link, either way.
//!
//! The order of the variants and fields is the wire format: [`super::VERSION`] goes up
//! with every change, and the test beside `LINK.md` notices one.

use super::codec::{Reader, Wire, Writer, wire_fields, wire_numbers};
use super::frame::LinkCounters;
use super::image::ImageHead;
use crate::counters::Counters;
use crate::guard::GuardState;
use crate::units::{Micros, Span};
use crate::{
    Action, BenchError, BenchRequest, Command, ConfigError, DirectionError, FaultError, ImageError,
    Mode, OrderError, YawError,
};
use heapless::Vec;

/// Commands reported in one message.
pub const COMMANDS_A_MESSAGE: usize = 8;

/// From a host or camera to the board. All but [`ToBoard::Ping`] are answered by
/// [`FromBoard::Answer`] or by what was asked for; those that [come often](ToBoard::is_frequent)
/// only when refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ToBoard<'a> {
    /// Who are you? Answered by [`FromBoard::Welcome`].
    Hello,
    /// An image; its plants stand behind it, see [`ImageHead`].
    Image(ImageHead),
    /// The strobe pulse given just now was that of this frame.
    Strobe {
        /// The detector, by its index in the machine description.
        detector: u8,
        /// Its number of the frame.
        frame: u32,
    },
    /// Clock exchange: sent at this instant of the sender's clock, µs.
    Ping {
        /// Sender's stamp.
        sent_us: u64,
    },
    /// A section is to be driven so from now on.
    Mode {
        /// Index of the section.
        section: u8,
        /// How.
        mode: SectionMode,
    },
    /// Ground that must stay dry, relative to the boom reference point at a board instant.
    KeepOff {
        /// First nozzle that it holds for.
        first: u16,
        /// How many from there on.
        count: u16,
        /// Board's µs at which the distances were true.
        at_us: u64,
        /// Near end, mm forward.
        from_mm: i32,
        /// Far end, mm forward.
        to_mm: i32,
    },
    /// Work on the bench, at standstill only.
    Bench {
        /// Made up by the sender for one run; the same in every renewal of it.
        token: u16,
        /// What to do.
        request: Bench,
    },
    /// A machine description of so many bytes follows in pieces.
    MachineBegin {
        /// All bytes of it.
        length: u16,
        /// Its CRC-32.
        digest: u32,
    },
    /// One piece, in order.
    MachinePiece {
        /// Where it stands in the whole.
        offset: u16,
        /// The piece.
        bytes: &'a [u8],
    },
    /// All pieces are there: check them and, at standstill, keep them.
    MachineEnd,
    /// A person has looked and allows spraying (again).
    Acknowledge,
    /// Close everything and stay closed.
    EmergencyStop,
    /// Send the counters.
    ReadCounters,
    /// A wheel pulse, where the wheel sensor is not the board's own: a bench, a replay.
    Pulse {
        /// When it came, board's µs.
        at_us: u64,
    },
    /// Nothing stamped earlier than this will come any more: decide up to here. What follows
    /// without a stamp came now. For a board that is told the time; one with a clock refuses.
    Until {
        /// Board's µs.
        at_us: u64,
    },
    /// Which way the machine goes from now on, where that input is not the board's own.
    Direction {
        /// Back.
        reverse: bool,
    },
    /// Whether the supply is sound, where that input is not the board's own.
    Supply {
        /// Sound.
        ok: bool,
    },
    /// The wires of all section switches, a bit a section, where they are not the board's own.
    Switches {
        /// Closed wires of spot.
        spot: u64,
        /// Closed wires of broadcast.
        broadcast: u64,
    },
    /// A nozzle is faulty, or healthy again.
    NozzleFault {
        /// Which.
        nozzle: u16,
        /// Faulty.
        faulty: bool,
    },
    /// Send [`FromBoard::Motion`] and every section's [`FromBoard::Section`] so often.
    Report {
        /// Time between two, ms; 0 stops it.
        every_ms: u16,
    },
    /// What a yaw-rate sensor says now. It counts from when it came: a delay in the line is a
    /// heading that is late, so send it as soon as it is read.
    YawRate {
        /// µrad/s, positive to the left.
        urad_s: i32,
    },
    /// A pulse of the second wheel, where that sensor is not the board's own.
    SecondPulse {
        /// When it came, board's µs.
        at_us: u64,
    },
    /// The pressure at the nozzles from now on.
    Pressure {
        /// kPa.
        kpa: u16,
    },
}

/// How a section is driven.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SectionMode {
    /// Closed.
    #[default]
    Off,
    /// Plants only.
    Spot,
    /// Everything.
    Broadcast,
}

/// What a bench run does: the core's [`BenchRequest`], times in µs like a
/// recording's. Every run goes on only while it is renewed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Bench {
    /// One nozzle once.
    Click {
        /// Which.
        nozzle: u16,
        /// How long it is open.
        on_us: u32,
    },
    /// Fill the plumbing: section after section.
    Prime {
        /// Each section's time.
        on_us: u32,
    },
    /// Everything open.
    Flush {
        /// How long.
        on_us: u32,
    },
    /// Everything open and closed in turn.
    Rinse {
        /// Each opening.
        on_us: u32,
        /// Each pause.
        off_us: u32,
        /// How often.
        times: u8,
    },
    /// The button is still held.
    Hold,
    /// The button was let go: close.
    Release,
}

/// From the board.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
#[allow(
    clippy::large_enum_variant,
    reason = "there is no heap for the counters, and one message exists at a time"
)]
pub enum FromBoard {
    /// Answer to [`ToBoard::Hello`].
    Welcome(Welcome),
    /// Answer to [`ToBoard::Ping`].
    Pong {
        /// The stamp of the ping, sender's clock.
        sent_us: u64,
        /// When its last byte was read, board's µs.
        received_us: u64,
        /// When this was handed to the port, board's µs.
        replied_us: u64,
    },
    /// What became of a frame.
    Answer {
        /// Its sequence number.
        to: u16,
        /// Done, or why not.
        result: Result<(), Refusal>,
    },
    /// Regular news.
    Motion(Motion),
    /// Valve commands, as decided and as carried out.
    Commands(Commands),
    /// Answer to [`ToBoard::ReadCounters`].
    Counters {
        /// The controller's.
        core: Counters,
        /// The link's, as seen by the board.
        link: LinkCounters,
    },
    /// Regular news of one section, behind those of motion.
    Section(SectionState),
}

/// Who the board is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Welcome {
    /// Version of the machine description that it takes.
    pub machine_version: u8,
    /// CRC-32 of the machine description that it runs; none without a sound one.
    pub machine_digest: Option<u32>,
    /// Most nozzles.
    pub nozzles: u16,
    /// Most detectors.
    pub detectors: u8,
    /// Most plants in an image.
    pub plants: u8,
    /// Most bytes of a frame, version to CRC.
    pub frame_bytes: u16,
    /// True until a person has acknowledged since power-up.
    pub waits_for_acknowledge: bool,
    /// True for a board that is told the time by *pulse* and *until*; false with a clock.
    pub told_time: bool,
    /// Why it started.
    pub reset: ResetCause,
}

/// Why a board started, as far as its hardware tells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ResetCause {
    /// The hardware does not tell.
    #[default]
    Unknown,
    /// Power came.
    PowerOn,
    /// Power sagged and came back.
    LowVoltage,
    /// The reset pin.
    Pin,
    /// Nobody fed the watchdog.
    Watchdog,
    /// The firmware asked for it.
    Firmware,
}

/// Regular news of speed and state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Motion {
    /// When this was so, board's µs.
    pub at_us: u64,
    /// Speed at the last pulse, mm/s; 0 where the guard knows that the machine stands.
    pub speed_mm_s: u32,
    /// Distance since the first pulse, mm.
    pub distance_mm: i64,
    /// The guard's state, by [`guard_number`]: 0 never moved, 1 stopped, 2 not polled, 3
    /// running, 4 going back, 5 emergency stop, 6 supply low, 7 not acknowledged, 8 bench.
    pub guard: u8,
    /// Valves told to be open.
    pub open: u16,
    /// A bit a fault: bit `d` is detector `d` silent (0 to 15), 16 a valve without current,
    /// 17 low supply, 18 no sound machine description, 19 a command queue that overflowed, 20
    /// a nozzle called faulty, 21 wheel pulses that the board lost.
    pub faults: u32,
}

/// Regular news of one section. Why all is closed stands in [`Motion::guard`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SectionState {
    /// Its index in the machine description.
    pub section: u8,
    /// How it is driven.
    pub mode: SectionMode,
    /// Its first nozzle.
    pub first: u16,
    /// How many from there on.
    pub count: u16,
    /// How many of them are told to be open.
    pub open: u16,
    /// How many are called faulty.
    pub faulty: u16,
    /// Time that its valves were told to be open, summed over them, ms since the machine
    /// description was taken. Stops at its largest number.
    pub on_ms: u32,
}

/// A batch of valve commands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Commands {
    /// Scheduled instant of the first, board's µs.
    pub base_us: u64,
    /// The commands.
    pub entries: Vec<CommandEntry, COMMANDS_A_MESSAGE>,
}

/// One command in a batch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CommandEntry {
    /// Nozzle times two, plus one when it opens.
    pub what: u16,
    /// Scheduled, µs after the base; may be negative.
    pub after_us: i32,
    /// Carried out so many µs after that.
    pub late_us: u16,
}

impl Commands {
    /// Puts a command and the instant of carrying it out into the batch. False, and left
    /// out, when the batch is full: send it and start another.
    #[must_use]
    pub fn push(&mut self, command: &Command, done: Micros) -> bool {
        if self.entries.is_empty() {
            self.base_us = command.at.0;
        }
        let open = u16::from(matches!(command.action, Action::Open));
        let late = done.since(command.at).0;
        let entry = CommandEntry {
            what: command.nozzle.wrapping_mul(2) | open,
            after_us: command.at.offset_from(Micros(self.base_us)),
            late_us: u16::try_from(late).unwrap_or(u16::MAX),
        };
        self.entries.push(entry).is_ok()
    }
}

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
    /// A size or place that can't be.
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

impl From<Mode> for SectionMode {
    fn from(mode: Mode) -> Self {
        match mode {
            Mode::Off => Self::Off,
            Mode::Spot => Self::Spot,
            Mode::Broadcast => Self::Broadcast,
        }
    }
}

impl From<SectionMode> for Mode {
    fn from(mode: SectionMode) -> Self {
        match mode {
            SectionMode::Off => Self::Off,
            SectionMode::Spot => Self::Spot,
            SectionMode::Broadcast => Self::Broadcast,
        }
    }
}

impl From<Bench> for BenchRequest {
    fn from(request: Bench) -> Self {
        match request {
            Bench::Click { nozzle, on_us } => Self::Click {
                nozzle,
                on: Span(on_us),
            },
            Bench::Prime { on_us } => Self::Prime { on: Span(on_us) },
            Bench::Flush { on_us } => Self::Flush { on: Span(on_us) },
            Bench::Rinse {
                on_us,
                off_us,
                times,
            } => Self::Rinse {
                on: Span(on_us),
                off: Span(off_us),
                times,
            },
            Bench::Hold => Self::Hold,
            Bench::Release => Self::Release,
        }
    }
}

impl From<BenchRequest> for Bench {
    fn from(request: BenchRequest) -> Self {
        match request {
            BenchRequest::Click { nozzle, on } => Self::Click {
                nozzle,
                on_us: on.0,
            },
            BenchRequest::Prime { on } => Self::Prime { on_us: on.0 },
            BenchRequest::Flush { on } => Self::Flush { on_us: on.0 },
            BenchRequest::Rinse { on, off, times } => Self::Rinse {
                on_us: on.0,
                off_us: off.0,
                times,
            },
            BenchRequest::Hold => Self::Hold,
            BenchRequest::Release => Self::Release,
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
            Self::Implausible => "a size or place that can't be",
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

impl<'a> ToBoard<'a> {
    /// Comes so often that it is answered only when refused.
    #[must_use]
    pub const fn is_frequent(&self) -> bool {
        matches!(
            self,
            Self::Image(_)
                | Self::Pulse { .. }
                | Self::YawRate { .. }
                | Self::SecondPulse { .. }
                | Self::Pressure { .. }
        )
    }

    /// Reads a frame's body. What is left over belongs to an image's plants, and is empty
    /// otherwise. Work goes with the number of fields, not of plants.
    ///
    /// # Errors
    /// [`Refusal::Unreadable`].
    pub fn read(body: &'a [u8]) -> Result<(Self, &'a [u8]), Refusal> {
        let mut from = Reader::new(body);
        let message = Self::take(&mut from);
        match (message, from.rest()) {
            (Some(image @ Self::Image(_)), Some(rest)) => Ok((image, rest)),
            (Some(message), Some(rest @ [])) => Ok((message, rest)),
            _ => Err(Refusal::Unreadable),
        }
    }

    fn take(from: &mut Reader<'a>) -> Option<Self> {
        Some(match from.varint(32) {
            0 => Self::Hello,
            1 => Self::Image(Wire::take(from)),
            2 => Self::Strobe {
                detector: Wire::take(from),
                frame: Wire::take(from),
            },
            3 => Self::Ping {
                sent_us: Wire::take(from),
            },
            4 => Self::Mode {
                section: Wire::take(from),
                mode: Wire::take(from),
            },
            5 => Self::KeepOff {
                first: Wire::take(from),
                count: Wire::take(from),
                at_us: Wire::take(from),
                from_mm: Wire::take(from),
                to_mm: Wire::take(from),
            },
            6 => Self::Bench {
                token: Wire::take(from),
                request: Wire::take(from),
            },
            7 => Self::MachineBegin {
                length: Wire::take(from),
                digest: Wire::take(from),
            },
            8 => {
                let offset = Wire::take(from);
                let len = usize::try_from(from.varint(32)).unwrap_or(usize::MAX);
                let bytes = from.bytes(len);
                Self::MachinePiece { offset, bytes }
            }
            9 => Self::MachineEnd,
            10 => Self::Acknowledge,
            11 => Self::EmergencyStop,
            12 => Self::ReadCounters,
            13 => Self::Pulse {
                at_us: Wire::take(from),
            },
            14 => Self::Until {
                at_us: Wire::take(from),
            },
            15 => Self::Direction {
                reverse: Wire::take(from),
            },
            16 => Self::Supply {
                ok: Wire::take(from),
            },
            17 => Self::Switches {
                spot: Wire::take(from),
                broadcast: Wire::take(from),
            },
            18 => Self::NozzleFault {
                nozzle: Wire::take(from),
                faulty: Wire::take(from),
            },
            19 => Self::Report {
                every_ms: Wire::take(from),
            },
            20 => Self::YawRate {
                urad_s: Wire::take(from),
            },
            21 => Self::SecondPulse {
                at_us: Wire::take(from),
            },
            22 => Self::Pressure {
                kpa: Wire::take(from),
            },
            _ => return None,
        })
    }

    /// Writes the message into `out` as a frame's body; `None` when it does not fit. An
    /// image is written by [`super::image::write`].
    #[must_use]
    pub fn write<'o>(&self, out: &'o mut [u8]) -> Option<&'o [u8]> {
        let mut to = Writer::new(out);
        self.put(&mut to);
        to.finish()
    }

    pub(super) fn put(&self, to: &mut Writer<'_>) {
        match self {
            Self::Hello => to.byte(0),
            Self::Image(head) => {
                to.byte(1);
                head.put(to);
            }
            Self::Strobe { detector, frame } => {
                to.byte(2);
                detector.put(to);
                frame.put(to);
            }
            Self::Ping { sent_us } => {
                to.byte(3);
                sent_us.put(to);
            }
            Self::Mode { section, mode } => {
                to.byte(4);
                section.put(to);
                mode.put(to);
            }
            Self::KeepOff {
                first,
                count,
                at_us,
                from_mm,
                to_mm,
            } => {
                to.byte(5);
                first.put(to);
                count.put(to);
                at_us.put(to);
                from_mm.put(to);
                to_mm.put(to);
            }
            Self::Bench { token, request } => {
                to.byte(6);
                token.put(to);
                request.put(to);
            }
            Self::MachineBegin { length, digest } => {
                to.byte(7);
                length.put(to);
                digest.put(to);
            }
            Self::MachinePiece { offset, bytes } => {
                to.byte(8);
                offset.put(to);
                super::codec::put_list(bytes, to);
            }
            Self::MachineEnd => to.byte(9),
            Self::Acknowledge => to.byte(10),
            Self::EmergencyStop => to.byte(11),
            Self::ReadCounters => to.byte(12),
            Self::Pulse { at_us } => {
                to.byte(13);
                at_us.put(to);
            }
            Self::Until { at_us } => {
                to.byte(14);
                at_us.put(to);
            }
            Self::Direction { reverse } => {
                to.byte(15);
                reverse.put(to);
            }
            Self::Supply { ok } => {
                to.byte(16);
                ok.put(to);
            }
            Self::Switches { spot, broadcast } => {
                to.byte(17);
                spot.put(to);
                broadcast.put(to);
            }
            Self::NozzleFault { nozzle, faulty } => {
                to.byte(18);
                nozzle.put(to);
                faulty.put(to);
            }
            Self::Report { every_ms } => {
                to.byte(19);
                every_ms.put(to);
            }
            Self::YawRate { urad_s } => {
                to.byte(20);
                urad_s.put(to);
            }
            Self::SecondPulse { at_us } => {
                to.byte(21);
                at_us.put(to);
            }
            Self::Pressure { kpa } => {
                to.byte(22);
                kpa.put(to);
            }
        }
    }
}

impl Wire for Bench {
    fn put(&self, to: &mut Writer<'_>) {
        match self {
            Self::Click { nozzle, on_us } => {
                to.byte(0);
                nozzle.put(to);
                on_us.put(to);
            }
            Self::Prime { on_us } => {
                to.byte(1);
                on_us.put(to);
            }
            Self::Flush { on_us } => {
                to.byte(2);
                on_us.put(to);
            }
            Self::Rinse {
                on_us,
                off_us,
                times,
            } => {
                to.byte(3);
                on_us.put(to);
                off_us.put(to);
                times.put(to);
            }
            Self::Hold => to.byte(4),
            Self::Release => to.byte(5),
        }
    }

    fn take(from: &mut Reader<'_>) -> Self {
        match from.varint(32) {
            0 => Self::Click {
                nozzle: Wire::take(from),
                on_us: Wire::take(from),
            },
            1 => Self::Prime {
                on_us: Wire::take(from),
            },
            2 => Self::Flush {
                on_us: Wire::take(from),
            },
            3 => Self::Rinse {
                on_us: Wire::take(from),
                off_us: Wire::take(from),
                times: Wire::take(from),
            },
            4 => Self::Hold,
            5 => Self::Release,
            _ => {
                from.refuse();
                Self::Release
            }
        }
    }
}

impl FromBoard {
    /// Reads a frame's body.
    ///
    /// # Errors
    /// [`Refusal::Unreadable`], also with bytes left over.
    pub fn read(body: &[u8]) -> Result<Self, Refusal> {
        let mut from = Reader::new(body);
        match (Self::take(&mut from), from.rest()) {
            (Some(message), Some([])) => Ok(message),
            _ => Err(Refusal::Unreadable),
        }
    }

    /// Writes the message into `out` as a frame's body; `None` when it does not fit.
    #[must_use]
    pub fn write<'o>(&self, out: &'o mut [u8]) -> Option<&'o [u8]> {
        let mut to = Writer::new(out);
        self.put(&mut to);
        to.finish()
    }

    fn put(&self, to: &mut Writer<'_>) {
        match self {
            Self::Welcome(welcome) => {
                to.byte(0);
                welcome.put(to);
            }
            Self::Pong {
                sent_us,
                received_us,
                replied_us,
            } => {
                to.byte(1);
                sent_us.put(to);
                received_us.put(to);
                replied_us.put(to);
            }
            Self::Answer { to: number, result } => {
                to.byte(2);
                number.put(to);
                result.err().put(to);
            }
            Self::Motion(motion) => {
                to.byte(3);
                motion.put(to);
            }
            Self::Commands(commands) => {
                to.byte(4);
                commands.put(to);
            }
            Self::Counters { core, link } => {
                to.byte(5);
                core.put(to);
                link.put(to);
            }
            Self::Section(state) => {
                to.byte(6);
                state.put(to);
            }
        }
    }

    fn take(from: &mut Reader<'_>) -> Option<Self> {
        Some(match from.varint(32) {
            0 => Self::Welcome(Wire::take(from)),
            1 => Self::Pong {
                sent_us: Wire::take(from),
                received_us: Wire::take(from),
                replied_us: Wire::take(from),
            },
            2 => Self::Answer {
                to: Wire::take(from),
                // A result is on the wire what an optional refusal is.
                result: <Option<Refusal> as Wire>::take(from).map_or(Ok(()), Err),
            },
            3 => Self::Motion(Wire::take(from)),
            4 => Self::Commands(Wire::take(from)),
            5 => Self::Counters {
                core: Wire::take(from),
                link: Wire::take(from),
            },
            6 => Self::Section(Wire::take(from)),
            _ => return None,
        })
    }
}

/// The number that stands for a guard state in [`Motion`].
#[must_use]
pub const fn guard_number(guard: GuardState) -> u8 {
    match guard {
        GuardState::NeverMoved => 0,
        GuardState::Stopped => 1,
        GuardState::PollSilent => 2,
        GuardState::Running => 3,
        GuardState::Reversing => 4,
        GuardState::EmergencyStop => 5,
        GuardState::SupplyLow => 6,
        GuardState::Unacknowledged => 7,
        GuardState::Bench => 8,
    }
}

// The order below is the wire format.
wire_fields! {
    Welcome { machine_version, machine_digest, nozzles, detectors, plants, frame_bytes, waits_for_acknowledge, told_time, reset }
    Motion { at_us, speed_mm_s, distance_mm, guard, open, faults }
    SectionState { section, mode, first, count, open, faulty, on_ms }
    Commands { base_us, entries }
    CommandEntry { what, after_us, late_us }
    LinkCounters { frames, bad_crc, bad_length, bad_cobs, unknown_version, unreadable, repeats, lost, backwards }
    Counters { pulses, pulses_refused, pulses_bridged, slot_drop_outs, turns, directions_refused, images, images_refused, plants, plants_refused, plants_underdosed, plants_clipped, sets_not_smallest, planned_on_faulty, repeats_cut, ids_reused, ids_forgotten, reaimed, reaimed_too_late, not_reaimed, patches_merged, grown_mm, gaps_bridged, late, late_mm, missed_late, late_closes, forced_merges, forced_merge_mm, unseen_mm2, seen_forgotten, overruns, worst_lateness_us, inputs_before_poll, time_backwards, guard_closes, mode_changes, switch_chatter, switch_faults, orders_refused, order_closes, withheld, withheld_mm, keep_offs, keep_off_joined, keep_off_crossed, emergency_stops, opens_voided, supply_lows, acknowledged, bench_runs, bench_refused, bench_lapses, bench_cut, bench_opens, detector_silences, duties, duties_of_valve, duties_of_short, duties_too_small, pressure_faults, commands }
}

wire_numbers! {
    SectionMode { Off = 0, Spot = 1, Broadcast = 2 }
    Refusal { Unreadable = 0, NotSupported = 1, NotAcknowledged = 2, NotAtStandstill = 3, NoSuchPlace = 4, NoSuchRun = 5, UnknownDetector = 6, CapturedInFuture = 7, TooOld = 8, StampUncertain = 9, UnknownFrame = 10, TooManyPlants = 11, Implausible = 12, PieceOutOfOrder = 13, TooLarge = 14, WrongDigest = 15, BadMachine = 16, MachineRefused = 17, NotStored = 18, Busy = 19, OnTooLong = 20, TooShort = 21, WrongTimes = 22, SupplyLow = 23, NoDirectionInput = 24, Behind = 25, BadStretch = 26, NoTurningInput = 27, TurnsTooFast = 28 }
    ResetCause { Unknown = 0, PowerOn = 1, LowVoltage = 2, Pin = 3, Watchdog = 4, Firmware = 5 }
}
