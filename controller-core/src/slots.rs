//! Learns by how much each wheel slot sits off its even place.
//!
//! **Measuring.** Five pulses `m` slots apart, the middle one against the cubic
//! through its four neighbours, in time over place: with even slots
//! `6·t₀ − 4·(t₋₁ + t₁) + (t₋₂ + t₂)` is zero for every steady or steadily
//! changing motion, whatever its speed. What is left over, times the speed, is
//! the middle slot's offset against its neighbours'. It is symmetric in time, so
//! speeding up and braking do not lean on it as they do on a forecast. Close
//! pulses (`m = 1`) show what changes from slot to slot and hardly anything of a
//! wheel out of centre; far ones the reverse. So `m` halves from turn to turn,
//! from a quarter of a turn down to 1. Every second time it stays at 1 for a turn more,
//! lest a swing of the speed that keeps step with the pattern pass for unevenness.
//!
//! **Trusting.** The residual is taken before and after correction. Offsets are
//! used while the corrected one is clearly the smaller. When it is the larger for
//! a turn the index has slipped (a pulse lost, or one too many): the offsets are
//! out of use until one of the possible shifts, tried a turn each, fits again. If
//! none does they are learned anew. With a wrong number of slots they never fit,
//! so they never get into use.
//!
//! The offsets of a turn have mean zero: they move pulses, not the distance.

use crate::boom::MAX_SLOTS;
use crate::units::{Micros, low_u32, saturate_i32};

const SLOTS: usize = MAX_SLOTS as usize;
/// Remembered stamps; a power of two.
const STAMPS: usize = 128;
/// Five pulses that take longer than this tell more of the driving than of the
/// wheel, µs. Neighbours may take longer: else a coarse wheel learns nothing at a walk.
const LONGEST: u32 = 650_000;
const LONGEST_CLOSE: u32 = 1_300_000;
/// Above this, pulses that are not neighbours get half their say, µs.
const FAR: u32 = 250_000;
/// Judgements, usually one a turn, before the offsets may be used.
const FIRST_USE: u32 = 3;
/// Residuals that a judgement takes at least: a turn of few slots says little.
const FEWEST: usize = 8;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Learning,
    Used,
    /// Looking for the index; so many shifts have been tried.
    Searching(u16),
}

/// The offsets and what is known of them.
#[derive(Clone, Debug)]
pub(crate) struct Slots {
    count: usize,
    /// How far apart this turn's five pulses are, slots.
    apart: usize,
    /// `apart` once to four times, within a turn.
    back: [usize; 4],
    /// Of the newest pulse.
    slot: usize,
    in_turn: usize,
    /// Fine counts past the even place, plus `mean`.
    offsets: [i32; SLOTS],
    sum: i32,
    mean: i32,
    /// Low halves of the last pulses' µs.
    stamps: [u32; STAMPS],
    newest: usize,
    stored: usize,
    state: State,
    /// The pattern stays as it is for a turn before it starts anew, and did so last time.
    stays: bool,
    stayed: bool,
    /// Turns learned from.
    turns: u32,
    drop_outs: u32,
    /// Sums of residuals in this turn before and after correction, and how many.
    raw: i64,
    left: i64,
    judged: usize,
    /// The same over the last turns, fading.
    long_raw: i64,
    long_left: i64,
}

impl Slots {
    /// Off. All zero, so that a part of the controller is cleared where it lies.
    pub const OFF: Self = Self {
        count: 0,
        apart: 0,
        back: [0; 4],
        slot: 0,
        in_turn: 0,
        offsets: [0; SLOTS],
        sum: 0,
        mean: 0,
        stamps: [0; STAMPS],
        newest: 0,
        stored: 0,
        state: State::Learning,
        stays: false,
        stayed: false,
        turns: 0,
        drop_outs: 0,
        raw: 0,
        left: 0,
        judged: 0,
        long_raw: 0,
        long_left: 0,
    };

    /// `count` slots a turn from now on; 0 or 1 leaves it off.
    pub fn set_up(&mut self, count: u16) {
        let count = usize::from(count).min(SLOTS);
        self.count = if count < 2 { 0 } else { count };
        self.set_apart(1);
    }

