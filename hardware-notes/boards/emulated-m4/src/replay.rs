//! QEMU's `mps2-an386`, a Cortex-M4, that is told the time over its UART.

#![no_std]
#![no_main]

use board_common::{Board, Port};
use board_start::{Irq, hold_off, sleep};
use cortex_m_rt::entry;
use emulated_m4::uart;

/// A byte has come. Held off: it only ends the sleep.
const LINK: Irq = Irq(0);

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
        while !uart::write(byte) {}
    }
}

#[entry]
fn main() -> ! {
    hold_off();
    uart::start();
    uart::listen(true);
    LINK.enable();
    let mut board: Board<1280, 8192, 1280> = Board::new();
    loop {
        // As the simulator's core, but for the number of nozzles and detectors.
        board.run::<96, 16, 256, 8>(&mut Uart);
    }
}
