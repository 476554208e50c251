//! The UART, which is the link. Registers after Arm's Cortex-M System Design Kit manual
//! (DDI 0479), APB UART; its address after the MPS2 application note AN386; both from memory,
//! and proven by the tests that talk to it.

use board_start::Register;
use core::convert::Infallible;
use embedded_hal_nb::nb;
use embedded_hal_nb::serial::{ErrorType, Write};

const fn at(offset: usize) -> Register {
    // SAFETY: a register of the UART.
    unsafe { Register::new(0x4000_4000 + offset) }
}

const DATA: Register = at(0x00);
const STATE: Register = at(0x04);
const CONTROL: Register = at(0x08);
const BAUD_DIVIDER: Register = at(0x10);
const TRANSMIT_FULL: u32 = 1 << 0;
const RECEIVE_FULL: u32 = 1 << 1;
const TRANSMIT_AND_RECEIVE: u32 = 0b11;
const INTERRUPT_STATE: Register = at(0x0C);
const RECEIVED_INTERRUPT: u32 = 1 << 1;
const INTERRUPT_ON_RECEIVED: u32 = 1 << 3;

/// Starts both ways.
pub fn start() {
    // The least that it takes; the emulator's line is as fast as the host.
    BAUD_DIVIDER.write(16);
    CONTROL.write(TRANSMIT_AND_RECEIVE);
}

/// The byte that has come, if one has.
pub fn read() -> Option<u8> {
    if STATE.read() & RECEIVE_FULL == 0 {
        return None;
    }
    // Before the byte is taken: the next one raises it again.
    INTERRUPT_STATE.write(RECEIVED_INTERRUPT);
    Some(DATA.read() as u8)
}

/// Gives a byte to the transmitter. False when that is full.
pub fn write(byte: u8) -> bool {
    let room = STATE.read() & TRANSMIT_FULL == 0;
    if room {
        DATA.write(u32::from(byte));
    }
    room
}

/// Whether a byte that has come raises the interrupt.
pub fn listen(on: bool) {
    let interrupt = if on { INTERRUPT_ON_RECEIVED } else { 0 };
    CONTROL.write(TRANSMIT_AND_RECEIVE | interrupt);
}

/// Sends without waiting.
#[derive(Default)]
pub struct Sender;

impl ErrorType for Sender {
    type Error = Infallible;
}

impl Write<u8> for Sender {
    fn write(&mut self, byte: u8) -> nb::Result<(), Infallible> {
        if write(byte) {
            Ok(())
        } else {
            Err(nb::Error::WouldBlock)
        }
    }

    fn flush(&mut self) -> nb::Result<(), Infallible> {
        Ok(())
    }
}
