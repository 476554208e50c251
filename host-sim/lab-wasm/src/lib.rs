//! The lab's kernel behind three functions that a page can call: [`room`] gives bytes for a
//! request, [`answer`] answers it, [`free`] takes bytes back.
//!
//! Text goes both ways as UTF-8 in the module's own memory. The page reads address and length of
//! the answer from one 64-bit number: address in the lower half, length in the upper.

use std::slice;

/// Gives `length` zeroed bytes; the page writes its request there. 0 bytes have address 1.
#[unsafe(no_mangle)]
pub extern "C" fn room(length: usize) -> *mut u8 {
    Box::into_raw(vec![0u8; length].into_boxed_slice()).cast()
}

/// Answers the request of `length` bytes at `address`, which [`room`] gave and which it takes back.
///
/// # Safety
///
/// `address` and `length` must be those of one call of [`room`], not taken back before.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn answer(address: *mut u8, length: usize) -> u64 {
    // SAFETY: by the contract above this is the box that `room` let go of.
    let request = unsafe { Box::from_raw(slice::from_raw_parts_mut(address, length)) };
    let text = host_sim::lab::answer(&String::from_utf8_lossy(&request));
    let bytes = text.into_bytes().into_boxed_slice();
    let length = bytes.len() as u64;
    let address = Box::into_raw(bytes).cast::<u8>() as usize as u64;
    address | length << 32
}

/// Takes back an answer.
///
/// # Safety
///
/// `address` and `length` must be those that one call of [`answer`] gave, not taken back before.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn free(address: *mut u8, length: usize) {
    // SAFETY: by the contract above this is the box that `answer` let go of.
    drop(unsafe { Box::from_raw(slice::from_raw_parts_mut(address, length)) });
}
