//! What the judge says.

use super::across::Side;
use super::orders::OrdersKept;
use std::fmt;
use std::ops::Range;

/// Whether the run kept its tolerances.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Everything is within tolerance and the commands were well formed.
    Holds,
    /// Something is not; [`Report::reasons`] says what.
    Broken,
}

/// How the plants fared. `full + partial + missed == total`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Targets {
    /// Plants wholly inside the judged stretch and in reach of a nozzle.
    pub total: usize,
    /// Every needed nozzle gave its full dose over the whole plant.
    pub full: usize,
    /// Some needed nozzle sprayed some of the plant, but not all of it fully.
    pub partial: usize,
    /// No needed nozzle sprayed any of it.
    pub missed: usize,
}

/// Why a plant was missed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhyMissed {
    /// No detector reported it.
    NotSeen,
    /// The spray began behind it.
    Late,
    /// The spray ended before it.
    TooShort,
    /// Only nozzles that do not serve it sprayed there.
    Beside,
    /// It was seen and no command was given for it.
    Withheld,
    /// The controller refused it with a reason.
    Refused,
    /// A valve was told to open and never reached half flow.
    Valve,
    /// Some spray fell on it, but less than half of the flow.
    Dose,
}

/// How many plants were missed for each reason; they sum to the missed ones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MissedBy {
    /// No detector reported it.
    pub not_seen: usize,
    /// The spray began behind it.
    pub late: usize,
    /// The spray ended before it.
    pub too_short: usize,
    /// Only nozzles that do not serve it sprayed there.
    pub beside: usize,
    /// It was seen and no command was given for it.
    pub withheld: usize,
    /// The controller refused it with a reason.
    pub refused: usize,
    /// A valve was told to open and never reached half flow.
    pub valve: usize,
    /// Some spray fell on it, but less than half of the flow.
    pub dose: usize,
}

impl MissedBy {
    /// Counts one more.
    pub(crate) fn add(&mut self, why: WhyMissed) {
        let count = match why {
            WhyMissed::NotSeen => &mut self.not_seen,
            WhyMissed::Late => &mut self.late,
            WhyMissed::TooShort => &mut self.too_short,
            WhyMissed::Beside => &mut self.beside,
            WhyMissed::Withheld => &mut self.withheld,
            WhyMissed::Refused => &mut self.refused,
            WhyMissed::Valve => &mut self.valve,
            WhyMissed::Dose => &mut self.dose,
        };
        *count += 1;
    }

    /// All of them together.
    #[must_use]
    pub fn total(&self) -> usize {
        self.not_seen
            + self.late
            + self.too_short
            + self.beside
            + self.withheld
            + self.refused
            + self.valve
            + self.dose
    }
}

/// What became of one plant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Full dose everywhere.
    Full,
    /// Some spray.
    Partial,
    /// None, and why.
    Missed(WhyMissed),
    /// Not judged: not wholly inside the judged stretch, in no lane, or withheld on order.
    Outside,
}

/// Errors of one kind of edge, in metres. All 0 where there is none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ErrorStats {
    /// How many edges.
    pub n: usize,
    /// Mean, signed: positive is too late.
    pub mean: f64,
    /// Root of the mean square.
    pub rms: f64,
    /// Size that 99.9 % do not exceed, by nearest rank.
    pub p99_9: f64,
    /// Largest size.
    pub max: f64,
    /// The error of the largest size with its sign.
    pub worst: f64,
}

impl ErrorStats {
    /// Sums up signed errors in metres.
    #[must_use]
    pub fn of(errors: &[f64]) -> Self {
        let mut sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let (Some(&max), n) = (sizes.last(), sizes.len()) else {
            return Self::default();
        };
        let count = n as f64;
        // Nearest rank: the ceiling of n·0.999, in whole numbers because
        // 0.999 itself is not exact.
        let rank = (n * 999).div_ceil(1000).max(1);
        let worst = errors
            .iter()
            .copied()
            .fold(0.0, |w: f64, e| if e.abs() > w.abs() { e } else { w });
        Self {
            n,
            mean: errors.iter().sum::<f64>() / count,
            rms: (errors.iter().map(|e| e * e).sum::<f64>() / count).sqrt(),
            p99_9: sizes[rank - 1],
            max,
            worst,
        }
    }
}

/// Which end of a patch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EdgeKind {
    /// Where spraying begins.
    Start,
    /// Where spraying ends.
    Stop,
}

/// One end of one patch of one nozzle.
#[derive(Clone, Debug, PartialEq)]
pub struct Edge {
    /// Which nozzle.
    pub nozzle: usize,
    /// The plants of this patch, as a range of [`Report::served`].
    pub plants: Range<usize>,
    /// Where half flow should have come down, in metres along travel.
    pub wanted_x: f64,
    /// Where it did, in metres along travel.
    pub got_x: f64,
    /// Which end it is.
    pub kind: EdgeKind,
}

impl Edge {
    /// The error in metres; positive is too late.
    #[must_use]
    pub fn error(&self) -> f64 {
        self.got_x - self.wanted_x
    }
}

