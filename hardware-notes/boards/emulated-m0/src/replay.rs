//! QEMU's `microbit`, a Cortex-M0 with 16 KiB of RAM, that is told the time over its UART.

#![no_std]
#![no_main]

use board_common::{Board, Port};
use board_start as _;
use cortex_m_rt::entry;
use emulated_m0::uart;

struct Uart;

impl Port for Uart {
    fn read(&mut self) -> Option<u8> {
        loop {
            if let Some(byte) = uart::read() {
                return Some(byte);
            }
        }
    }

    fn write(&mut self, byte: u8) {
        uart::write(byte);
        while !uart::is_out() {}
    }
}

#[entry]
fn main() -> ! {
    uart::start();
    let mut board: Board<384, 512, 256> = Board::new();
    loop {
        board.run::<8, 8, 32, 1>(&mut Uart);
    }
}