    #[cfg(test)]
    pub fn new(count: u16) -> Self {
        let mut new = Self::OFF;
        new.set_up(count);
        new
    }

    pub fn enabled(&self) -> bool {
        self.count != 0
    }

    pub fn used(&self) -> bool {
        self.state == State::Used
    }

    pub fn drop_outs(&self) -> u32 {
        self.drop_outs
    }

    /// Fine counts to add to the place of the newest pulse (`ahead` 0) or of the
    /// next (`ahead` 1).
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn correction(&self, ahead: usize) -> i32 {
        if !self.used() {
            return 0;
        }
        let next = self.slot.wrapping_add(ahead);
        let slot = if next >= self.count { 0 } else { next };
        self.offset(slot).wrapping_sub(self.mean)
    }

    /// Steps to the next slot, whose pulse came `at`.
    pub fn advance(&mut self, at: Micros) {
        if !self.enabled() {
            return;
        }
        self.newest = self.newest.wrapping_add(1) & STAMPS.wrapping_sub(1);
        if let Some(stamp) = self.stamps.get_mut(self.newest) {
            *stamp = low_u32(at.0);
        }
        self.stored = self.stored.saturating_add(1).min(STAMPS);
        self.step();
    }

    /// Steps over a slot whose pulse was lost.
    pub fn skip(&mut self) {
        if self.enabled() {
            self.pause();
            self.step();
        }
    }

    /// Steps back by a slot.
    pub fn retreat(&mut self) {
        if self.enabled() {
            self.pause();
            self.slot = self.behind(1);
        }
    }

    /// What comes next does not join what came before: stamps are gathered anew.
    pub fn pause(&mut self) {
        self.stored = 0;
    }

    fn step(&mut self) {
        let next = self.slot.wrapping_add(1);
        self.slot = if next >= self.count { 0 } else { next };
        self.in_turn = self.in_turn.wrapping_add(1);
        if self.in_turn >= self.count {
            self.in_turn = 0;
            self.end_turn();
        }
    }

    /// Learns from the newest pulse and those before it. `v` in 2⁻²⁴ counts a µs and
    /// `a` in 2⁻⁴⁰ counts a µs² hold at the newest; `pulse` is in fine counts.
    pub fn learn(&mut self, v: i32, a: i32, pulse: i64) {
        let m = self.apart;
        if !self.enabled() || self.stored <= m.wrapping_mul(4) {
            return;
        }
        let newest = self.stamp(0);
        let oldest = self.stamp(m.wrapping_mul(4));
        let longest = if m == 1 { LONGEST_CLOSE } else { LONGEST };
        if newest.wrapping_sub(oldest) > longest {
            return;
        }
        let middle = self.stamp(m.wrapping_mul(2));
        // µs between the middle and the others, all far below 2³¹.
        let gap = |later: u32, earlier: u32| i64::from(later.wrapping_sub(earlier));
        let inner =
            gap(middle, self.stamp(m.wrapping_mul(3))).wrapping_sub(gap(self.stamp(m), middle));
        let outer = gap(middle, oldest).wrapping_sub(gap(newest, middle));
        let six = (inner << 2).wrapping_sub(outer);
        let age = gap(newest, middle);
        let v = i64::from(v).wrapping_sub(i64::from(a).wrapping_mul(age) >> 16);
        let raw = v.wrapping_mul(six) >> 16;
        let [b1, b2, b3, b4] = self.back;
        let at = self.behind(b2);
        // Sixteen offsets of 22 bits in all.
        let own = |back| self.offset(self.behind(back));
        let expected = own(b2)
            .wrapping_mul(6)
            .wrapping_sub(own(b1).wrapping_add(own(b3)) << 2)
            .wrapping_add(own(0))
            .wrapping_add(own(b4));
        let expected = i64::from(expected);
        // Held at a sixteenth of a pulse: a jolt or a lost pulse is no slot's fault. A pulse is
        // below 2²³ fine counts.
        let most = saturate_i32(pulse.wrapping_mul(6) >> 4);
        let left = saturate_i32(raw.wrapping_sub(expected));
        let left = left.max(most.wrapping_neg()).min(most);
        let raw = saturate_i32(raw).saturating_abs().min(most);
        self.raw = self.raw.wrapping_add(i64::from(raw));
        self.left = self.left.wrapping_add(i64::from(left.saturating_abs()));
        self.judged = self.judged.wrapping_add(1);
        if matches!(self.state, State::Searching(_)) {
            return;
        }
        let slower = match self.turns {
            0..16 => 5,
            16..64 => 6,
            64..160 => 7,
            _ => 8,
        };
        let far = u32::from(m > 1 && newest.wrapping_sub(oldest) > FAR);
        let change = left >> slower >> far;
        if let Some(offset) = self.offsets.get_mut(at) {
            // A pulse is at most 2 m = 2²³ fine counts; no slot is off by more than half.
            // 128 of them sum to 2²⁹.
            let old = *offset;
            let new = old.saturating_add(change).clamp(-(1 << 22), 1 << 22);
            *offset = new;
            self.sum = self.sum.wrapping_add(new).wrapping_sub(old);
        }
    }

