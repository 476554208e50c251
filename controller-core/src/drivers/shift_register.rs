//! Valves on a chain of shift registers, one SPI write for all.
//!
//! The device's chip select is wired to the registers' latch input: its rising edge at the
//! end of the write puts the whole image out at once. `latch_us` is therefore the time of
//! shifting `BYTES` bytes: 6 bytes at 8 MHz take 6 µs.
//!
//! **The dead-man.** Output-enable hangs on a retriggerable monostable, and the monostable on
//! a pin that this driver turns over at every flush. A program that hangs stops flushing, the
//! monostable falls back, and all outputs go off without any software. Flush at least twice
//! in its time from the main loop, never from an interrupt that comes by itself: that would go on
//! feeding it for a dead program. An interrupt that carries out queued commands may: a dead
//! program decides no more of them, so its flushes end within the window of one decision. Choose some tens of ms, more than the decision period and less than the stop
//! bound that you promise.

use super::valves::{Valves, set_bit};
use embedded_hal::digital::OutputPin;
use embedded_hal::spi::SpiDevice;

/// What went wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ShiftError<S, D> {
    /// The bus.
    Bus(S),
    /// The dead-man pin.
    DeadMan(D),
}

/// `8 · BYTES` valves. Valve 0 is the first output of the register nearest to the processor,
/// whose byte is shifted last.
#[derive(Debug)]
pub struct ShiftRegister<S, D, const BYTES: usize> {
    bus: S,
    dead_man: D,
    high: bool,
    image: [u8; BYTES],
}

impl<S: SpiDevice, D: OutputPin, const BYTES: usize> ShiftRegister<S, D, BYTES> {
    /// Takes the bus and the dead-man pin and shifts an image of closed valves out.
    ///
    /// # Errors
    /// As bus and pin have them.
    pub fn new(bus: S, dead_man: D) -> Result<Self, ShiftError<S::Error, D::Error>> {
        let mut valves = Self {
            bus,
            dead_man,
            high: false,
            image: [0; BYTES],
        };
        valves.close_all()?;
        Ok(valves)
    }

    /// Gives bus and pin back.
    pub fn release(self) -> (S, D) {
        (self.bus, self.dead_man)
    }

    fn shift(&mut self) -> Result<(), S::Error> {
        let mut line = self.image;
        line.reverse();
        self.bus.write(&line)
    }
}

impl<S: SpiDevice, D: OutputPin, const BYTES: usize> Valves for ShiftRegister<S, D, BYTES> {
    type Error = ShiftError<S::Error, D::Error>;

    fn set(&mut self, nozzle: u16, open: bool) -> Result<(), Self::Error> {
        set_bit(&mut self.image, nozzle, open).unwrap_or_default();
        Ok(())
    }

    /// Shifts the image out whether it changed or not, so that a register upset by noise is
    /// right again at the next, and turns the dead-man over once that has worked.
    fn flush(&mut self) -> Result<(), Self::Error> {
        self.shift().map_err(ShiftError::Bus)?;
        self.high = !self.high;
        self.dead_man
            .set_state(self.high.into())
            .map_err(ShiftError::DeadMan)
    }

    /// Does not feed the dead-man: if the bus is what failed, the outputs go off by it.
    fn close_all(&mut self) -> Result<(), Self::Error> {
        self.image = [0; BYTES];
        self.shift().map_err(ShiftError::Bus)
    }
}
