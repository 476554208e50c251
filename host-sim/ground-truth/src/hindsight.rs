//! Travel rebuilt from wheel pulses afterwards.
//!
//! Whoever looks back knows the pulses on both sides of an instant. Around
//! each pulse a parabola is fitted through its neighbours, as many before as
//! after, the far ones weighing less: unevenness of the wheel averages out,
//! and a steady acceleration passes unchanged, because a parabola holds it
//! exactly. The window takes up to 12 pulses and 0.3 s on each side, at least
//! 2 pulses, so that a change of acceleration blurs over 0.3 s and no more.
//! Between pulses a monotone cubic connects the fitted places and speeds.
//!
//! The first pulse is the origin of the ground. Where pulses stay out for so
//! long that the machine must have crawled or stood, nothing is smoothed
//! across, and [`Hindsight::standstills`] lists the gap: within it the place
//! is known to one pulse length only.

use crate::Ground;

/// Most pulses on each side of a fit.
const MOST_NEIGHBOURS: usize = 12;
/// Fewest pulses on each side of a fit that smooths.
const FEWEST_NEIGHBOURS: usize = 2;
/// Longest reach of a fit on each side, in seconds, beyond the fewest pulses.
const REACH_S: f64 = 0.3;
/// Shortest gap between pulses that counts as a standstill, in seconds.
const SHORTEST_GAP_S: f64 = 0.5;
/// Mean speed over a gap below which it counts as a standstill, in m/s.
const CREEP: f64 = 0.25;

/// Why pulses can't be turned into travel.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum HindsightError {
    /// The pulse length is unusable.
    #[error("pulse length {0} m is no travel a pulse; give 0.0001 to 1000 m")]
    PulseLength(f64),
    /// There are too few pulses to fit anything.
    #[error("{0} pulses are too few to rebuild the travel; record at least 5")]
    TooFew(usize),
    /// A time stamp is no number.
    #[error("pulse {index} is stamped {time_s} s; stamps must be finite")]
    NotFinite {
        /// Which pulse, from 0.
        index: usize,
        /// The refused stamp in seconds.
        time_s: f64,
    },
    /// A time stamp is not after the one before.
    #[error("pulse {index} at {time_s} s is not after the one before; remove bounces, sort stamps")]
    NotIncreasing {
        /// Which pulse, from 0.
        index: usize,
        /// The refused stamp in seconds.
        time_s: f64,
    },
}

/// A pulse with its fitted place and speed.
#[derive(Clone, Copy, Debug)]
struct Knot {
    t: f64,
    x: f64,
    v: f64,
}

/// Travel rebuilt from wheel pulses.
#[derive(Clone, Debug)]
pub struct Hindsight {
    /// At least five, times increasing, places never decreasing.
    knots: Vec<Knot>,
    trusted: (f64, f64),
    standstills: Vec<(f64, f64)>,
}

impl Hindsight {
    /// Rebuilds the travel from the pulses' time stamps (s, increasing) and
    /// the travel a pulse (m). The first pulse lies at 0 m.
    ///
    /// # Errors
    /// Refuses fewer than 5 pulses, stamps that don't increase, and an
    /// unusable pulse length.
    pub fn new(pulse_times: &[f64], pulse_length_m: f64) -> Result<Self, HindsightError> {
        if !(1e-4..=1e3).contains(&pulse_length_m) {
            return Err(HindsightError::PulseLength(pulse_length_m));
        }
        let n = pulse_times.len();
        if n < 2 * FEWEST_NEIGHBOURS + 1 {
            return Err(HindsightError::TooFew(n));
        }
        for (index, &time_s) in pulse_times.iter().enumerate() {
            if !time_s.is_finite() {
                return Err(HindsightError::NotFinite { index, time_s });
            }
            if index > 0 && time_s <= pulse_times[index - 1] {
                return Err(HindsightError::NotIncreasing { index, time_s });
            }
        }
        let longest = SHORTEST_GAP_S.max(pulse_length_m / CREEP);
        let mut knots = Vec::with_capacity(n);
        let mut standstills = Vec::new();
        let mut first = 0;
        for run in pulse_times.chunk_by(|a, b| b - a <= longest) {
            if first > 0 {
                standstills.push((pulse_times[first - 1], pulse_times[first]));
            }
            for i in 0..run.len() {
                let (off, v) = fit(run, i);
                let x = pulse_length_m * ((first + i) as f64 + off);
                knots.push(Knot {
                    t: run[i],
                    x,
                    v: (pulse_length_m * v).max(0.0),
                });
            }
            first += run.len();
        }
        let mut last = f64::NEG_INFINITY;
        for knot in &mut knots {
            // Noise on a crawl could turn two places round.
            knot.x = knot.x.max(last);
            last = knot.x;
        }
        let trusted = (
            pulse_times[FEWEST_NEIGHBOURS],
            pulse_times[n - 1 - FEWEST_NEIGHBOURS],
        );
        Ok(Self {
            knots,
            trusted,
            standstills,
        })
    }

