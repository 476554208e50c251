//! Peak and hold: full current until the valve has opened, then less, so that it neither
//! overheats nor takes long to close.
//!
//! All valves have the same peak time, so peaks end in the order in which they began and
//! one queue holds them all.
//!
//! **Overflow:** a valve switched on again and again within its peak time leaves old entries
//! behind; when the queue is full the oldest peak ends early (the coil's safe side), counted.

use super::bump;
use crate::units::{Micros, Span};
use heapless::Deque;

/// How a coil is driven.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Drive {
    /// No current.
    #[default]
    Off,
    /// All there is.
    Peak,
    /// The hold duty.
    Hold,
}

/// Peak and hold for `N` valves.
#[derive(Clone, Debug)]
pub struct PeakHold<const N: usize> {
    peak: Span,
    drives: [(Drive, Micros); N],
    peaks: Deque<(u16, Micros), N>,
    cut_short: u32,
}

impl<const N: usize> PeakHold<N> {
    /// All off. `peak`: at least the valve's slowest opening, at its lowest voltage.
    #[must_use]
    pub const fn new(peak: Span) -> Self {
        Self {
            peak,
            drives: [(Drive::Off, Micros(0)); N],
            peaks: Deque::new(),
            cut_short: 0,
        }
    }

    /// Peaks ended early because the queue was full.
    #[must_use]
    pub const fn cut_short(&self) -> u32 {
        self.cut_short
    }

    /// How a valve is driven; one that there is not is off.
    #[must_use]
    pub fn drive(&self, nozzle: u16) -> Drive {
        self.drives
            .get(usize::from(nozzle))
            .map_or(Drive::Off, |d| d.0)
    }

    /// A command. Returns the valve that must go to hold early for want of room, if any.
    pub fn set(&mut self, now: Micros, nozzle: u16, open: bool) -> Option<u16> {
        let drive = self.drives.get_mut(usize::from(nozzle))?;
        if !open {
            *drive = (Drive::Off, now);
            return None;
        }
        if drive.0 != Drive::Off {
            return None;
        }
        *drive = (Drive::Peak, now);
        let cut = if self.peaks.is_full() {
            self.peaks
                .pop_front()
                .filter(|&(n, from)| self.end(n, from))
        } else {
            None
        };
        if cut.is_some() {
            bump(&mut self.cut_short);
        }
        if self.peaks.push_back((nozzle, now)).is_err() {
            self.end(nozzle, now);
            return Some(nozzle);
        }
        cut.map(|(n, _)| n)
    }

    /// To hold, if it is still the peak that began at `from`.
    fn end(&mut self, nozzle: u16, from: Micros) -> bool {
        match self.drives.get_mut(usize::from(nozzle)) {
            Some(drive) if *drive == (Drive::Peak, from) => {
                drive.0 = Drive::Hold;
                true
            }
            _ => false,
        }
    }

    /// When to call [`Self::poll`] next.
    #[must_use]
    pub fn next_due(&self) -> Option<Micros> {
        self.peaks.front().map(|(_, from)| from.plus(self.peak))
    }

    /// A valve whose peak is over, to be held from now on. Call again until there is none.
    /// Work is bounded by the entries that are due.
    pub fn poll(&mut self, now: Micros) -> Option<u16> {
        while self.next_due().is_some_and(|due| due <= now) {
            let (nozzle, from) = self.peaks.pop_front()?;
            if self.end(nozzle, from) {
                return Some(nozzle);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_becomes_a_hold_and_a_close_ends_both() {
        let mut valves: PeakHold<4> = PeakHold::new(Span(3000));
        assert_eq!(valves.set(Micros(0), 0, true), None);
        assert_eq!(valves.set(Micros(1000), 1, true), None);
        assert_eq!(valves.next_due(), Some(Micros(3000)));
        assert_eq!(valves.poll(Micros(2999)), None);
        assert_eq!(valves.drive(0), Drive::Peak);
        assert_eq!(valves.poll(Micros(3000)), Some(0));
        assert_eq!(
            (valves.drive(0), valves.drive(1)),
            (Drive::Hold, Drive::Peak)
        );
        assert_eq!(valves.set(Micros(3500), 1, false), None);
        assert_eq!(valves.set(Micros(3600), 1, true), None);
        // The end of the first peak must not cut the second.
        assert_eq!(valves.poll(Micros(4000)), None);
        assert_eq!(valves.drive(1), Drive::Peak);
        assert_eq!(valves.poll(Micros(6600)), Some(1));
        assert_eq!(valves.set(Micros(7000), 1, true), None, "already open");
        assert_eq!(valves.drive(1), Drive::Hold);
        assert_eq!(
            (valves.set(Micros(7000), 9, true), valves.drive(9)),
            (None, Drive::Off)
        );
    }

    #[test]
    fn without_room_the_oldest_peak_ends_early() {
        let mut valves: PeakHold<3> = PeakHold::new(Span(3000));
        assert_eq!(valves.set(Micros(0), 0, true), None);
        for t in 0..4_u64 {
            let cut = valves.set(Micros(10 + 20 * t), 1, true);
            assert_eq!(cut, (t == 2).then_some(0), "{t}");
            assert_eq!(valves.set(Micros(20 + 20 * t), 1, false), None);
        }
        assert_eq!((valves.drive(0), valves.cut_short()), (Drive::Hold, 1));
    }
}
