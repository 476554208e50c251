//! What is to be sprayed, per nozzle, as intervals of ground.
//!
//! **Overflow policy: a full list never drops.** It joins the two intervals with
//! the smallest gap between them and says how much bare ground that costs.
//!
//! Invariants: intervals are sorted, disjoint, not empty; the first empty one ends the
//! list, so that no length is stored. Places are counts of
//! 1/16 mm that wrap at ±134 km; all places in one list lie within 200 m of each
//! other, which the callers see to, so that a difference never aliases.

/// A stretch of ground `[start, end)` in wrapping counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Interval {
    /// Where spraying is to begin.
    pub start: i32,
    /// Where it is to end.
    pub end: i32,
}

impl Interval {
    /// The same, so many counts farther on.
    #[must_use]
    pub(crate) const fn on_by(self, counts: i32) -> Self {
        Self {
            start: self.start.wrapping_add(counts),
            end: self.end.wrapping_add(counts),
        }
    }

    /// Length in counts.
    #[must_use]
    pub const fn len(self) -> i32 {
        self.end.wrapping_sub(self.start)
    }

    /// True when there is no ground in it.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.len() <= 0
    }
}

/// Signed counts from `b` forward to `a`.
#[must_use]
pub const fn ahead(a: i32, b: i32) -> i32 {
    a.wrapping_sub(b)
}

/// What an insertion did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Inserted {
    /// A patch of its own.
    New,
    /// Joined patches that it touched.
    Merged {
        /// Ground added to what was planned before, counts.
        grown: i32,
    },
    /// The list was full; the two nearest patches were joined over a gap of so
    /// many counts.
    Forced {
        /// Bare ground given up, counts.
        gap: i32,
    },
    /// Nothing to insert: the interval was empty.
    Nothing,
}

/// The bounded list of one nozzle, at most `K` intervals.
///
/// ```
/// use controller_core::ground_plan::{Interval, IntervalList, Inserted};
/// let mut list: IntervalList<2> = IntervalList::new();
/// list.insert(Interval { start: 0, end: 10 });
/// list.insert(Interval { start: 100, end: 110 });
/// // Full: the two nearest are joined, nothing is lost.
/// let did = list.insert(Interval { start: 120, end: 130 });
/// assert_eq!(did, Inserted::Forced { gap: 10 });
/// assert_eq!(list.as_slice(), &[Interval { start: 0, end: 10 }, Interval { start: 100, end: 130 }]);
/// ```
#[derive(Clone, Copy, Debug)]
pub struct IntervalList<const K: usize> {
    items: [Interval; K],
}

impl<const K: usize> Default for IntervalList<K> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const K: usize> IntervalList<K> {
    /// An empty list.
    #[must_use]
    pub const fn new() -> Self {
        const { assert!(K >= 2 && K <= 64, "2 to 64 intervals a nozzle") };
        Self {
            items: [Interval { start: 0, end: 0 }; K],
        }
    }

    /// The intervals in order of travel.
    #[must_use]
    pub fn as_slice(&self) -> &[Interval] {
        self.items.get(..held(&self.items)).unwrap_or(&[])
    }

    /// The nearest `count`, of which there must be so many.
    pub(crate) fn first_few(&self, count: usize) -> &[Interval] {
        self.items.get(..count).unwrap_or(&[])
    }

    /// The nearest interval.
    #[must_use]
    pub fn first(&self) -> Option<Interval> {
        self.items.first().copied().filter(|item| !item.is_empty())
    }

    /// The one behind the nearest.
    #[must_use]
    pub fn second(&self) -> Option<Interval> {
        self.first()?;
        self.items.get(1).copied().filter(|item| !item.is_empty())
    }

