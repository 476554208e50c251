//! Deciding a group of nozzles at one instant: begun in one call, then a nozzle a call.

use super::Controller;
use crate::counters::bump;
use crate::guard::GuardState;
use crate::sections::Mode;
use crate::sequencer::{self, Instant, Outcome, Permit};
use crate::slice::Slice;
use crate::units::Micros;
use crate::wake::{GROUP, GROUP_BITS};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// Begins the decision of a group at `at`.
    pub(super) fn decide_group(&mut self, index: usize, at: Micros) {
        let unpolled = self.is_unpolled(at);
        if !unpolled {
            self.unpolled_to = None;
        }
        if index == 0 {
            self.settle_switches(at);
            self.run_bench(at, unpolled);
        }
        self.judge_at(at, unpolled);
        if index == 0 {
            self.watch_detectors(at);
        }
        self.grid.handled(at);
        self.outbox.begin(at, index);
        self.take_stock(index, at, None);
        if self.slice.is_some_and(|slice| slice.todo == 0) {
            self.end_group();
        }
    }

    fn is_unpolled(&self, at: Micros) -> bool {
        self.unpolled_to.is_some_and(|to| at <= to)
    }

    fn judge_at(&mut self, at: Micros, unpolled: bool) {
        let guard = self.judge(at, unpolled);
        if guard != self.guard {
            log!(info, "guard at {} us: {}", at.0, guard);
            self.guard = guard;
        }
    }

    /// Finds out which nozzles of a group have to be decided at `at`; where an input came
    /// between, those of `left`.
    fn take_stock(&mut self, index: usize, at: Micros, left: Option<u32>) {
        let motion = self.odometer.motion_at(at);
        let swing = self.turning.swing_at(at);
        let curved = self.turning.on();
        self.layers.heading = swing.heading_after(self.reach.typical_lead);
        let first = index << GROUP_BITS;
        let (Some(group), Some(lanes), Some(next), Some(nozzles)) = (
            self.groups.get_mut(index),
            self.lanes.get_mut(first..),
            self.next.get(first..),
            self.nozzles.get(first..),
        ) else {
            self.slice = None;
            return;
        };
        if group.sweep() {
            for (lane, nozzle) in lanes.iter_mut().zip(nozzles).take(GROUP) {
                let own = swing.own(&motion, self.turning.side(nozzle.y));
                lane.age_out(own.place(), at);
            }
        }
        if curved && swing.far_apart(group.since) {
            // Every boundary is brought to a common place anew.
            group.since = swing.heading();
            group.all = true;
        }
        let creep = self.odometer.creep();
        group.all |= curved
            && (self.layers.sprays_unseen() || swing.slows_below(i64::from(motion.v), creep));
        if self.guard == GuardState::Bench {
            group.everyone(nozzles.len());
        }
        let reach = self.reach.farthest(&swing.widest(&motion, group.since));
        let mut todo = group.busy();
        if self.guard.allows_spray() && !group.all && !self.every_instant {
            todo &= group.within(next, reach);
        }
        match left {
            None => group.all = false,
            // What was decided before the input is looked at anew, too: at the next instant.
            Some(left) => {
                todo &= left;
                group.all = true;
            }
        }
        let instant = Instant::new(at, motion, &self.timing, self.reach.typical_delay);
        self.slice = Some(Slice::new(at, index, instant, swing, todo));
    }

    /// Goes on with the group begun. True when all of it is decided.
    pub(super) fn decide_on(&mut self) -> bool {
        if let Some(slice) = self.slice
            && slice.anew
            && !slice.is_decided()
        {
            let unpolled = self.is_unpolled(slice.at);
            self.judge_at(slice.at, unpolled);
            self.take_stock(slice.group(), slice.at, Some(slice.left()));
            return false;
        }
        if self.decide_next() {
            return false;
        }
        self.end_group();
        true
    }

    /// Tells the group that is decided when to wake.
    fn end_group(&mut self) {
        if let Some(slice) = self.slice.take() {
            let horizon = self.horizon(slice.at);
            self.wake(slice.group(), slice.at, horizon);
            self.find_first();
        }
    }

    /// Takes a turn with the next nozzle. False when there is none.
    fn decide_next(&mut self) -> bool {
        let Some(slice) = &mut self.slice else {
            return false;
        };
        let Some(offset) = slice.next() else {
            return false;
        };
        let first = slice.group() << GROUP_BITS;
        let index = first.wrapping_add(offset);
        let (Some(group), Some(next), Some(lane), Some(nozzle), Some(fault)) = (
            self.groups.get_mut(slice.group()),
            self.next.get_mut(first..),
            self.lanes.get_mut(index),
            self.nozzles.get(index),
            self.faulty.get(index),
        ) else {
            return false;
        };
        let side = self.turning.side(nozzle.y);
        let own = (self.turning.on()).then(|| slice.swing.own(slice.instant.motion(), side));
        let creep = self.odometer.creep();
        let slow = own.is_some_and(|own| slice.swing.turns() && own.v < creep);
        let instant = slice.instant.along(own);
        let allowed = self.guard.allows_spray();
        let mut wanted = self.layers.over(index, nozzle);
        if *fault {
            // Nothing may wake its group either.
            wanted.mode = Mode::Off;
        }
        if !slice.is_decided() {
            let permit = if *fault {
                Permit::Closed
            } else if allowed && slow {
                if lane.is_open() {
                    self.turning.count(|counts| &mut counts.slow_closes, 1);
                }
                Permit::Closed
            } else if allowed {
                Permit::Follow(wanted)
            } else if self.guard == GuardState::Bench {
                let section = self.layers.section_of(index);
                let nozzle = u16::try_from(index).unwrap_or(u16::MAX);
                Permit::Bench(self.bench.wants(nozzle, section))
            } else {
                Permit::Closed
            };
            let outcome = sequencer::decide(
                lane,
                nozzle,
                &self.patch,
                &self.timing,
                &instant,
                &permit,
                &mut self.counters,
            );
            match outcome {
                Outcome::More if slice.turns < sequencer::MOST_TURNS => {
                    slice.turns = slice.turns.wrapping_add(1);
                    return true;
                }
                Outcome::More | Outcome::Nothing => {}
                Outcome::Command(decided) => {
                    let put = self.outbox.put(offset, decided);
                    debug_assert!(put, "a group has at most one command a nozzle");
                    bump(&mut self.counters.commands);
                }
            }
            if !wanted.is_plan() {
                slice.set_decided();
                return true;
            }
        }
        let boundary = lane.boundary(&wanted, instant.place());
        group.set(offset, next, side, boundary, lane.is_open());
        slice.done();
        true
    }
}
