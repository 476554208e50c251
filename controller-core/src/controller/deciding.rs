//! Deciding a group of nozzles at one instant: begun in one call, then some steps a call.
//!
//! Each call looks at so many nozzles, or so many edges of the layers over one, that its work is
//! bounded whatever boom, plan and layers are. What is decided is handed out by the same call.

use super::{Controller, Poll, group_size};
use crate::counters::bump;
use crate::guard::GuardState;
use crate::sections::Mode;
use crate::sequencer::{self, Command, Decided, Instant, Outcome, Permit};
use crate::slice::{Slice, Task};
use crate::turning::BUILT;
use crate::units::Micros;
use crate::wake::{BLOCK, GROUP_BITS};
use crate::wanted::Lines;

/// Work of one call. A turn that changes the plan fills it, and so does a step in the layers.
const STEPS: u8 = 2;
/// A nozzle of which the plan alone decides, and nothing is due. Where each goes its own way, that
/// way fills the call.
const PLAIN: u8 = if BUILT { STEPS } else { 1 };
/// What one nozzle sprayed is brought up.
const PROGRESS: u8 = 1;

/// What one step came to.
enum Step {
    /// So much of the call's work is done.
    Did(u8),
    Told(Command),
    /// No nozzle is left.
    Over,
}

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// Begins the decision of a group at `at`.
    pub(super) fn decide_group(&mut self, index: usize, at: Micros) {
        if index == 0 && self.layers.sections.ripe(at, self.switch_quiet) {
            // What was sprayed under the old modes comes first.
            self.begin(Task::Settle, 0, at);
        } else {
            self.begin_deciding(index, at);
        }
    }

    fn begin_deciding(&mut self, index: usize, at: Micros) {
        let unpolled = self.is_unpolled(at);
        if !unpolled {
            self.unpolled_to = None;
        }
        if index == 0 {
            self.run_bench(at, unpolled);
        }
        self.judge_at(at, unpolled);
        if index == 0 {
            self.watch_detectors(at);
        }
        self.grid.handled(at);
        self.take_stock(index, at, None);
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
        if let Some(block) = group.sweep() {
            let lanes = lanes.get_mut(block..).unwrap_or_default();
            let nozzles = nozzles.get(block..).unwrap_or_default();
            for (lane, nozzle) in lanes.iter_mut().zip(nozzles).take(BLOCK) {
                let lead = swing.heading().lead(self.turning.side(nozzle.y));
                lane.age_out(motion.place().wrapping_add(lead), at);
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
        self.slice = Some(Slice::new(Task::Decide, (at, index), instant, swing, todo));
    }

    /// Begins a task with the open nozzles, in group `from` or the first beyond that has any.
    /// With none, and false, when nothing is open.
    pub(super) fn begin(&mut self, task: Task, from: usize, at: Micros) -> bool {
        let mut open = self.groups.iter().enumerate().skip(from);
        let open = open.find(|(_, group)| group.any_open());
        let (index, todo) = open.map_or((0, 0), |(index, group)| (index, group.open()));
        let motion = self.odometer.motion_at(at);
        let swing = self.turning.swing_at(at);
        let instant = Instant::new(at, motion, &self.timing, self.reach.typical_delay);
        self.slice = Some(Slice::new(task, (at, index), instant, swing, todo));
        todo != 0
    }

    /// Tells a group that is decided when to wake.
    fn sleep(&mut self, index: usize, at: Micros) {
        let horizon = self.horizon(at);
        self.wake(index, at, horizon);
        self.find_first();
    }

    /// Goes on with the group begun, a call's share of work.
    pub(super) fn decide_on(&mut self) -> Poll {
        if let Some(slice) = &self.slice
            && slice.is_stale()
        {
            let (group, at, left) = (slice.group(), slice.at, slice.left());
            let unpolled = self.is_unpolled(at);
            self.judge_at(at, unpolled);
            self.take_stock(group, at, Some(left));
            return Poll::Busy;
        }
        let mut steps = STEPS;
        loop {
            match self.step() {
                Step::Told(command) => return Poll::Command(command),
                Step::Over => {
                    // Where much was done already the end is left to the next call.
                    if steps == STEPS {
                        self.end_slice();
                    }
                    return Poll::Busy;
                }
                Step::Did(work) if steps > work => steps = steps.wrapping_sub(work),
                Step::Did(_) => return Poll::Busy,
            }
        }
    }

    fn end_slice(&mut self) {
        let Some(slice) = &mut self.slice else { return };
        let (task, group, at) = (slice.task, slice.group(), slice.at);
        if task == Task::Settle {
            let mut open = self.groups.iter().enumerate().skip(group.wrapping_add(1));
            if let Some((index, group)) = open.find(|(_, group)| group.any_open()) {
                slice.go_on(index, group.open());
                return;
            }
            slice.task = Task::Begin;
            self.settle_switches(at);
            return;
        }
        self.slice = None;
        match task {
            Task::Decide => self.sleep(group, at),
            Task::Close => {
                // Where they are next to be looked at is found out at the next instant.
                self.look_at_all(group);
                self.stale = true;
            }
            Task::Settle | Task::Begin => self.begin_deciding(0, at),
        }
    }

    /// Takes a step with the next nozzle of the group.
    fn step(&mut self) -> Step {
        let Some(slice) = &mut self.slice else {
            return Step::Over;
        };
        let Some(offset) = slice.next() else {
            return Step::Over;
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
            return Step::Over;
        };
        let side = self.turning.side(nozzle.y);
        let own = (self.turning.on()).then(|| slice.swing.own(slice.instant.motion(), side));
        let along = own.map(|_| slice.instant.along(own));
        let instant = along.as_ref().unwrap_or(&slice.instant);
        match slice.task {
            Task::Decide | Task::Begin => {}
            Task::Settle => {
                lane.progress(sequencer::sure_to_fall(nozzle, &self.patch, instant));
                slice.done();
                return Step::Did(PROGRESS);
            }
            Task::Close => {
                let decided = sequencer::protect(lane, nozzle, &self.patch, instant);
                bump(&mut self.counters.guard_closes);
                bump(&mut self.counters.commands);
                group.turned(offset, false);
                slice.done();
                return Step::Told(decided.command(index, slice.at));
            }
        }
        let lines = if !self.layers.keeps_off() {
            &Lines::NONE
        } else if let Some(lines) = &slice.lines {
            lines
        } else {
            slice.lines = Some(self.layers.lines_over(index, nozzle));
            return Step::Did(STEPS);
        };
        let mut wanted = self.layers.over(index, nozzle, lines);
        if *fault {
            // Nothing may wake its group either.
            wanted.mode = Mode::Off;
        }
        let plain = wanted.is_plan();
        if slice.runs.searching() {
            slice.runs.step(&wanted, lane.plan.as_slice());
            return Step::Did(STEPS);
        }
        let mut told: Option<Decided> = None;
        if !slice.turns.decided {
            let allowed = self.guard.allows_spray();
            let slow = own.is_some_and(|own| slice.swing.turns() && own.v < self.odometer.creep());
            let permit = if *fault {
                Permit::Closed
            } else if allowed && slow {
                if lane.is_open() {
                    self.turning.count(|counts| &mut counts.slow_closes, 1);
                }
                Permit::Closed
            } else if allowed {
                Permit::Follow(&wanted)
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
                (&self.patch, &self.timing),
                instant,
                &permit,
                &mut slice.runs,
                &mut self.counters,
            );
            match outcome {
                Outcome::More if slice.turns.again(sequencer::MOST_TURNS) => {
                    slice.runs.clear();
                    return Step::Did(STEPS);
                }
                Outcome::Search => return Step::Did(STEPS),
                Outcome::More | Outcome::Nothing => {}
                Outcome::Command(decided) => told = Some(decided),
            }
        }
        slice.turns.decided = true;
        let told = told.map(|decided| {
            bump(&mut self.counters.commands);
            group.turned(offset, lane.is_open());
            slice.runs.clear();
            decided.command(index, slice.at)
        });
        if plain || told.is_none() {
            let place = instant.place();
            let boundary = lane.look_for_boundary(&wanted, place, &mut slice.runs);
            if let Some(boundary) = boundary {
                group.set(offset, next, side, boundary, lane.is_open());
                slice.done();
            }
        }
        match told {
            Some(command) => Step::Told(command),
            None if plain => Step::Did(PLAIN),
            None => Step::Did(STEPS),
        }
    }

    /// A stop came: what is not decided yet is not, the whole group is looked at anew.
    pub(super) fn drop_slice(&mut self) {
        if let Some(slice) = &self.slice {
            let index = slice.group();
            self.look_at_all(index);
            self.slice = None;
        }
    }

    fn look_at_all(&mut self, index: usize) {
        let count = group_size(self.nozzles.len(), index);
        if let Some(group) = self.groups.get_mut(index) {
            group.everyone(count);
        }
    }
}
