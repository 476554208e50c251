//! Drives the link with bytes and values from outside.

use crate::outside::{any_i32, any_u32, any_u64, used_u32};
use crate::values::{any_micros, any_span, any_speed, used_length, used_micros};
use controller_core::link::{
    Captured, CommandEntry, Commands, FrameReader, FromBoard, LinkCounters, MAX_FRAME, MAX_ON_LINE,
    MachineTable, Motion, Received, Refusal, ResetCause, SectionMode, SectionState, StrobeLog,
    ToBoard, Upload, Welcome, seal,
};
use controller_core::{Action, BenchRequest, Command, Counters, Length, Micros, Mode};

/// Bytes of a machine description.
const MACHINE: usize = 2048;

/// Reads frames from any bytes and answers them in any way.
pub fn link() {
    let mut reader: FrameReader<MAX_FRAME> = FrameReader::new();
    let mut upload: Upload<MACHINE> = Upload::new();
    let mut strobes: StrobeLog<16> = StrobeLog::new(any_span());
    let mut body = [0; MAX_FRAME];
    loop {
        match any_u32() {
            0 => match reader.push(any_u32() as u8) {
                Received::Nothing => {}
                Received::Refused(_) => used_u32(1),
                Received::Frame(frame) => {
                    used_u32(u32::from(frame.sequence));
                    let refused = read(frame.body, &mut upload, &mut strobes);
                    if let Err(refusal) = refused {
                        answer(refusal);
                    }
                }
            },
            1 => {
                reader.count_unreadable();
                let counters = core::hint::black_box(reader.counters());
                used_u32(counters.frames);
            }
            2 => strobes.pulse(any_micros()),
            3 => reply(&mut body),
            _ => break,
        }
    }
    used_u32(strobes.slips());
}

fn read(
    body: &[u8],
    upload: &mut Upload<MACHINE>,
    strobes: &mut StrobeLog<16>,
) -> Result<(), Refusal> {
    let (message, rest) = ToBoard::read(body)?;
    match message {
        ToBoard::Image(head) => {
            if let Some(at) = head.stamp(any_u32() as u16)? {
                used_micros(at);
            }
            if let Captured::Frame(frame) = head.captured {
                match strobes.captured(frame) {
                    Ok(at) => used_micros(at),
                    Err(_) => return Err(Refusal::UnknownFrame),
                }
            }
            used_length(head.seen().from);
            let speed = any_speed();
            for plant in &head.plants(rest)? {
                used_length(plant.plant(speed).x);
                used_u32(u32::from(plant.id.unwrap_or_default()));
            }
        }
        ToBoard::Strobe { frame, .. } => {
            used_u32(u32::from(strobes.announce(any_micros(), frame)));
        }
        ToBoard::MachineBegin { length, digest } => upload.begin(length, digest)?,
        ToBoard::MachinePiece { offset, bytes } => upload.piece(offset, bytes)?,
        ToBoard::MachineEnd => {
            let table = MachineTable::<48, 4>::read(upload.end()?);
            let table = table.map_err(|_| Refusal::BadMachine)?;
            table.validate()?;
            used_u32(table.config().nozzles.len() as u32);
        }
        ToBoard::Bench { request, .. } => {
            core::hint::black_box(&BenchRequest::from(request));
        }
        ToBoard::YawRate { urad_s } => used_u32(urad_s.cast_unsigned()),
        ToBoard::SecondPulse { at_us } => used_micros(Micros(at_us)),
        ToBoard::Pressure { kpa } => used_u32(u32::from(kpa)),
        ToBoard::Mode { mode, .. } => used_u32(u32::from(Mode::from(mode) == Mode::Spot)),
        other => {
            core::hint::black_box(&other);
        }
    }
    Ok(())
}

/// Says why something was refused.
pub fn answer(refusal: Refusal) {
    crate::values::used_text(&refusal);
}

/// Any message from the board, sealed.
fn reply(body: &mut [u8; MAX_FRAME]) {
    let message = match any_u32() {
        0 => FromBoard::Pong {
            sent_us: any_u64(),
            received_us: any_u64(),
            replied_us: any_u64(),
        },
        1 => FromBoard::Answer {
            to: any_u32() as u16,
            result: Err(Refusal::TooOld),
        },
        2 => FromBoard::Motion(Motion {
            at_us: any_u64(),
            speed_mm_s: any_u32(),
            distance_mm: any_u64().cast_signed(),
            guard: any_u32() as u8,
            open: any_u32() as u16,
            faults: any_u32(),
        }),
        3 => FromBoard::Commands(commands()),
        5 => FromBoard::Section(SectionState {
            section: any_u32() as u8,
            mode: SectionMode::from(match any_u32() {
                0 => Mode::Spot,
                1 => Mode::Broadcast,
                _ => Mode::Off,
            }),
            first: any_u32() as u16,
            count: any_u32() as u16,
            open: any_u32() as u16,
            faulty: any_u32() as u16,
            on_ms: any_u32(),
        }),
        4 => FromBoard::Counters {
            core: *core::hint::black_box(&Counters::default()),
            link: *core::hint::black_box(&LinkCounters::default()),
        },
        _ => FromBoard::Welcome(Welcome {
            machine_version: any_u32() as u8,
            machine_digest: Some(any_u32()),
            nozzles: any_u32() as u16,
            detectors: any_u32() as u8,
            plants: any_u32() as u8,
            frame_bytes: any_u32() as u16,
            waits_for_acknowledge: any_u32() == 0,
            told_time: any_u32() == 0,
            reset: match any_u32() {
                0 => ResetCause::Watchdog,
                _ => ResetCause::PowerOn,
            },
        }),
    };
    let room = any_u32() as usize;
    let Some(body) = body.get_mut(..room).and_then(|room| message.write(room)) else {
        return;
    };
    let mut line = [0; MAX_ON_LINE];
    if let Ok(frame) = seal(any_u32() as u16, body, &mut line) {
        frame.iter().for_each(|&byte| used_u32(u32::from(byte)));
    }
}

fn commands() -> Commands {
    let mut commands = Commands::default();
    loop {
        let command = Command {
            nozzle: any_u32() as u16,
            action: if any_u32() == 0 {
                Action::Open
            } else {
                Action::Close
            },
            at: any_micros(),
            short_by: Length::default(),
        };
        if !commands.push(&command, any_micros()) {
            break;
        }
    }
    let last = CommandEntry {
        what: any_u32() as u16,
        after_us: any_i32(),
        late_us: any_u32() as u16,
    };
    used_u32(u32::from(commands.entries.push(last).is_ok()));
    commands
}
