//! Drives what a camera has of the link with values from outside.

use crate::outside::{any_i32, any_u32, any_u64, used_i64, used_u32, used_u64};
use crate::values::any_prefix;
use controller_core::Config;
use controller_core::link::image::{self, PlainPlant};
use controller_core::link::{
    Captured, ClockFilter, Exchange, ImageHead, MAX_FRAME, PlantKind, SeenPlant, machine,
};

/// Clock exchange, an image and a machine description, in case the camera is a
/// microcontroller too.
pub fn sender(config: &Config<'_>) {
    let mut filter: ClockFilter<16> = ClockFilter::new();
    while any_u32() == 0 {
        let taken = filter.add(&Exchange {
            sent: any_u64(),
            received: any_u64(),
            replied: any_u64(),
            returned: any_u64(),
        });
        used_u32(u32::from(taken));
    }
    if let Some(estimate) = filter.estimate() {
        used_u64(estimate.to_board(any_u64()));
        used_i64(estimate.drift_ppb());
        used_u32(estimate.error_us());
    }
    let plants: [SeenPlant; 65] = core::array::from_fn(|_| SeenPlant {
        plain: PlainPlant {
            x_mm: any_u32() as i16,
            y_mm: any_u32() as i16,
            length_mm: any_u32() as u16,
            width_mm: any_u32() as u16,
        },
        id: Some(any_u32() as u16),
        row_us: any_i32(),
    });
    let head = ImageHead {
        detector: any_u32() as u8,
        number: any_u32() as u16,
        captured: Captured::Frame(any_u32()),
        from_mm: any_u32() as i16,
        to_mm: any_u32() as i16,
        kind: if any_u32() == 0 {
            PlantKind::Plain
        } else {
            PlantKind::Full
        },
        plants: 0,
    };
    let mut out = [0; MAX_FRAME];
    let room = any_u32() as usize;
    if let Some(room) = out.get_mut(..room) {
        let written = image::write(&head, any_prefix(&plants), room);
        used_u32(written.map_or(0, |bytes| bytes.len() as u32));
        let written = machine::write(config, room).map(machine::digest);
        used_u32(written.unwrap_or_default());
    }
}
