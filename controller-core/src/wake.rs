//! When the boom must be looked at: the decision grid, and what lets it skip
//! instants.
//!
//! Decisions fall on instants `k·P + g·P/G` for group `g` of `G`: fixed in time,
//! whoever polls. At most of them no nozzle has anything to do, and going through
//! the boom would change nothing. So each group keeps the place of its nearest
//! boundary, and is woken at the first instant at which that can be met; any input
//! makes the instants be worked out anew. Waking too early costs time; waking too
//! late would cost a plant, so every bound here errs to the early side.

use crate::ground_plan::ahead;
use crate::units::{Micros, Span, saturate_u32};

/// Nozzles decided in one call: bounds a call whatever the size of the boom.
pub const GROUP: usize = 32;
/// A nozzle's index shifted right by this is its group.
pub(crate) const GROUP_BITS: u32 = 5;
/// Most groups of a boom.
pub(crate) const MOST_GROUPS: usize = 8;
/// A group is looked at this often whatever happens, in periods: places and stamps
/// in short form are brought forward then.
const LONGEST_SLEEP: u32 = 128;

/// The longest time for which a group is not looked at.
pub(crate) fn longest_sleep(period: Span) -> Span {
    Span(period.0.saturating_mul(LONGEST_SLEEP))
}

/// The decision instants of all groups.
#[derive(Clone, Debug)]
pub(crate) struct Grid {
    period: Span,
    /// From one group's instant to the next group's.
    step: Span,
    /// A multiple of the period, at or before `done_to`; none before the first call.
    base: Option<Micros>,
    /// Every instant up to here has been decided, or could not have changed anything.
    done_to: Micros,
}

impl Grid {
    pub fn new(period: Span, groups: usize) -> Self {
        let groups = u32::try_from(groups).unwrap_or(1);
        Self {
            period,
            step: Span(period.0.checked_div(groups).unwrap_or_default()),
            base: None,
            done_to: Micros(0),
        }
    }

    /// Lays the grid at the first call of all.
    pub fn start(&mut self, now: Micros) {
        if self.base.is_none() {
            self.base = Some(self.floor(now));
            self.done_to = now;
        }
    }

    pub fn done_to(&self) -> Micros {
        self.done_to
    }

    /// The latest instant at which a group that has nothing to do is looked at.
    pub fn idle_end(&self, from: Micros) -> Micros {
        from.plus(longest_sleep(self.period))
    }

    /// Every instant up to `at` is done with.
    pub fn handled(&mut self, at: Micros) {
        if at <= self.done_to {
            return;
        }
        self.done_to = at;
        let base = self.base.unwrap_or_default();
        let past = at.since(base);
        if past.0 > (1 << 30) {
            self.base = Some(self.floor(at));
        } else if let Some(periods @ 1..) = past.0.checked_div(self.period.0) {
            self.base = Some(base.plus(Span(periods.saturating_mul(self.period.0))));
        }
    }

    /// Skips what is due, but for the last period before `now`.
    pub fn skip_to(&mut self, now: Micros) {
        let last = self.floor(now);
        self.handled(Micros(last.0.saturating_sub(1)));
    }

    /// The first instant of a group after `from` that is not before `earliest`.
    pub fn first_instant(&self, group: usize, from: Micros, earliest: Micros) -> Micros {
        let index = u32::try_from(group).unwrap_or_default();
        let offset = self.step.0.saturating_mul(index);
        let first = self.base.unwrap_or_default().plus(Span(offset));
        let not_before = earliest.max(from.plus(Span(1)));
        let short = not_before.since(first).0;
        let periods = short
            .saturating_add(self.period.0.saturating_sub(1))
            .checked_div(self.period.0)
            .unwrap_or_default();
        first.plus(Span(periods.saturating_mul(self.period.0)))
    }

    fn floor(&self, at: Micros) -> Micros {
        let period = u64::from(self.period.0);
        let periods = at.0.checked_div(period).unwrap_or_default();
        Micros(periods.saturating_mul(period))
    }
}

/// What is known of 32 neighbouring nozzles without looking at each.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Group {
    /// When to look at it next.
    pub wake: Micros,
    /// Look at every nozzle at the next instant.
    pub all: bool,
    /// Instants until the next sweep.
    to_sweep: u8,
    /// Nozzles that are open or have something planned.
    busy: u32,
    /// Nozzles that are open.
    open: u32,
    nearest: i32,
}

impl Group {
    pub fn busy(&self) -> u32 {
        self.busy
    }

    pub fn any_open(&self) -> bool {
        self.open != 0
    }

    /// The nearest boundary of all, or a place before it; none when nothing is planned.
    pub fn nearest(&self) -> Option<i32> {
        (self.busy != 0).then_some(self.nearest)
    }

