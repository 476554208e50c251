//! The flash's controller: two pages at the end of the flash are the slots of the machine
//! description. Registers after the nRF51 series reference manual, from memory, and proven by
//! the tests that restart the board. The processor stands still while a page is erased, some
//! 20 ms: only at standstill.

use board_start::Register;
use board_start::flash::{Flash, Words};

const fn at(offset: usize) -> Register {
    // SAFETY: a register of the flash's controller.
    unsafe { Register::new(0x4001_E000 + offset) }
}

const READY: Register = at(0x400);
const CONFIGURE: Register = at(0x504);
const ERASE_PAGE: Register = at(0x508);
const READ: u32 = 0;
const WRITE: u32 = 1;
const ERASE: u32 = 2;

/// A page, which is a slot.
pub const PAGE: usize = 1024;
/// Where the slots begin: `memory.x` leaves them out.
const SLOTS: usize = 0x0003_F800;

/// Erases and writes.
pub struct Nvmc;

/// Both slots.
pub type Slots = Flash<Nvmc, PAGE, { 2 * PAGE }>;

/// Both slots.
pub fn slots() -> Slots {
    // SAFETY: flash that the image does not use.
    Flash::new(unsafe { Register::new(SLOTS) }, Nvmc)
}

fn configured(mode: u32, act: impl FnOnce()) {
    CONFIGURE.write(mode);
    act();
    while READY.read() & 1 == 0 {}
    CONFIGURE.write(READ);
}

impl Words for Nvmc {
    fn erase(&mut self, page: Register) {
        configured(ERASE, || ERASE_PAGE.write(page.address()));
    }
    fn write(&mut self, word: Register, value: u32) {
        configured(WRITE, || word.write(value));
    }
}
