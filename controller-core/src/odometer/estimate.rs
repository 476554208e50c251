//! Speed and acceleration at the newest pulse, from spans of pulses.

use super::{Fix, Odometer, ratio, stands_in};
use crate::units::{Span, saturate_i32};

/// Shortest span from which a speed is taken, mm.
pub const MIN_SPAN_MM: i64 = 120;
pub(super) const MIN_SPAN_FINE: i64 = MIN_SPAN_MM << 12;
/// From this pulse length on a span is a single pulse, fine counts.
pub(super) const SINGLE_FINE: i64 = 100 << 12;
/// How many stored pulses one speed estimate looks back at.
const MAX_STEPS: usize = 16;

impl<const H: usize> Odometer<H> {
    /// Fine counts from one place to a later one in the direction of travel.
    pub(super) fn way(&self, from: i32, to: i32) -> i64 {
        let way = i64::from(to.wrapping_sub(from));
        if self.forward() {
            way
        } else {
            way.wrapping_neg()
        }
    }

    /// The newest stored pulse at least `MIN_SPAN` behind `from`, since the last stop.
    fn span_back(&self, from: i32, mut back: usize) -> Option<(Fix, usize)> {
        for _ in 0..MAX_STEPS {
            if back >= self.since_stop {
                return None;
            }
            let fix = self.stored_fix(back);
            back = back.wrapping_add(1);
            // A hair under, so that 6 pulses of 20 mm make 120 mm whatever the cut-off.
            if self.way(fix.fine, from) >= MIN_SPAN_FINE.saturating_sub(self.hair) {
                return Some((fix, back));
            }
        }
        None
    }

    pub(super) fn estimate(&mut self, period: Span) {
        let newest = self.last;
        let Some((near, back)) = self.span_back(newest.fine, 0) else {
            // Just set off: the last period is all there is.
            self.v = saturate_i32(ratio(self.pulse_fine, i64::from(period.0), 16));
            self.a = 0;
            self.stands_in = i32::MAX;
            return;
        };
        let (v1, t1) = self.mean_speed(near, newest);
        let half = t1 >> 1;
        let (mut a, mut rise) = (0, 0);
        if let Some((far, back)) = self.span_back(near.fine, back) {
            let (v2, t2) = self.mean_speed(far, near);
            self.bounds.know(v1, t1);
            a = ratio(v1.wrapping_sub(v2), t1.wrapping_add(t2), 17);
            rise = self.rise(far, back, (v2, t2), a);
            if self.pulse_fine >= SINGLE_FINE && !self.slots.used() {
                // Each span is one uneven pulse: most of what looks like acceleration
                // is the wheel.
                a >>= 2;
            }
        }
        let limit = self.max_a;
        // A change of speed is below 2²⁵ and a span a tenth of a millisecond at least: `rise`
        // stays below 2³⁷, and its products with spans of some seconds below 2⁶².
        let a = saturate_i32(a.wrapping_add(rise));
        let a = a.max(limit.wrapping_neg()).min(limit);
        // `a` holds at the newest pulse: a sixth of what it rose by is too much (43/256).
        let v = v1
            .wrapping_add(i64::from(a).wrapping_mul(half) >> 16)
            .wrapping_sub((rise.wrapping_mul(t1) >> 16).wrapping_mul(43) >> 8);
        // A pulse that did not come creeping proves a mean above creep speed: braking
        // that has ended must not be drawn out to a stop.
        self.v = saturate_i32(v).max(self.creep);
        self.a = a;
        self.stands_in = stands_in(self.v, self.a);
    }

    /// By how much acceleration has risen since the middle of the last two spans, taken
    /// from a third. On coarse wheels only, whose spans are so long that acceleration
    /// does not keep still, and only while their slots are evened out: else it would
    /// amplify their unevenness.
    fn rise(&self, far: Fix, back: usize, (v2, t2): (i64, i64), a: i64) -> i64 {
        if self.pulse_fine < MIN_SPAN_FINE << 1 || !self.slots.used() {
            return 0;
        }
        let Some((farther, _)) = self.span_back(far.fine, back) else {
            return 0;
        };
        let (v3, t3) = self.mean_speed(farther, far);
        let before = ratio(v2.wrapping_sub(v3), t2.wrapping_add(t3), 17);
        a.wrapping_sub(before)
    }

    /// Mean speed from `from` to `to` in 2⁻²⁴ counts a µs, and the µs between.
    fn mean_speed(&self, from: Fix, to: Fix) -> (i64, i64) {
        let time = i64::from(to.at.wrapping_sub(from.at));
        (ratio(self.way(from.fine, to.fine), time, 16), time)
    }
}
