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
use crate::units::{Distance, Micros, Span, Speed, fine_to_counts, saturate_i32, wrap_i32};

/// Shortest span from which a speed is taken, mm.
pub const MIN_SPAN_MM: i64 = 120;
const MIN_SPAN_FINE: i64 = MIN_SPAN_MM << 12;
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
        }
    }
}

impl core::error::Error for PulseError {}

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
    pub fn speed_after(&self, w: i32) -> i64 {
        let w = self.clip(w);
        i64::from(self.v)
            .saturating_add(i64::from(self.a).saturating_mul(w) >> 16)
            .max(0)
    }

    /// Fine counts from `base` to where spray leaving `w` µs on lands, when it
    /// flies `throw` µs of travel forward: `x(w) + throw · v(w)`.
    pub fn landing_fine(&self, w: i32, throw: i32) -> i64 {
        let speed = self.speed_after(w);
        let w = self.clip(w);
        let linear = i64::from(self.v).saturating_mul(w) >> 16;
        let bend = i64::from(self.a).saturating_mul(w).saturating_mul(w) >> 33;
        self.ahead_fine
            .saturating_add(linear)
            .saturating_add(bend)
            .saturating_add(i64::from(throw).saturating_mul(speed) >> 16)
    }

    /// Counts, short form.
    pub fn place(&self) -> i32 {
        self.base.wrapping_add(wrap_i32(self.ahead_fine >> 8))
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct Fix {
    at: Micros,
    /// Fine counts, short form (wraps at ±524 m; a history spans metres).
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
    /// So long without a pulse is a standstill.
    stop_after: Span,
    /// How far a span of whole pulses may fall short through corrected slots.
    hair: i64,
    // State.
    counts: i64,
    fraction: u32,
    moved: bool,
    last: Fix,
    v: i32,
    a: i32,
    /// Fine counts that the last pulse lies past its even place.
    correction: i32,
    slots: Slots,
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
        let reach = fastest.saturating_mul(i64::from(max_age.0)) >> 16;
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
            creep: wheel.creep_speed.internal(),
            stop_after: Span(u32::try_from(stop_after).unwrap_or(u32::MAX)),
            counts: 0,
            fraction: 0,
            moved: false,
            last: Fix::default(),
            v: 0,
            a: 0,
            correction: 0,
            slots,
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
    pub fn slot_drop_outs(&self) -> u32 {
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

    /// Takes a pulse. Bounded: at most 2·16 stored pulses looked at, three divisions,
    /// and one more once a turn of the wheel.
    pub(crate) fn handle_pulse(&mut self, at: Micros) -> Result<(), PulseError> {
        if !self.moved {
            self.moved = true;
            self.last = Fix { at, fine: 0 };
            self.slots.advance(at);
            self.store();
            return Ok(());
        }
        let period = at.since(self.last.at);
        if period < self.shortest_period || period.0 == 0 {
            return Err(PulseError::TooSoon {
                after: period,
                shortest: self.shortest_period,
            });
        }
        let creeping = self.creeping(period);
        if creeping && self.stored_fix(0).at != self.last.at {
            // Where it stood: else a look-up would smear the stop over a history step.
            self.store();
        }
        let [whole, fraction] = [self.pulse >> 32, self.pulse & 0xFFFF_FFFF];
        let sum = u64::from(self.fraction).wrapping_add(fraction);
        self.fraction = u32::try_from(sum & 0xFFFF_FFFF).unwrap_or_default();
        let step = whole.wrapping_add(sum >> 32);
        self.counts = self
            .counts
            .wrapping_add(i64::try_from(step).unwrap_or_default());
        self.slots.advance(at);
        self.correction = self.slots.correction(0);
        self.last = Fix {
            at,
            fine: wrap_i32(self.fine_now()),
        };
        if creeping {
            // From a standstill: what came before says nothing of the speed now.
            self.since_stop = 0;
            self.v = 0;
            self.a = 0;
            self.store();
            return Ok(());
        }
        self.estimate(period);
        self.slots.learn(self.v, self.a, self.pulse_fine);
        let since = i64::from(self.last.fine.wrapping_sub(self.stored_fix(0).fine));
        if self.since_stop == 0 || since >= self.history_step {
            self.store();
        }
        Ok(())
    }

    fn store(&mut self) {
        let next = self.newest.wrapping_add(1);
        self.newest = if next >= H { 0 } else { next };
        if let Some(slot) = self.history.get_mut(self.newest) {
            *slot = self.last;
        }
        self.stored = self.stored.saturating_add(1).min(H);
        self.since_stop = self.since_stop.saturating_add(1).min(H);
    }

    /// The stored pulse `back` behind the newest stored one.
    fn stored_fix(&self, back: usize) -> Fix {
        let index = if back <= self.newest {
            self.newest.wrapping_sub(back)
        } else {
            self.newest.wrapping_add(H).wrapping_sub(back)
        };
        self.history.get(index).copied().unwrap_or_default()
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
            if i64::from(from.wrapping_sub(fix.fine)) >= MIN_SPAN_FINE.saturating_sub(self.hair) {
                return Some((fix, back));
            }
        }
        None
    }

    fn estimate(&mut self, period: Span) {
        let newest = self.last;
        let Some((near, back)) = self.span_back(newest.fine, 0) else {
            // Just set off: the last period is all there is.
            let v = (self.pulse_fine << 16).checked_div(i64::from(period.0));
            self.v = saturate_i32(v.unwrap_or_default());
            self.a = 0;
            return;
        };
        let (v1, t1) = mean_speed(near, newest);
        let half = t1 >> 1;
        let a = match self.span_back(near.fine, back) {
            Some((far, _)) => {
                let (v2, t2) = mean_speed(far, near);
                (v1.saturating_sub(v2) << 17)
                    .checked_div(t1.saturating_add(t2))
                    .unwrap_or_default()
            }
            None => 0,
        };
        let limit = i64::from(self.max_a);
        let a = a.max(limit.saturating_neg()).min(limit);
        let v = v1.saturating_add(a.saturating_mul(half) >> 16);
        // A pulse that did not come creeping proves a mean above creep speed: braking
        // that has ended must not be drawn out to a stop.
        self.v = saturate_i32(v.max(i64::from(self.creep)));
        self.a = saturate_i32(a);
    }

    /// True when so long without a pulse means less than creep speed.
    fn creeping(&self, waited: Span) -> bool {
        waited >= self.stop_after
    }

    /// When the machine counts as standing if no pulse comes before.
    pub(crate) fn stops_at(&self) -> Micros {
        self.last.at.plus(self.stop_after)
    }

    /// True when at `now` the machine is slower than creep speed, or never moved.
    pub(crate) fn stands(&self, now: Micros) -> bool {
        self.v == 0 || self.creeping(now.since(self.last.at))
    }

    /// Fine counts from the last pulse to the next.
    fn to_next(&self) -> i64 {
        let change = self.slots.correction(1).wrapping_sub(self.correction);
        self.pulse_fine.wrapping_add(i64::from(change)).max(1)
    }

    pub(crate) fn never_moved(&self) -> bool {
        !self.moved
    }

    /// Place, speed and acceleration at `now`, from the pulses so far.
    pub(crate) fn motion_at(&self, now: Micros) -> Motion {
        let fraction = self.past_count();
        let waited = now.offset_from(self.last.at);
        let mut motion = Motion {
            base: wrap_i32(self.counts),
            ahead_fine: fraction,
            v: self.v,
            a: self.a,
            stands_in: stands_in(self.v, self.a),
        };
        let ahead = motion.landing_fine(waited, 0);
        let v = motion.speed_after(waited);
        // Just short of the pulse that has not come.
        let most = fraction.saturating_add(self.to_next()).saturating_sub(1);
        motion.v = saturate_i32(v);
        motion.ahead_fine = ahead;
        if waited > 0 {
            motion.ahead_fine = ahead.max(fraction);
            if ahead > most {
                motion.ahead_fine = most;
                // The pulse is overdue: the mean speed since the last one is below this.
                let bound = (self.to_next() << 16)
                    .checked_div(i64::from(waited))
                    .unwrap_or_default();
                motion.v = saturate_i32(v.min(bound));
                motion.a = motion.a.min(0);
            }
        }
        motion.stands_in = stands_in(motion.v, motion.a);
        motion
    }

    /// Place at a past instant, counts in short form. Bounded by `H` steps.
    pub(crate) fn place_at(&self, at: Micros) -> Result<i32, TooOld> {
        if at >= self.last.at || !self.moved {
            let motion = self.motion_at(at);
            return Ok(motion.base.wrapping_add(fine_to_counts(motion.ahead_fine)));
        }
        // `right` and `left` bracket the instant; `third` bends the line between.
        let mut beyond: Option<Fix> = None;
        let mut right = self.last;
        for back in 0..self.stored {
            let left = self.stored_fix(back);
            if left.at == right.at {
                continue;
            }
            if left.at <= at {
                let behind = back.wrapping_add(1);
                // A pulse from before a standstill bends nothing after it.
                let same_run = behind < self.since_stop || back >= self.since_stop;
                let third = if behind < self.stored && same_run {
                    Some(self.stored_fix(behind))
                } else {
                    beyond
                };
                return Ok(self.short_place(parabola(left, right, third, at)));
            }
            beyond = Some(right);
            right = left;
        }
        if self.stored < H {
            // Before the first pulse ever: the machine stood, within one pulse.
            return Ok(self.short_place(right.fine));
        }
        Err(TooOld)
    }

    fn short_place(&self, fine: i32) -> i32 {
        let behind = i64::from(self.last.fine.wrapping_sub(fine));
        fine_to_counts(self.fine_now().wrapping_sub(behind))
    }
}

/// µs until `v + a·t` is zero; far off when not braking.
fn stands_in(v: i32, a: i32) -> i32 {
    if a >= 0 {
        return i32::MAX;
    }
    let time = (i64::from(v) << 16).checked_div(i64::from(a).saturating_neg());
    saturate_i32(time.unwrap_or(i64::MAX))
}

/// Mean speed from `from` to `to` in 2⁻²⁴ counts a µs, and the µs between.
fn mean_speed(from: Fix, to: Fix) -> (i64, i64) {
    let time = i64::from(to.at.since(from.at).0);
    let way = i64::from(to.fine.wrapping_sub(from.fine));
    ((way << 16).checked_div(time).unwrap_or_default(), time)
}

/// Newton's divided differences through `left`, `right` and `third`, held
/// between `left` and `right`. Fine counts.
fn parabola(left: Fix, right: Fix, third: Option<Fix>, at: Micros) -> i32 {
    let t = i64::from(at.offset_from(left.at));
    let t1 = i64::from(right.at.offset_from(left.at));
    let way = i64::from(right.fine.wrapping_sub(left.fine));
    let straight = way.saturating_mul(t).checked_div(t1).unwrap_or_default();
    let bend = third.and_then(|third| {
        // Slopes in 2⁻²⁴ counts a µs; their change over the time between gives half
        // the acceleration in 2⁻⁴⁰ counts a µs² once shifted.
        let t2 = i64::from(third.at.offset_from(left.at));
        let slope = (way << 16).checked_div(t1)?;
        let way2 = i64::from(third.fine.wrapping_sub(left.fine));
        let slope2 = (way2 << 16).checked_div(t2)?;
        let half_a = (slope.wrapping_sub(slope2) << 16).checked_div(t1.wrapping_sub(t2))?;
        Some(half_a.checked_mul(t)?.checked_mul(t.checked_sub(t1)?)? >> 32)
    });
    let fine = straight.saturating_add(bend.unwrap_or_default());
    left.fine
        .wrapping_add(saturate_i32(fine.max(0).min(way.max(0))))
}

/// mm/s² in 2⁻⁴⁰ counts a µs²: 16 · 2⁴⁰ / 10¹² = 2⁴⁴ / 10¹².
fn acceleration_internal(mm_s2: u32) -> i32 {
    let bits = (u128::from(mm_s2) << 44)
        .checked_div(1_000_000_000_000)
        .unwrap_or_default();
    i32::try_from(bits).unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::PulseLength;

    fn wheel(um: u64) -> WheelConfig {
        WheelConfig {
            pulse_length: PulseLength::from_ratio(um, 1).expect("usual"),
            max_speed: Speed::from_mm_s(8000),
            creep_speed: Speed::from_mm_s(300),
            max_acceleration_mm_s2: 5000,
            slots_per_turn: 0,
        }
    }

    fn odometer(um: u64) -> Odometer<64> {
        Odometer::new(&wheel(um), Span::from_ms(800))
    }

    fn run(odometer: &mut Odometer<64>, pulses: u64, period: u64, from: u64) {
        for i in 0..pulses {
            odometer
                .handle_pulse(Micros(from + i * period))
                .expect("accepted");
        }
    }

    #[test]
    fn steady_speed_is_exact() {
        let mut o = odometer(20_000);
        run(&mut o, 500, 4000, 0);
        assert_eq!(o.distance().to_um(), 499 * 20_000);
        assert!(o.speed().to_mm_s().abs_diff(5000) <= 1);
        let m = o.motion_at(Micros(499 * 4000 + 2000));
        let place = m.landing_fine(0, 0);
        assert!(
            (place - (10 << 12)).abs() < 64,
            "{place} fine counts for 10 mm"
        );
    }

    #[test]
    fn prediction_stops_short_of_the_next_pulse() {
        let mut o = odometer(20_000);
        run(&mut o, 100, 4000, 0);
        let m = o.motion_at(Micros(99 * 4000 + 40_000));
        assert!(m.landing_fine(0, 0) < 20 << 12);
        assert!(i64::from(m.v) <= i64::from(Speed::from_mm_s(500).internal()));
        assert!(o.stands(Micros(99 * 4000 + 70_000)));
    }

    #[test]
    fn learned_slots_even_out_the_speed_and_leave_the_count_alone() {
        // 5 m/s; every fourth mark of 130 mm sits 3 mm late, so the mean is 0.75 mm.
        let config = WheelConfig {
            slots_per_turn: 4,
            ..wheel(130_000)
        };
        let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
        let um = |k: u64| 130_000 * k + if k % 4 == 3 { 3000 } else { 0 };
        for k in 0..800 {
            o.handle_pulse(Micros(um(k) / 5)).expect("accepted");
        }
        assert!(o.slots_in_use());
        assert_eq!(o.slot_drop_outs(), 0);
        assert!(o.distance().to_um().abs_diff(799 * 130_000) <= 63);
        for k in 800..808 {
            o.handle_pulse(Micros(um(k) / 5)).expect("accepted");
            let speed = o.speed().to_mm_s();
            assert!(speed.abs_diff(5000) < 10, "pulse {k}: {speed} mm/s");
            let place = o.motion_at(Micros(um(k) / 5)).landing_fine(0, 0)
                + (i64::from(o.motion_at(Micros(um(k) / 5)).base) << 8);
            let want = (i64::try_from(um(k)).expect("near") - 750) * 4096 / 1000;
            assert!((place - want).abs() < 400, "pulse {k}: {place} for {want}");
        }
    }

    #[test]
    fn bounce_is_refused_with_its_reason() {
        let mut o = odometer(20_000);
        run(&mut o, 10, 4000, 0);
        let before = o.distance();
        assert_eq!(
            o.handle_pulse(Micros(9 * 4000 + 100)),
            Err(PulseError::TooSoon {
                after: Span(100),
                shortest: Span(2000)
            })
        );
        assert_eq!(o.distance(), before);
    }

    #[test]
    fn the_past_is_found_between_pulses_under_acceleration() {
        // x = 2 t + t²/2: pulse k at t = -2 + sqrt(4 + 2·0.02·k)
        let mut o = odometer(20_000);
        for k in 0..600u32 {
            let t = -2.0 + (4.0 + 0.04 * f64::from(k)).sqrt();
            o.handle_pulse(Micros((t * 1e6).round() as u64))
                .expect("accepted");
        }
        let last = o.last.at.0;
        for age in [1_000u64, 33_000, 100_000, 300_000, 700_000] {
            let t = (last - age) as f64 / 1e6;
            let exact = (2.0 * t + t * t / 2.0) * 16_000.0;
            let got = f64::from(o.place_at(Micros(last - age)).expect("remembered"));
            assert!((got - exact).abs() < 1.0, "{age} µs ago: {got} for {exact}");
        }
        let v = f64::from(o.v) / 16_777_216.0 * 1e6 / 16_000.0;
        let t = last as f64 / 1e6;
        assert!((v - (2.0 + t)).abs() < 0.002, "{v} m/s");
    }

    #[test]
    fn what_is_older_than_the_history_is_refused() {
        let mut o = odometer(20_000);
        run(&mut o, 5000, 4000, 0);
        assert!(o.place_at(Micros(1000)).is_err());
        assert!(o.place_at(Micros(4999 * 4000 - 800_000)).is_ok());
    }

    #[test]
    fn distance_crosses_the_short_wrap_without_a_step() {
        let mut o = odometer(2_000_000);
        o.counts = i64::from(i32::MAX) - 40_000;
        for i in 0..100u64 {
            o.handle_pulse(Micros(i * 400_000)).expect("accepted");
        }
        let behind = o.place_at(Micros(99 * 400_000 - 200_000)).expect("there");
        let here = o.place_at(Micros(99 * 400_000)).expect("there");
        assert_eq!(here.wrapping_sub(behind), 16_000);
    }
}
