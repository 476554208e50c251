//! Where the boom was, is and will be, from wheel pulses.
//!
//! **Past.** A thinned history of (stamp, place). A capture time is looked up by
//! a parabola through the three stored pulses around it, held between the two
//! that bracket it.
//!
//! **Future.** Speed and acceleration come from two spans of at least
//! [`MIN_SPAN_MM`] each, so that one uneven wheel slot does not matter much:
//! with mean speeds `v1` (newer) and `v2`, `a = 2 (v1 − v2) / (T1 + T2)`, and the
//! speed at the newest pulse is `v1 + a·T1/2`. (Exact for constant acceleration.)
//! On coarse wheels a third span tells how acceleration itself changes.
//! Between pulses the place is never predicted backwards, and never past the
//! pulse that has not come.
//!
//! **Slots.** Where the number of slots a turn is known their offsets are learned
//! while driving, and correct the place of every pulse but not the counted
//! [`distance`](Odometer::distance).
//!
//! **Overflow policy:** the history overwrites its oldest pulse; a look-up older
//! than that is refused with a reason.

use crate::boom::WheelConfig;
use crate::slots::Slots;
use crate::units::{Distance, Micros, Span, Speed, saturate_i32, wrap_i32};

mod past;
mod plausible;

use plausible::{Bounds, Verdict};

/// Shortest span from which a speed is taken, mm.
pub const MIN_SPAN_MM: i64 = 120;
const MIN_SPAN_FINE: i64 = MIN_SPAN_MM << 12;
/// From this pulse length on a span is a single pulse, fine counts.
const SINGLE_FINE: i64 = 100 << 12;
/// Longest prediction, µs: half a second. Products below stay far inside 64 bit.
const MAX_AHEAD: i32 = 500_000;
/// How many stored pulses one speed estimate looks back at.
const MAX_STEPS: usize = 16;

/// Why a wheel pulse was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum PulseError {
    /// Stamped before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// Sooner after the last pulse than the machine's top speed allows: contact
    /// bounce or interference.
    TooSoon {
        /// µs since the last pulse.
        after: Span,
        /// Shortest possible period, µs.
        shortest: Span,
    },
    /// Sooner after the last pulse than the machine can have sped up: contact bounce
    /// or interference.
    Implausible {
        /// µs since the last pulse.
        after: Span,
    },
}

impl core::fmt::Display for PulseError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "pulse stamped before {} µs, already seen", latest.0)
            }
            Self::TooSoon { after, shortest } => write!(
                f,
                "pulse {} µs after the last; top speed allows one every {} µs",
                after.0, shortest.0
            ),
            Self::Implausible { after } => write!(
                f,
                "pulse {} µs after the last, sooner than the acceleration limit allows",
                after.0
            ),
        }
    }
}

impl core::error::Error for PulseError {}

/// Why a direction of travel was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum DirectionError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// The machine description says that there is no direction input.
    NoInput,
}

impl core::fmt::Display for DirectionError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "direction stamped before {} µs, already seen", latest.0)
            }
            Self::NoInput => f.write_str("the machine description has no direction input"),
        }
    }
}

impl core::error::Error for DirectionError {}

/// Why a place in the past can't be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct TooOld;

/// Place, speed and acceleration at one instant, to look ahead from.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Motion {
    /// Whole counts, short form.
    pub base: i32,
    /// Fine counts past `base`.
    pub ahead_fine: i64,
    /// 2⁻²⁴ counts a µs.
    pub v: i32,
    /// 2⁻⁴⁰ counts a µs².
    pub a: i32,
    /// µs until a braking machine stands, as predicted.
    pub stands_in: i32,
}

impl Motion {
    fn clip(&self, w: i32) -> i64 {
        i64::from(w.min(self.stands_in).clamp(-MAX_AHEAD, MAX_AHEAD))
    }

