//! A boundary on the ground becomes the instant at which the valve must be told.
//!
//! At a decision instant `T`, with place, speed and acceleration known, spray
//! that leaves `w` µs later lands at `f(w) = x(w) + throw · v(w)`. A command at
//! `T + τ` takes effect (half flow) at `w = τ + delay`, so the boundary `B` is met
//! where `f(τ + delay) = B`. Only the next window of one decision period plus
//! slack matters, so one Newton step from its middle is exact to micrometres:
//! what it leaves out is `½·a·τ²` with τ ≤ half the window.
//!
//! Lead and trail that are times of travel act here and not in the plan, as a
//! longer or shorter throw: so they are right at the speed that the machine
//! really has when the edge is crossed.

use crate::boom::{NozzleConfig, PatchConfig, TimingConfig};
use crate::counters::{Counters, add, add_ground, bump};
use crate::ground_plan::ahead;
use crate::lane::{Lane, ONE_MM, later, mm};
use crate::odometer::Motion;
use crate::units::{Length, Micros, Span, low_u32, pace_of, saturate_i32, wrap_i32};
use crate::wanted::{Runs, Wanted};

mod composed;

use composed::View;

/// What a valve is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Action {
    /// Open fully.
    Open,
    /// Close.
    Close,
}

/// One command to one valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Command {
    /// Index of the nozzle in the machine description.
    pub nozzle: u16,
    /// Open or close.
    pub action: Action,
    /// When to act. An instant already past means at once.
    pub at: Micros,
    /// Ground of the wanted patch that this command can't serve any more
    /// (opening) or that is sprayed too far (closing). Zero when on time.
    pub short_by: Length,
}

/// What is decided for one nozzle at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Decided {
    pub action: Action,
    /// µs after the instant of the decision, at most a window.
    pub after: i32,
    /// Counts.
    pub short_by: i32,
}

impl Decided {
    fn new(action: Action, after: i32, short_by: i32) -> Self {
        Self {
            action,
            after,
            short_by,
        }
    }

    /// For the nozzle at `index`, decided at the instant `at`.
    pub fn command(&self, index: usize, at: Micros) -> Command {
        debug_assert!(self.after >= 0, "commands lie ahead of their instant");
        Command {
            nozzle: u16::try_from(index).unwrap_or(u16::MAX),
            action: self.action,
            at: at.plus(Span(self.after.max(0).unsigned_abs())),
            short_by: Length::from_bits(self.short_by),
        }
    }
}

/// What a turn with one nozzle at one instant came to.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Outcome {
    Command(Decided),
    /// There is nothing to tell the valve at this instant.
    Nothing,
    /// Ground was given up, left out or joined: the nozzle has another turn.
    More,
    /// Nothing changed yet: a stretch has to be searched for first.
    Search,
}

impl Outcome {
    fn tell(action: Action, after: i32, short_by: i32) -> Self {
        Self::Command(Decided::new(action, after, short_by))
    }
}

/// More turns than edges that one instant can pass.
pub(crate) const MOST_TURNS: u8 = 160;

/// What one decision instant knows, worked out once for all nozzles. Times in here are
/// µs after it: 32 bits are half the work.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Instant {
    /// The low half of its stamp.
    at: u32,
    motion: Motion,
    window: i32,
    /// The delay at which the pace is taken, µs.
    typical: i32,
    /// µs a fine count, 2⁻²⁰.
    pace: i64,
    /// Fine counts of travel in half a window.
    half_way: i64,
}

impl Instant {
    /// `typical_delay`: the delay at which the reciprocal speed is taken.
    pub fn new(at: Micros, motion: Motion, timing: &TimingConfig, typical_delay: Span) -> Self {
        let window = (timing.decision_period.us()).wrapping_add(timing.slack.us());
        let half = window >> 1;
        let speed = motion.speed_after(typical_delay.us().wrapping_add(half));
        Self {
            at: low_u32(at.0),
            motion,
            window,
            typical: typical_delay.us(),
            pace: pace_of(speed),
            half_way: speed.wrapping_mul(i64::from(half)) >> 16,
        }
    }

