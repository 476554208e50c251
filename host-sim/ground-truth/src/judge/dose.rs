//! The dose of one plant where fans are summed: every nozzle that reaches it, across by
//! its pattern and along by the share of full flow that fell there.
//!
//! Along travel a nozzle gives a point the least flow of the time that the fan's
//! thickness takes to pass it. Between the places where a pattern or a flow bends a dose
//! is a straight line, so those places, the plant's edges and the middles between are
//! looked at. With twisted fans, or where the footprint under way is a bow, the two directions
//! mix; four points more a piece across are then looked at. A bow is as deep as the speed is with
//! which the nozzle comes by the plant.
//!
//! Where the machine turns, every nozzle meets the plant at a place and extent of its own
//! way: a point of the plant lies on each at the same part of that extent.

use super::fan::{SLIVER, TrueFan};
use super::input::JudgeInput;
use super::spray::{Sprayed, overlapping};
use crate::Plant;

/// A dose may fall this short of the wanted share.
const DOSE_TOLERANCE: f64 = 1e-6;
/// A full dose may fall this short of an edge, in metres.
const EDGE_TOLERANCE: f64 = 1e-6;
/// A nozzle that adds less than this share anywhere was not needed there.
const COUNTS: f64 = 1e-3;
/// What a controller in sixteenths of a millimetre can't tell, in metres and as a share.
const GRAZE: f64 = 0.5e-3;
const SHARE_GRAZE: f64 = 2e-3;

/// The boom's fans, ready to be asked.
pub(super) struct Fans<'a> {
    pub fan: TrueFan,
    input: &'a JudgeInput<'a>,
    sprayed: &'a [Sprayed],
    /// Mounts across and their nozzles, from left to right.
    mounts: Vec<(f64, usize)>,
    /// Ground that the boom is answerable for.
    ground: (f64, f64),
}

/// What a plant got.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Dose {
    /// Every point got the wanted share.
    pub full: bool,
    /// Some point got at least half of it.
    pub some: bool,
    /// Even had every nozzle that sprayed there been right along travel: too few did.
    pub short_set: bool,
    /// Not even all healthy nozzles could have given every point its share.
    pub beyond_reach: bool,
}

/// A nozzle that sprayed close to a plant, and where it meets it on its own way.
#[derive(Clone, Copy, Debug)]
struct Wet {
    mount: f64,
    nozzle: usize,
    /// The plant's ends there, in metres.
    ends: (f64, f64),
    /// The nozzle's speed there, in metres a second.
    speed: f64,
}

/// What the plant's length is for all nozzles, and where each has it.
#[derive(Clone, Copy, Debug)]
struct Along {
    near: f64,
    far: f64,
}

impl Along {
    /// From the plant's own line to a nozzle's way.
    fn to(self, ends: (f64, f64), x: f64) -> f64 {
        self.scaled(x, (self.near, self.far), ends)
    }

    /// And back.
    fn from(self, ends: (f64, f64), x: f64) -> f64 {
        self.scaled(x, ends, (self.near, self.far))
    }

    /// On straight ground both are one, to the last digit.
    fn scaled(self, x: f64, from: (f64, f64), to: (f64, f64)) -> f64 {
        let length = from.1 - from.0;
        if from == to {
            x
        } else if length > 0.0 {
            to.0 + (x - from.0) * (to.1 - to.0) / length
        } else {
            to.0 + (x - from.0)
        }
    }
}

/// The nozzles that had to do with a plant.
#[derive(Clone, Debug, Default)]
pub(super) struct Over {
    /// Reach it or its margin, or miss that by a hair.
    pub reach: Vec<usize>,
    /// Of those, the ones that sprayed over some of it.
    pub sprayed: Vec<usize>,
    /// Of those, the ones without which some point would have got less of its share.
    pub needed: Vec<usize>,
}

impl<'a> Fans<'a> {
    pub fn new(input: &'a JudgeInput<'a>, fan: TrueFan, sprayed: &'a [Sprayed]) -> Self {
        let lanes = input.nozzles.iter();
        let mut mounts: Vec<(f64, usize)> = lanes.clone().map(|n| n.y).zip(0..).collect();
        mounts.sort_by(|a, b| a.0.total_cmp(&b.0));
        let left = lanes.clone().map(|n| n.y - 0.5 * n.lane_width_m);
        let right = lanes.map(|n| n.y + 0.5 * n.lane_width_m);
        Self {
            fan,
            input,
            sprayed,
            mounts,
            ground: (
                left.fold(f64::INFINITY, f64::min),
                right.fold(f64::NEG_INFINITY, f64::max),
            ),
        }
    }

    /// The plant's extent across on the boom's ground, wider by `margin`; none where it
    /// lies wholly beside.
    pub fn across(&self, plant: &Plant, margin: f64) -> Option<(f64, f64)> {
        let half = 0.5 * plant.width + margin;
        let left = (plant.y - half).max(self.ground.0);
        let right = (plant.y + half).min(self.ground.1);
        (left < right || (plant.width + margin == 0.0 && left == right)).then_some((left, right))
    }

