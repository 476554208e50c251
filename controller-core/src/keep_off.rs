//! Ground that must stay dry: stretches for some of the nozzles.
//!
//! Keep-off ground is subtracted at the output and never stored into the plan. A line is
//! kept by the whole spray: the valve is told early enough that its flow has ended, with
//! half the fan's thickness and the configured margin, before the line; and it is told to
//! open so late that its first drop falls behind the far line.
//!
//! **Overflow policy: never lost, joined to be larger.** A full list joins the two whose
//! common hull (over nozzles and ground) adds least, and that is counted in
//! [`Counters::keep_off_joined`](crate::Counters::keep_off_joined).

use crate::ground_plan::ahead;
use crate::lane::later;
use crate::turning::{Heading, Side};
use crate::units::{Distance, Length};
use heapless::Vec;

/// Most keep-off stretches held at a time.
pub const MAX_KEEP_OFF: usize = 16;
/// Farthest that an end may lie from the boom.
pub const FARTHEST: Length = Length::from_mm(10_000_000);

/// Which nozzles an order is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// The whole boom.
    Boom,
    /// One section.
    Section(u8),
    /// A run of nozzles.
    Nozzles {
        /// Index of the leftmost.
        first: u16,
        /// How many.
        count: u16,
    },
}

/// Where a stretch lies along travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Along {
    /// Ahead of the boom reference point at the stamp of the order.
    Ahead {
        /// Near end.
        from: Length,
        /// Far end.
        to: Length,
    },
    /// As places on the counted distance of the reference point.
    Ground {
        /// Near end.
        from: Distance,
        /// Far end.
        to: Distance,
    },
}

/// A stretch `[from, to)` of ground in wrapping counts, for nozzles `first..end`, in places
/// of the boom at one heading: each nozzle counts it along its own way from there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stretch {
    pub first: u16,
    pub end: u16,
    pub from: i32,
    pub to: i32,
    pub heading: Heading,
}

impl Stretch {
    pub(crate) fn covers(&self, nozzle: u16) -> bool {
        self.first <= nozzle && nozzle < self.end
    }

    /// The same or more ground told at another heading, for nozzles up to `most` from the wheel.
    fn at(&self, heading: Heading, most: Side) -> Self {
        let spread = self.heading.spread(heading, most);
        Self {
            from: self.from.wrapping_sub(spread),
            to: self.to.wrapping_add(spread),
            heading,
            ..*self
        }
    }

    fn holds(&self, other: &Self) -> bool {
        self.first <= other.first
            && other.end <= self.end
            && ahead(other.from, self.from) >= 0
            && ahead(self.to, other.to) >= 0
    }

    fn hull(&self, other: &Self) -> Self {
        Self {
            first: self.first.min(other.first),
            end: self.end.max(other.end),
            from: if ahead(self.from, other.from) < 0 {
                self.from
            } else {
                other.from
            },
            to: later(self.to, other.to),
            heading: self.heading,
        }
    }

    fn area(&self) -> i64 {
        // 16 bits times 32: neither this nor a sum of three can overflow.
        let across = i64::from(self.end).wrapping_sub(i64::from(self.first));
        across.wrapping_mul(i64::from(ahead(self.to, self.from)))
    }

    /// Ground kept off for nothing when the two become one.
    fn waste(&self, other: &Self) -> i64 {
        let both = self.area().wrapping_add(other.area());
        self.hull(other).area().wrapping_sub(both)
    }
}

/// The search for the two stretches of a full list that become one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Joining {
    new: Stretch,
    /// The stretch next in turn.
    row: u8,
    /// The least waste so far, and of which two; without a second of one and the new one.
    best: Option<(i64, u8, Option<u8>)>,
}

/// The bounded list.
#[derive(Clone, Debug, Default)]
pub(crate) struct KeepOffs {
    list: Vec<Stretch, MAX_KEEP_OFF>,
    most: Side,
}

impl KeepOffs {
    /// None yet, for nozzles at the wheel.
    pub(crate) const NONE: Self = Self {
        list: Vec::new(),
        most: Side::WHEEL,
    };

