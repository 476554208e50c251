//! The devices of QEMU's `mps2-an386`, a Cortex-M4.

#![no_std]

pub mod clock;
pub mod dog;
pub mod stand_ins;
pub mod uart;
