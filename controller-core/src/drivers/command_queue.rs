//! Commands in the order of their instants, for a timer's compare register.
//!
//! The controller decides up to a period ahead and nozzle by nozzle, so commands of different
//! nozzles come out of order. Set the compare to [`CommandQueue::next_due`]; when it strikes,
//! take [`CommandQueue::pop_due`] until it has none.
//!
//! **Overflow: a close is never lost.** When the queue is full an open that comes is left out
//! and counted; a close that comes puts out the latest open. Where only closes are queued,
//! the close is handed back to be carried out at once: early and dry, never late and wet.
//!
//! A command that comes for an instant before one already queued for the same nozzle (a stop
//! after an open was decided) takes the later one's place: queued opens are void after it.

use super::bump;
use crate::units::{Micros, Span};
use crate::{Action, Command};
use heapless::Vec;

/// What became of a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Pushed {
    /// It waits for its instant.
    Queued,
    /// The queue is full: the open was left out. Its ground stays dry; tell the operator.
    OpenDropped,
    /// The queue is full of closes: carry this one out now.
    CloseNow(u16),
}

/// At most `N` commands that wait. Two a nozzle are enough whatever happens.
#[derive(Clone, Debug)]
pub struct CommandQueue<const N: usize> {
    /// Latest first, so that the next is taken from the end.
    waiting: Vec<Command, N>,
    latch: Span,
    opens_dropped: u32,
    voided: u32,
    late: u32,
    worst_late: Span,
}

impl<const N: usize> CommandQueue<N> {
    /// An empty queue. `latch`: from carrying a command out to the valve's wire changing
    /// ([`super::Valves`]); commands are handed out that much before their instant.
    #[must_use]
    pub const fn new(latch: Span) -> Self {
        const { assert!(N >= 1, "room for a command") };
        Self {
            waiting: Vec::new(),
            latch,
            opens_dropped: 0,
            voided: 0,
            late: 0,
            worst_late: Span(0),
        }
    }

    /// Opens left out because the queue was full.
    #[must_use]
    pub const fn opens_dropped(&self) -> u32 {
        self.opens_dropped
    }

    /// Commands that became void by an earlier one for the same nozzle, or by a stop.
    #[must_use]
    pub const fn voided(&self) -> u32 {
        self.voided
    }

    /// Commands handed out after their instant, and the worst of it.
    #[must_use]
    pub const fn late(&self) -> (u32, Span) {
        (self.late, self.worst_late)
    }

    /// How many wait.
    #[must_use]
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    /// True when none waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }

    /// Takes a command. Work goes with `N`.
    pub fn push(&mut self, command: Command) -> Pushed {
        while let Some(place) = self
            .waiting
            .iter()
            .position(|c| c.nozzle == command.nozzle && c.at > command.at)
        {
            self.remove(place);
            bump(&mut self.voided);
        }
        let opens = is_open(&command);
        if self.waiting.is_full() {
            // The latest open: it is the first of the list.
            match self.waiting.iter().position(is_open) {
                _ if opens => {
                    bump(&mut self.opens_dropped);
                    return Pushed::OpenDropped;
                }
                Some(place) => {
                    self.remove(place);
                    bump(&mut self.opens_dropped);
                }
                None => return Pushed::CloseNow(command.nozzle),
            }
        }
        // Behind those of the same instant, which came before.
        let place = self.waiting.partition_point(|c| c.at > command.at);
        // By hand, here and below: the list's own insert and remove would bring a general move of
        // memory along, which takes 1.5 kB of flash.
        let mut last = command;
        for slot in self.waiting.iter_mut().skip(place) {
            core::mem::swap(slot, &mut last);
        }
        match self.waiting.push(last) {
            Ok(()) => Pushed::Queued,
            Err(last) => Pushed::CloseNow(last.nozzle),
        }
    }

    /// Takes one out, which must be there: those behind it move up.
    fn remove(&mut self, place: usize) {
        let Some(mut next) = self.waiting.pop() else {
            return;
        };
        for slot in self.waiting.iter_mut().skip(place).rev() {
            core::mem::swap(slot, &mut next);
        }
    }

    /// When the next is to be carried out. `None`: nothing waits.
    #[must_use]
    pub fn next_due(&self) -> Option<Micros> {
        let next = self.waiting.last()?;
        Some(
            next.at
                .plus_signed(i64::from(self.latch.signed()).saturating_neg()),
        )
    }

    /// The next command if its instant has come. Constant work.
    pub fn pop_due(&mut self, now: Micros) -> Option<Command> {
        let due = self.next_due()?;
        if due > now {
            return None;
        }
        if now > due {
            bump(&mut self.late);
            self.worst_late = self.worst_late.max(now.since(due));
        }
        self.waiting.pop()
    }

