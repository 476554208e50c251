//! A list of what was fired, laid over a capture that shows one of its wires.
//!
//! An analyser with few channels records one command wire, the sync, and many senses; the board
//! tells when it commanded every valve. The sync wire's edges are recognised among the fired ones
//! by their irregular gaps; a straight line through the matched pairs then brings the board's
//! clock onto the capture's.

use crate::Refusal;
use crate::capture::debounce::Debounce;
use crate::capture::{Taker, Watch};
use crate::line::Line;

/// Most edges of the sync that are looked at.
pub const MOST_EDGES: usize = 4096;
/// Gaps that agree this well may be the same, s: the wake-up and print of either clock.
const AGREES_S: f64 = 0.3e-3;
/// Clocks may go so much apart.
const APART: f64 = 500e-6;
/// Matched edges below this are no recognition.
const LEAST: usize = 6;

/// From the board's clock to the capture's: capture time = at_0 + rate · board time, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Capture's s at the board's 0.
    pub at_0: f64,
    /// Capture's seconds a board's second.
    pub rate: f64,
    /// Matched edges.
    pub matched: usize,
    /// Standard deviation of an edge about the line, s.
    pub residual_s: f64,
}

impl Clock {
    /// Capture's time of a board's time, s.
    pub fn capture_s(&self, board_s: f64) -> f64 {
        self.at_0 + self.rate * board_s
    }
}

/// Collects the edges of the sync wire, s.
#[derive(Debug)]
pub struct SyncEdges {
    wire: Debounce,
    hold_s: f64,
    tick_s: f64,
    last: i64,
    /// Edges: time in s, open or close.
    pub edges: Vec<(f64, bool)>,
    /// Edges beyond the most.
    pub left_out: u64,
}

impl SyncEdges {
    /// For a wire that has to hold its level for so long, s.
    pub fn new(hold_s: f64) -> SyncEdges {
        SyncEdges {
            wire: Debounce::new(0, false),
            hold_s,
            tick_s: 1.0,
            last: 0,
            edges: Vec::new(),
            left_out: 0,
        }
    }

    /// Reads them from a capture; also the length of its tick, s.
    ///
    /// # Errors
    /// See [`crate::capture::read`].
    pub fn read(
        from: impl std::io::BufRead,
        sync: &Watch,
        hold_s: f64,
    ) -> Result<(SyncEdges, f64), crate::capture::CaptureError> {
        let mut all = SyncEdges::new(hold_s);
        let extent = crate::capture::read(from, std::slice::from_ref(sync), &mut all)?;
        let end = extent.span.map_or(0, |(_, last)| last);
        all.settle(end);
        Ok((all, extent.tick_s))
    }

    fn settle(&mut self, now: i64) {
        while let Some(change) = self.wire.settle(now) {
            match self.edges.len() < MOST_EDGES {
                true => self.edges.push((change.at as f64 * self.tick_s, change.on)),
                false => self.left_out += 1,
            }
        }
        self.last = now;
    }
}

impl Taker for SyncEdges {
    fn begin(&mut self, tick_s: f64) {
        self.tick_s = tick_s;
        let hold = (self.hold_s / tick_s).round().min(9e17) as i64;
        self.wire = Debounce::new(hold, false);
    }

    fn level(&mut self, at: i64, _watch: usize, on: bool, at_start: bool) {
        if at_start {
            self.wire.start(on);
            return;
        }
        self.settle(at);
        self.wire.take(at, on);
    }

    fn number(&mut self, _at: i64, _watch: usize, _value: f64) {}
}

/// Recognises fired edges of one nozzle among a capture's sync edges. Both in s and in order.
///
/// # Errors
/// Too few edges, gaps that are nowhere found, or found in two places.
pub fn recognise(fired: &[(f64, bool)], seen: &[(f64, bool)]) -> Result<Clock, Refusal> {
    let fired = &fired[..fired.len().min(MOST_EDGES)];
    if fired.len() < LEAST || seen.len() < LEAST {
        return Err(Refusal::whole(
            format!(
                "the sync has {} edges in the capture and {} in the list of what was fired: too few to be recognised",
                seen.len(),
                fired.len()
            ),
            format!(
                "fire at least {LEAST} edges of the sync nozzle while the analyser records its command wire"
            ),
        ));
    }
    let mut votes = votes(fired, seen);
    if votes.is_empty() {
        return Err(not_found());
    }
    votes.sort_by(f64::total_cmp);
    let length = fired.last().map_or(0.0, |l| l.0) - fired[0].0;
    let width = 2.0 * AGREES_S + APART * length;
    let (best, count) = densest(&votes, width);
    let others: Vec<f64> = votes
        .iter()
        .copied()
        .filter(|o| (o - best).abs() > 2.0 * width)
        .collect();
    let (_, second) = densest(&others, width);
    if 2 * second > count {
        return Err(Refusal::whole(
            "the fired pattern is found in the capture in two places",
            "fire with irregular gaps, as bench timing does: even gaps look the same everywhere",
        ));
    }
    let clock = refine(fired, seen, best, width)?;
    match clock.matched {
        n if n < LEAST || 2 * n < fired.len().min(seen.len()) => Err(not_found()),
        _ => Ok(clock),
    }
}

