//! From causes of error to the share of plants that get their full dose, and back to the buffers.

use super::edges::{Room, Sums};
use super::normal::{Table, quantile};
use super::places::places;
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
    /// Where all nozzles over a plant begin, alike.
    AllStarts,
    /// Where all of them end, alike.
    AllStops,
    /// Where all of them begin, alike, and where all end, alike, the two for themselves.
    AllEnds,
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
/// earlier than the trail allows. With `c` common to the plant, `a`, `b` to all nozzles at an edge,
/// and `n` and `p`, `q` one nozzle's own, positive too late: `c + a + n + p ≤ lead` and
/// `c + b + n + q ≥ −trail`, for all its nozzles. Where there are several, `n` is taken for each edge
/// apart. Where doses are summed, their sum is to be what is wanted instead ([`Sums`]). With
/// [`Neighbours`] an edge at which another plant's spray goes on can't fail.
#[derive(Clone, Debug)]
pub struct Errors {
    /// Where a plant's edges are moved alike, and those of its only nozzle: place in metres, share.
    alone: Vec<(f64, f64)>,
    /// Where a plant's edges are moved alike.
    plant: Vec<(f64, f64)>,
    /// Of one nozzle's starts, all that is not in `alone`, in metres, and of its stops.
    start_sd: f64,
    stop_sd: f64,
    sd: f64,
    /// The share of plants that one nozzle serves.
    by_one: f64,
    /// The others.
    by_several: Vec<Several>,
    neighbours: Option<Neighbours>,
    table: Table,
}

/// Plants that several nozzles serve together.
#[derive(Clone, Debug)]
struct Several {
    share: f64,
    start: Room,
    stop: Room,
}

/// Edges of their own are taken at least this part of all as wide, so that a grid is fine enough.
const LEAST_OWN: f64 = 0.05;

impl Errors {
    /// Sums up the causes; `lanes` tells how many nozzles a plant needs and for which share of
    /// plants.
    #[must_use]
    pub fn new(causes: &[Cause], lanes: &[(u32, f64)]) -> Self {
        let table = Table::new();
        let (start, stop) = (Edge::START, Edge::STOP);
        let several = lanes.iter().filter(|lane| lane.0 != 1 && lane.1 > 0.0);
        let by_several = several
            .map(|&(nozzles, share)| {
                let room = |edge: Edge| {
                    let (own, alike) = edge.spread(causes);
                    Room::of_all(nozzles, own, alike, &table)
                };
                Several {
                    share,
                    start: room(start),
                    stop: room(stop),
                }
            })
            .collect();
        let one = lanes.iter().filter(|lane| lane.0 == 1).map(|lane| lane.1);
        Self::with(causes, one.sum(), by_several, table)
    }

    /// The same where doses are summed.
    #[must_use]
    pub fn summed(causes: &[Cause], sums: &Sums) -> Self {
        let table = Table::new();
        let room = |edge: Edge, ramp: f64| Room::of_sums(sums, ramp, edge.spread(causes), &table);
        let all = Several {
            share: 1.0,
            start: room(Edge::START, sums.ramps_m.0),
            stop: room(Edge::STOP, sums.ramps_m.1),
        };
        Self::with(causes, 0.0, vec![all], table)
    }

    fn with(causes: &[Cause], by_one: f64, by_several: Vec<Several>, table: Table) -> Self {
        let normal = |of: &[Moves]| -> f64 {
            let all = causes.iter().filter(|c| of.contains(&c.moves));
            let of = all.map(|c| match &c.spread {
                Spread::Normal(sd) => sd * sd,
                Spread::Swing(_) => 0.0,
            });
            of.sum::<f64>().sqrt()
        };
        let swings = |of: &'static [Moves]| {
            causes.iter().filter_map(move |c| match &c.spread {
                Spread::Swing(all) if of.contains(&c.moves) && c.spread.sd() > 0.0 => {
                    Some(all.as_slice())
                }
                _ => None,
            })
        };
        const PLANT: &[Moves] = &[Moves::Plant];
        const ALONE: &[Moves] = &[Moves::Plant, Moves::Nozzle];
        let sd = whole_sd(causes);
        let own = |edge: Edge| {
            let all = variance(causes, &[edge.own, edge.alike].concat());
            all.sqrt().max(LEAST_OWN * sd)
        };
        Self {
            alone: places(normal(ALONE), swings(ALONE), sd),
            plant: places(normal(PLANT), swings(PLANT), sd),
            start_sd: own(Edge::START),
            stop_sd: own(Edge::STOP),
            sd,
            by_one,
            by_several,
            neighbours: None,
            table,
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
        let edge = |holds: f64| joined + (1.0 - joined) * holds;
        let mut hits = 0.0;
        if self.by_one > 0.0 {
            for &(c, share) in &self.alone {
                let start = self.table.below((buffers.lead - c) / self.start_sd);
                let stop = self.table.below((buffers.trail + c) / self.stop_sd);
                hits += self.by_one * share * edge(start) * edge(stop);
            }
        }
        for several in &self.by_several {
            for &(c, share) in &self.plant {
                let start = several.start.enough(buffers.lead - c);
                let stop = several.stop.enough(buffers.trail + c);
                hits += several.share * share * edge(start) * edge(stop);
            }
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

/// One of a plant's two edges.
#[derive(Clone, Copy)]
struct Edge {
    /// What moves it for one nozzle, and not its other edge.
    own: &'static [Moves],
    /// What moves it for all.
    alike: &'static [Moves],
}

impl Edge {
    const START: Self = Self {
        own: &[Moves::Start, Moves::Ends],
        alike: &[Moves::AllStarts, Moves::AllEnds],
    };
    const STOP: Self = Self {
        own: &[Moves::Stop, Moves::Ends],
        alike: &[Moves::AllStops, Moves::AllEnds],
    };

    /// One standard deviation of what is one nozzle's of several, and of what is alike for them.
    fn spread(self, causes: &[Cause]) -> (f64, f64) {
        let own = variance(causes, self.own) + variance(causes, &[Moves::Nozzle]);
        let least = LEAST_OWN * whole_sd(causes);
        (own.sqrt().max(least), variance(causes, self.alike).sqrt())
    }
}

fn variance(causes: &[Cause], of: &[Moves]) -> f64 {
    let all = causes.iter().filter(|c| of.contains(&c.moves));
    all.map(|c| c.spread.sd().powi(2)).sum()
}

/// One standard deviation of an edge, the wider of the two, never nothing.
fn whole_sd(causes: &[Cause]) -> f64 {
    let shared = variance(causes, &[Moves::Plant, Moves::Nozzle]);
    let edge = |edge: Edge| variance(causes, edge.own) + variance(causes, edge.alike);
    let own = edge(Edge::START).max(edge(Edge::STOP));
    (shared + own).sqrt().max(1e-7)
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
        if !matches!(cause.moves, Moves::Stop | Moves::AllStops) {
            sum.lead += worst;
        }
        if !matches!(cause.moves, Moves::Start | Moves::AllStarts) {
            sum.trail += worst;
        }
    }
    sum
}