    /// Notes where a nozzle is next to be looked at, after something was planned.
    pub fn note(&mut self, offset: usize, next: &mut i32, boundary: Option<i32>) {
        let Some(boundary) = boundary else { return };
        if self.busy == 0 || ahead(self.nearest, boundary) > 0 {
            self.nearest = boundary;
        }
        self.busy |= mask(offset);
        *next = boundary;
    }

    /// The same after a decision; [`Group::find_nearest`] must follow.
    pub fn set(&mut self, offset: usize, next: &mut i32, boundary: Option<i32>, open: bool) {
        let bit = mask(offset);
        self.open = if open {
            self.open | bit
        } else {
            self.open & !bit
        };
        match boundary {
            Some(boundary) => {
                self.busy |= bit;
                *next = boundary;
            }
            None => self.busy &= !bit,
        }
    }

    /// Finds the nearest boundary among the busy nozzles of `next`, all of which lie
    /// within 67 km of `place`.
    pub fn find_nearest(&mut self, next: &[i32], place: i32) {
        let mut nearest = i32::MAX;
        let mut bit = 1_u32;
        for &boundary in next.iter().take(GROUP) {
            let way = ahead(boundary, place);
            if self.busy & bit != 0 {
                nearest = nearest.min(way);
            }
            bit = bit.wrapping_shl(1);
        }
        self.nearest = place.wrapping_add(nearest);
    }

    /// The nozzles of which the next boundary is not beyond `reach`.
    pub fn within(&self, next: &[i32], reach: i32) -> u32 {
        let mut found = 0;
        let mut bit = 1_u32;
        for &boundary in next.iter().take(GROUP) {
            if ahead(boundary, reach) <= 0 {
                found |= bit;
            }
            bit = bit.wrapping_shl(1);
        }
        found
    }

    /// True when the short forms of its nozzles are to be brought forward.
    pub fn sweep(&mut self) -> bool {
        self.to_sweep = self.to_sweep.wrapping_sub(1);
        self.busy == 0 || self.to_sweep == 0
    }
}

fn mask(offset: usize) -> u32 {
    1_u32.wrapping_shl(saturate_u32(u64::try_from(offset).unwrap_or_default()))
}

/// The places of the ones in `mask`, lowest first.
pub(crate) fn bits(mut mask: u32) -> impl Iterator<Item = usize> {
    core::iter::from_fn(move || {
        if mask == 0 {
            return None;
        }
        let offset = mask.trailing_zeros();
        mask &= mask.wrapping_sub(1);
        usize::try_from(offset).ok()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against the plain definition: the instants of a group are k·P + offset.
        #[test]
        fn instants_lie_on_the_grid(
            period in 200u32..20_000, groups in 1usize..=8, start in 0u64..1 << 50,
            steps in proptest::collection::vec((0u64..40_000, 0u64..300_000, 0usize..8), 1..20),
        ) {
            let mut grid = Grid::new(Span(period), groups);
            grid.start(Micros(start));
            let mut from = start;
            for (ahead, wanted, group) in steps {
                let group = group % groups;
                let offset = u64::from(period / u32::try_from(groups).unwrap()) * u64::try_from(group).unwrap();
                let earliest = from + wanted;
                let at = grid.first_instant(group, Micros(from), Micros(earliest)).0;
                prop_assert!(at > from && at >= earliest);
                prop_assert_eq!((at - offset) % u64::from(period), 0);
                prop_assert!(at <= (from + 1).max(earliest) + u64::from(period) + offset);
                let before = at - u64::from(period);
                prop_assert!(before <= from || before < earliest, "an instant at {before} was passed over");
                from += ahead;
                grid.handled(Micros(from));
            }
        }

        /// The masks against a plain search.
        #[test]
        fn the_nearest_boundary_is_the_smallest(
            places in proptest::collection::vec(proptest::option::of(-100_000i32..100_000), 1..32),
            base in any::<i32>(), reach in -100_000i32..100_000,
        ) {
            let mut group = Group::default();
            let mut next = [0; GROUP];
            for (offset, place) in places.iter().enumerate() {
                group.set(offset, &mut next[offset], place.map(|p| base.wrapping_add(p)), false);
            }
            group.find_nearest(&next, base);
            let smallest = places.iter().flatten().min();
            prop_assert_eq!(group.nearest(), smallest.map(|p| base.wrapping_add(*p)));
            let within: Vec<usize> = bits(group.busy() & group.within(&next, base.wrapping_add(reach))).collect();
            let wanted: Vec<usize> = (0..places.len()).filter(|i| places[*i].is_some_and(|p| p <= reach)).collect();
            prop_assert_eq!(within, wanted);
        }
    }
    extern crate std;
    use std::vec::Vec;
}
