//! Spray laid down by a machine that turns, on a grid in field axes.
//!
//! A nozzle's fan is cut across into strips. Each strip has a way of its own over the ground:
//! how far it comes forward, as the boom points, from step to step. Along that way its volume
//! is smeared over the fan's thickness as on straight ground, in pieces of a third of a cell,
//! and every piece is put where the strip was: a square of twice that size, shared out to the
//! cells that it lies over. So nothing is lost, and an even dose stays even within some
//! thousandths however the cells lie to the boom: the spectrum of a cell and a square together
//! is that small at the pieces' own spacing, turned by any angle.
//!
//! Over its own thickness a fan is taken to lie along the strip's way; on a circle of 6 m the
//! ends of a fan of 0.11 m are then a quarter of a millimetre aside.

use super::grid::Deposit;
use super::lay::{Boom, Step};
use super::smear::{Footprint, Smear, Way};
use crate::judge::TrueNozzle;
use crate::travel::Travel;

/// Strips and pieces a cell.
const PER_CELL: f64 = 3.0;
/// Side of the square as which a piece comes down, in pieces.
const SQUARE: f64 = 2.0;

/// How a fan lies at one instant.
#[derive(Clone, Copy)]
struct Lie {
    heading: f64,
    /// Where its middle falls, in field axes.
    middle: (f64, f64),
    /// What a metre to the right in the fan is, in field axes.
    aside: (f64, f64),
}

/// Along one strip's way: metres, and which lie that is.
type Knot = (f64, usize);

/// Lays down one nozzle's steps.
pub(super) fn lay(
    deposit: &mut Deposit,
    boom: &Boom<'_>,
    travel: &Travel,
    nozzle: &TrueNozzle,
    steps: &[Step],
) {
    let foot = Footprint::new(nozzle.thickness_m, boom.twin_m);
    let mut strip = Strip {
        deposit,
        foot,
        way: Way::default(),
        smear: Smear::default(),
        knots: Vec::new(),
    };
    let half = boom.fan.half_width_m;
    let side = strip.deposit.area().cell / PER_CELL;
    let count = (2.0 * half / side).ceil().max(1.0) as u32;
    let width = 2.0 * half / f64::from(count);
    let mut rest = steps;
    while let Some(first) = rest.first() {
        // Steps of which each begins where the last one ended.
        let count_of = rest.windows(2).position(|w| w[0].to_s != w[1].from_s);
        let (run, left) = rest.split_at(count_of.map_or(rest.len(), |i| i + 1));
        rest = left;
        let ends = std::iter::once(first.from_s).chain(run.iter().map(|s| s.to_s));
        let lies: Vec<Lie> = ends
            .map(|t| Lie::at(travel, nozzle, boom.fan.twist, t))
            .collect();
        let moves: Vec<(f64, f64)> = lies.windows(2).map(|w| w[0].forward(&w[1])).collect();
        for i in 0..count {
            let left = f64::from(i) * width - half;
            let part = boom.fan.volume(left, left + width);
            if part > 0.0 {
                strip.lay(left + 0.5 * width, part, run, &lies, &moves);
            }
        }
    }
}

impl Lie {
    fn at(travel: &Travel, nozzle: &TrueNozzle, twist: f64, t: f64) -> Self {
        let boom = travel.boom(t);
        let throw = travel.throw(t, (nozzle.x, nozzle.y), nozzle.throw_s);
        let (ahead, right) = (boom.ahead(), boom.right());
        Self {
            heading: boom.heading,
            middle: boom.place(nozzle.x + throw.0, nozzle.y + throw.1),
            aside: (right.0 + twist * ahead.0, right.1 + twist * ahead.1),
        }
    }

    /// How far forward a fan comes to the next lie: its middle, and what each metre to the right
    /// adds, in metres.
    fn forward(&self, next: &Self) -> (f64, f64) {
        let (sin, cos) = (0.5 * (self.heading + next.heading)).sin_cos();
        let along =
            |from: (f64, f64), to: (f64, f64)| (to.0 - from.0) * cos + (to.1 - from.1) * sin;
        (
            along(self.middle, next.middle),
            along(self.aside, next.aside),
        )
    }