    /// Adds an interval. At most 3·K steps.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn insert(&mut self, new: Interval) -> Inserted {
        if new.is_empty() {
            return Inserted::Nothing;
        }
        insert(&mut self.items, new)
    }

    /// Takes the nearest interval off.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn pop_first(&mut self) -> Option<Interval> {
        let first = self.first()?;
        remove(&mut self.items, 0);
        Some(first)
    }

    /// Takes the ground before `to` off: intervals with nothing left go.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn drop_before(&mut self, to: i32) {
        drop_before(&mut self.items, to);
    }

    /// Takes out the first interval from `after` on whose ends both lie within `off` of those of
    /// `like`. At most 2·K steps.
    #[cfg(feature = "turning")]
    pub(crate) fn take_like(&mut self, like: Interval, off: i32, after: i32) -> Option<Interval> {
        let near = |a: i32, b: i32| ahead(a, b).saturating_abs() <= off;
        let at = self.items.iter().position(|item| {
            !item.is_empty()
                && ahead(item.start, after) > 0
                && near(item.start, like.start)
                && near(item.end, like.end)
        })?;
        let taken = self.items.get(at).copied();
        remove(&mut self.items, at);
        taken
    }

    /// Moves the start of the nearest interval back by so many counts.
    pub(crate) fn widen_first(&mut self, back: i32) {
        if let Some(slot) = self.items.first_mut()
            && !slot.is_empty()
        {
            slot.start = slot.start.wrapping_sub(back);
        }
    }

    /// Joins the nearest interval with so many behind it. Returns the ground between, counts;
    /// nothing when there are not so many.
    pub fn join_first(&mut self, behind: usize) -> Option<i32> {
        join_first(&mut self.items, behind)
    }
}

// The bodies take slices, so that one copy serves every K.

/// How many there are.
#[cfg_attr(target_os = "none", inline(never))]
fn held(items: &[Interval]) -> usize {
    let end = items.iter().position(|item| item.is_empty());
    end.unwrap_or(items.len())
}

fn insert(items: &mut [Interval], mut new: Interval) -> Inserted {
    // Absorb whatever the new one overlaps or touches.
    let mut merged = false;
    let mut held = 0_i32;
    let mut at = 0;
    while let Some(&item) = items.get(at) {
        if item.is_empty() {
            break;
        }
        if ahead(item.end, new.start) < 0 {
            at = at.wrapping_add(1);
        } else if ahead(item.start, new.end) > 0 {
            break;
        } else {
            if ahead(new.start, item.start) > 0 {
                new.start = item.start;
            }
            if ahead(item.end, new.end) > 0 {
                new.end = item.end;
            }
            held = held.saturating_add(item.len());
            remove(items, at);
            merged = true;
        }
    }
    if items.last().is_some_and(|last| last.is_empty()) {
        place(items, at, new);
        return if merged {
            Inserted::Merged {
                grown: new.len().saturating_sub(held),
            }
        } else {
            Inserted::New
        };
    }
    force(items, at, new)
}

fn join_first(items: &mut [Interval], behind: usize) -> Option<i32> {
    let last = items.get(behind).copied().filter(|item| !item.is_empty())?;
    let ground = items.iter().take(behind.wrapping_add(1));
    let ground = ground.fold(0_i32, |sum, item| sum.wrapping_add(item.len()));
    let first = items.first_mut()?;
    first.end = last.end;
    let whole = first.len();
    move_up(items, 1, behind);
    Some(whole.wrapping_sub(ground))
}

/// From `at` on takes out `gone`, which must be held: those behind move up in one go.
fn move_up(items: &mut [Interval], at: usize, gone: usize) {
    for at in at..items.len() {
        let next = items.get(at.wrapping_add(gone)).copied();
        match items.get_mut(at).filter(|slot| !slot.is_empty()) {
            Some(slot) => *slot = next.unwrap_or_default(),
            None => break,
        }
    }
}

