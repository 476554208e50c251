//! What the operator ordered, laid out on the ground of each nozzle.
//!
//! Every order becomes three kinds of ground: *dry*, where not a drop may fall; *wet*,
//! where the full dose must be although no plant asked for it; and *free*, where spray is
//! the operator's affair and no edge is scored. Between two modes lies free ground for as
//! long as an order takes to act. A plant that touches free ground and is not wholly on wet
//! ground was withheld on order: it is counted apart, and is nobody's fault.
//!
//! Where the machine turns all of this lies on each nozzle's own way: keep-off ground is as far
//! ahead of every nozzle as it was ahead of the boom when it was ordered, and a mode ends where
//! that nozzle is then. What was seen of it is told in [`super::unseen`].
//!
//! All of it is worked out from the true motion, by nothing that the controller uses.

use super::input::{JudgeInput, TrueNozzle};
use super::spray::{Sprayed, join};
use super::unseen::{Unseen, unseen};
use crate::Plant;

/// A drop this deep on dry ground is rounding, in metres.
const DRY_TOLERANCE: f64 = 1e-3;
/// Steps at which slow ground is looked for, in metres.
const STEP_M: f64 = 0.02;
/// Ground behind slow ground that is not asked to be wet yet, in metres: a controller
/// must first learn its speed again.
const AFTER_SLOW_M: f64 = 0.6;
/// Room around every ordered edge, in metres.
pub(super) const ROOM_M: f64 = 0.01;

/// What a section is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ordered {
    /// Spray plants, and unseen ground where that is the policy.
    Spot,
    /// Spray everything.
    Broadcast,
    /// Spray nothing.
    Off,
}

/// A change of mode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModeOrder {
    /// When it was ordered, in seconds.
    pub at_s: f64,
    /// Which section, as an index.
    pub section: usize,
    /// To what.
    pub mode: Ordered,
}

/// Ground that is kept off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeepOff {
    /// When it was ordered, in seconds.
    pub at_s: f64,
    /// First nozzle.
    pub first: usize,
    /// One past the last nozzle.
    pub end: usize,
    /// Near end, in metres along the reference point's travel: where the machine turns only
    /// how far that is ahead of it when the order comes, counted along each nozzle's own way.
    pub from_x: f64,
    /// Far end, likewise.
    pub to_x: f64,
}

/// Ground that one image covers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeenGround {
    /// When the controller got the image, in seconds.
    pub arrived_s: f64,
    /// When it was captured, in seconds.
    pub captured_s: f64,
    /// Which detector.
    pub detector: usize,
    /// Near end, in metres ahead of the boom reference point at the capture.
    pub from_m: f64,
    /// Far end, likewise.
    pub to_m: f64,
}

/// All orders of a drive. Every section begins in spot mode.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Orders {
    /// First and one past the last nozzle of each section.
    pub sections: Vec<(usize, usize)>,
    /// Changes of mode in the order of time.
    pub modes: Vec<ModeOrder>,
    /// Ground to keep off.
    pub keep_off: Vec<KeepOff>,
    /// Times from and to which everything was to be closed, in seconds: from an emergency
    /// stop or low supply to its acknowledgement.
    pub closed: Vec<(f64, f64)>,
    /// When something was asked of the bench state, in seconds: where the machine stands
    /// then, spray is a person's own doing, but for keep-off ground.
    pub bench: Vec<f64>,
    /// Left and right edge of each detector's view, in metres to the right of the
    /// reference point; given where unseen ground is to be sprayed.
    pub views: Vec<(f64, f64)>,
    /// What the images covered.
    pub seen: Vec<SeenGround>,
    /// Longest time from an order to the command that follows from it, in seconds.
    pub reaction_s: f64,
    /// What the controller adds to both sides of keep-off ground, in metres.
    pub keep_off_margin_m: f64,
    /// Shortest time that a valve is open, in seconds.
    pub shortest_on_s: f64,
    /// Shortest time that a valve is closed, in seconds.
    pub shortest_off_s: f64,
    /// Below this speed nothing may spray, in metres a second.
    pub creep_m_s: f64,
}

/// How the orders were kept.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OrdersKept {
    /// Plants that were not to be sprayed, or lie where an order was just taking effect.
    pub withheld: usize,
    /// Keep-off ground with spray on it, in metres times nozzles.
    pub kept_off_wet_m: f64,
    /// Its longest stretch, in metres.
    pub kept_off_worst_m: f64,
    /// Ground of switched-off or stopped nozzles with spray on it, in metres times nozzles.
    pub off_wet_m: f64,
    /// Its longest stretch, in metres.
    pub off_worst_m: f64,
    /// Broadcast or unseen ground without the full dose, in metres times nozzles.
    pub bare_m: f64,
    /// Its longest stretch, in metres.
    pub bare_worst_m: f64,
}

/// Stretches of one nozzle's way.
pub(super) type Ground1d = Vec<(f64, f64)>;

