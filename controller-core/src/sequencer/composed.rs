//! Deciding where more than the plan counts: broadcast, unseen ground, keep-off lines, off.
//!
//! The same meeting of a boundary as for the plan alone, but the boundaries are those of
//! [`Wanted`]. At a keep-off line the drops count and not the half flow: the close is timed
//! so that the last drop falls before it, the open so that the first falls behind it.

use super::{Action, Edges, Instant, Meeting, Outcome};
use crate::boom::NozzleConfig;
use crate::counters::{Counters, add_ground, bump};
use crate::ground_plan::{Inserted, Interval, ahead};
use crate::lane::{Lane, ONE_MM, later, mm};
use crate::sections::Mode;
use crate::units::Span;
use crate::wanted::{Run, Runs, Wanted};

/// The layers over a nozzle, and the stretches found in them.
pub(super) struct View<'v, 'a> {
    pub wanted: &'v Wanted<'a>,
    pub runs: &'v mut Runs,
}

impl View<'_, '_> {
    /// The first stretch to spray at or beyond `from`; outer `None` when it has to be
    /// searched for. Nothing may have been changed before.
    fn run<const K: usize>(&mut self, lane: &Lane<K>, from: i32) -> Option<Option<Run>> {
        self.runs.ask(self.wanted, lane.plan.as_slice(), from)
    }
}

#[cfg_attr(target_os = "none", inline(never))]
pub(super) fn open<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    mut view: View<'_, '_>,
    counters: &mut Counters,
) -> Outcome {
    let wanted = view.wanted;
    // What not even an open now could reach is given up.
    let lost = instant.reach(0, nozzle.open_delay, edges.close_throw);
    if wanted.mode == Mode::Off {
        return if lane.give_up_before(lost, wanted, counters) {
            Outcome::More
        } else {
            Outcome::Nothing
        };
    }
    // Where the first drop would fall: a line must be behind that, not behind half flow.
    let soonest = instant.reach(earliest, nozzle.open_delay, edges.first_drop_throw);
    let gave_up = if wanted.fills() {
        lane.give_up_before(lost, wanted, counters)
    } else {
        give_up_kept_off(lane, lost, wanted, counters)
    };
    if gave_up {
        return Outcome::More;
    }
    let from = if wanted.fills() {
        later(lane.done_to, soonest)
    } else {
        lane.done_to
    };
    let run = match view.run(lane, from) {
        Some(Some(run)) => run,
        Some(None) => return Outcome::Nothing,
        None => return Outcome::Search,
    };
    let throw = if run.from_line {
        edges.first_drop_throw
    } else {
        edges.open_throw
    };
    // Wanted wherever spray can first fall, and not sprayed before: no boundary to meet.
    let fresh = ahead(soonest, lane.done_to) >= 0;
    let unbound = wanted.fills() && run.start == from && !run.from_line && fresh;
    let met = if unbound {
        earliest
    } else {
        match instant.meet(run.start, nozzle.open_delay, throw) {
            Meeting::Later => return Outcome::Nothing,
            Meeting::At(at) => at,
            Meeting::Passed => 0,
        }
    };
    // Close behind a line the rise alone would let drops fall before it.
    let dry_to = match wanted
        .line_behind(run.start)
        .map(|line| instant.meet(line, nozzle.open_delay, edges.first_drop_throw))
    {
        Some(Meeting::Later) => return Outcome::Nothing,
        Some(Meeting::At(at)) => at,
        Some(Meeting::Passed) | None => 0,
    };
    let at = met.max(earliest).max(dry_to);
    if at > instant.window {
        return Outcome::Nothing;
    }
    let start = later(run.start, instant.reach(at, nozzle.open_delay, throw));
    let late = !unbound && (at > met || at == 0);
    if let (true, Some(end)) = (late, run.end)
        && ahead(instant.reach(at, nozzle.open_delay, edges.close_throw), end) >= 0
    {
        // Nothing of it can be reached.
        lane.drop_before(end);
        lane.done_to = later(lane.done_to, end);
        bump(&mut counters.missed_late);
        add_ground(&mut counters.late_mm, mm(ahead(end, run.start)));
        return Outcome::More;
    }
    if let Some(line) = wanted.line_after(run.start) {
        // Open for its shortest time the valve would spray beyond the line.
        let until = at.saturating_add(edges.shortest_on.us());
        let last = instant.reach(until, nozzle.close_delay, edges.last_drop_throw);
        if ahead(last, line) > 0 {
            let end = run.end.filter(|end| ahead(line, *end) > 0).unwrap_or(line);
            // A patch that ends on the keep-off ground goes as a whole.
            let whole = lane.plan.first().map(|first| first.end);
            let past = wanted.past_line(line);
            let end = match whole {
                Some(whole) if end == line && ahead(past, whole) >= 0 => later(whole, end),
                _ => end,
            };
            lane.withhold(run.start, end, counters);
            return Outcome::More;
        }
    }
    // Broadcast begins where it can. Ground comes short where the shortest off-time holds
    // it back, and where a plant was planned before.
    let owed = match lane.plan.first() {
        Some(first) if wanted.mode == Mode::Spot => {
            let planned = later(first.start, lane.done_to);
            wanted.past_line(planned)
        }
        _ if earliest > 0 => wanted.past_line(lane.done_to),
        _ => start,
    };
    let short = ahead(start, if unbound { owed } else { run.start });
    if short <= ONE_MM {
        lane.opened(instant.stamp(at), if unbound { start } else { run.start });
        return Outcome::tell(Action::Open, at, 0);
    }
    lane.opened(instant.stamp(at), start);
    if late || unbound {
        bump(&mut counters.late);
        add_ground(&mut counters.late_mm, mm(short));
    }
    Outcome::tell(Action::Open, at, short)
}

