//! The outside world, as far as the optimiser may know it: every value read
//! here is unknown at build time and every value handed over here is used.
//!
//! Without this the compiler could work out the whole run while building,
//! remove all code, and the link would prove nothing.

use core::cell::UnsafeCell;
use core::fmt;

/// A word of memory which the optimiser must take for shared with others.
struct Port(UnsafeCell<u32>);

// SAFETY: the image has one thread and no interrupt handler touches a port.
unsafe impl Sync for Port {}

/// In `.data`, not zero, so that neither its place nor its value is special.
static INPUT: Port = Port(UnsafeCell::new(0x2545_F491));
static OUTPUT: Port = Port(UnsafeCell::new(1));

/// Any 32-bit value.
#[inline(never)]
pub fn any_u32() -> u32 {
    // SAFETY: the pointer comes from a live static and is aligned; see `Sync`.
    unsafe { core::ptr::read_volatile(INPUT.0.get()) }
}

/// Any 64-bit value.
pub fn any_u64() -> u64 {
    (u64::from(any_u32()) << 32) | u64::from(any_u32())
}

/// Any signed 32-bit value.
pub fn any_i32() -> i32 {
    any_u32().cast_signed()
}

/// Uses up a 32-bit value.
#[inline(never)]
pub fn used_u32(value: u32) {
    // SAFETY: as in `any_u32`.
    unsafe { core::ptr::write_volatile(OUTPUT.0.get(), value) }
}

/// Uses up a 64-bit value.
pub fn used_u64(value: u64) {
    used_u32((value >> 32) as u32);
    used_u32(value as u32);
}

/// Uses up a signed 64-bit value.
pub fn used_i64(value: i64) {
    used_u64(value.cast_unsigned());
}

/// A text sink: formatted text goes out byte by byte.
pub struct Text;

impl fmt::Write for Text {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            used_u32(u32::from(byte));
        }
        Ok(())
    }
}
