//! What commands switch: valves alone, or [`Coils`](super::Coils) before them.

use controller_core::drivers::Valves;
use controller_core::{Action, Command, Cycle, Micros, Span};

/// The outputs of a board. A row of [`Valves`] is one: a valve has current from its opening to its
/// closing.
pub trait Outputs {
    /// Cycles are asked for and told. Where not, the controller is not asked.
    const CYCLES: bool = false;

    /// Another machine: closes everything. `cycle` is that of a machine with a rate. False where
    /// the port failed.
    fn begin(&mut self, cycle: Option<Span>) -> bool;

    /// Notes a command for the next flush. False where the port failed.
    fn carry_out(&mut self, now: Micros, command: &Command) -> bool;

    /// Notes what changes by itself up to now. True when a flush is due.
    fn turn(&mut self, _now: Micros) -> bool {
        false
    }

    /// When something changes by itself after the last [`turn`](Self::turn).
    fn next_turn(&self) -> Option<Micros> {
        None
    }

    /// The next cycle of a valve; the first, before its opening is carried out.
    fn tell(&mut self, _nozzle: u16, _cycle: Cycle) {}

    /// The first valve from `from` on that begins a cycle by `until` of which it was not told
    /// yet, and when that begins. Asked once a cycle.
    fn wants(&mut self, _from: u16, _until: Micros) -> Option<(u16, Micros)> {
        None
    }

    /// Carries out what was noted. False where the port failed.
    fn flush(&mut self) -> bool;
}

impl<V: Valves> Outputs for V {
    fn begin(&mut self, _: Option<Span>) -> bool {
        self.close_all().is_ok()
    }

    fn carry_out(&mut self, _: Micros, command: &Command) -> bool {
        let open = command.action == Action::Open;
        self.set(command.nozzle, open).is_ok()
    }

    fn flush(&mut self) -> bool {
        Valves::flush(self).is_ok()
    }
}
