//! Messages as bytes: each variant and field in its order.

use super::{
    Bench, CommandEntry, Commands, FromBoard, Motion, Refusal, ResetCause, SectionMode,
    SectionState, ToBoard, Welcome,
};
use crate::counters::Counters;
use crate::link::codec::{Reader, Wire, Writer, wire_fields, wire_numbers, wire_runs};
use crate::link::frame::LinkCounters;

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
        match from.rest() {
            Some(rest) if rest.is_empty() || matches!(message, Self::Image(_)) => {
                Ok((message, rest))
            }
            _ => Err(Refusal::Unreadable),
        }
    }

    fn take(from: &mut Reader<'a>) -> Self {
        match from.varint(32) {
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
            _ => {
                from.refuse();
                Self::Hello
            }
        }
    }

    /// Writes the message into `out` as a frame's body; `None` when it does not fit. An
    /// image is written by [`image::write`](crate::link::image::write).
    #[must_use]
    pub fn write<'o>(&self, out: &'o mut [u8]) -> Option<&'o [u8]> {
        let mut to = Writer::new(out);
        self.put(&mut to);
        to.finish()
    }

    pub(in crate::link) fn put(&self, to: &mut Writer<'_>) {
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
                crate::link::codec::put_list(bytes, to);
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

// The order below is the wire format.
wire_fields! {
    Welcome { machine_version, machine_digest, nozzles, detectors, plants, frame_bytes, waits_for_acknowledge, told_time, reset }
    Motion { at_us, speed_mm_s, distance_mm, guard, open, faults }
    SectionState { section, mode, first, count, open, faulty, on_ms }
    Commands { base_us, entries }
    CommandEntry { what, after_us, late_us }
}

// Likewise. Each list in brackets holds neighbours of one type.
wire_runs! {
    LinkCounters {
        [frames, bad_crc, bad_length, bad_cobs, unknown_version, unreadable, repeats, lost, backwards]
    }
    Counters {
        [pulses, pulses_refused, pulses_bridged, slot_drop_outs, turns, directions_refused, images, images_refused, plants, plants_refused, plants_underdosed, plants_clipped, sets_not_smallest, planned_on_faulty, repeats_cut, ids_reused, ids_forgotten, reaimed, reaimed_too_late, not_reaimed, patches_merged]
        [grown_mm]
        [gaps_bridged, late]
        [late_mm]
        [missed_late, late_closes, forced_merges]
        [forced_merge_mm, unseen_mm2]
        [seen_forgotten, overruns, worst_lateness_us, inputs_before_poll, time_backwards, guard_closes, mode_changes, switch_chatter, switch_faults, orders_refused, order_closes, withheld]
        [withheld_mm]
        [keep_offs, keep_off_joined, keep_off_crossed, emergency_stops, supply_lows, acknowledged, bench_runs, bench_refused, bench_lapses, bench_cut, bench_opens, detector_silences, duties, duties_of_valve, duties_of_short, duties_too_small, pressure_faults, commands]
    }
}

wire_numbers! {
    SectionMode { Off = 0, Spot = 1, Broadcast = 2 }
    Refusal { Unreadable = 0, NotSupported = 1, NotAcknowledged = 2, NotAtStandstill = 3, NoSuchPlace = 4, NoSuchRun = 5, UnknownDetector = 6, CapturedInFuture = 7, TooOld = 8, StampUncertain = 9, UnknownFrame = 10, TooManyPlants = 11, Implausible = 12, PieceOutOfOrder = 13, TooLarge = 14, WrongDigest = 15, BadMachine = 16, MachineRefused = 17, NotStored = 18, Busy = 19, OnTooLong = 20, TooShort = 21, WrongTimes = 22, SupplyLow = 23, NoDirectionInput = 24, Behind = 25, BadStretch = 26, NoTurningInput = 27, TurnsTooFast = 28 }
    ResetCause { Unknown = 0, PowerOn = 1, LowVoltage = 2, Pin = 3, Watchdog = 4, Firmware = 5 }
}
