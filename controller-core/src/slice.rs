//! A group at one instant, decided or closed some steps a call.
//!
//! The contract has the caller poll until idle, so all of a group is decided on the same
//! inputs. Where an input comes in between all the same, the nozzles left are decided by what
//! is known then, like those of an instant that was not polled in time; where that input is a
//! stop they are not decided at all.

use crate::sequencer::Instant;
use crate::turning::Swing;
use crate::units::Micros;
use crate::wanted::{Lines, Runs};

/// What a slice does with its nozzles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Task {
    /// They are decided at an instant of the grid.
    Decide,
    /// They are closed at the stamp of a stop.
    Close,
    /// What they sprayed is brought up, before a switch changes their mode.
    Settle,
    /// The switches are settled; the decision of the first group is to begin. No nozzles.
    Begin,
}

/// How far a nozzle is.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Turns {
    taken: u8,
    /// It has its command, but where it is next to be looked at is not known yet.
    pub decided: bool,
}

impl Turns {
    /// Another turn, on a changed plan. False after the last of `most`.
    pub fn again(&mut self, most: u8) -> bool {
        self.taken = self.taken.saturating_add(1);
        self.taken < most
    }
}

/// What is left to do of a group at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slice {
    pub task: Task,
    pub at: Micros,
    pub instant: Instant,
    pub swing: Swing,
    /// What is left to do with the first nozzle.
    pub turns: Turns,
    /// What was found in the layers over it; where no ground is kept off `lines` is never asked
    /// for.
    pub runs: Runs,
    pub lines: Option<Lines>,
    /// The nozzles still to be looked at.
    todo: u32,
    group: u8,
    /// An input came in between.
    anew: bool,
}

impl Slice {
    pub fn new(
        task: Task,
        (at, group): (Micros, usize),
        instant: Instant,
        swing: Swing,
        todo: u32,
    ) -> Self {
        Self {
            task,
            at,
            instant,
            swing,
            turns: Turns::default(),
            runs: Runs::default(),
            lines: None,
            todo,
            // At most eight groups.
            group: u8::try_from(group).unwrap_or_default(),
            anew: false,
        }
    }

    pub fn group(&self) -> usize {
        usize::from(self.group)
    }

    /// The nozzle next in turn, from the first of its group.
    pub fn next(&self) -> Option<usize> {
        (self.todo != 0)
            .then(|| usize::try_from(self.todo.trailing_zeros()).ok())
            .flatten()
    }

    /// The first nozzle is done with.
    pub fn done(&mut self) {
        self.todo &= self.todo.wrapping_sub(1);
        self.turns = Turns::default();
        self.runs.clear();
        self.lines = None;
    }

    /// The same with nozzles of another group.
    pub fn go_on(&mut self, group: usize, todo: u32) {
        self.group = u8::try_from(group).unwrap_or_default();
        self.todo = todo;
    }

    /// The nozzles from the first one to be decided on, as a mask.
    pub fn left(&self) -> u32 {
        match self.todo {
            0 => 0,
            todo => u32::MAX.wrapping_shl(todo.trailing_zeros()),
        }
    }

    /// An input came in: what was found of the layers may hold no longer.
    pub fn input_came(&mut self) {
        self.anew = true;
        self.runs.clear();
        self.lines = None;
    }

    /// The nozzles left are to be picked anew. Not before one that has its command is through.
    pub fn is_stale(&self) -> bool {
        self.anew && !self.turns.decided && self.task == Task::Decide
    }
}
