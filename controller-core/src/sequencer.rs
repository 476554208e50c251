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
use crate::counters::{Counters, add, bump};
use crate::ground_plan::{IntervalList, ahead};
use crate::odometer::Motion;
use crate::units::{COUNTS_PER_MM, Length, Micros, Span, saturate_i32, wrap_i32};

/// A millimetre in counts: less than this late is not reported as late.
const ONE_MM: i32 = COUNTS_PER_MM;
/// Ground this far behind is forgotten, long before short places alias.
const FORGET: i32 = 100_000 * COUNTS_PER_MM;

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

/// State of one nozzle: its plan and its valve.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lane<const K: usize> {
    /// Ground still to spray, as places of the boom reference point.
    pub plan: IntervalList<K>,
    /// Ground up to here is done, or was given up.
    done_to: i32,
    /// Low half of the last command's instant.
    last_at: u32,
    open: bool,
    /// The shortest on or off time has passed since `last_at`.
    settled: bool,
}

impl<const K: usize> Lane<K> {
    /// Closed, with nothing planned or done, at place 0.
    pub(crate) fn idle() -> Self {
        Self {
            done_to: -(FORGET >> 1),
            settled: true,
            ..Self::default()
        }
    }

    /// True between an open and its close.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        self.open
    }

    /// Up to where this lane's ground is done.
    pub(crate) const fn done_to(&self) -> i32 {
        self.done_to
    }
}

/// What one decision instant knows, worked out once for all nozzles.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Instant {
    pub at: Micros,
    motion: Motion,
    /// Place of the reference point, counts.
    pub place: i32,
    window: i32,
    /// µs a fine count, 2⁻²⁰.
    pace: i64,
    /// Fine counts of travel in half a window.
    half_way: i64,
}

impl Instant {
    /// `typical_delay`: the delay at which the reciprocal speed is taken.
    pub fn new(at: Micros, motion: Motion, timing: &TimingConfig, typical_delay: Span) -> Self {
        let window = timing
            .decision_period
            .signed()
            .saturating_add(timing.slack.signed());
        let half = window >> 1;
        let speed = motion.speed_after(typical_delay.signed().saturating_add(half));
        Self {
            at,
            motion,
            place: motion.place(),
            window,
            pace: (1_i64 << 36).checked_div(speed).unwrap_or(1 << 36),
            half_way: speed.saturating_mul(i64::from(half)) >> 16,
        }
    }

    /// When `boundary` is met. Its place is of the reference point.
    fn meet(&self, boundary: i32, delay: Span, throw: i32) -> Meeting {
        let half = self.window >> 1;
        let middle = delay.signed().saturating_add(half);
        let way = i64::from(boundary.wrapping_sub(self.motion.base)) << 8;
        let to_go = way.wrapping_sub(self.motion.landing_fine(middle, throw));
        if to_go > self.half_way {
            return Meeting::Later;
        }
        let offset = to_go
            .max(-(1 << 30))
            .saturating_mul(self.pace)
            .saturating_add(1 << 19)
            >> 20;
        let offset = i64::from(half).saturating_add(offset);
        if offset >= 0 {
            return Meeting::At(self.at.plus_signed(offset));
        }
        // Too late by so much ground, had the command gone out right now.
        let short = self.half_way.saturating_add(to_go).saturating_neg() >> 8;
        Meeting::Passed(saturate_i32(short.max(0)))
    }

    /// Where the spray of a valve told to open right now would land, as a place of
    /// the reference point.
    fn reach_now(&self, delay: Span, throw: i32) -> i32 {
        let landing = self.motion.landing_fine(delay.signed(), throw);
        self.motion.base.wrapping_add(wrap_i32(landing >> 8))
    }

    fn travel(&self, time: i64) -> i32 {
        saturate_i32(i64::from(self.motion.v).saturating_mul(time) >> 24)
    }
}

enum Meeting {
    Later,
    At(Micros),
    Passed(i32),
}

/// Decides for one nozzle at one instant: at most one command. Bounded by the
/// list length.
pub(crate) fn decide<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    patch: &PatchConfig,
    timing: &TimingConfig,
    instant: &Instant,
    allowed: bool,
    counters: &mut Counters,
) -> Option<(Action, Micros, Length)> {
    // Age out what would alias.
    if ahead(instant.place, lane.done_to) > FORGET {
        lane.done_to = instant.place.wrapping_sub(FORGET >> 1);
    }
    let since = wrap_u32(instant.at.0).wrapping_sub(lane.last_at);
    let rest = if lane.open {
        timing.shortest_on
    } else {
        timing.shortest_off
    };
    // A last command may still lie ahead by one window.
    let still_ahead = since > u32::MAX >> 1;
    if !lane.settled && !still_ahead && since >= rest.0 {
        lane.settled = true;
    }
    let earliest = if lane.settled {
        instant.at
    } else {
        // last_at + rest, rebuilt around `at`
        let ago = if still_ahead {
            0_u32.wrapping_sub(since)
        } else {
            0
        };
        let done = if still_ahead { 0 } else { since };
        instant
            .at
            .plus(Span(ago))
            .plus(Span(rest.0.saturating_sub(done)))
    };
    if lane.open {
        decide_close(
            lane, nozzle, patch, timing, instant, allowed, earliest, counters,
        )
    } else if allowed {
        decide_open(lane, nozzle, patch, instant, earliest, counters)
    } else {
        None
    }
}

