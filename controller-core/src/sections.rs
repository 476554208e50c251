//! Sections of the boom, and what the operator wants of each: spot, broadcast or off.
//!
//! A mode comes as a message, which counts at once, or from a two-wire switch, which is
//! debounced: a change takes effect once the wires have been quiet for
//! [`ModesConfig::switch_quiet`](crate::boom::ModesConfig). The later of the two wins.
//!
//! **Overflow policy:** none needed; there is one state a section, whatever comes.

use crate::counters::{Counters, bump};
use crate::units::{Micros, Span, low_u32};
use crate::wake::bits;

/// Most sections of a boom.
pub const MAX_SECTIONS: usize = 64;

/// What a section does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Mode {
    /// Sprays plants, and unseen ground where
    /// [`UnseenPolicy::Spray`](crate::boom::UnseenPolicy) says so.
    #[default]
    Spot,
    /// Sprays everything.
    Broadcast,
    /// Sprays nothing. What is planned ahead is kept.
    Off,
}

/// A run of neighbouring nozzles that is switched as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SectionConfig {
    /// Index of its leftmost nozzle.
    pub first: u16,
    /// How many nozzles, at least one.
    pub count: u16,
}

/// Why an order was refused. Counted in
/// [`Counters::orders_refused`](crate::Counters::orders_refused).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum OrderError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// No such section in the machine description.
    UnknownSection {
        /// As given.
        section: u8,
    },
    /// No such nozzles in the machine description, or none at all.
    UnknownNozzles {
        /// First, as given.
        first: u16,
        /// How many, as given.
        count: u16,
    },
    /// A stretch that ends before it begins.
    Backwards,
    /// A stretch of which an end is more than 10 km from the boom.
    TooFar,
    /// A stretch that lies wholly behind the boom already.
    Behind,
    /// The machine moves: a latch is only released at standstill.
    Moving,
    /// The supply is still low.
    SupplyLow,
}

impl core::fmt::Display for OrderError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "stamped before {} µs, already seen", latest.0)
            }
            Self::UnknownSection { section } => write!(f, "no section {section}"),
            Self::UnknownNozzles { first, count } => {
                write!(f, "no {count} nozzles from nozzle {first} on")
            }
            Self::Backwards => f.write_str("the stretch ends before it begins"),
            Self::TooFar => f.write_str("the stretch is more than 10 km from the boom"),
            Self::Behind => f.write_str("the stretch lies behind the boom already"),
            Self::Moving => f.write_str("the machine moves: acknowledge at standstill"),
            Self::SupplyLow => f.write_str("the supply is still low"),
        }
    }
}

impl core::error::Error for OrderError {}

/// Modes and switches of all sections; one bit each.
#[derive(Clone, Debug)]
pub(crate) struct Sections {
    /// Bits of the sections that exist.
    all: u64,
    spot: u64,
    broadcast: u64,
    /// The wires as last read, and as they were when last settled.
    wires: [u64; 2],
    settled: [u64; 2],
    read_before: bool,
    /// Sections whose wires moved and have not been quiet long enough.
    moving: u64,
    /// When they last moved: low 32 bits of the stamp.
    moved_at: [u32; MAX_SECTIONS],
}

/// The bit of a section; none from 64 on.
#[cfg_attr(target_os = "none", inline(never))]
fn bit(section: usize) -> u64 {
    u32::try_from(section)
        .ok()
        .and_then(|shift| 1_u64.checked_shl(shift))
        .unwrap_or_default()
}

/// The sections in a mask.
fn ones(mask: u64) -> impl Iterator<Item = usize> {
    let behind = bits(low_u32(mask >> 32)).map(|section| section.wrapping_add(32));
    bits(low_u32(mask)).chain(behind)
}

impl Sections {
    /// None. All zero, so that a part of the controller is cleared where it lies.
    pub(crate) const NONE: Self = Self {
        all: 0,
        spot: 0,
        broadcast: 0,
        wires: [0; 2],
        settled: [0; 2],
        read_before: false,
        moving: 0,
        moved_at: [0; MAX_SECTIONS],
    };

