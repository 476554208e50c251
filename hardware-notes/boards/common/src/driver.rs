//! Drives the controller by the time that the messages carry.

use crate::port::Port;
use crate::report::Sections;
use crate::voice::Voice;
use controller_core::link::Refusal;
use controller_core::{Controller, Micros, Poll, PulseError, SectionConfig};

/// Farthest that one message may move the time on, µs: it bounds the work.
const LONGEST_STEP: u64 = 60_000_000;

/// A controller and its time. Borrows the controller, which is too large to be moved about on
/// a small stack.
pub struct Driver<'c, 'a, const N: usize, const K: usize, const H: usize, const D: usize> {
    /// The controller.
    pub core: &'c mut Controller<'a, N, K, H, D>,
    /// Its sections.
    pub sections: Sections<'a, N>,
    /// Its next deadline; none before the first stamp.
    next: Option<Micros>,
}

impl<'c, 'a, const N: usize, const K: usize, const H: usize, const D: usize>
    Driver<'c, 'a, N, K, H, D>
{
    /// At rest, and told no time yet.
    pub fn new(core: &'c mut Controller<'a, N, K, H, D>, sections: &'a [SectionConfig]) -> Self {
        Self {
            core,
            sections: Sections::new(sections),
            next: None,
        }
    }

    /// Decides up to `at`: polls at every deadline before it, then at it.
    ///
    /// # Errors
    /// [`Refusal::TooOld`] and [`Refusal::Implausible`]; nothing was done.
    pub fn until<P: Port, const O: usize>(
        &mut self,
        now: Micros,
        at: Micros,
        port: &mut P,
        voice: &mut Voice<O>,
    ) -> Result<(), Refusal> {
        if let Some(mut next) = self.next {
            if at < now {
                return Err(Refusal::TooOld);
            }
            if at.0.saturating_sub(now.0) > LONGEST_STEP {
                return Err(Refusal::Implausible);
            }
            while next < at {
                next = self.drain(next, port, voice);
            }
        }
        self.next = Some(self.drain(at, port, voice));
        Ok(())
    }

    /// Hands out what an input at `now` made ready.
    pub fn settle<P: Port, const O: usize>(
        &mut self,
        now: Micros,
        port: &mut P,
        voice: &mut Voice<O>,
    ) {
        if self.next.is_some() {
            self.next = Some(self.drain(now, port, voice));
        }
    }

    fn drain<P: Port, const O: usize>(
        &mut self,
        at: Micros,
        port: &mut P,
        voice: &mut Voice<O>,
    ) -> Micros {
        loop {
            match self.core.poll(at) {
                Poll::Command(command) => {
                    self.sections.note(&command);
                    voice.command(port, &command);
                }
                Poll::Busy => {}
                Poll::Idle { next } => return next.max(Micros(at.0.saturating_add(1))),
            }
        }
    }

    /// A wheel pulse at the instant that [`until`](Self::until) has reached.
    ///
    /// # Errors
    /// As the controller has it.
    pub fn pulse(&mut self, at: Micros) -> Result<(), Refusal> {
        self.core.handle_pulse(at).map_err(|error| match error {
            PulseError::TimeBackwards { .. } => Refusal::TooOld,
            _ => Refusal::Implausible,
        })
    }

    /// True while a valve is told to be open.
    pub fn anything_open(&self) -> bool {
        (0..=u16::MAX)
            .map_while(|nozzle| self.core.is_open(nozzle))
            .any(|open| open)
    }
}
