//! The watchdog: the first time that it starves raises the interrupt that can't be masked, the
//! second starts the board anew. Registers after Arm's Cortex-M System Design Kit manual
//! (DDI 0479), APB watchdog; address and clock after the MPS2 application note AN386; from
//! memory, and proven by the test that starves it.

use board_start::{Register, reset};

/// Number of the interrupt that can't be masked.
pub const STARVES: i16 = -14;

const fn at(offset: usize) -> Register {
    // SAFETY: a register of the watchdog.
    unsafe { Register::new(0x4000_8000 + offset) }
}

const LOAD: Register = at(0x000);
const CONTROL: Register = at(0x008);
const CLEAR_INTERRUPT: Register = at(0x00C);
const LOCK: Register = at(0xC00);
const UNLOCKED: u32 = 0x1ACC_E551;
const INTERRUPT_THEN_RESET: u32 = 0b11;
/// 250 ms at 25 MHz.
const PATIENCE: u32 = 6_250_000;

/// Starts it, hungry from now on.
pub fn start() {
    LOCK.write(UNLOCKED);
    LOAD.write(PATIENCE);
    // The emulated one (QEMU 7.2) counts from its reset on, enabled or not, and where a debugger
    // stops the processor there its clock jumps to the next event, which is the end of that count:
    // the interrupt then waits to be enabled, and would start the board anew for ever.
    CLEAR_INTERRUPT.write(1);
    CONTROL.write(INTERRUPT_THEN_RESET);
    LOCK.write(0);
}

/// Feeds it.
pub fn feed() {
    LOCK.write(UNLOCKED);
    CLEAR_INTERRUPT.write(1);
    LOAD.write(PATIENCE);
    LOCK.write(0);
}

/// Nobody has.
pub fn starves() -> ! {
    reset::starved()
}
