//! The delays of one nozzle in one direction: figures in fixed memory, outliers set aside.
//!
//! Every delay is held against a fence about the middle of the last 255 (four robust standard
//! deviations); what lies within goes into running moments and two lines (over time, over the
//! supply), what lies outside is counted and the farthest are named. The first 64 wait until
//! there is a fence. For the plot every k-th is kept, k doubling when 2048 are there.

use serde::Serialize;

use crate::estimate::{Estimate, Fence, Moments};
use crate::line::Line;

/// Delays that wait for the first fence.
const FIRST: usize = 64;
/// Latest delays that the fence is made of.
const RECENT: usize = 255;
/// Delays between two new fences.
const RENEW: u32 = 128;
/// Farthest from the middle, in robust standard deviations. A normal delay lies outside once in
/// 16,000 times, which takes 0.05 % from the spread.
const REACH_SDS: f64 = 4.0;
/// Most outliers that are named.
const MOST_NAMED: usize = 20;
/// Most delays kept for the plot.
const MOST_POINTS: usize = 2048;

/// One delay.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Delay {
    /// Time of the command, s in the capture.
    pub at_s: f64,
    /// The delay, s.
    pub delay_s: f64,
    /// Supply at the command, V, where it was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<f64>,
}

/// Running figures.
#[derive(Debug, Clone, Default)]
pub struct Delays {
    waiting: Vec<Delay>,
    recent: Vec<f64>,
    next: usize,
    since: u32,
    fence: Option<Fence>,
    step: i64,
    tick_s: f64,
    moments: Moments,
    over_time: Line,
    over_supply: Line,
    supply: Option<(f64, f64)>,
    outliers: u64,
    named: Vec<(f64, Delay)>,
    points: Vec<Delay>,
    stride: u64,
    seen: u64,
}

/// What came of them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Side {
    /// Mean delay, ms; none without a delay.
    pub delay: Option<Estimate>,
    /// Standard deviation of one delay, ms, the sampling step taken out.
    pub spread: Option<Estimate>,
    /// Change from the run's begin to its end by a straight line, ms.
    pub drift: Option<Estimate>,
    /// Change a volt of supply, ms/V, where the supply was recorded and moved by 0.2 V and more.
    pub per_volt: Option<Estimate>,
    /// Delays outside the fence, left out of all figures.
    pub outliers: u64,
    /// The farthest of them.
    pub named: Vec<Delay>,
    /// Some of all delays, for a plot.
    #[serde(skip)]
    pub points: Vec<Delay>,
}

impl Delays {
    /// Takes one delay of so many ticks.
    pub fn push(&mut self, at: i64, ticks: i64, supply: Option<f64>, tick_s: f64) {
        self.tick_s = tick_s;
        if self.step == 0 || ticks % self.step != 0 {
            self.step = crate::capture::divisor(self.step, ticks);
        }
        let delay = Delay {
            at_s: at as f64 * tick_s,
            delay_s: ticks as f64 * tick_s,
            supply,
        };
        self.keep_point(delay);
        self.remember(delay.delay_s);
        if self.fence.is_none() {
            self.waiting.push(delay);
            if self.waiting.len() >= FIRST {
                self.release();
            }
            return;
        }
        self.since += 1;
        if self.since >= RENEW {
            self.renew();
        }
        self.sort(delay);
    }

    /// Every k-th delay, so that points of the whole run stay.
    fn keep_point(&mut self, delay: Delay) {
        let stride = self.stride.max(1);
        if self.seen.is_multiple_of(stride) {
            if self.points.len() == MOST_POINTS {
                let mut k = 0;
                self.points.retain(|_| {
                    k += 1;
                    k % 2 == 1
                });
                self.stride = 2 * stride;
            }
            if self.seen.is_multiple_of(self.stride.max(1)) {
                self.points.push(delay);
            }
        }
        self.seen += 1;
    }