    /// For nozzles up to `most` from the wheel.
    pub(crate) fn set_up(&mut self, most: Side) {
        self.most = most;
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    pub(crate) fn as_slice(&self) -> &[Stretch] {
        &self.list
    }

    /// Adds a stretch; true when two had to be joined. Bounded by the square of
    /// [`MAX_KEEP_OFF`] when full.
    #[cfg(test)]
    pub(crate) fn insert(&mut self, new: Stretch) -> bool {
        if self.holds(&new) {
            return false;
        }
        let mut joining = self.begin(new);
        let joins = joining.is_some();
        while let Some(one) = joining {
            joining = self.join(one);
        }
        joins
    }

    /// Whether one of the list holds it already. Bounded by [`MAX_KEEP_OFF`].
    pub(crate) fn holds(&self, new: &Stretch) -> bool {
        (self.list.iter()).any(|old| old.holds(&new.at(old.heading, self.most)))
    }

    /// Adds a stretch that none holds, if need be over several calls: `Some` when two have to be
    /// joined. Bounded by [`MAX_KEEP_OFF`].
    pub(crate) fn begin(&mut self, new: Stretch) -> Option<Joining> {
        let most = self.most;
        (self.list).retain(|old| !new.holds(&old.at(new.heading, most)));
        self.put(new).err().map(|new| Joining {
            new,
            row: 0,
            best: None,
        })
    }

    /// Puts one in by its near end; gives the last one back when the list is full. In order, a
    /// chain of stretches is gone through at once.
    fn put(&mut self, mut new: Stretch) -> Result<(), Stretch> {
        for slot in &mut self.list {
            if ahead(slot.from, new.from) > 0 {
                core::mem::swap(slot, &mut new);
            }
        }
        self.list.push(new)
    }

    /// Full: makes one of the two, the new one among them, that waste least together. Goes on
    /// with the search by one stretch against those behind it; when all are through, joins, and
    /// returns `None`. Bounded by [`MAX_KEEP_OFF`].
    pub(crate) fn join(&mut self, mut joining: Joining) -> Option<Joining> {
        let row = usize::from(joining.row);
        let Some(a) = self.list.get(row) else {
            self.join_two(&joining);
            return None;
        };
        let with_new = (
            a.waste(&joining.new.at(a.heading, self.most)),
            joining.row,
            None,
        );
        let rest = (0_u8..).zip(&self.list).skip(row.wrapping_add(1));
        let with_old =
            rest.map(|(j, b)| (a.waste(&b.at(a.heading, self.most)), joining.row, Some(j)));
        for candidate in with_old.chain([with_new]) {
            if joining.best.is_none_or(|(least, _, _)| candidate.0 < least) {
                joining.best = Some(candidate);
            }
        }
        joining.row = joining.row.saturating_add(1);
        Some(joining)
    }

    fn join_two(&mut self, joining: &Joining) {
        let Some((_, i, partner)) = joining.best else {
            return;
        };
        let new = joining.new;
        let place = |index: u8| self.list.get(usize::from(index)).copied();
        let Some(one) = place(i) else { return };
        let other = partner.and_then(place).unwrap_or(new);
        let hull = one.hull(&other.at(one.heading, self.most));
        // Both out and back in, so that they come to stand in order again.
        let mut index = 0_u8;
        self.list.retain(|_| {
            let own = index;
            index = index.wrapping_add(1);
            own != i && Some(own) != partner
        });
        for stretch in [Some(hull), partner.map(|_| new)].into_iter().flatten() {
            let put = self.put(stretch);
            debug_assert!(put.is_ok(), "as many as before");
        }
    }

    /// Forgets what lies wholly before `mark`. Returns whether any went.
    pub(crate) fn forget_before(&mut self, mark: i32, heading: Heading) -> bool {
        let before = self.list.len();
        let most = self.most;
        // In a curve the inner nozzles come by later than the wheel.
        self.list.retain(|s| {
            if ahead(s.to, mark) > 0 {
                return true;
            }
            let behind = s.heading.spread(heading, most);
            ahead(s.to, mark.wrapping_sub(behind)) > 0
        });
        self.list.len() != before
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn stretch(first: u16, end: u16, from: i32, to: i32) -> Stretch {
        Stretch {
            first,
            end,
            from,
            to,
            heading: Heading::default(),
        }
    }

    #[test]
    fn what_is_held_already_takes_no_room() {
        let mut list = KeepOffs::default();
        list.insert(stretch(0, 4, 100, 200));
        list.insert(stretch(1, 2, 120, 180));
        assert_eq!(list.as_slice().len(), 1);
        list.insert(stretch(0, 9, 0, 300));
        assert_eq!(list.as_slice(), &[stretch(0, 9, 0, 300)]);
        assert!(!list.forget_before(299, Heading::default()));
        assert!(list.forget_before(300, Heading::default()));
        assert!(list.is_empty());
    }

    #[test]
    fn a_full_list_joins_the_two_that_waste_least() {
        let mut list = KeepOffs::default();
        for k in 0..16 {
            assert!(!list.insert(stretch(0, 1, k * 1000, k * 1000 + 500)));
        }
        assert!(list.insert(stretch(0, 1, 7550, 7600)));
        assert!(list.as_slice().contains(&stretch(0, 1, 7000, 7600)));
        assert_eq!(list.as_slice().len(), 16);
    }

    proptest! {
        /// Nothing asked for is ever lost, wraps included.
        #[test]
        fn asked_ground_stays_kept(asked in proptest::collection::vec((0u16..6, 1u16..4, 0i32..4000, 1i32..300), 1..60), base in any::<i32>()) {
            let mut list = KeepOffs::default();
            for &(first, count, from, length) in &asked {
                list.insert(stretch(first, first + count, base.wrapping_add(from), base.wrapping_add(from + length)));
            }
            prop_assert!(list.as_slice().windows(2).all(|two| ahead(two[1].from, two[0].from) >= 0));
            for &(first, count, from, length) in &asked {
                for nozzle in first..first + count {
                    for place in [from, from + length / 2, from + length - 1] {
                        let place = base.wrapping_add(place);
                        prop_assert!(list.as_slice().iter().any(|s| s.covers(nozzle) && ahead(place, s.from) >= 0 && ahead(s.to, place) > 0));
                    }
                }
            }
        }
    }
}