fn decide_open<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    patch: &PatchConfig,
    instant: &Instant,
    earliest: Micros,
    counters: &mut Counters,
) -> Option<(Action, Micros, Length)> {
    let lead = patch
        .lead_time
        .signed()
        .saturating_add(patch.open_extra_time.signed());
    let throw = nozzle.throw.signed();
    let trail = patch
        .trail_time
        .signed()
        .saturating_add(patch.close_extra_time.signed());
    let mut first = lane.plan.first()?;
    let (mut at, mut short) =
        match instant.meet(first.start, nozzle.open_delay, throw.saturating_add(lead)) {
            Meeting::Later => return None,
            Meeting::At(at) => (at, 0),
            Meeting::Passed(short) => (instant.at, short),
        };
    if short > 0 {
        // Give up what can't be reached at all, then see what is left of the rest.
        let reach = instant.reach_now(nozzle.open_delay, throw.saturating_sub(trail));
        while ahead(reach, first.end) >= 0 {
            lane.plan.pop_first();
            lane.done_to = first.end;
            bump(&mut counters.missed_late);
            add(&mut counters.late_mm, mm(first.len()));
            first = lane.plan.first()?;
        }
        match instant.meet(first.start, nozzle.open_delay, throw.saturating_add(lead)) {
            Meeting::Later => return None,
            Meeting::At(then) => (at, short) = (then, 0),
            Meeting::Passed(ground) => (at, short) = (instant.at, ground),
        }
    }
    if earliest > at {
        // The valve may not open again so soon.
        let held = earliest.since(at);
        at = earliest;
        if held.0 > timing_window(instant) {
            return None;
        }
        short = short.saturating_add(instant.travel(i64::from(held.0)));
    }
    if short > ONE_MM {
        bump(&mut counters.late);
        add(&mut counters.late_mm, mm(short));
    } else {
        short = 0;
    }
    command(lane, Action::Open, at);
    Some((Action::Open, at, Length::from_bits(short)))
}

fn timing_window(instant: &Instant) -> u32 {
    u32::try_from(instant.window).unwrap_or_default()
}

#[allow(clippy::too_many_arguments)] // one call site, all of it read
fn decide_close<const K: usize>(
    lane: &mut Lane<K>,
    nozzle: &NozzleConfig,
    patch: &PatchConfig,
    timing: &TimingConfig,
    instant: &Instant,
    allowed: bool,
    earliest: Micros,
    counters: &mut Counters,
) -> Option<(Action, Micros, Length)> {
    let trail = patch
        .trail_time
        .signed()
        .saturating_add(patch.close_extra_time.signed());
    let lead = patch
        .lead_time
        .signed()
        .saturating_add(patch.open_extra_time.signed());
    let throw = nozzle.throw.signed().saturating_sub(trail);
    if !allowed {
        // Protects, so it may break the shortest on-time; but never runs before
        // the open that is already out.
        let reach = instant.reach_now(nozzle.close_delay, throw);
        lane.plan.trim_first(reach);
        lane.done_to = later(lane.done_to, reach);
        let opened = wrap_u32(instant.at.0).wrapping_sub(lane.last_at);
        let at = if opened > u32::MAX >> 1 {
            instant.at.plus(Span(0_u32.wrapping_sub(opened)))
        } else {
            instant.at
        };
        bump(&mut counters.guard_closes);
        command(lane, Action::Close, at);
        return Some((Action::Close, at, Length::default()));
    }
    let mut over = 0;
    let mut at = instant.at;
    while let Some(first) = lane.plan.first() {
        match instant.meet(first.end, nozzle.close_delay, throw) {
            Meeting::Later => return None,
            Meeting::At(then) => (at, over) = (then, 0),
            Meeting::Passed(ground) => (at, over) = (instant.at, ground),
        }
        at = at.max(earliest);
        if at.offset_from(instant.at) > instant.window {
            return None;
        }
        // Would the valve have to open again before it may? Then it stays open.
        // Close at B1 and open at B2 are (B2 − B1)/v apart, less what the two
        // delays and throws differ by.
        let held = i64::from(at.offset_from(instant.at));
        let apart = i64::from(timing.shortest_off.0)
            .saturating_add(i64::from(nozzle.open_delay.0))
            .saturating_sub(i64::from(nozzle.close_delay.0))
            .saturating_add(i64::from(lead))
            .saturating_add(i64::from(trail));
        let Some(second) = lane.plan.second() else {
            break;
        };
        let stops_at = if over > 0 || at == earliest {
            let late = i64::from(nozzle.close_delay.0).saturating_add(held);
            later(
                first.end,
                instant.motion.base.wrapping_add(wrap_i32(
                    instant.motion.landing_fine(saturate_i32(late), throw) >> 8,
                )),
            )
        } else {
            first.end
        };
        if i64::from(ahead(second.start, stops_at)) > i64::from(instant.travel(apart)) {
            break;
        }
        lane.plan.join_first_two();
        bump(&mut counters.gaps_bridged);
    }
    at = at.max(earliest);
    if at.offset_from(instant.at) > instant.window {
        return None;
    }
    if let Some(first) = lane.plan.pop_first() {
        lane.done_to = later(lane.done_to, first.end);
    }
    if over > ONE_MM {
        bump(&mut counters.late_closes);
    } else {
        over = 0;
    }
    command(lane, Action::Close, at);
    Some((Action::Close, at, Length::from_bits(over)))
}

fn command<const K: usize>(lane: &mut Lane<K>, action: Action, at: Micros) {
    lane.open = action == Action::Open;
    lane.last_at = wrap_u32(at.0);
    lane.settled = false;
}

fn later(a: i32, b: i32) -> i32 {
    if ahead(a, b) > 0 { a } else { b }
}

fn mm(counts: i32) -> u64 {
    u64::try_from(counts.saturating_add(8) >> 4).unwrap_or_default()
}

fn wrap_u32(value: u64) -> u32 {
    let [a, b, c, d, ..] = value.to_le_bytes();
    u32::from_le_bytes([a, b, c, d])
}
