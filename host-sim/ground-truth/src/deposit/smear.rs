//! Volume along a way, smeared over the thickness of a fan: exactly, whatever the cells.
//!
//! While the middle of a fan goes from one place to another it lays a volume evenly between the
//! two, and the fan's thickness smears that: the overlap of two boxes. Of many such pieces the
//! volume before a place rises in straight lines, its integral in parabolas, and the smeared
//! volume before a place is a difference of that integral over the thickness. So every cell
//! takes the same few operations however many pieces lie over it.

use std::ops::Range;

/// Cells in one go. Integrals are counted anew from each such run on, so that a long way costs
/// no digits.
const RUN: usize = 64;
/// A box is at least so long, in metres.
pub(super) const THINNEST: f64 = 1e-4;

/// What a fan covers along travel at one instant: one box, or two as far apart as twins are.
#[derive(Clone, Copy, Debug)]
pub(super) struct Footprint {
    /// Length of a box, in metres.
    thickness: f64,
    /// From the middle to that of each box, in metres; 0: there is one.
    twin: f64,
}

/// Litres laid evenly from one place to another by a fan's middle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece {
    from: f64,
    to: f64,
    litres: f64,
}

/// The pieces of one way.
#[derive(Debug, Default)]
pub(super) struct Way {
    pieces: Vec<Piece>,
}

/// Where the volume's rise changes.
#[derive(Clone, Copy, Debug)]
struct Knot {
    x: f64,
    /// Litres before it.
    volume: f64,
    /// Their integral up to it.
    integral: f64,
    /// Litres a metre behind it.
    rise: f64,
}

/// Room for the work, kept from call to call.
#[derive(Debug, Default)]
pub(super) struct Smear {
    /// Up to each piece the farthest end.
    ends: Vec<f64>,
    steps: Vec<(f64, f64)>,
    knots: Vec<Knot>,
    before: Vec<f64>,
}

impl Footprint {
    /// With twins `whole` is that of both and what lies between.
    pub(super) fn new(whole: f64, twin: f64) -> Self {
        Self {
            thickness: (whole - 2.0 * twin).max(THINNEST),
            twin,
        }
    }

    /// From the middle to where the last of it falls, in metres.
    pub(super) fn reach(&self) -> f64 {
        self.twin + 0.5 * self.thickness
    }

    /// How far before a place each box ends and begins, and with which weight it counts.
    fn ends(&self) -> impl Iterator<Item = (f64, f64)> {
        let (count, weight) = if self.twin > 0.0 {
            (2, 0.5 / self.thickness)
        } else {
            (1, 1.0 / self.thickness)
        };
        let (half, twin) = (0.5 * self.thickness, self.twin);
        [-twin, twin].into_iter().take(count).flat_map(move |box_| {
            // One box stands in the middle: its twin distance is 0.
            [(half - box_, weight), (-half - box_, -weight)]
        })
    }
}

impl Way {
    /// `litres` laid while the middle goes from `from` to `to`, whichever lies farther.
    pub(super) fn lay(&mut self, from: f64, to: f64, litres: f64) {
        let middle = 0.5 * (from + to);
        let half = 0.5 * (to - from).abs().max(THINNEST);
        self.pieces.push(Piece {
            from: middle - half,
            to: middle + half,
            litres,
        });
    }

    pub(super) fn clear(&mut self) {
        self.pieces.clear();
    }

    /// The pieces in groups between which more than `apart` metres lie, each with its ends.
    pub(super) fn groups(&mut self, apart: f64) -> impl Iterator<Item = (&[Piece], (f64, f64))> {
        self.pieces.sort_by(|a, b| a.from.total_cmp(&b.from));
        let mut rest = self.pieces.as_slice();
        std::iter::from_fn(move || {
            let first = rest.first()?;
            let mut end = first.to;
            let alone = |p: &Piece| {
                let near = p.from <= end + apart;
                end = end.max(p.to);
                !near
            };
            let count = rest.iter().position(alone).unwrap_or(rest.len());
            let (group, left) = rest.split_at(count);
            rest = left;
            let end = group.iter().map(|p| p.to).fold(f64::NEG_INFINITY, f64::max);
            Some((group, (first.from, end)))
        })
    }
}

impl Smear {
    /// Calls `found` with each of the cells that get some of `group`, and its litres. Cell `i`
    /// is `cell` metres long and begins at `start + i·cell`.
    pub(super) fn cells(
        &mut self,
        group: &[Piece],
        foot: &Footprint,
        (start, cell): (f64, f64),
        cells: Range<usize>,
        mut found: impl FnMut(usize, f64),
    ) {
        let mut end = f64::NEG_INFINITY;
        self.ends.clear();
        self.ends.extend(group.iter().map(|p| {
            end = end.max(p.to);
            end
        }));
        let mut first = cells.start;
        while first < cells.end {
            let count = RUN.min(cells.end - first);
            let from = start + first as f64 * cell;
            self.run(group, foot, (from, cell), count);
            for (i, pair) in self.before.windows(2).enumerate() {
                let litres = pair[1] - pair[0];
                if litres > 0.0 {
                    found(first + i, litres);
                }
            }
            first += count;
        }
    }

    /// Puts the litres before each end of `count` cells from `from` on into `before`, less one
    /// number for all.
    fn run(&mut self, group: &[Piece], foot: &Footprint, (from, cell): (f64, f64), count: usize) {
        let low = from - foot.reach();
        let high = from + count as f64 * cell + foot.reach();
        self.steps.clear();
        let first = self.ends.partition_point(|end| *end <= low);
        for piece in group[first..].iter().take_while(|p| p.from < high) {
            if piece.to > low {
                let rise = piece.litres / (piece.to - piece.from);
                self.steps.push((piece.from.max(low), rise));
                self.steps.push((piece.to.min(high), -rise));
            }
        }
        // Nearly in order: that takes little.
        self.steps.sort_by(|a, b| a.0.total_cmp(&b.0));
        self.knots.clear();
        let mut now = Knot {
            x: low,
            volume: 0.0,
            integral: 0.0,
            rise: 0.0,
        };
        for &(x, change) in &self.steps {
            let further = now.at(x);
            now = Knot {
                x,
                rise: now.rise + change,
                ..further
            };
            match self.knots.last_mut() {
                Some(last) if last.x == x => *last = now,
                _ => self.knots.push(now),
            }
        }
        if let Some(last) = self.knots.last_mut() {
            // What sums leave over is no volume.
            last.rise = 0.0;
        }
        self.before.clear();
        self.before.resize(count + 1, 0.0);
        for (off, weight) in foot.ends() {
            let mut i = 0;
            for (k, before) in self.before.iter_mut().enumerate() {
                let x = from + k as f64 * cell + off;
                while self.knots.get(i + 1).is_some_and(|next| next.x <= x) {
                    i += 1;
                }
                if let Some(knot) = self.knots.get(i).filter(|knot| knot.x <= x) {
                    *before += weight * knot.at(x).integral;
                }
            }
        }
    }
}

impl Knot {
    /// The same farther on, before the rise changes.
    fn at(&self, x: f64) -> Self {
        let d = x - self.x;
        Self {
            x,
            volume: self.volume + self.rise * d,
            integral: self.integral + (self.volume + 0.5 * self.rise * d) * d,
            rise: self.rise,
        }
    }
}