    fn place(&self, right: f64) -> (f64, f64) {
        (
            self.middle.0 + right * self.aside.0,
            self.middle.1 + right * self.aside.1,
        )
    }
}

struct Strip<'d> {
    deposit: &'d mut Deposit,
    foot: Footprint,
    way: Way,
    smear: Smear,
    knots: Vec<Knot>,
}

impl Strip<'_> {
    /// Lays down the strip `right` metres from the fan's middle, which gets `part` of the volume.
    fn lay(&mut self, right: f64, part: f64, steps: &[Step], lies: &[Lie], moves: &[(f64, f64)]) {
        let forward = |i: usize| moves[i].0 + right * moves[i].1;
        let mut first = 0;
        while first < steps.len() {
            // While it goes one way: a tip may run back in a tight turn.
            let back = forward(first) < 0.0;
            let same = (first..steps.len()).take_while(|&i| (forward(i) < 0.0) == back);
            let end = first + same.count();
            self.way.clear();
            self.knots.clear();
            self.knots.push((0.0, first));
            let mut s = 0.0;
            for (i, step) in steps.iter().enumerate().take(end).skip(first) {
                let next = s + forward(i);
                self.way.lay(s, next, part * step.litres);
                self.knots.push((next, i + 1));
                s = next;
            }
            if back {
                self.knots.reverse();
            }
            self.put_down(right, lies);
            first = end;
        }
    }

    /// Brings the volume gathered along the strip's way to the ground.
    fn put_down(&mut self, right: f64, lies: &[Lie]) {
        let Self {
            deposit,
            foot,
            way,
            smear,
            knots,
        } = self;
        let side = deposit.area().cell / PER_CELL;
        for (group, (from, to)) in way.groups(f64::INFINITY) {
            let start = from - foot.reach();
            let count = ((to + foot.reach() - start) / side).ceil() as usize;
            let mut at = 0;
            smear.cells(group, foot, (start, side), 0..count, |i, litres| {
                let s = start + (i as f64 + 0.5) * side;
                while at + 2 < knots.len() && knots[at + 1].0 <= s {
                    at += 1;
                }
                let middle = place(knots, at, s, right, lies);
                square(deposit, middle, SQUARE * side, litres);
            });
        }
    }
}

/// Where a strip is `s` metres on its way, which lies between two knots or beyond the outermost.
fn place(knots: &[Knot], at: usize, s: f64, right: f64, lies: &[Lie]) -> (f64, f64) {
    let (a, b) = (knots[at], knots[(at + 1).min(knots.len() - 1)]);
    let beyond = |knot: Knot| {
        let lie = &lies[knot.1];
        let (x, y) = lie.place(right);
        let (sin, cos) = lie.heading.sin_cos();
        (x + (s - knot.0) * cos, y + (s - knot.0) * sin)
    };
    if s <= a.0 {
        return beyond(a);
    }
    if s >= b.0 {
        return beyond(b);
    }
    let part = (s - a.0) / (b.0 - a.0);
    let (p, q) = (lies[a.1].place(right), lies[b.1].place(right));
    (p.0 + part * (q.0 - p.0), p.1 + part * (q.1 - p.1))
}

/// Shares out litres to the cells under a square.
fn square(deposit: &mut Deposit, (x, y): (f64, f64), side: f64, litres: f64) {
    let (cell, counts) = (deposit.area().cell, deposit.counts());
    let split = |at: f64, start: f64, count: usize| {
        let low = (at - 0.5 * side - start) / cell;
        let first = low.floor();
        // The part of it in the first cell; the rest is in the next.
        let part = ((first + 1.0 - low) * cell / side).min(1.0);
        let on = |i: f64| (i >= 0.0 && i < count as f64).then_some(i as usize);
        [(on(first), part), (on(first + 1.0), 1.0 - part)]
    };
    for (row, along) in split(x, deposit.area().along.0, counts.0) {
        for (column, across) in split(y, deposit.area().across.0, counts.1) {
            if let (Some(row), Some(column), true) = (row, column, along * across > 0.0) {
                deposit.add(row, column, litres * along * across);
            }
        }
    }
}
