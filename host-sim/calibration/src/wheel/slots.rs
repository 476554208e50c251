//! The wheel's slots a turn, and how far each sits off its even place, from the pulse train.
//!
//! What is looked at is the logarithm of each period: changing speed adds to it slowly, uneven
//! slots add a pattern that comes back every turn. A pattern of S slots has its power at the
//! frequencies j/S cycles a pulse and nowhere else. For each S the likelihood ratio of lines at
//! j/S against none is summed up, each line held against the noise around it, less what as many
//! lines of mere noise would win (Schwarz' criterion: G. Schwarz, "Estimating the dimension of a
//! model", Annals of Statistics 6, 1978). Divisors of S lack lines, multiples pay for empty ones.

use std::f64::consts::PI;

use serde::Serialize;

use super::spectrum::Spectrum;
use crate::estimate::{Moments, median, student_t};

/// Slots that are looked for.
pub const SLOTS: std::ops::RangeInclusive<usize> = 2..=128;
/// Pulses that the search looks at; the first of longer runs.
const MOST_PULSES: usize = 16_384;
/// Turns below which a number of slots is not looked for.
const LEAST_TURNS: usize = 4;
/// Beyond the criterion: as many numbers of slots are tried.
const MARGIN: f64 = 12.0;

/// A pulse train, its lost and surplus pulses mended.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Train {
    /// Logarithm of each period less its slow course.
    #[serde(skip)]
    pub logs: Vec<f64>,
    /// Pulses that were missing and are put in.
    pub lost: usize,
    /// Pulses too many that are taken out.
    pub surplus: usize,
}

impl Train {
    /// From times of pulses in order, s. A period of about twice, three times... its neighbours' is
    /// one with pulses lost; one below a third is a bounce.
    pub fn of(times: &[f64]) -> Train {
        let mut train = Train {
            logs: Vec::new(),
            lost: 0,
            surplus: 0,
        };
        let mut periods: Vec<f64> = Vec::new();
        let mut raw = times.windows(2).map(|t| t[1] - t[0]).peekable();
        while let Some(mut period) = raw.next() {
            let usual = local(&periods);
            if let Some(usual) = usual {
                // A bounce splits one period into two: put them together again.
                while period < usual / 3.0 {
                    match raw.next() {
                        Some(next) => period += next,
                        None => break,
                    }
                    train.surplus += 1;
                }
                let whole = (period / usual).round();
                if (2.0..=8.0).contains(&whole) && (period / usual - whole).abs() < 0.15 * whole {
                    train.lost += whole as usize - 1;
                    periods.extend(std::iter::repeat_n(period / whole, whole as usize));
                    continue;
                }
            }
            if period > 0.0 {
                periods.push(period);
            }
        }
        train.logs = level(&periods.iter().map(|p| p.ln()).collect::<Vec<f64>>());
        train
    }
}

/// The usual period by the last five; none before that.
fn local(periods: &[f64]) -> Option<f64> {
    let mut last: Vec<f64> = periods.iter().rev().take(5).copied().collect();
    (last.len() == 5).then(|| median(&mut last)).flatten()
}

/// Takes the mean and the straight course out: the slow rest stays below the lines.
fn level(logs: &[f64]) -> Vec<f64> {
    let line: crate::line::Line = logs
        .iter()
        .enumerate()
        .map(|(k, y)| (k as f64, *y))
        .collect();
    match line.fit() {
        Some(fit) => logs
            .iter()
            .enumerate()
            .map(|(k, y)| y - fit.a - fit.b * k as f64)
            .collect(),
        None => Vec::new(),
    }
}

/// What the search found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slots {
    /// Slots a turn.
    pub a_turn: usize,
    /// By how much the criterion prefers it to an even wheel; above 12 it counts.
    pub ahead_of_even: f64,
    /// By how much it prefers it to the next best number of slots.
    pub ahead_of_next: f64,
    /// The next best.
    pub next: usize,
}