    /// The nozzles whose spray falls somewhere between, with their mounts.
    fn reaching(&self, (left, right): (f64, f64)) -> &[(f64, usize)] {
        let half = self.fan.half_width_m;
        let first = self.mounts.partition_point(|m| m.0 + half <= left);
        let end = self.mounts.partition_point(|m| m.0 - half < right);
        &self.mounts[first..end.max(first)]
    }

    pub fn over(&self, index: usize) -> Over {
        let margin = self.input.patch.lateral_margin_m;
        let abreast = self.input.abreast(index);
        let Some(across) = abreast.and_then(|plant| self.across(&plant, margin)) else {
            return Over::default();
        };
        // A nozzle that all but reaches the margin may spray for it or not.
        let reach = self.reaching((across.0 - GRAZE, across.1 + GRAZE));
        let sprayed: Vec<(f64, usize)> = reach
            .iter()
            .copied()
            .filter(|&(_, n)| {
                let strips = &self.sprayed[n].strips;
                let met = self.input.met(index, n);
                met.is_some_and(|p| overlapping(strips, p.near(), p.far()).is_some())
            })
            .collect();
        let mounts: Vec<f64> = sprayed.iter().map(|m| m.0).collect();
        let wanted = self.fan.wanted_share;
        let points = self.fan.points(&mounts, across.0, across.1);
        let needed = sprayed
            .iter()
            .filter(|m| {
                points.iter().any(|&y| {
                    let all = self.fan.total(&mounts, y);
                    let without = all - self.fan.share(y - m.0);
                    all.min(wanted) - without.min(wanted) > COUNTS
                })
            })
            .map(|m| m.1)
            .collect();
        Over {
            reach: reach.iter().map(|m| m.1).collect(),
            sprayed: sprayed.iter().map(|m| m.1).collect(),
            needed,
        }
    }

    /// What a plant got that lies at least in part on the boom's ground.
    pub fn dose(&self, index: usize) -> Dose {
        let Some(plant) = self.input.abreast(index) else {
            return Dose::default();
        };
        let Some(across) = self.across(&plant, 0.0) else {
            return Dose::default();
        };
        let along = Along {
            near: plant.near(),
            far: plant.far(),
        };
        let wanted = self.fan.wanted_share - DOSE_TOLERANCE;
        let reach = self.reaching(across);
        let healthy: Vec<f64> = reach
            .iter()
            .filter(|m| !self.input.faulty.contains(&m.1))
            .map(|m| m.0)
            .collect();
        let beyond_reach = self.fan.worst(&healthy, across.0, across.1) < wanted;
        let wet: Vec<Wet> = reach
            .iter()
            .filter_map(|&(mount, nozzle)| {
                let met = self.input.met(index, nozzle)?;
                let ends = (met.near(), met.far());
                overlapping(&self.sprayed[nozzle].wet, ends.0, ends.1).map(|_| Wet {
                    mount,
                    nozzle,
                    ends,
                    speed: self.speed(nozzle, 0.5 * (ends.0 + ends.1)),
                })
            })
            .collect();
        // Most plants lie wholly in the full dose of all that sprayed there.
        let right: Vec<f64> = wet
            .iter()
            .filter(|m| {
                let throw_s = self.input.nozzles[m.nozzle].throw_s;
                let shift = self.fan.forward_most(throw_s, m.speed);
                let full = &self.sprayed[m.nozzle].full;
                covers(full, m.ends.0 - shift, m.ends.1 + shift)
            })
            .map(|m| m.mount)
            .collect();
        let worst = self.fan.worst(&right, across.0, across.1);
        if worst >= wanted {
            return Dose {
                full: true,
                some: true,
                short_set: false,
                beyond_reach,
            };
        }
        let mounts: Vec<f64> = wet.iter().map(|m| m.mount).collect();
        let (least, most) = self.extremes(&wet, across, along);
        Dose {
            full: least >= wanted,
            some: most >= 0.5 * self.fan.wanted_share - DOSE_TOLERANCE,
            short_set: !mounts.is_empty() && self.fan.worst(&mounts, across.0, across.1) < wanted,
            beyond_reach,
        }
    }

    /// How fast a nozzle is where its own way is at `x`; nothing where only a bow would ask.
    fn speed(&self, nozzle: usize, x: f64) -> f64 {
        if self.fan.bow_height_m <= 0.0 {
            return 0.0;
        }
        let way = self.input.way(nozzle);
        way.time_at(x).map_or(0.0, |t| way.speed(t))
    }