    /// So many, all in spot mode; at most [`MAX_SECTIONS`].
    pub(crate) fn set_up(&mut self, count: usize) {
        self.all = bit(count).wrapping_sub(1);
        self.spot = self.all;
    }

    #[cfg(test)]
    fn new(count: usize) -> Self {
        let mut new = Self::NONE;
        new.set_up(count);
        new
    }

    pub(crate) fn exists(&self, section: usize) -> bool {
        self.all & bit(section) != 0
    }

    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn mode(&self, section: usize) -> Mode {
        let bit = bit(section);
        if self.spot & bit != 0 {
            Mode::Spot
        } else if self.broadcast & bit != 0 {
            Mode::Broadcast
        } else {
            Mode::Off
        }
    }

    /// True when every section is in spot mode.
    pub(crate) fn all_spot(&self) -> bool {
        self.spot == self.all
    }

    /// True when no switch waits to become quiet.
    pub(crate) fn settled(&self) -> bool {
        self.moving == 0
    }

    /// Sets a mode at once. Returns whether it changed.
    pub(crate) fn set(&mut self, section: usize, mode: Mode) -> bool {
        let bit = bit(section) & self.all;
        let before = (self.spot & bit, self.broadcast & bit);
        self.spot &= !bit;
        self.broadcast &= !bit;
        match mode {
            Mode::Spot => self.spot |= bit,
            Mode::Broadcast => self.broadcast |= bit,
            Mode::Off => {}
        }
        (self.spot & bit, self.broadcast & bit) != before
    }

    /// Reads the wires of all switches, a bit a section. Bounded by the sections.
    pub(crate) fn read(&mut self, now: Micros, wires: [u64; 2], counters: &mut Counters) {
        let [spot, broadcast] = wires;
        let [spot_before, broadcast_before] = self.wires;
        let mut moved = ((spot ^ spot_before) | (broadcast ^ broadcast_before)) & self.all;
        if !self.read_before {
            self.read_before = true;
            // What they say is not known yet: every section waits once.
            self.settled = [!spot, !broadcast];
            moved = self.all;
        }
        for (section, at) in self.moved_at.iter_mut().enumerate() {
            let bit = bit(section);
            if moved & bit != 0 {
                if self.moving & bit != 0 {
                    bump(&mut counters.switch_chatter);
                }
                *at = low_u32(now.0);
            }
        }
        self.moving |= moved;
        self.wires = wires;
    }

    /// The sections of which the switch has been quiet for long enough at a decision instant.
    fn quiet(&self, at: Micros, quiet: Span) -> u64 {
        let mut ripe = 0;
        for section in ones(self.moving) {
            let Some(moved_at) = self.moved_at.get(section) else {
                continue;
            };
            if low_u32(at.0).wrapping_sub(*moved_at) >= quiet.0 {
                ripe |= bit(section);
            }
        }
        ripe
    }

    /// Of these sections those of which the switch tells something new. Wires that bounced and
    /// came back tell nothing new: a message stays in force.
    fn news(&self, ripe: u64) -> u64 {
        let [spot, broadcast] = self.wires;
        let [spot_before, broadcast_before] = self.settled;
        ((spot ^ spot_before) | (broadcast ^ broadcast_before)) & ripe
    }

    /// Whether a mode may change at a decision instant. Bounded by the sections.
    pub(crate) fn ripe(&self, at: Micros, quiet: Span) -> bool {
        self.quiet(at, quiet) != 0
    }

