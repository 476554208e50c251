//! Drives the drivers, with ports and flash that answer anything.

use crate::outside::{any_u32, any_u64, used_u32, used_u64};
use crate::values::{any_length, any_micros, any_prefix, any_span, used_micros, used_span};
use controller_core::drivers::can_valves::CanValves;
use controller_core::drivers::capture_timer::{Turns, captured_ticks, ticks_to_us};
use controller_core::drivers::inrush::Inrush;
use controller_core::drivers::machine_store::MachineStore;
use controller_core::drivers::peak_hold::PeakHold;
use controller_core::drivers::pins::{OpensOn, PinValves};
use controller_core::drivers::pulse_capture::PulseCapture;
use controller_core::drivers::pwm::Pwm;
use controller_core::drivers::serial::{self, Outgoing};
use controller_core::drivers::shift_register::ShiftRegister;
use controller_core::drivers::signals::signals;
use controller_core::drivers::switches::Debounce;
use controller_core::drivers::tractor_bus::parse;
use controller_core::drivers::valve_test::{TestStep, ValveTest};
use controller_core::drivers::virtual_pulses::VirtualPulses;
use controller_core::drivers::watchdog::{Part, Watchdog};
use controller_core::drivers::{CommandQueue, Pushed, Valves};
use controller_core::{Action, Command, Cycle, GuardState};
use embedded_can::{ExtendedId, Id};

use crate::ports::{Can, Flash, Pin, Serial, Spi};

/// Between an interrupt, which this image has not, and the main loop.
static CAPTURE: PulseCapture<64> = PulseCapture::new();

fn any_cycle() -> Cycle {
    Cycle {
        duty: any_u32() as u16,
        length: any_span(),
    }
}

/// Any identifier and bytes.
fn any_frame() -> Can {
    let id = ExtendedId::new(any_u32() >> 3).unwrap_or(ExtendedId::ZERO);
    let data = core::array::from_fn(|_| any_u32() as u8);
    Can(Id::Extended(id), data, any_u32() as usize)
}

fn any_command() -> Command {
    Command {
        nozzle: any_u32() as u16,
        action: if any_u32() == 0 {
            Action::Open
        } else {
            Action::Close
        },
        at: any_micros(),
        short_by: any_length(),
    }
}

fn any_guard() -> GuardState {
    match any_u32() {
        0 => GuardState::NeverMoved,
        1 => GuardState::Stopped,
        2 => GuardState::PollSilent,
        _ => GuardState::Running,
    }
}

/// Everything, in any order.
pub fn drivers() {
    outputs();
    inputs();
    safety();
}

fn carry_out<V: Valves>(valves: &mut V) {
    used_u32(u32::from(
        valves.set(any_u32() as u16, any_u32() == 0).is_ok(),
    ));
    used_u32(u32::from(valves.flush().is_ok()));
    used_u32(u32::from(valves.close_all().is_ok()));
}

fn outputs() {
    let mut queue: CommandQueue<96> = CommandQueue::new(any_span());
    let mut inrush = Inrush::new(any_u32() as u8, any_span(), any_span());
    let mut coils: PeakHold<48> = PeakHold::new(any_span());
    loop {
        match any_u32() {
            0 => {
                let mut command = any_command();
                if let Some(inrush) = &mut inrush {
                    command = inrush.place(any_micros(), command);
                }
                used_u32(match queue.push(command) {
                    Pushed::Queued => 0,
                    Pushed::OpenDropped => 1,
                    Pushed::CloseNow(nozzle) => u32::from(nozzle),
                });
            }
            1 => {
                while let Some(command) = queue.pop_due(any_micros()) {
                    let open = matches!(command.action, Action::Open);
                    let cut = coils.set(any_micros(), command.nozzle, open);
                    used_u32(u32::from(cut.unwrap_or_default()));
                }
            }
            4 => queue.void_opens(),
            5 => used_u32(u32::from(coils.poll(any_micros()).unwrap_or_default())),
            6 => {
                used_micros(queue.next_due().unwrap_or_default());
                used_micros(coils.next_due().unwrap_or_default());
                used_u32(coils.drive(any_u32() as u16) as u32);
                used_u32(queue.opens_dropped());
                used_u32(queue.voided());
                used_span(queue.late().1);
                used_u32(queue.len() as u32);
                used_u32(coils.cut_short());
            }
            _ => break,
        }
    }
    if let Some(inrush) = &inrush {
        used_span(inrush.moved().1);
        used_u32(inrush.crowded());
    }
    if let Some(mut pwm) = Pwm::<48>::new(any_span()) {
        while any_u32() > 0 {
            pwm.open(any_u32() as u16, any_micros(), any_cycle());
            pwm.turn(any_micros(), |nozzle, begins| {
                used_u32(u32::from(nozzle));
                used_micros(begins);
                any_cycle()
            });
            used_u32(u32::from(pwm.is_on(any_u32() as u16, any_micros())));
            used_micros(pwm.next_change(any_micros()).unwrap_or_default());
            pwm.close(any_u32() as u16);
        }
    }
    if let Ok(mut valves) =
        PinValves::new(core::array::from_fn::<Pin, 48, _>(|_| Pin), OpensOn::Low)
    {
        carry_out(&mut valves);
    }
    if let Ok(mut valves) = ShiftRegister::<_, _, 6>::new(Spi, Pin) {
        carry_out(&mut valves);
    }
    if let Some(base) = embedded_can::StandardId::new(any_u32() as u16)
        && let Some(mut valves) = CanValves::<3>::new(base.into(), any_span())
    {
        valves.set(any_u32() as u16, any_u32() == 0);
        while let Some(frame) = valves.next_frame::<Can>(any_micros()) {
            used_u32(u32::from(frame.1[0]));
        }
        valves.not_sent();
        valves.close_all();
    }
}