    fn stamp(&self, back: usize) -> u32 {
        let index = self.newest.wrapping_sub(back) & STAMPS.wrapping_sub(1);
        self.stamps.get(index).copied().unwrap_or_default()
    }

    fn offset(&self, slot: usize) -> i32 {
        self.offsets.get(slot).copied().unwrap_or_default()
    }

    fn behind(&self, back: usize) -> usize {
        if self.slot >= back {
            self.slot.wrapping_sub(back)
        } else {
            self.slot.wrapping_add(self.count).wrapping_sub(back)
        }
    }

    fn set_apart(&mut self, apart: usize) {
        self.apart = apart;
        for (times, back) in (1..).zip(&mut self.back) {
            // At most a turn, but for wheels of two or three slots.
            let mut slots = apart.wrapping_mul(times);
            for _ in 0..2 {
                if slots >= self.count {
                    slots = slots.saturating_sub(self.count);
                }
            }
            *back = slots;
        }
    }

    /// Once a turn: judges the offsets and picks the next turn's pattern.
    fn end_turn(&mut self) {
        let n = i32::try_from(self.count).unwrap_or(1);
        self.mean = self.sum.checked_div(n).unwrap_or_default();
        let searching = matches!(self.state, State::Searching(_));
        if self.judged.wrapping_mul(2) >= self.count && self.judged >= FEWEST {
            self.judge();
        }
        let apart = if matches!(self.state, State::Searching(_)) || searching {
            1
        } else if self.apart > 1 {
            self.apart >> 1
        } else if self.stays {
            self.stays = false;
            1
        } else {
            self.stays = !self.stayed;
            self.stayed = self.stays;
            (self.count >> 2).clamp(1, STAMPS.wrapping_sub(1) >> 2)
        };
        self.set_apart(apart);
    }

    fn judge(&mut self) {
        let (raw, left) = (self.raw, self.left);
        (self.raw, self.left, self.judged) = (0, 0, 0);
        match self.state {
            State::Searching(tried) => {
                if left << 2 < raw.wrapping_mul(3) {
                    self.state = State::Used;
                    self.long_raw = raw;
                    self.long_left = left;
                } else if usize::from(tried) > self.count {
                    self.forget();
                } else {
                    // One slot back: after +1 comes 0, then −1 and so on round the turn.
                    self.slot = self.behind(1);
                    self.state = State::Searching(tried.saturating_add(1));
                }
            }
            State::Learning | State::Used => {
                self.turns = self.turns.saturating_add(1);
                let fade = |long: i64, new: i64| long.wrapping_sub(long >> 2).wrapping_add(new);
                self.long_raw = fade(self.long_raw, raw);
                self.long_left = fade(self.long_left, left);
                let (all, rest) = (self.long_raw, self.long_left);
                if !self.used() {
                    if self.turns >= FIRST_USE && rest << 2 < all.wrapping_mul(3) {
                        self.state = State::Used;
                    }
                } else if left << 3 > raw.wrapping_mul(9) {
                    self.drop_outs = self.drop_outs.saturating_add(1);
                    self.state = State::Searching(0);
                    // A lost pulse is the likeliest.
                    let next = self.slot.wrapping_add(1);
                    self.slot = if next >= self.count { 0 } else { next };
                } else if rest << 4 > all.wrapping_mul(15) {
                    self.drop_outs = self.drop_outs.saturating_add(1);
                    self.state = State::Learning;
                }
            }
        }
    }

