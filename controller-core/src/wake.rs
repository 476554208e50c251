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
use crate::reach::Farthest;
use crate::turning::{Heading, Side};
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
        if past < self.period {
            return;
        }
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

    #[cfg_attr(target_os = "none", inline(never))]
    fn floor(&self, at: Micros) -> Micros {
        let period = u64::from(self.period.0);
        let periods = at.0.checked_div(period).unwrap_or_default();
        Micros(periods.saturating_mul(period))
    }
}

/// Nozzles in one block of a group: looking at the whole group costs four blocks.
pub(crate) const BLOCK: usize = 8;
const BLOCK_BITS: u32 = 3;
const BLOCKS: usize = GROUP >> BLOCK_BITS;
const BLOCK_MASK: u32 = 0xFF;

/// What is known of 32 neighbouring nozzles without looking at each.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Group {
    /// When to look at it next.
    pub wake: Micros,
    /// Look at every nozzle at the next instant.
    pub all: bool,
    /// Boundaries are kept as places that all lanes have in common: less what each lane leads
    /// the wheel by at this heading.
    pub since: Heading,
    /// Looks until the next round of sweeps.
    to_sweep: u8,
    /// Nozzles that are open or have something planned.
    busy: u32,
    /// Nozzles that are open.
    open: u32,
    /// Nearest boundary, or a place before it, of those nozzles of each block that are
    /// to be opened; means something while there are some.
    to_open: [i32; BLOCKS],
}

/// The nearest boundaries of a group, or places before them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Nearest {
    /// Of the nozzles to be opened.
    pub open: Option<i32>,
    /// Of the nozzles to be closed.
    pub close: Option<i32>,
}

impl Group {
    pub fn busy(&self) -> u32 {
        self.busy
    }

    pub fn any_open(&self) -> bool {
        self.open != 0
    }

    /// Every one of its first `count` nozzles is to be looked at anew.
    pub fn everyone(&mut self, count: usize) {
        let count = u32::try_from(count).unwrap_or(u32::MAX);
        self.busy = 1_u32.checked_shl(count).unwrap_or_default().wrapping_sub(1);
        self.all = true;
    }

    /// The open nozzles.
    pub fn open(&self) -> u32 {
        self.open
    }

    /// A nozzle was told to open or close; where it is next to be looked at is set later.
    pub fn turned(&mut self, offset: usize, open: bool) {
        let bit = mask(offset);
        self.busy |= bit;
        if open {
            self.open |= bit;
        } else {
            self.open &= !bit;
        }
    }

    fn waiting(&self) -> u32 {
        self.busy & !self.open
    }

    /// The nearest boundaries. `next` holds those of each nozzle.
    pub fn nearest(&self, next: &[i32]) -> Nearest {
        let mut open = None;
        let mut waiting = self.waiting();
        for &boundary in &self.to_open {
            if waiting & BLOCK_MASK != 0 {
                open = nearer(open, boundary);
            }
            waiting >>= BLOCK;
        }
        let mut close = None;
        // Few are open at a time.
        for offset in bits(self.open) {
            if let Some(&boundary) = next.get(offset) {
                close = nearer(close, boundary);
            }
        }
        Nearest { open, close }
    }

    /// Notes where a nozzle is next to be looked at, after something was planned.
    pub fn note(&mut self, offset: usize, next: &mut i32, side: Side, boundary: Option<i32>) {
        let Some(boundary) = boundary else { return };
        let boundary = boundary.wrapping_sub(self.since.lead(side));
        let bit = mask(offset);
        *next = boundary;
        if self.open & bit != 0 {
            return;
        }
        let others = self.waiting() & block_of(offset);
        if let Some(nearest) = self.to_open.get_mut(offset >> BLOCK_BITS)
            && (others == 0 || ahead(*nearest, boundary) > 0)
        {
            *nearest = boundary;
        }
        self.busy |= bit;
    }