/// One nozzle's ground by what was ordered for it; each list sorted and apart.
#[derive(Clone, Debug, Default)]
pub(super) struct Zones {
    kept_off: Ground1d,
    off: Ground1d,
    wet: Ground1d,
    free: Ground1d,
}

/// What is left of `from` without `away`; both sorted and apart.
pub(super) fn without(from: &[(f64, f64)], away: &[(f64, f64)]) -> Ground1d {
    let mut left = Vec::new();
    for &(mut a, b) in from {
        let first = away.partition_point(|i| i.1 <= a);
        for &(x, y) in away.iter().skip(first).take_while(|i| i.0 < b) {
            if x > a {
                left.push((a, x));
            }
            a = a.max(y);
        }
        if a < b {
            left.push((a, b));
        }
    }
    left
}

pub(super) fn joined(mut list: Ground1d) -> Ground1d {
    list.retain(|i| i.0 < i.1);
    join(&mut list);
    list
}

/// What both have.
pub(super) fn both(a: &[(f64, f64)], b: &[(f64, f64)]) -> Ground1d {
    without(a, &without(a, b))
}

pub(super) fn touches(list: &[(f64, f64)], from: f64, to: f64) -> bool {
    let next = list.partition_point(|i| i.1 < from);
    list.get(next).is_some_and(|i| i.0 <= to)
}

/// Sum and longest of what two lists have in common.
pub(super) fn common(a: &[(f64, f64)], b: &[(f64, f64)]) -> (f64, f64) {
    both(a, b)
        .iter()
        .fold((0.0, 0.0), |(sum, worst): (f64, f64), i| {
            (sum + i.1 - i.0, worst.max(i.1 - i.0))
        })
}

impl Orders {
    /// The zones of nozzle `n`.
    pub(super) fn zones(&self, input: &JudgeInput<'_>, index: usize) -> Zones {
        let Some(n) = input.nozzles.get(index) else {
            return Zones::default();
        };
        let ground = input.way(index);
        let lands = |t: f64| n.lands(ground, t);
        let half = 0.5 * n.thickness_m;
        let v = &n.valve;
        let (rise, fall) = (0.5 * v.open_rise_s, 0.5 * v.close_fall_s);
        // When spray can first and must last come after an order at `t`, and the same for
        // its end.
        let (ends, ended) = (
            |t: f64| lands(t + v.close_delay_s - fall) - half,
            |t: f64| lands(t + self.reaction_s + v.close_delay_s + fall) + half,
        );
        let (begins, begun) = (
            |t: f64| lands(t + v.open_delay_s - rise) - half,
            |t: f64| {
                let wait = self.reaction_s + self.shortest_off_s;
                lands(t + wait + v.open_delay_s + rise) + half
            },
        );
        let mut zones = Zones::default();
        for (from, to, mode) in self.spells(index) {
            let free = (
                ends(from).min(begins(from)) - ROOM_M,
                begun(to).max(ended(to)) + ROOM_M,
            );
            match mode {
                Ordered::Spot => continue,
                Ordered::Off => zones.off.push((ended(from), begins(to))),
                Ordered::Broadcast => zones.wet.push((begun(from) + ROOM_M, ends(to) - ROOM_M)),
            }
            zones.free.push(free);
        }
        let mut stops = Vec::new();
        for &(from, to) in &self.closed {
            stops.push((ends(from) - ROOM_M, begun(to) + AFTER_SLOW_M));
            zones.off.push((ended(from), begins(to)));
        }
        let mut lines = Vec::new();
        for k in self
            .keep_off
            .iter()
            .filter(|k| (k.first..k.end).contains(&index))
        {
            // Nothing where all nozzles go the same way.
            let apart = ground.position(k.at_s) - input.ground.position(k.at_s);
            let (from_x, to_x) = (k.from_x + apart, k.to_x + apart);
            // What was ordered too late to be kept is not held against anybody.
            zones.kept_off.push((from_x.max(ended(k.at_s)), to_x));
            let speed = |x: f64| ground.time_at(x - n.x).map_or(0.0, |t| ground.speed(t));
            let room = self.keep_off_margin_m + n.thickness_m + ROOM_M;
            let later = (v.close_delay_s - v.open_delay_s).max(0.0) + 2.0 * fall;
            let sooner = (v.open_delay_s - v.close_delay_s).max(0.0) + 2.0 * rise;
            let before = speed(from_x) * (self.shortest_on_s + later + self.reaction_s);
            let behind = speed(to_x) * (self.shortest_off_s + sooner + self.reaction_s);
            lines.push((from_x - room - before, to_x + room + behind));
        }
        if !self.views.is_empty() {
            let Unseen { must, may } = unseen(self, input, (index, n));
            let off_or_broadcast = joined(zones.free.clone());
            zones.wet.extend(without(&must, &off_or_broadcast));
            zones.free.extend(may);
        }
        zones.free.extend(stops.iter().copied());
        zones.free.extend(lines.iter().copied());
        let mut dry = [stops, lines].concat();
        if !zones.wet.is_empty() {
            dry.extend(self.slow(input, index, n));
        }
        zones.wet = without(&joined(zones.wet), &joined(dry));
        zones.kept_off = joined(zones.kept_off);
        let tried: Ground1d = (self.bench.iter())
            .map(|&t| (lands(t) - half - ROOM_M, lands(t) + half + ROOM_M))
            .collect();
        let tried = joined(tried);
        zones.off = without(&joined(zones.off), &tried);
        zones.free.extend(tried);
        zones.free = joined(zones.free);
        zones
    }