    /// The same travel with the first pulse at `x` metres.
    #[must_use]
    pub fn with_first_pulse_at(mut self, x: f64) -> Self {
        let shift = x - self.knots.first().map_or(0.0, |k| k.x);
        for knot in &mut self.knots {
            knot.x += shift;
        }
        self
    }

    /// From when to when (s) pulses on both sides support the travel. Outside
    /// it rests on one side, and beyond the pulses on nothing but the last
    /// speed.
    #[must_use]
    pub fn trusted(&self) -> (f64, f64) {
        self.trusted
    }

    /// The gaps (from s, to s) in which the machine crawled or stood: the
    /// place is then known to one pulse length only, and the speed not at all.
    #[must_use]
    pub fn standstills(&self) -> &[(f64, f64)] {
        &self.standstills
    }

    /// Whether place and speed can be relied on at time `t` (s).
    #[must_use]
    pub fn is_trusted(&self, t: f64) -> bool {
        let after = self.standstills.partition_point(|gap| gap.1 <= t);
        let stands = self.standstills.get(after).is_some_and(|gap| gap.0 < t);
        self.trusted.0 <= t && t <= self.trusted.1 && !stands
    }

    /// The last knot at or before `t`, and the one after it.
    fn around(&self, t: f64) -> (Option<Knot>, Option<Knot>) {
        let after = self.knots.partition_point(|k| k.t <= t);
        let before = after.checked_sub(1).and_then(|i| self.knots.get(i));
        (before.copied(), self.knots.get(after).copied())
    }
}

/// How far pulse `i` of a run lies off its nominal place, in pulses, and the
/// speed there in pulses a second.
fn fit(run: &[f64], i: usize) -> (f64, f64) {
    let sides = i.min(run.len() - 1 - i);
    if sides < FEWEST_NEIGHBOURS {
        // Too near an end to smooth both ways: the place as it is, the speed
        // from the parabola through the pulses of this end.
        let from = if i < FEWEST_NEIGHBOURS {
            0
        } else {
            run.len().saturating_sub(5)
        };
        let to = run.len().min(from + 5);
        let (_, v) = parabola(run, i, from..to, |_| 1.0);
        return (0.0, v);
    }
    let within = |m: &usize| run[i + m] - run[i] <= REACH_S && run[i] - run[i - m] <= REACH_S;
    let side = (FEWEST_NEIGHBOURS + 1..=sides.min(MOST_NEIGHBOURS))
        .take_while(within)
        .last()
        .unwrap_or(FEWEST_NEIGHBOURS);
    let width = (side + 1) as f64;
    parabola(run, i, i - side..i + side + 1, |distance| {
        let u = distance as f64 / width;
        (1.0 - u * u).powi(2)
    })
}