    fn remember(&mut self, x: f64) {
        match self.recent.get_mut(self.next) {
            Some(old) => *old = x,
            None => self.recent.push(x),
        }
        self.next = (self.next + 1) % RECENT;
    }

    fn renew(&mut self) {
        self.since = 0;
        // Where half of the delays are the very same number of steps, the spread is below 0.7 step:
        // with the step itself its normal reach is up to 3.5 of them.
        let least = 3.5 * self.step as f64 * self.tick_s;
        self.fence = Fence::of(&self.recent, REACH_SDS, least);
    }

    fn release(&mut self) {
        self.renew();
        for delay in std::mem::take(&mut self.waiting) {
            self.sort(delay);
        }
    }

    /// Within the fence or outside.
    fn sort(&mut self, delay: Delay) {
        let Some(fence) = self.fence else { return };
        if !fence.keeps(delay.delay_s) {
            self.outliers += 1;
            let off = (delay.delay_s - fence.median).abs();
            self.named.push((off, delay));
            if self.named.len() > 2 * MOST_NAMED {
                self.farthest();
            }
            return;
        }
        self.moments.push(delay.delay_s);
        self.over_time.push(delay.at_s, delay.delay_s);
        if let Some(volts) = delay.supply {
            self.over_supply.push(volts, delay.delay_s);
            let (low, high) = self.supply.unwrap_or((volts, volts));
            self.supply = Some((low.min(volts), high.max(volts)));
        }
    }

    fn farthest(&mut self) {
        self.named.sort_by(|a, b| b.0.total_cmp(&a.0));
        self.named.truncate(MOST_NAMED);
    }

    /// The figures. `step_s` is the analyser's sampling step, `run_s` how long the run lasted,
    /// `lag_s` what the sense itself is late by.
    pub fn end(mut self, step_s: f64, run_s: f64, lag_s: f64) -> Side {
        if !self.waiting.is_empty() {
            self.release();
        }
        self.farthest();
        self.named.sort_by(|a, b| a.1.at_s.total_cmp(&b.1.at_s));
        let sampled = step_s * step_s / 6.0;
        let (delay, spread) = self.figures(step_s, sampled, lag_s);
        let enough = self.moments.n() >= 10;
        let drift = self.over_time.fit().filter(|_| enough && run_s > 0.0);
        let moved = self.supply.is_some_and(|(low, high)| high - low >= 0.2);
        let volts = self.over_supply.fit().filter(|_| enough && moved);
        Side {
            delay,
            spread,
            drift: drift.map(|fit| fit.slope("ms").scaled(1e3 * run_s, "ms")),
            per_volt: volts.map(|fit| fit.slope("ms/V").scaled(1e3, "ms/V")),
            outliers: self.outliers,
            named: self.named.into_iter().map(|(_, delay)| delay).collect(),
            points: self.points,
        }
    }

    /// Mean and spread, ms. A delay is the difference of two times that were both held until the
    /// next sample: that adds step²/6 to its variance (W. F. Sheppard, "On the calculation of the
    /// most probable values of frequency-constants", 1898: step²/12 each), and where the spread
    /// is below half a step the samples may all be off by the same half.
    fn figures(
        &self,
        step_s: f64,
        sampled: f64,
        lag_s: f64,
    ) -> (Option<Estimate>, Option<Estimate>) {
        let sd = self.moments.sd();
        let delay = self.moments.mean("ms").map(|mut mean| {
            mean.value -= lag_s;
            if sd.unwrap_or(0.0) < 0.5 * step_s {
                mean.half_width = mean.half_width.max(0.5 * step_s);
            }
            mean.scaled(1e3, "ms")
        });
        let spread = self.moments.spread("ms").map(|mut spread| {
            let plain = (spread.value * spread.value - sampled).max(0.0).sqrt();
            if plain > 0.0 {
                spread.half_width *= spread.value / plain;
            } else {
                spread.half_width = spread.half_width.max(step_s);
            }
            spread.value = plain;
            spread.scaled(1e3, "ms")
        });
        (delay, spread)
    }
}
