//! What the detectors have seen of the ground ahead.
//!
//! Per detector a bounded list of seen stretches. Images may come out of order, overlap
//! and leave gaps; a stretch goes from the list when the boom has passed it, and ground
//! that passes without having been seen is measured there, once.
//!
//! **Overflow policy: forget, never invent.** A full list forgets its shortest stretch,
//! the new one among them: that ground counts as unseen, which sprays it or leaves it dry
//! as the policy says. Counted in
//! [`Counters::seen_forgotten`](crate::Counters::seen_forgotten).

use crate::boom::{DetectorConfig, NozzleConfig};
use crate::ground_plan::{Interval, ahead};
use crate::lane::later;
use crate::turning::{Heading, Side};

/// Seen stretches a detector.
pub const SEEN_STRETCHES: usize = 8;
/// A lane may reach beyond a view by this much and still be covered, counts: what
/// rounding to sixteenths of a millimetre can do.
const ROUNDING: i32 = 3;

/// What one detector saw: sorted, apart, as ground places in wrapping counts, along the own
/// way of the detector's place across.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Seen {
    items: [Interval; SEEN_STRETCHES],
    len: u8,
    /// Ground before this is past the boom and has been measured.
    passed: i32,
    /// The machine went back since: ground before `passed` may come by again.
    again: bool,
    /// Where the detector is across.
    pub(crate) side: Side,
}

impl Seen {
    /// Nothing seen; measuring begins at `mark`.
    pub(crate) fn from(mark: i32, side: Side) -> Self {
        Self {
            passed: mark,
            side,
            ..Self::default()
        }
    }

    pub(crate) fn as_slice(&self) -> &[Interval] {
        self.items.get(..usize::from(self.len)).unwrap_or(&[])
    }

    /// Adds a stretch, cut to what is not past yet. False when one had to be forgotten.
    /// Bounded by [`SEEN_STRETCHES`].
    pub(crate) fn insert(&mut self, stretch: Interval) -> bool {
        let mut new = Interval {
            start: later(stretch.start, self.passed),
            end: stretch.end,
        };
        if new.is_empty() {
            return true;
        }
        // Rebuilt in order: what touches the new one joins it.
        let mut kept = [Interval::default(); SEEN_STRETCHES];
        let mut slots = kept.iter_mut();
        let mut len: u8 = 0;
        let mut spilled: Option<Interval> = None;
        let mut placed = false;
        let old = self.items;
        let count = usize::from(self.len);
        let mut put = |item: Interval| match slots.next() {
            Some(slot) => {
                *slot = item;
                len = len.saturating_add(1);
            }
            None => spilled = Some(item),
        };
        for item in old.into_iter().take(count) {
            if ahead(new.start, item.end) > 0 {
                put(item);
            } else if ahead(item.start, new.end) > 0 {
                if !placed {
                    placed = true;
                    put(new);
                }
                put(item);
            } else {
                if ahead(new.start, item.start) > 0 {
                    new.start = item.start;
                }
                new.end = later(new.end, item.end);
            }
        }
        if !placed {
            put(new);
        }
        self.items = kept;
        self.len = len;
        let Some(last) = spilled else { return true };
        // One too many: drop the shortest and move up those behind it.
        let shortest = kept
            .iter()
            .enumerate()
            .min_by_key(|(_, item)| item.len())
            .filter(|(_, item)| item.len() < last.len());
        if let Some((at, _)) = shortest {
            let mut next = kept.iter().skip(at.wrapping_add(1)).copied();
            for slot in self.items.iter_mut().skip(at) {
                *slot = next.next().unwrap_or(last);
            }
        }
        false
    }

    /// The machine turns. What was seen of the ground behind is forgotten; whether to
    /// spray it as unseen was settled when it was passed first, so it counts as seen.
    pub(crate) fn turn(&mut self) {
        self.again = true;
    }

