//! What inputs leave for the polls that follow, a bounded share a call.
//!
//! An input call checks what it is given, notes it and returns; whatever grows with the nozzles,
//! the plants or the layers lies here and is done by the polls, before anything that is decided
//! later. So effects keep the order of the inputs, and no call is long.
//!
//! **Bound:** one input's work. **Overflow policy:** an input that comes before it is done
//! finishes it first, however long that takes, and is counted unless both have one stamp
//! ([`Counters::inputs_before_poll`](crate::Counters::inputs_before_poll)): nothing is lost and
//! nothing overtakes. Only an emergency stop and a low supply do not wait: what they close is
//! closed first.

use super::Controller;
#[cfg(feature = "turning")]
use super::again::Look;
use super::images::Plan;
use crate::counters::bump;
use crate::ground_plan::Interval;
use crate::keep_off::{Joining, Stretch};
use crate::sections::Mode;
use crate::sequencer::{self, Instant};
use crate::slice::Task;
use crate::turning::{BUILT, Heading};
use crate::units::Micros;
use crate::wake::{GROUP_BITS, bits};

/// Nozzles of which one call brings up what they sprayed, or ends a way back.
const NOZZLES_A_STEP: usize = if BUILT { 1 } else { 4 };

/// What is left to do of the latest input.
#[derive(Clone, Copy, Debug, Default)]
pub(super) enum Pending {
    #[default]
    Nothing,
    /// The pulse stamped so is to be counted.
    Pulse(Micros),
    /// It was counted, and may have ended a standstill: what lay before it is passed.
    Passed(Micros, bool),
    /// After the pulse stamped so, this many plants may still be looked up again.
    Reaim(Micros, u8),
    /// One of them is planned anew; then this many more.
    Plan(Micros, u8, Plan),
    /// The open nozzles left in this group and behind it are brought up to the stamp; then the
    /// order takes effect.
    Settle {
        at: Micros,
        group: u8,
        left: u32,
        order: Order,
    },
    /// Ground is to be kept off that was not.
    KeepOff(Stretch),
    /// A full list of keep-off ground: which two become one is sought.
    Join(Joining),
    /// A way back is over: for the nozzles from this one on, with the boom where it was then.
    Resume(u16, (i32, Heading)),
    /// After the input of the heading stamped so, nozzles from this one on may run back.
    #[cfg(feature = "turning")]
    RunBack(Micros, u16),
    /// After it, a plant is looked at again.
    #[cfg(feature = "turning")]
    Look(Micros, Look),
}

/// What changes what open nozzles are to spray.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    Mode(u8, Mode),
    KeepOff(Stretch),
    /// A detector saw this ground.
    See(u8, Interval),
}

impl Pending {
    pub fn is_some(&self) -> bool {
        !matches!(self, Self::Nothing)
    }

