//! The firmware body that boards share, for a board that is told the time over the link.
//!
//! Bytes of the link become frames, frames messages, messages drive the controller, and its
//! commands go back as [`FromBoard::Commands`](controller_core::link::FromBoard::Commands).
//! Around that there are two bodies:
//!
//! * **told the time** ([`Board::run`]): *until* and *pulse* carry the time, so the commands
//!   don't depend on how quickly bytes come or the processor runs. For replays.
//! * **live** ([`live`]): a clock, interrupts, valves, inputs, flash and a watchdog.
//!
//! A new machine is taken at standstill with every valve closed, and starts a fresh
//! controller.
#![no_std]
#![forbid(unsafe_code)]

mod board;
mod driver;
pub mod live;
mod orders;
mod report;
mod site;
mod told;
mod voice;

pub use board::Board;
pub use told::Port;
