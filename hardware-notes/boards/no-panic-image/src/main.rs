//! Firmware image that links only when no panic is reachable through the
//! controller's public face.
//!
//! The panic handler calls a function that exists nowhere. With the whole
//! program optimised as one, code that can't panic loses every call to the
//! handler and the image links; a single reachable panic leaves the call in
//! and the linker names the missing `panic_is_reachable`. All configuration,
//! all inputs and all stamps are unknown to the optimiser (see [`outside`]),
//! so a clean link speaks for any bad input, not only for the tidy ones.
//!
//! The image is for linking and inspecting, not for flashing: it drives no pin.

#![no_std]
#![no_main]

mod drive;
#[cfg(feature = "drivers")]
mod drivers;
#[cfg(feature = "link")]
mod link;
mod outside;
mod parts;
#[cfg(feature = "drivers")]
#[path = "../../ports.rs"]
mod ports;
#[cfg(feature = "sender")]
mod sender;
mod values;

use core::panic::PanicInfo;
use cortex_m_rt::entry;

#[cfg(not(feature = "locate"))]
unsafe extern "C" {
    /// Defined nowhere: a call that survives optimisation is a link error.
    fn panic_is_reachable() -> !;
}

#[cfg(not(feature = "locate"))]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    // SAFETY: never runs, since an image with this call in it can't be linked.
    unsafe { panic_is_reachable() }
}

#[cfg(feature = "locate")]
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {
        outside::used_u32(0);
    }
}

#[entry]
fn main() -> ! {
    loop {
        parts::numbers();
        parts::intervals();
        drive::controller();
        #[cfg(feature = "link")]
        link::link();
        #[cfg(feature = "drivers")]
        drivers::drivers();
        #[cfg(feature = "planted")]
        planted();
    }
}

/// One unguarded index, to show that the check sees a reachable panic.
#[cfg(feature = "planted")]
fn planted() {
    let lengths = [outside::any_u32(), outside::any_u32()];
    let place = outside::any_u32() as usize;
    outside::used_u32(lengths[place]);
}