    /// Predicted speed `w` µs on, 2⁻²⁴ counts a µs, never negative.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn speed_after(&self, w: i32) -> i64 {
        // `a` has 32 bits and `w` 20: no product here comes near 64.
        let gain = i64::from(self.a).wrapping_mul(self.clip(w)) >> 16;
        i64::from(self.v).wrapping_add(gain).max(0)
    }

    /// Fine counts from `base` to where spray leaving `w` µs on lands, when it
    /// flies `throw` µs of travel forward: `x(w) + throw · v(w)`.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn landing_fine(&self, w: i32, throw: i32) -> i64 {
        let speed = self.speed_after(w);
        let thrown = i64::from(throw).wrapping_mul(speed) >> 16;
        self.way_fine(w).wrapping_add(thrown)
    }

    /// Fine counts from `base` to the reference point `w` µs on. With the acceleration
    /// that the wheel may have, 2²⁰ · w² stays below 2⁶⁰.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn way_fine(&self, w: i32) -> i64 {
        let w = self.clip(w);
        let linear = i64::from(self.v).wrapping_mul(w) >> 16;
        let bend = i64::from(self.a).wrapping_mul(w).wrapping_mul(w) >> 33;
        self.ahead_fine.wrapping_add(linear).wrapping_add(bend)
    }

    /// Counts, short form.
    pub fn place(&self) -> i32 {
        self.base.wrapping_add(wrap_i32(self.ahead_fine >> 8))
    }
}

/// Which way the machine goes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Direction {
    /// Towards the detectors' side.
    #[default]
    Forward,
    /// Back over ground already passed.
    Reverse,
}

/// When a pulse came and where. Both in short form: the low half of the stamp (see
/// `age_out` for what is older than that tells), and fine counts, which wrap at ±524 m
/// where a history spans metres.
#[derive(Clone, Copy, Debug, Default)]
struct Fix {
    at: u32,
    fine: i32,
}

/// Counts pulses into distance. `H` is the number of remembered pulses.
#[derive(Clone, Debug)]
pub struct Odometer<const H: usize> {
    // Configuration, worked out once.
    pulse: u64,
    pulse_fine: i64,
    shortest_period: Span,
    history_step: i64,
    max_a: i32,
    creep: i32,
    has_direction: bool,
    /// So long without a pulse is a standstill.
    stop_after: Span,
    /// How far a span of whole pulses may fall short through corrected slots.
    hair: i64,
    // State.
    counts: i64,
    fraction: u32,
    moved: bool,
    last: Fix,
    last_at: Micros,
    /// When the stamps of the history were last brought forward.
    aged_at: Micros,
    v: i32,
    a: i32,
    /// µs from the last pulse until a braking machine stands.
    stands_in: i32,
    /// Fine counts that the last pulse lies past its even place.
    correction: i32,
    slots: Slots,
    bounds: Bounds,
    direction: Direction,
    /// Until then a turn tells of no standstill.
    rolls_to: Micros,
    /// The next pulse is the mark that gave the last one, passed the other way.
    same_mark: bool,
    history: [Fix; H],
    newest: usize,
    stored: usize,
    /// Stored pulses since the last standstill: only they tell the speed.
    since_stop: usize,
}

impl<const H: usize> Odometer<H> {
    pub(crate) fn new(wheel: &WheelConfig, max_age: Span) -> Self {
        const { assert!(H >= 8 && H <= 1024, "8 to 1024 remembered pulses") };
        let pulse_fine = wheel.pulse_length.fine();
        let fastest = i64::from(wheel.max_speed.internal());
        // A quarter above top speed, for uneven slots and jitter.
        let shortest = (pulse_fine << 16)
            .checked_div(fastest.saturating_add(fastest >> 2))
            .unwrap_or_default();
        // Thinned so that H stored pulses reach back `max_age` at top speed.
        let reach = fastest.wrapping_mul(i64::from(max_age.0)) >> 16;
        let usable = i64::try_from(H).unwrap_or(8).saturating_sub(4);
        let step = reach.checked_div(usable).unwrap_or_default();
        // The first whole µs at which `creeping` holds.
        let stop_after = (pulse_fine.saturating_add(1) << 16)
            .saturating_add(i64::from(wheel.creep_speed.internal()).saturating_sub(1))
            .checked_div(i64::from(wheel.creep_speed.internal()))
            .unwrap_or_default();
        let slots = Slots::new(wheel.slots_per_turn);
        let uneven = if slots.enabled() { pulse_fine >> 3 } else { 0 };
        Self {
            pulse: wheel.pulse_length.bits(),
            pulse_fine,
            shortest_period: Span(u32::try_from(shortest).unwrap_or_default()),
            // Not finer than the speed estimate can look back over.
            history_step: step.max(MIN_SPAN_FINE >> 2).saturating_sub(uneven),
            hair: uneven.max(256),
            max_a: acceleration_internal(wheel.max_acceleration_mm_s2),
            has_direction: wheel.direction_input,
            creep: wheel.creep_speed.internal(),
            stop_after: Span(u32::try_from(stop_after).unwrap_or(u32::MAX)),
            counts: 0,
            fraction: 0,
            moved: false,
            last: Fix::default(),
            last_at: Micros(0),
            aged_at: Micros(0),
            v: 0,
            a: 0,
            stands_in: i32::MAX,
            correction: 0,
            slots,
            bounds: Bounds::new(acceleration_internal(wheel.max_acceleration_mm_s2)),
            direction: Direction::Forward,
            rolls_to: Micros(0),
            same_mark: false,
            history: [Fix::default(); H],
            newest: 0,
            stored: 0,
            since_stop: 0,
        }
    }