    /// The modes of a nozzle's section as spells of time.
    fn spells(&self, index: usize) -> Vec<(f64, f64, Ordered)> {
        let own = |section: usize| {
            self.sections
                .get(section)
                .is_some_and(|s| (s.0..s.1).contains(&index))
        };
        let mut spells: Vec<(f64, f64, Ordered)> = Vec::new();
        let mut now = (f64::NEG_INFINITY, Ordered::Spot);
        for order in self.modes.iter().filter(|m| own(m.section)) {
            if order.mode != now.1 {
                spells.push((now.0, order.at_s, now.1));
                now = (order.at_s, order.mode);
            }
        }
        spells.push((now.0, f64::INFINITY, now.1));
        // Beyond the drive's ends there is no ground.
        for spell in &mut spells {
            spell.0 = spell.0.max(-1e4);
            spell.1 = spell.1.min(1e7);
        }
        spells
    }

    /// Ground over which the machine is too slow to spray, and some behind it.
    fn slow(&self, input: &JudgeInput<'_>, index: usize, n: &TrueNozzle) -> Ground1d {
        let ground = input.way(index);
        let (from_x, to_x) = input.stretch(index);
        let mut slow = Vec::new();
        let steps = ((to_x - from_x) / STEP_M).ceil() as usize;
        for k in 0..=steps {
            let x = from_x + k as f64 * STEP_M;
            let fast = ground
                .time_at(x - n.x)
                .is_some_and(|t| ground.speed(t) >= 1.5 * self.creep_m_s);
            if !fast {
                slow.push((x - AFTER_SLOW_M, x + AFTER_SLOW_M));
            }
        }
        joined(slow)
    }
}

impl Zones {
    /// Whether spray for this ground may have been cut, begun or joined by an order.
    pub(super) fn touches_free(&self, from: f64, to: f64) -> bool {
        touches(&self.free, from, to)
    }

    /// Whether the plant was not to be sprayed, or not to be counted on.
    pub(super) fn withholds(&self, plant: &Plant) -> bool {
        let (near, far) = (plant.near(), plant.far());
        let covered = self.wet.iter().any(|w| w.0 <= near && far <= w.1);
        !covered && self.touches_free(near, far)
    }
}

/// Adds up how the orders were kept on the judged ground.
pub(super) fn kept(
    input: &JudgeInput<'_>,
    zones: &[Zones],
    sprayed: &[Sprayed],
    withheld: usize,
) -> OrdersKept {
    let mut kept = OrdersKept {
        withheld,
        ..OrdersKept::default()
    };
    for (n, (z, s)) in zones.iter().zip(sprayed).enumerate() {
        let (sum, worst) = common(&z.kept_off, &s.wet);
        kept.kept_off_wet_m += sum;
        kept.kept_off_worst_m = kept.kept_off_worst_m.max(worst);
        let (sum, worst) = common(&z.off, &s.wet);
        kept.off_wet_m += sum;
        kept.off_worst_m = kept.off_worst_m.max(worst);
        let judged = both(&z.wet, &[input.stretch(n)]);
        let bare = without(&judged, &s.full);
        kept.bare_m += bare.iter().map(|i| i.1 - i.0).sum::<f64>();
        let worst = bare.iter().map(|i| i.1 - i.0).fold(0.0, f64::max);
        kept.bare_worst_m = kept.bare_worst_m.max(worst);
    }
    kept
}

impl OrdersKept {
    /// What is out of tolerance, in words. `edge_m` is what an edge may be off.
    pub(super) fn reasons(&self, edge_m: f64) -> Vec<String> {
        let mut reasons = Vec::new();
        let mut say = |what: &str, sum: f64, worst: f64, allowed: f64| {
            if worst > allowed {
                reasons.push(format!(
                    "{:.1} mm {what}, the longest stretch {:.1} mm",
                    1000.0 * sum,
                    1000.0 * worst
                ));
            }
        };
        let (sum, worst) = (self.kept_off_wet_m, self.kept_off_worst_m);
        say("of keep-off ground sprayed", sum, worst, DRY_TOLERANCE);
        let (sum, worst) = (self.off_wet_m, self.off_worst_m);
        say(
            "sprayed by nozzles that were off",
            sum,
            worst,
            DRY_TOLERANCE,
        );
        let (sum, worst) = (self.bare_m, self.bare_worst_m);
        say("of broadcast or unseen ground bare", sum, worst, edge_m);
        reasons
    }
}