/// Finds the slots a turn in trains of the same wheel, whose likelihoods add up. None where the
/// wheel is too even or the trains too short to tell.
pub fn find(trains: &[Train]) -> Option<Slots> {
    let mut scores: Vec<(usize, f64)> = SLOTS.map(|s| (s, 0.0)).collect();
    let mut used = 0;
    for train in trains {
        let logs = &train.logs[..train.logs.len().min(MOST_PULSES)];
        let n = logs.len();
        if n < LEAST_TURNS * SLOTS.start() * 4 {
            continue;
        }
        used += n;
        let spectrum = Spectrum::of(logs, 0.02);
        for (slots, score) in &mut scores {
            *score = match n >= LEAST_TURNS * *slots {
                true => *score + likelihood(&spectrum, *slots),
                false => f64::NEG_INFINITY,
            };
        }
    }
    let each = (used.max(2) as f64).ln();
    for (slots, score) in &mut scores {
        // Each line has a sine and a cosine; the one at half a cycle only one of them.
        *score -= 0.5 * (*slots - 1) as f64 * each;
    }
    scores.retain(|s| s.1.is_finite());
    scores.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (&best, &next) = (scores.first()?, scores.get(1)?);
    (best.1 > MARGIN).then_some(Slots {
        a_turn: best.0,
        ahead_of_even: best.1,
        ahead_of_next: best.1 - next.1,
        next: next.0,
    })
}

/// Log likelihood ratio of lines at all j/S against noise alone. A line's power over its
/// surroundings is exponential with mean 1 under noise; under a line of the best size the
/// likelihood is higher by that power.
fn likelihood(spectrum: &Spectrum, slots: usize) -> f64 {
    let lines = (1..=slots / 2).map(|j| {
        let power = spectrum.at(j as f64 / slots as f64);
        if 2 * j == slots { 0.5 * power } else { power }
    });
    lines.sum()
}

/// How far the slots of a wheel sit off their even places.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offsets {
    /// Of each slot, as a share of a pulse; positive: its pulse comes late. Slot 0 is that of the
    /// train's first pulse, and their mean is 0.
    pub shares: Vec<f64>,
    /// Half the 95 % interval of each.
    pub half_width: f64,
    /// One standard deviation of the offsets.
    pub unevenness: f64,
}

/// The offsets by the mean of each slot's periods over one train. Periods count by a taper (Hann)
/// over the train, so that starting and stopping hardly do. The interval is from the first half of
/// the train against the second. None with fewer than six turns.
pub fn offsets(train: &Train, slots: usize) -> Option<Offsets> {
    let logs = &train.logs;
    if slots < 2 || logs.len() < 6 * slots {
        return None;
    }
    let half = logs.len() / 2;
    let shares = places(logs, 0, slots);
    let (first, second) = (
        places(&logs[..half], 0, slots),
        places(&logs[half..], half, slots),
    );
    let squares: f64 = (first.iter().zip(&second))
        .map(|(a, b)| (a - b).powi(2))
        .sum();
    // Halves differ by twice what the whole is off, one standard deviation each.
    let error = 0.5 * (squares / (slots - 1) as f64).sqrt();
    Some(Offsets {
        unevenness: shares.iter().copied().collect::<Moments>().sd()?,
        half_width: student_t(slots - 1) * error,
        shares,
    })
}

/// How late each slot's pulse comes, as a share of a pulse, mean 0. `from` is the number of the
/// first period.
fn places(logs: &[f64], from: usize, slots: usize) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); slots];
    for (k, log) in logs.iter().enumerate() {
        let taper = 0.5 - 0.5 * (2.0 * PI * (k as f64 + 0.5) / logs.len() as f64).cos();
        let sum = &mut sums[(from + k) % slots];
        *sum = (sum.0 + taper * log, sum.1 + taper);
    }
    let means: Vec<f64> = sums.iter().map(|s| s.0 / s.1).collect();
    let whole = means.iter().sum::<f64>() / slots as f64;
    // Period k lasts from pulse k to pulse k + 1: offsets are the running sum of the periods.
    let mut place = 0.0;
    let mut shares = Vec::with_capacity(slots);
    for mean in &means {
        shares.push(place);
        place += mean - whole;
    }
    let middle = shares.iter().sum::<f64>() / slots as f64;
    shares.iter_mut().for_each(|s| *s -= middle);
    shares
}
