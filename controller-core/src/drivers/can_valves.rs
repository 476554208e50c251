//! Valves behind output modules on a CAN bus: images of 64 valves a frame.
//!
//! Frame `k` has the identifier `base + k` and eight bytes: bit `i` of byte `b` is valve
//! `64 k + 8 b + i`. Frames are sent when something in them changed, and again every `repeat`
//! so that a module can close by itself when they stop coming. `latch_us` is the frame's time
//! on the bus (130 bits: 0.5 ms at 250 kbit/s) plus the module's own: measure it.

use super::valves::set_bit;
use crate::units::{Micros, Span};
use embedded_can::{ExtendedId, Frame, Id, StandardId};

/// The image, in `FRAMES` frames.
#[derive(Clone, Debug)]
pub struct CanValves<const FRAMES: usize> {
    images: [[u8; 8]; FRAMES],
    /// Frames in which something changed since they were sent.
    changed: [bool; FRAMES],
    sent: [Option<Micros>; FRAMES],
    base: Id,
    repeat: Span,
}

impl<const FRAMES: usize> CanValves<FRAMES> {
    /// All closed, every frame to be sent. `None` when the last frame's identifier would be
    /// none.
    #[must_use]
    pub fn new(base: Id, repeat: Span) -> Option<Self> {
        let valves = Self {
            images: [[0; 8]; FRAMES],
            changed: [true; FRAMES],
            sent: [None; FRAMES],
            base,
            repeat,
        };
        valves.id(FRAMES.saturating_sub(1)).map(|_| valves)
    }

    fn id(&self, frame: usize) -> Option<Id> {
        match self.base {
            Id::Standard(base) => {
                let id = base.as_raw().checked_add(u16::try_from(frame).ok()?)?;
                StandardId::new(id).map(Id::Standard)
            }
            Id::Extended(base) => {
                let id = base.as_raw().checked_add(u32::try_from(frame).ok()?)?;
                ExtendedId::new(id).map(Id::Extended)
            }
        }
    }

    /// Notes that a valve is to be open or closed; valves that there are not are ignored.
    pub fn set(&mut self, nozzle: u16, open: bool) {
        let frame = usize::from(nozzle >> 6);
        let Some(image) = self.images.get_mut(frame) else {
            return;
        };
        let before = *image;
        set_bit(image, nozzle & 63, open).unwrap_or_default();
        if *image != before
            && let Some(changed) = self.changed.get_mut(frame)
        {
            *changed = true;
        }
    }

    /// Closes everything: all frames are to be sent.
    pub fn close_all(&mut self) {
        self.images = [[0; 8]; FRAMES];
        self.changed = [true; FRAMES];
    }

    /// A frame to be sent now: changed ones first, then those whose repeat is due. Call
    /// again until there is none. A frame that the bus did not take is put back with
    /// [`Self::not_sent`].
    pub fn next_frame<F: Frame>(&mut self, now: Micros) -> Option<F> {
        let due = |sent: &Option<Micros>| sent.is_none_or(|at| now.since(at) >= self.repeat);
        let frame = self
            .changed
            .iter()
            .position(|&changed| changed)
            .or_else(|| self.sent.iter().position(due))?;
        let made = F::new(self.id(frame)?, self.images.get(frame)?)?;
        if let (Some(changed), Some(sent)) = (self.changed.get_mut(frame), self.sent.get_mut(frame))
        {
            (*changed, *sent) = (false, Some(now));
        }
        Some(made)
    }

    /// The bus did not take a frame: all are to be sent again.
    pub fn not_sent(&mut self) {
        self.changed = [true; FRAMES];
    }
}
