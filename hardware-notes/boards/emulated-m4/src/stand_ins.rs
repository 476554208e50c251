//! What QEMU lacks for this machine: pins, a bus with shift registers, flash. Words of the
//! board's large memory stand in for them, where whoever runs the emulator can read and set
//! them. That memory keeps its content over a reset, and loses it with the emulator: so the
//! "flash" here proves the store's way over a restart, and nothing of any real flash.
//!
//! | word from 0x2100_0000 | is |
//! |---|---|
//! | 0 to 2 | the image in the shift registers: valves with current, valve 0 is bit 0 of word 0 |
//! | 3 to 5 | valves with full current, the same way |
//! | 6, 7, 9 | dead-man, lamp, buzzer |
//! | 8 | bits: 0 goes back, 1 supply low, 2 emergency stop, 3 acknowledge, 4 no current flows, 5 speed comes from the tractor bus: looked at when a machine begins |
//! | 10, 11 | spot wires, a bit a section |
//! | 12, 13 | broadcast wires |
//! | 16 to 19 | a CAN controller's mailbox: identifier of 29 bits, bytes, the bytes themselves |
//! | 20 | changes of the image so far |
//! | 1024 on | the latest 4,096 of them, four words each: timer 0 (25 MHz, down), words 0 and 3 of the image, nothing |
//!
//! The two slots of the machine description begin at 0x2101_0000.

use crate::clock;
use board_common::live::Levels;
use board_start::Register;
use board_start::flash::{Flash, Words};
use core::convert::Infallible;
use embedded_can::{ExtendedId, Frame};
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};

#[path = "../../../../controller-core/tests/frame/mod.rs"]
mod can;
pub use can::Can;

/// Bytes in the chain of shift registers.
pub const REGISTERS: usize = 24;
/// Bytes of a slot.
pub const SLOT: usize = 16 * 1024;
const SECTOR: usize = 4096;

const fn word(number: usize) -> Register {
    // SAFETY: a word of memory that the image does not use.
    unsafe { Register::new(0x2100_0000 + 4 * number) }
}

/// The bus: what is written lies in the registers at its end.
pub struct Bus;

impl spi::ErrorType for Bus {
    type Error = Infallible;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        for operation in operations {
            let Operation::Write(bytes) = operation else {
                continue;
            };
            // The last byte written is that of valves 0 to 7.
            let mut image = [0_u32; REGISTERS / 4];
            for (index, &byte) in bytes.iter().rev().enumerate() {
                if let Some(word) = image.get_mut(index / 4) {
                    *word |= u32::from(byte) << (8 * (index % 4));
                }
            }
            let shown = (word(0).read(), word(3).read());
            for (index, value) in image.into_iter().enumerate() {
                word(index).write(value);
            }
            if shown != (word(0).read(), word(3).read()) {
                write_down();
            }
        }
        Ok(())
    }
}

/// What a logic analyser on the registers' outputs would keep: when they changed, and to what.
fn write_down() {
    let count = word(20).read();
    let entry = word(1024).offset(4 * (count as usize % 4096));
    entry.write(clock::ticks());
    entry.offset(1).write(word(0).read());
    entry.offset(2).write(word(3).read());
    word(20).write(count.wrapping_add(1));
}

/// The frame that lies in the mailbox.
pub fn frame() -> Option<Can> {
    let id = ExtendedId::new(word(16).read())?;
    let mut bytes = [0; 8];
    let (low, high) = bytes.split_at_mut(4);
    low.copy_from_slice(&word(18).read().to_le_bytes());
    high.copy_from_slice(&word(19).read().to_le_bytes());
    Can::new(id, bytes.get(..word(17).read() as usize)?)
}

/// True where the wire says that speed comes from the tractor bus.
pub fn rides_on_bus() -> bool {
    word(8).read() & 32 != 0
}

/// An output.
pub struct Pin(Register);

impl Pin {
    /// The shift registers' dead-man.
    pub fn dead_man() -> Self {
        Self(word(6))
    }
    /// The lamp.
    pub fn lamp() -> Self {
        Self(word(7))
    }
    /// The buzzer.
    pub fn buzzer() -> Self {
        Self(word(9))
    }
    /// Sets its level.
    pub fn set(&mut self, high: bool) {
        self.0.write(u32::from(high));
    }
}

impl digital::ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.set(false);
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.set(true);
        Ok(())
    }
}

/// The wires as they are.
pub fn levels() -> Levels {
    let wires = word(8).read();
    let both = |first| u64::from(word(first + 1).read()) << 32 | u64::from(word(first).read());
    Levels {
        spot: both(10),
        broadcast: both(12),
        reverse: wires & 1 != 0,
        supply_low: wires & 2 != 0,
        stop: wires & 4 != 0,
        acknowledge: wires & 8 != 0,
    }
}

/// Whether current flows into a valve.
pub fn current_flows() -> bool {
    word(8).read() & 16 == 0
}

/// Erases and writes as a flash does: to all ones, and ones to zeros only.
pub struct Memory;

impl Words for Memory {
    fn erase(&mut self, page: Register) {
        (0..SECTOR / 4).for_each(|index| page.offset(index).write(u32::MAX));
    }
    fn write(&mut self, word: Register, value: u32) {
        word.write(word.read() & value);
    }
}

/// Both slots.
pub type Slots = Flash<Memory, SECTOR, { 2 * SLOT }>;

/// Both slots.
pub fn slots() -> Slots {
    // SAFETY: memory that the image does not use.
    Flash::new(unsafe { Register::new(0x2101_0000) }, Memory)
}