    /// Everything stops: no open is carried out any more, closes are. Work goes with `N`.
    pub fn void_opens(&mut self) {
        let before = self.waiting.len();
        self.waiting.retain(|c| !is_open(c));
        let gone = before.saturating_sub(self.waiting.len());
        let gone = u32::try_from(gone).unwrap_or(u32::MAX);
        self.voided = self.voided.saturating_add(gone);
    }
}

fn is_open(command: &Command) -> bool {
    matches!(command.action, Action::Open)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::Length;
    use proptest::prelude::*;
    use std::vec::Vec as StdVec;

    fn command(nozzle: u16, open: bool, at: u64) -> Command {
        Command {
            nozzle,
            action: if open { Action::Open } else { Action::Close },
            at: Micros(at),
            short_by: Length::default(),
        }
    }

    #[test]
    fn commands_come_in_time_order_and_the_latch_is_taken_off() {
        let mut queue: CommandQueue<8> = CommandQueue::new(Span(30));
        for c in [
            command(0, true, 5000),
            command(1, true, 4000),
            command(2, false, 5000),
            command(3, true, 4500),
        ] {
            assert_eq!(queue.push(c), Pushed::Queued);
        }
        assert_eq!(queue.next_due(), Some(Micros(3970)));
        assert_eq!(queue.pop_due(Micros(3969)), None);
        let order: StdVec<_> = core::iter::from_fn(|| queue.pop_due(Micros(4970)))
            .map(|c| c.nozzle)
            .collect();
        assert_eq!(order, [1, 3, 0, 2]);
        assert_eq!(queue.late(), (2, Span(1000)));
        assert_eq!(queue.next_due(), None);
    }

    #[test]
    fn a_stop_voids_what_was_queued_to_open() {
        let mut queue: CommandQueue<8> = CommandQueue::new(Span(0));
        assert_eq!(queue.push(command(0, true, 900)), Pushed::Queued);
        assert_eq!(queue.push(command(1, false, 800)), Pushed::Queued);
        // The guard closes nozzle 0 before its open would have come.
        assert_eq!(queue.push(command(0, false, 500)), Pushed::Queued);
        assert_eq!((queue.len(), queue.voided()), (2, 1));
        assert_eq!(queue.push(command(2, true, 950)), Pushed::Queued);
        queue.void_opens();
        let left: StdVec<_> = core::iter::from_fn(|| queue.pop_due(Micros(9999))).collect();
        assert!(left.iter().all(|c| c.action == Action::Close));
        assert_eq!((left.len(), queue.voided()), (2, 2));
    }

    #[test]
    fn a_full_queue_gives_up_opens_and_never_a_close() {
        let mut queue: CommandQueue<2> = CommandQueue::new(Span(0));
        assert_eq!(queue.push(command(0, true, 10)), Pushed::Queued);
        assert_eq!(queue.push(command(1, true, 20)), Pushed::Queued);
        assert_eq!(queue.push(command(2, true, 5)), Pushed::OpenDropped);
        assert_eq!(queue.push(command(3, false, 30)), Pushed::Queued);
        assert_eq!(queue.push(command(4, false, 40)), Pushed::Queued);
        assert_eq!(queue.push(command(5, false, 50)), Pushed::CloseNow(5));
        assert_eq!(queue.opens_dropped(), 3);
        assert_eq!(queue.pop_due(Micros(99)).map(|c| c.nozzle), Some(3));
        assert_eq!(queue.pop_due(Micros(99)).map(|c| c.nozzle), Some(4));
    }

    proptest! {
        #[test]
        fn no_valve_stays_open_whatever_is_thrown_at_it(
            pushes in prop::collection::vec((0u16..6, any::<bool>(), 0u64..500, 0u64..60), 1..200)
        ) {
            let mut queue: CommandQueue<5> = CommandQueue::new(Span(0));
            let mut open = [false; 6];
            let mut now = 0;
            let carry = |c: Command, open: &mut [bool; 6]| {
                open[usize::from(c.nozzle)] = c.action == Action::Open;
            };
            for (nozzle, opens, ahead, wait) in pushes {
                match queue.push(command(nozzle, opens, now + ahead)) {
                    Pushed::CloseNow(n) => {
                        prop_assert!(!opens);
                        open[usize::from(n)] = false;
                    }
                    Pushed::OpenDropped => prop_assert!(opens),
                    Pushed::Queued => {}
                }
                now += wait;
                let mut last = None;
                while let Some(c) = queue.pop_due(Micros(now)) {
                    prop_assert!(last <= Some(c.at));
                    last = Some(c.at);
                    carry(c, &mut open);
                }
            }
            // In the end every nozzle is told to close, in the order of the numbers.
            for n in 0..6u16 {
                if let Pushed::CloseNow(n) = queue.push(command(n, false, now + 1000)) {
                    open[usize::from(n)] = false;
                }
            }
            while let Some(c) = queue.pop_due(Micros(u64::MAX)) {
                carry(c, &mut open);
            }
            prop_assert_eq!(open, [false; 6]);
        }
    }
}
