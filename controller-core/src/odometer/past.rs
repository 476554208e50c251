//! Where the machine was: a thinned history of (stamp, place), and the curve between.
//!
//! **Overflow policy:** the history overwrites its oldest pulse.

use super::{Fix, Odometer, TooOld};
use crate::units::{Micros, fine_to_counts, low_u32, saturate_i32, saturate_u32, wrap_i32};

/// No stored pulse counts as older than this, µs: 36 minutes, of which every look-up
/// thinks as of any longer time.
const OLDEST: u32 = (1 << 31) | (1 << 23);
/// How often the stamps are brought forward, µs: 18 minutes. Together with
/// [`OLDEST`] less than the 71 minutes after which they would alias.
const AGE_EVERY: u64 = 1 << 30;

impl<const H: usize> Odometer<H> {
    /// The last fix is here and now.
    pub(super) fn pass(&mut self, at: Micros) {
        let before = self.last_at;
        self.last_at = at;
        self.last = Fix {
            at: low_u32(at.0),
            fine: wrap_i32(self.fine_now()),
        };
        if at.0.saturating_sub(self.aged_at.0) >= AGE_EVERY {
            self.age_out(before);
        }
    }

    /// Brings stamps forward that would alias, when the last fix before was at `before`.
    /// `H` steps.
    fn age_out(&mut self, before: Micros) {
        let gap = self.last_at.0.saturating_sub(before.0);
        let before = low_u32(before.0);
        for fix in &mut self.history {
            let age = gap.saturating_add(u64::from(before.wrapping_sub(fix.at)));
            if age > u64::from(OLDEST) {
                fix.at = self.last.at.wrapping_sub(OLDEST);
            }
        }
        self.aged_at = self.last_at;
    }

    /// Keeps the last fix.
    #[cfg_attr(target_os = "none", inline(never))]
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

    /// Place at a past instant, counts in short form. A search by halves;
    /// more steps only over pulses of one instant.
    pub(crate) fn place_at(&self, at: Micros) -> Result<i32, TooOld> {
        if at >= self.last_at || !self.moved {
            let motion = self.motion_at(at);
            return Ok(motion.base.wrapping_add(fine_to_counts(motion.ahead_fine)));
        }
        let wanted = saturate_u32(self.last_at.0.saturating_sub(at.0));
        // The newest one stored at or before the instant. Ages only grow backwards.
        let (mut back, mut end) = (0, self.stored);
        while back < end {
            let middle = back.wrapping_add(end) >> 1;
            if self.aged_fix(middle).1 >= wanted {
                end = middle;
            } else {
                back = middle.wrapping_add(1);
            }
        }
        // `right` and `left` bracket the instant; `third` bends the line between. With each
        // its age, µs before the last pulse.
        let (right, before) = self.younger(back);
        if back >= self.stored {
            if self.stored < H {
                // Before the first pulse ever: the machine stood, within one pulse.
                return Ok(self.short_place(right.0.fine));
            }
            return Err(TooOld);
        }
        let left = self.aged_fix(back);
        let behind = back.wrapping_add(1);
        // A pulse from before a standstill bends nothing after it.
        let same_run = behind < self.since_stop || back >= self.since_stop;
        let third = if behind < self.stored && same_run {
            Some(self.aged_fix(behind))
        } else {
            (right.1 != 0).then(|| self.younger(before).0)
        };
        Ok(self.short_place(parabola(left, right, third, wanted)))
    }

    /// The pulse that came next after the stored one `back`; of several at one instant the
    /// last. And its own place in the history; the last pulse of all may not be stored.
    fn younger(&self, back: usize) -> ((Fix, u32), usize) {
        let mut found = None;
        let mut at = back;
        while let Some(next) = at.checked_sub(1) {
            let fix = self.aged_fix(next);
            if found.is_some_and(|(_, age)| age != fix.1) {
                break;
            }
            found = Some(fix);
            at = next;
        }
        match found.filter(|fix| fix.1 != 0) {
            Some(fix) => (fix, at),
            None => ((self.last, 0), 0),
        }
    }

    /// The stored pulse `back` behind the newest stored one, and the µs to the last pulse.
    fn aged_fix(&self, back: usize) -> (Fix, u32) {
        let fix = self.stored_fix(back);
        (fix, self.last.at.wrapping_sub(fix.at))
    }

    fn short_place(&self, fine: i32) -> i32 {
        let behind = i64::from(self.last.fine.wrapping_sub(fine));
        fine_to_counts(self.fine_now().wrapping_sub(behind))
    }
}

/// A product, if it fits: after a standstill the times are long.
#[cfg_attr(target_os = "none", inline(never))]
fn product(a: i64, b: i64) -> Option<i64> {
    a.checked_mul(b)
}

/// Newton's divided differences through `left`, `right` and `third`, held
/// between `left` and `right`. Fine counts.
fn parabola(left: (Fix, u32), right: (Fix, u32), third: Option<(Fix, u32)>, wanted: u32) -> i32 {
    let (left, left_age) = left;
    let (right, right_age) = right;
    // µs from the left pulse on, held at ±35 minutes.
    let most = i64::from(i32::MAX);
    let since = |age: u32| {
        let since = i64::from(left_age).wrapping_sub(i64::from(age));
        since.clamp(most.wrapping_neg(), most)
    };
    let t = since(wanted);
    let t1 = since(right_age);
    let way = i64::from(right.fine.wrapping_sub(left.fine));
    // Both of 32 bits.
    let straight = way.wrapping_mul(t).checked_div(t1).unwrap_or_default();
    let bend = third.and_then(|(third, age)| {
        // Slopes in 2⁻²⁴ counts a µs; their change over the time between gives half
        // the acceleration in 2⁻⁴⁰ counts a µs² once shifted.
        let t2 = since(age);
        let slope = (way << 16).checked_div(t1)?;
        let way2 = i64::from(third.fine.wrapping_sub(left.fine));
        let slope2 = (way2 << 16).checked_div(t2)?;
        let half_a = (slope.wrapping_sub(slope2) << 16).checked_div(t1.wrapping_sub(t2))?;
        Some(product(product(half_a, t)?, t.wrapping_sub(t1))? >> 32)
    });
    let fine = straight.saturating_add(bend.unwrap_or_default());
    left.fine
        .wrapping_add(saturate_i32(fine.max(way.min(0)).min(way.max(0))))
}
