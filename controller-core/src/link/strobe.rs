//! The frame strobe: the camera pulses a wire as it captures, the board stamps the pulse,
//! and the image names its frame by number. No clock of the camera's is in it.
//!
//! The wire carries no number, so the camera says "that was frame n" at once
//! ([`super::ToBoard::Strobe`]), in less than the time between two frames. From then on
//! pulses and numbers are counted together; every later announcement checks them, and one
//! that does not fit (a pulse lost on the wire) makes the log forget and lock anew.
//!
//! **Bound:** the last `N` pulses are kept, the oldest goes first; an image that comes later
//! than that is refused as [`StrobeError::Forgotten`].

use crate::counters::bump;
use crate::units::{Micros, Span};

/// Why no stamp is known for a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StrobeError {
    /// No announcement has tied pulses to numbers yet.
    NotLocked,
    /// Its pulse has not come: check the wire.
    NotYet,
    /// Its pulse was too many pulses ago.
    Forgotten,
}

/// The last `N` strobe pulses of one detector.
#[derive(Clone, Copy, Debug)]
pub struct StrobeLog<const N: usize> {
    stamps: [Micros; N],
    /// Where the newest stands, and how many there are.
    newest: usize,
    kept: usize,
    /// Number of the newest pulse's frame, once locked.
    frame: Option<u32>,
    /// An announcement is about a pulse no older than this.
    fresh: Span,
    slips: u32,
}

impl<const N: usize> StrobeLog<N> {
    /// An empty log. `fresh`: the shortest time between two frames, within which an
    /// announcement must have come.
    #[must_use]
    pub const fn new(fresh: Span) -> Self {
        const { assert!(N >= 2, "room for two pulses") };
        Self {
            stamps: [Micros(0); N],
            newest: 0,
            kept: 0,
            frame: None,
            fresh,
            slips: 0,
        }
    }

    /// Announcements that did not fit the count: pulses lost or one too many on the wire.
    #[must_use]
    pub const fn slips(&self) -> u32 {
        self.slips
    }

    /// A pulse on the wire. Constant work. One within a quarter of the time between frames
    /// is a bounce and dropped.
    pub fn pulse(&mut self, at: Micros) {
        let last = self.stamps.get(self.newest).copied().unwrap_or_default();
        if self.kept > 0 && at.since(last).0 < self.fresh.0 >> 2 {
            return;
        }
        let next = self.newest.saturating_add(1);
        self.newest = if next >= N { 0 } else { next };
        if let Some(slot) = self.stamps.get_mut(self.newest) {
            *slot = at;
        }
        self.kept = self.kept.saturating_add(1).min(N);
        self.frame = self.frame.map(|frame| frame.wrapping_add(1));
    }

    /// The camera says that its pulse just now was frame `frame`. False when that came too
    /// late to mean anything, or did not fit the count.
    pub fn announce(&mut self, now: Micros, frame: u32) -> bool {
        let last = self.stamps.get(self.newest).copied().unwrap_or_default();
        if self.kept == 0 || now < last || now.since(last) > self.fresh {
            if self.frame.is_some_and(|counted| counted != frame) {
                // Its pulse never came, so the count is off from here on.
                bump(&mut self.slips);
                (self.frame, self.kept) = (None, 0);
            }
            return false;
        }
        match self.frame.replace(frame) {
            None => true,
            Some(counted) if counted == frame => true,
            Some(_) => {
                bump(&mut self.slips);
                // Older pulses may have another offset: only this one is sure.
                self.kept = 1;
                false
            }
        }
    }

    /// When `frame` was captured.
    ///
    /// # Errors
    /// [`StrobeError`] says why that is not known.
    pub fn captured(&self, frame: u32) -> Result<Micros, StrobeError> {
        let newest = self.frame.ok_or(StrobeError::NotLocked)?;
        let back = newest.wrapping_sub(frame);
        if back > u32::MAX >> 1 {
            return Err(StrobeError::NotYet);
        }
        let back = usize::try_from(back).unwrap_or(usize::MAX);
        if back >= self.kept {
            return Err(StrobeError::Forgotten);
        }
        let at = if back <= self.newest {
            self.newest.saturating_sub(back)
        } else {
            self.newest.saturating_add(N).saturating_sub(back)
        };
        self.stamps.get(at).copied().ok_or(StrobeError::Forgotten)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: u64) -> Micros {
        Micros(ms * 1000)
    }

    #[test]
    fn frames_find_their_pulses() {
        let mut log: StrobeLog<4> = StrobeLog::new(Span::from_ms(50));
        assert!(!log.announce(at(1), 7), "no pulse yet");
        for k in 0..6 {
            log.pulse(at(1000 + 50 * k));
            log.pulse(at(1001 + 50 * k));
            assert!(log.announce(at(1010 + 50 * k), 70 + k as u32));
        }
        assert_eq!(log.captured(75), Ok(at(1250)));
        assert_eq!(log.captured(72), Ok(at(1100)));
        assert_eq!(log.captured(71), Err(StrobeError::Forgotten));
        assert_eq!(log.captured(76), Err(StrobeError::NotYet));
        assert_eq!(log.slips(), 0);
    }

    #[test]
    fn a_lost_pulse_is_noticed_and_nothing_is_given_out_wrongly_after() {
        let mut log: StrobeLog<8> = StrobeLog::new(Span::from_ms(50));
        log.pulse(at(0));
        assert!(log.announce(at(5), 10));
        // Frame 11's pulse is lost on the wire.
        assert!(!log.announce(at(55), 11));
        assert_eq!(log.captured(10), Err(StrobeError::NotLocked));
        log.pulse(at(100));
        assert!(log.announce(at(105), 12));
        assert_eq!(log.slips(), 1);
        assert_eq!(log.captured(12), Ok(at(100)));
        assert_eq!(log.captured(11), Err(StrobeError::Forgotten));
        log.pulse(at(150));
        assert!(log.announce(at(155), 13));
        assert_eq!(log.captured(12), Ok(at(100)));
        // A pulse too many, from noise on the wire.
        log.pulse(at(180));
        log.pulse(at(200));
        assert!(!log.announce(at(205), 14));
        assert_eq!((log.slips(), log.captured(14)), (2, Ok(at(200))));
        assert_eq!(log.captured(13), Err(StrobeError::Forgotten));
    }

    #[test]
    fn numbers_wrap() {
        let mut log: StrobeLog<4> = StrobeLog::new(Span::from_ms(50));
        log.pulse(at(0));
        assert!(log.announce(at(1), u32::MAX));
        log.pulse(at(50));
        assert_eq!(log.captured(0), Ok(at(50)));
        assert_eq!(log.captured(u32::MAX), Ok(at(0)));
    }
}
