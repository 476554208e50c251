//! How far ahead a decision instant can reach, for the whole boom at once.
//!
//! Bounds only: what is decided, and when, is the sequencer's. Every bound errs to
//! the far side, so that an instant is skipped only when no boundary can be met at
//! it, whatever each nozzle's delays and throw.

use crate::boom::Config;
use crate::ground_plan::ahead;
use crate::odometer::Motion;
use crate::units::{COUNTS_PER_MM, Span, wrap_i32};
use crate::wake::{Nearest, longest_sleep};

/// What a reach is taken too long by, counts: far more than all roundings.
const BEYOND: i32 = 2 * COUNTS_PER_MM;
/// Ways are clipped to this, fine counts (65 m): a product below stays in 64 bit.
const FARTHEST: i64 = 1 << 28;

/// The longest delay and throw of a boom, for opening or for closing.
#[derive(Clone, Copy, Debug, Default)]
struct Longest {
    delay: Span,
    throw: i32,
}

/// What bounds the reach of a boom.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Reach {
    /// The delay at which a decision takes the reciprocal of speed.
    pub typical_delay: Span,
    /// From a decision until spray lands, of the same nozzle.
    pub typical_lead: Span,
    open: Longest,
    close: Longest,
    /// The close's throw without and with keep-off lines, which mind the last drop.
    close_throws: [i32; 2],
    window: i32,
    /// Delay, throw, window and the longest sleep together, µs: the speed reached after
    /// this is a bound for all of them.
    view: i32,
    /// The longer of all delays and a window, µs.
    apart: i32,
}

/// Places that no boundary met at an instant lies beyond.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Farthest {
    /// For valves to be opened.
    pub open: i32,
    /// For valves to be closed.
    pub close: i32,
}

impl Reach {
    pub fn new(config: &Config<'_>) -> Self {
        let (mut opening, mut closing, mut throw) = (Span(0), Span(0), Span(0));
        for nozzle in config.nozzles {
            opening = opening.max(nozzle.open_delay);
            closing = closing.max(nozzle.close_delay);
            throw = throw.max(nozzle.throw);
        }
        // Checked times of a second at most, and a sleep of some: no sum comes near 32 bits.
        let lead = config.patch.lead_time.us();
        let rise = config.patch.open_extra_time.us();
        let trail = config.patch.trail_time.us();
        let fall = config.patch.close_extra_time.us();
        let timing = &config.timing;
        let open = Longest {
            delay: opening,
            throw: throw.us().wrapping_add(lead).wrapping_add(rise),
        };
        let close = Longest {
            delay: closing,
            throw: throw.us().wrapping_sub(trail).wrapping_sub(fall),
        };
        // A close for a keep-off line minds the last drop, which flies further.
        let last_drop = throw.us().wrapping_add(fall);
        let window = (timing.decision_period.us()).wrapping_add(timing.slack.us());
        let sleep = longest_sleep(timing.decision_period).us();
        let delay = opening.max(closing).us();
        let first = config.nozzles.first();
        let typical = first.map_or((Span(0), Span(0)), |n| (n.open_delay, n.throw));
        Self {
            typical_delay: typical.0,
            typical_lead: Span(typical.0.0.wrapping_add(typical.1.0)),
            open,
            close,
            close_throws: [close.throw, close.throw.max(last_drop)],
            window,
            view: (sleep.wrapping_add(delay))
                .wrapping_add(open.throw.max(last_drop))
                .wrapping_add(window),
            apart: delay.wrapping_add(window),
        }
    }

    /// Whether there is keep-off ground, for which valves close by the last drop.
    pub fn mind_lines(&mut self, lines: bool) {
        let [plain, lined] = self.close_throws;
        self.close.throw = if lines { lined } else { plain };
    }

    /// No boundary beyond these places can be met at the instant of `motion`.
    pub fn farthest(&self, motion: &Motion) -> Farthest {
        Farthest {
            open: self.reach(motion, self.open),
            close: self.reach(motion, self.close),
        }
    }

    /// Spray from a longer delay leaves farther on; but under braking it leaves slower,
    /// so the throw is taken at the faster of both speeds, and a throw backwards not at
    /// all. (Factors of 32, 20 and 15 bits: no product comes near 64.)
    fn reach(&self, motion: &Motion, longest: Longest) -> i32 {
        let w = longest.delay.us().wrapping_add(self.window);
        let fastest = i64::from(motion.v).max(motion.speed_after(w));
        let thrown = i64::from(longest.throw.max(0)).wrapping_mul(fastest) >> 16;
        // The sequencer takes half a window's way at the typical delay's speed.
        let change = i64::from(motion.a.saturating_abs()).wrapping_mul(i64::from(self.apart)) >> 16;
        let doubt = change.wrapping_mul(i64::from(self.window)) >> 16;
        let fine = (motion.way_fine(w))
            .wrapping_add(thrown)
            .wrapping_add(doubt);
        (motion.base)
            .wrapping_add(wrap_i32(fine >> 8))
            .wrapping_add(BEYOND)
    }

    /// How soon places further on come within reach.
    pub fn horizon(&self, motion: &Motion, reach: Farthest) -> Horizon {
        let gain = i64::from(motion.a.max(0)).wrapping_mul(i64::from(self.view)) >> 16;
        let fastest = i64::from(motion.v).wrapping_add(gain);
        let fastest = u32::try_from(fastest).unwrap_or(u32::MAX).max(1);
        Horizon {
            reach,
            // A short division, cut off: too early at the worst.
            pace: u32::MAX.checked_div(fastest).unwrap_or_default(),
        }
    }
}

/// What is within reach now, and the least time that it takes to reach further.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Horizon {
    reach: Farthest,
    /// µs a fine count at the highest speed to come, 2⁻¹⁶, cut off.
    pace: u32,
}

impl Horizon {
    /// A time in which no place of a group can come within reach. Zero when one is;
    /// none when it has nothing to do.
    pub fn sooner_than(&self, nearest: Nearest) -> Option<Span> {
        let open = (nearest.open).map(|place| ahead(place, self.reach.open));
        let close = (nearest.close).map(|place| ahead(place, self.reach.close));
        let way = match (open, close) {
            (Some(a), Some(b)) => a.min(b),
            (a, b) => a.or(b)?,
        };
        let fine = (i64::from(way.max(0)) << 8).min(FARTHEST);
        let time = fine.wrapping_mul(i64::from(self.pace)) >> 16;
        Some(Span(u32::try_from(time).unwrap_or(u32::MAX)))
    }
}