    /// Distance since the first pulse.
    #[must_use]
    pub fn distance(&self) -> Distance {
        Distance(self.counts)
    }

    /// Speed at the last pulse.
    #[must_use]
    pub fn speed(&self) -> Speed {
        Speed::from_internal(self.v)
    }

    /// True while learned slot offsets correct the places of pulses.
    #[must_use]
    pub fn slots_in_use(&self) -> bool {
        self.slots.used()
    }

    /// How often the learned offsets stopped to fit and went out of use.
    #[must_use]
    pub(crate) fn slot_drop_outs(&self) -> u32 {
        self.slots.drop_outs()
    }

    /// Place of the last pulse, fine counts.
    fn fine_now(&self) -> i64 {
        (self.counts << 8).wrapping_add(self.past_count())
    }

    /// Fine counts from the whole counts to the last pulse's place.
    fn past_count(&self) -> i64 {
        i64::from(self.fraction >> 24).wrapping_add(i64::from(self.correction))
    }

    /// Takes a pulse and says how many lost ones were put back before it. Bounded: at
    /// most 2·16 stored pulses looked at, three divisions of 32 bits, and one more once a
    /// turn of the wheel or when pulses were lost.
    pub(crate) fn handle_pulse(&mut self, at: Micros) -> Result<u32, PulseError> {
        if !self.moved {
            self.moved = true;
            self.pass(at);
            self.aged_at = at;
            self.slots.advance(at);
            self.store();
            return Ok(0);
        }
        let period = at.since(self.last_at);
        if self.same_mark {
            self.pass_mark_again(at);
            return Ok(0);
        }
        if period < self.shortest_period || period.0 == 0 {
            self.bounds.refuse();
            return Err(PulseError::TooSoon {
                after: period,
                shortest: self.shortest_period,
            });
        }
        let creeping = self.creeping(period);
        let mut lost = 0;
        if !creeping {
            match self.judge(period) {
                Verdict::One => {}
                Verdict::TooSoon => return Err(PulseError::Implausible { after: period }),
                Verdict::Last(count) => {
                    lost = u32::try_from(count.saturating_sub(1)).unwrap_or_default();
                }
                Verdict::Anew => self.since_stop = 0,
            }
        }
        if creeping && self.stored_fix(0).at != self.last.at {
            // Where it stood: else a look-up would smear the stop over a history step.
            self.store();
        }
        for _ in 0..lost {
            self.step();
            self.slots.skip();
        }
        self.step();
        if self.forward() {
            self.slots.advance(at);
        } else {
            self.slots.retreat();
        }
        self.correction = self.slots.correction(0);
        self.pass(at);
        if creeping {
            self.set_off();
            return Ok(0);
        }
        self.estimate(period);
        if self.forward() {
            self.slots.learn(self.v, self.a, self.pulse_fine);
        }
        let since = self.way(self.stored_fix(0).fine, self.last.fine);
        if self.since_stop == 0 || since >= self.history_step {
            self.store();
        }
        Ok(lost)
    }

    /// From a standstill: what came before says nothing of the speed now.
    fn set_off(&mut self) {
        self.since_stop = 0;
        self.v = 0;
        self.a = 0;
        self.stands_in = i32::MAX;
        self.bounds.forget();
        self.store();
    }

