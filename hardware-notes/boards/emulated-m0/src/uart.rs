//! The UART, which is the link. Registers after the nRF51 series reference manual, from
//! memory, and proven by the tests that talk to it.

use board_start::Register;
use core::convert::Infallible;
use embedded_hal_nb::nb;
use embedded_hal_nb::serial::{ErrorType, Write};

const fn at(offset: usize) -> Register {
    // SAFETY: a register of the UART.
    unsafe { Register::new(0x4000_2000 + offset) }
}

const START_RECEIVING: Register = at(0x000);
const START_TRANSMITTING: Register = at(0x008);
const RECEIVED: Register = at(0x108);
const TRANSMITTED: Register = at(0x11C);
const ENABLE: Register = at(0x500);
const RECEIVE_DATA: Register = at(0x518);
const TRANSMIT_DATA: Register = at(0x51C);
const ENABLE_INTERRUPT: Register = at(0x304);
const DISABLE_INTERRUPT: Register = at(0x308);
const ENABLED: u32 = 4;
const ON_RECEIVED: u32 = 1 << 2;

/// Starts both ways.
pub fn start() {
    ENABLE.write(ENABLED);
    START_RECEIVING.write(1);
    START_TRANSMITTING.write(1);
}

/// The byte that has come, if one has.
pub fn read() -> Option<u8> {
    if RECEIVED.read() == 0 {
        return None;
    }
    // Before the byte is taken, which raises it again when another one waits.
    RECEIVED.write(0);
    Some(RECEIVE_DATA.read() as u8)
}

/// Gives a byte to the transmitter, which must be free.
pub fn write(byte: u8) {
    TRANSMITTED.write(0);
    TRANSMIT_DATA.write(u32::from(byte));
}

/// True when the last byte is out.
pub fn is_out() -> bool {
    TRANSMITTED.read() != 0
}

/// Whether a byte that has come raises the interrupt.
pub fn listen(on: bool) {
    (if on {
        ENABLE_INTERRUPT
    } else {
        DISABLE_INTERRUPT
    })
    .write(ON_RECEIVED);
}

/// Sends without waiting. One, from start on.
#[derive(Default)]
pub struct Sender {
    sends: bool,
}

impl ErrorType for Sender {
    type Error = Infallible;
}

impl Write<u8> for Sender {
    fn write(&mut self, byte: u8) -> nb::Result<(), Infallible> {
        self.flush()?;
        write(byte);
        self.sends = true;
        Ok(())
    }

    fn flush(&mut self) -> nb::Result<(), Infallible> {
        if self.sends && !is_out() {
            return Err(nb::Error::WouldBlock);
        }
        Ok(())
    }
}