    /// The same for a nozzle that goes its own way in a curve; its pace costs a short division.
    pub fn along(&self, own: Option<Motion>) -> Self {
        let Some(motion) = own else { return *self };
        let half = self.window >> 1;
        let speed = motion.speed_after(self.typical.wrapping_add(half));
        Self {
            motion,
            pace: pace_of(speed),
            half_way: speed.wrapping_mul(i64::from(half)) >> 16,
            ..*self
        }
    }

    /// How the reference point moves, or the nozzle where it goes its own way.
    pub fn motion(&self) -> &Motion {
        &self.motion
    }

    /// Where the nozzle is, along its own way.
    pub fn place(&self) -> i32 {
        self.motion.place()
    }

    /// When `boundary` is met. Its place is of the reference point.
    #[cfg_attr(target_os = "none", inline(never))]
    fn meet(&self, boundary: i32, delay: Span, throw: i32) -> Meeting {
        let half = self.window >> 1;
        let middle = delay.us().wrapping_add(half);
        let way = i64::from(boundary.wrapping_sub(self.motion.base)) << 8;
        let to_go = way.wrapping_sub(self.motion.landing_fine(middle, throw));
        if to_go > self.half_way {
            return Meeting::Later;
        }
        // Further back than a metre is passed, whatever the speed.
        let offset = to_go.max(-(1 << 24)).wrapping_mul(self.pace);
        let offset = i64::from(half).wrapping_add(offset.wrapping_add(1 << 19) >> 20);
        if offset >= 0 {
            // Half a window, and as much again for half a window's way.
            return Meeting::At(wrap_i32(offset));
        }
        Meeting::Passed
    }

    /// The short stamp of a command `after` this instant.
    fn stamp(&self, after: i32) -> u32 {
        self.at.wrapping_add_signed(after)
    }

    /// Where spray lands that takes effect `delay` after a command at `after`, as a
    /// place of the reference point.
    #[cfg_attr(target_os = "none", inline(never))]
    fn reach(&self, after: i32, delay: Span, throw: i32) -> i32 {
        let w = after.saturating_add(delay.us());
        let landing = self.motion.landing_fine(w, throw);
        self.motion
            .base
            .wrapping_add(wrap_i32(landing.wrapping_add(128) >> 8))
    }

    /// Counts of travel in a time of a few seconds, µs.
    fn travel(&self, time: i32) -> i32 {
        saturate_i32(i64::from(self.motion.v).wrapping_mul(i64::from(time)) >> 24)
    }
}

enum Meeting {
    Later,
    At(i32),
    Passed,
}

/// What a nozzle may do at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Permit<'a> {
    /// Nothing: the guard holds it closed.
    Closed,
    /// It follows what is wanted of it.
    Follow(&'a Wanted<'a>),
    /// The bench state wants it open, or closed.
    Bench(bool),
}

