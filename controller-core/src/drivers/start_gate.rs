//! After a start or restart nothing opens until a person has acknowledged.
//!
//! Put it between the command queue and the valves: an open passes only through an open gate,
//! a close always.

use crate::guard::GuardState;
use crate::{Action, Command};

/// Why the processor started.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ResetCause {
    /// Power came.
    #[default]
    PowerUp,
    /// The watchdog bit: a fault to be reported.
    Watchdog,
    /// The supply sagged: a fault to be reported.
    BrownOut,
    /// The program asked for it.
    Software,
}

/// The gate. Shut after every start, whatever its cause.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StartGate {
    cause: ResetCause,
    open: bool,
}

impl StartGate {
    /// A shut gate.
    #[must_use]
    pub const fn new(cause: ResetCause) -> Self {
        Self { cause, open: false }
    }

    /// Why the processor started.
    #[must_use]
    pub const fn cause(&self) -> ResetCause {
        self.cause
    }

    /// True once acknowledged.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        self.open
    }

    /// A person has looked. Taken at standstill only: false, and nothing changed, otherwise.
    pub fn acknowledge(&mut self, guard: GuardState) -> bool {
        if stands(guard) {
            self.open = true;
        }
        self.open
    }

    /// Shuts the gate again: emergency stop, lost machine description.
    pub fn shut(&mut self) {
        self.open = false;
    }

    /// Whether a command may be carried out.
    #[must_use]
    pub fn passes(&self, command: &Command) -> bool {
        self.open || matches!(command.action, Action::Close)
    }
}

/// True where the machine stands.
pub(crate) const fn stands(guard: GuardState) -> bool {
    matches!(guard, GuardState::NeverMoved | GuardState::Stopped)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Length, Micros};

    #[test]
    fn only_closes_pass_until_a_person_has_looked_at_standstill() {
        let mut gate = StartGate::new(ResetCause::Watchdog);
        let command = |action| Command {
            nozzle: 0,
            action,
            at: Micros(0),
            short_by: Length::default(),
        };
        assert!(!gate.passes(&command(Action::Open)) && gate.passes(&command(Action::Close)));
        assert!(!gate.acknowledge(GuardState::Running));
        assert!(!gate.passes(&command(Action::Open)));
        assert!(gate.acknowledge(GuardState::Stopped));
        assert!(gate.passes(&command(Action::Open)));
        gate.shut();
        assert!(!gate.passes(&command(Action::Open)));
        assert_eq!(gate.cause(), ResetCause::Watchdog);
    }
}
