//! Commands decided and not yet handed out.
//!
//! **Overflow policy: it can't overflow.** It is filled for one group at one instant,
//! with at most one command a nozzle, and only when it is empty. Should that ever
//! fail to hold, the command is refused and the caller counts it.

use crate::sequencer::{Action, Command, Decided};
use crate::units::{Length, Micros, Span};
use crate::wake::{GROUP, GROUP_BITS};
use heapless::Deque;

/// A command in short form: 8 bytes instead of 24.
#[derive(Clone, Copy, Debug)]
struct Held {
    short_by: i32,
    /// µs from the instant of the decision: at most a window, 40 ms.
    after: u16,
    offset: u8,
    action: Action,
}

/// The commands of one group at one instant.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outbox {
    decided_at: Micros,
    group: u8,
    held: Deque<Held, GROUP>,
}

impl Outbox {
    pub fn is_empty(&self) -> bool {
        self.held.is_empty()
    }

    /// Makes ready for the commands of a group.
    pub fn begin(&mut self, at: Micros, group: usize) {
        self.decided_at = at;
        self.group = u8::try_from(group).unwrap_or_default();
    }

    /// Takes a command for the nozzle at `offset` in the group.
    #[must_use]
    pub fn put(&mut self, offset: usize, decided: Decided) -> bool {
        let after = u16::try_from(decided.after);
        debug_assert!(after.is_ok());
        let held = Held {
            short_by: decided.short_by,
            after: after.unwrap_or(u16::MAX),
            offset: u8::try_from(offset).unwrap_or_default(),
            action: decided.action,
        };
        self.held.push_back(held).is_ok()
    }

    /// Takes back the opens that were not handed out yet, and names their nozzles.
    pub fn void_opens(&mut self, mut void: impl FnMut(usize)) {
        let base = usize::from(self.group).wrapping_shl(GROUP_BITS);
        for _ in 0..self.held.len() {
            let Some(held) = self.held.pop_front() else {
                break;
            };
            if held.action == Action::Open {
                void(base | usize::from(held.offset));
            } else {
                // It was just taken out: there is room.
                let put = self.held.push_back(held);
                debug_assert!(put.is_ok());
            }
        }
    }

    pub fn take(&mut self) -> Option<Command> {
        let held = self.held.pop_front()?;
        Some(Command {
            nozzle: u16::from(self.group).wrapping_shl(GROUP_BITS) | u16::from(held.offset),
            action: held.action,
            at: self.decided_at.plus(Span(u32::from(held.after))),
            short_by: Length::from_bits(held.short_by),
        })
    }
}
