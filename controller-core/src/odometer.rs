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
use crate::units::{Distance, Micros, Span, Speed, saturate_i32};

mod error;
mod estimate;
mod forecast;
mod motion;
mod past;
mod plausible;

pub use error::{DirectionError, PulseError};
use estimate::MIN_SPAN_FINE;
pub use estimate::MIN_SPAN_MM;
pub(crate) use motion::Motion;
use plausible::{Bounds, Verdict};

/// Why a place in the past can't be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct TooOld;

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
    /// Not set up yet. All zero, so that a part of the controller is cleared where it lies.
    pub(crate) const BLANK: Self = Self {
        pulse: 0,
        pulse_fine: 0,
        shortest_period: Span(0),
        history_step: 0,
        max_a: 0,
        creep: 0,
        has_direction: false,
        stop_after: Span(0),
        hair: 0,
        counts: 0,
        fraction: 0,
        moved: false,
        last: Fix { at: 0, fine: 0 },
        last_at: Micros(0),
        aged_at: Micros(0),
        v: 0,
        a: 0,
        stands_in: 0,
        correction: 0,
        slots: Slots::OFF,
        bounds: Bounds::BLANK,
        direction: Direction::Forward,
        rolls_to: Micros(0),
        same_mark: false,
        history: [Fix { at: 0, fine: 0 }; H],
        newest: 0,
        stored: 0,
        since_stop: 0,
    };

    /// For this wheel, at rest where distance begins; `max_age` is how far back places are asked
    /// for.
    pub(crate) fn set_up(&mut self, wheel: &WheelConfig, max_age: Span) {
        const { assert!(H >= 8 && H <= 1024, "8 to 1024 remembered pulses") };
        let pulse_fine = wheel.pulse_length.fine();
        let creep = wheel.creep_speed.internal();
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
            .saturating_add(i64::from(creep).saturating_sub(1))
            .checked_div(i64::from(creep))
            .unwrap_or_default();
        self.slots.set_up(wheel.slots_per_turn);
        let uneven = if self.slots.enabled() {
            pulse_fine >> 3
        } else {
            0
        };
        let max_a = acceleration_internal(wheel.max_acceleration_mm_s2);
        self.pulse = wheel.pulse_length.bits();
        self.pulse_fine = pulse_fine;
        self.shortest_period = Span(u32::try_from(shortest).unwrap_or_default());
        // Not finer than the speed estimate can look back over.
        self.history_step = step.max(MIN_SPAN_FINE >> 2).saturating_sub(uneven);
        self.hair = uneven.max(256);
        self.max_a = max_a;
        self.bounds.set_up(max_a);
        self.has_direction = wheel.direction_input;
        self.creep = creep;
        self.stop_after = Span(u32::try_from(stop_after).unwrap_or(u32::MAX));
        self.stands_in = i32::MAX;
    }

    #[cfg(test)]
    pub(crate) fn new(wheel: &WheelConfig, max_age: Span) -> Self {
        let mut new = Self::BLANK;
        new.set_up(wheel, max_age);
        new
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
    #[cfg_attr(target_os = "none", inline(never))]
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
