//! At most so many openings at a time: every coil draws its peak when it opens, and a supply
//! that sags opens them all more slowly.
//!
//! An opening whose slot is full goes into the nearest slot before it (wetter, not drier), and
//! if there is no room or no time before it, behind it, by at most `most_move`; each move is
//! reported. Where all of these are full it stays where it is, counted as crowded: a supply
//! that sags is better than a plant left out.
//!
//! Keep `most_move` below half of the shortest on and off time, so that a nozzle's commands
//! stay in order: closes are never moved.

use super::bump;
use crate::units::{Micros, Span};
use crate::{Action, Command};

/// Slots remembered: a decision reaches at most two periods ahead.
const SLOTS: usize = 64;

/// Spreads openings over slots.
#[derive(Clone, Debug)]
pub struct Inrush {
    slot: u32,
    most: u8,
    reach: u32,
    /// Slot number and openings in it, found by the number's low bits.
    counts: [(u64, u8); SLOTS],
    moved: u32,
    crowded: u32,
    worst_move: Span,
}

impl Inrush {
    /// At most `most` openings in every `slot`, none moved by more than `most_move`. `None`
    /// for no opening at all, a slot of nothing, or a reach of over 31 slots.
    #[must_use]
    pub fn new(most: u8, slot: Span, most_move: Span) -> Option<Self> {
        let reach = most_move.0.checked_div(slot.0)?;
        (most > 0 && reach < 32).then_some(Self {
            slot: slot.0,
            most,
            reach,
            counts: [(0, 0); SLOTS],
            moved: 0,
            crowded: 0,
            worst_move: Span(0),
        })
    }

    /// Openings moved, and the farthest.
    #[must_use]
    pub const fn moved(&self) -> (u32, Span) {
        (self.moved, self.worst_move)
    }

    /// Openings that found no free slot and stayed.
    #[must_use]
    pub const fn crowded(&self) -> u32 {
        self.crowded
    }

    fn count(&mut self, slot: u64) -> Option<&mut u8> {
        let place = usize::try_from(slot & 63).unwrap_or_default();
        let (number, count) = self.counts.get_mut(place)?;
        if *number != slot {
            (*number, *count) = (slot, 0);
        }
        Some(count)
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn take(&mut self, slot: u64) -> bool {
        let most = self.most;
        match self.count(slot) {
            Some(count) if *count < most => {
                *count = count.saturating_add(1);
                true
            }
            _ => false,
        }
    }

    /// The command with the instant at which it may be carried out. Work goes with the slots
    /// in reach.
    pub fn place(&mut self, now: Micros, mut command: Command) -> Command {
        if !matches!(command.action, Action::Open) {
            return command;
        }
        let width = u64::from(self.slot);
        let slot = command.at.0.checked_div(width).unwrap_or_default();
        // Where it begins: not behind the command.
        let begin = slot.wrapping_mul(width);
        if self.take(slot) {
            return command;
        }
        // So many slots off, µs; at most the farthest move.
        let mut way = 0_u32;
        for step in 1..=self.reach {
            let step = u64::from(step);
            // The end of the slot before, so that the move is as short as can be.
            let early = Micros(begin.wrapping_sub(u64::from(way)).wrapping_sub(1));
            way = way.wrapping_add(self.slot);
            let late = Micros(begin.saturating_add(u64::from(way)));
            let found = if step <= slot && early >= now && self.take(slot.wrapping_sub(step)) {
                early
            } else if self.take(slot.saturating_add(step)) {
                late
            } else {
                continue;
            };
            let by = found.since(command.at).max(command.at.since(found));
            self.worst_move = self.worst_move.max(by);
            bump(&mut self.moved);
            command.at = found;
            return command;
        }
        bump(&mut self.crowded);
        command
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::Length;
    use std::vec::Vec;

    fn open(at: u64) -> Command {
        Command {
            nozzle: 0,
            action: Action::Open,
            at: Micros(at),
            short_by: Length::default(),
        }
    }

    #[test]
    fn openings_spread_and_each_move_is_reported() {
        let mut inrush = Inrush::new(2, Span(250), Span(1000)).expect("sound");
        let at: Vec<_> = (0..12)
            .map(|_| inrush.place(Micros(9000), open(10_000)).at.0)
            .collect();
        assert_eq!(
            at,
            [
                10_000, 10_000, 9999, 9999, 10_250, 10_250, 9749, 9749, 10_500, 10_500, 9499, 9499
            ]
        );
        assert_eq!(inrush.moved(), (10, Span(501)));
        for _ in 0..30 {
            let moved = inrush.place(Micros(9000), open(10_000)).at;
            assert!(moved.0.abs_diff(10_000) <= 1001);
        }
        assert_eq!(inrush.crowded(), 24);
    }

    #[test]
    fn nothing_goes_into_the_past_and_closes_stay() {
        let mut inrush = Inrush::new(1, Span(250), Span(1000)).expect("sound");
        assert_eq!(
            inrush.place(Micros(10_000), open(10_000)).at,
            Micros(10_000)
        );
        assert_eq!(
            inrush.place(Micros(10_000), open(10_000)).at,
            Micros(10_250)
        );
        let close = Command {
            action: Action::Close,
            ..open(10_000)
        };
        assert_eq!(inrush.place(Micros(10_000), close), close);
        assert!(Inrush::new(0, Span(250), Span(1000)).is_none());
        assert!(Inrush::new(1, Span(0), Span(1000)).is_none());
        assert!(Inrush::new(1, Span(10), Span(1000)).is_none());
    }
}