/// Takes a turn with one nozzle at one instant. All that a turn leaves for the next is in the
/// lane.
pub(crate) fn decide<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    (patch, timing): (&PatchConfig, &TimingConfig),
    instant: &Instant,
    permit: &Permit<'_>,
    runs: &mut Runs,
    counters: &mut Counters,
) -> Outcome {
    let edges = Edges::new(nozzle, patch, timing);
    let may_close = |lane: &Lane<K>| lane.earliest(instant.at, 0, timing.shortest_on);
    let may_open = |lane: &Lane<K>| lane.earliest(instant.at, 0, timing.shortest_off);
    match (lane.open, permit) {
        (true, Permit::Bench(true)) if lane.in_bench() => Outcome::Nothing,
        // What the bench state opened is closed before anything else is thought of.
        (true, Permit::Follow(_)) if lane.in_bench() => {
            bump(&mut counters.guard_closes);
            Outcome::Command(protect(lane, nozzle, patch, instant))
        }
        (true, Permit::Closed | Permit::Bench(_)) => {
            bump(&mut counters.guard_closes);
            Outcome::Command(protect(lane, nozzle, patch, instant))
        }
        (false, Permit::Closed | Permit::Bench(false)) => Outcome::Nothing,
        (false, Permit::Bench(true)) => {
            let at = may_open(lane);
            if at > instant.window {
                return Outcome::Nothing;
            }
            lane.bench(instant.stamp(at), true);
            bump(&mut counters.bench_opens);
            Outcome::tell(Action::Open, at, 0)
        }
        (true, Permit::Follow(wanted)) => {
            let earliest = may_close(lane);
            let first = lane.plan.first();
            if wanted.is_plan() && first.is_none_or(|f| ahead(f.start, lane.done_to) <= 0) {
                return decide_close(lane, nozzle, &edges, instant, earliest, counters);
            }
            let view = View { wanted, runs };
            composed::close(lane, nozzle, &edges, instant, earliest, view, counters)
        }
        (false, Permit::Follow(wanted)) => {
            let earliest = may_open(lane);
            if wanted.is_plan() {
                return decide_open(lane, nozzle, &edges, instant, earliest, counters);
            }
            let view = View { wanted, runs };
            composed::open(lane, nozzle, &edges, instant, earliest, view, counters)
        }
    }
}

/// What the margins in time make of one nozzle's throw.
pub(crate) struct Edges {
    pub open_throw: i32,
    pub close_throw: i32,
    /// With these no drop falls before a place (opening) or beyond it (closing).
    pub first_drop_throw: i32,
    pub last_drop_throw: i32,
    pub shortest_on: Span,
    pub shortest_gap: i32,
}

impl Edges {
    fn new(nozzle: &NozzleConfig, patch: &PatchConfig, timing: &TimingConfig) -> Self {
        // Checked times of at most a second each: no sum can overflow.
        let lead = (patch.lead_time.us()).wrapping_add(patch.open_extra_time.us());
        let trail = (patch.trail_time.us()).wrapping_add(patch.close_extra_time.us());
        let throw = nozzle.throw.us();
        Self {
            open_throw: throw.wrapping_add(lead),
            close_throw: throw.wrapping_sub(trail),
            first_drop_throw: throw.wrapping_sub(patch.open_extra_time.us()),
            last_drop_throw: throw.wrapping_add(patch.close_extra_time.us()),
            shortest_on: timing.shortest_on,
            // Close at B1 and open at B2 are (B2 − B1)/v apart, less what the two delays
            // and throws differ by. Nearer than this the valve would have to open again
            // before it may.
            shortest_gap: (timing.shortest_off.us())
                .wrapping_add(nozzle.open_delay.us())
                .wrapping_sub(nozzle.close_delay.us())
                .wrapping_add(lead)
                .wrapping_add(trail),
        }
    }
}

#[cfg_attr(target_os = "none", inline(never))]
fn decide_open<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    counters: &mut Counters,
) -> Outcome {
    let Some(first) = lane.plan.first() else {
        return Outcome::Nothing;
    };
    let met = match instant.meet(first.start, nozzle.open_delay, edges.open_throw) {
        Meeting::Later => return Outcome::Nothing,
        Meeting::At(at) => at,
        Meeting::Passed => 0,
    };
    // The valve may not open again sooner than `earliest`.
    let at = met.max(earliest);
    if at > instant.window {
        return Outcome::Nothing;
    }
    if at == met && at > 0 {
        lane.opened(instant.stamp(at), first.start);
        return Outcome::tell(Action::Open, at, 0);
    }
    let start = later(
        first.start,
        instant.reach(at, nozzle.open_delay, edges.open_throw),
    );
    let late = at > met || at == 0;
    let beyond = instant.reach(at, nozzle.open_delay, edges.close_throw);
    if late && ahead(beyond, first.end) >= 0 {
        // Nothing of it can be reached; nor of those behind it that end as near, which would be
        // met no later than it.
        let mut end = first.end;
        for patch in lane.plan.as_slice() {
            if ahead(beyond, patch.end) < 0 {
                break;
            }
            end = patch.end;
            bump(&mut counters.missed_late);
            add_ground(&mut counters.late_mm, mm(patch.len()));
        }
        lane.drop_before(end);
        lane.done_to = later(lane.done_to, end);
        return Outcome::More;
    }
    let short = ahead(start, first.start);
    if short <= ONE_MM {
        lane.opened(instant.stamp(at), first.start);
        return Outcome::tell(Action::Open, at, 0);
    }
    lane.opened(instant.stamp(at), start);
    bump(&mut counters.late);
    add_ground(&mut counters.late_mm, mm(short));
    Outcome::tell(Action::Open, at, short)
}

