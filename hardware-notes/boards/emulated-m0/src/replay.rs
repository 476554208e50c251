//! QEMU's `microbit`, a Cortex-M0 with 16 KiB of RAM, that is told the time over its UART.

#![no_std]
#![no_main]

use board_common::{Board, Port};
use board_start::{Irq, hold_off, sleep};
use cortex_m_rt::entry;
use emulated_m0::uart;

/// A byte has come. Held off: it only ends the sleep.
const LINK: Irq = Irq(2);

struct Uart;

impl Port for Uart {
    fn read(&mut self) -> Option<u8> {
        loop {
            // Before the look: a byte that comes after it ends the sleep.
            LINK.clear();
            if let Some(byte) = uart::read() {
                return Some(byte);
            }
            sleep();
        }
    }

    fn write(&mut self, byte: u8) {
        uart::write(byte);
        while !uart::is_out() {}
    }
}

#[entry]
fn main() -> ! {
    hold_off();
    uart::start();
    uart::listen(true);
    LINK.enable();
    let mut board: Board<384, 512, 256> = Board::new();
    loop {
        board.run::<8, 8, 32, 1>(&mut Uart);
    }
}