    /// The same after a decision, for one of the nozzles of `next`.
    pub fn set(
        &mut self,
        offset: usize,
        next: &mut [i32],
        side: Side,
        boundary: Option<i32>,
        open: bool,
    ) {
        let boundary = boundary.map(|b| b.wrapping_sub(self.since.lead(side)));
        let bit = mask(offset);
        self.open &= !bit;
        self.busy &= !bit;
        if let Some(boundary) = boundary {
            self.busy |= bit;
            if open {
                self.open |= bit;
            }
            if let Some(next) = next.get_mut(offset) {
                *next = boundary;
            }
        }
        let mut nearest = None;
        for other in bits(self.waiting() & block_of(offset)) {
            if let Some(&boundary) = next.get(other) {
                nearest = nearer(nearest, boundary);
            }
        }
        if let (Some(nearest), Some(slot)) = (nearest, self.to_open.get_mut(offset >> BLOCK_BITS)) {
            *slot = nearest;
        }
    }

    /// The nozzles of which the next boundary is not beyond reach.
    pub fn within(&self, next: &[i32], reach: Farthest) -> u32 {
        let mut look = self.open;
        let mut block = BLOCK_MASK;
        for &boundary in &self.to_open {
            if ahead(boundary, reach.open) <= 0 {
                look |= self.waiting() & block;
            }
            block <<= BLOCK;
        }
        let mut found = 0;
        for offset in bits(look) {
            let bit = mask(offset);
            let reach = if self.open & bit == 0 {
                reach.open
            } else {
                reach.close
            };
            if next
                .get(offset)
                .is_some_and(|&next| ahead(next, reach) <= 0)
            {
                found |= bit;
            }
        }
        found
    }

    /// The first of the [`BLOCK`] nozzles, if any, of which the short forms are to be brought
    /// forward now: of each within 256 looks at the group, or 4 while it has nothing to do.
    pub fn sweep(&mut self) -> Option<usize> {
        self.to_sweep = self.to_sweep.wrapping_sub(1);
        let looks = usize::from(self.to_sweep);
        let block = if looks & 63 == 0 {
            looks >> 6
        } else if self.busy == 0 {
            looks & (BLOCKS - 1)
        } else {
            return None;
        };
        Some(block << BLOCK_BITS)
    }
}

fn mask(offset: usize) -> u32 {
    1_u32.wrapping_shl(saturate_u32(u64::try_from(offset).unwrap_or_default()))
}

/// The nozzles in the same block.
fn block_of(offset: usize) -> u32 {
    BLOCK_MASK << (offset & !(BLOCK - 1) & (GROUP - 1))
}

/// The nearer of two places.
fn nearer(a: Option<i32>, b: i32) -> Option<i32> {
    match a {
        Some(a) if ahead(b, a) > 0 => Some(a),
        _ => Some(b),
    }
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
            places in proptest::collection::vec(proptest::option::of((-100_000i32..100_000, any::<bool>())), 1..32),
            base in any::<i32>(), open in -100_000i32..100_000, close in -100_000i32..100_000,
        ) {
            let mut group = Group::default();
            let mut next = [0; GROUP];
            for (offset, place) in places.iter().enumerate() {
                let open = place.is_some_and(|p| p.1);
                group.set(offset, &mut next, Side::default(), place.map(|p| base.wrapping_add(p.0)), open);
            }
            let smallest = |open: bool| places.iter().flatten().filter(|p| p.1 == open).map(|p| p.0).min();
            let wanted = Nearest { open: smallest(false), close: smallest(true) };
            let got = group.nearest(&next);
            prop_assert_eq!(got.open, wanted.open.map(|p| base.wrapping_add(p)));
            prop_assert_eq!(got.close, wanted.close.map(|p| base.wrapping_add(p)));
            let reach = Farthest { open: base.wrapping_add(open), close: base.wrapping_add(close) };
            let within: Vec<usize> = bits(group.within(&next, reach)).collect();
            let wanted: Vec<usize> = (0..places.len())
                .filter(|i| places[*i].is_some_and(|p| p.0 <= if p.1 { close } else { open }))
                .collect();
            prop_assert_eq!(within, wanted);
        }
    }
    extern crate std;
    use std::vec::Vec;
}
