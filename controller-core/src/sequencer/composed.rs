//! Deciding where more than the plan counts: broadcast, unseen ground, keep-off lines, off.
//!
//! The same meeting of a boundary as for the plan alone, but the boundaries are those of
//! [`Wanted`]. At a keep-off line the drops count and not the half flow: the close is timed
//! so that the last drop falls before it, the open so that the first falls behind it.

use super::{Action, Decided, Edges, Instant, Meeting};
use crate::boom::NozzleConfig;
use crate::counters::{Counters, add_ground, bump};
use crate::ground_plan::{Inserted, Interval, ahead};
use crate::lane::{Lane, ONE_MM, later, mm};
use crate::sections::Mode;
use crate::units::Span;
use crate::wanted::Wanted;

/// More turns than edges that one instant can pass.
const MOST_TURNS: usize = 160;

pub(super) fn open<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) -> Option<Decided> {
    // What not even an open now could reach is given up.
    let lost = instant.reach(0, nozzle.open_delay, edges.close_throw);
    if wanted.mode == Mode::Off {
        lane.give_up_before(lost, wanted, counters);
        return None;
    }
    // Where the first drop would fall: a line must be behind that, not behind half flow.
    let soonest = instant.reach(earliest, nozzle.open_delay, edges.first_drop_throw);
    for _ in 0..MOST_TURNS {
        give_up_kept_off(lane, lost, wanted, counters);
        let from = if wanted.fills() {
            lane.give_up_before(lost, wanted, counters);
            later(lane.done_to, soonest)
        } else {
            lane.done_to
        };
        let run = wanted.run(lane.plan.as_slice(), from)?;
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
                Meeting::Later => return None,
                Meeting::At(at) => at,
                Meeting::Passed => 0,
            }
        };
        // Close behind a line the rise alone would let drops fall before it.
        let dry_to = match wanted
            .line_behind(run.start)
            .map(|line| instant.meet(line, nozzle.open_delay, edges.first_drop_throw))
        {
            Some(Meeting::Later) => return None,
            Some(Meeting::At(at)) => at,
            Some(Meeting::Passed) | None => 0,
        };
        let at = met.max(earliest).max(dry_to);
        if at > instant.window {
            return None;
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
            continue;
        }
        if let Some(line) = wanted.line_after(run.start) {
            // Open for its shortest time the valve would spray beyond the line.
            let until = at.saturating_add(edges.shortest_on.signed());
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
                continue;
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
            return Some(Decided::new(Action::Open, at, 0));
        }
        lane.opened(instant.stamp(at), start);
        if late || unbound {
            bump(&mut counters.late);
            add_ground(&mut counters.late_mm, mm(short));
        }
        return Some(Decided::new(Action::Open, at, short));
    }
    None
}

/// Counts patches that lie wholly on keep-off ground once they have passed.
fn give_up_kept_off<const K: usize>(
    lane: &mut Lane<K>,
    lost: i32,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) {
    for _ in 0..K {
        let Some(first) = lane.plan.first() else {
            return;
        };
        let passed = ahead(first.end, lost) <= 0;
        if !passed || ahead(wanted.past_line(first.start), first.end) < 0 {
            return;
        }
        lane.give_up_before(first.end, wanted, counters);
    }
}

pub(super) fn close<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) -> Option<Decided> {
    let beyond = |at: i32, throw: i32| instant.reach(at, nozzle.close_delay, throw);
    let in_window = |at: i32| at <= instant.window;
    for _ in 0..MOST_TURNS {
        let run = wanted.run(lane.plan.as_slice(), lane.done_to);
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
                return None;
            }
            let stop = later(lane.done_to, beyond(at, edges.close_throw));
            if bridge(lane, lane.done_to, stop, edges, instant, wanted, counters) {
                continue;
            }
            if kept_off {
                bump(&mut counters.keep_off_crossed);
            }
            bump(&mut counters.order_closes);
            lane.drop_before(stop);
            lane.closed(instant.stamp(at), stop);
            return Some(Decided::new(Action::Close, at, 0));
        };
        let end = run.end?;
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
        let at = if for_line { line? } else { due? };
        if !in_window(at) {
            return None;
        }
        let stop = if run.to_line || for_line {
            end
        } else {
            later(end, beyond(at, edges.close_throw))
        };
        if !run.to_line && !for_line && bridge(lane, end, stop, edges, instant, wanted, counters) {
            continue;
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
        return Some(Decided::new(Action::Close, at, over));
    }
    None
}

/// Joins the ground that ends at `end` to what is wanted next, where the valve, closed at
/// `stop`, could not open again in time for it. Never over keep-off ground.
fn bridge<const K: usize>(
    lane: &mut Lane<K>,
    end: i32,
    stop: i32,
    edges: &Edges,
    instant: &Instant,
    wanted: &Wanted<'_>,
    counters: &mut Counters,
) -> bool {
    let Some(next) = wanted.run(lane.plan.as_slice(), end) else {
        return false;
    };
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