fn drop_before(items: &mut [Interval], to: i32) {
    let gone = |item: &&Interval| !item.is_empty() && ahead(item.end, to) <= 0;
    let gone = items.iter().take_while(gone).count();
    if gone > 0 {
        move_up(items, 0, gone);
    }
    if let Some(first) = items.first_mut()
        && !first.is_empty()
        && ahead(to, first.start) > 0
    {
        first.start = to;
    }
}

/// Full: join the two nearest of the K + 1, the new one among them.
fn force(items: &mut [Interval], at: usize, new: Interval) -> Inserted {
    let count = items.len();
    let mut best_gap = i32::MAX;
    let mut best = Join::Stored(0);
    let mut previous: Option<Interval> = None;
    for i in 0..count {
        let Some(&item) = items.get(i) else { break };
        if i != at
            && let Some(p) = previous
        {
            let gap = ahead(item.start, p.end);
            if gap < best_gap {
                best_gap = gap;
                best = Join::Stored(i.saturating_sub(1));
            }
        }
        previous = Some(item);
    }
    if let Some(before) = at.checked_sub(1)
        && let Some(&item) = items.get(before)
    {
        let gap = ahead(new.start, item.end);
        if gap < best_gap {
            best_gap = gap;
            best = Join::NewBehind(before);
        }
    }
    if at < count
        && let Some(&item) = items.get(at)
    {
        let gap = ahead(item.start, new.end);
        if gap < best_gap {
            best_gap = gap;
            best = Join::NewBefore(at);
        }
    }
    match best {
        Join::NewBehind(i) => {
            if let Some(slot) = items.get_mut(i) {
                slot.end = new.end;
            }
        }
        Join::NewBefore(i) => {
            if let Some(slot) = items.get_mut(i) {
                slot.start = new.start;
            }
        }
        Join::Stored(i) => {
            let next = i.wrapping_add(1);
            let end = items.get(next).map_or(new.end, |item| item.end);
            if let Some(slot) = items.get_mut(i) {
                slot.end = end;
            }
            // The room of the one that is joined goes to the new one: only those between move.
            let mut new = new;
            if at > next {
                let between = items.get_mut(next..at).unwrap_or_default();
                for slot in between.iter_mut().rev() {
                    core::mem::swap(slot, &mut new);
                }
            } else {
                let between = items.get_mut(at..=next).unwrap_or_default();
                for slot in between {
                    core::mem::swap(slot, &mut new);
                }
            }
        }
    }
    Inserted::Forced { gap: best_gap }
}

enum Join {
    Stored(usize),
    NewBehind(usize),
    NewBefore(usize),
}

/// Takes one out: those behind it move up.
fn remove(items: &mut [Interval], mut at: usize) {
    loop {
        let behind = at.wrapping_add(1);
        let next = items.get(behind).copied().unwrap_or_default();
        if let Some(slot) = items.get_mut(at) {
            *slot = next;
        }
        if next.is_empty() {
            break;
        }
        at = behind;
    }
}

