//! From causes of error to the share of plants that get their full dose, and back to the buffers.

use super::normal::{Table, quantile};
use super::product::Neighbours;

/// What a cause moves, and what it moves alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moves {
    /// All edges around a plant, alike: where the plant is believed to be.
    Plant,
    /// Both edges of one nozzle, alike.
    Nozzle,
    /// Where one nozzle begins.
    Start,
    /// Where one nozzle ends.
    Stop,
    /// Where it begins and where it ends, each for itself.
    Ends,
}

/// How a cause spreads.
#[derive(Clone, Debug, PartialEq)]
pub enum Spread {
    /// A normal distribution around 0: one standard deviation in metres.
    Normal(f64),
    /// A swing to and fro, met at any instant of it: how far to each side in metres, on as many
    /// nozzles as are listed.
    Swing(Vec<f64>),
}

impl Spread {
    /// One standard deviation in metres.
    #[must_use]
    pub fn sd(&self) -> f64 {
        match self {
            Self::Normal(sd) => *sd,
            // A sine's variance is half the square of its amplitude.
            Self::Swing(all) if !all.is_empty() => {
                (0.5 * all.iter().map(|a| a * a).sum::<f64>() / all.len() as f64).sqrt()
            }
            Self::Swing(_) => 0.0,
        }
    }

    /// The size that a careful person takes as the worst, in metres: `sds` standard deviations, or
    /// the widest swing.
    #[must_use]
    pub fn worst(&self, sds: f64) -> f64 {
        match self {
            Self::Normal(sd) => sds * sd,
            Self::Swing(all) => all.iter().fold(0.0, |w: f64, a| w.max(a.abs())),
        }
    }

    /// The same, `by` times as wide.
    #[must_use]
    pub fn scaled(&self, by: f64) -> Self {
        match self {
            Self::Normal(sd) => Self::Normal(sd * by),
            Self::Swing(all) => Self::Swing(all.iter().map(|a| a * by).collect()),
        }
    }
}

/// One cause of error at one speed.
#[derive(Clone, Debug, PartialEq)]
pub struct Cause {
    /// What it moves.
    pub moves: Moves,
    /// By how much.
    pub spread: Spread,
}

/// Buffers at one speed, metres of ground.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Buffers {
    /// Before a plant.
    pub lead: f64,
    /// Behind it.
    pub trail: f64,
}

impl Buffers {
    /// Both together.
    #[must_use]
    pub fn sum(self) -> f64 {
        self.lead + self.trail
    }
}

/// All causes at one speed, ready to be asked.
///
/// A plant is full when each of its nozzles begins no later than the lead allows and ends no
/// earlier than the trail allows. With `c` common to the plant, `n` to a nozzle, and `a`, `b` of
/// one edge, positive too late: `c + n + a ≤ lead` and `c + n + b ≥ −trail`, for all its nozzles.
/// With [`Neighbours`] an edge at which another plant's spray goes on can't fail.
#[derive(Clone, Debug)]
pub struct Errors {
    /// Where a plant's edges are moved alike: place in metres and share.
    plant: Vec<(f64, f64)>,
    /// The same of a nozzle.
    nozzle: Vec<(f64, f64)>,
    start_sd: f64,
    stop_sd: f64,
    sd: f64,
    /// How many nozzles a plant needs, and which share of plants does.
    lanes: Vec<(u32, f64)>,
    neighbours: Option<Neighbours>,
    table: Table,
}

/// The widest that a grid of places reaches, standard deviations.
const WIDE: f64 = 6.0;
/// Edges of their own are taken at least this part of all as wide, so that a grid is fine enough.
const LEAST_OWN: f64 = 0.05;
/// Places over half a swing.
const SWING: u32 = 90;

