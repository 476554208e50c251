//! A heading, a lateral offset, and what the one times the other is along travel.
//!
//! Without the feature `turning` both are empty, and every product is zero.

use crate::units::Length;
#[cfg(feature = "turning")]
use crate::units::wrap_i32;

/// 2⁻³² rad to the left. Only differences mean anything.
#[cfg(feature = "turning")]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Heading(pub i64);

#[cfg(feature = "turning")]
impl Heading {
    /// Where headings begin.
    pub const START: Self = Self(0);
}

/// Counts to the right of the counted wheel.
#[cfg(feature = "turning")]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Side(pub i32);

#[cfg(feature = "turning")]
impl Side {
    /// The counted wheel's own.
    pub const WHEEL: Self = Self(0);

    /// Of a point `y` right of the reference point, when the wheel is `wheel_y` right of it.
    pub fn of(y: Length, wheel_y: Length) -> Self {
        Self(y.minus(wheel_y).bits())
    }

    /// How far the farthest of some lies from the wheel, to either hand.
    pub fn farthest(sides: impl Iterator<Item = Self>) -> Self {
        Self(
            sides
                .map(|side| side.0.saturating_abs())
                .max()
                .unwrap_or_default(),
        )
    }

    /// How far right it lies of `other`.
    pub fn from(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

#[cfg(feature = "turning")]
impl Heading {
    /// Counts by which a point's own distance leads the wheel's, short form, rounded down. The
    /// product's middle bits are right however far it overflows, so this wraps as places do.
    pub fn lead(self, side: Side) -> i32 {
        wrap_i32(self.0.wrapping_mul(i64::from(side.0)) >> 32)
    }

    /// The same with the fine counts left over.
    pub fn lead_fine(self, side: Side) -> (i32, i64) {
        let product = self.0.wrapping_mul(i64::from(side.0));
        (wrap_i32(product >> 32), (product >> 24) & 0xFF)
    }

    /// How far apart points up to `most` from the wheel can have come since `other`, counts, a
    /// little too many.
    pub fn spread(self, other: Self, most: Side) -> i32 {
        let turned = self.0.saturating_sub(other.0).saturating_abs();
        // Held at 40 turns, of which nothing is left but that it is far.
        let counts = (turned.min(1 << 40) >> 12).wrapping_mul(i64::from(most.0)) >> 20;
        crate::units::saturate_i32(counts).saturating_add(if turned == 0 { 0 } else { 2 })
    }
}

#[cfg(not(feature = "turning"))]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Heading;

#[cfg(not(feature = "turning"))]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Side;

#[cfg(not(feature = "turning"))]
impl Heading {
    pub const START: Self = Self;
}

#[cfg(not(feature = "turning"))]
impl Side {
    pub const WHEEL: Self = Self;

    pub fn of(_: Length, _: Length) -> Self {
        Self
    }

    pub fn farthest(_: impl Iterator<Item = Self>) -> Self {
        Self
    }

    pub fn from(self, _: Self) -> Self {
        Self
    }
}

#[cfg(not(feature = "turning"))]
impl Heading {
    pub fn lead(self, _: Side) -> i32 {
        0
    }

    pub fn spread(self, _: Self, _: Side) -> i32 {
        0
    }
}
