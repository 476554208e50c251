//! Drives the public parts of the core on their own, with values that the
//! controller, which checks what it is given, would never hand them.

use crate::outside::{any_i32, any_u32, any_u64, used_i64, used_u32, used_u64};
use crate::values::{
    any_length, any_micros, any_pulse_length, any_span, any_speed, used_length, used_micros,
    used_span,
};
use controller_core::ground_plan::{Inserted, Interval, IntervalList, ahead};
use controller_core::{DetectorConfig, Distance, Length, NozzleConfig, Span, Speed};

/// The number types on their own, with any value.
pub fn numbers() {
    used_length(Length::from_um(any_i32()));
    used_length(Length::from_mm(any_i32()));
    used_length(any_length().half());
    used_length(any_length().plus(any_length()));
    used_length(any_length().minus(any_length()));
    used_i64(any_length().to_um());
    used_i64(Distance(any_u64().cast_signed()).to_um());
    used_span(any_micros().since(any_micros()));
    used_u32(any_micros().offset_from(any_micros()).cast_unsigned());
    used_micros(any_micros().plus(any_span()));
    used_micros(any_micros().plus_signed(any_u64().cast_signed()));
    used_span(Span::from_ms(any_u32()));
    used_u32(any_span().signed().cast_unsigned());
    used_u32(any_speed().to_mm_s());
    used_u32(any_speed().internal().cast_unsigned());
    used_u32(Speed::from_internal(any_i32()).to_mm_s());
    if let Some(length) = any_pulse_length() {
        used_u64(length.bits());
        used_i64(length.fine());
    }
    let count = any_u32() as u16;
    let nozzle = NozzleConfig::evenly_spaced(any_u32() as u16, count, any_length());
    used_length(nozzle.y);
    used_length(DetectorConfig::centred(any_length(), any_length()).x);
}

/// The list of one nozzle, filled beyond its room with intervals of any kind.
pub fn intervals() {
    let mut list: IntervalList<16> = IntervalList::new();
    loop {
        match any_u32() {
            0 => used_u32(match list.insert(any_interval()) {
                Inserted::Forced { gap } => gap.cast_unsigned(),
                Inserted::Nothing => 0,
                _ => 1,
            }),
            1 => list.drop_before(any_i32()),
            2 => used_interval(list.pop_first()),
            3 => used_u32(
                list.join_first(any_u32() as usize)
                    .map_or(0, i32::cast_unsigned),
            ),
            4 => used_interval(list.second()),
            _ => break,
        }
        for interval in list.as_slice() {
            used_u32(interval.len().cast_unsigned());
            used_u32(ahead(interval.start, any_i32()).cast_unsigned());
        }
    }
}

fn any_interval() -> Interval {
    Interval {
        start: any_i32(),
        end: any_i32(),
    }
}

fn used_interval(interval: Option<Interval>) {
    if let Some(interval) = interval {
        used_u32(interval.start.cast_unsigned());
        used_u32(interval.end.cast_unsigned());
    }
}