    /// After a turn the first mark to pass is the one that passed last.
    fn pass_mark_again(&mut self, at: Micros) {
        self.same_mark = false;
        if !self.creeping(at.since(self.last_at)) {
            self.rolls_to = at.plus(self.stop_after);
        }
        self.correction = self.slots.correction(0);
        self.pass(at);
        self.set_off();
    }

    /// One pulse length on, or back.
    fn step(&mut self) {
        let [whole, fraction] = [self.pulse >> 32, self.pulse & 0xFFFF_FFFF];
        let whole = i64::try_from(whole).unwrap_or_default();
        let fraction = u32::try_from(fraction).unwrap_or_default();
        if self.forward() {
            let (sum, carry) = self.fraction.overflowing_add(fraction);
            self.fraction = sum;
            self.counts = self.counts.wrapping_add(whole);
            self.counts = self.counts.wrapping_add(i64::from(carry));
        } else {
            let (rest, borrow) = self.fraction.overflowing_sub(fraction);
            self.fraction = rest;
            self.counts = self.counts.wrapping_sub(whole);
            self.counts = self.counts.wrapping_sub(i64::from(borrow));
        }
    }

    fn judge(&mut self, period: Span) -> Verdict {
        let w = i64::from(period.0.min(500_000));
        // 2²⁰ for `a`, 2¹⁹ for `w`: the products stay below 2⁵⁹.
        let straight = i64::from(self.v).wrapping_mul(w) >> 16;
        let bend = i64::from(self.a).wrapping_mul(w).wrapping_mul(w) >> 33;
        let expected = straight.wrapping_add(bend);
        self.bounds.judge(period, self.to_next(), expected)
    }

    fn forward(&self) -> bool {
        self.direction == Direction::Forward
    }

    /// True while the machine goes back.
    pub(crate) fn reversing(&self) -> bool {
        !self.forward()
    }

    /// Takes the direction from `now` on. `Ok(false)` when nothing changed. The machine
    /// is taken to stand at a turn: speed is learned anew.
    pub(crate) fn handle_direction(
        &mut self,
        now: Micros,
        direction: Direction,
    ) -> Result<bool, DirectionError> {
        if !self.has_direction {
            return Err(DirectionError::NoInput);
        }
        if direction == self.direction {
            return Ok(false);
        }
        if self.moved {
            if !self.at_rest(now) {
                self.rolls_to = now.plus(self.stop_after);
            }
            let motion = self.motion_at(now);
            if self.stored_fix(0).at != self.last.at {
                self.store();
            }
            let past_mark = motion.ahead_fine.wrapping_sub(self.past_count());
            self.correction = self.correction.saturating_add(saturate_i32(past_mark));
            self.pass(now);
            self.same_mark = !self.same_mark;
            self.slots.pause();
            self.set_off();
        }
        self.direction = direction;
        Ok(true)
    }

    /// Fine counts from one place to a later one in the direction of travel.
    fn way(&self, from: i32, to: i32) -> i64 {
        let way = i64::from(to.wrapping_sub(from));
        if self.forward() {
            way
        } else {
            way.wrapping_neg()
        }
    }

    /// The newest stored pulse at least `MIN_SPAN` behind `from`, since the last stop.
    fn span_back(&self, from: i32, mut back: usize) -> Option<(Fix, usize)> {
        for _ in 0..MAX_STEPS {
            if back >= self.since_stop {
                return None;
            }
            let fix = self.stored_fix(back);
            back = back.wrapping_add(1);
            // A hair under, so that 6 pulses of 20 mm make 120 mm whatever the cut-off.
            if self.way(fix.fine, from) >= MIN_SPAN_FINE.saturating_sub(self.hair) {
                return Some((fix, back));
            }
        }
        None
    }

