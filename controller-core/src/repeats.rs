//! Plants seen again: how far a later sight may take a patch.
//!
//! Each image's places are a little off, so a plant seen in ten images would get a patch
//! as large as all of them together. A detector that follows plants gives each an id;
//! then later sights may take the patch no farther than a stated growth beyond the first.
//! Without an id patches grow by union, and the growth is counted.
//!
//! **Overflow policy:** the table of one detector holds the last [`KNOWN`] ids. A new one
//! takes the place of the oldest; when that one's plant is still ahead it is counted
//! (`ids_forgotten`), and its next sight counts as a first. Nothing is refused.

use crate::aiming::Across;
use crate::counters::{Counters, bump};
use crate::ground_plan::{Interval, ahead};
use crate::units::{COUNTS_PER_MM, Length};

/// Ids remembered a detector.
pub(crate) const KNOWN: usize = 16;

/// The first patch of a plant. Across it is kept in whole mm, rounded outward.
#[derive(Clone, Copy, Debug, Default)]
struct First {
    patch: Interval,
    left_mm: i16,
    right_mm: i16,
}

/// What one detector's plants were when first seen.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Repeats {
    firsts: [First; KNOWN],
    ids: [u16; KNOWN],
    /// How many there are.
    known: u8,
    /// Where the next new id goes: the oldest.
    next: u8,
}

impl Repeats {
    /// Holds a sight to what its plant's first patch allows, while the reference point
    /// is at `here`. At most [`KNOWN`] steps.
    pub(crate) fn hold(
        &mut self,
        id: u16,
        patch: Interval,
        across: Across,
        growth: Length,
        here: i32,
        counters: &mut Counters,
    ) -> (Interval, Across) {
        let first = First {
            patch,
            left_mm: whole_mm(across.left),
            right_mm: whole_mm(across.right.saturating_add(COUNTS_PER_MM.wrapping_sub(1))),
        };
        let ids = self.ids.iter().take(usize::from(self.known));
        let known = ids.zip(&mut self.firsts).find(|(known, _)| **known == id);
        if let Some((_, known)) = known {
            let (held, held_across) = known.allow(patch, across, growth.bits());
            if held.is_empty() || held_across.left > held_across.right {
                // Nowhere near: the number was given to another plant.
                bump(&mut counters.ids_reused);
                *known = first;
                return (patch, across);
            }
            if (held, held_across) != (patch, across) {
                bump(&mut counters.repeats_cut);
            }
            return (held, held_across);
        }
        let at = usize::from(self.next);
        if let (Some(oldest), Some(slot)) = (self.firsts.get_mut(at), self.ids.get_mut(at)) {
            if self.next < self.known && ahead(oldest.patch.end, here) > 0 {
                bump(&mut counters.ids_forgotten);
            }
            *oldest = first;
            *slot = id;
            self.known = self.known.max(self.next.saturating_add(1));
        }
        let next = self.next.wrapping_add(1);
        self.next = if usize::from(next) < KNOWN { next } else { 0 };
        (patch, across)
    }
}

impl First {
    /// What of a later sight lies within the growth.
    fn allow(&self, patch: Interval, across: Across, growth: i32) -> (Interval, Across) {
        let start = self.patch.start.wrapping_sub(growth);
        let end = self.patch.end.wrapping_add(growth);
        let left = counts(self.left_mm).saturating_sub(growth);
        let right = counts(self.right_mm).saturating_add(growth);
        let patch = Interval {
            start: if ahead(start, patch.start) > 0 {
                start
            } else {
                patch.start
            },
            end: if ahead(patch.end, end) > 0 {
                end
            } else {
                patch.end
            },
        };
        let across = Across {
            left: across.left.max(left),
            right: across.right.min(right),
        };
        (patch, across)
    }
}

fn whole_mm(counts: i32) -> i16 {
    let mm = counts >> 4;
    i16::try_from(mm).unwrap_or(if mm < 0 { i16::MIN } else { i16::MAX })
}

fn counts(mm: i16) -> i32 {
    i32::from(mm).saturating_mul(COUNTS_PER_MM)
}
