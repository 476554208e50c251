//! From the commands of each nozzle to what came down, and where.

use super::input::{Command, JudgeInput, TrueNozzle};
use super::report::Problem;
use crate::{Flow, Supplied};

/// One spray of one nozzle, from half flow to half flow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    /// Where half flow came down at the opening.
    pub open_x: f64,
    /// Speed then.
    pub open_v: f64,
    /// Where half flow came down at the closing and the speed then; none
    /// where the nozzle never closed.
    pub close: Option<(f64, f64)>,
    /// Its two ends in order along travel.
    pub from: f64,
    pub to: f64,
}

/// All that one nozzle sprayed.
#[derive(Clone, Debug, Default)]
pub(super) struct Sprayed {
    /// Sorted by `from`.
    pub stretches: Vec<Stretch>,
    /// Ground at half flow or more, sorted and apart.
    pub strips: Vec<(f64, f64)>,
    /// Ground with the full dose, sorted and apart.
    pub full: Vec<(f64, f64)>,
    /// Ground with any spray at all, sorted and apart.
    pub wet: Vec<(f64, f64)>,
    /// Where the flow bends, along travel, and its share of full flow there.
    pub profile: Vec<(f64, f64)>,
    /// Where commands that never brought half flow would have sprayed from,
    /// sorted; apart from those that the controller itself called late.
    pub stalled: Vec<f64>,
    /// The same for commands that the controller itself called late.
    pub stalled_short: Vec<f64>,
}

/// Sorts the commands by nozzle and time, and lists what is wrong with them.
pub(super) fn by_nozzle(commands: &[Command], nozzles: usize) -> (Vec<Vec<Command>>, Vec<Problem>) {
    let mut lists: Vec<Vec<Command>> = vec![Vec::new(); nozzles];
    let mut problems = Vec::new();
    for (command, c) in commands.iter().enumerate() {
        let nozzle = c.nozzle;
        let Some(list) = lists.get_mut(nozzle) else {
            problems.push(Problem::UnknownNozzle { command, nozzle });
            continue;
        };
        if !(c.at_s.is_finite() && c.short_by_m.is_finite()) {
            problems.push(Problem::NotANumber { command });
            continue;
        }
        if list.last().is_some_and(|last| c.at_s < last.at_s) {
            problems.push(Problem::Backwards {
                nozzle,
                at_s: c.at_s,
            });
        }
        list.push(*c);
    }
    for (nozzle, list) in lists.iter_mut().enumerate() {
        list.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let mut opened = None;
        for &Command { at_s, open, .. } in list.iter() {
            match (opened, open) {
                (Some(_), true) => problems.push(Problem::OpenTwice { nozzle, at_s }),
                (None, false) => problems.push(Problem::CloseTwice { nozzle, at_s }),
                _ => opened = open.then_some(at_s),
            }
        }
        if let Some(at_s) = opened {
            problems.push(Problem::NeverClosed { nozzle, at_s });
        }
    }
    (lists, problems)
}

/// The flow of one nozzle at a steady pressure.
pub(super) fn flow(nozzle: &TrueNozzle, commands: &[Command]) -> Flow {
    let told: Vec<(f64, bool)> = commands.iter().map(|c| (c.at_s, c.open)).collect();
    nozzle.valve.flow(&told)
}

