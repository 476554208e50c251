//! Plants that were placed by prediction, until the pulse comes that tells where they
//! really are.
//!
//! An image captured after the last pulse is placed where the machine was predicted to
//! be. The next pulse brackets the instant of capture, and the place is looked up again.
//!
//! **Overflow policy:** the newest [`MOST_AIMS`] plants are remembered; an older one
//! stays where it was placed first, and is counted.

use crate::fan;
use crate::ground_plan::Interval;
use crate::turning::Heading;
use crate::units::Micros;
use heapless::Deque;

/// Most plants remembered.
pub(crate) const MOST_AIMS: usize = 16;
/// Most plants looked up again at one pulse.
pub(crate) const AIMS_A_PULSE: usize = 4;
/// A place that moved by less is left alone, counts: an eighth of a millimetre.
pub(crate) const LEAST_MOVE: i32 = 2;

/// One plant's patch, and from where it was aimed at.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Aim {
    pub captured_at: Micros,
    /// Where the reference point was taken to be.
    pub captured: i32,
    /// For a nozzle at x = 0.
    pub patch: Interval,
    /// The heading with which the boom meets it.
    pub heading: Heading,
    /// The nozzles that it was planned on.
    pub set: fan::Aim,
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
            let set = &mut aim.set;
            if nozzle < set.first || nozzle >= set.end {
                continue;
            }
            let offset = u32::try_from(nozzle.saturating_sub(set.first)).unwrap_or(u32::MAX);
            match 1_u32.checked_shl(offset) {
                Some(bit) => set.closed |= bit,
                None => set.end = set.first,
            }
        }
    }

    /// The oldest one, which is then forgotten.
    pub fn take(&mut self) -> Option<Aim> {
        self.waiting.pop_front()
    }
}
