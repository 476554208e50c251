//! From commands to volume on the ground.

use super::grid::{Deposit, GridError};
use crate::judge::{Command, TrueFan, TrueNozzle};
use crate::{Flow, Ground, Supplied};

/// Cells of the finer line along travel on which a nozzle's volume is gathered before it is
/// spread across.
const FINER: usize = 4;
/// Thinner fans are taken as this thick, in metres.
const THINNEST: f64 = 1e-4;

/// A boom of nozzles of one kind.
#[derive(Clone, Copy)]
pub struct Boom<'a> {
    /// The nozzles. Their thickness is the whole extent along travel of what one of them
    /// lays down at one instant: with twin fans that of both and what lies between.
    pub nozzles: &'a [TrueNozzle],
    /// Their pattern across travel, and its twist.
    pub fan: TrueFan,
    /// Half of the distance along travel between the middles of a twin fan's two footprints,
    /// in metres; 0 for one fan.
    pub twin_m: f64,
    /// Flow of a nozzle that is fully open, in L/min, above 0; with a supply at its nominal
    /// pressure.
    pub l_min: f64,
    /// The same nozzle by nozzle where sizes differ; empty: all alike.
    pub flows: &'a [f64],
    /// The pressure that there was; none: it is steady.
    pub supplied: Option<&'a Supplied>,
}

/// Volume by place along travel, in cells of a line.
struct Line {
    start: f64,
    cell: f64,
    litres: Vec<f64>,
}

/// Lays down what `boom` sprays at `commands` while it travels over `ground`, until
/// `until_s`, in steps of `step_s`.
///
/// # Errors
///
/// A step outside 10 µs to 1 s, or a flow that is none.
pub fn lay_down(
    deposit: &mut Deposit,
    boom: &Boom<'_>,
    ground: &dyn Ground,
    commands: &[Command],
    until_s: f64,
    step_s: f64,
) -> Result<(), GridError> {
    for (what, value, low, high, wanted) in [
        ("the time step in s", step_s, 1e-5, 1.0, "10 µs to 1 s"),
        ("the flow in L/min", boom.l_min, 1e-6, 1e3, "more than 0"),
    ] {
        if !(low..=high).contains(&value) {
            return Err(GridError::Number {
                what,
                value,
                wanted,
            });
        }
    }
    for &value in boom.flows {
        if !(1e-6..=1e3).contains(&value) {
            return Err(GridError::Number {
                what: "a nozzle's flow in L/min",
                value,
                wanted: "more than 0",
            });
        }
    }
    for (index, nozzle) in boom.nozzles.iter().enumerate() {
        let l_min = boom.flows.get(index).copied().unwrap_or(boom.l_min);
        let own = commands.iter().filter(|c| c.nozzle == index);
        let told: Vec<(f64, bool)> = own.map(|c| (c.at_s, c.open)).collect();
        let flow = nozzle.valve.flow(&told);
        let half = boom.fan.half_width_m;
        let columns = deposit.columns(nozzle.y - half, nozzle.y + half);
        let reach = boom.fan.twist_m() + boom.twin_m + nozzle.thickness_m;
        let mut line = Line::over(deposit, reach);
        for step in steps(&flow, until_s, step_s) {
            let (from, to, share) = step;
            let pressed = boom.supplied.map_or(1.0, |s| s.share(0.5 * (from + to)));
            let litres = l_min / 60.0 * share * pressed * (to - from);
            deposit.sprayed += litres;
            let ends = (nozzle.lands(ground, from), nozzle.lands(ground, to));
            // With twins the thickness is that of both and what lies between.
            let thickness = (nozzle.thickness_m - 2.0 * boom.twin_m).max(THINNEST);
            let twins: &[f64] = if boom.twin_m > 0.0 {
                &[-1.0, 1.0]
            } else {
                &[0.0]
            };
            for way in twins {
                let middle = 0.5 * (ends.0 + ends.1) + way * boom.twin_m;
                let sweep = (ends.1 - ends.0).abs().max(THINNEST);
                line.lay(middle, sweep, thickness, litres / twins.len() as f64);
            }
        }
        let totals = line.totals();
        for column in columns {
            let (left, right) = deposit.column(column);
            let part = boom.fan.volume(left - nozzle.y, right - nozzle.y);
            if part <= 0.0 {
                continue;
            }
            let shift = boom.fan.twist * (0.5 * (left + right) - nozzle.y);
            for row in 0..deposit.counts().0 {
                let begin = deposit.area().along.0 + row as f64 * deposit.area().cell - shift;
                let end = begin + deposit.area().cell;
                let litres = line.before(&totals, end) - line.before(&totals, begin);
                if litres > 0.0 {
                    deposit.add(row, column, part * litres);
                }
            }
        }
    }
    Ok(())
}