fn not_found() -> Refusal {
    Refusal::whole(
        "the fired pattern is not found on the capture's sync wire",
        "is this the list of the same run, and the sync wire that of the nozzle named? Is it on while low (!NAME)?",
    )
}

/// Offsets at which two gaps in a row agree.
fn votes(fired: &[(f64, bool)], seen: &[(f64, bool)]) -> Vec<f64> {
    let mut votes = Vec::new();
    for f in fired.windows(3) {
        let gaps = (f[1].0 - f[0].0, f[2].0 - f[1].0);
        for s in seen.windows(3) {
            let off = |gap: f64, a: f64, b: f64| (b - a - gap).abs() > AGREES_S + APART * gap;
            if s[0].1 == f[0].1 && !off(gaps.0, s[0].0, s[1].0) && !off(gaps.1, s[1].0, s[2].0) {
                votes.push(s[0].0 - f[0].0);
            }
        }
    }
    votes
}

/// The middle of the window of sorted numbers that holds the most, and how many.
fn densest(sorted: &[f64], width: f64) -> (f64, usize) {
    let (mut from, mut best, mut most) = (0, 0.0, 0);
    for (to, high) in sorted.iter().enumerate() {
        while high - sorted[from] > width {
            from += 1;
        }
        if to + 1 - from > most {
            most = to + 1 - from;
            best = 0.5 * (sorted[from] + high);
        }
    }
    (best, most)
}

/// A line through each fired edge and the nearest seen one, twice: first within the window.
fn refine(
    fired: &[(f64, bool)],
    seen: &[(f64, bool)],
    offset: f64,
    width: f64,
) -> Result<Clock, Refusal> {
    let mut clock = Clock {
        at_0: offset,
        rate: 1.0,
        matched: 0,
        residual_s: 0.0,
    };
    for within in [width, 3.0 * AGREES_S, 2.0 * AGREES_S] {
        let mut line = Line::default();
        for &(at, on) in fired {
            let wanted = clock.capture_s(at);
            let k = seen.partition_point(|s| s.0 < wanted);
            let near = [k.wrapping_sub(1), k]
                .into_iter()
                .filter_map(|k| seen.get(k));
            let near = near
                .filter(|s| s.1 == on)
                .min_by(|a, b| (a.0 - wanted).abs().total_cmp(&(b.0 - wanted).abs()));
            if let Some(s) = near.filter(|s| (s.0 - wanted).abs() <= within) {
                line.push(at, s.0);
            }
        }
        let fit = line.fit().ok_or_else(not_found)?;
        clock = Clock {
            at_0: fit.a,
            rate: fit.b,
            matched: fit.n,
            residual_s: fit.residual_sd,
        };
    }
    Ok(clock)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Edges with irregular gaps: on for 30 ms, off for 50 to 150 ms by a multiplicative rule.
    fn pattern(n: usize) -> Vec<(f64, bool)> {
        let (mut at, mut x) = (0.4, 7u64);
        let mut out = Vec::new();
        for _ in 0..n {
            x = x
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            out.push((at, true));
            out.push((at + 0.03, false));
            at += 0.08 + 0.1 * (x >> 40) as f64 / (1u64 << 24) as f64;
        }
        out
    }

    #[test]
    fn a_pattern_is_found_with_offset_and_drift_and_missing_edges() {
        let fired = pattern(120);
        let mut seen: Vec<(f64, bool)> = fired
            .iter()
            .map(|&(t, on)| (12.5 + t * 1.00012, on))
            .collect();
        seen.drain(40..46);
        seen.insert(0, (1.0, false));
        let clock = recognise(&fired, &seen).expect("found");
        assert!(
            (clock.at_0 - 12.5).abs() < 1e-6 && (clock.rate - 1.00012).abs() < 1e-7,
            "{clock:?}"
        );
        assert_eq!(clock.matched, 234);
    }

    #[test]
    fn even_gaps_and_other_runs_are_refused() {
        let even: Vec<(f64, bool)> = (0..60).map(|k| (0.05 * f64::from(k), k % 2 == 0)).collect();
        let error = recognise(&even, &even).unwrap_err();
        assert!(error.what.contains("two places"), "{error}");
        let other: Vec<(f64, bool)> = pattern(90)
            .split_off(60)
            .iter()
            .map(|&(t, on)| (t * 1.3, on))
            .collect();
        let error = recognise(&pattern(30), &other).unwrap_err();
        assert!(error.what.contains("not found"), "{error}");
        assert!(
            recognise(&even[..3], &even)
                .unwrap_err()
                .what
                .contains("too few")
        );
    }
}
