//! What is said over the link, either way.
//!
//! The order of the variants and fields is the wire format: [`super::VERSION`] goes up
//! with every change, and the test beside `LINK.md` notices one.

use super::frame::LinkCounters;
use super::image::ImageHead;
use crate::counters::Counters;
use crate::guard::GuardState;
use crate::units::{Micros, Span};
use crate::{Action, BenchRequest, Command, Mode};
use heapless::Vec;

mod refusal;
mod wire;

pub use refusal::Refusal;

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