/// The steps of a flow: (from, to, mean share of full flow), while there is any.
fn steps(flow: &Flow, until_s: f64, step_s: f64) -> Vec<(f64, f64, f64)> {
    let points = flow.points();
    let mut pieces: Vec<((f64, f64), (f64, f64))> =
        points.windows(2).map(|w| (w[0], w[1])).collect();
    if let Some(&(t, share)) = points.last() {
        pieces.push(((t, share), (until_s.max(t), share)));
    }
    let mut list = Vec::new();
    for ((t0, a), (t1, b)) in pieces {
        let t1 = t1.min(until_s);
        if t1 <= t0 || (a <= 0.0 && b <= 0.0) {
            continue;
        }
        let count = ((t1 - t0) / step_s).ceil().max(1.0);
        for i in 0..count as u64 {
            let at = |part: f64| (t0 + (t1 - t0) * part, a + (b - a) * part);
            let (from, to) = (at(i as f64 / count), at((i + 1) as f64 / count));
            list.push((from.0, to.0, 0.5 * (from.1 + to.1)));
        }
    }
    list
}

impl Line {
    /// A line along the grid, longer by `reach` at both ends.
    fn over(deposit: &Deposit, reach: f64) -> Self {
        let cell = deposit.area().cell / FINER as f64;
        let (from, to) = deposit.area().along;
        let start = from - reach;
        let count = ((to + reach + deposit.area().cell - start) / cell).ceil() as usize;
        Self {
            start,
            cell,
            litres: vec![0.0; count],
        }
    }

    /// Lays `litres` evenly over `sweep` metres around `middle`, smeared over `thickness`.
    fn lay(&mut self, middle: f64, sweep: f64, thickness: f64, litres: f64) {
        let reach = 0.5 * (sweep + thickness);
        let at = |x: f64| ((x - self.start) / self.cell).clamp(0.0, self.litres.len() as f64);
        let first = at(middle - reach).floor() as usize;
        let end = at(middle + reach).ceil() as usize;
        let mut before = smeared(
            self.start + first as f64 * self.cell - middle,
            sweep,
            thickness,
        );
        for i in first..end {
            let x = self.start + (i + 1) as f64 * self.cell;
            let after = smeared(x - middle, sweep, thickness);
            self.litres[i] += litres * (after - before);
            before = after;
        }
    }

    /// Litres before each cell of the line, and before its end.
    fn totals(&self) -> Vec<f64> {
        let mut sum = 0.0;
        let mut totals = Vec::with_capacity(self.litres.len() + 1);
        totals.push(0.0);
        for litres in &self.litres {
            sum += litres;
            totals.push(sum);
        }
        totals
    }

    /// Litres before `x`, straight within a cell.
    fn before(&self, totals: &[f64], x: f64) -> f64 {
        let place = ((x - self.start) / self.cell).clamp(0.0, self.litres.len() as f64);
        let i = (place as usize).min(self.litres.len() - 1);
        totals[i] + (totals[i + 1] - totals[i]) * (place - i as f64)
    }
}

/// Share of two boxes of lengths `a` and `b`, smeared over each other around 0, that lies
/// before `x`.
fn smeared(x: f64, a: f64, b: f64) -> f64 {
    let (long, short) = (a.max(b), a.min(b));
    let x = x.clamp(-0.5 * (long + short), 0.5 * (long + short));
    let side = 0.5 * (long - short);
    // A rise over the shorter length, a plateau, and a fall.
    let outer = |beyond: f64| 0.5 * beyond * beyond / (long * short);
    if x < -side {
        outer(x + 0.5 * (long + short))
    } else if x > side {
        1.0 - outer(0.5 * (long + short) - x)
    } else {
        0.5 + x / long
    }
}
