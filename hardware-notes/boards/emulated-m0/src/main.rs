//! QEMU's `microbit`: a Cortex-M0 with 16 KiB of RAM; its UART is the link.
//!
//! Registers after the nRF51 series reference manual, UART; from memory, and proven by the
//! test that talks to it.

#![no_std]
#![no_main]

use board_common::{Board, Port};
use core::panic::PanicInfo;
use core::ptr::{read_volatile, write_volatile};
use cortex_m_rt::entry;

unsafe extern "C" {
    /// Defined nowhere: a panic that could be reached is a link error.
    fn panic_is_reachable() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    // SAFETY: never linked.
    unsafe { panic_is_reachable() }
}

const UART0: usize = 0x4000_2000;
const START_RECEIVING: *mut u32 = UART0 as *mut u32;
const START_TRANSMITTING: *mut u32 = (UART0 + 0x008) as *mut u32;
const RECEIVED: *mut u32 = (UART0 + 0x108) as *mut u32;
const TRANSMITTED: *mut u32 = (UART0 + 0x11C) as *mut u32;
const ENABLE: *mut u32 = (UART0 + 0x500) as *mut u32;
const RECEIVE_DATA: *mut u32 = (UART0 + 0x518) as *mut u32;
const TRANSMIT_DATA: *mut u32 = (UART0 + 0x51C) as *mut u32;
const ENABLED: u32 = 4;

struct Uart;

impl Uart {
    fn new() -> Self {
        // SAFETY: the registers of the one UART that this image uses, once.
        unsafe {
            write_volatile(ENABLE, ENABLED);
            write_volatile(START_RECEIVING, 1);
            write_volatile(START_TRANSMITTING, 1);
        }
        Self
    }
}

impl Port for Uart {
    fn read(&mut self) -> Option<u8> {
        // SAFETY: as above. The event is cleared before the byte is taken, which raises it
        // again when another one waits.
        unsafe {
            while read_volatile(RECEIVED) == 0 {}
            write_volatile(RECEIVED, 0);
            Some(read_volatile(RECEIVE_DATA) as u8)
        }
    }

    fn write(&mut self, byte: u8) {
        // SAFETY: as above.
        unsafe {
            write_volatile(TRANSMITTED, 0);
            write_volatile(TRANSMIT_DATA, u32::from(byte));
            while read_volatile(TRANSMITTED) == 0 {}
        }
    }
}

#[entry]
fn main() -> ! {
    let mut port = Uart::new();
    let mut board: Board<384, 512, 256> = Board::new();
    loop {
        board.run::<8, 8, 32, 1>(&mut port);
    }
}