    /// The least and the most that some point of the plant got.
    fn extremes(&self, wet: &[Wet], across: (f64, f64), along: Along) -> (f64, f64) {
        let Along { near, far } = along;
        let mounts: Vec<f64> = wet.iter().map(|m| m.mount).collect();
        let mut ys = self.fan.points(&mounts, across.0, across.1);
        if self.fan.twist != 0.0 || self.fan.bow_height_m > 0.0 {
            ys.sort_by(f64::total_cmp);
            let finer: Vec<f64> = ys
                .windows(2)
                .flat_map(|w| [0.2, 0.4, 0.6, 0.8].map(|part| w[0] + part * (w[1] - w[0])))
                .collect();
            ys.extend(finer);
        }
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for y in ys {
            let shift = |m: &Wet| {
                let throw_s = self.input.nozzles[m.nozzle].throw_s;
                self.fan.forward(y - m.mount, throw_s, m.speed)
            };
            let mut xs: Vec<f64> = wet
                .iter()
                .flat_map(|m| {
                    let half = 0.5 * self.input.nozzles[m.nozzle].thickness_m;
                    let s = &self.sprayed[m.nozzle];
                    let full = s.full.iter().flat_map(|f| [f.0, f.1]);
                    let bends = s.profile.iter().flat_map(move |p| [p.0 - half, p.0 + half]);
                    let shift = shift(m);
                    full.chain(bends)
                        .map(move |x| along.from(m.ends, x + shift))
                })
                .filter(|x| near < *x && *x < far)
                .chain([near, far])
                .collect();
            xs.sort_by(f64::total_cmp);
            let middles: Vec<f64> = xs.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect();
            for x in xs.into_iter().chain(middles) {
                let dose: f64 = wet
                    .iter()
                    .map(|m| {
                        let own = along.to(m.ends, x) - shift(m);
                        self.fan.share(y - m.mount) * self.along(m.nozzle, own)
                    })
                    .sum();
                least = least.min(dose);
                most = most.max(dose);
            }
        }
        (least, most)
    }

    /// Share of full flow that nozzle `n` gave at `x`, 0..=1.
    fn along(&self, n: usize, x: f64) -> f64 {
        let s = &self.sprayed[n];
        if covers(&s.full, x, x) {
            return 1.0;
        }
        let half = 0.5 * self.input.nozzles[n].thickness_m;
        let first = s.profile.partition_point(|p| p.0 < x - half);
        let within = s.profile[first..].iter().take_while(|p| p.0 <= x + half);
        let ends = level(&s.profile, x - half).min(level(&s.profile, x + half));
        within.map(|p| p.1).fold(ends, f64::min)
    }

    /// Counts the nozzles of every plant that shared no spray with another: how many such
    /// plants, and how many nozzles beyond the fewest that would have done.
    pub fn count_sets(&self, overs: &[Over]) -> (usize, usize) {
        // For each strip of each nozzle, the plants that it lies over.
        let mut shared: Vec<Vec<usize>> = self
            .sprayed
            .iter()
            .map(|s| vec![0; s.strips.len()])
            .collect();
        let strip = |index: usize, n: usize| {
            let strips = &self.sprayed[n].strips;
            let met = self.input.met(index, n)?;
            Some((strips.partition_point(|s| s.1 <= met.near()), met.far()))
        };
        for (index, over) in overs.iter().enumerate() {
            for &n in &over.sprayed {
                let Some((first, far)) = strip(index, n) else {
                    continue;
                };
                let strips = self.sprayed[n].strips.iter().enumerate().skip(first);
                for (i, _) in strips.take_while(|(_, s)| s.0 < far) {
                    shared[n][i] += 1;
                }
            }
        }
        let mut sum = (0, 0);
        for (index, over) in overs.iter().enumerate() {
            let alone = over
                .sprayed
                .iter()
                .all(|&n| strip(index, n).is_some_and(|(first, _)| shared[n][first] == 1));
            if over.sprayed.is_empty() || !alone {
                continue;
            }
            if let Some(beyond) = self.beyond_smallest(index, &over.sprayed) {
                sum.0 += 1;
                sum.1 += beyond;
            }
        }
        sum
    }

    /// How many nozzles more than the fewest were opened over a plant by `set`; none
    /// where too many reach it to try them all.
    fn beyond_smallest(&self, index: usize, set: &[usize]) -> Option<usize> {
        let margin = self.input.patch.lateral_margin_m + GRAZE + SLIVER;
        let across = self.across(&self.input.abreast(index)?, margin)?;
        let mounts: Vec<f64> = self
            .reaching(across)
            .iter()
            .filter(|m| !self.input.faulty.contains(&m.1))
            .map(|m| m.0)
            .collect();
        let fan = TrueFan {
            wanted_share: self.fan.wanted_share + SHARE_GRAZE,
            ..self.fan
        };
        let smallest = fan.smallest(&mounts, across.0, across.1)?;
        Some(set.len().saturating_sub(smallest.set.len()))
    }
}

/// Whether one of sorted, separate intervals holds all from `near` to `far`.
fn covers(list: &[(f64, f64)], near: f64, far: f64) -> bool {
    let next = list.partition_point(|i| i.1 < far - EDGE_TOLERANCE);
    list.get(next).is_some_and(|i| i.0 <= near + EDGE_TOLERANCE)
}

/// Level at `x` of a line through points sorted along travel, 0 outside them.
fn level(points: &[(f64, f64)], x: f64) -> f64 {
    let next = points.partition_point(|p| p.0 <= x);
    match (next.checked_sub(1).map(|i| points[i]), points.get(next)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0),
        // An open valve sprays up to the last place of the run.
        (Some(last), None) if last.0 == x => last.1,
        _ => 0.0,
    }
}
