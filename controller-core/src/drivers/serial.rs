//! Bytes between a serial port and the link, without blocking.

use super::bump;
use embedded_hal_nb::nb;
use embedded_hal_nb::serial::{Read, Write};
use heapless::Deque;

/// What a round of reading brought.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ReadRound {
    /// Bytes handed over.
    pub bytes: u16,
    /// Errors of the port: overrun, framing, noise.
    pub errors: u16,
}

/// Hands the bytes that have come to `sink`, at most `most` of bytes and errors together, so
/// that a line full of noise can't hold the loop. An error is counted and left to the frame's
/// checksum.
pub fn read<P: Read<u8>>(port: &mut P, most: u16, mut sink: impl FnMut(u8)) -> ReadRound {
    let mut round = ReadRound::default();
    for _ in 0..most {
        match port.read() {
            Ok(byte) => {
                sink(byte);
                round.bytes = round.bytes.saturating_add(1);
            }
            Err(nb::Error::WouldBlock) => break,
            Err(nb::Error::Other(_)) => round.errors = round.errors.saturating_add(1),
        }
    }
    round
}

/// Frames that wait to be sent, `N` bytes of them.
///
/// **Overflow:** a frame that does not fit is left out as a whole, and counted; the numbering
/// tells the other side. So a slow line loses whole messages, never parts.
#[derive(Clone, Debug, Default)]
pub struct Outgoing<const N: usize> {
    bytes: Deque<u8, N>,
    dropped: u32,
}

impl<const N: usize> Outgoing<N> {
    /// Empty.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            bytes: Deque::new(),
            dropped: 0,
        }
    }

    /// Frames left out for want of room.
    #[must_use]
    pub const fn dropped(&self) -> u32 {
        self.dropped
    }

    /// True when nothing waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    /// Queues a whole frame. False when it was left out.
    pub fn push(&mut self, frame: &[u8]) -> bool {
        let room = N.saturating_sub(self.bytes.len());
        if frame.len() > room {
            bump(&mut self.dropped);
            return false;
        }
        frame.iter().all(|&byte| self.bytes.push_back(byte).is_ok())
    }

    /// Gives the port what it takes, at most `most` bytes. True when nothing is left.
    ///
    /// # Errors
    /// The port's; the byte stays queued.
    pub fn pump<P: Write<u8>>(&mut self, port: &mut P, most: u16) -> Result<bool, P::Error> {
        for _ in 0..most {
            let Some(&byte) = self.bytes.front() else {
                break;
            };
            match port.write(byte) {
                Ok(()) => self.bytes.pop_front(),
                Err(nb::Error::WouldBlock) => break,
                Err(nb::Error::Other(error)) => return Err(error),
            };
        }
        Ok(self.bytes.is_empty())
    }
}