    /// The boom has passed `mark`: forgets what lies before it, and returns how many
    /// counts of that ground had not been seen. Bounded by [`SEEN_STRETCHES`].
    pub(crate) fn pass(&mut self, mark: i32) -> u32 {
        let way = ahead(mark, self.passed);
        if way <= 0 {
            return 0;
        }
        let mut bare = way;
        let mut gone = 0_usize;
        for item in self.items.iter_mut().take(usize::from(self.len)) {
            let from = later(item.start, self.passed);
            let past = ahead(item.end, mark) <= 0;
            let to = if past { item.end } else { mark };
            bare = bare.saturating_sub(ahead(to, from).max(0));
            if past {
                gone = gone.wrapping_add(1);
            } else {
                item.start = later(item.start, mark);
            }
        }
        if gone > 0 {
            let items = self.items;
            for (slot, item) in self.items.iter_mut().zip(items.iter().skip(gone)) {
                *slot = *item;
            }
            let gone = u8::try_from(gone).unwrap_or(u8::MAX);
            self.len = self.len.saturating_sub(gone);
        }
        self.passed = mark;
        self.again = false;
        u32::try_from(bare).unwrap_or_default()
    }
}

/// Which detectors must have seen a nozzle's ground for it to count as seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Covering {
    /// A bit a detector.
    pub mask: u16,
    /// Any one of them will do: each sees the whole lane. Else all are needed, since
    /// each sees a part of it.
    pub any: bool,
}

impl Covering {
    /// Worked out once at start. A lane into which no detector looks is never seen; of
    /// one that is covered in part, the part that is looked at decides.
    pub(crate) fn of(
        nozzle: &NozzleConfig,
        detectors: impl Iterator<Item = DetectorConfig>,
    ) -> Self {
        let (mut whole, mut part) = (0_u16, 0_u16);
        for (shift, d) in (0_u32..16).zip(detectors) {
            let bit = 1_u16.checked_shl(shift).unwrap_or_default();
            let left = d.y.minus(d.view_left).bits();
            let right = d.y.plus(d.view_right).bits();
            let in_left = left.saturating_sub(ROUNDING) <= nozzle.left();
            let in_right = right.saturating_add(ROUNDING) >= nozzle.right();
            if in_left && in_right {
                whole |= bit;
            } else if left.saturating_add(ROUNDING) < nozzle.right()
                && right.saturating_sub(ROUNDING) > nozzle.left()
            {
                part |= bit;
            }
        }
        if whole != 0 {
            Self {
                mask: whole,
                any: true,
            }
        } else {
            Self {
                mask: part,
                any: false,
            }
        }
    }

    /// Whether a detector with this index takes part.
    fn takes(self, detector: usize) -> bool {
        u32::try_from(detector)
            .ok()
            .and_then(|shift| self.mask.checked_shr(shift))
            .is_some_and(|bits| bits & 1 == 1)
    }

