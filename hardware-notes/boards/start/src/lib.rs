//! What the emulated Cortex-M boards share below the firmware body: the panic handler that
//! can't be linked, registers, interrupts by number, and why the board started.

#![no_std]

pub mod flash;
pub mod look;
pub mod reset;

use core::panic::PanicInfo;
use core::ptr::{read_volatile, write_volatile};
use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::NVIC;

unsafe extern "C" {
    /// Defined nowhere: a panic that could be reached is a link error.
    fn panic_is_reachable() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    // SAFETY: never linked.
    unsafe { panic_is_reachable() }
}

/// A register or another word of 32 bits at a fixed address.
#[derive(Clone, Copy, Debug)]
pub struct Register(usize);

impl Register {
    /// The word at `address`.
    ///
    /// # Safety
    /// The address is a register of the board, or memory that nothing else uses, and may be
    /// read and written at any time.
    #[must_use]
    pub const unsafe fn new(address: usize) -> Self {
        Self(address)
    }

    /// Where it is.
    #[must_use]
    pub const fn address(self) -> u32 {
        self.0 as u32
    }

    /// Its value.
    #[must_use]
    pub fn read(self) -> u32 {
        // SAFETY: see `new`.
        unsafe { read_volatile(self.0 as *const u32) }
    }

    /// Writes it.
    pub fn write(self, value: u32) {
        // SAFETY: see `new`.
        unsafe { write_volatile(self.0 as *mut u32, value) }
    }

    /// The word `words` further on, in the same device.
    #[must_use]
    pub const fn offset(self, words: usize) -> Self {
        Self(self.0 + 4 * words)
    }
}

/// An interrupt of the board, by its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Irq(pub u16);

// SAFETY: a number is all there is to it.
unsafe impl InterruptNumber for Irq {
    fn number(self) -> u16 {
        self.0
    }
}

impl Irq {
    /// Lets it through. Nothing is protected by masking: what interrupts share has critical
    /// sections.
    pub fn enable(self) {
        // SAFETY: as said.
        unsafe { NVIC::unmask(self) };
    }

    /// Lets it through no longer.
    pub fn disable(self) {
        NVIC::mask(self);
    }

    /// True while it is let through, as the controller of interrupts says.
    #[must_use]
    pub fn is_enabled(self) -> bool {
        NVIC::is_enabled(self)
    }

    /// Takes a request of it back.
    pub fn clear(self) {
        NVIC::unpend(self);
    }

    /// Raises it by software.
    pub fn raise(self) {
        NVIC::pend(self);
    }
}

/// Holds all interrupts off for good: from here on they only end a sleep.
pub fn hold_off() {
    cortex_m::interrupt::disable();
}

/// Sleeps until an interrupt is pending, also one that is held off.
pub fn sleep() {
    cortex_m::asm::wfi();
}
