//! What the live bodies of both emulated boards have in common. The board's own file names the
//! devices (`devices`, `wires`), the interrupts and `SHARED`, and says in [`Own`] what only it has.
//!
//! The emulator has no device that makes an interrupt of a pin's edge, so whoever runs it raises
//! those of wheel and strobe.

use crate::devices::{clock, dog, uart};
use crate::wires::{self, Pin};
use crate::{LINK, SHARED, STROBE, WHEEL};
use board_common::live::{Hardware, Levels};
use board_start::look::{self, LOOK};
use board_start::{Irq, reset};
use controller_core::link::ResetCause;
use controller_core::{Command, Config, Micros};
use cortex_m_rt::exception;

/// What only one of the boards has. By default none of it.
pub trait Own {
    /// Serves an interrupt of its own. False: it is not one.
    fn serve(_: Irq) -> bool {
        false
    }
    /// True while pulses can come from where this machine takes them.
    fn pulses_can_come(&self) -> bool {
        WHEEL.is_enabled()
    }
    /// As [`Hardware::begin`].
    fn begin(&mut self, _machine: Option<&Config<'_>>) {}
    /// As [`Hardware::bus_pulse`].
    fn bus_pulse(&mut self, _now: Micros) -> Option<Micros> {
        None
    }
    /// As [`Hardware::spread`].
    fn spread(&mut self, _now: Micros, command: Command) -> Command {
        command
    }
}

/// A board's devices.
pub struct Emulated<W> {
    lamp: Pin,
    buzzer: Pin,
    sender: uart::Sender,
    cause: ResetCause,
    own: W,
}

impl<W: Own> Emulated<W> {
    /// Starts link, watchdog and interrupts; valves and clock are started.
    pub fn start(lamp: Pin, buzzer: Pin, own: W) -> Self {
        let cause = reset::cause();
        uart::start();
        uart::listen(true);
        dog::start();
        [LINK, WHEEL, STROBE].into_iter().for_each(Irq::enable);
        Self {
            lamp,
            buzzer,
            sender: uart::Sender::default(),
            cause,
            own,
        }
    }
}

impl<W: Own> Hardware for Emulated<W> {
    type Sender = uart::Sender;
    type Flash = wires::Slots;

    fn sender(&mut self) -> &mut uart::Sender {
        &mut self.sender
    }
    fn resume_receiving(&mut self) {
        uart::listen(true);
        // On one of them a byte that came while it was masked has raised nothing.
        LINK.raise();
    }
    fn levels(&mut self) -> Levels {
        wires::levels()
    }
    fn show(&mut self, lamp: bool, buzzer: bool) {
        self.lamp.set(lamp);
        self.buzzer.set(buzzer);
    }
    fn current_flows(&mut self) -> Option<bool> {
        Some(wires::current_flows())
    }
    fn pulses_can_come(&mut self) -> bool {
        self.own.pulses_can_come() && clock::is_alive()
    }
    fn feed(&mut self) {
        dog::feed();
    }
    fn sleep(&mut self) {
        board_start::sleep();
    }
    fn spread(&mut self, now: Micros, command: Command) -> Command {
        self.own.spread(now, command)
    }
    fn begin(&mut self, machine: Option<&Config<'_>>) {
        self.own.begin(machine);
    }
    fn bus_pulse(&mut self, now: Micros) -> Option<Micros> {
        self.own.bus_pulse(now)
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
    if irq == dog::STARVES {
        dog::starves();
    }
    match u16::try_from(irq).map(Irq) {
        Ok(clock::ALARM) => {
            clock::struck();
            SHARED.alarm();
        }
        Ok(LINK) => receive(),
        Ok(WHEEL) => SHARED.pulse(),
        Ok(STROBE) => SHARED.strobe(0),
        Ok(LOOK) => look::here(),
        Ok(irq) if crate::Board::serve(irq) => {}
        _ => reset::faulted(),
    }
}

#[exception]
unsafe fn HardFault(_: &cortex_m_rt::ExceptionFrame) -> ! {
    reset::faulted()
}
