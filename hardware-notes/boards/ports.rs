//! Ports, bus and flash for the images that measure and check: they answer whatever the image's
//! own module `outside` gives, of which no optimiser knows anything.

use crate::outside::{any_u32, used_u32};
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};
use embedded_hal_nb::nb;
use embedded_hal_nb::serial;
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};

#[path = "../../controller-core/tests/frame/mod.rs"]
mod frame;
pub use frame::Can;

/// Fails now and then.
fn perhaps<E>(error: E) -> Result<(), E> {
    if any_u32() == 0 { Ok(()) } else { Err(error) }
}

/// A pin.
pub struct Pin;

impl digital::ErrorType for Pin {
    type Error = digital::ErrorKind;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Self::Error> {
        used_u32(0);
        perhaps(digital::ErrorKind::Other)
    }
    fn set_high(&mut self) -> Result<(), Self::Error> {
        used_u32(1);
        perhaps(digital::ErrorKind::Other)
    }
}

/// A bus.
pub struct Spi;

impl spi::ErrorType for Spi {
    type Error = spi::ErrorKind;
}

impl SpiDevice for Spi {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        for operation in operations {
            if let Operation::Write(bytes) = operation {
                bytes.iter().for_each(|&byte| used_u32(u32::from(byte)));
            }
        }
        perhaps(spi::ErrorKind::Other)
    }
}

/// A serial port.
pub struct Serial;

impl serial::ErrorType for Serial {
    type Error = serial::ErrorKind;
}

impl serial::Read<u8> for Serial {
    fn read(&mut self) -> nb::Result<u8, Self::Error> {
        match any_u32() {
            0 => Err(nb::Error::WouldBlock),
            1 => Err(nb::Error::Other(serial::ErrorKind::Overrun)),
            byte => Ok(byte as u8),
        }
    }
}

impl serial::Write<u8> for Serial {
    fn write(&mut self, word: u8) -> nb::Result<(), Self::Error> {
        used_u32(u32::from(word));
        match any_u32() {
            0 => Err(nb::Error::WouldBlock),
            1 => Err(nb::Error::Other(serial::ErrorKind::Other)),
            _ => Ok(()),
        }
    }
    fn flush(&mut self) -> nb::Result<(), Self::Error> {
        Ok(())
    }
}

/// A flash.
pub struct Flash;

impl ErrorType for Flash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;
    fn read(&mut self, _: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        bytes.iter_mut().for_each(|byte| *byte = any_u32() as u8);
        perhaps(NorFlashErrorKind::Other)
    }
    fn capacity(&self) -> usize {
        any_u32() as usize
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        used_u32(from ^ to);
        perhaps(NorFlashErrorKind::Other)
    }
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        used_u32(offset);
        bytes.iter().for_each(|&byte| used_u32(u32::from(byte)));
        perhaps(NorFlashErrorKind::Other)
    }
}

/// One thread and no interrupt: the critical section has nothing to hold off.
struct NoInterrupts;

critical_section::set_impl!(NoInterrupts);

// SAFETY: nothing else ever runs in this image.
unsafe impl critical_section::Impl for NoInterrupts {
    unsafe fn acquire() -> critical_section::RawRestoreState {}
    unsafe fn release(_: critical_section::RawRestoreState) {}
}
