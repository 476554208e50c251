//! Where the machine was: a thinned history of (stamp, place), and the curve between.
//!
//! **Overflow policy:** the history overwrites its oldest pulse.

use super::{Fix, Odometer, TooOld};
use crate::units::{Micros, fine_to_counts, saturate_i32};

impl<const H: usize> Odometer<H> {
    /// Keeps the last fix.
    pub(super) fn store(&mut self) {
        let next = self.newest.wrapping_add(1);
        self.newest = if next >= H { 0 } else { next };
        if let Some(slot) = self.history.get_mut(self.newest) {
            *slot = self.last;
        }
        self.stored = self.stored.saturating_add(1).min(H);
        self.since_stop = self.since_stop.saturating_add(1).min(H);
    }

    /// The stored pulse `back` behind the newest stored one.
    pub(super) fn stored_fix(&self, back: usize) -> Fix {
        let index = if back <= self.newest {
            self.newest.wrapping_sub(back)
        } else {
            self.newest.wrapping_add(H).wrapping_sub(back)
        };
        self.history.get(index).copied().unwrap_or_default()
    }

    /// Place at a past instant, counts in short form. Bounded by `H` steps.
    pub(crate) fn place_at(&self, at: Micros) -> Result<i32, TooOld> {
        if at >= self.last.at || !self.moved {
            let motion = self.motion_at(at);
            return Ok(motion.base.wrapping_add(fine_to_counts(motion.ahead_fine)));
        }
        // `right` and `left` bracket the instant; `third` bends the line between.
        let mut beyond: Option<Fix> = None;
        let mut right = self.last;
        for back in 0..self.stored {
            let left = self.stored_fix(back);
            if left.at == right.at {
                continue;
            }
            if left.at <= at {
                let behind = back.wrapping_add(1);
                // A pulse from before a standstill bends nothing after it.
                let same_run = behind < self.since_stop || back >= self.since_stop;
                let third = if behind < self.stored && same_run {
                    Some(self.stored_fix(behind))
                } else {
                    beyond
                };
                return Ok(self.short_place(parabola(left, right, third, at)));
            }
            beyond = Some(right);
            right = left;
        }
        if self.stored < H {
            // Before the first pulse ever: the machine stood, within one pulse.
            return Ok(self.short_place(right.fine));
        }
        Err(TooOld)
    }

    fn short_place(&self, fine: i32) -> i32 {
        let behind = i64::from(self.last.fine.wrapping_sub(fine));
        fine_to_counts(self.fine_now().wrapping_sub(behind))
    }
}

/// Newton's divided differences through `left`, `right` and `third`, held
/// between `left` and `right`. Fine counts.
fn parabola(left: Fix, right: Fix, third: Option<Fix>, at: Micros) -> i32 {
    let t = i64::from(at.offset_from(left.at));
    let t1 = i64::from(right.at.offset_from(left.at));
    let way = i64::from(right.fine.wrapping_sub(left.fine));
    let straight = way.saturating_mul(t).checked_div(t1).unwrap_or_default();
    let bend = third.and_then(|third| {
        // Slopes in 2⁻²⁴ counts a µs; their change over the time between gives half
        // the acceleration in 2⁻⁴⁰ counts a µs² once shifted.
        let t2 = i64::from(third.at.offset_from(left.at));
        let slope = (way << 16).checked_div(t1)?;
        let way2 = i64::from(third.fine.wrapping_sub(left.fine));
        let slope2 = (way2 << 16).checked_div(t2)?;
        let half_a = (slope.wrapping_sub(slope2) << 16).checked_div(t1.wrapping_sub(t2))?;
        Some(half_a.checked_mul(t)?.checked_mul(t.checked_sub(t1)?)? >> 32)
    });
    let fine = straight.saturating_add(bend.unwrap_or_default());
    left.fine
        .wrapping_add(saturate_i32(fine.max(way.min(0)).min(way.max(0))))
}
