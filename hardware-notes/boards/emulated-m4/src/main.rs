//! QEMU's `mps2-an386`: a Cortex-M4 with a CMSDK UART, which is the link.
//!
//! Registers after Arm's Cortex-M System Design Kit manual (DDI 0479), APB UART; the address
//! of UART0 after the MPS2 application note AN386; both from memory, and proven by the test
//! that talks to it.

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

const UART0: usize = 0x4000_4000;
const DATA: *mut u32 = UART0 as *mut u32;
const STATE: *mut u32 = (UART0 + 0x04) as *mut u32;
const CONTROL: *mut u32 = (UART0 + 0x08) as *mut u32;
const BAUD_DIVIDER: *mut u32 = (UART0 + 0x10) as *mut u32;
const TRANSMIT_FULL: u32 = 1 << 0;
const RECEIVE_FULL: u32 = 1 << 1;
const TRANSMIT_AND_RECEIVE: u32 = 0b11;

struct Uart;

impl Uart {
    fn new() -> Self {
        // SAFETY: the registers of the one UART that this image uses, once.
        unsafe {
            // The least that it takes; the emulator's line is as fast as the host.
            write_volatile(BAUD_DIVIDER, 16);
            write_volatile(CONTROL, TRANSMIT_AND_RECEIVE);
        }
        Self
    }
}

impl Port for Uart {
    fn read(&mut self) -> Option<u8> {
        // SAFETY: as above; reading has no effect but to take the byte.
        unsafe {
            while read_volatile(STATE) & RECEIVE_FULL == 0 {}
            Some(read_volatile(DATA) as u8)
        }
    }

    fn write(&mut self, byte: u8) {
        // SAFETY: as above.
        unsafe {
            while read_volatile(STATE) & TRANSMIT_FULL != 0 {}
            write_volatile(DATA, u32::from(byte));
        }
    }
}

#[entry]
fn main() -> ! {
    let mut port = Uart::new();
    let mut board: Board<1280, 8192, 1280> = Board::new();
    loop {
        // As the simulator's core, but for the number of nozzles and detectors.
        board.run::<96, 16, 256, 8>(&mut port);
    }
}
