//! The board as the messages see it, with a clock: sends without waiting, keeps the machine
//! description, knows the strobes.

use super::{Clock, Hardware, Outputs, Shared};
use crate::site::Site;
use controller_core::drivers::serial::Outgoing;
use controller_core::drivers::valve_test::{TestStep, ValveTest};
use controller_core::drivers::{MachineStore, StoreError};
use controller_core::link::{Refusal, ResetCause, StrobeError, StrobeLog};
use controller_core::{Action, Command, Config, Cycle, GuardState, Length, Micros, Span};

/// Least time between two frames of a camera: 50 a second at most.
const LEAST_FRAME: Span = Span::from_ms(20);
/// Bytes given to the port at a time, so that a round stays short.
const BYTES_A_ROUND: u16 = 64;
/// Drives each valve for so long at start; see [`ValveTest`].
const TEST_PULSE: Span = Span::from_ms(2);
const TEST_REST: Span = Span(500);
/// The alarm takes the current off so long after the pulse, should the main loop not.
const TEST_LIMIT: Span = Span(500);

const VALVE_WITHOUT_CURRENT: u32 = 1 << 16;
const QUEUE_OVERFLOW: u32 = 1 << 19;
const PULSES_LOST: u32 = 1 << 21;

/// `T` bytes wait to be sent; `S` strobe wires, of the first detectors.
pub struct Station<
    's,
    W: Hardware,
    C,
    V,
    const Q: usize,
    const B: usize,
    const T: usize,
    const S: usize,
> {
    pub shared: &'s Shared<C, V, Q, B>,
    pub hardware: W,
    store: Option<MachineStore<W::Flash>>,
    outgoing: Outgoing<T>,
    strobes: [StrobeLog<8>; S],
    test: Option<ValveTest<8>>,
    dead: bool,
}

impl<
    W: Hardware,
    C: Clock,
    V: Outputs,
    const Q: usize,
    const B: usize,
    const T: usize,
    const S: usize,
> Station<'_, W, C, V, Q, B, T, S>
{
    pub fn new(
        shared: &Shared<C, V, Q, B>,
        hardware: W,
        store: Option<MachineStore<W::Flash>>,
    ) -> Station<'_, W, C, V, Q, B, T, S> {
        Station {
            shared,
            hardware,
            store,
            outgoing: Outgoing::new(),
            strobes: [StrobeLog::new(LEAST_FRAME); S],
            test: None,
            dead: false,
        }
    }

    /// The machine description that was kept, into `bytes`.
    pub fn kept<'b>(&mut self, bytes: &'b mut [u8]) -> Option<&'b [u8]> {
        let found = self.store.as_mut()?.load(bytes).ok()??;
        bytes.get(..found.length)
    }

    /// Another machine begins: closes everything, and tries its valves if current can be
    /// sensed and a pulse can be shorter than their quickest opening.
    pub fn begin(&mut self, machine: Option<&Config<'_>>) {
        let rate = machine.and_then(|machine| machine.rate);
        self.shared.clear(rate.map(|rate| rate.cycle));
        self.hardware.begin(machine);
        self.dead = false;
        self.test = None;
        if let (Some(machine), Some(_)) = (machine, self.hardware.current_flows()) {
            let quickest = machine.nozzles.iter().map(|n| n.open_delay).min();
            let rise = machine.patch.open_extra_time;
            let quickest = quickest.unwrap_or_default().0.saturating_sub(rise.0);
            let count = u16::try_from(machine.nozzles.len()).unwrap_or(u16::MAX);
            let longest = Span(TEST_PULSE.0 + TEST_LIMIT.0);
            if longest < Span(quickest) {
                self.test = ValveTest::new(count, TEST_PULSE, TEST_REST, Span(quickest));
            }
        }
    }

    /// Goes on trying the valves. Some at the end: those without current, a bit each.
    pub fn try_valves(&mut self, now: Micros) -> Option<[u32; 8]> {
        let test = self.test.as_mut()?;
        let command = |nozzle, action, at| Command {
            nozzle,
            action,
            at,
            short_by: Length::default(),
        };
        match test.poll(now) {
            TestStep::On(valve) => {
                let limit = now.plus(TEST_PULSE).plus(TEST_LIMIT);
                self.shared.push(command(valve, Action::Open, now), None);
                self.shared.push(command(valve, Action::Close, limit), None);
            }
            TestStep::Read(valve) => {
                let flows = self.hardware.current_flows();
                let read = self.shared.now();
                let pulsed = self.shared.close_early(command(valve, Action::Close, read));
                match flows {
                    Some(flows) if pulsed => test.sensed(read, flows),
                    _ => test.missed(read),
                }
            }
            TestStep::Wait(_) => {}
            TestStep::Done => {
                let dead = *test.dead();
                self.dead = dead.iter().any(|&word| word != 0);
                self.test = None;
                return Some(dead);
            }
        }
        None
    }

    /// Takes strobe pulses, and the bytes that the port takes.
    pub fn carry(&mut self) {
        while let Some((detector, at)) = self.shared.next_strobe() {
            if let Some(log) = self.strobes.get_mut(usize::from(detector)) {
                log.pulse(at);
            }
        }
        // An error of the port is the far end's to notice: the frame is damaged.
        let _sent = self.outgoing.pump(self.hardware.sender(), BYTES_A_ROUND);
    }

    /// True while bytes wait to be sent.
    pub fn sends(&self) -> bool {
        !self.outgoing.is_empty()
    }

    /// Something at which the operator should look.
    pub fn has_fault(&self) -> bool {
        self.faults() != 0
    }
}