    /// Whether `place` counts as seen, and the next place beyond it where that may
    /// change. `shrink` is taken off both ends of each seen stretch: (near, far).
    /// Places are those of a lane at `side`, when the boom comes by with `heading`.
    /// Bounded by detectors times [`SEEN_STRETCHES`].
    pub(crate) fn seen<'s>(
        self,
        lists: impl Iterator<Item = &'s Seen>,
        lane_place: i32,
        shrink: (i32, i32),
        (side, heading): (Side, Heading),
    ) -> (bool, Option<i32>) {
        let mut seen = !self.any && self.mask != 0;
        let mut next: Option<i32> = None;
        for (_, list) in lists.enumerate().filter(|(d, _)| self.takes(*d)) {
            let lead = heading.lead(side.from(list.side));
            let place = lane_place.wrapping_sub(lead);
            let mut edge = None;
            // What was passed has its margin off already, so that it meets a stretch that
            // begins there.
            let passed = list.passed.wrapping_add(shrink.0);
            let mut inside = list.again && ahead(passed, place) > 0;
            if inside {
                edge = Some(passed);
            }
            for item in list.as_slice() {
                let start = item.start.wrapping_add(shrink.0);
                let end = item.end.wrapping_sub(shrink.1);
                if inside || ahead(end, start) <= 0 || ahead(end, place) <= 0 {
                    continue;
                }
                inside = ahead(place, start) >= 0;
                edge = Some(if inside { end } else { start });
                break;
            }
            if let Some(edge) = edge.map(|edge: i32| edge.wrapping_add(lead)) {
                next = Some(next.map_or(edge, |n| if ahead(edge, n) < 0 { edge } else { n }));
            }
            if self.any {
                seen |= inside;
            } else {
                seen &= inside;
            }
        }
        (seen, next)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Length;
    use proptest::prelude::*;

    fn iv(start: i32, end: i32) -> Interval {
        Interval { start, end }
    }

    #[test]
    fn images_out_of_order_leave_no_false_gap() {
        let mut seen = Seen::from(0, Side::WHEEL);
        assert!(seen.insert(iv(0, 100)));
        assert!(seen.insert(iv(200, 300)));
        assert!(seen.insert(iv(90, 210)));
        assert_eq!(seen.as_slice(), &[iv(0, 300)]);
        assert_eq!(seen.pass(300), 0);
        assert_eq!(seen.pass(350), 50);
    }

    #[test]
    fn a_full_list_forgets_its_shortest() {
        let mut seen = Seen::from(0, Side::WHEEL);
        for k in 0..8 {
            assert!(seen.insert(iv(k * 100, k * 100 + if k == 3 { 5 } else { 50 })));
        }
        assert!(!seen.insert(iv(1000, 1040)));
        assert!(seen.as_slice().iter().all(|i| i.start != 300));
        assert_eq!(seen.as_slice().last(), Some(&iv(1000, 1040)));
        assert!(!seen.insert(iv(1100, 1101)));
        assert_eq!(seen.as_slice().last(), Some(&iv(1000, 1040)));
        assert_eq!(seen.as_slice().len(), 8);
    }

    #[test]
    fn lanes_know_who_looks_at_them() {
        let nozzle = |y| NozzleConfig {
            y: Length::from_mm(y),
            ..NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))
        };
        let eye = |y, half| DetectorConfig {
            y: Length::from_mm(y),
            ..DetectorConfig::centred(Length::from_mm(1000), Length::from_mm(half))
        };
        // Views −1.5 to 0.5 and 0 to 2 m.
        let eyes = [eye(-500, 1000), eye(1000, 1000)];
        let of = |y| Covering::of(&nozzle(y), eyes.iter().copied());
        assert_eq!(
            of(-1000),
            Covering {
                mask: 0b01,
                any: true
            }
        );
        assert_eq!(
            of(250),
            Covering {
                mask: 0b11,
                any: true
            }
        );
        assert_eq!(
            of(400),
            Covering {
                mask: 0b10,
                any: true
            }
        );
        assert_eq!(
            of(-1600),
            Covering {
                mask: 0b01,
                any: false
            }
        );
        assert_eq!(of(3000), Covering::default());
        // A lane in two halves needs both.
        let eyes = [eye(-500, 500), eye(500, 500)];
        let both = Covering::of(&nozzle(0), eyes.iter().copied());
        assert_eq!(
            both,
            Covering {
                mask: 0b11,
                any: false
            }
        );
        let mut lists = [Seen::from(0, Side::WHEEL), Seen::from(0, Side::WHEEL)];
        lists[0].insert(iv(0, 100));
        assert_eq!(
            both.seen(lists.iter(), 50, (0, 0), (Side::WHEEL, Heading::START)),
            (false, Some(100))
        );
        lists[1].insert(iv(40, 200));
        assert_eq!(
            both.seen(lists.iter(), 50, (0, 0), (Side::WHEEL, Heading::START)),
            (true, Some(100))
        );
        assert_eq!(
            both.seen(lists.iter(), 30, (0, 0), (Side::WHEEL, Heading::START)),
            (false, Some(40))
        );
        assert_eq!(
            Covering::default().seen(lists.iter(), 50, (0, 0), (Side::WHEEL, Heading::START)),
            (false, None)
        );
    }

    proptest! {
        /// Against cells: nothing unseen is called seen, and what passes unseen is
        /// measured exactly as long as nothing was forgotten.
        #[test]
        fn cells_agree(images in proptest::collection::vec((0i32..900, 1i32..120), 1..30), base in any::<i32>(), stride in 7i32..200) {
            let mut seen = Seen::from(base, Side::WHEEL);
            let mut cells = [false; 1100];
            let mut forgot = false;
            for &(from, length) in &images {
                forgot |= !seen.insert(iv(base.wrapping_add(from), base.wrapping_add(from + length)));
                for cell in cells.iter_mut().skip(from as usize).take(length as usize) { *cell = true; }
            }
            let list = seen;
            let items = list.as_slice();
            let mut covered = 0;
            for (k, item) in items.iter().enumerate() {
                prop_assert!(!item.is_empty());
                if k > 0 { prop_assert!(ahead(item.start, items[k - 1].end) > 0); }
                for c in 0..item.len() { prop_assert!(cells[(item.start.wrapping_sub(base) + c) as usize]); covered += 1; }
            }
            if !forgot { prop_assert_eq!(covered, cells.iter().filter(|c| **c).count()); }
            let mut bare = 0;
            let mut at = 0;
            while at < 1100 { at = (at + stride).min(1100); bare += seen.pass(base.wrapping_add(at)); }
            prop_assert_eq!(bare as usize, 1100 - covered);
        }

        /// Against the plain meaning, cell by cell: whether a place counts as seen, and that
        /// nothing changes before the place that is told as the next.
        #[test]
        fn seen_ground_is_what_the_lists_say(
            images in proptest::collection::vec((0usize..4, 0i32..400, 1i32..120), 0..24),
            passed in 0i32..200, again in proptest::collection::vec(any::<bool>(), 4),
            mask in 0u16..16, any in any::<bool>(), shrink in (0i32..12, 0i32..12),
            base in proptest::num::i32::ANY,
        ) {
            let covering = Covering { mask, any };
            let mut lists = [Seen::from(base, Side::WHEEL); 4];
            for (index, from, length) in images {
                lists[index].insert(iv(base.wrapping_add(from), base.wrapping_add(from + length)));
            }
            for (list, again) in lists.iter_mut().zip(&again) {
                list.pass(base.wrapping_add(passed));
                if *again { list.turn(); }
            }
            let one = |list: &Seen, place: i32| {
                (list.again && ahead(list.passed.wrapping_add(shrink.0), place) > 0)
                    || list.as_slice().iter().any(|item| {
                        ahead(place, item.start) >= shrink.0 && ahead(item.end, place) > shrink.1
                    })
            };
            let mut own = lists.iter().enumerate().filter(|(d, _)| mask >> d & 1 == 1).map(|(_, list)| list);
            let own: [Option<&Seen>; 4] = core::array::from_fn(|_| own.next());
            let plain = |place: i32| {
                let mut own = own.iter().flatten();
                if any { own.any(|list| one(list, place)) } else { mask != 0 && own.all(|list| one(list, place)) }
            };
            let ask = |place: i32| covering.seen(lists.iter(), place, shrink, (Side::WHEEL, Heading::START));
            for cell in -20..620 {
                let place = base.wrapping_add(cell);
                let (seen, next) = ask(place);
                prop_assert_eq!(seen, plain(place), "at {}", cell);
                let next = next.map_or(620, |next| next.wrapping_sub(base));
                prop_assert!(next > cell, "{next} is not beyond {cell}");
                let changes = (cell..next.min(620)).find(|c| plain(base.wrapping_add(*c)) != seen);
                prop_assert_eq!(changes, None, "told at {} to stand until {}", cell, next);
            }
        }
    }
}
