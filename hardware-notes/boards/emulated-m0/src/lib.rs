//! The devices of QEMU's `microbit`, a Cortex-M0 with 16 KiB of RAM.

#![no_std]

pub mod clock;
pub mod dog;
pub mod nvmc;
pub mod pins;
pub mod uart;