/// Gives up a patch that lies wholly on keep-off ground and has passed, and counts it. True
/// when there was one.
fn give_up_kept_off<const K: usize>(
    lane: &mut Lane<K>,
    lost: i32,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) -> bool {
    let Some(first) = lane.plan.first() else {
        return false;
    };
    let passed = ahead(first.end, lost) <= 0;
    passed
        && ahead(wanted.past_line(first.start), first.end) >= 0
        && lane.give_up_before(first.end, wanted, counters)
}

#[cfg_attr(target_os = "none", inline(never))]
pub(super) fn close<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    mut view: View<'_, '_>,
    counters: &mut Counters,
) -> Outcome {
    let wanted = view.wanted;
    let beyond = |at: i32, throw: i32| instant.reach(at, nozzle.close_delay, throw);
    let in_window = |at: i32| at <= instant.window;
    let Some(run) = view.run(lane, lane.done_to) else {
        return Outcome::Search;
    };
    let Some(run) = run.filter(|run| run.start == lane.done_to) else {
        // No longer wanted where it sprays now. Keep-off ground does not wait for the
        // shortest on-time.
        let kept_off = wanted.line_after(lane.done_to) == Some(lane.done_to);
        let at = if kept_off {
            lane.earliest(instant.at, 0, Span(0))
        } else {
            earliest
        };
        let line = line_met(lane, lane.done_to, nozzle, edges, instant, wanted);
        let at = line.map_or(at, |line| line.min(at));
        if !in_window(at) {
            return Outcome::Nothing;
        }
        let stop = later(lane.done_to, beyond(at, edges.close_throw));
        let Some(next) = view.run(lane, lane.done_to) else {
            return Outcome::Search;
        };
        let ends = (lane.done_to, stop);
        if bridge(lane, ends, next, edges, instant, wanted, counters) {
            return Outcome::More;
        }
        if kept_off {
            bump(&mut counters.keep_off_crossed);
        }
        bump(&mut counters.order_closes);
        lane.drop_before(stop);
        lane.closed(instant.stamp(at), stop);
        return Outcome::tell(Action::Close, at, 0);
    };
    let Some(end) = run.end else {
        return Outcome::Nothing;
    };
    let throw = if run.to_line {
        edges.last_drop_throw
    } else {
        edges.close_throw
    };
    let met = match instant.meet(end, nozzle.close_delay, throw) {
        Meeting::Later => None,
        Meeting::At(at) => Some(at),
        Meeting::Passed => Some(0),
    };
    // The last drop flies beyond half flow: a line behind the end may be met sooner.
    let line = line_met(lane, end, nozzle, edges, instant, wanted);
    let due = if run.to_line {
        met.map(|met| lane.earliest(instant.at, met, Span(0)))
    } else {
        met.map(|met| met.max(earliest))
    };
    let for_line = !run.to_line && line.is_some_and(|line| due.is_none_or(|due| line < due));
    let Some(at) = (if for_line { line } else { due }) else {
        return Outcome::Nothing;
    };
    if !in_window(at) {
        return Outcome::Nothing;
    }
    let stop = if run.to_line || for_line {
        end
    } else {
        later(end, beyond(at, edges.close_throw))
    };
    if !run.to_line && !for_line {
        let Some(next) = view.run(lane, end) else {
            return Outcome::Search;
        };
        if bridge(lane, (end, stop), next, edges, instant, wanted, counters) {
            return Outcome::More;
        }
    }
    let mut over = 0;
    if run.to_line || for_line {
        bump(&mut counters.order_closes);
        if run.to_line && ahead(beyond(at, throw), end) > ONE_MM {
            bump(&mut counters.keep_off_crossed);
        }
    } else if ahead(stop, end) > ONE_MM {
        over = ahead(stop, end);
        bump(&mut counters.late_closes);
    }
    lane.drop_before(stop);
    lane.closed(instant.stamp(at), stop);
    Outcome::tell(Action::Close, at, over)
}

/// Joins the ground that ends at `end` to what is wanted `next`, where the valve, closed at
/// `stop`, could not open again in time for it. Never over keep-off ground.
fn bridge<const K: usize>(
    lane: &mut Lane<K>,
    (end, stop): (i32, i32),
    next: Option<Run>,
    edges: &Edges,
    instant: &Instant,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) -> bool {
    let Some(next) = next else { return false };
    let line = wanted.line_after(end);
    let free = line.is_none_or(|line| ahead(line, next.start) > 0);
    let near = ahead(next.start, stop) <= instant.travel(edges.shortest_gap);
    if !free || !near || next.from_line || ahead(next.start, end) <= 0 {
        return false;
    }
    let gap = Interval {
        start: end,
        end: next.start,
    };
    bump(&mut counters.gaps_bridged);
    if let Inserted::Forced { gap } = lane.plan.insert(gap) {
        bump(&mut counters.forced_merges);
        add_ground(&mut counters.forced_merge_mm, mm(gap));
    }
    true
}

/// When an open valve must be told so that its last drop falls before the next keep-off line
/// at or beyond `from`; none while that is further than this instant reaches.
fn line_met<const K: usize>(
    lane: &Lane<K>,
    from: i32,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    wanted: &Wanted<'_>,
) -> Option<i32> {
    let line = wanted.line_after(from)?;
    match instant.meet(line, nozzle.close_delay, edges.last_drop_throw) {
        Meeting::Later => None,
        Meeting::At(at) => Some(lane.earliest(instant.at, at, Span(0))),
        Meeting::Passed => Some(lane.earliest(instant.at, 0, Span(0))),
    }
}
