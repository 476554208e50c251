//! What the handling of messages needs of the board around it.

use controller_core::link::{Refusal, ResetCause};
use controller_core::{Command, Cycle, GuardState, Micros};

/// A board as the messages see it. What is left at its default is what a board that is told
/// the time has.
pub trait Site {
    /// True with a clock and inputs of its own. Then *pulse*, *second pulse*, *until*, *direction*,
    /// *supply* and *switches* are refused, and nothing opens before a person has acknowledged.
    const LIVE: bool = false;

    /// True where the outputs drive cycles: then each opening comes with its first.
    const CYCLES: bool = false;

    /// Sends a frame as a whole, or leaves it out as a whole.
    fn send(&mut self, frame: &[u8]);

    /// When a command of the controller may be carried out, by what the supply bears. Once for
    /// each, in the order given out.
    fn place(&mut self, command: Command) -> Command {
        command
    }

    /// Takes a command that was [placed](Self::place), and the first cycle of an opening, to be reported with [`Board::carried_out`](crate::Board) when it is
    /// carried out. False: it counts as carried out at its own instant.
    fn command(&mut self, _: &Command, _first: Option<Cycle>) -> bool {
        false
    }

    /// The instant now, by a clock of its own.
    fn now(&mut self) -> Option<Micros> {
        None
    }

    /// Everything stops: opens that wait are void.
    fn stop(&mut self) {}

    /// The strobe pulse given just now was that of this frame.
    ///
    /// # Errors
    /// [`Refusal::NotSupported`] without a strobe input.
    fn announce(&mut self, _detector: u8, _frame: u32) -> Result<(), Refusal> {
        Err(Refusal::NotSupported)
    }

    /// When a frame was captured, by its strobe pulse.
    ///
    /// # Errors
    /// [`Refusal::UnknownFrame`].
    fn captured(&mut self, _detector: u8, _frame: u32) -> Result<Micros, Refusal> {
        Err(Refusal::UnknownFrame)
    }

    /// Keeps a machine description over a restart, where the board can.
    ///
    /// # Errors
    /// [`Refusal::NotAtStandstill`], [`Refusal::NotStored`].
    fn keep(&mut self, _: GuardState, _machine: &[u8]) -> Result<(), Refusal> {
        Ok(())
    }

    /// True while it tries its valves: no time to acknowledge or to change the machine.
    fn tries_valves(&self) -> bool {
        false
    }

    /// Bits of [`Motion::faults`](controller_core::link::Motion) that the controller does not
    /// know of.
    fn faults(&self) -> u32 {
        0
    }

    /// Why it started.
    fn reset_cause(&self) -> ResetCause {
        ResetCause::Unknown
    }
}