    /// The mode that is ordered for a section and not in force yet.
    pub fn mode(&self, section: usize) -> Option<Mode> {
        match self {
            Self::Settle {
                order: Order::Mode(own, mode),
                ..
            } if usize::from(*own) == section => Some(*mode),
            _ => None,
        }
    }
}

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// True while a latch closes what is open: nothing else is done before.
    pub(super) fn closes_first(&self) -> bool {
        self.guard.is_latched()
            && (self.urgent.is_some()
                || (self.slice.as_ref()).is_some_and(|slice| slice.task == Task::Close))
    }

    /// Does all that is pending.
    pub(super) fn finish(&mut self) {
        while self.pending.is_some() {
            self.work();
        }
    }

    /// Does one call's share of what is pending.
    pub(super) fn work(&mut self) {
        match core::mem::take(&mut self.pending) {
            Pending::Nothing => {}
            Pending::Pulse(at) => {
                let _counted = self.count_pulse(at);
            }
            Pending::Passed(at, stood) => self.pass(at, stood),
            Pending::Reaim(at, more) => self.look_up_again(at, more),
            Pending::Plan(at, more, mut plan) => {
                if !self.plan_some(&mut plan) {
                    self.pending = Pending::Plan(at, more, plan);
                    return;
                }
                if !plan.became.in_time {
                    bump(&mut self.counters.reaimed_too_late);
                }
                self.reaim(at, more);
            }
            Pending::Settle {
                at,
                group,
                left,
                order,
            } => self.settle_some(at, (group, left), order),
            Pending::KeepOff(stretch) => match self.layers.keep_off(stretch) {
                Some(joining) => self.pending = Pending::Join(joining),
                None => self.kept_off(),
            },
            Pending::Join(joining) => {
                if let Some(joining) = self.layers.join_keep_off(joining) {
                    self.pending = Pending::Join(joining);
                } else {
                    bump(&mut self.counters.keep_off_joined);
                    self.kept_off();
                }
            }
            Pending::Resume(from, boom) => self.resume_some(from, boom),
            #[cfg(feature = "turning")]
            Pending::RunBack(at, from) => self.run_back_some(at, from),
            #[cfg(feature = "turning")]
            Pending::Look(at, look) => self.look_again(at, look),
        }
    }

    /// Has an order take effect once the open nozzles are brought up to `at`. Ground sprayed up
    /// to then is done with: what an open nozzle is to spray changes.
    pub(super) fn settle_then(&mut self, at: Micros, order: Order) {
        let left = self.groups.first().map_or(0, crate::wake::Group::open);
        self.pending = Pending::Settle {
            at,
            group: 0,
            left,
            order,
        };
    }

    fn settle_some(&mut self, at: Micros, (group, left): (u8, u32), order: Order) {
        let (mut group, mut left) = (group, left);
        while left == 0 {
            group = group.saturating_add(1);
            match self.groups.get(usize::from(group)) {
                Some(next) => left = next.open(),
                None => return self.carry_out(order),
            }
        }
        let motion = self.odometer.motion_at(at);
        let swing = self.turning.swing_at(at);
        let straight = Instant::new(at, motion, &self.timing, self.reach.typical_delay);
        let first = usize::from(group) << GROUP_BITS;
        for offset in bits(left).take(NOZZLES_A_STEP) {
            let index = first.wrapping_add(offset);
            if let (Some(lane), Some(nozzle)) = (self.lanes.get_mut(index), self.nozzles.get(index))
            {
                let side = self.turning.side(nozzle.y);
                let instant = straight.along(self.turning.on().then(|| swing.own(&motion, side)));
                lane.progress(sequencer::sure_to_fall(nozzle, &self.patch, &instant));
            }
            left &= left.wrapping_sub(1);
        }
        self.pending = Pending::Settle {
            at,
            group,
            left,
            order,
        };
    }

    fn carry_out(&mut self, order: Order) {
        match order {
            Order::Mode(section, mode) => {
                if self.layers.sections.set(usize::from(section), mode) {
                    bump(&mut self.counters.mode_changes);
                    self.refresh();
                }
            }
            Order::KeepOff(stretch) => {
                bump(&mut self.counters.keep_offs);
                if self.layers.holds_keep_off(&stretch) {
                    self.kept_off();
                } else {
                    self.pending = Pending::KeepOff(stretch);
                }
            }
            Order::See(detector, seen) => {
                (self.layers).see(usize::from(detector), seen, &mut self.counters);
                if self.layers.sprays_unseen() {
                    self.refresh();
                }
            }
        }
    }

    fn kept_off(&mut self) {
        self.reach.mind_lines(true);
        self.refresh();
    }

    /// For some nozzles the way back is over: patches that a stop cut off go on with an overlap.
    fn resume_some(&mut self, from: u16, boom: (i32, Heading)) {
        // At the cut and at the new start alike, half the fan's thickness lacks dose.
        let overlap = self.patch.edge_extra.bits().saturating_mul(2);
        let first = usize::from(from);
        let end = first.saturating_add(NOZZLES_A_STEP);
        for index in first..end.min(self.nozzles.len()) {
            if let Some(lane) = self.lanes.get_mut(index) {
                lane.resume(overlap, self.layers.mode_of(index));
            }
            self.note(index, boom);
        }
        if end < self.nozzles.len() {
            // At most 256 nozzles.
            let end = u16::try_from(end).unwrap_or(u16::MAX);
            self.pending = Pending::Resume(end, boom);
        }
    }
}