fn inputs() {
    CAPTURE.push(any_micros());
    used_micros(CAPTURE.pop().unwrap_or_default());
    used_u32(CAPTURE.lost());
    let ticks = captured_ticks(
        any_u32(),
        any_u32() as u16,
        any_u32() == 0,
        any_u32() as u16,
    );
    used_u64(ticks_to_us(ticks, any_u32()));
    let mut turns = Turns::new();
    used_u64(turns.whole(any_u32()) ^ turns.whole(any_u32()));
    if let Some(mut pulses) = VirtualPulses::new(any_u32()) {
        while any_u32() == 0 {
            if let Some(message) = parse(&any_frame()) {
                pulses.message(any_micros(), &message);
            }
            used_micros(pulses.next_due().unwrap_or_default());
            used_micros(pulses.poll(any_micros()).unwrap_or_default());
        }
        used_u32(pulses.restarts());
    }
    let mut switches = Debounce::new(any_span());
    while any_u32() == 0 {
        used_u32(switches.sample(any_micros(), any_u32()));
    }
    used_u32(switches.settled() ^ switches.chatter());
    let mut port = Serial;
    let round = serial::read(&mut port, any_u32() as u16, |byte| {
        used_u32(u32::from(byte));
    });
    used_u32(u32::from(round.bytes ^ round.errors));
    let mut outgoing: Outgoing<256> = Outgoing::new();
    let bytes = [any_u32() as u8; 300];
    while outgoing.push(any_prefix(&bytes)) {
        used_u32(u32::from(
            outgoing.pump(&mut port, any_u32() as u16).is_ok(),
        ));
    }
    used_u32(outgoing.dropped());
}

fn safety() {
    let lamp = signals(any_guard(), any_u32() == 0);
    used_u32(u32::from(lamp.lamp.is_on(any_micros())));
    used_u32(u32::from(lamp.buzzer.is_on(any_micros())));
    let mut dog = Watchdog::new();
    while !dog.may_feed() {
        dog.report(match any_u32() {
            0 => Part::Pulses,
            1 => Part::Grid,
            _ => Part::Output,
        });
        used_u32(u32::from(dog.silent().is_some()));
    }
    let test = ValveTest::<2>::new(any_u32() as u16, any_span(), any_span(), any_span());
    if let Some(mut test) = test {
        loop {
            match test.poll(any_micros()) {
                TestStep::On(valve) => used_u32(u32::from(valve)),
                TestStep::Wait(until) => used_micros(until),
                TestStep::Read(0) => test.missed(any_micros()),
                TestStep::Read(_) => test.sensed(any_micros(), any_u32() == 0),
                TestStep::Done => break,
            }
        }
        used_u32(test.dead()[0] ^ test.dead()[1]);
    }
    let mut bytes = [0; 1024];
    bytes[0] = any_u64() as u8;
    if let Ok(mut store) = MachineStore::new(Flash, any_u32(), any_u32()) {
        used_u32(u32::from(
            store.store(any_guard(), any_prefix(&bytes)).is_ok(),
        ));
        let room = any_u32() as usize;
        let found = bytes.get_mut(..room).map(|room| store.load(room));
        if let Some(Ok(Some(found))) = found {
            used_u32(found.sequence);
        }
    }
}
