//! QEMU's `mps2-an386`, a Cortex-M4, live: clock, interrupts, watchdog; its valves hang on a
//! chain of shift registers.
//!
//! The emulator has no pins here, so whoever runs it raises the interrupts of wheel (6) and
//! strobe (7) themselves; see [`emulated_m4::stand_ins`].

#![no_std]
#![no_main]

use board_common::live::{Hardware, Levels, Live, Shared};
use board_start::look::{self, LOOK};
use board_start::{Irq, reset};
use controller_core::drivers::MachineStore;
use controller_core::drivers::inrush::Inrush;
use controller_core::drivers::shift_register::ShiftRegister;
use controller_core::link::ResetCause;
use controller_core::{Command, Micros, Span};
use cortex_m_rt::{entry, exception};
use emulated_m4::clock::{self, Clock};
use emulated_m4::stand_ins::{self, Bus, Pin, REGISTERS, SLOT};
use emulated_m4::{dog, uart};

const LINK: Irq = Irq(0);
const WHEEL: Irq = Irq(6);
const STROBE: Irq = Irq(7);

/// What shifting twelve bytes out would take at 8 MHz, µs.
const LATCH: Span = Span(12);

/// The supply bears the peaks of so many coils that open within a millisecond; an opening is moved
/// by no more than half of the demo's shortest opening. A real board's come from its supply and
/// its valves.
const MOST_OPENINGS: u8 = 6;
const SLOT_OF_OPENINGS: Span = Span::from_ms(1);
const FARTHEST_MOVE: Span = Span::from_ms(4);

/// Two commands a nozzle.
static SHARED: Shared<Clock, ShiftRegister<Bus, Pin, REGISTERS>, 192, 512> = Shared::new(LATCH);

struct Mps2 {
    lamp: Pin,
    buzzer: Pin,
    sender: uart::Sender,
    cause: ResetCause,
    inrush: Option<Inrush>,
}

impl Hardware for Mps2 {
    type Sender = uart::Sender;
    type Flash = stand_ins::Slots;

    fn sender(&mut self) -> &mut uart::Sender {
        &mut self.sender
    }
    fn resume_receiving(&mut self) {
        uart::listen(true);
        // A byte that came while it was masked has raised nothing.
        LINK.raise();
    }
    fn levels(&mut self) -> Levels {
        stand_ins::levels()
    }
    fn show(&mut self, lamp: bool, buzzer: bool) {
        self.lamp.set(lamp);
        self.buzzer.set(buzzer);
    }
    fn current_flows(&mut self) -> Option<bool> {
        Some(stand_ins::current_flows())
    }
    fn pulses_can_come(&mut self) -> bool {
        WHEEL.is_enabled() && clock::is_alive()
    }
    fn feed(&mut self) {
        dog::feed();
    }
    fn sleep(&mut self) {
        board_start::sleep();
    }
    fn spread(&mut self, now: Micros, command: Command) -> Command {
        match &mut self.inrush {
            Some(inrush) => inrush.place(now, command),
            None => command,
        }
    }
    fn reset_cause(&self) -> ResetCause {
        self.cause
    }
}

/// Takes bytes while there is room.
fn receive() {
    loop {
        if !SHARED.has_room() {
            uart::listen(false);
            return;
        }
        match uart::read() {
            Some(byte) => SHARED.received(byte),
            None => return,
        }
    }
}

/// Every interrupt comes here: the table of vectors is filled with it.
#[exception]
unsafe fn DefaultHandler(irq: i16) {
    match u16::try_from(irq).map(Irq) {
        Ok(clock::ALARM) => {
            clock::struck();
            SHARED.alarm();
        }
        Ok(LINK) => receive(),
        Ok(WHEEL) => SHARED.pulse(),
        Ok(STROBE) => SHARED.strobe(0),
        Ok(LOOK) => look::here(),
        _ if irq == dog::STARVES => dog::starves(),
        _ => reset::faulted(),
    }
}

#[exception]
unsafe fn HardFault(_: &cortex_m_rt::ExceptionFrame) -> ! {
    reset::faulted()
}

#[entry]
fn main() -> ! {
    // Valves first: the registers hold anything until they are shifted through.
    let valves = match ShiftRegister::new(Bus, Pin::dead_man()) {
        Ok(valves) => valves,
        Err(_) => reset::faulted(),
    };
    SHARED.begin(Clock::start(), valves);
    let hardware = Mps2 {
        lamp: Pin::lamp(),
        buzzer: Pin::buzzer(),
        sender: uart::Sender,
        cause: reset::cause(),
        inrush: Inrush::new(MOST_OPENINGS, SLOT_OF_OPENINGS, FARTHEST_MOVE),
    };
    uart::start();
    uart::listen(true);
    dog::start();
    [LINK, WHEEL, STROBE].into_iter().for_each(Irq::enable);
    let store = MachineStore::new(stand_ins::slots(), 0, SLOT as u32).ok();
    let mut board: Live<'_, _, _, _, 192, 512, 1280, 8192, 1280, 4096, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<96, 16, 256, 8>()
}
