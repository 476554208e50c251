//! The firmware body that boards share, for a board that is told the time over the link.
//!
//! Bytes come from a [`Port`], frames become messages, messages drive the controller, and its
//! commands go back as [`FromBoard::Commands`](controller_core::link::FromBoard::Commands).
//! There is no clock in here: *until* and *pulse* carry the time, so the commands don't depend
//! on how quickly bytes come or the processor runs. A board folder adds the port, the memory
//! and the sizes.
//!
//! Starts without a machine: the host uploads one. A new one is taken at standstill with
//! every valve closed, and starts a fresh controller.
#![no_std]
#![forbid(unsafe_code)]

mod board;
mod driver;
mod orders;
mod port;
mod report;
mod voice;

pub use board::Board;
pub use port::Port;