impl<
    W: Hardware,
    C: Clock,
    V: Outputs,
    const Q: usize,
    const B: usize,
    const T: usize,
    const S: usize,
> Site for Station<'_, W, C, V, Q, B, T, S>
{
    const LIVE: bool = true;
    const CYCLES: bool = V::CYCLES;

    fn send(&mut self, frame: &[u8]) {
        // One that does not fit is left out and counted; the numbering tells the far end.
        let _fits = self.outgoing.push(frame);
    }

    fn place(&mut self, command: Command) -> Command {
        let now = self.shared.now();
        self.hardware.spread(now, command)
    }

    fn command(&mut self, command: &Command, first: Option<Cycle>) -> bool {
        self.shared.push(*command, first);
        true
    }

    fn now(&mut self) -> Option<Micros> {
        Some(self.shared.now())
    }

    fn stop(&mut self) {
        self.shared.void_opens();
    }

    fn announce(&mut self, detector: u8, frame: u32) -> Result<(), Refusal> {
        let now = self.shared.now();
        let log = self.strobes.get_mut(usize::from(detector));
        let log = log.ok_or(Refusal::NotSupported)?;
        if log.announce(now, frame) {
            Ok(())
        } else {
            Err(Refusal::UnknownFrame)
        }
    }

    fn captured(&mut self, detector: u8, frame: u32) -> Result<Micros, Refusal> {
        let log = self.strobes.get(usize::from(detector));
        let log = log.ok_or(Refusal::UnknownFrame)?;
        log.captured(frame).map_err(|error| match error {
            StrobeError::Forgotten => Refusal::TooOld,
            _ => Refusal::UnknownFrame,
        })
    }

    fn keep(&mut self, guard: GuardState, machine: &[u8]) -> Result<(), Refusal> {
        let store = self.store.as_mut().ok_or(Refusal::NotStored)?;
        store.store(guard, machine).map_err(|error| match error {
            StoreError::NotAtStandstill => Refusal::NotAtStandstill,
            StoreError::TooLarge => Refusal::TooLarge,
            _ => Refusal::NotStored,
        })
    }

    fn tries_valves(&self) -> bool {
        self.test.is_some()
    }

    fn faults(&self) -> u32 {
        let bit = |set: bool, bit: u32| if set { bit } else { 0 };
        bit(self.dead, VALVE_WITHOUT_CURRENT)
            | bit(self.shared.opens_dropped() > 0, QUEUE_OVERFLOW)
            | bit(self.shared.pulses_lost() > 0, PULSES_LOST)
    }

    fn reset_cause(&self) -> ResetCause {
        self.hardware.reset_cause()
    }
}
