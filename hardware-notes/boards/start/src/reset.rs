//! Why the board started, from a word of memory that a reset leaves alone.
//!
//! At power-up the word holds anything, so it is a mark only with its check word. A board
//! with a register of reset causes reads that instead.

use crate::Register;
use controller_core::link::ResetCause;

/// Nothing marked it: the pin, a debugger, the emulator.
const RUNNING: u32 = 0xB00A_11FE;
const STARVED: u32 = 0xB00A_D0C5;
const FAULTED: u32 = 0xB00A_FA17;

/// Lies in memory that the start-up code does not clear.
#[unsafe(link_section = ".uninit.reset")]
static mut MARK: [u32; 2] = [0; 2];

fn mark() -> Register {
    // SAFETY: nothing else uses the two words.
    unsafe { Register::new(&raw mut MARK as usize) }
}

fn set(value: u32) {
    mark().write(value);
    mark().offset(1).write(!value);
}

/// Why the board started. Once, at start.
#[must_use]
pub fn cause() -> ResetCause {
    let value = mark().read();
    let known = mark().offset(1).read() == !value;
    set(RUNNING);
    match value {
        RUNNING if known => ResetCause::Pin,
        STARVED if known => ResetCause::Watchdog,
        FAULTED if known => ResetCause::Firmware,
        _ => ResetCause::PowerOn,
    }
}

/// The watchdog starved: starts anew.
pub fn starved() -> ! {
    set(STARVED);
    cortex_m::peripheral::SCB::sys_reset()
}

/// A fault of the processor, or an interrupt that nobody serves: starts anew.
pub fn faulted() -> ! {
    set(FAULTED);
    cortex_m::peripheral::SCB::sys_reset()
}
