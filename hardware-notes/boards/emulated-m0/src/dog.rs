//! The watchdog. QEMU has none for this machine, so timer 1 stands in: it counts on by itself
//! and starts the board anew from its interrupt when nobody has fed it for 250 ms. Unlike a
//! real one it needs interrupts.

use board_start::{Irq, Register, reset};

/// Number of its interrupt.
pub const STARVES: i16 = 9;
const INTERRUPT: Irq = Irq(9);

const fn at(offset: usize) -> Register {
    // SAFETY: a register of timer 1.
    unsafe { Register::new(0x4000_9000 + offset) }
}

const START: Register = at(0x000);
const CLEAR: Register = at(0x00C);
const ENABLE_INTERRUPT: Register = at(0x304);
const BIT_MODE: Register = at(0x508);
const PRESCALER: Register = at(0x510);
const COMPARE_0: Register = at(0x540);

/// Starts it, hungry from now on.
pub fn start() {
    BIT_MODE.write(3);
    PRESCALER.write(4);
    COMPARE_0.write(250_000);
    ENABLE_INTERRUPT.write(1 << 16);
    START.write(1);
    INTERRUPT.enable();
}

/// Feeds it.
pub fn feed() {
    CLEAR.write(1);
}

/// Nobody has.
pub fn starves() -> ! {
    reset::starved()
}
