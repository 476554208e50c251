//! Measures the worst cases of the core on an emulated processor and prints them, one line a
//! figure; `scripts/bounds` makes the table of it.
//!
//! Every call goes through a pointer that the optimiser can't see through, so that each has
//! its whole body, as in a board that calls it from several places. Nothing else runs: no
//! interrupt, no UART.

#![no_std]
#![no_main]

#[cfg(not(feature = "turning"))]
mod frames;
mod host;
mod loads;
mod meter;
mod rig;
#[cfg_attr(
    feature = "turning",
    expect(dead_code, reason = "some scenes are of the straight machine alone")
)]
mod scenes;
#[cfg(feature = "turning")]
mod turns;

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

/// Random drives of each kind and boom, and events of a drive with the plan alone and with layers:
/// fewer where the machine turns, since each event brings an input of the heading, too.
const DRIVES: u64 = if cfg!(feature = "turning") { 3 } else { 8 };
const EVENTS: [u32; 2] = if cfg!(feature = "turning") {
    [120, 16]
} else {
    [300, 60]
};

#[inline(never)]
fn calls<const N: usize>() -> bool {
    let mut meter = Meter::new();
    #[cfg(feature = "turning")]
    let good = turns::run::<N>(&mut meter);
    #[cfg(not(feature = "turning"))]
    let good = scenes::run::<N>(&mut meter) & frames::run(&mut meter);
    for seed in 1..=DRIVES {
        loads::run::<N>(&mut meter, seed * 0x9E37_79B9_7F4A_7C15, EVENTS[0], false);
        loads::run::<N>(&mut meter, seed * 0xC2B2_AE3D_27D4_EB4F, EVENTS[1], true);
    }
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
