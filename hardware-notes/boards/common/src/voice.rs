//! What the board says: messages sealed and numbered, commands in batches.
//!
//! **Bound:** a message longer than `O` bytes is not sent; [`Voice::say`] tells. A batch of
//! commands is sent when it is full and at the end of every message that made some.

use crate::port::Port;
use controller_core::Command;
use controller_core::link::{Commands, FromBoard, Refusal, seal};

/// Bytes for stuffing and delimiters, for bodies up to some hundred bytes, and what a frame
/// has around its body.
const AROUND: usize = 16;

/// Numbers and seals what the board says.
pub struct Voice<const O: usize> {
    sequence: u16,
    batch: Commands,
    body: [u8; O],
    line: [u8; O],
}

impl<const O: usize> Voice<O> {
    /// Has said nothing yet.
    pub fn new() -> Self {
        Self {
            sequence: 0,
            batch: Commands::default(),
            body: [0; O],
            line: [0; O],
        }
    }

    /// Sends a message; false when it does not fit.
    pub fn say(&mut self, port: &mut impl Port, message: &FromBoard) -> bool {
        let room = self.body.get_mut(..O.saturating_sub(AROUND));
        let Some(body) = room.and_then(|room| message.write(room)) else {
            return false;
        };
        let Ok(frame) = seal(self.sequence, body, &mut self.line) else {
            return false;
        };
        self.sequence = self.sequence.wrapping_add(1);
        frame.iter().for_each(|&byte| port.write(byte));
        true
    }

    /// Sends what became of a frame.
    pub fn answer(&mut self, port: &mut impl Port, to: u16, result: Result<(), Refusal>) {
        self.say(port, &FromBoard::Answer { to, result });
    }

    /// Takes a command into the batch. It counts as carried out at its own instant: a board
    /// that is told the time has no other.
    pub fn command(&mut self, port: &mut impl Port, command: &Command) {
        if !self.batch.push(command, command.at) {
            self.flush(port);
            // Fits: the batch is empty.
            let _fits = self.batch.push(command, command.at);
        }
    }

    /// Sends the commands taken so far.
    pub fn flush(&mut self, port: &mut impl Port) {
        if !self.batch.entries.is_empty() {
            let batch = core::mem::take(&mut self.batch);
            self.say(port, &FromBoard::Commands(batch));
        }
    }
}