    fn estimate(&mut self, period: Span) {
        let newest = self.last;
        let Some((near, back)) = self.span_back(newest.fine, 0) else {
            // Just set off: the last period is all there is.
            self.v = saturate_i32(ratio(self.pulse_fine, i64::from(period.0), 16));
            self.a = 0;
            self.stands_in = i32::MAX;
            return;
        };
        let (v1, t1) = self.mean_speed(near, newest);
        let half = t1 >> 1;
        let (mut a, mut rise) = (0, 0);
        if let Some((far, back)) = self.span_back(near.fine, back) {
            let (v2, t2) = self.mean_speed(far, near);
            self.bounds.know(v1, t1);
            a = ratio(v1.wrapping_sub(v2), t1.wrapping_add(t2), 17);
            rise = self.rise(far, back, (v2, t2), a);
            if self.pulse_fine >= SINGLE_FINE && !self.slots.used() {
                // Each span is one uneven pulse: most of what looks like acceleration
                // is the wheel.
                a >>= 2;
            }
        }
        let limit = i64::from(self.max_a);
        // A change of speed is below 2²⁵ and a span a tenth of a millisecond at least: `rise`
        // stays below 2³⁷, and its products with spans of some seconds below 2⁶².
        let a = a.wrapping_add(rise).max(limit.wrapping_neg()).min(limit);
        // `a` holds at the newest pulse: a sixth of what it rose by is too much (43/256).
        let v = v1
            .wrapping_add(a.wrapping_mul(half) >> 16)
            .wrapping_sub((rise.wrapping_mul(t1) >> 16).wrapping_mul(43) >> 8);
        // A pulse that did not come creeping proves a mean above creep speed: braking
        // that has ended must not be drawn out to a stop.
        self.v = saturate_i32(v.max(i64::from(self.creep)));
        self.a = saturate_i32(a);
        self.stands_in = stands_in(self.v, self.a);
    }

    /// By how much acceleration has risen since the middle of the last two spans, taken
    /// from a third. On coarse wheels only, whose spans are so long that acceleration
    /// does not keep still, and only while their slots are evened out: else it would
    /// amplify their unevenness.
    fn rise(&self, far: Fix, back: usize, (v2, t2): (i64, i64), a: i64) -> i64 {
        if self.pulse_fine < MIN_SPAN_FINE << 1 || !self.slots.used() {
            return 0;
        }
        let Some((farther, _)) = self.span_back(far.fine, back) else {
            return 0;
        };
        let (v3, t3) = self.mean_speed(farther, far);
        let before = ratio(v2.wrapping_sub(v3), t2.wrapping_add(t3), 17);
        a.wrapping_sub(before)
    }

    /// Mean speed from `from` to `to` in 2⁻²⁴ counts a µs, and the µs between.
    fn mean_speed(&self, from: Fix, to: Fix) -> (i64, i64) {
        let time = i64::from(to.at.wrapping_sub(from.at));
        (ratio(self.way(from.fine, to.fine), time, 16), time)
    }

    /// True when so long without a pulse means less than creep speed.
    fn creeping(&self, waited: Span) -> bool {
        waited >= self.stop_after
    }

    /// When the machine counts as standing if no pulse comes before.
    pub(crate) fn stops_at(&self) -> Micros {
        self.last_at.plus(self.stop_after)
    }

    /// Creep speed, 2⁻²⁴ counts a µs.
    pub(crate) fn creep(&self) -> i32 {
        self.creep
    }

    /// When some part of a machine of which none is slower than the wheel by more than
    /// `slower` may be below creep speed, if no pulse comes before: an overdue pulse bounds the
    /// speed by its length over the wait.
    pub(crate) fn slows_at(&self, slower: i64) -> Micros {
        if slower == 0 {
            return self.stops_at();
        }
        let bound = i64::from(self.creep).saturating_add(slower);
        let wait = ratio(self.to_next(), bound, 16);
        // What the short division cuts off.
        let wait = wait.saturating_sub(wait >> 8).saturating_sub(1);
        self.last_at.plus_signed(wait.max(0))
    }

    /// True when at `now` the machine is slower than creep speed, or never moved.
    pub(crate) fn stands(&self, now: Micros) -> bool {
        self.v == 0 || self.creeping(now.since(self.last_at))
    }

    /// True when the machine surely stands: at a turn speed is taken for zero, though the
    /// machine may still roll for all that the pulses tell.
    pub(crate) fn at_rest(&self, now: Micros) -> bool {
        self.stands(now) && now >= self.rolls_to
    }

    /// Fine counts from the last pulse to the next.
    fn to_next(&self) -> i64 {
        let change = self.slots.correction(1).wrapping_sub(self.correction);
        self.pulse_fine.wrapping_add(i64::from(change)).max(1)
    }

    /// True when no pulse has come since `at`.
    pub(crate) fn predicts(&self, at: Micros) -> bool {
        at > self.last_at
    }

    pub(crate) fn never_moved(&self) -> bool {
        !self.moved
    }

