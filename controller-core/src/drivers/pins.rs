//! Valves on pins of the processor.

use super::valves::Valves;
use embedded_hal::digital::{OutputPin, PinState};

/// The level that opens a valve. A board whose drivers open on low must hold its pins high
/// from reset on by resistors: the pins float until firmware runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum OpensOn {
    /// High opens.
    #[default]
    High,
    /// Low opens.
    Low,
}

impl OpensOn {
    fn level(self, open: bool) -> PinState {
        PinState::from(open == matches!(self, Self::High))
    }
}

/// `N` valves, one a pin. Flushing sets the pins whose valves changed, one after the other.
#[derive(Debug)]
pub struct PinValves<P, const N: usize> {
    pins: [P; N],
    opens_on: OpensOn,
    wanted: [bool; N],
    now: [bool; N],
}

impl<P: OutputPin, const N: usize> PinValves<P, N> {
    /// Takes the pins and closes every valve.
    ///
    /// # Errors
    /// As the pins have them.
    pub fn new(pins: [P; N], opens_on: OpensOn) -> Result<Self, P::Error> {
        let mut valves = Self {
            pins,
            opens_on,
            wanted: [false; N],
            now: [false; N],
        };
        valves.close_all()?;
        Ok(valves)
    }

    /// Gives the pins back.
    pub fn release(self) -> [P; N] {
        self.pins
    }
}

impl<P: OutputPin, const N: usize> Valves for PinValves<P, N> {
    type Error = P::Error;

    fn set(&mut self, nozzle: u16, open: bool) -> Result<(), P::Error> {
        if let Some(wanted) = self.wanted.get_mut(usize::from(nozzle)) {
            *wanted = open;
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<(), P::Error> {
        let states = self.wanted.iter().zip(&mut self.now);
        for (pin, (&open, now)) in self.pins.iter_mut().zip(states) {
            if open != *now {
                pin.set_state(self.opens_on.level(open))?;
                *now = open;
            }
        }
        Ok(())
    }

    fn close_all(&mut self) -> Result<(), P::Error> {
        self.wanted = [false; N];
        let mut result = Ok(());
        for (pin, now) in self.pins.iter_mut().zip(&mut self.now) {
            match pin.set_state(self.opens_on.level(false)) {
                Ok(()) => *now = false,
                Err(error) => result = Err(error),
            }
        }
        result
    }
}
