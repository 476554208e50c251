//! How coils are driven between commands: cycles of a machine with a rate, peak and hold.
//!
//! Both go by the alarm's interrupt, so an edge does not depend on what the main loop is at. What
//! a cycle is to be the main loop asks the controller shortly before it begins; where it comes too
//! late the valve goes on as it was told last, in its beat.
//!
//! **Spreading** of openings ([`Hardware::spread`](super::Hardware::spread)) does not reach into
//! the cycles: valves that beat together draw their peaks together.

use super::Outputs;
use controller_core::drivers::Valves;
use controller_core::drivers::peak_hold::PeakHold;
use controller_core::drivers::pwm::Pwm;
use controller_core::{Action, Command, Cycle, Micros, Span};

/// All of a cycle.
const WHOLE: u16 = 1000;

/// A valve that is open, by its commands.
#[derive(Clone, Copy)]
struct Coil {
    open: bool,
    /// It has current.
    on: bool,
    /// The main loop was asked for the next cycle.
    asked: bool,
    next: Cycle,
    /// When the next cycle begins.
    begins: Micros,
}

/// The coils of `N` valves: output `n` of `valves` gives valve `n` its current, output `N + n`
/// the whole of it ([`PeakHold`]; circuit A of peak and hold in `hardware-notes/circuits`).
pub struct Coils<V, const N: usize> {
    valves: V,
    latch: Span,
    /// Of a machine with a rate.
    rate: Option<(Pwm<N>, Span)>,
    peaks: PeakHold<N>,
    coils: [Coil; N],
    /// When the wires change next by themselves; none: not before the next command.
    due: Option<Micros>,
    failed: bool,
}

impl<V: Valves, const N: usize> Coils<V, N> {
    /// All off. `latch` as [`Shared::new`](super::Shared::new) has it; `peak` is at least the
    /// slowest opening at the lowest voltage.
    pub fn new(valves: V, latch: Span, peak: Span) -> Self {
        let none = Coil {
            open: false,
            on: false,
            asked: false,
            next: Cycle {
                duty: WHOLE,
                length: Span(0),
            },
            begins: Micros(0),
        };
        Self {
            valves,
            latch,
            rate: None,
            peaks: PeakHold::new(peak),
            coils: [none; N],
            due: None,
            failed: false,
        }
    }

    /// The instant at which a flush of now is on the wires.
    fn wires(&self, now: Micros) -> Micros {
        now.plus(self.latch)
    }

    fn set(&mut self, output: usize, on: bool) {
        let output = u16::try_from(output).unwrap_or(u16::MAX);
        self.failed |= self.valves.set(output, on).is_err();
    }

    /// Gives a coil its current or takes it, where that is new.
    fn drive(&mut self, index: usize, at: Micros, on: bool) -> bool {
        let Some(coil) = self.coils.get_mut(index) else {
            return false;
        };
        if core::mem::replace(&mut coil.on, on) == on {
            return false;
        }
        let nozzle = u16::try_from(index).unwrap_or(u16::MAX);
        let held = self.peaks.set(at, nozzle, on);
        self.set(index, on);
        self.set(N + index, on);
        if let Some(held) = held {
            self.set(N + usize::from(held), false);
        }
        true
    }

    /// The beginnings and ends of cycles.
    fn cycle(&mut self, at: Micros) -> bool {
        let Some((pwm, whole)) = &mut self.rate else {
            return false;
        };
        let coils = &mut self.coils;
        pwm.turn(at, |nozzle, begins| {
            let Some(coil) = coils.get_mut(usize::from(nozzle)) else {
                let length = *whole;
                return Cycle { duty: 0, length };
            };
            let cycle = coil.next;
            coil.begins = begins.plus(cycle.length);
            coil.asked = false;
            // Should nobody come: as before, but not cut again.
            coil.next.length = *whole;
            cycle
        });
        let mut changed = false;
        for index in 0..N {
            if !self.coils.get(index).is_some_and(|coil| coil.open) {
                continue;
            }
            let nozzle = u16::try_from(index).unwrap_or(u16::MAX);
            let on = self.rate.as_ref();
            let on = on.is_some_and(|(pwm, _)| pwm.is_on(nozzle, at));
            changed |= self.drive(index, at, on);
        }
        changed
    }
}

impl<V: Valves, const N: usize> Outputs for Coils<V, N> {
    const CYCLES: bool = true;

    fn begin(&mut self, cycle: Option<Span>) -> bool {
        self.rate = cycle.and_then(|cycle| Some((Pwm::new(cycle)?, cycle)));
        let whole = Cycle {
            duty: WHOLE,
            length: cycle.unwrap_or_default(),
        };
        for index in 0..N {
            self.drive(index, Micros(u64::MAX), false);
            if let Some(coil) = self.coils.get_mut(index) {
                (coil.open, coil.next) = (false, whole);
            }
        }
        self.due = None;
        self.failed = self.valves.close_all().is_err();
        !self.failed
    }

    fn carry_out(&mut self, now: Micros, command: &Command) -> bool {
        let at = self.wires(now);
        let index = usize::from(command.nozzle);
        let open = command.action == Action::Open;
        let Some(coil) = self.coils.get_mut(index) else {
            return true;
        };
        let was_open = core::mem::replace(&mut coil.open, open);
        let mut on = open;
        if let Some((pwm, whole)) = &mut self.rate {
            if !open {
                pwm.close(command.nozzle);
            } else if !was_open {
                pwm.open(command.nozzle, command.at, coil.next);
                coil.begins = command.at.plus(coil.next.length);
                coil.asked = false;
                coil.next.length = *whole;
            }
            on = open && pwm.is_on(command.nozzle, at.max(command.at));
        }
        self.drive(index, at, on);
        // What is due next must be looked for again.
        self.due = Some(at);
        !self.failed
    }

    fn turn(&mut self, now: Micros) -> bool {
        let at = self.wires(now);
        if self.due.is_none_or(|due| due > at) {
            return false;
        }
        let mut changed = self.cycle(at);
        while let Some(held) = self.peaks.poll(at) {
            self.set(N + usize::from(held), false);
            changed = true;
        }
        let rate = self.rate.as_ref();
        let edge = rate.and_then(|(pwm, _)| pwm.next_change(at));
        self.due = match (edge, self.peaks.next_due()) {
            (Some(edge), Some(peak)) => Some(edge.min(peak)),
            (edge, peak) => edge.or(peak),
        };
        changed
    }

    fn next_turn(&self) -> Option<Micros> {
        Some(self.due?.plus_signed(-i64::from(self.latch.0)))
    }

    fn tell(&mut self, nozzle: u16, cycle: Cycle) {
        if let Some(coil) = self.coils.get_mut(usize::from(nozzle)) {
            coil.next = cycle;
        }
    }

    fn wants(&mut self, from: u16, until: Micros) -> Option<(u16, Micros)> {
        self.rate.as_ref()?;
        let rest = self.coils.iter_mut().zip(0_u16..).skip(from.into());
        let mut due = rest.filter(|(coil, _)| coil.open && !coil.asked && coil.begins <= until);
        let (coil, nozzle) = due.next()?;
        coil.asked = true;
        Some((nozzle, coil.begins))
    }

    fn flush(&mut self) -> bool {
        let sound = !core::mem::take(&mut self.failed);
        self.valves.flush().is_ok() && sound
    }
}
