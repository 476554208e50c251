//! The machine description in flash: two slots, of which the newest sound one counts.
//!
//! A slot is a header of 16 bytes (mark, sequence, length, CRC-32 over all of these and the
//! description) and the description behind it. Storing erases the slot that is *not* in use,
//! writes the description, then the header, then reads it all back. Power may fail at any
//! word: until the header is whole the old slot counts, afterwards the new one.
//!
//! Written at standstill only: erasing stops some processors from running for milliseconds.

use crate::crc32::Crc32;
use crate::guard::GuardState;
use embedded_storage::nor_flash::NorFlash;

/// Bytes before the description.
pub const HEADER: usize = 16;
/// Bytes handled at a time; reads and writes are whole blocks.
const BLOCK: usize = 64;
/// "A description stands here", version 1.
const MARK: u32 = 0xB00A_0001;

/// Why nothing was stored or found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StoreError<E> {
    /// The flash's own.
    Flash(E),
    /// Only at standstill.
    NotAtStandstill,
    /// Longer than a slot, or than the buffer to read into.
    TooLarge,
    /// What was written does not read back.
    NotRead,
    /// The slots are not whole erase blocks, or the flash's words do not fit.
    Layout,
}

impl<E> From<E> for StoreError<E> {
    fn from(error: E) -> Self {
        Self::Flash(error)
    }
}

#[derive(Clone, Copy, Debug)]
struct Header {
    sequence: u32,
    length: u32,
    crc: u32,
}

/// A description found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Found {
    /// Its bytes in the buffer.
    pub length: usize,
    /// How often one has been stored.
    pub sequence: u32,
}

/// Two slots of a flash.
#[derive(Debug)]
pub struct MachineStore<F> {
    flash: F,
    /// Where the slots begin, and how long each is.
    slots: [u32; 2],
    size: u32,
}

impl<F: NorFlash> MachineStore<F> {
    /// Two slots of `size` bytes one behind the other from `start` on.
    ///
    /// # Errors
    /// [`StoreError::Layout`] unless start and size are whole erase blocks within the flash,
    /// and its words divide 16 bytes.
    pub fn new(flash: F, start: u32, size: u32) -> Result<Self, StoreError<F::Error>> {
        let erase = u32::try_from(F::ERASE_SIZE).map_err(|_| StoreError::Layout)?;
        let whole = |value: u32| value.checked_rem(erase) == Some(0);
        let divides = |word: usize| HEADER.checked_rem(word) == Some(0);
        let second = start.checked_add(size).ok_or(StoreError::Layout)?;
        let end = second.checked_add(size).ok_or(StoreError::Layout)?;
        let fits = usize::try_from(end).is_ok_and(|end| end <= flash.capacity());
        let room = size > 0 && whole(start) && whole(size) && size & 63 == 0;
        if !(fits && room && divides(F::WRITE_SIZE) && divides(F::READ_SIZE)) {
            return Err(StoreError::Layout);
        }
        Ok(Self {
            flash,
            slots: [start, second],
            size,
        })
    }

    /// Gives the flash back.
    pub fn release(self) -> F {
        self.flash
    }

    /// Longest description, bytes.
    #[must_use]
    pub fn room(&self) -> usize {
        let size = usize::try_from(self.size).unwrap_or_default();
        // The last block may be written in full.
        size.saturating_sub(BLOCK)
    }

    /// The newest sound description into `out`. `None`: there is none.
    ///
    /// # Errors
    /// [`StoreError::Flash`]; [`StoreError::TooLarge`] when `out` is too short for it.
    pub fn load(&mut self, out: &mut [u8]) -> Result<Option<Found>, StoreError<F::Error>> {
        let Some((slot, header)) = self.newest()? else {
            return Ok(None);
        };
        let length = usize::try_from(header.length).unwrap_or(usize::MAX);
        let Some(out) = out.get_mut(..length) else {
            return Err(StoreError::TooLarge);
        };
        let crc = self.walk(slot, &header, Some(out))?;
        if crc != header.crc {
            return Err(StoreError::NotRead);
        }
        Ok(Some(Found {
            length,
            sequence: header.sequence,
        }))
    }

