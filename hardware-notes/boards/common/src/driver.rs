//! Drives the controller by the driving contract: polled up to an input's stamp, given the
//! input, polled again.

use crate::report::Sections;
use crate::site::Site;
use crate::voice::Voice;
use controller_core::link::Refusal;
use controller_core::{
    Action, Controller, Cycle, GuardState, Micros, Poll, PulseError, SectionConfig,
};

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
    pub fn until<S: Site, const O: usize>(
        &mut self,
        now: Micros,
        at: Micros,
        site: &mut S,
        voice: &mut Voice<O>,
    ) -> Result<(), Refusal> {
        if self.next.is_some() {
            if at < now {
                return Err(Refusal::TooOld);
            }
            if at.0.saturating_sub(now.0) > LONGEST_STEP {
                return Err(Refusal::Implausible);
            }
        }
        self.advance(at, site, voice);
        Ok(())
    }

    /// Decides up to `at`, which a clock gave.
    pub fn advance<S: Site, const O: usize>(
        &mut self,
        at: Micros,
        site: &mut S,
        voice: &mut Voice<O>,
    ) {
        if let Some(mut next) = self.next {
            while next < at {
                next = self.drain(next, site, voice);
            }
        }
        self.next = Some(self.drain(at, site, voice));
    }

    /// Hands out what an input at `now` made ready.
    pub fn settle<S: Site, const O: usize>(
        &mut self,
        now: Micros,
        site: &mut S,
        voice: &mut Voice<O>,
    ) {
        if self.next.is_some() {
            self.next = Some(self.drain(now, site, voice));
        }
    }

    fn drain<S: Site, const O: usize>(
        &mut self,
        at: Micros,
        site: &mut S,
        voice: &mut Voice<O>,
    ) -> Micros {
        loop {
            match self.core.poll(at) {
                Poll::Command(command) => {
                    self.sections.note(&command);
                    let command = site.place(command);
                    let opens = S::CYCLES && command.action == Action::Open;
                    let first = opens.then(|| self.cycle(at, command.at, command.nozzle));
                    if !site.command(&command, first.flatten()) {
                        voice.command(site, &command, command.at);
                    }
                }
                Poll::Busy => {}
                Poll::Idle { next } => return next.max(Micros(at.0.saturating_add(1))),
            }
        }
    }

    /// What the cycle of an open valve is to be that begins at `begins`, by the speed of `now`; none
    /// on a machine without a rate.
    pub fn cycle(&mut self, now: Micros, begins: Micros, nozzle: u16) -> Option<Cycle> {
        let mut cycle = self.core.cycle(now, begins, nozzle)?;
        if self.core.guard_state() == GuardState::Bench {
            // Who tries a valve at rest wants all of it; the rate asks for next to nothing there.
            cycle.duty = 1000;
        }
        Some(cycle)
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

    /// The next instant at which it has something to decide; none before the first stamp.
    pub fn next(&self) -> Option<Micros> {
        self.next
    }

    /// True while a valve is told to be open.
    pub fn anything_open(&self) -> bool {
        (0..=u16::MAX)
            .map_while(|nozzle| self.core.is_open(nozzle))
            .any(|open| open)
    }
}