    /// Place, speed and acceleration at `now`, from the pulses so far. While going back
    /// speed and acceleration are zero: nothing is to be met.
    pub(crate) fn motion_at(&self, now: Micros) -> Motion {
        let fraction = self.past_count();
        let mut motion = self.free_motion_at(now);
        if now > self.last_at {
            let pulse = self.to_next();
            // Just short of the pulse that has not come.
            let most = fraction.wrapping_add(pulse).wrapping_sub(1);
            if motion.ahead_fine > most {
                self.overdue(&mut motion, pulse, now.since(self.last_at).0);
                motion.stands_in = stands_in(motion.v, motion.a);
            }
        }
        if !self.forward() {
            let way = motion.ahead_fine.wrapping_sub(fraction);
            motion.ahead_fine = fraction.wrapping_sub(way);
            motion.v = 0;
            motion.a = 0;
            motion.stands_in = i32::MAX;
        }
        motion
    }

    /// The same as if every pulse came when it should: no place that is predicted later,
    /// while no pulse comes, lies beyond this.
    pub(crate) fn free_motion_at(&self, now: Micros) -> Motion {
        let fraction = self.past_count();
        let waited = now.offset_from(self.last_at);
        let mut motion = Motion {
            base: wrap_i32(self.counts),
            ahead_fine: fraction,
            v: self.v,
            a: self.a,
            stands_in: self.stands_in,
        };
        motion.ahead_fine = motion.landing_fine(waited, 0);
        motion.v = saturate_i32(motion.speed_after(waited));
        if waited > 0 {
            motion.ahead_fine = motion.ahead_fine.max(fraction);
        }
        if self.a < 0 {
            motion.stands_in = self.stands_in.saturating_sub(waited).max(0);
        }
        motion
    }

    /// The pulse `pulse` fine counts on should have come. Either the machine brakes, and
    /// is just short of it; or it can't brake so hard, and the pulse was lost.
    fn overdue(&self, motion: &mut Motion, pulse: i64, waited: u32) {
        let fraction = self.past_count();
        let least = self.bounds.least(waited);
        let unseen = Bounds::unseen(least, pulse);
        let short = pulse.wrapping_mul(unseen.wrapping_add(1)).wrapping_sub(1);
        let most = fraction.wrapping_add(short.max(least));
        if motion.ahead_fine <= most {
            return;
        }
        motion.ahead_fine = most;
        motion.a = motion.a.min(0);
        if unseen == 0 {
            // The mean speed since the last pulse is below this.
            let bound = (pulse << 16)
                .checked_div(i64::from(waited))
                .unwrap_or_default();
            motion.v = saturate_i32(i64::from(motion.v).min(bound));
        }
    }
}

/// µs until `v + a·t` is zero; far off when not braking.
fn stands_in(v: i32, a: i32) -> i32 {
    if a >= 0 {
        return i32::MAX;
    }
    saturate_i32(ratio(i64::from(v), i64::from(a).wrapping_neg(), 16))
}

/// `n · 2^shift / d` from a division of 32 bits, which is all that a small core does in
/// reasonable time. The quotient keeps as many bits as `d` leaves of 32: at the spans
/// used here it is right to 1 in 4,000 at creep speed and 1 in 30,000 at working speed.
fn ratio(n: i64, d: i64, shift: u32) -> i64 {
    let size = u32::try_from(n.unsigned_abs()).unwrap_or(u32::MAX);
    let up = size.leading_zeros().min(31);
    let d = u32::try_from(d).unwrap_or(u32::MAX);
    let q = i64::from(size.wrapping_shl(up).checked_div(d).unwrap_or_default());
    let value = if shift >= up {
        q.wrapping_shl(shift.wrapping_sub(up))
    } else {
        q.wrapping_shr(up.wrapping_sub(shift))
    };
    if n < 0 { value.wrapping_neg() } else { value }
}

/// mm/s² in 2⁻⁴⁰ counts a µs²: 16 · 2⁴⁰ / 10¹² = 2⁴⁴ / 10¹².
fn acceleration_internal(mm_s2: u32) -> i32 {
    // Both sides by 2¹², so that 64 bits do.
    let bits = (u64::from(mm_s2) << 32)
        .checked_div(244_140_625)
        .unwrap_or_default();
    i32::try_from(bits).unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests;