    /// Stores a description, to count from the next [`Self::load`] on. One that is there
    /// already is not written again: flash wears.
    ///
    /// # Errors
    /// [`StoreError`]; whatever it is, the description before still counts, unless the new
    /// one was complete.
    pub fn store(&mut self, guard: GuardState, bytes: &[u8]) -> Result<(), StoreError<F::Error>> {
        if !stands(guard) {
            return Err(StoreError::NotAtStandstill);
        }
        let length = u32::try_from(bytes.len()).map_err(|_| StoreError::TooLarge)?;
        if bytes.len() > self.room() {
            return Err(StoreError::TooLarge);
        }
        let now = self.newest()?;
        let used = now.map_or(1, |(slot, _)| slot);
        let spare = used ^ 1;
        let mut header = Header {
            sequence: now.map_or(0, |(_, h)| h.sequence.wrapping_add(1)),
            length,
            crc: 0,
        };
        if let Some((_, old)) = now {
            let same = Header { length, ..old };
            if digest(&same, bytes) == old.crc && old.length == length {
                return Ok(());
            }
        }
        header.crc = digest(&header, bytes);
        let start = self.start(spare);
        self.flash.erase(start, start.saturating_add(self.size))?;
        let mut at = start.saturating_add(16);
        for piece in bytes.chunks(BLOCK) {
            let mut block = [0xFF; BLOCK];
            for (to, from) in block.iter_mut().zip(piece) {
                *to = *from;
            }
            self.flash.write(at, &block)?;
            at = at.saturating_add(64);
        }
        self.flash.write(start, &header.bytes())?;
        match self.header(spare)? {
            Some(read) if self.walk(spare, &read, None)? == header.crc => Ok(()),
            _ => Err(StoreError::NotRead),
        }
    }

    fn start(&self, slot: usize) -> u32 {
        self.slots.get(slot).copied().unwrap_or_default()
    }

    /// The slot that counts.
    fn newest(&mut self) -> Result<Option<(usize, Header)>, StoreError<F::Error>> {
        let first = self.sound(0)?;
        let second = self.sound(1)?;
        Ok(match (first, second) {
            (Some(a), Some(b)) if b.sequence.wrapping_sub(a.sequence) < 1 << 31 => Some((1, b)),
            (Some(a), _) => Some((0, a)),
            (None, b) => b.map(|b| (1, b)),
        })
    }

    /// The header of a slot whose content fits it.
    fn sound(&mut self, slot: usize) -> Result<Option<Header>, StoreError<F::Error>> {
        let Some(header) = self.header(slot)? else {
            return Ok(None);
        };
        let crc = self.walk(slot, &header, None)?;
        Ok((crc == header.crc).then_some(header))
    }

    fn header(&mut self, slot: usize) -> Result<Option<Header>, StoreError<F::Error>> {
        let mut bytes = [0; HEADER];
        self.flash.read(self.start(slot), &mut bytes)?;
        let word = |at: usize| {
            let word = bytes.get(at..).and_then(<[u8]>::first_chunk);
            u32::from_le_bytes(word.copied().unwrap_or_default())
        };
        let header = Header {
            sequence: word(4),
            length: word(8),
            crc: word(12),
        };
        let fits = usize::try_from(header.length).is_ok_and(|length| length <= self.room());
        Ok((word(0) == MARK && fits).then_some(header))
    }

    /// Goes through a slot's description: its CRC, and its bytes if wanted.
    fn walk(
        &mut self,
        slot: usize,
        header: &Header,
        mut out: Option<&mut [u8]>,
    ) -> Result<u32, StoreError<F::Error>> {
        let mut crc = begin(header);
        let mut at = self.start(slot).saturating_add(16);
        let mut left = usize::try_from(header.length).unwrap_or_default();
        let mut done = 0_usize;
        while left > 0 {
            let mut block = [0; BLOCK];
            self.flash.read(at, &mut block)?;
            let take = left.min(BLOCK);
            let piece = block.get(..take).unwrap_or_default();
            crc.update(piece);
            let room = out.as_deref_mut().and_then(|out| out.get_mut(done..));
            for (to, from) in room.unwrap_or_default().iter_mut().zip(piece) {
                *to = *from;
            }
            done = done.saturating_add(take);
            left = left.saturating_sub(take);
            at = at.saturating_add(64);
        }
        Ok(crc.finalize())
    }
}

impl Header {
    fn bytes(&self) -> [u8; HEADER] {
        let words = [MARK, self.sequence, self.length, self.crc];
        let mut bytes = [0; HEADER];
        for (to, word) in bytes.chunks_exact_mut(4).zip(words) {
            for (to, from) in to.iter_mut().zip(word.to_le_bytes()) {
                *to = from;
            }
        }
        bytes
    }
}

/// CRC over the header's first fields; the description comes behind.
fn begin(header: &Header) -> Crc32 {
    let mut crc = Crc32::new();
    let bytes = header.bytes();
    crc.update(bytes.get(..12).unwrap_or_default());
    crc
}

fn digest(header: &Header, bytes: &[u8]) -> u32 {
    let mut crc = begin(header);
    crc.update(bytes);
    crc.finalize()
}
/// True where the machine surely stands.
const fn stands(guard: GuardState) -> bool {
    matches!(
        guard,
        GuardState::NeverMoved | GuardState::Stopped | GuardState::Unacknowledged
    )
}
