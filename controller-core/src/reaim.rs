//! Plants that were placed by prediction, until the pulse comes that tells where they
//! really are.
//!
//! An image captured after the last pulse is placed where the machine was predicted to
//! be. The next pulse brackets the instant of capture, and the place is looked up again.
//!
//! **Overflow policy:** the newest [`MOST_AIMS`] plants are remembered; an older one
//! stays where it was placed first, and is counted.

use crate::fan::NozzleSet;
use crate::ground_plan::Interval;
use crate::turning::Heading;
use crate::units::Micros;
use heapless::Deque;

/// Most plants remembered.
pub(crate) const MOST_AIMS: usize = 16;
/// Most plants looked up again at one pulse.
pub(crate) const AIMS_A_PULSE: u8 = 4;
/// A place that moved by less is left alone, counts: an eighth of a millimetre.
pub(crate) const LEAST_MOVE: i32 = 2;

/// One plant's patch, and from where it was aimed at.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Aim {
    /// The low 40 bits of the stamp, in two parts: twelve days.
    low: u32,
    high: u8,
    /// The nozzles that it was planned on.
    pub set: NozzleSet,
    /// Where the reference point was taken to be.
    pub captured: i32,
    /// For a nozzle at x = 0.
    pub patch: Interval,
    /// The heading with which the boom meets it.
    pub heading: Heading,
}

impl Aim {
    pub fn new(
        captured_at: Micros,
        captured: i32,
        (patch, heading): (Interval, Heading),
        set: NozzleSet,
    ) -> Self {
        let [a, b, c, d, high, ..] = captured_at.0.to_le_bytes();
        Self {
            low: u32::from_le_bytes([a, b, c, d]),
            high,
            set,
            captured,
            patch,
            heading,
        }
    }

    /// The stamp in full, at an instant not twelve days later.
    pub fn captured_at(&self, now: Micros) -> Micros {
        let stamp = (u64::from(self.high) << 32) | u64::from(self.low);
        let age = now.0.wrapping_sub(stamp) & ((1 << 40) - 1);
        Micros(now.0.saturating_sub(age))
    }
}

/// The plants waiting for their pulse, oldest first.
#[derive(Clone, Debug, Default)]
pub(crate) struct Aims {
    waiting: Deque<Aim, MOST_AIMS>,
}

impl Aims {
    /// Remembers a plant. False: the oldest had to go.
    pub fn keep(&mut self, aim: Aim) -> bool {
        let kept = !self.waiting.is_full() || self.waiting.pop_front().is_none();
        let pushed = self.waiting.push_back(aim);
        debug_assert!(pushed.is_ok());
        kept
    }

    /// A nozzle is faulty: what waits is given up on it. (In the lane form a plant may
    /// need more nozzles than the mask holds; that one is then not looked at again.)
    pub fn leave_out(&mut self, nozzle: usize) {
        for aim in &mut self.waiting {
            aim.set.leave_out(nozzle);
        }
    }

    /// True when none waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// The oldest one, which is then forgotten.
    pub fn take(&mut self) -> Option<Aim> {
        self.waiting.pop_front()
    }
}
