//! The controller's own types made from unknown values, and used up again.

use crate::outside::{Text, any_i32, any_u32, any_u64, used_u32, used_u64};
use controller_core::{Length, Micros, PulseLength, Span, Speed};
use core::fmt::{Debug, Display, Write};

/// Any instant.
pub fn any_micros() -> Micros {
    Micros(any_u64())
}

/// Any duration.
pub fn any_span() -> Span {
    Span(any_u32())
}

/// Any length.
pub fn any_length() -> Length {
    Length::from_bits(any_i32())
}

/// Any speed.
pub fn any_speed() -> Speed {
    Speed::from_mm_s(any_u32())
}

/// A prefix of `all` with an unknown length, empty and full included.
pub fn any_prefix<T>(all: &[T]) -> &[T] {
    all.get(..any_u32() as usize).unwrap_or(all)
}

/// A pulse length from any numbers, where they give one.
pub fn any_pulse_length() -> Option<PulseLength> {
    if any_u32() == 0 {
        PulseLength::from_nm(any_u64())
    } else {
        PulseLength::from_ratio(any_u64(), any_u64())
    }
}

/// Uses up a length.
pub fn used_length(length: Length) {
    used_u32(length.bits().cast_unsigned());
}

/// Uses up a duration.
pub fn used_span(span: Span) {
    used_u32(span.0);
}

/// Uses up an instant.
pub fn used_micros(instant: Micros) {
    used_u64(instant.0);
}

/// Formats an error the way firmware would for its log, in both forms.
pub fn used_text(error: &(impl Display + Debug)) {
    // The sink never fails, and a failing error text has nobody to go to.
    let _ = write!(Text, "{error} {error:?}");
}
