//! What should have been sprayed, and which spray served it.
//!
//! Per nozzle, the ground that its plants want is joined into patches, and
//! patches and sprays that overlap, directly or through others, form one
//! group. Only a group's outer ends are scored: inside it patches were merged.

use std::ops::Range;

use super::input::{JudgeInput, TrueNozzle};
use super::orders::Zones;
use super::report::{Edge, EdgeKind};
use super::spray::Stretch;
use crate::Ground;

/// A speed is found when a round changes it by less, in m/s.
const SETTLED: f64 = 1e-9;
/// Rounds after which a speed that won't settle, close to a stop, is taken.
const ROUNDS: usize = 30;

/// Ground that a nozzle's plants want sprayed.
#[derive(Clone, Debug)]
struct Wanted {
    from: f64,
    to: f64,
    /// Outermost plant edges, and whether their plants are judged.
    near: (f64, bool),
    far: (f64, bool),
    plants: Vec<usize>,
}

/// Patches and sprays that hang together.
#[derive(Clone, Debug)]
pub(super) struct Group {
    pub from: f64,
    pub to: f64,
    /// Whether any plant wanted this ground.
    pub wanted: bool,
    /// Its sprays, as a range of the nozzle's.
    pub stretches: Range<usize>,
}

/// What the groups of all nozzles add up to.
#[derive(Default)]
pub(super) struct Scored {
    pub edges: Vec<Edge>,
    pub served: Vec<usize>,
    pub merged: usize,
}

/// Speed of the machine when the spray that lands at `edge + ahead(speed)`
/// leaves the nozzle.
fn speed_for(ground: &dyn Ground, n: &TrueNozzle, edge: f64, ahead: impl Fn(f64) -> f64) -> f64 {
    let end = ground.end();
    let at = |x: f64| match ground.time_at(x) {
        Some(t) => ground.speed(t),
        // Before the start or never reached.
        None if x <= ground.position(0.0) => ground.speed(0.0),
        None => ground.speed(end),
    };
    let mut v = at(edge - n.x);
    for _ in 0..ROUNDS {
        let next = at(edge + ahead(v) - n.throw_s * v - n.x);
        let settled = (next - v).abs() < SETTLED;
        v = next;
        if settled {
            break;
        }
    }
    v
}

/// Joins the ground wanted by `plants`, given with whether they are judged.
fn wanted(
    input: &JudgeInput<'_>,
    (nozzle, n): (usize, &TrueNozzle),
    plants: &[(usize, bool)],
) -> Vec<Wanted> {
    let patch = &input.patch;
    let way = input.way(nozzle);
    let mut all: Vec<Wanted> = plants
        .iter()
        .filter_map(|&(index, inside)| {
            let plant = input.met(index, nozzle)?;
            let (near, far) = (plant.near(), plant.far());
            let v_near = speed_for(way, n, near, |v| -patch.whole_lead(n, v));
            let v_far = speed_for(way, n, far, |v| patch.whole_trail(n, v));
            Some(Wanted {
                from: near - patch.whole_lead(n, v_near),
                to: far + patch.whole_trail(n, v_far),
                near: (near, inside),
                far: (far, inside),
                plants: vec![index],
            })
        })
        .collect();
    all.sort_by(|a, b| a.from.total_cmp(&b.from));
    all.dedup_by(|next, kept| {
        let touch = next.from <= kept.to;
        if touch {
            kept.to = kept.to.max(next.to);
            if next.near.0 < kept.near.0 {
                kept.near = next.near;
            }
            if next.far.0 > kept.far.0 {
                kept.far = next.far;
            }
            kept.plants.append(&mut next.plants);
        }
        touch
    });
    all
}

