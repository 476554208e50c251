//! What the acceleration limit says of the way since the last pulse.
//!
//! The mean speed `v1` over the last span `t1` was the true speed at some instant in
//! it, so the speed at its end lies within `v1 ± A·t1/2`, and the way that follows in
//! `w` within `(v1 ± A·t1/2)·w ± A·w²/2`. Marks may sit off their even place: `v1` is
//! taken wrong by up to 1/16, and the way from mark to mark by up to 1/8 of a pulse.
//!
//! So a pulse can be known to be one too many, and the next one to be missing, and a
//! wheel that really brakes or speeds up within the limit is never taken for either,
//! as long as its marks sit within 4 % of a pulse of where they count as.
//!
//! **Doubt.** A run of refused or bridged pulses means that the speed is believed
//! wrongly, not the sensor: after [`MOST_DOUBT`] the belief goes and the pulse stays.

use super::estimate::SINGLE_FINE;
use super::ratio;
use crate::units::{Span, saturate_i32};

/// Most lost pulses that are put back at once.
pub(super) const MOST_BRIDGED: i64 = 16;
/// A refused or bridged pulse adds [`DOUBT`], an ordinary one takes 1 off.
const MOST_DOUBT: u8 = 8;
const DOUBT: u8 = 3;
/// Pulses until a speed that may be wrong has left both spans.
const WAIT: u8 = 3;
/// Longer than this says nothing any more, µs: with 2²⁰ for the acceleration limit the
/// products stay below 2⁶⁰.
const LONGEST: u32 = 1_000_000;

/// Bounds of the speed at the last pulse.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bounds {
    /// 2⁻²⁴ counts a µs.
    slow: i32,
    fast: i32,
    /// 2⁻⁴⁰ counts a µs².
    max_a: i32,
    known: bool,
    /// Pulses still to come before the speed is believed again.
    wait: u8,
    /// A pulse has been refused since the last: that one may have been the extra one.
    refused: bool,
    doubt: u8,
}

/// By how much the way from mark to mark may be taken wrong, fine counts.
fn slack(pulse: i64) -> i64 {
    let quarter = pulse >> 2;
    if pulse >= SINGLE_FINE {
        quarter.saturating_add(pulse >> 3)
    } else {
        quarter
    }
}

/// What a period is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// One pulse.
    One,
    /// No mark can have come so soon.
    TooSoon,
    /// The last of so many: the others were lost.
    Last(i64),
    /// The speed was believed wrongly: one pulse, and nothing before it counts.
    Anew,
}

impl Bounds {
    /// Nothing known.
    pub const BLANK: Self = Self {
        slow: 0,
        fast: 0,
        max_a: 0,
        known: false,
        wait: 0,
        refused: false,
        doubt: 0,
    };

    pub fn set_up(&mut self, max_a: i32) {
        self.max_a = max_a;
    }

    /// Takes the mean speed over the last span of `t1` µs.
    pub fn know(&mut self, v1: i64, t1: i64) {
        let change = i64::from(self.max_a).wrapping_mul(t1) >> 17;
        let uneven = v1 >> 4;
        let off = change.saturating_add(uneven);
        self.slow = saturate_i32(v1.saturating_sub(off).max(0));
        self.fast = saturate_i32(v1.saturating_add(off));
        self.known = true;
    }

    /// A pulse came sooner than top speed allows.
    pub fn refuse(&mut self) {
        self.refused = true;
    }

    pub fn forget(&mut self) {
        self.known = false;
        self.doubt = 0;
    }

    /// Fine counts that the machine has moved at least, `waited` µs after the last pulse.
    pub fn least(&self, waited: u32) -> i64 {
        if !self.known || self.wait > 0 || waited > LONGEST {
            return 0;
        }
        let lost = i64::from(self.max_a).wrapping_mul(i64::from(waited)) >> 16;
        let waited = if lost < i64::from(self.slow) {
            waited
        } else {
            // It may stand by now; but it does not roll back.
            let stands = ratio(i64::from(self.slow), i64::from(self.max_a), 16);
            u32::try_from(stands).unwrap_or_default().min(waited)
        };
        let (way, bend) = self.way(self.slow, waited);
        way.saturating_sub(bend).max(0)
    }

    fn way(&self, v: i32, waited: u32) -> (i64, i64) {
        let w = i64::from(waited);
        let way = i64::from(v).wrapping_mul(w) >> 16;
        let bend = i64::from(self.max_a).wrapping_mul(w).wrapping_mul(w) >> 33;
        (way, bend)
    }

    /// Pulses of which it is sure that they have passed unseen after a way of `least`.
    pub fn unseen(least: i64, pulse: i64) -> i64 {
        let past = least.saturating_sub(slack(pulse));
        if past <= pulse {
            return 0;
        }
        past.checked_div(pulse)
            .unwrap_or_default()
            .min(MOST_BRIDGED)
    }

    /// Judges a pulse `period` after the last, when `expected` fine counts were to be
    /// covered. Constant work; a division only when pulses were lost.
    pub fn judge(&mut self, period: Span, pulse: i64, expected: i64) -> Verdict {
        let refused = core::mem::take(&mut self.refused);
        if !self.known || period.0 > LONGEST {
            return Verdict::One;
        }
        if self.wait > 0 {
            self.wait = self.wait.saturating_sub(1);
            return Verdict::One;
        }
        let (fast, bend) = self.way(self.fast, period.0);
        let most = fast.saturating_add(bend);
        let verdict = if most < pulse.saturating_sub(slack(pulse)) {
            self.refused = true;
            Verdict::TooSoon
        } else {
            // Cheap first: far less than another pulse is the rule.
            let least = if refused || expected < pulse {
                0
            } else {
                self.least(period.0)
            };
            if least <= pulse.saturating_add(slack(pulse)) {
                if expected > pulse.saturating_add(pulse >> 1) {
                    // Hard braking or a lost pulse: no telling, and if it was lost then
                    // the speed is now believed too low.
                    self.wait = WAIT;
                }
                self.doubt = self.doubt.saturating_sub(1);
                return Verdict::One;
            }
            let passed = expected.max(least).min(most).saturating_add(pulse >> 1);
            let count = passed.checked_div(pulse).unwrap_or(1);
            if count > MOST_BRIDGED {
                self.forget();
                return Verdict::Anew;
            }
            Verdict::Last(count.max(2))
        };
        self.doubt = self.doubt.saturating_add(DOUBT);
        if self.doubt > MOST_DOUBT {
            self.forget();
            return Verdict::Anew;
        }
        verdict
    }
}