/// Puts one in, where the last slot is free.
fn place(items: &mut [Interval], at: usize, mut new: Interval) {
    for slot in items.iter_mut().skip(at) {
        core::mem::swap(slot, &mut new);
        if new.is_empty() {
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;

    fn iv(start: i32, end: i32) -> Interval {
        Interval { start, end }
    }

    #[test]
    fn touching_intervals_join() {
        let mut list: IntervalList<4> = IntervalList::new();
        assert_eq!(list.insert(iv(10, 20)), Inserted::New);
        assert_eq!(list.insert(iv(20, 30)), Inserted::Merged { grown: 10 });
        assert_eq!(list.insert(iv(0, 9)), Inserted::New);
        assert_eq!(list.insert(iv(5, 12)), Inserted::Merged { grown: 1 });
        assert_eq!(list.as_slice(), &[iv(0, 30)]);
        assert_eq!(list.insert(iv(7, 7)), Inserted::Nothing);
    }

    #[test]
    fn lists_work_across_the_wrap() {
        let mut list: IntervalList<4> = IntervalList::new();
        list.insert(iv(i32::MAX - 5, i32::MIN + 5));
        list.insert(iv(i32::MIN + 20, i32::MIN + 30));
        list.insert(iv(i32::MAX - 9, i32::MAX - 3));
        assert_eq!(
            list.as_slice(),
            &[
                iv(i32::MAX - 9, i32::MIN + 5),
                iv(i32::MIN + 20, i32::MIN + 30)
            ]
        );
    }

    proptest! {
        /// Against taking one off at a time.
        #[test]
        fn what_is_passed_goes(asked in proptest::collection::vec((0i32..300, 1i32..20), 0..12), to in 0i32..340, base in any::<i32>()) {
            let mut list: IntervalList<6> = IntervalList::new();
            for (start, length) in asked {
                list.insert(iv(base.wrapping_add(start), base.wrapping_add(start + length)));
            }
            let to = base.wrapping_add(to);
            let mut one_by_one = list;
            while one_by_one.first().is_some_and(|first| ahead(first.end, to) <= 0) {
                one_by_one.pop_first();
            }
            if let Some(slot) = one_by_one.items.first_mut().filter(|first| !first.is_empty() && ahead(to, first.start) > 0) {
                slot.start = to;
            }
            list.drop_before(to);
            prop_assert_eq!(list.items, one_by_one.items);
        }

        /// Against cells: all ground from the first to the last that is joined, and what is bare.
        #[test]
        fn joined_patches_are_one(asked in proptest::collection::vec((1i32..40, 1i32..20), 0..=6), behind in 0usize..7, base in any::<i32>()) {
            let mut list: IntervalList<6> = IntervalList::new();
            let (mut from, mut all) = (base, std::vec::Vec::new());
            for (gap, length) in asked {
                let new = iv(from.wrapping_add(gap), from.wrapping_add(gap + length));
                from = new.end;
                list.insert(new);
                all.push(new);
            }
            let bare = list.join_first(behind);
            if behind >= all.len() {
                prop_assert_eq!(bare, None);
                prop_assert_eq!(list.as_slice(), &all[..]);
                return Ok(());
            }
            let gaps: i32 = all[..=behind].windows(2).map(|two| ahead(two[1].start, two[0].end)).sum();
            prop_assert_eq!(bare, Some(gaps));
            let mut left = std::vec![iv(all[0].start, all[behind].end)];
            left.extend(&all[behind + 1..]);
            prop_assert_eq!(list.as_slice(), &left[..]);
        }

        /// Nothing accepted is lost, and over-spray is exactly what was reported.
        #[test]
        fn cells_asked_for_are_covered(asked in proptest::collection::vec((0i32..400, 1i32..40), 1..40), base in any::<i32>()) {
            let mut list: IntervalList<5> = IntervalList::new();
            let mut wanted = [false; 440];
            let mut forced = 0;
            for (start, length) in asked {
                if let Inserted::Forced { gap } = list.insert(iv(base.wrapping_add(start), base.wrapping_add(start + length))) {
                    prop_assert!(gap > 0);
                    forced += gap;
                }
                for cell in wanted.iter_mut().skip(usize::try_from(start).unwrap()).take(usize::try_from(length).unwrap()) { *cell = true; }
            }
            let mut covered = [false; 440];
            let mut last: Option<Interval> = None;
            for item in list.as_slice() {
                prop_assert!(!item.is_empty());
                if let Some(l) = last { prop_assert!(ahead(item.start, l.end) > 0); }
                last = Some(*item);
                for c in 0..item.len() { covered[usize::try_from(item.start.wrapping_sub(base) + c).unwrap()] = true; }
            }
            let mut over = 0;
            for (w, c) in wanted.iter().zip(covered.iter()) {
                prop_assert!(!w || *c, "an asked cell is bare");
                if *c && !*w { over += 1; }
            }
            // Later requests may fall into a gap already given up.
            prop_assert!(over <= forced);
        }
    }
}
