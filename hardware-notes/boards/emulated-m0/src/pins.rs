//! The pins. Registers after the nRF51 series reference manual, from memory, and proven by
//! the tests that read them from outside.
//!
//! | pin | is |
//! |---|---|
//! | 0 to 7 | valves, high opens |
//! | 8 | high: the machine goes back |
//! | 9 | high: the supply is low |
//! | 10 | high: the emergency stop is pressed |
//! | 11 | high: acknowledge |
//! | 12, 14 | spot wires of sections 0 and 1, closed to high |
//! | 13, 15 | broadcast wires of sections 0 and 1 |
//! | 16 | low while current flows into a valve |
//! | 17, 18 | lamp, buzzer |

use board_common::live::Levels;
use board_start::Register;
use core::convert::Infallible;
use embedded_hal::digital::{ErrorType, OutputPin};

const fn at(offset: usize) -> Register {
    // SAFETY: a register of the pins.
    unsafe { Register::new(0x5000_0000 + offset) }
}

const SET: Register = at(0x508);
const CLEAR: Register = at(0x50C);
const INPUTS: Register = at(0x510);
const CONFIGURE: Register = at(0x700);
const OUTPUT: u32 = 1;
const INPUT_PULLED_DOWN: u32 = 1 << 2;

/// An output pin.
pub struct Pin(u8);

impl Pin {
    /// Makes it an output that is low.
    pub fn output(number: u8) -> Self {
        CLEAR.write(1 << (number & 31));
        CONFIGURE.offset(usize::from(number & 31)).write(OUTPUT);
        Self(number)
    }

    /// Sets its level.
    pub fn set(&mut self, high: bool) {
        (if high { SET } else { CLEAR }).write(1 << (self.0 & 31));
    }
}

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.set(false);
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.set(true);
        Ok(())
    }
}

/// Makes the wires inputs that read low where nothing is connected.
pub fn listen() {
    for number in 8..=16 {
        CONFIGURE.offset(number).write(INPUT_PULLED_DOWN);
    }
}

fn is_high(number: u32) -> bool {
    INPUTS.read() >> number & 1 == 1
}

/// The wires as they are.
pub fn levels() -> Levels {
    let bit = |number, bit: u64| if is_high(number) { bit } else { 0 };
    Levels {
        spot: bit(12, 1) | bit(14, 2),
        broadcast: bit(13, 1) | bit(15, 2),
        reverse: is_high(8),
        supply_low: is_high(9),
        stop: is_high(10),
        acknowledge: is_high(11),
    }
}

/// Whether current flows into a valve.
pub fn current_flows() -> bool {
    !is_high(16)
}