/// A fault in the list of commands itself.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Problem {
    /// A command names a nozzle that is not there; it is left out.
    UnknownNozzle {
        /// Which command, from 0.
        command: usize,
        /// The nozzle it names.
        nozzle: usize,
    },
    /// A command's time or shortfall is no number; it is left out.
    NotANumber {
        /// Which command, from 0.
        command: usize,
    },
    /// A nozzle's command is earlier than the one given out before it.
    Backwards {
        /// Which nozzle.
        nozzle: usize,
        /// When, in seconds.
        at_s: f64,
    },
    /// An open nozzle is told to open: a close was lost.
    OpenTwice {
        /// Which nozzle.
        nozzle: usize,
        /// When, in seconds.
        at_s: f64,
    },
    /// A closed nozzle is told to close.
    CloseTwice {
        /// Which nozzle.
        nozzle: usize,
        /// When, in seconds.
        at_s: f64,
    },
    /// A nozzle that is known to be faulty is told to open.
    FaultyOpened {
        /// Which nozzle.
        nozzle: usize,
        /// When, in seconds.
        at_s: f64,
    },
    /// A nozzle is open to the end of the run: its last close was lost.
    NeverClosed {
        /// Which nozzle.
        nozzle: usize,
        /// When it was opened, in seconds.
        at_s: f64,
    },
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::UnknownNozzle { command, nozzle } => {
                write!(
                    f,
                    "command {command} names nozzle {nozzle}, which is not there"
                )
            }
            Self::NotANumber { command } => {
                write!(
                    f,
                    "command {command} has a time or shortfall that is no finite number"
                )
            }
            Self::Backwards { nozzle, at_s } => {
                write!(
                    f,
                    "nozzle {nozzle}: command at {at_s:.6} s is earlier than the one before"
                )
            }
            Self::OpenTwice { nozzle, at_s } => {
                write!(
                    f,
                    "nozzle {nozzle}: opened at {at_s:.6} s while open, a close was lost"
                )
            }
            Self::CloseTwice { nozzle, at_s } => {
                write!(f, "nozzle {nozzle}: closed at {at_s:.6} s while closed")
            }
            Self::FaultyOpened { nozzle, at_s } => {
                write!(
                    f,
                    "nozzle {nozzle}: opened at {at_s:.6} s though it is faulty"
                )
            }
            Self::NeverClosed { nozzle, at_s } => {
                write!(f, "nozzle {nozzle}: opened at {at_s:.6} s and never closed")
            }
        }
    }
}

/// What the supply came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplyReport {
    /// The lowest pressure at the nozzles, in kPa.
    pub lowest_kpa: f64,
    /// The pressure at rest, in kPa.
    pub rest_kpa: f64,
    /// What all nozzles gave together, in litres.
    pub litres: f64,
    /// Most nozzles open at once, partly open ones by their share.
    pub most_open: f64,
}

/// The whole judgement.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// Whether the run kept its tolerances.
    pub verdict: Verdict,
    /// Why it did not; empty when it holds.
    pub reasons: Vec<String>,
    /// How the plants fared.
    pub targets: Targets,
    /// Plants that are not judged: not wholly inside the judged stretch, in no
    /// nozzle's lane, or withheld on order.
    pub outside: usize,
    /// Why plants were missed.
    pub missed_by: MissedBy,
    /// What became of each plant, in the order of the input.
    pub outcomes: Vec<Outcome>,
    /// Errors of where spraying began.
    pub start: ErrorStats,
    /// Errors of where spraying ended.
    pub stop: ErrorStats,
    /// Share of all edges within the tolerance; 1 where there is none.
    pub edges_within: f64,
    /// What the supply came to, where one was given.
    pub supply: Option<SupplyReport>,
    /// Sides of lone plants across travel, where the machine turns; else empty.
    pub sides: Vec<Side>,
    /// Sprayed share of the judged area, 0..=1.
    pub sprayed_fraction: f64,
    /// What spraying everything would have cost more: `1 - sprayed_fraction`.
    pub saving: f64,
    /// Patches that served more than one plant.
    pub merged: usize,
    /// How many commands were given.
    pub commands: usize,
    /// Every scored edge, nozzle by nozzle along travel.
    pub edges: Vec<Edge>,
    /// The plants of all patches one after another; [`Edge::plants`] is a
    /// range of it.
    pub served: Vec<usize>,
    /// For each nozzle the sprayed stretches (from, to) in metres along
    /// travel, at half flow, sorted and apart, not cut to the judged stretch.
    pub strips: Vec<Vec<(f64, f64)>>,
    /// Of the judged plants that are not full: those to which not even all healthy
    /// nozzles could have given their share. Fans only, as the next three.
    pub beyond_reach: usize,
    /// Of the judged plants that are not full: those over which too few nozzles sprayed,
    /// however right each was along travel.
    pub short_sets: usize,
    /// Plants that no other shared a spray with, so that their nozzles can be counted.
    pub sets_counted: usize,
    /// Nozzles opened over those beyond the fewest that would have done.
    pub nozzles_beyond_smallest: usize,
    /// Faults in the list of commands.
    pub problems: Vec<Problem>,
    /// How the operator's orders were kept; none where nothing was ordered.
    pub orders: Option<OrdersKept>,
    /// Length of the judged stretch in metres.
    pub ground_m: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statistics_by_hand() {
        let s = ErrorStats::of(&[0.003, -0.004, 0.0, 0.001]);
        assert_eq!(s.n, 4);
        assert!(s.mean.abs() < 1e-18);
        assert!((s.rms - (26.0e-6_f64 / 4.0).sqrt()).abs() < 1e-15);
        assert_eq!((s.p99_9, s.max, s.worst), (0.004, 0.004, -0.004));
        assert_eq!(ErrorStats::of(&[]), ErrorStats::default());
    }

    #[test]
    fn the_quantile_is_the_nearest_rank() {
        let upto = |n: u32| (1..=n).map(f64::from).collect::<Vec<f64>>();
        assert_eq!(ErrorStats::of(&upto(1000)).p99_9, 999.0);
        assert_eq!(ErrorStats::of(&upto(1001)).p99_9, 1000.0);
        assert_eq!(ErrorStats::of(&upto(2000)).p99_9, 1998.0);
        assert_eq!(ErrorStats::of(&upto(1)).p99_9, 1.0);
    }
}
