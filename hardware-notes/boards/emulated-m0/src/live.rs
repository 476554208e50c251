//! QEMU's `microbit`, a Cortex-M0 with 16 KiB of RAM, live: clock, interrupts, pins, flash.

#![no_std]
#![no_main]

#[path = "../../emulated.rs"]
mod emulated;

use board_common::live::{Live, Shared};
use board_start::Irq;
use controller_core::Span;
use controller_core::drivers::MachineStore;
use controller_core::drivers::pins::{OpensOn, PinValves};
use cortex_m_rt::entry;
use emulated::{Emulated, Own};
use emulated_m0 as devices;
use emulated_m0::clock::Clock;
use emulated_m0::nvmc::PAGE;

/// Pins, and the flash behind them.
mod wires {
    pub use emulated_m0::nvmc::{Slots, slots};
    pub use emulated_m0::pins::{Pin, current_flows, levels, listen};
}
use wires::Pin;

const LINK: Irq = Irq(2);
/// A board gives this to its wheel sensor's pin.
const WHEEL: Irq = Irq(6);
const STROBE: Irq = Irq(20);

/// Two commands a nozzle; a pin changes at once.
static SHARED: Shared<Clock, PinValves<Pin, 8>, 16, 128> = Shared::new(Span(0));

struct Board;

impl Own for Board {}

#[entry]
fn main() -> ! {
    // Valves first: the pins float until they are driven.
    let outputs = core::array::from_fn(|number| Pin::output(number as u8));
    let Ok(valves) = PinValves::new(outputs, OpensOn::High);
    wires::listen();
    SHARED.begin(Clock::start(), valves);
    let hardware = Emulated::start(Pin::output(17), Pin::output(18), Board);
    let store = MachineStore::new(wires::slots(), 0, PAGE as u32).ok();
    let mut board: Live<'_, _, _, _, 16, 128, 320, 512, 256, 256, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<8, 8, 24, 1>()
}
