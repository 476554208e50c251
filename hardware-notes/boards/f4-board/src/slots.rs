//! Sectors 1 and 2 of the flash, 16 KiB each: the two slots of the machine description.
//!
//! The processor stands still while a sector is erased, some 0.5 s at most (data sheet, from
//! memory): the store writes only at standstill with every valve closed, and the watchdog
//! waits for a second.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use stm32f4xx_hal::flash::{FlashExt, LockedFlash};
use stm32f4xx_hal::pac::FLASH;

/// Bytes of one slot, which is one sector.
pub const SLOT: u32 = 16 * 1024;
/// Where sector 1 begins, from the start of the flash.
const START: usize = SLOT as usize;

/// Both slots.
pub struct Slots(LockedFlash);

impl Slots {
    /// Takes the flash.
    pub fn new(flash: FLASH) -> Self {
        Self(LockedFlash::new(flash))
    }

    fn within(offset: u32, bytes: usize) -> Result<usize, NorFlashErrorKind> {
        let from = usize::try_from(offset).unwrap_or(usize::MAX);
        let end = from.saturating_add(bytes);
        if end > 2 * START {
            return Err(NorFlashErrorKind::OutOfBounds);
        }
        Ok(from + START)
    }
}

impl ErrorType for Slots {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Slots {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        let from = Self::within(offset, bytes.len())?;
        let all = self.0.read();
        let wanted = all.get(from..from.saturating_add(bytes.len()));
        let wanted = wanted.ok_or(NorFlashErrorKind::OutOfBounds)?;
        bytes
            .iter_mut()
            .zip(wanted)
            .for_each(|(to, from)| *to = *from);
        Ok(())
    }

    fn capacity(&self) -> usize {
        2 * START
    }
}

impl NorFlash for Slots {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = START;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        if !from.is_multiple_of(SLOT) || !to.is_multiple_of(SLOT) || from > to {
            return Err(NorFlashErrorKind::NotAligned);
        }
        if to > 2 * SLOT {
            return Err(NorFlashErrorKind::OutOfBounds);
        }
        for (slot, sector) in [(0, 1), (SLOT, 2)] {
            if slot >= from && slot < to {
                let erased = self.0.unlocked().erase(sector);
                erased.map_err(|_| NorFlashErrorKind::Other)?;
            }
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let at = Self::within(offset, bytes.len())?;
        let written = self.0.unlocked().program(at, bytes.iter());
        written.map_err(|_| NorFlashErrorKind::Other)
    }
}
