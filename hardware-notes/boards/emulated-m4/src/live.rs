//! QEMU's `mps2-an386`, a Cortex-M4, live: clock, interrupts, watchdog; its valves hang on a
//! chain of shift registers, two outputs a valve, and its speed may come from the tractor bus.
//!
//! The emulator has no pins here; see [`emulated_m4::stand_ins`].

#![no_std]
#![no_main]

#[path = "../../emulated.rs"]
mod emulated;

use board_common::live::{BusInbox, BusWheel, Coils, Live, Shared};
use board_start::{Irq, reset};
use controller_core::drivers::MachineStore;
use controller_core::drivers::inrush::Inrush;
use controller_core::drivers::shift_register::ShiftRegister;
use controller_core::{Command, Config, Micros, Span};
use cortex_m_rt::entry;
use emulated::{Emulated, Own};
use emulated_m4 as devices;
use emulated_m4::clock::Clock;
use emulated_m4::stand_ins::{self as wires, Bus, Pin, REGISTERS, SLOT};

const LINK: Irq = Irq(0);
const WHEEL: Irq = Irq(6);
const STROBE: Irq = Irq(7);
/// A frame lies in the CAN controller's mailbox.
const TRACTOR: Irq = Irq(14);

/// What shifting all bytes out would take at 8 MHz, µs.
const LATCH: Span = Span(REGISTERS as u32);
/// Longer than the demo's valves take to open. A real board's comes from its valves.
const PEAK: Span = Span::from_ms(25);

/// The supply bears the peaks of so many coils that open within a millisecond; an opening is moved
/// by no more than half of the demo's shortest opening. A real board's come from its supply and
/// its valves.
const MOST_OPENINGS: u8 = 6;
const SLOT_OF_OPENINGS: Span = Span::from_ms(1);
const FARTHEST_MOVE: Span = Span::from_ms(4);

/// Valves.
const VALVES: usize = 96;
type Outputs = Coils<ShiftRegister<Bus, Pin, REGISTERS>, VALVES>;

/// Two commands a nozzle.
static SHARED: Shared<Clock, Outputs, 192, 512> = Shared::new(LATCH);
static INBOX: BusInbox = BusInbox::new();

struct Board {
    inrush: Option<Inrush>,
    bus: BusWheel<'static>,
    rides_on_bus: bool,
}

impl Own for Board {
    fn serve(irq: Irq) -> bool {
        if irq == TRACTOR
            && let Some(frame) = wires::frame()
        {
            INBOX.received(SHARED.now(), &frame);
        }
        irq == TRACTOR
    }
    fn pulses_can_come(&self) -> bool {
        let irq = if self.rides_on_bus { TRACTOR } else { WHEEL };
        irq.is_enabled()
    }
    fn begin(&mut self, machine: Option<&Config<'_>>) {
        self.rides_on_bus = wires::rides_on_bus();
        if self.rides_on_bus {
            WHEEL.disable();
            TRACTOR.enable();
        } else {
            TRACTOR.disable();
            WHEEL.enable();
        }
        let machine = machine.filter(|_| self.rides_on_bus);
        self.bus
            .begin(machine.map(|machine| machine.wheel.pulse_length));
    }
    fn bus_pulse(&mut self, now: Micros) -> Option<Micros> {
        self.bus.pulse(now)
    }
    fn spread(&mut self, now: Micros, command: Command) -> Command {
        match &mut self.inrush {
            Some(inrush) => inrush.place(now, command),
            None => command,
        }
    }
}

#[entry]
fn main() -> ! {
    // Valves first: the registers hold anything until they are shifted through.
    let valves = match ShiftRegister::new(Bus, Pin::dead_man()) {
        Ok(valves) => valves,
        Err(_) => reset::faulted(),
    };
    SHARED.begin(Clock::start(), Coils::new(valves, LATCH, PEAK));
    let own = Board {
        inrush: Inrush::new(MOST_OPENINGS, SLOT_OF_OPENINGS, FARTHEST_MOVE),
        bus: BusWheel::new(&INBOX),
        rides_on_bus: false,
    };
    let hardware = Emulated::start(Pin::lamp(), Pin::buzzer(), own);
    let store = MachineStore::new(wires::slots(), 0, SLOT as u32).ok();
    let mut board: Live<'_, _, _, _, 192, 512, 1280, 8192, 1280, 4096, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<VALVES, 16, 256, 8>()
}
