//! How far ahead a decision instant can reach, for the whole boom at once.
//!
//! Bounds only: what is decided, and when, is the sequencer's. Every bound errs to
//! the far side, so that an instant is skipped only when no boundary can be met at
//! it, whatever each nozzle's delays and throw.

use crate::boom::Config;
use crate::ground_plan::ahead;
use crate::odometer::Motion;
use crate::units::{COUNTS_PER_MM, Span, saturate_i32};
use crate::wake::longest_sleep;

/// What a reach is taken too long by, counts: far more than all roundings.
const BEYOND: i32 = 2 * COUNTS_PER_MM;
/// Ways are clipped to this, fine counts (65 m): a product below stays in 64 bit.
const FARTHEST: i64 = 1 << 28;

/// The longest delay and throw of a boom.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reach {
    /// The delay at which a decision takes the reciprocal of speed.
    pub typical_delay: Span,
    longest_delay: Span,
    longest_throw: i32,
    window: i32,
    /// Delay, throw, window and the longest sleep together, µs: the speed reached after
    /// this is a bound for all of them.
    view: i64,
}

impl Reach {
    pub fn new(config: &Config<'_>) -> Self {
        let (mut delay, mut throw) = (Span(0), Span(0));
        for nozzle in config.nozzles {
            delay = delay.max(nozzle.open_delay).max(nozzle.close_delay);
            throw = throw.max(nozzle.throw);
        }
        let lead = config.patch.lead_time.signed();
        let rise = config.patch.open_extra_time.signed();
        let timing = &config.timing;
        let longest_throw = throw.signed().saturating_add(lead).saturating_add(rise);
        let window = (timing.decision_period.signed()).saturating_add(timing.slack.signed());
        let sleep = i64::from(longest_sleep(timing.decision_period).0);
        let view = (sleep.saturating_add(i64::from(delay.0)))
            .saturating_add(i64::from(longest_throw))
            .saturating_add(i64::from(window));
        Self {
            typical_delay: config.nozzles.first().map_or(Span(0), |n| n.open_delay),
            longest_delay: delay,
            longest_throw,
            window,
            view,
        }
    }

    /// No boundary beyond this place can be met at the instant of `motion`.
    ///
    /// Spray from a longer delay leaves farther on; but under braking it leaves
    /// slower, so the throw is taken at the faster of both speeds.
    pub fn farthest(&self, motion: &Motion) -> i32 {
        let w = self.longest_delay.signed().saturating_add(self.window);
        let fastest = i64::from(motion.v).max(motion.speed_after(w));
        // The sequencer takes half a window's way at the typical delay's speed.
        let change = (i64::from(motion.a).saturating_abs()).saturating_mul(i64::from(w)) >> 16;
        let doubt = change.saturating_mul(i64::from(self.window)) >> 16;
        let fine = motion
            .landing_fine(w, 0)
            .saturating_add(i64::from(self.longest_throw).saturating_mul(fastest) >> 16)
            .saturating_add(doubt);
        motion
            .base
            .wrapping_add(saturate_i32(fine >> 8))
            .wrapping_add(BEYOND)
    }

    /// How soon places further on come within reach.
    pub fn horizon(&self, motion: &Motion) -> Horizon {
        let gain = i64::from(motion.a.max(0)).saturating_mul(self.view) >> 16;
        let fastest = i64::from(motion.v).saturating_add(gain).max(1);
        Horizon {
            reach: self.farthest(motion),
            pace: (1_i64 << 36).checked_div(fastest).unwrap_or_default(),
        }
    }
}

/// What is within reach now, and the least time that it takes to reach further.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Horizon {
    reach: i32,
    /// µs a fine count at the highest speed to come, 2⁻²⁰, cut off.
    pace: i64,
}

impl Horizon {
    /// A time in which `place` can't come within reach. Zero when it is.
    pub fn sooner_than(&self, place: i32) -> Span {
        let way = i64::from(ahead(place, self.reach)).max(0) << 8;
        let time = way.min(FARTHEST).saturating_mul(self.pace) >> 20;
        Span(u32::try_from(time).unwrap_or(u32::MAX))
    }
}
