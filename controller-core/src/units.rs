//! Lengths, speeds and instants as newtypes.
//!
//! Two resolutions meet here: **counts** of 1/16 mm for everything that lies on
//! the ground (wrapping at ±134 km, so only differences mean anything), and
//! **fine counts** of 1/256 of that for sums that must not drift. At the face of
//! the core distances are 64 bit and times are `u64` µs; they do not wrap in
//! the life of a machine.

use fixed::types::I28F4;

/// Counts in a millimetre.
pub const COUNTS_PER_MM: i32 = 16;

/// An instant of the controller's clock in microseconds. May start anywhere.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Micros(pub u64);

impl Micros {
    /// Time from `earlier` to `self`, held at zero and at 71 minutes.
    #[must_use]
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn since(self, earlier: Micros) -> Span {
        Span(saturate_u32(self.0.saturating_sub(earlier.0)))
    }

    /// Signed µs from `earlier` to `self`, held at ±35 minutes.
    #[must_use]
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn offset_from(self, earlier: Micros) -> i32 {
        if self.0 >= earlier.0 {
            i32::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(i32::MAX)
        } else {
            i32::try_from(earlier.0.saturating_sub(self.0))
                .unwrap_or(i32::MAX)
                .saturating_neg()
        }
    }

    /// The instant `span` later.
    #[must_use]
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn plus(self, span: Span) -> Micros {
        Micros(self.0.saturating_add(u64::from(span.0)))
    }

    /// The instant `offset` µs later (earlier when negative), held at zero.
    #[must_use]
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn plus_signed(self, offset: i64) -> Micros {
        Micros(self.0.saturating_add_signed(offset))
    }
}

/// A duration in microseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Span(pub u32);

impl Span {
    /// A duration of whole milliseconds, held at 71 minutes.
    #[must_use]
    pub const fn from_ms(ms: u32) -> Span {
        Span(ms.saturating_mul(1000))
    }

    /// As signed µs, of a span that is known to be below 35 minutes, as all that are checked in
    /// the machine description.
    #[must_use]
    pub(crate) const fn us(self) -> i32 {
        self.0.cast_signed()
    }

    /// As signed µs, held at 35 minutes.
    #[must_use]
    pub fn signed(self) -> i32 {
        i32::try_from(self.0).unwrap_or(i32::MAX)
    }
}

/// A length of up to ±134 km in 1/16 mm. Holds places relative to the machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Length(I28F4);

impl Length {
    /// Rounds to the nearest 1/16 mm, halves away from zero.
    #[must_use]
    pub fn from_um(um: i32) -> Length {
        let scaled = i64::from(um).saturating_mul(i64::from(COUNTS_PER_MM));
        let half = if scaled < 0 { -500 } else { 500 };
        let counts = scaled
            .saturating_add(half)
            .checked_div(1000)
            .unwrap_or_default();
        Length(I28F4::from_bits(saturate_i32(counts)))
    }

    /// Whole millimetres, held at ±134 km.
    #[must_use]
    pub const fn from_mm(mm: i32) -> Length {
        Length(I28F4::from_bits(mm.saturating_mul(COUNTS_PER_MM)))
    }

    /// From counts of 1/16 mm.
    #[must_use]
    pub const fn from_bits(counts: i32) -> Length {
        Length(I28F4::from_bits(counts))
    }

    /// Counts of 1/16 mm.
    #[must_use]
    pub const fn bits(self) -> i32 {
        self.0.to_bits()
    }

    /// In µm (a count is 62.5 µm; the half is cut off towards zero).
    #[must_use]
    pub fn to_um(self) -> i64 {
        counts_to_um(i64::from(self.bits()))
    }

    /// Half of it, rounded down.
    #[must_use]
    pub const fn half(self) -> Length {
        Length::from_bits(self.bits() >> 1)
    }

    /// Sum, held at ±134 km.
    #[must_use]
    pub const fn plus(self, other: Length) -> Length {
        Length(self.0.saturating_add(other.0))
    }

    /// Difference, held at ±134 km.
    #[must_use]
    pub const fn minus(self, other: Length) -> Length {
        Length(self.0.saturating_sub(other.0))
    }
}

