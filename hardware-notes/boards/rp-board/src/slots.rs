//! The last two sectors of the flash, 4 KiB each: the slots of the machine description.
//!
//! Code runs from the same flash, so while it is erased or written nothing may be fetched from
//! it: the work is done by a function in RAM with interrupts held off, some 50 ms an erased
//! sector (data sheet of the flash chip, from memory). The store writes only at standstill with
//! every valve closed.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use rp2040_hal::rom_data;

/// Bytes of one slot, which is one sector.
pub const SLOT: u32 = 4096;
const BOTH: u32 = 2 * SLOT;
/// From the start of the flash; `memory.x` leaves it free.
const START: u32 = 2048 * 1024 - BOTH;
/// Where the processor sees the flash.
const SEEN_AT: usize = 0x1000_0000;
/// The chip is written in pages.
const PAGE: usize = 256;

/// Both slots.
pub struct Slots;

/// What is done to the flash: a sector erased, or a page written.
enum Work<'a> {
    Erase,
    Write(&'a [u8; PAGE]),
}

/// The ROM's functions, looked up while the flash can be read.
struct Rom {
    connect: unsafe extern "C" fn(),
    leave: unsafe extern "C" fn(),
    erase: unsafe extern "C" fn(u32, usize, u32, u8),
    write: unsafe extern "C" fn(u32, *const u8, usize),
    flush: unsafe extern "C" fn(),
    /// A copy of the second-stage boot loader, which makes the flash readable at speed again.
    again: [u32; 64],
}

/// # Safety
/// Interrupts are held off, the other core is not started, and `at` lies in the slots.
#[unsafe(link_section = ".data.flash_work")]
#[inline(never)]
unsafe fn carry_out(rom: &Rom, at: u32, work: &Work<'_>) {
    // SAFETY: the ROM's functions in the order of the chip's data sheet; everything touched
    // between `leave` and `again` is in ROM or RAM.
    unsafe {
        (rom.connect)();
        (rom.leave)();
        match work {
            // 4 KiB by the chip's sector command: no larger block is asked for.
            Work::Erase => (rom.erase)(at, SLOT as usize, 1 << 31, 0),
            Work::Write(page) => (rom.write)(at, page.as_ptr(), PAGE),
        }
        (rom.flush)();
        let start = rom.again.as_ptr() as usize | 1;
        let again: unsafe extern "C" fn() = core::mem::transmute(start);
        again();
    }
}

fn work(at: u32, work: &Work<'_>) {
    let mut rom = Rom {
        connect: rom_data::connect_internal_flash::ptr(),
        leave: rom_data::flash_exit_xip::ptr(),
        erase: rom_data::flash_range_erase::ptr(),
        write: rom_data::flash_range_program::ptr(),
        flush: rom_data::flash_flush_cache::ptr(),
        again: [0; 64],
    };
    for (word, to) in rom.again.iter_mut().enumerate() {
        // SAFETY: the boot loader stands at the start of the flash.
        *to = unsafe { core::ptr::read_volatile((SEEN_AT + 4 * word) as *const u32) };
    }
    // SAFETY: inside a critical section; callers stay within the slots.
    critical_section::with(|_| unsafe { carry_out(&rom, at, work) });
}

fn within(offset: u32, bytes: usize) -> Result<u32, NorFlashErrorKind> {
    let bytes = u32::try_from(bytes).unwrap_or(u32::MAX);
    match offset.checked_add(bytes) {
        Some(end) if end <= BOTH => Ok(START + offset),
        _ => Err(NorFlashErrorKind::OutOfBounds),
    }
}

impl ErrorType for Slots {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Slots {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        let from = SEEN_AT + within(offset, bytes.len())? as usize;
        for (index, to) in bytes.iter_mut().enumerate() {
            // SAFETY: within the slots, which the processor sees as memory.
            *to = unsafe { core::ptr::read_volatile((from + index) as *const u8) };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        BOTH as usize
    }
}

impl NorFlash for Slots {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SLOT as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        if !from.is_multiple_of(SLOT) || !to.is_multiple_of(SLOT) || from > to {
            return Err(NorFlashErrorKind::NotAligned);
        }
        within(from, (to - from) as usize)?;
        for slot in [0, SLOT] {
            if slot >= from && slot < to {
                work(START + slot, &Work::Erase);
            }
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let mut at = within(offset, bytes.len())?;
        let mut rest = bytes;
        while !rest.is_empty() {
            // The rest of the page is written as ones, which changes nothing.
            let mut page = [0xFF; PAGE];
            let before = at as usize % PAGE;
            let mut taken = 0;
            for (to, from) in page.iter_mut().skip(before).zip(rest) {
                *to = *from;
                taken += 1;
            }
            work(at - before as u32, &Work::Write(&page));
            rest = rest.get(taken..).unwrap_or(&[]);
            at += taken as u32;
        }
        Ok(())
    }
}
