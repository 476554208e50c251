//! Machine descriptions in a flash whose power fails at every word.

use std::cell::Cell;

use controller_core::GuardState;
use controller_core::drivers::{MachineStore, StoreError};
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

const ERASE: usize = 512;
const WORD: usize = 4;

#[derive(Debug, PartialEq, Eq, Clone, Copy)]
enum Fault {
    PowerCut,
    /// The driver did something that no flash allows.
    Misuse,
}

impl NorFlashError for Fault {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// A flash that loses power after so many words erased or written, with the word at which
/// it fails half done.
struct Flash<'a> {
    bytes: &'a mut [u8],
    words_left: &'a Cell<u32>,
    written: &'a Cell<u32>,
}

impl Flash<'_> {
    fn spend(&self) -> Result<(), Fault> {
        self.written.set(self.written.get() + 1);
        match self.words_left.get().checked_sub(1) {
            Some(left) => {
                self.words_left.set(left);
                Ok(())
            }
            None => Err(Fault::PowerCut),
        }
    }
}

impl ErrorType for Flash<'_> {
    type Error = Fault;
}

impl ReadNorFlash for Flash<'_> {
    const READ_SIZE: usize = 1;
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Fault> {
        let from = offset as usize;
        let part = self.bytes.get(from..from + bytes.len());
        bytes.copy_from_slice(part.ok_or(Fault::Misuse)?);
        Ok(())
    }
    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for Flash<'_> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = ERASE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Fault> {
        let (from, to) = (from as usize, to as usize);
        if !from.is_multiple_of(ERASE) || !to.is_multiple_of(ERASE) || to > self.bytes.len() {
            return Err(Fault::Misuse);
        }
        for word in (from..to).step_by(WORD) {
            let power = self.spend();
            // Half an erase leaves anything.
            let left = if power.is_ok() { 0xFF } else { 0xA5 };
            self.bytes[word..word + WORD].fill(left);
            power?;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Fault> {
        let offset = offset as usize;
        if !offset.is_multiple_of(WORD) || !bytes.len().is_multiple_of(WORD) {
            return Err(Fault::Misuse);
        }
        for (word, bytes) in (offset..).step_by(WORD).zip(bytes.chunks(WORD)) {
            let place = &mut self.bytes[word..word + WORD];
            // Bits only ever go from one to zero: writing twice without erasing is misuse.
            if place.iter().any(|&b| b != 0xFF) {
                return Err(Fault::Misuse);
            }
            let power = self.spend();
            let good = if power.is_ok() { WORD } else { 2 };
            let place = &mut self.bytes[word..word + WORD];
            place[..good].copy_from_slice(&bytes[..good]);
            power?;
        }
        Ok(())
    }
}

fn store<'a>(
    bytes: &'a mut [u8],
    words_left: &'a Cell<u32>,
    written: &'a Cell<u32>,
) -> MachineStore<Flash<'a>> {
    let flash = Flash {
        bytes,
        words_left,
        written,
    };
    MachineStore::new(flash, 512, 1024).expect("a sound layout")
}

fn load(bytes: &mut [u8]) -> Option<Vec<u8>> {
    let (left, written) = (Cell::new(0), Cell::new(0));
    let mut out = [0; 1024];
    let found = store(bytes, &left, &written).load(&mut out);
    let found = found.expect("reading does not fail")?;
    Some(out[..found.length].to_vec())
}

/// A description of so many bytes.
fn description(seed: u8, length: usize) -> Vec<u8> {
    (0..length)
        .map(|i| (i as u8).wrapping_mul(31).wrapping_add(seed))
        .collect()
}

