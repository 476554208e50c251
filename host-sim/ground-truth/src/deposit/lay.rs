//! From commands to volume on the ground.

use super::curved;
use super::grid::{Deposit, GridError};
use super::smear::{Footprint, Smear, Way};
use crate::judge::{Command, TrueFan, TrueNozzle};
use crate::{Flow, Ground, Supplied};

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

/// Lays down what `boom` sprays at `commands` while it travels over `ground`, until
/// `until_s`, in steps of `step_s`.
///
/// Where the machine turns the grid's axes are those of the field ([`mod@crate::path`]), and the
/// nozzles are those of [`crate::Turning`].
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
    let mut told: Vec<Vec<(f64, bool)>> = vec![Vec::new(); boom.nozzles.len()];
    for c in commands {
        if let Some(own) = told.get_mut(c.nozzle) {
            own.push((c.at_s, c.open));
        }
    }
    let mut room = Room::default();
    for (index, (nozzle, told)) in boom.nozzles.iter().zip(&told).enumerate() {
        let flow = nozzle.valve.flow(told);
        let l_min = boom.flows.get(index).copied().unwrap_or(boom.l_min);
        let steps: Vec<Step> = steps(&flow, until_s, step_s)
            .into_iter()
            .map(|(from_s, to_s, share)| {
                let pressed = (boom.supplied).map_or(1.0, |s| s.share(0.5 * (from_s + to_s)));
                Step {
                    from_s,
                    to_s,
                    litres: l_min / 60.0 * share * pressed * (to_s - from_s),
                }
            })
            .collect();
        deposit.sprayed += steps.iter().map(|s| s.litres).sum::<f64>();
        match ground.turning() {
            Some(turning) => curved::lay(deposit, boom, turning.travel(), nozzle, &steps),
            None => straight(deposit, boom, ground, (nozzle, &steps), &mut room),
        }
    }
    Ok(())
}

/// Litres that leave a nozzle within a step of time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Step {
    pub from_s: f64,
    pub to_s: f64,
    pub litres: f64,
}

/// Room for the work, kept from nozzle to nozzle.
#[derive(Default)]
struct Room {
    way: Way,
    smear: Smear,
    parts: Vec<f64>,
}

/// Lays down one nozzle's steps over straight ground.
fn straight(
    deposit: &mut Deposit,
    boom: &Boom<'_>,
    ground: &dyn Ground,
    (nozzle, steps): (&TrueNozzle, &[Step]),
    Room { way, smear, parts }: &mut Room,
) {
    let half = boom.fan.half_width_m;
    let columns = deposit.columns(nozzle.y - half, nozzle.y + half);
    parts.clear();
    for column in columns.clone() {
        let (left, right) = deposit.column(column);
        let part = boom.fan.volume(left - nozzle.y, right - nozzle.y);
        parts.push(part.max(0.0));
    }
    way.clear();
    let mut last: Option<(f64, f64)> = None;
    for step in steps {
        let from = match last {
            Some((at, x)) if at == step.from_s => x,
            _ => nozzle.lands(ground, step.from_s),
        };
        let to = nozzle.lands(ground, step.to_s);
        last = Some((step.to_s, to));
        way.lay(from, to, step.litres);
    }
    let foot = Footprint::new(nozzle.thickness_m, boom.twin_m);
    let cell = deposit.area().cell;
    let start = deposit.area().along.0;
    for (group, (from, to)) in way.groups(2.0 * (foot.reach() + cell)) {
        let (from, to) = (from - foot.reach(), to + foot.reach());
        if boom.fan.twist == 0.0 {
            let rows = deposit.rows(from, to);
            smear.cells(group, &foot, (start, cell), rows, |row, litres| {
                deposit.add_row(row, columns.start, parts, litres);
            });
            continue;
        }
        for (column, part) in columns.clone().zip(parts.iter()) {
            let (left, right) = deposit.column(column);
            let shift = boom.fan.twist * (0.5 * (left + right) - nozzle.y);
            let rows = deposit.rows(from + shift, to + shift);
            smear.cells(group, &foot, (start - shift, cell), rows, |row, litres| {
                deposit.add(row, column, part * litres);
            });
        }
    }
}

/// The steps of a flow: (from, to, mean share of full flow), while there is any.
pub(super) fn steps(flow: &Flow, until_s: f64, step_s: f64) -> Vec<(f64, f64, f64)> {
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