impl Errors {
    /// Sums up the causes; `lanes` tells how many nozzles a plant needs and for which share of
    /// plants.
    #[must_use]
    pub fn new(causes: &[Cause], lanes: &[(u32, f64)]) -> Self {
        let variance = |of: &[Moves]| -> f64 {
            let all = causes.iter().filter(|c| of.contains(&c.moves));
            all.map(|c| c.spread.sd().powi(2)).sum()
        };
        let normal = |of: Moves| -> f64 {
            let all = causes.iter().filter(|c| c.moves == of);
            let of = all.map(|c| match &c.spread {
                Spread::Normal(sd) => sd * sd,
                Spread::Swing(_) => 0.0,
            });
            of.sum::<f64>().sqrt()
        };
        let (start, stop) = (
            variance(&[Moves::Start, Moves::Ends]),
            variance(&[Moves::Stop, Moves::Ends]),
        );
        let shared = variance(&[Moves::Plant, Moves::Nozzle]);
        let sd = (shared + start.max(stop)).sqrt().max(1e-7);
        let own = |variance: f64| variance.sqrt().max(LEAST_OWN * sd);
        let swings = |of: Moves| {
            causes.iter().filter_map(move |c| match &c.spread {
                Spread::Swing(all) if c.moves == of && c.spread.sd() > 0.0 => Some(all.as_slice()),
                _ => None,
            })
        };
        Self {
            plant: places(normal(Moves::Plant), swings(Moves::Plant), sd),
            nozzle: places(normal(Moves::Nozzle), swings(Moves::Nozzle), sd),
            start_sd: own(start),
            stop_sd: own(stop),
            sd,
            lanes: lanes.to_vec(),
            neighbours: None,
            table: Table::new(),
        }
    }

    /// The same among other plants.
    #[must_use]
    pub fn among(self, neighbours: Neighbours) -> Self {
        Self {
            neighbours: Some(neighbours),
            ..self
        }
    }

    /// One standard deviation of an edge, in metres.
    #[must_use]
    pub fn sd(&self) -> f64 {
        self.sd
    }

    /// The share of plants that get their full dose, 0 to 1.
    #[must_use]
    pub fn hits(&self, buffers: Buffers) -> f64 {
        let joined = self.neighbours.map_or(0.0, |n| n.share(buffers));
        let edge = |room: f64, sd: f64| joined + (1.0 - joined) * self.table.below(room / sd);
        let one = |c: f64| -> f64 {
            let all = self.nozzle.iter().map(|&(n, share)| {
                share
                    * edge(buffers.lead - c - n, self.start_sd)
                    * edge(buffers.trail + c + n, self.stop_sd)
            });
            all.sum()
        };
        let mut hits = 0.0;
        for &(c, share) in &self.plant {
            let one = one(c);
            let lanes = self
                .lanes
                .iter()
                .map(|&(n, part)| part * one.powi(n as i32));
            hits += share * lanes.sum::<f64>();
        }
        hits
    }

