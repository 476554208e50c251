//! A group at one instant, decided or closed some steps a call.
//!
//! The contract has the caller poll until idle, so all of a group is decided on the same
//! inputs. Where an input comes in between all the same, the nozzles left are decided by what
//! is known then, like those of an instant that was not polled in time; where that input is a
//! stop they are not decided at all.

use crate::sequencer::Instant;
use crate::turning::Swing;
use crate::units::Micros;
use crate::wanted::Runs;

/// In place of the turns: the nozzle is decided, and where it is next to be looked at is to be
/// found out.
const DECIDED: u8 = u8::MAX;

/// What a slice does with its nozzles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Task {
    /// They are decided at an instant of the grid.
    Decide,
    /// They are closed at the stamp of a stop.
    Close,
    /// What they sprayed is brought up, before a switch changes their mode.
    Settle,
}

/// What is left to do of a group at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slice {
    pub task: Task,
    pub at: Micros,
    pub instant: Instant,
    pub swing: Swing,
    /// What was found in the layers over the first nozzle.
    pub runs: Runs,
    /// The nozzles still to be looked at.
    todo: u32,
    /// Turns taken with the first of them.
    turns: u8,
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
            runs: Runs::default(),
            todo,
            turns: 0,
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

    /// The nozzle has its command, but its next boundary is not known yet.
    pub fn is_decided(&self) -> bool {
        self.turns == DECIDED
    }

    /// Leaves the next boundary to be found out.
    pub fn set_decided(&mut self) {
        self.turns = DECIDED;
    }

    /// Another turn for the same nozzle, on a changed plan. False after the last of `most`.
    pub fn turn(&mut self, most: u8) -> bool {
        self.runs = Runs::default();
        self.turns = self.turns.saturating_add(1);
        self.turns < most
    }

    /// The first nozzle is done with.
    pub fn done(&mut self) {
        self.todo &= self.todo.wrapping_sub(1);
        self.turns = 0;
        self.runs = Runs::default();
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
        self.runs = Runs::default();
    }

    /// The nozzles left are to be picked anew. Not before one that has its command is through.
    pub fn is_stale(&self) -> bool {
        self.anew && !self.is_decided() && self.task == Task::Decide
    }
}
