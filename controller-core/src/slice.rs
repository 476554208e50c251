//! A group at one decision instant, decided a nozzle a call.
//!
//! The contract has the caller poll until idle, so all of a group is decided on the same
//! inputs. Where an input comes in between all the same, the nozzles left are decided by what
//! is known then, like those of an instant that was not polled in time; where that input is a
//! stop they are not decided at all.

use crate::sequencer::Instant;
use crate::turning::Swing;
use crate::units::Micros;

/// In place of the turns: the nozzle is decided, and where it is next to be looked at is to be
/// found out.
const DECIDED: u8 = u8::MAX;

/// What is left to do of a group at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slice {
    pub at: Micros,
    pub instant: Instant,
    pub swing: Swing,
    /// The nozzles still to be decided.
    pub todo: u32,
    /// Turns taken with the first of them.
    pub turns: u8,
    group: u8,
    /// An input came in between.
    pub anew: bool,
}

impl Slice {
    pub fn new(at: Micros, group: usize, instant: Instant, swing: Swing, todo: u32) -> Self {
        Self {
            at,
            instant,
            swing,
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

    /// The nozzle to be decided next.
    pub fn next(&self) -> Option<usize> {
        (self.todo != 0)
            .then(|| usize::try_from(self.todo.trailing_zeros()).ok())
            .flatten()
    }

    /// The nozzle has its command, but its next boundary is not known yet.
    pub fn is_decided(&self) -> bool {
        self.turns == DECIDED
    }

    /// Leaves the next boundary for another call.
    pub fn set_decided(&mut self) {
        self.turns = DECIDED;
    }

    /// The first nozzle is done with.
    pub fn done(&mut self) {
        self.todo &= self.todo.wrapping_sub(1);
        self.turns = 0;
    }

    /// The nozzles from the first one to be decided on, as a mask.
    pub fn left(&self) -> u32 {
        match self.todo {
            0 => 0,
            todo => u32::MAX.wrapping_shl(todo.trailing_zeros()),
        }
    }
}
