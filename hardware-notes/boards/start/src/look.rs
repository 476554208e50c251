//! Where whoever runs the emulator looks at the board.
//!
//! A timer that the firmware leaves alone is set from outside and raises [`LOOK`]. From there
//! [`here`] asks the debugger for something (Arm's semihosting, operation `SYS_SYSTEM` of
//! nothing), so that the emulator stops by itself at an instant of the board's own clock, however
//! late the computer comes to look, until the debugger has answered. On a board that nobody watches
//! the interrupt is not enabled, and this never runs.
//!
//! While an emulator (QEMU 7.2, `-icount`) comes to its stop, its clock may jump to the next event
//! of any timer, some times. So the system timer, whose period is set from outside, runs
//! meanwhile without an interrupt: the jumps are that short. Who goes on stops it.

use crate::Irq;
use core::arch::naked_asm;

/// The interrupt of the third timer, the same on both boards.
pub const LOOK: Irq = Irq(10);

/// From [`LOOK`]'s interrupt.
#[unsafe(naked)]
pub extern "C" fn here() {
    naked_asm!(
        // The system timer's control: enabled, by the processor's clock.
        "ldr r0, 1f",
        "movs r1, #5",
        "str r1, [r0]",
        "movs r0, #0x12",
        "adr r1, 2f",
        "bkpt 0xab",
        "bx lr",
        ".balign 4",
        "1: .word 0xE000E010",
        // A text and its length.
        "2: .word 3f",
        ".word 0",
        "3: .word 0",
    )
}
