//! Where the machine is and will be until the next pulse, and when it counts as standing.

use super::plausible::Bounds;
use super::{Motion, Odometer, ratio, stands_in};
use crate::units::{Micros, Span, saturate_i32, wrap_i32};

impl<const H: usize> Odometer<H> {
    /// True when so long without a pulse means less than creep speed.
    pub(super) fn creeping(&self, waited: Span) -> bool {
        waited >= self.stop_after
    }

    /// When the machine counts as standing if no pulse comes before.
    pub(crate) fn stops_at(&self) -> Micros {
        self.last_at.plus(self.stop_after)
    }

    /// Creep speed, 2⁻²⁴ counts a µs.
    pub(crate) fn creep(&self) -> i32 {
        self.creep
    }

    /// When some part of a machine of which none is slower than the wheel by more than
    /// `slower` may be below creep speed, if no pulse comes before: an overdue pulse bounds the
    /// speed by its length over the wait.
    pub(crate) fn slows_at(&self, slower: i64) -> Micros {
        if slower == 0 {
            return self.stops_at();
        }
        let bound = i64::from(self.creep).saturating_add(slower);
        let wait = ratio(self.to_next(), bound, 16);
        // What the short division cuts off.
        let wait = wait.saturating_sub(wait >> 8).saturating_sub(1);
        self.last_at.plus_signed(wait.max(0))
    }

    /// True when at `now` the machine is slower than creep speed, or never moved.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn stands(&self, now: Micros) -> bool {
        self.v == 0 || self.creeping(now.since(self.last_at))
    }

    /// True when the machine surely stands: at a turn speed is taken for zero, though the
    /// machine may still roll for all that the pulses tell.
    pub(crate) fn at_rest(&self, now: Micros) -> bool {
        self.stands(now) && now >= self.rolls_to
    }

    /// Fine counts from the last pulse to the next.
    pub(super) fn to_next(&self) -> i64 {
        let change = self.slots.correction(1).wrapping_sub(self.correction);
        self.pulse_fine.wrapping_add(i64::from(change)).max(1)
    }

    /// True when no pulse has come since `at`.
    pub(crate) fn predicts(&self, at: Micros) -> bool {
        at > self.last_at
    }

    pub(crate) fn never_moved(&self) -> bool {
        !self.moved
    }

    /// Place, speed and acceleration at `now`, from the pulses so far. While going back
    /// speed and acceleration are zero: nothing is to be met.
    pub(crate) fn motion_at(&self, now: Micros) -> Motion {
        let fraction = self.past_count();
        let mut motion = self.free_motion_at(now);
        if now > self.last_at {
            let pulse = self.to_next();
            // Just short of the pulse that has not come.
            let most = fraction.wrapping_add(pulse).wrapping_sub(1);
            if motion.ahead_fine > most {
                self.overdue(&mut motion, pulse, now.since(self.last_at).0);
                motion.stands_in = stands_in(motion.v, motion.a);
            }
        }
        if !self.forward() {
            let way = motion.ahead_fine.wrapping_sub(fraction);
            motion.ahead_fine = fraction.wrapping_sub(way);
            motion.v = 0;
            motion.a = 0;
            motion.stands_in = i32::MAX;
        }
        motion
    }

    /// The same as if every pulse came when it should: no place that is predicted later,
    /// while no pulse comes, lies beyond this.
    pub(crate) fn free_motion_at(&self, now: Micros) -> Motion {
        let fraction = self.past_count();
        let waited = now.offset_from(self.last_at);
        let mut motion = Motion {
            base: wrap_i32(self.counts),
            ahead_fine: fraction,
            v: self.v,
            a: self.a,
            stands_in: self.stands_in,
        };
        motion.ahead_fine = motion.landing_fine(waited, 0);
        motion.v = saturate_i32(motion.speed_after(waited));
        if waited > 0 {
            motion.ahead_fine = motion.ahead_fine.max(fraction);
        }
        if self.a < 0 {
            motion.stands_in = self.stands_in.saturating_sub(waited).max(0);
        }
        motion
    }

    /// The pulse `pulse` fine counts on should have come. Either the machine brakes, and
    /// is just short of it; or it can't brake so hard, and the pulse was lost.
    fn overdue(&self, motion: &mut Motion, pulse: i64, waited: u32) {
        let fraction = self.past_count();
        let least = self.bounds.least(waited);
        let unseen = Bounds::unseen(least, pulse);
        let short = pulse.wrapping_mul(unseen.wrapping_add(1)).wrapping_sub(1);
        let most = fraction.wrapping_add(short.max(least));
        if motion.ahead_fine <= most {
            return;
        }
        motion.ahead_fine = most;
        motion.a = motion.a.min(0);
        if unseen == 0 {
            // The mean speed since the last pulse is below this.
            let bound = (pulse << 16)
                .checked_div(i64::from(waited))
                .unwrap_or_default();
            motion.v = saturate_i32(i64::from(motion.v).min(bound));
        }
    }
}