#[test]
fn a_power_cut_at_every_word_leaves_the_old_or_the_new_description() {
    let (old, older) = (description(1, 333), description(2, 64));
    let new = description(3, 500);
    let plenty = Cell::new(u32::MAX);
    let written = Cell::new(0);
    // Both slots in use, so that the new one goes over the older.
    let mut before = vec![0xFF; 2560];
    for bytes in [&older, &old] {
        store(&mut before, &plenty, &written)
            .store(GuardState::Stopped, bytes)
            .expect("stored");
    }
    assert_eq!(load(&mut before).as_ref(), Some(&old));
    // How many words a whole store takes.
    let mut whole = before.clone();
    written.set(0);
    store(&mut whole, &plenty, &written)
        .store(GuardState::NeverMoved, &new)
        .expect("stored");
    let words = written.get();
    assert!(words > 256 + 125, "{words} words");
    assert_eq!(load(&mut whole).as_ref(), Some(&new));

    let (mut stayed, mut came) = (0, 0);
    for cut in 0..words {
        let mut flash = before.clone();
        let left = Cell::new(cut);
        let result = store(&mut flash, &left, &written).store(GuardState::Stopped, &new);
        assert_eq!(result, Err(StoreError::Flash(Fault::PowerCut)), "cut {cut}");
        let found = load(&mut flash).unwrap_or_else(|| panic!("nothing left after cut {cut}"));
        if found == new {
            came += 1;
        } else {
            assert_eq!(found, old, "cut {cut}");
            stayed += 1;
        }
        // And the next try works, from whatever the cut left.
        store(&mut flash, &plenty, &written)
            .store(GuardState::Stopped, &new)
            .expect("stored");
        assert_eq!(load(&mut flash).as_ref(), Some(&new), "after cut {cut}");
    }
    println!("{words} cuts: {stayed} kept the old description, {came} had the new one whole");
    assert_eq!((stayed, came), (words, 0), "the last word makes it count");
}

#[test]
fn a_cut_at_the_very_first_store_leaves_none() {
    let (plenty, written) = (Cell::new(u32::MAX), Cell::new(0));
    let new = description(3, 500);
    for cut in 0..380 {
        let mut flash = vec![0xFF; 2560];
        let left = Cell::new(cut);
        let result = store(&mut flash, &left, &written).store(GuardState::Stopped, &new);
        assert!(result.is_err(), "{cut}");
        assert_eq!(load(&mut flash), None, "{cut}");
        let again = store(&mut flash, &plenty, &written).store(GuardState::Stopped, &new);
        assert_eq!(again, Ok(()));
    }
}

#[test]
fn every_flipped_bit_is_found_and_the_older_one_counts_again() {
    let (plenty, written) = (Cell::new(u32::MAX), Cell::new(0));
    let (old, new) = (description(1, 40), description(3, 50));
    let mut flash = vec![0xFF; 2560];
    for bytes in [&old, &new] {
        let result = store(&mut flash, &plenty, &written).store(GuardState::Stopped, bytes);
        assert_eq!(result, Ok(()));
    }
    let second = 512 + 1024;
    for bit in 0..(16 + 50) * 8 {
        let mut hurt = flash.clone();
        hurt[second + bit / 8] ^= 1 << (bit % 8);
        assert_eq!(load(&mut hurt).as_ref(), Some(&old), "bit {bit}");
    }
}

#[test]
fn storing_is_for_standstill_and_only_when_something_changed() {
    let (plenty, written) = (Cell::new(u32::MAX), Cell::new(0));
    let mut flash = vec![0xFF; 2560];
    let bytes = description(1, 100);
    for guard in [GuardState::Running, GuardState::PollSilent] {
        let result = store(&mut flash, &plenty, &written).store(guard, &bytes);
        assert_eq!(result, Err(StoreError::NotAtStandstill));
    }
    assert_eq!(written.get(), 0);
    let mut sequences = Vec::new();
    for length in [100, 100, 101, 0, 960] {
        written.set(0);
        let mut store = store(&mut flash, &plenty, &written);
        let result = store.store(GuardState::Stopped, &description(1, length));
        assert_eq!(result, Ok(()));
        let found = store
            .load(&mut [0; 1024])
            .expect("readable")
            .expect("there");
        assert_eq!(found.length, length);
        sequences.push((found.sequence, written.get() > 0));
    }
    assert_eq!(
        sequences,
        [(0, true), (0, false), (1, true), (2, true), (3, true)]
    );
    let mut store = store(&mut flash, &plenty, &written);
    assert_eq!(store.room(), 960);
    let too_long = store.store(GuardState::Stopped, &[0; 961]);
    assert_eq!(too_long, Err(StoreError::TooLarge));
    assert_eq!(store.load(&mut [0; 959]), Err(StoreError::TooLarge));
}

#[test]
fn layouts_that_do_not_fit_are_refused() {
    let cells = (Cell::new(0), Cell::new(0));
    for (start, size) in [
        (512, 1000),
        (100, 1024),
        (512, 0),
        (512, 1536),
        (u32::MAX, 512),
    ] {
        let mut bytes = vec![0; 2560];
        let flash = Flash {
            bytes: &mut bytes,
            words_left: &cells.0,
            written: &cells.1,
        };
        assert!(
            MachineStore::new(flash, start, size).is_err(),
            "{start}, {size}"
        );
    }
}