/// Fits a parabola of pulse number over time by least squares; gives its
/// value, counted from pulse `i`, and its slope at that pulse. `weight` is
/// asked with the distance from `i` in pulses.
fn parabola(
    run: &[f64],
    i: usize,
    window: std::ops::Range<usize>,
    weight: impl Fn(usize) -> f64,
) -> (f64, f64) {
    let unit = run[window.end - 1] - run[window.start];
    if unit <= 0.0 {
        return (0.0, 0.0);
    }
    // Sums of weight·time^n, and of weight·time^n·number.
    let mut s = [0.0_f64; 5];
    let mut b = [0.0_f64; 3];
    for k in window.clone() {
        let time = (run[k] - run[i]) / unit;
        let number = k as f64 - i as f64;
        let mut term = weight(k.abs_diff(i));
        for power in 0..5 {
            s[power] += term;
            if power < 3 {
                b[power] += term * number;
            }
            term *= time;
        }
    }
    if window.len() < 3 {
        // Two pulses hold a speed only.
        return (0.0, (window.len() - 1) as f64 / unit);
    }
    // Cramer's rule for the three unknowns.
    let det3 = |a: [f64; 3], b: [f64; 3], c: [f64; 3]| {
        a[0] * (b[1] * c[2] - b[2] * c[1]) - b[0] * (a[1] * c[2] - a[2] * c[1])
            + c[0] * (a[1] * b[2] - a[2] * b[1])
    };
    let (c0, c1, c2) = ([s[0], s[1], s[2]], [s[1], s[2], s[3]], [s[2], s[3], s[4]]);
    let det = det3(c0, c1, c2);
    if det.abs() < 1e-30 {
        return (0.0, (window.len() - 1) as f64 / unit);
    }
    (det3(b, c1, c2) / det, det3(c0, b, c2) / det / unit)
}

/// The monotone cubic between two knots: place and speed at time `t`.
fn between(a: Knot, b: Knot, t: f64) -> (f64, f64) {
    let h = b.t - a.t;
    let rise = b.x - a.x;
    // Slopes of up to three times the secant keep a cubic monotone (Fritsch and
    // Carlson, Monotone Piecewise Cubic Interpolation, SIAM J. Numer. Anal. 17,
    // 1980).
    let (m0, m1) = ((a.v * h).min(3.0 * rise), (b.v * h).min(3.0 * rise));
    let u = ((t - a.t) / h).clamp(0.0, 1.0);
    let (c2, c3) = (3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise);
    let x = a.x + u * (m0 + u * (c2 + u * c3));
    let v = (m0 + u * (2.0 * c2 + 3.0 * u * c3)) / h;
    (x.clamp(a.x, b.x), v.max(0.0))
}

impl Ground for Hindsight {
    fn position(&self, t: f64) -> f64 {
        match self.around(t) {
            (Some(a), Some(b)) => between(a, b, t).0,
            (Some(k), None) | (None, Some(k)) => k.x + k.v * (t - k.t),
            (None, None) => 0.0,
        }
    }

    fn speed(&self, t: f64) -> f64 {
        match self.around(t) {
            (Some(a), Some(b)) => {
                let gap = self.standstills.partition_point(|gap| gap.0 < a.t);
                if self.standstills.get(gap).is_some_and(|gap| gap.0 == a.t) {
                    between(a, b, t).1
                } else {
                    // The fitted speeds are smoother than the cubic's slope.
                    a.v + (b.v - a.v) * ((t - a.t) / (b.t - a.t))
                }
            }
            (Some(k), None) | (None, Some(k)) => k.v,
            (None, None) => 0.0,
        }
    }

    fn time_at(&self, x: f64) -> Option<f64> {
        let reached = self.knots.partition_point(|k| k.x < x);
        let Some(before) = reached.checked_sub(1) else {
            let first = self.knots.first()?;
            return (x == first.x).then_some(first.t);
        };
        let a = self.knots[before];
        let Some(&b) = self.knots.get(reached) else {
            return (a.v > 0.0).then(|| a.t + (x - a.x) / a.v);
        };
        let (mut from, mut to) = (a.t, b.t);
        // 60 halvings use up the digits of any stamp.
        for _ in 0..60 {
            let middle = 0.5 * (from + to);
            if between(a, b, middle).0 < x {
                from = middle;
            } else {
                to = middle;
            }
        }
        Some(to)
    }

    fn end(&self) -> f64 {
        self.knots.last().map_or(0.0, |k| k.t)
    }
}

#[cfg(test)]
mod tests;