#[cfg_attr(target_os = "none", inline(never))]
fn decide_close<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    edges: &Edges,
    instant: &Instant,
    earliest: i32,
    counters: &mut Counters,
) -> Outcome {
    let (mut at, mut end, mut over) = (earliest, lane.done_to, 0);
    if let Some(first) = lane.plan.first() {
        let met = match instant.meet(first.end, nozzle.close_delay, edges.close_throw) {
            Meeting::Later => return Outcome::Nothing,
            Meeting::At(at) => at,
            Meeting::Passed => 0,
        };
        at = met.max(earliest);
        if at > instant.window {
            return Outcome::Nothing;
        }
        let mut passed = first.end;
        end = first.end;
        if at > met || at == 0 {
            passed = instant.reach(at, nozzle.close_delay, edges.close_throw);
            end = later(first.end, passed);
        }
        over = ahead(end, first.end);
        // The second, and at once all behind it that lie wholly before where it closes: each
        // would be joined by a turn of its own, at the same time of closing.
        let gap = instant.travel(edges.shortest_gap);
        let behind = lane.plan.as_slice().iter().skip(1);
        let near = behind.take_while(|patch| ahead(patch.start, end) <= gap);
        let joined = match near
            .clone()
            .take_while(|patch| ahead(passed, patch.end) > 0)
            .count()
        {
            // The next one still belongs to them if it is near.
            all @ 1.. => near.take(all.wrapping_add(1)).count(),
            0 => near.take(1).count(),
        };
        if joined > 0 {
            lane.plan.join_first(joined);
            add(
                &mut counters.gaps_bridged,
                u32::try_from(joined).unwrap_or_default(),
            );
            return Outcome::More;
        }
    }
    if at > instant.window {
        return Outcome::Nothing;
    }
    lane.plan.pop_first();
    if over > ONE_MM {
        bump(&mut counters.late_closes);
    } else {
        over = 0;
    }
    lane.closed(instant.stamp(at), end);
    Outcome::tell(Action::Close, at, over)
}

/// Closes because the guard says so. May break the shortest on-time, but never runs
/// before the open that is already out: that one lies at most one window ahead.
#[cfg_attr(target_os = "none", inline(never))]
pub(crate) fn protect<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    patch: &PatchConfig,
    instant: &Instant,
) -> Decided {
    let at = lane.earliest(instant.at, 0, Span(0));
    if lane.in_bench() {
        lane.bench(instant.stamp(at), false);
        return Decided::new(Action::Close, at, 0);
    }
    let reach = sure_to_fall(nozzle, patch, instant);
    lane.drop_before(reach);
    lane.closed(instant.stamp(at), reach);
    Decided::new(Action::Close, at, 0)
}

/// How far an open nozzle sprays at full dose even if it is told to close at once.
pub(crate) fn sure_to_fall(nozzle: &NozzleConfig, patch: &PatchConfig, instant: &Instant) -> i32 {
    let trail = (patch.trail_time.us()).wrapping_add(patch.close_extra_time.us());
    let throw = nozzle.throw.us().wrapping_sub(trail);
    instant.reach(0, nozzle.close_delay, throw)
}