/// Brings down the spray of one nozzle.
pub(super) fn spray(
    input: &JudgeInput<'_>,
    nozzle: usize,
    (commands, flow): (&[Command], &Flow),
    supplied: Option<&Supplied>,
) -> Sprayed {
    let Some(n) = input.nozzles.get(nozzle) else {
        return Sprayed::default();
    };
    let ground = input.way(nozzle);
    let lands = |t: f64| n.lands(ground, t);
    // An open valve sprays up to the end of the run.
    let last = ground.end().max(commands.last().map_or(0.0, |c| c.at_s));

    let mut sprayed = Sprayed::default();
    let mut plateaus = flow.full().iter().peekable();
    for pair in flow.half_flow().chunks(2) {
        let opened = pair[0].at_s;
        let closed = pair.get(1).map(|h| h.at_s);
        let open_x = lands(opened);
        let open_v = ground.speed(opened);
        let close = closed.map(|t| (lands(t), ground.speed(t)));
        let until = closed.unwrap_or(last.max(opened));
        let (end_x, end_v) = close.unwrap_or_else(|| (lands(until), ground.speed(until)));
        let (from, to) = (open_x.min(end_x), open_x.max(end_x));
        sprayed.stretches.push(Stretch {
            open_x,
            open_v,
            close,
            from,
            to,
        });
        sprayed.strips.push((from, to));

        let first_full = open_x + n.short_at_start(open_v);
        let last_full = end_x - n.short_at_stop(end_v);
        let mut own = Vec::new();
        while let Some(&plateau) = plateaus.next_if(|p| p.0 <= until) {
            own.push(plateau);
        }
        for (i, &(a, b)) in own.iter().enumerate() {
            // The outer ends are defined from half flow; a dip between two
            // plateaus is cut out where it truly begins and ends.
            let from = if i == 0 {
                first_full
            } else {
                lands(a) + 0.5 * n.thickness_m
            };
            let to = if i + 1 == own.len() {
                last_full
            } else {
                lands(b.min(until)) - 0.5 * n.thickness_m
            };
            if from <= to {
                sprayed.full.push((from, to));
            }
        }
    }
    let given = |t: f64, share: f64| share * supplied.map_or(1.0, |s| s.share(t));
    sprayed.profile = flow
        .points()
        .iter()
        .map(|&(t, share)| (lands(t.min(last)), given(t, share)))
        .collect();
    // A valve that never closed sprays on to the end of the run.
    if let Some(&(_, share)) = flow.points().last() {
        sprayed.profile.push((lands(last), given(last, share)));
    }
    if let Some(supplied) = supplied {
        for (a, b) in wet_times(flow) {
            let bends = supplied.bends(a, b.min(last));
            let points = bends.map(|t| (lands(t), given(t, flow.level(t))));
            sprayed.profile.extend(points);
        }
        // Where doses are summed, only the nominal flow needs no closer look.
        let enough = match input.fan {
            Some(_) => 1.0,
            None => supplied.spec().full_share,
        };
        let half = 0.5 * n.thickness_m;
        let weak = supplied.below(enough).into_iter().map(|(a, b)| {
            let (a, b) = (lands(a), lands(b));
            (a.min(b) - half, a.max(b) + half)
        });
        without(&mut sprayed.full, weak);
    }
    sprayed.profile.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (a, b) in wet_times(flow) {
        let (a, b) = (lands(a), lands(b.min(last).max(a)));
        let half = 0.5 * n.thickness_m;
        sprayed.wet.push((a.min(b) - half, a.max(b) + half));
    }
    for &command in flow.stalled() {
        if let Some(c) = commands.get(command) {
            let list = if c.short_by_m > 0.0 {
                &mut sprayed.stalled_short
            } else {
                &mut sprayed.stalled
            };
            list.push(lands(c.at_s + n.valve.open_delay_s));
        }
    }
    sprayed.stretches.sort_by(|a, b| a.from.total_cmp(&b.from));
    sprayed.stalled.sort_by(f64::total_cmp);
    sprayed.stalled_short.sort_by(f64::total_cmp);
    for list in [&mut sprayed.strips, &mut sprayed.full, &mut sprayed.wet] {
        join(list);
    }
    sprayed
}

/// The times (from, to) with any flow; the last may never end.
fn wet_times(flow: &Flow) -> Vec<(f64, f64)> {
    let mut times = Vec::new();
    let mut began = None;
    for pair in flow.points().windows(2) {
        let ((t0, _), (t1, v1)) = (pair[0], pair[1]);
        if began.is_none() && v1 > 0.0 {
            began = Some(t0);
        }
        if let (Some(from), true) = (began, v1 <= 0.0) {
            times.push((from, t1));
            began = None;
        }
    }
    if let Some(from) = began {
        times.push((from, f64::INFINITY));
    }
    times
}

/// Sorts intervals and joins those that touch.
pub(super) fn join(list: &mut Vec<(f64, f64)>) {
    list.sort_by(|a, b| a.0.total_cmp(&b.0));
    list.dedup_by(|next, kept| {
        let touch = next.0 <= kept.1;
        if touch {
            kept.1 = kept.1.max(next.1);
        }
        touch
    });
}

/// Takes ground out of intervals.
fn without(list: &mut Vec<(f64, f64)>, holes: impl Iterator<Item = (f64, f64)>) {
    let mut holes: Vec<(f64, f64)> = holes.collect();
    join(&mut holes);
    let mut left = Vec::with_capacity(list.len());
    for &(from, to) in list.iter() {
        let mut from = from;
        let first = holes.partition_point(|h| h.1 <= from);
        for hole in holes[first..].iter().take_while(|h| h.0 < to) {
            if from < hole.0 {
                left.push((from, hole.0));
            }
            from = from.max(hole.1);
        }
        if from <= to {
            left.push((from, to));
        }
    }
    *list = left;
}

/// The one of sorted, separate intervals that reaches beyond `x`, if any
/// begins before `to`.
pub(super) fn overlapping(list: &[(f64, f64)], x: f64, to: f64) -> Option<(f64, f64)> {
    let next = list.partition_point(|i| i.1 <= x);
    list.get(next).copied().filter(|i| i.0 < to)
}
