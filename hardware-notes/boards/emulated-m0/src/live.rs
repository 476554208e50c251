//! QEMU's `microbit`, a Cortex-M0 with 16 KiB of RAM, live: clock, interrupts, pins, flash.
//!
//! The emulator has no device that makes an interrupt of a pin's edge, so whoever runs it
//! raises the two interrupts themselves: 6, which a board gives to its wheel sensor's pin, and
//! 20 for the strobe's.

#![no_std]
#![no_main]

use board_common::live::{Hardware, Levels, Live, Shared};
use board_start::look::{self, LOOK};
use board_start::{Irq, reset};
use controller_core::Span;
use controller_core::drivers::MachineStore;
use controller_core::drivers::pins::{OpensOn, PinValves};
use controller_core::link::ResetCause;
use cortex_m_rt::{entry, exception};
use emulated_m0::clock::{self, Clock};
use emulated_m0::pins::{self, Pin};
use emulated_m0::{dog, nvmc, uart};

const LINK: Irq = Irq(2);
const WHEEL: Irq = Irq(6);
const STROBE: Irq = Irq(20);

/// Two commands a nozzle; a pin changes at once.
static SHARED: Shared<Clock, PinValves<Pin, 8>, 16, 128> = Shared::new(Span(0));

struct Microbit {
    lamp: Pin,
    buzzer: Pin,
    sender: uart::Sender,
    cause: ResetCause,
}

impl Hardware for Microbit {
    type Sender = uart::Sender;
    type Flash = nvmc::Slots;

    fn sender(&mut self) -> &mut uart::Sender {
        &mut self.sender
    }
    fn resume_receiving(&mut self) {
        uart::listen(true);
    }
    fn levels(&mut self) -> Levels {
        pins::levels()
    }
    fn show(&mut self, lamp: bool, buzzer: bool) {
        self.lamp.set(lamp);
        self.buzzer.set(buzzer);
    }
    fn current_flows(&mut self) -> Option<bool> {
        Some(pins::current_flows())
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
        Ok(dog::STARVES) => dog::starves(),
        _ => reset::faulted(),
    }
}

#[exception]
unsafe fn HardFault(_: &cortex_m_rt::ExceptionFrame) -> ! {
    reset::faulted()
}

#[entry]
fn main() -> ! {
    // Valves first: the pins float until they are driven.
    let outputs = core::array::from_fn(|number| Pin::output(number as u8));
    let Ok(valves) = PinValves::new(outputs, OpensOn::High);
    pins::listen();
    SHARED.begin(Clock::start(), valves);
    let hardware = Microbit {
        lamp: Pin::output(17),
        buzzer: Pin::output(18),
        sender: uart::Sender::default(),
        cause: reset::cause(),
    };
    uart::start();
    uart::listen(true);
    dog::start();
    [LINK, WHEEL, STROBE].into_iter().for_each(Irq::enable);
    let store = MachineStore::new(nvmc::slots(), 0, nvmc::PAGE as u32).ok();
    let mut board: Live<'_, _, _, _, 16, 128, 320, 512, 256, 256, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<8, 8, 24, 1>()
}