/// Groups one nozzle's patches with its sprays, both sorted, and scores them.
pub(super) fn score(
    input: &JudgeInput<'_>,
    nozzle: usize,
    plants: &[(usize, bool)],
    stretches: &[Stretch],
    zones: Option<&Zones>,
    scored: &mut Scored,
) -> Vec<Group> {
    let Some(n) = input.nozzles.get(nozzle) else {
        return Vec::new();
    };
    let wants = wanted(input, (nozzle, n), plants);
    let mut groups = Vec::new();
    let (mut w, mut s) = (0, 0);
    while w < wants.len() || s < stretches.len() {
        let (first_w, first_s) = (w, s);
        let mut from = f64::INFINITY;
        let mut to = f64::NEG_INFINITY;
        loop {
            let next_w = wants
                .get(w)
                .filter(|i| first_w + first_s == w + s || i.from < to);
            let next_s = stretches
                .get(s)
                .filter(|i| first_w + first_s == w + s || i.from < to);
            let (a, b) = match (next_w, next_s) {
                (Some(i), Some(j)) if i.from <= j.from => (i.from, i.to),
                (_, Some(j)) => (j.from, j.to),
                (Some(i), None) => (i.from, i.to),
                (None, None) => break,
            };
            if next_w.is_some_and(|i| next_s.is_none_or(|j| i.from <= j.from)) {
                w += 1;
            } else {
                s += 1;
            }
            from = from.min(a);
            to = to.max(b);
        }
        let (mine, sprays) = (&wants[first_w..w], &stretches[first_s..s]);
        score_group(input, (nozzle, n), mine, sprays, zones, scored);
        groups.push(Group {
            from,
            to,
            wanted: !mine.is_empty(),
            stretches: first_s..s,
        });
    }
    groups
}

/// Scores the outer ends of one group.
fn score_group(
    input: &JudgeInput<'_>,
    (nozzle, n): (usize, &TrueNozzle),
    wants: &[Wanted],
    sprays: &[Stretch],
    zones: Option<&Zones>,
    scored: &mut Scored,
) {
    let first = sprays.first();
    let last = sprays.iter().max_by(|a, b| a.to.total_cmp(&b.to));
    let near = wants
        .iter()
        .map(|w| w.near)
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let far = wants
        .iter()
        .map(|w| w.far)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(first), Some(last), Some(near), Some(far)) = (first, last, near, far) else {
        return;
    };
    let begin = scored.served.len();
    scored.served.extend(wants.iter().flat_map(|w| &w.plants));
    let plants = begin..scored.served.len();
    scored.merged += usize::from(plants.len() > 1);
    let free = |a: f64, b: f64| zones.is_some_and(|z| z.touches_free(a.min(b), a.max(b)));
    let wanted_x = near.0 - input.patch.whole_lead(n, first.open_v);
    if near.1 && !free(wanted_x, first.open_x) {
        scored.edges.push(Edge {
            nozzle,
            plants: plants.clone(),
            wanted_x,
            got_x: first.open_x,
            kind: EdgeKind::Start,
        });
    }
    if let (true, Some((got_x, v))) = (far.1, last.close) {
        let wanted_x = far.0 + input.patch.whole_trail(n, v);
        if free(wanted_x, got_x) {
            return;
        }
        scored.edges.push(Edge {
            nozzle,
            plants,
            wanted_x,
            got_x,
            kind: EdgeKind::Stop,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Motion, Patch, Piece, Valve};

    #[test]
    fn a_patch_takes_the_speed_at_which_its_spray_leaves() {
        let pieces = [Piece {
            duration_s: 5.0,
            acceleration: 1.0,
        }];
        let ground = Motion::new(0.0, 3.0, &pieces).expect("a ramp");
        let n = TrueNozzle {
            x: -0.2,
            y: 0.0,
            lane_width_m: 0.5,
            throw_s: 0.05,
            thickness_m: 0.04,
            valve: Valve::default(),
        };
        let patch = Patch {
            lead_m: 0.1,
            lead_s: 0.02,
            ..Patch::default()
        };
        // At 2 s: 8 m, 5 m/s. The spray lands at 8 - 0.2 + 0.25 = 8.05 m, and
        // the whole lead is 0.1 + 0.1 + 0.02 m: the plant begins at 8.27 m.
        let lead = |v: f64| -patch.whole_lead(&n, v);
        let v = speed_for(&ground, &n, 8.27, lead);
        assert!((v - 5.0).abs() < 1e-8, "{v}");
        // Before the start the first speed holds.
        assert_eq!(speed_for(&ground, &n, -3.0, lead), 3.0);
    }
}