    /// Applies what has been quiet for long enough at a decision instant. Returns
    /// whether any mode changed. Bounded by the sections.
    pub(crate) fn settle(&mut self, at: Micros, quiet: Span, counters: &mut Counters) -> bool {
        if self.moving == 0 {
            return false;
        }
        let ripe = self.quiet(at, quiet);
        self.moving &= !ripe;
        let mut changed = false;
        let [spot, broadcast] = self.wires;
        let [spot_before, broadcast_before] = self.settled;
        let news = self.news(ripe);
        for section in ones(news) {
            let bit = bit(section);
            let mode = match (spot & bit != 0, broadcast & bit != 0) {
                (true, false) => Mode::Spot,
                (false, true) => Mode::Broadcast,
                (false, false) => Mode::Off,
                // No position of the switch closes both: a fault of the wiring.
                (true, true) => {
                    bump(&mut counters.switch_faults);
                    Mode::Off
                }
            };
            if self.set(section, mode) {
                changed = true;
                bump(&mut counters.mode_changes);
            }
        }
        self.settled = [
            (spot_before & !ripe) | (spot & ripe),
            (broadcast_before & !ripe) | (broadcast & ripe),
        ];
        changed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const QUIET: Span = Span::from_ms(30);

    #[test]
    fn sixty_four_sections_fit() {
        let mut sections = Sections::new(64);
        assert!(sections.exists(63) && !sections.exists(64));
        assert!(sections.all_spot());
        assert!(sections.set(63, Mode::Broadcast));
        assert!(!sections.set(63, Mode::Broadcast));
        assert_eq!(sections.mode(63), Mode::Broadcast);
        assert_eq!(sections.mode(62), Mode::Spot);
        assert!(!Sections::new(3).exists(3));
    }

    #[test]
    fn a_switch_counts_once_it_is_quiet_and_its_chatter_is_counted() {
        let mut c = Counters::default();
        let mut s = Sections::new(2);
        // Both sections' switches stand on spot from the start.
        s.read(Micros(0), [0b11, 0], &mut c);
        assert!(!s.settle(Micros(30_000), QUIET, &mut c));
        assert!(s.settled());
        // Section 1 is turned to broadcast and chatters: off, broadcast, off, broadcast.
        s.read(Micros(100_000), [0b01, 0], &mut c);
        for k in 1..=3u64 {
            let wires = if k % 2 == 1 { 0b10 } else { 0 };
            s.read(Micros(100_000 + k * 2000), [0b01, wires], &mut c);
        }
        assert_eq!(c.switch_chatter, 3);
        assert!(!s.settle(Micros(135_999), QUIET, &mut c));
        assert_eq!(s.mode(1), Mode::Spot);
        assert!(s.settle(Micros(136_000), QUIET, &mut c));
        assert_eq!((s.mode(0), s.mode(1)), (Mode::Spot, Mode::Broadcast));
        assert_eq!(c.mode_changes, 1);
    }

    #[test]
    fn both_wires_are_a_fault_and_close() {
        let mut c = Counters::default();
        let mut s = Sections::new(1);
        s.read(Micros(0), [1, 1], &mut c);
        assert!(s.settle(Micros(40_000), QUIET, &mut c));
        assert_eq!((s.mode(0), c.switch_faults), (Mode::Off, 1));
    }

    #[test]
    fn a_bounce_does_not_undo_a_message() {
        let mut c = Counters::default();
        let mut s = Sections::new(1);
        s.read(Micros(0), [1, 0], &mut c);
        s.settle(Micros(40_000), QUIET, &mut c);
        s.set(0, Mode::Off);
        s.read(Micros(50_000), [0, 0], &mut c);
        s.read(Micros(50_500), [1, 0], &mut c);
        assert!(!s.settle(Micros(90_000), QUIET, &mut c));
        assert_eq!(s.mode(0), Mode::Off);
        // But a real turn of the switch does.
        s.read(Micros(100_000), [0, 1], &mut c);
        assert!(s.settle(Micros(140_000), QUIET, &mut c));
        assert_eq!(s.mode(0), Mode::Broadcast);
    }

    #[test]
    fn a_stamp_may_cross_its_short_wrap_while_a_switch_settles() {
        let mut c = Counters::default();
        let mut s = Sections::new(1);
        let wrap = 1u64 << 32;
        s.read(Micros(wrap - 10_000), [0, 1], &mut c);
        assert!(!s.settle(Micros(wrap + 19_999), QUIET, &mut c));
        assert!(s.settle(Micros(wrap + 20_000), QUIET, &mut c));
    }
}
