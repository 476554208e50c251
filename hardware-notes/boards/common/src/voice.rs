//! What the board says: messages sealed and numbered, commands in batches.
//!
//! **Bound:** a message longer than `O` bytes is not sent; [`Voice::say`] tells. A batch of
//! commands is sent when it is full and at the end of every message that made some.

use crate::site::Site;
use controller_core::link::{Commands, FromBoard, Refusal, seal};
use controller_core::{Command, Micros};

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
    pub fn say(&mut self, site: &mut impl Site, message: &FromBoard) -> bool {
        let room = self.body.get_mut(..O.saturating_sub(AROUND));
        let Some(body) = room.and_then(|room| message.write(room)) else {
            return false;
        };
        let Ok(frame) = seal(self.sequence, body, &mut self.line) else {
            return false;
        };
        self.sequence = self.sequence.wrapping_add(1);
        site.send(frame);
        true
    }

    /// Sends what became of a frame.
    pub fn answer(&mut self, site: &mut impl Site, to: u16, result: Result<(), Refusal>) {
        self.say(site, &FromBoard::Answer { to, result });
    }

    /// Takes a command, carried out at `done`, into the batch.
    pub fn command(&mut self, site: &mut impl Site, command: &Command, done: Micros) {
        if !self.batch.push(command, done) {
            self.flush(site);
            // Fits: the batch is empty.
            let _fits = self.batch.push(command, done);
        }
    }

    /// Sends the commands taken so far.
    pub fn flush(&mut self, site: &mut impl Site) {
        if !self.batch.entries.is_empty() {
            let batch = core::mem::take(&mut self.batch);
            self.say(site, &FromBoard::Commands(batch));
        }
    }
}
