//! Place, speed and acceleration to look ahead from.

use crate::units::wrap_i32;

/// Longest prediction, µs: half a second. Products below stay far inside 64 bit.
const MAX_AHEAD: i32 = 500_000;

/// Place, speed and acceleration at one instant, to look ahead from.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Motion {
    /// Whole counts, short form.
    pub base: i32,
    /// Fine counts past `base`.
    pub ahead_fine: i64,
    /// 2⁻²⁴ counts a µs.
    pub v: i32,
    /// 2⁻⁴⁰ counts a µs².
    pub a: i32,
    /// µs until a braking machine stands, as predicted.
    pub stands_in: i32,
}

impl Motion {
    fn clip(&self, w: i32) -> i64 {
        i64::from(w.min(self.stands_in).clamp(-MAX_AHEAD, MAX_AHEAD))
    }

    /// Predicted speed `w` µs on, 2⁻²⁴ counts a µs, never negative.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn speed_after(&self, w: i32) -> i64 {
        // `a` has 32 bits and `w` 20: no product here comes near 64.
        let gain = i64::from(self.a).wrapping_mul(self.clip(w)) >> 16;
        i64::from(self.v).wrapping_add(gain).max(0)
    }

    /// Fine counts from `base` to where spray leaving `w` µs on lands, when it
    /// flies `throw` µs of travel forward: `x(w) + throw · v(w)`.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn landing_fine(&self, w: i32, throw: i32) -> i64 {
        let speed = self.speed_after(w);
        let thrown = i64::from(throw).wrapping_mul(speed) >> 16;
        self.way_fine(w).wrapping_add(thrown)
    }

    /// Fine counts from `base` to the reference point `w` µs on. With the acceleration
    /// that the wheel may have, 2²⁰ · w² stays below 2⁶⁰.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn way_fine(&self, w: i32) -> i64 {
        let w = self.clip(w);
        let linear = i64::from(self.v).wrapping_mul(w) >> 16;
        let bend = i64::from(self.a).wrapping_mul(w).wrapping_mul(w) >> 33;
        self.ahead_fine.wrapping_add(linear).wrapping_add(bend)
    }

    /// Counts, short form.
    pub fn place(&self) -> i32 {
        self.base.wrapping_add(wrap_i32(self.ahead_fine >> 8))
    }
}