#[cfg(feature = "defmt")]
impl defmt::Format for Length {
    fn format(&self, f: defmt::Formatter<'_>) {
        defmt::write!(f, "{} um", self.to_um());
    }
}

/// Distance travelled by the boom reference point, in 1/16 mm since the first pulse.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Distance(pub i64);

impl Distance {
    /// In µm.
    #[must_use]
    pub fn to_um(self) -> i64 {
        counts_to_um(self.0)
    }
}

/// Travel from one wheel pulse to the next, with 32 fractional bits of a count:
/// 1/130 m is wrong by 15 nm in a thousand kilometres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PulseLength(u64);

impl PulseLength {
    /// From nanometres. `None` below 1 mm and above 2 m.
    #[must_use]
    pub fn from_nm(nm: u64) -> Option<PulseLength> {
        Self::checked(u128::from(nm), 1_000_000)
    }

    /// From a distance in µm that holds so many pulses: 1 m over 130 pulses is
    /// `from_ratio(1_000_000, 130)`. `None` for no pulses, and outside 1 mm to 2 m.
    #[must_use]
    pub fn from_ratio(um: u64, pulses: u64) -> Option<PulseLength> {
        Self::checked(u128::from(um), u128::from(pulses).checked_mul(1000)?)
    }

    fn checked(numerator: u128, units_per_mm: u128) -> Option<PulseLength> {
        let half = units_per_mm >> 1;
        let bits = numerator
            .checked_mul(u128::from(COUNTS_PER_MM.unsigned_abs()))?
            .checked_mul(1 << 32)?
            .checked_add(half)?
            .checked_div(units_per_mm)?;
        Self::from_bits(u64::try_from(bits).ok()?)
    }

    /// From counts with 32 fractional bits. `None` outside 1 mm to 2 m.
    #[must_use]
    pub fn from_bits(bits: u64) -> Option<PulseLength> {
        (1 << 36..=32_000 << 32)
            .contains(&bits)
            .then_some(PulseLength(bits))
    }

    /// Counts with 32 fractional bits.
    #[must_use]
    pub const fn bits(self) -> u64 {
        self.0
    }

    /// Fine counts (1/4096 mm), cut off.
    #[must_use]
    pub fn fine(self) -> i64 {
        i64::try_from(self.0 >> 24).unwrap_or(i64::MAX)
    }
}

/// A speed in mm/s at the face.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Speed(u32);

impl Speed {
    /// From mm/s.
    #[must_use]
    pub const fn from_mm_s(mm_s: u32) -> Speed {
        Speed(mm_s)
    }

    /// In mm/s.
    #[must_use]
    pub const fn to_mm_s(self) -> u32 {
        self.0
    }

    /// In 2⁻²⁴ counts a µs, held at 2³¹ (8 km/s).
    #[must_use]
    pub fn internal(self) -> i32 {
        // 16 · 2²⁴ / 10⁶ = 2²⁸ / 10⁶
        let bits = (u64::from(self.0) << 28)
            .checked_div(1_000_000)
            .unwrap_or_default();
        i32::try_from(bits).unwrap_or(i32::MAX)
    }

    /// From 2⁻²⁴ counts a µs, rounded; negative gives zero.
    #[must_use]
    pub fn from_internal(bits: i32) -> Speed {
        let bits = u64::try_from(bits).unwrap_or_default();
        Speed(saturate_u32(
            bits.saturating_mul(1_000_000).saturating_add(1 << 27) >> 28,
        ))
    }
}

/// 2³⁶ over a speed in 2⁻²⁴ counts a µs, which is µs a fine count in 2⁻²⁰, to one part
/// in a million; held at 2³⁶. A short division and one Newton step: on a core without a
/// divider a tenth of a long one.
#[must_use]
pub(crate) fn pace_of(speed: i64) -> i64 {
    let speed = u32::try_from(speed).unwrap_or(u32::MAX).max(1);
    let short = u32::MAX.checked_div(speed).unwrap_or_default();
    let rough = i64::from(short) << 4;
    let left = (1_i64 << 36).wrapping_sub(rough.wrapping_mul(i64::from(speed)));
    // `left` is below 2⁴·(speed + 1), `rough` is 2³⁶ / speed: their product below 2⁴¹.
    rough.wrapping_add(rough.wrapping_mul(left) >> 36)
}

