//! The link: the largest image read, and the largest message written.

use crate::meter::{Meter, Row};
use controller_core::link::{
    Captured, FrameReader, FromBoard, ImageHead, LinkCounters, MAX_FRAME, MAX_ON_LINE, PlantKind,
    Received, SeenPlant, ToBoard, image, image::PlainPlant, seal,
};
use controller_core::{Counters, Plant, Speed};
use core::hint::black_box;

/// What a board does with a whole frame: the message, and each plant made the core's.
#[inline(never)]
fn read(body: &[u8], out: &mut [Plant; 64]) -> usize {
    let Ok((ToBoard::Image(head), rest)) = ToBoard::read(body) else {
        return 0;
    };
    let Ok(plants) = head.plants(rest) else {
        return 0;
    };
    for (slot, plant) in out.iter_mut().zip(&plants) {
        *slot = plant.plant(Speed::from_mm_s(5000));
    }
    plants.len()
}

/// The counters as they go out, the longest message of a board: bytes on the line.
#[inline(never)]
fn write(message: &FromBoard, body: &mut [u8], line: &mut [u8]) -> usize {
    let Some(body) = message.write(body) else {
        return 0;
    };
    seal(7, body, line).map_or(0, <[u8]>::len)
}

/// False when a frame did not come through.
pub fn run(meter: &mut Meter) -> bool {
    meter.random = false;
    let head = ImageHead {
        detector: 3,
        number: 65_535,
        captured: Captured::At {
            board_us: u64::MAX,
            error_us: u16::MAX,
        },
        from_mm: -3000,
        to_mm: 30_000,
        kind: PlantKind::Full,
        plants: 64,
    };
    let mut chance = crate::rig::Chance(99);
    let plants: [SeenPlant; 64] = core::array::from_fn(|_| SeenPlant {
        plain: PlainPlant {
            x_mm: chance.between(10_000, 32_000) as i16,
            y_mm: chance.between(-32_000, -10_000) as i16,
            length_mm: chance.between(20_000, 65_000) as u16,
            width_mm: chance.between(20_000, 65_000) as u16,
        },
        id: Some(chance.between(20_000, 65_000) as u16),
        row_us: chance.between(10_000, 30_000) as _,
    });
    let (mut body, mut line) = ([0; MAX_FRAME], [0; MAX_ON_LINE]);
    let Some(body) = image::write(&head, &plants, &mut body) else {
        return false;
    };
    let Ok(line) = seal(1, body, &mut line) else {
        return false;
    };
    let mut reader: FrameReader<MAX_FRAME> = FrameReader::new();
    let push = black_box(FrameReader::<MAX_FRAME>::push as fn(&mut _, u8) -> Received<'_>);
    let read = black_box(read as fn(&[u8], &mut [Plant; 64]) -> usize);
    let mut out = [Plant::default(); 64];
    let mut whole = 0;
    for &byte in line {
        let received = meter.measure(Row::FrameByte, || push(&mut reader, byte));
        if let Received::Frame(frame) = received {
            whole = meter.measure(Row::FrameRead, || read(frame.body, &mut out));
        }
    }
    let message = FromBoard::Counters {
        core: Counters {
            pulses: u32::MAX,
            commands: u32::MAX,
            images: u32::MAX,
            plants: u32::MAX,
            late_mm: u64::MAX,
            unseen_mm2: u64::MAX,
            ..Counters::default()
        },
        link: LinkCounters {
            frames: u32::MAX,
            lost: u32::MAX,
            ..LinkCounters::default()
        },
    };
    let write = black_box(write as fn(&FromBoard, &mut [u8], &mut [u8]) -> usize);
    let (mut body, mut line) = ([0; MAX_FRAME], [0; MAX_ON_LINE]);
    let sent = meter.measure(Row::FrameWrite, || write(&message, &mut body, &mut line));
    whole == 64 && sent > 100
}
