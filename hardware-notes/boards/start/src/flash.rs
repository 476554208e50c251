//! Flash in the processor's memory, read by its address.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};

use crate::Register;

/// How a board's flash is erased and written.
pub trait Words {
    /// Erases the page that begins here.
    fn erase(&mut self, page: Register);
    /// Writes a word that was erased.
    fn write(&mut self, word: Register, value: u32);
}

/// `SIZE` bytes of flash in pages of `PAGE` from a place on.
#[derive(Debug)]
pub struct Flash<W, const PAGE: usize, const SIZE: usize> {
    start: Register,
    words: W,
}

impl<W, const PAGE: usize, const SIZE: usize> Flash<W, PAGE, SIZE> {
    /// The flash that begins at `start`; a page begins there too, and nothing else uses it.
    pub const fn new(start: Register, words: W) -> Self {
        Self { start, words }
    }

    fn word(&self, offset: u32, bytes: usize) -> Result<Register, NorFlashErrorKind> {
        let from = usize::try_from(offset).unwrap_or(usize::MAX);
        if from % 4 != 0 || bytes % 4 != 0 {
            return Err(NorFlashErrorKind::NotAligned);
        }
        if from.checked_add(bytes).is_none_or(|end| end > SIZE) {
            return Err(NorFlashErrorKind::OutOfBounds);
        }
        Ok(self.start.offset(from / 4))
    }
}

impl<W, const PAGE: usize, const SIZE: usize> ErrorType for Flash<W, PAGE, SIZE> {
    type Error = NorFlashErrorKind;
}

impl<W, const PAGE: usize, const SIZE: usize> ReadNorFlash for Flash<W, PAGE, SIZE> {
    const READ_SIZE: usize = 4;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        let word = self.word(offset, bytes.len())?;
        for (index, to) in bytes.chunks_exact_mut(4).enumerate() {
            to.copy_from_slice(&word.offset(index).read().to_le_bytes());
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        SIZE
    }
}

impl<W: Words, const PAGE: usize, const SIZE: usize> NorFlash for Flash<W, PAGE, SIZE> {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        let length = usize::try_from(to.saturating_sub(from)).unwrap_or(usize::MAX);
        let start = self.word(from, length)?;
        let whole = |offset: u32| usize::try_from(offset).is_ok_and(|o| o % PAGE == 0);
        if to < from || !whole(from) || !whole(to) {
            return Err(NorFlashErrorKind::NotAligned);
        }
        for page in 0..length / PAGE {
            self.words.erase(start.offset(page * (PAGE / 4)));
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let word = self.word(offset, bytes.len())?;
        for (index, from) in bytes.chunks_exact(4).enumerate() {
            let value = from.first_chunk().copied().unwrap_or_default();
            self.words
                .write(word.offset(index), u32::from_le_bytes(value));
        }
        Ok(())
    }
}