fn counts_to_um(counts: i64) -> i64 {
    counts
        .saturating_mul(125)
        .checked_div(2)
        .unwrap_or_default()
}

/// Holds at the ends of `i32`.
#[must_use]
#[cfg_attr(target_os = "none", inline(never))]
pub fn saturate_i32(value: i64) -> i32 {
    i32::try_from(value).unwrap_or(if value < 0 { i32::MIN } else { i32::MAX })
}

/// Holds at the end of `u32`.
#[must_use]
pub fn saturate_u32(value: u64) -> u32 {
    u32::try_from(value).unwrap_or(u32::MAX)
}

/// The low 32 bits: a wrapping short form, of which only differences mean anything.
#[must_use]
pub const fn wrap_i32(value: i64) -> i32 {
    let [a, b, c, d, ..] = value.to_le_bytes();
    i32::from_le_bytes([a, b, c, d])
}

/// The low 32 bits of a stamp, likewise.
#[must_use]
pub(crate) const fn low_u32(value: u64) -> u32 {
    let [a, b, c, d, ..] = value.to_le_bytes();
    u32::from_le_bytes([a, b, c, d])
}

/// Fine counts to counts, nearest, short form.
#[must_use]
pub const fn fine_to_counts(fine: i64) -> i32 {
    wrap_i32(fine.wrapping_add(128) >> 8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_round_to_the_nearest_count() {
        for (um, counts) in [
            (0, 0),
            (31, 0),
            (32, 1),
            (62, 1),
            (63, 1),
            (94, 2),
            (-31, 0),
            (-32, -1),
            (1000, 16),
        ] {
            assert_eq!(Length::from_um(um).bits(), counts, "{um} µm");
        }
        assert_eq!(Length::from_mm(970).to_um(), 970_000);
    }

    #[test]
    fn a_hundred_and_thirtieth_of_a_metre_keeps_its_scale_over_a_thousand_km() {
        let length = PulseLength::from_ratio(1_000_000, 130).expect("a usual wheel");
        let pulses: u128 = 130 * 1_000_000;
        let counts = (u128::from(length.bits()) * pulses) >> 32;
        let exact: u128 = 1_000_000 * 1000 * 16;
        assert!(counts.abs_diff(exact) <= 1, "{counts} against {exact}");
    }

    #[test]
    fn pulse_lengths_out_of_range_are_refused() {
        assert_eq!(PulseLength::from_ratio(1_000_000, 0), None);
        assert_eq!(PulseLength::from_nm(0), None);
        assert_eq!(PulseLength::from_nm(u64::MAX), None);
        assert!(PulseLength::from_nm(1_000_000).is_some());
        assert_eq!(PulseLength::from_nm(999_000), None);
    }

    #[test]
    fn speeds_survive_the_round_trip() {
        for mm_s in [0, 1, 300, 5000, 27_778] {
            assert!(
                Speed::from_internal(Speed::from_mm_s(mm_s).internal())
                    .to_mm_s()
                    .abs_diff(mm_s)
                    <= 1
            );
        }
    }

    #[test]
    fn backward_offsets_are_negative_and_held() {
        assert_eq!(Micros(5).offset_from(Micros(9)), -4);
        assert_eq!(Micros(0).offset_from(Micros(u64::MAX)), -i32::MAX);
        assert_eq!(Micros(3).since(Micros(9)), Span(0));
    }

    #[test]
    fn the_short_form_wraps() {
        assert_eq!(wrap_i32(1 << 32), 0);
        assert_eq!(wrap_i32((1 << 31) + 5), i32::MIN + 5);
        assert_eq!(fine_to_counts(255), 1);
        assert_eq!(fine_to_counts(127), 0);
        assert_eq!(fine_to_counts(-129), -1);
    }
}
