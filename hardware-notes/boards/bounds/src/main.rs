//! Measures the worst cases of the core on an emulated processor and prints them, one line a
//! figure; `scripts/bounds` makes the table of it.
//!
//! Every call goes through a pointer that the optimiser can't see through, so that each has
//! its whole body, as in a board that calls it from several places. Nothing else runs: no
//! interrupt, no UART.

#![no_std]
#![no_main]

mod frames;
mod host;
mod loads;
mod meter;
mod rig;
mod scenes;

use controller_core::{Controller, NozzleConfig};
use core::panic::PanicInfo;
use cortex_m_rt::entry;
use host::say;
use meter::Meter;
use rig::{D, H};

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    say(format_args!("panic: {info}"));
    host::end(false)
}

/// One interrupt-free thread: nothing needs to be held off.
struct NoInterrupts;

critical_section::set_impl!(NoInterrupts);

// SAFETY: nothing else ever runs in this image.
unsafe impl critical_section::Impl for NoInterrupts {
    unsafe fn acquire() -> critical_section::RawRestoreState {}
    unsafe fn release(_: critical_section::RawRestoreState) {}
}

#[inline(never)]
fn calls<const N: usize>() -> bool {
    let mut meter = Meter::new();
    let mut good = scenes::run::<N>(&mut meter);
    for seed in 1..=8 {
        loads::run::<N>(&mut meter, seed * 0x9E37_79B9_7F4A_7C15, 300, false);
        loads::run::<N>(&mut meter, seed * 0xC2B2_AE3D_27D4_EB4F, 60, true);
    }
    good &= frames::run(&mut meter);
    meter.print(N);
    good
}

fn sizes<const N: usize>() {
    say(format_args!(
        "size {N} {} {} {} {}",
        size_of::<Controller<'_, N, 8, H, D>>(),
        size_of::<Controller<'_, N, 16, H, D>>(),
        size_of::<NozzleConfig>(),
        size_of::<Controller<'_, 1, 16, H, D>>(),
    ));
}

#[entry]
fn main() -> ! {
    sizes::<48>();
    sizes::<96>();
    sizes::<192>();
    let mut good = calls::<48>();
    good &= calls::<96>();
    good &= calls::<192>();
    say(format_args!(
        "{}",
        if good { "done" } else { "not as meant" }
    ));
    host::end(good)
}
