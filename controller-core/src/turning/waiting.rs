//! Plants that the boom has still to come by, so that they can be aimed at anew as the curve
//! changes.
//!
//! A plant is aimed at on the circle on which the machine was when its image came. Its place on
//! the ground is kept here, and at each reading of the yaw rate or pulse of the second wheel one
//! of those within 1.5 m of the boom is looked at again, in turn: where the boom will meet it on
//! the circle on which the machine is now.
//!
//! **Overflow policy:** [`MOST_WAITING`] are kept. When one more comes, the one whose turn is next
//! goes: it stays as it was aimed, and is counted ([`YawCounts::let_go`](super::YawCounts::let_go)).
//! From then on until the list is empty no patch is taken back because a plant moved away from a
//! nozzle, since one that went may need it.

use super::course::{Course, Pose, Spot};
use super::{Curve, Heading, Side};
use crate::aiming::Across;
use crate::fan::NozzleSet;
use crate::ground_plan::{Interval, ahead};
use core::ops::Range;
use heapless::Deque;

/// Most plants kept.
pub(crate) const MOST_WAITING: usize = 48;
/// So many are tried at one call for one to be looked at.
const TRIED: usize = 4;
/// One farther ahead of the boom than this has time, counts: 1.5 m.
const SOON: i32 = 1500 << 4;
/// A plant farther off than this is forgotten, counts: 40 m.
const TOO_FAR: i32 = 40_000 << 4;

/// How a plant was aimed at.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kept {
    /// A place of the boom, and the heading there.
    pub place: i32,
    pub heading: Heading,
    /// Where on the boom, counts right of the reference point.
    pub y: i32,
    /// The patch from `place` on, for a nozzle at x = 0.
    pub patch: Interval,
    /// The ground across, from `y` on; without margin.
    pub across: Across,
    /// The nozzles that it is planned on; none before the boom was found to come by.
    pub set: NozzleSet,
}

impl Kept {
    /// A plant met so, on no nozzles yet.
    pub fn new((place, y): (i32, i32), heading: Heading, patch: Interval, across: Across) -> Self {
        Self {
            place,
            heading,
            y,
            patch: patch.on_by(place.wrapping_neg()),
            across: across.right_by(y.saturating_neg()),
            set: NozzleSet::default(),
        }
    }

    /// Where a nozzle meets it on its own way.
    pub fn own(&self, side: Side) -> i32 {
        self.place.wrapping_add(self.heading.lead(side))
    }
}

/// A plant that waits.
#[derive(Clone, Copy, Debug)]
struct Waits {
    spot: Spot,
    kept: Kept,
}

/// All of them, the one to be looked at next first.
#[derive(Clone, Debug)]
pub(super) struct Waiting {
    course: Course,
    list: Deque<Waits, MOST_WAITING>,
    /// One had to go since the list was last empty.
    spilled: bool,
}

impl Waiting {
    pub const fn new() -> Self {
        Self {
            course: Course::new(),
            list: Deque::new(),
            spilled: false,
        }
    }

    /// The counted wheel is so far right of the middle, counts.
    pub fn set_up(&mut self, wheel: i32) {
        self.course.set_up(wheel);
    }

    /// Brings the course up. A machine that turned too far to be followed forgets.
    pub fn go(&mut self, base: i32, fine: i64, heading: Heading) {
        if !self.course.go(base, fine, heading) {
            self.list.clear();
            self.spilled = false;
        }
    }

    /// The pose at a capture, to place its plants.
    pub fn pose(&self, curve: &Curve) -> Option<Pose> {
        let (place, heading) = curve.start();
        self.course.at(place, heading)
    }

    /// Keeps a plant that lies `forward` and `right` of the axle's middle at a pose. True when
    /// another had to go.
    pub fn keep(&mut self, pose: &Pose, (forward, right): (i32, i32), kept: Kept) -> bool {
        let full = self.list.is_full() && self.list.pop_front().is_some();
        self.spilled |= full;
        let spot = pose.spot(forward, right);
        let pushed = self.list.push_back(Waits { spot, kept });
        debug_assert!(pushed.is_ok());
        full
    }

    /// Where the next to be looked at lies now, forward and right of the axle's middle; it then is
    /// the last of all. What the boom, `boom` ahead of the axle, has passed is forgotten.
    pub fn next(&mut self, boom: i32) -> Option<(i32, i32)> {
        let here = self.course.here();
        for _ in 0..TRIED {
            let waits = self.list.pop_front()?;
            let (forward, right) = here.seen(waits.spot);
            let near = |n: i32| (-TOO_FAR..=TOO_FAR).contains(&n);
            if forward <= boom || !near(forward) || !near(right) {
                if self.list.is_empty() {
                    self.spilled = false;
                }
                continue;
            }
            let pushed = self.list.push_back(waits);
            debug_assert!(pushed.is_ok());
            if forward.saturating_sub(boom) <= SOON {
                return Some((forward, right));
            }
        }
        None
    }

    /// The last of all: the one looked at.
    pub fn latest(&self) -> Option<&Kept> {
        self.list.back().map(|waits| &waits.kept)
    }

    /// It is aimed at so from now on.
    pub fn aim_anew(&mut self, kept: Kept) {
        if let Some(waits) = self.list.back_mut() {
            waits.kept = kept;
        }
    }

    /// Whether some of those beside the one looked at may need a patch like this on a nozzle's own
    /// way; `None` when none does and `among` held the last.
    pub fn needed(
        &self,
        (index, side): (usize, Side),
        own: Interval,
        among: Range<usize>,
    ) -> Option<bool> {
        let others = self.list.len().saturating_sub(1);
        let needs = self.spilled
            || (self.list.iter().take(others.min(among.end)))
                .skip(among.start)
                .any(|other| {
                    if !other.kept.set.opens(index) {
                        return false;
                    }
                    let theirs = other.kept.patch.on_by(other.kept.own(side));
                    ahead(own.end, theirs.start) >= 0 && ahead(theirs.end, own.start) >= 0
                });
        (needs || among.end < others).then_some(needs)
    }
}
