//! Pulses for the odometer made from ten messages a second of the tractor bus.
//!
//! Each message gives distance and speed at its instant. Until the next the place is carried
//! on at the mean speed to be expected (this speed plus half of its last change); when the
//! next comes, a quarter of what was carried too far or too little is taken out over the
//! following interval by a little less or more speed: places never jump and never run back,
//! and a message that the bus held up shifts them by a quarter only. A pulse is given each
//! time the place crosses a whole pulse length.
//!
//! Without a message for [`STALE`] no pulses are given, and the controller's own stop bound
//! closes everything. In reverse, or without a known distance, none are given either.
//!
//! The bus tells nothing of how old a distance is when it is sent. A constant age moves every
//! place by age times speed, images and boom alike, and cancels; its changes do not.

use super::bump;
use super::tractor_bus::{BusSpeed, Heading, driven_mm};
use crate::units::{Micros, Span};

/// Longer than this without a message nothing is carried on.
pub const STALE: Span = Span::from_ms(250);
/// From message to message, µs.
const INTERVAL: i64 = 100_000;
/// More than this between two messages is a restart of the sender, mm.
const MOST_STEP_MM: u32 = 20_000;

/// Makes pulses of a fixed length out of messages.
#[derive(Clone, Copy, Debug)]
pub struct VirtualPulses {
    pulse_um: i64,
    /// The newest message: instant, distance as sent, speed in mm/s.
    last: Option<(Micros, u32, i64)>,
    /// The true place by the messages, and the place given out, µm.
    told_um: i64,
    from: Micros,
    from_um: i64,
    speed: i64,
    next_um: i64,
    restarts: u32,
}

impl VirtualPulses {
    /// None given yet. `pulse_um` as in the machine description; 20 to 130 mm suit 10 Hz.
    /// `None` outside 1 mm to 2 m.
    #[must_use]
    pub fn new(pulse_um: u32) -> Option<Self> {
        (1000..=2_000_000).contains(&pulse_um).then_some(Self {
            pulse_um: i64::from(pulse_um),
            last: None,
            told_um: 0,
            from: Micros(0),
            from_um: 0,
            speed: 0,
            next_um: 0,
            restarts: 0,
        })
    }

    /// Distances that jumped: the sender started anew. Placement began anew with it.
    #[must_use]
    pub const fn restarts(&self) -> u32 {
        self.restarts
    }

    /// Place carried on to `now`, µm.
    fn place(&self, now: Micros) -> i64 {
        let since = i64::from(now.since(self.from).0);
        // µm a second times µs.
        let gone = self
            .speed
            .saturating_mul(since)
            .checked_div(1_000_000)
            .unwrap_or_default();
        self.from_um.saturating_add(gone)
    }

    /// A message that came at `now`. Poll up to `now` first. Constant work.
    pub fn message(&mut self, now: Micros, message: &BusSpeed) {
        let (Some(distance), Some(speed)) = (message.distance_mm, message.speed_mm_s) else {
            return;
        };
        let here = self.place(now.min(self.carried_until()));
        let speed = match message.heading {
            Some(Heading::Reverse) => 0,
            _ => i64::from(speed).saturating_mul(1000),
        };
        let step = self
            .last
            .and_then(|(_, before, _)| driven_mm(before, distance));
        match (self.last, step) {
            (Some((at, _, before)), Some(step)) if step <= MOST_STEP_MM => {
                let forward = message.heading != Some(Heading::Reverse);
                let step = if forward { i64::from(step) } else { 0 };
                self.told_um = self.told_um.saturating_add(step.saturating_mul(1000));
                let passed = i64::from(now.since(at).0).max(1);
                // Speed expected in the middle of the next interval, and what is to be made up.
                let change = speed
                    .saturating_sub(before)
                    .saturating_mul(INTERVAL)
                    .checked_div(passed.saturating_mul(2))
                    .unwrap_or_default();
                let behind = self.told_um.saturating_sub(here);
                let make_up = behind.saturating_mul(5) >> 1;
                let wanted = speed.saturating_add(change).saturating_add(make_up);
                self.speed = if speed == 0 { 0 } else { wanted.max(0) };
            }
            _ => {
                if self.last.is_some() {
                    bump(&mut self.restarts);
                }
                self.told_um = here;
                self.speed = speed;
            }
        }
        (self.from, self.from_um) = (now, here);
        self.last = Some((now, distance, speed));
    }

    fn carried_until(&self) -> Micros {
        self.last.map_or(self.from, |(at, ..)| at.plus(STALE))
    }

    /// The next pulse up to `now`, if there is one: hand it to the controller, then ask again.
    pub fn poll(&mut self, now: Micros) -> Option<Micros> {
        let at = self.next_due()?;
        if at > now {
            return None;
        }
        self.next_um = self.next_um.saturating_add(self.pulse_um);
        Some(at)
    }

    /// When the next pulse will be due, as things stand.
    #[must_use]
    pub fn next_due(&self) -> Option<Micros> {
        let to_go = self.next_um.saturating_sub(self.from_um).max(0);
        let wait = to_go.saturating_mul(1_000_000).checked_div(self.speed)?;
        let at = self.from.plus_signed(wait.saturating_add(1));
        (at <= self.carried_until()).then_some(at)
    }
}