    /// The buffers with the smallest sum that reach `wanted`, above 0 and below 1; none where 20
    /// standard deviations do not, or the wanted share is out of range.
    #[must_use]
    pub fn smallest(&self, wanted: f64) -> Option<Buffers> {
        if !(wanted > 0.0 && wanted < 1.0) {
            return None;
        }
        let most = 20.0 * self.sd;
        let trail_for = |lead: f64| -> Option<f64> {
            let reaches = |trail: f64| self.hits(Buffers { lead, trail }) >= wanted;
            if !reaches(most) {
                return None;
            }
            if reaches(0.0) {
                return Some(0.0);
            }
            let (mut low, mut high) = (0.0, most);
            for _ in 0..18 {
                let middle = 0.5 * (low + high);
                if reaches(middle) {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            Some(high)
        };
        // The least lead at all, with the longest trail.
        let (mut low, mut high) = (0.0, most);
        trail_for(high)?;
        if trail_for(low).is_none() {
            for _ in 0..18 {
                let middle = 0.5 * (low + high);
                if trail_for(middle).is_some() {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            low = high;
        }
        high = most;
        let sum = |lead: f64| trail_for(lead).map_or(f64::INFINITY, |trail| lead + trail);
        // Golden section: the sum falls, then rises.
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
        let (mut at_a, mut at_b) = (sum(a), sum(b));
        for _ in 0..14 {
            if at_a <= at_b {
                (high, b, at_b) = (b, a, at_a);
                a = high - golden * (high - low);
                at_a = sum(a);
            } else {
                (low, a, at_a) = (a, b, at_b);
                b = low + golden * (high - low);
                at_b = sum(b);
            }
        }
        let lead = if at_a <= at_b { a } else { b };
        trail_for(lead).map(|trail| Buffers { lead, trail })
    }
}

/// The share of plants over which every nozzle opens that they need, where their place across is
/// told off by `sd` metres (one standard deviation of a normal error), the spray is widened by
/// `margin` to each side, and lanes are `lane` wide: a border lies anywhere, so one in
/// `E[max(|e| − margin, 0)] / lane` is on the wrong side of one. Closed form:
/// `2·(σ·φ(m/σ) − m·(1 − Φ(m/σ)))`.
#[must_use]
pub fn across(sd: f64, margin: f64, lane: f64) -> f64 {
    if sd <= 0.0 || lane <= 0.0 {
        return 1.0;
    }
    let z = margin / sd;
    let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
    let beyond = 2.0 * (sd * density - margin * (1.0 - super::normal::below(z)));
    (1.0 - beyond.max(0.0) / lane).clamp(0.0, 1.0)
}

/// What one who adds up the worst of every cause would take: each at the size that alone is
/// exceeded, to its side, by half of what may be missed.
#[must_use]
pub fn worst_case(causes: &[Cause], wanted: f64) -> Buffers {
    let sds = quantile(1.0 - 0.5 * (1.0 - wanted));
    let mut sum = Buffers::default();
    for cause in causes {
        let worst = cause.spread.worst(sds);
        if cause.moves != Moves::Stop {
            sum.lead += worst;
        }
        if cause.moves != Moves::Start {
            sum.trail += worst;
        }
    }
    sum
}

/// The places of a normal spread and swings added up, with their shares.
fn places<'a>(normal: f64, swings: impl Iterator<Item = &'a [f64]>, all: f64) -> Vec<(f64, f64)> {
    let swings: Vec<&[f64]> = swings.collect();
    let widest: f64 = swings
        .iter()
        .map(|s| s.iter().fold(0.0, |w: f64, a| w.max(a.abs())))
        .sum();
    if normal < 1e-3 * all && widest < 1e-3 * all {
        return vec![(0.0, 1.0)];
    }
    let step = if normal < 1e-3 * all {
        all / 20.0
    } else {
        (all / 20.0).min(normal / 2.0)
    };
    let reach = ((WIDE * normal + widest) / step).ceil() as i64 + 1;
    let mut grid = vec![0.0; (2 * reach + 1) as usize];
    let at = |place: f64| ((place / step).round() as i64 + reach) as usize;
    grid[at(0.0)] = 1.0;
    for swing in swings {
        let mut next = vec![0.0; grid.len()];
        let each = 1.0 / (swing.len() as f64 * f64::from(SWING));
        for (index, share) in grid.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            let place = (index as i64 - reach) as f64 * step;
            for amplitude in swing {
                for i in 0..SWING {
                    let phase = (f64::from(i) + 0.5) / f64::from(SWING) * std::f64::consts::PI;
                    let to = place + amplitude * phase.cos();
                    // Shared between two places, so that the mean stays.
                    let low = (to / step).floor();
                    let part = to / step - low;
                    let low = (low as i64 + reach) as usize;
                    for (index, part) in [(low, 1.0 - part), (low + 1, part)] {
                        if let Some(cell) = next.get_mut(index) {
                            *cell += share * each * part;
                        }
                    }
                }
            }
        }
        grid = next;
    }
    if normal >= 1e-3 * all {
        let half = (WIDE * normal / step).ceil() as i64;
        let mut kernel: Vec<f64> = (-half..=half)
            .map(|i| (-0.5 * (i as f64 * step / normal).powi(2)).exp())
            .collect();
        let sum: f64 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let mut next = vec![0.0; grid.len()];
        for (index, share) in grid.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            for (k, part) in kernel.iter().enumerate() {
                let to = index as i64 + k as i64 - half;
                if let Some(cell) = usize::try_from(to).ok().and_then(|i| next.get_mut(i)) {
                    *cell += share * part;
                }
            }
        }
        grid = next;
    }
    let sum: f64 = grid.iter().sum();
    grid.iter()
        .enumerate()
        .filter(|(_, share)| **share > 1e-9 * sum)
        .map(|(index, share)| ((index as i64 - reach) as f64 * step, share / sum))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::buffers::normal::below;

    const ONE: &[(u32, f64)] = &[(1, 1.0)];

    fn cause(moves: Moves, sd: f64) -> Cause {
        Cause {
            moves,
            spread: Spread::Normal(sd),
        }
    }

    #[test]
    fn a_normal_shift_has_its_closed_form() {
        // Both edges shifted alike by s: full while -trail <= s <= lead, so Φ(lead/σ) − Φ(−trail/σ).
        let errors = Errors::new(&[cause(Moves::Plant, 0.010)], ONE);
        for (lead, trail) in [(0.01, 0.01), (0.02, 0.005), (0.026, 0.026), (0.0, 0.03)] {
            let closed = below(lead / 0.010) - below(-trail / 0.010);
            let got = errors.hits(Buffers { lead, trail });
            assert!(
                (got - closed).abs() < 1e-3,
                "{lead} {trail}: {got} {closed}"
            );
        }
    }

    #[test]
    fn normal_edges_for_themselves_have_their_closed_form() {
        // Each edge for itself: Φ(lead/σ)·Φ(trail/σ), and for two nozzles its square.
        let causes = [cause(Moves::Ends, 0.010), cause(Moves::Start, 0.024)];
        for (lanes, power) in [(1, 1), (2, 2)] {
            let errors = Errors::new(&causes, &[(lanes, 1.0)]);
            for (lead, trail) in [(0.03, 0.01), (0.052, 0.02)] {
                let closed = (below(lead / 0.026) * below(trail / 0.010)).powi(power);
                let got = errors.hits(Buffers { lead, trail });
                assert!((got - closed).abs() < 1e-5, "{got} {closed}");
            }
        }
    }

    #[test]
    fn the_smallest_buffers_reach_what_is_wanted_and_no_more() {
        let causes = [
            cause(Moves::Plant, 0.008),
            cause(Moves::Nozzle, 0.003),
            cause(Moves::Start, 0.010),
            cause(Moves::Ends, 0.004),
        ];
        let errors = Errors::new(&causes, &[(1, 0.8), (2, 0.2)]);
        for wanted in [0.5, 0.9, 0.99, 0.999] {
            let best = errors.smallest(wanted).expect("reached");
            assert!((errors.hits(best) - wanted).abs() < 2e-4, "{wanted}");
            // The start strays more, so it gets more, unless half of all may be missed.
            assert!(best.lead > best.trail || wanted < 0.9, "{best:?}");
            for shift in [-0.002, 0.002] {
                let other = Buffers {
                    lead: best.lead + shift,
                    trail: best.trail - shift,
                };
                assert!(errors.hits(other) < wanted + 5e-5, "{wanted} {shift}");
            }
        }
        assert_eq!(errors.smallest(1.0), None);
        assert_eq!(errors.smallest(f64::NAN), None);
    }

    #[test]
    fn an_edge_in_a_neighbours_spray_cannot_fail() {
        use crate::buffers::Spots;
        let buffers = Buffers {
            lead: 0.02,
            trail: 0.01,
        };
        // Half of the edges: 1 − exp(−λ·L) with λ = 2/m and L = 0.3 + 0.03 + 0.016574 m.
        let neighbours = Neighbours {
            spots: Spots {
                per_m: 2.0,
                bare_m: 0.3,
            },
            bridged_m: 0.5 * 2.0_f64.ln() - 0.33,
            k: None,
        };
        let causes = [cause(Moves::Ends, 0.010)];
        let alone = Errors::new(&causes, ONE);
        let among = alone.clone().among(neighbours);
        let edge = |sds: f64| 0.5 + 0.5 * below(sds);
        let got = among.hits(buffers);
        assert!((got - edge(2.0) * edge(1.0)).abs() < 1e-5, "{got}");
        // So less is needed for as many hits.
        let less = among.smallest(0.95).expect("reached").sum();
        assert!(less < 0.9 * alone.smallest(0.95).expect("reached").sum());
    }

    #[test]
    fn a_swing_is_out_for_as_long_as_a_sine_is() {
        // A sine stays below half of its height for two thirds of the time: arcsine law.
        let swing = Cause {
            moves: Moves::Plant,
            spread: Spread::Swing(vec![0.04]),
        };
        let errors = Errors::new(std::slice::from_ref(&swing), ONE);
        let got = errors.hits(Buffers {
            lead: 0.02,
            trail: 1.0,
        });
        assert!((got - 2.0 / 3.0).abs() < 0.01, "{got}");
        assert!((swing.spread.sd() - 0.04 / 2.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn causes_that_are_drawn_give_what_is_worked_out() {
        use rand::{RngExt, SeedableRng};
        use rand_distr::{Distribution, Normal};
        let causes = [
            cause(Moves::Plant, 0.009),
            Cause {
                moves: Moves::Plant,
                spread: Spread::Swing(vec![0.005, 0.02]),
            },
            cause(Moves::Nozzle, 0.006),
            cause(Moves::Start, 0.004),
            cause(Moves::Stop, 0.007),
        ];
        let errors = Errors::new(&causes, &[(2, 1.0)]);
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(5);
        let mut draw = |sd: f64| Normal::new(0.0, sd).expect("an sd").sample(&mut rng);
        let buffers = Buffers {
            lead: 0.022,
            trail: 0.019,
        };
        let mut phases = rand_pcg::Pcg64Mcg::seed_from_u64(6);
        let n = 100_000;
        let hits = (0..n)
            .filter(|i| {
                let turn = std::f64::consts::TAU * phases.random::<f64>();
                let swing = if i % 2 == 0 { 0.005 } else { 0.02 } * turn.sin();
                let plant = draw(0.009) + swing;
                (0..2).all(|_| {
                    let both = plant + draw(0.006);
                    both + draw(0.004) <= buffers.lead && both + draw(0.007) >= -buffers.trail
                })
            })
            .count();
        let share = hits as f64 / f64::from(n);
        let worked = errors.hits(buffers);
        assert!((share - worked).abs() < 0.005, "{share} {worked}");
    }

    #[test]
    fn an_error_across_costs_its_mean_size_of_a_lane() {
        // Without a margin the mean size of a normal number: σ·√(2/π).
        let got = 1.0 - across(0.02, 0.0, 0.5);
        assert!((got - 0.02 * (2.0 / std::f64::consts::PI).sqrt() / 0.5).abs() < 1e-12);
        // With one of one σ: 2·(φ(1) − (1 − Φ(1))) = 2·(0.241971 − 0.158655) of σ (Abramowitz and
        // Stegun, Table 26.1).
        let got = 1.0 - across(0.02, 0.02, 0.5);
        assert!((got - 2.0 * 0.083_316 * 0.02 / 0.5).abs() < 1e-7, "{got}");
        assert_eq!((across(0.0, 0.0, 0.5), across(0.01, 1.0, 0.5)), (1.0, 1.0));
    }

    #[test]
    fn the_worst_case_adds_what_the_square_root_does_not() {
        let causes = [cause(Moves::Plant, 0.003), cause(Moves::Start, 0.004)];
        let worst = worst_case(&causes, 0.99);
        // 2.5758 is the 99.5 % point (Abramowitz and Stegun, Table 26.5).
        assert!((worst.lead - 2.575_829 * 0.007).abs() < 1e-7);
        assert!((worst.trail - 2.575_829 * 0.003).abs() < 1e-7);
    }
}
