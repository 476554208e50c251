//! Speed from the tractor bus in the wheel's place.

use controller_core::drivers::tractor_bus::{BusSpeed, Source, parse};
use controller_core::drivers::virtual_pulses::VirtualPulses;
use controller_core::{Micros, PulseLength, Span};
use core::cell::RefCell;
use critical_section::Mutex;
use embedded_can::Frame;
use heapless::Deque;

/// Messages that may wait for the main loop: ten come a second.
const MESSAGES: usize = 4;
/// A sender that was silent for so long may be followed by another.
const GONE: Span = Span::from_ms(1000);

/// Messages from the interrupt of the bus to the main loop. **Overflow:** one that finds no room
/// is left out, as if the bus had lost it: the next one tells the whole distance.
pub struct BusInbox(Mutex<RefCell<Deque<(Micros, BusSpeed), MESSAGES>>>);

impl Default for BusInbox {
    fn default() -> Self {
        Self::new()
    }
}

impl BusInbox {
    /// Empty; fit for a `static`.
    #[must_use]
    pub const fn new() -> Self {
        Self(Mutex::new(RefCell::new(Deque::new())))
    }

    /// From the interrupt of the bus: a frame that came at `at`. Others than those of speed are
    /// left alone.
    pub fn received(&self, at: Micros, frame: &impl Frame) {
        if let Some(message) = parse(frame) {
            critical_section::with(|section| {
                if let Ok(mut inbox) = self.0.borrow(section).try_borrow_mut() {
                    let _kept = inbox.push_back((at, message));
                }
            });
        }
    }

    fn next(&self) -> Option<(Micros, BusSpeed)> {
        critical_section::with(|section| {
            let inbox = self.0.borrow(section).try_borrow_mut();
            inbox.ok().and_then(|mut inbox| inbox.pop_front())
        })
    }
}

/// Makes wheel pulses of the messages: those of one sender, the first that is heard.
pub struct BusWheel<'s> {
    inbox: &'s BusInbox,
    pulses: Option<VirtualPulses>,
    /// A message stamped after the round began.
    held: Option<(Micros, BusSpeed)>,
    /// Whose messages count, and when the last came.
    heard: Option<(Source, u8, Micros)>,
}

impl<'s> BusWheel<'s> {
    /// Gives none before a machine begins.
    #[must_use]
    pub const fn new(inbox: &'s BusInbox) -> Self {
        Self {
            inbox,
            pulses: None,
            held: None,
            heard: None,
        }
    }

    /// A machine with this way from pulse to pulse begins; none: no pulses.
    pub fn begin(&mut self, length: Option<PulseLength>) {
        // Of 2⁻³² of 1/16 mm.
        let um = length.map(|length| (length.bits() >> 16).saturating_mul(125) >> 17);
        let um = um.and_then(|um| u32::try_from(um).ok());
        self.pulses = um.and_then(VirtualPulses::new);
    }

    /// The next pulse up to `now`, if there is one; to be asked again until there is none.
    pub fn pulse(&mut self, now: Micros) -> Option<Micros> {
        let pulses = self.pulses.as_mut()?;
        loop {
            self.held = self.held.take().or_else(|| self.inbox.next());
            let until = self.held.map_or(now, |(at, _)| at.min(now));
            if let Some(at) = pulses.poll(until) {
                return Some(at);
            }
            let (at, message) = self.held.take_if(|(at, _)| *at <= now)?;
            let other = self.heard.is_some_and(|(source, sender, last)| {
                (source, sender) != (message.source, message.sender) && at.since(last) < GONE
            });
            if !other {
                self.heard = Some((message.source, message.sender, at));
                pulses.message(at, &message);
            }
        }
    }
}