    fn forget(&mut self) {
        self.offsets = [0; SLOTS];
        self.sum = 0;
        self.mean = 0;
        self.turns = 0;
        self.long_raw = 0;
        self.long_left = 0;
        self.state = State::Learning;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PULSE: i64 = 130 << 12;
    const COUNT: usize = 16;

    /// 5 m/s over slots of 130 mm, each off by up to 2 mm: stamps of pulse `k`.
    fn stamp(k: usize) -> Micros {
        let off = [
            900, -1200, 300, 2000, -700, 100, -1600, 500, 1300, -300, -900, 700, -1500, 400, 800,
            -800,
        ];
        let um = 130_000 * (k as i64 + 1) + off[k % COUNT];
        Micros(u64::try_from(um / 5).expect("ahead"))
    }

    fn turn(slots: &mut Slots, pulses: core::ops::Range<usize>) {
        let v = crate::units::Speed::from_mm_s(5000).internal();
        for k in pulses {
            slots.advance(stamp(k));
            slots.learn(v, 0, PULSE);
        }
    }

    #[test]
    fn the_offsets_of_a_known_wheel_are_found() {
        let mut slots = Slots::new(16);
        turn(&mut slots, 0..COUNT * 100);
        assert!(slots.used());
        let mut sum = 0;
        // The next pulse is slot 0 of the table above.
        for (k, um) in (0..COUNT).zip([900, -1200, 300, 2000, -700, 100, -1600, 500]) {
            slots.advance(stamp(COUNT * 100 + k));
            let found = i64::from(slots.correction(0)) * 1000 / 4096;
            assert!((found - um).abs() < 60, "slot {k}: {found} for {um} µm");
        }
        for slot in 0..COUNT {
            sum += slots.offset(slot) - slots.mean;
        }
        assert!(sum.abs() < 16 * 50, "{sum} fine counts over a turn");
        assert_eq!(slots.drop_outs(), 0);
    }

    #[test]
    fn lost_pulses_are_noticed_and_the_index_found_again() {
        let mut slots = Slots::new(16);
        turn(&mut slots, 0..COUNT * 50);
        // Six in a row, which is harder than one.
        turn(&mut slots, COUNT * 50 + 6..COUNT * 53);
        assert_eq!((slots.used(), slots.drop_outs()), (false, 1));
        turn(&mut slots, COUNT * 53..COUNT * 75);
        assert_eq!((slots.used(), slots.drop_outs()), (true, 1));
        slots.advance(stamp(COUNT * 75));
        let found = i64::from(slots.correction(0)) * 1000 / 4096;
        assert!((found - 900).abs() < 300, "{found} for 900 µm");
    }

    #[test]
    fn a_wrong_number_of_slots_is_never_used() {
        // Not 2, 4 or 8, which divide 16 and rightly catch a share, nor 32.
        for count in [3, 5, 7, 15, 17, 31, 127] {
            let mut slots = Slots::new(count);
            for start in 0..300 {
                turn(&mut slots, start * COUNT..(start + 1) * COUNT);
                assert!(!slots.used(), "{count} slots after {start} turns");
            }
        }
    }

    #[test]
    fn nothing_is_learned_without_slots() {
        for count in [0, 1] {
            let mut slots = Slots::new(count);
            turn(&mut slots, 0..COUNT * 50);
            assert_eq!((slots.used(), slots.correction(0)), (false, 0));
        }
    }
}
