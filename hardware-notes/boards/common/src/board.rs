//! From frames to messages to the controller, and back.

use crate::driver::Driver;
use crate::orders;
use crate::report::{self, Rhythm};
use crate::site::Site;
use crate::voice::Voice;
use controller_core::link::{
    FrameReader, FromBoard, MACHINE_VERSION, MachineTable, Order, Received, Refusal, ToBoard,
    Upload, Welcome, crc32,
};
use controller_core::{
    Command, ConfigError, Controller, Direction, GuardState, MAX_PLANTS_PER_IMAGE, Micros,
};

/// The link's side of a board: frames of at most `F` bytes, machine descriptions of `M`,
/// and `O` for what it says.
pub struct Board<const F: usize, const M: usize, const O: usize> {
    reader: FrameReader<F>,
    rest: Rest<M, O>,
}

struct Rest<const M: usize, const O: usize> {
    upload: Upload<M>,
    voice: Voice<O>,
    now: Micros,
    /// Of the machine that runs.
    digest: Option<u32>,
    /// What became of the last frame, to be said again when it is sent again.
    last: Result<(), Refusal>,
    /// Token of the latest bench run.
    run: Option<u16>,
    /// When regular news are due.
    news: Rhythm,
}

/// What a message leads to.
enum Then {
    /// Answered already.
    Silent,
    /// Who the board is.
    Welcome,
    /// The counters.
    Counters,
    /// An answer.
    Answer(Result<(), Refusal>),
    /// An answer if it was refused.
    AnswerRefused(Result<(), Refusal>),
    /// A new machine stands ready.
    NewMachine,
}

impl<const F: usize, const M: usize, const O: usize> Default for Board<F, M, O> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const F: usize, const M: usize, const O: usize> Board<F, M, O> {
    /// A board without a machine.
    #[must_use]
    pub fn new() -> Self {
        Self {
            reader: FrameReader::new(),
            rest: Rest {
                upload: Upload::new(),
                voice: Voice::new(),
                now: Micros(0),
                digest: None,
                last: Ok(()),
                run: None,
                news: Rhythm::default(),
            },
        }
    }

    /// The machine that was uploaded, if there is a sound one.
    #[inline(never)]
    pub(crate) fn table<const N: usize, const D: usize>(&self) -> Option<MachineTable<N, D>> {
        MachineTable::read(self.rest.upload.end().ok()?).ok()
    }

    /// Takes a machine description that was kept.
    pub(crate) fn preload(&mut self, machine: &[u8]) {
        let upload = &mut self.rest.upload;
        let length = u16::try_from(machine.len()).unwrap_or(u16::MAX);
        // One that does not fit is none: the host is told so and uploads another.
        let _fits = upload
            .begin(length, crc32(machine))
            .and_then(|()| upload.piece(0, machine));
    }

    /// Answers the frame that asked for a machine.
    pub(crate) fn begin(&mut self, site: &mut impl Site, asked: Option<u16>, built: bool) {
        let running = self.rest.upload.end().ok().filter(|_| built);
        self.rest.digest = running.map(crc32);
        if let Some(to) = asked {
            let result = built.then_some(()).ok_or(Refusal::MachineRefused);
            self.rest.last = result;
            self.rest.voice.answer(site, to, result);
        }
    }

    /// Takes a byte of the link. Some when a new machine is there: the number of the frame
    /// that said so.
    pub(crate) fn take_byte<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        byte: u8,
    ) -> Option<u16> {
        let Received::Frame(frame) = self.reader.push(byte) else {
            return None;
        };
        let (to, order) = (frame.sequence, frame.order);
        let then = match ToBoard::read(frame.body) {
            Ok((message, rest)) => self.rest.take(site, driver, &message, rest, order),
            Err(refusal) => Then::Answer(Err(refusal)),
        };
        self.rest.voice.flush(site);
        self.rest.news(site, driver);
        self.finish(site, driver, then, to)
    }

    // Kept apart: the counters take more stack than all that leads to an image.
    /// Says what a message led to. Some: a new machine.
    #[inline(never)]
    fn finish<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &Option<Driver<'_, '_, N, K, H, D>>,
        then: Then,
        to: u16,
    ) -> Option<u16> {
        if matches!(then, Then::Answer(Err(Refusal::Unreadable))) {
            self.reader.count_unreadable();
        }
        match then {
            Then::Silent => {}
            Then::Welcome => {
                let welcome = self.rest.welcome(site, driver, F);
                self.rest.voice.say(site, &welcome);
            }
            Then::Counters => {
                let core = driver.as_ref().map(|d| *d.core.counters());
                let message = FromBoard::Counters {
                    core: core.unwrap_or_default(),
                    link: *self.reader.counters(),
                };
                if !self.rest.voice.say(site, &message) {
                    let too_large = Err(Refusal::TooLarge);
                    self.rest.voice.answer(site, to, too_large);
                }
            }
            Then::Answer(result) => {
                self.rest.last = result;
                self.rest.voice.answer(site, to, result);
            }
            Then::AnswerRefused(result) => {
                self.rest.last = result;
                if result.is_err() {
                    self.rest.voice.answer(site, to, result);
                }
            }
            Then::NewMachine => return Some(to),
        }
        None
    }

    /// Decides up to `at`, which the clock gave, and takes it for now.
    pub(crate) fn advance<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        at: Micros,
    ) {
        self.rest.now = at;
        if let Some(driver) = driver {
            driver.advance(at, site, &mut self.rest.voice);
        }
    }

    /// Hands an input to the controller at the instant that it was advanced to, and what
    /// that made ready to the outputs.
    pub(crate) fn input<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        give: impl FnOnce(&mut Controller<'_, N, K, H, D>, Micros),
    ) {
        if let Some(driver) = driver {
            give(driver.core, self.rest.now);
            driver.settle(self.rest.now, site, &mut self.rest.voice);
        }
    }

    /// A command that was carried out at `done`.
    pub(crate) fn carried_out(&mut self, site: &mut impl Site, command: &Command, done: Micros) {
        self.rest.voice.command(site, command, done);
    }

    /// Sends the commands reported so far, and regular news if they are due.
    pub(crate) fn speak<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &Option<Driver<'_, '_, N, K, H, D>>,
        flush: bool,
    ) {
        if flush {
            self.rest.voice.flush(site);
        }
        self.rest.news(site, driver);
    }
}

fn live<S: Site>(_: &S) -> bool {
    S::LIVE
}

/// The answer to an order.
fn answer<E: Into<Refusal>>(result: Result<(), E>) -> Then {
    Then::Answer(result.map_err(Into::into))
}

/// The answer to what is answered only when refused.
fn refused<E: Into<Refusal>>(result: Result<(), E>) -> Then {
    Then::AnswerRefused(result.map_err(Into::into))
}

/// Sets a blank controller up for a machine; `acknowledge`: whatever the description says, closed
/// until a person has acknowledged.
#[inline(never)]
pub(crate) fn set_up<'a, const N: usize, const K: usize, const H: usize, const D: usize>(
    core: &mut Controller<'a, N, K, H, D>,
    table: &'a MachineTable<N, D>,
    acknowledge: bool,
) -> Result<(), ConfigError> {
    let mut config = table.config();
    config.modes.acknowledge_at_start |= acknowledge;
    core.set_up(&config)
}

impl<const M: usize, const O: usize> Rest<M, O> {
    fn take<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        message: &ToBoard<'_>,
        rest: &[u8],
        order: Order,
    ) -> Then {
        match *message {
            ToBoard::Hello => return Then::Welcome,
            ToBoard::ReadCounters => return Then::Counters,
            ToBoard::Report { every_ms } => {
                self.news.set(self.now, every_ms);
                return Then::Answer(Ok(()));
            }
            ToBoard::Ping { sent_us } => {
                let now = site.now().unwrap_or(self.now).0;
                let pong = FromBoard::Pong {
                    sent_us,
                    received_us: now,
                    replied_us: now,
                };
                self.voice.say(site, &pong);
                return Then::Silent;
            }
            // A frame that was sent again was carried out already.
            _ if order == Order::Repeat && message.is_frequent() => {
                return Then::AnswerRefused(self.last);
            }
            _ if order == Order::Repeat => return Then::Answer(self.last),
            ToBoard::MachineBegin { length, digest } => {
                return Then::Answer(self.upload.begin(length, digest));
            }
            ToBoard::MachinePiece { offset, bytes } => {
                return Then::Answer(self.upload.piece(offset, bytes));
            }
            ToBoard::MachineEnd | ToBoard::Acknowledge if site.tries_valves() => {
                return Then::Answer(Err(Refusal::Busy));
            }
            ToBoard::MachineEnd => {
                let guard = driver.as_ref().map(|d| d.core.guard_state());
                let kept = self.check_machine(driver.as_ref()).and_then(|()| {
                    let guard = guard.unwrap_or(GuardState::NeverMoved);
                    site.keep(guard, self.upload.end()?)
                });
                return match kept {
                    Ok(()) => Then::NewMachine,
                    Err(refusal) => Then::Answer(Err(refusal)),
                };
            }
            ToBoard::Strobe { detector, frame } => {
                return Then::Answer(site.announce(detector, frame));
            }
            ToBoard::Pulse { .. }
            | ToBoard::SecondPulse { .. }
            | ToBoard::Until { .. }
            | ToBoard::Direction { .. }
            | ToBoard::Supply { .. }
            | ToBoard::Switches { .. }
                if live(site) =>
            {
                return Then::Answer(Err(Refusal::NotSupported));
            }
            _ => {}
        }
        let Some(driver) = driver else {
            return Then::Answer(match *message {
                ToBoard::Until { at_us } if at_us >= self.now.0 => {
                    self.now = Micros(at_us);
                    Ok(())
                }
                _ => Err(Refusal::BadMachine),
            });
        };
        self.drive(site, driver, message, rest)
    }

    /// Time, images and orders.
    fn drive<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &mut Driver<'_, '_, N, K, H, D>,
        message: &ToBoard<'_>,
        rest: &[u8],
    ) -> Then {
        let stamp = match *message {
            ToBoard::Pulse { at_us }
            | ToBoard::SecondPulse { at_us }
            | ToBoard::Until { at_us } => Some(Micros(at_us)),
            _ => None,
        };
        if let Some(at) = stamp {
            if let Err(refusal) = driver.until(self.now, at, site, &mut self.voice) {
                return Then::Answer(Err(refusal));
            }
            self.now = at;
        }
        let now = self.now;
        let core = &mut *driver.core;
        let then = match *message {
            ToBoard::Pulse { .. } => Then::AnswerRefused(driver.pulse(now)),
            ToBoard::Image(ref head) => {
                Then::AnswerRefused(orders::image(core, site, now, head, rest))
            }
            ToBoard::SecondPulse { .. } => refused(core.handle_second_pulse(now)),
            ToBoard::YawRate { urad_s } => refused(core.handle_yaw_rate(now, urad_s)),
            ToBoard::Pressure { kpa } => refused(core.handle_pressure(now, kpa)),
            ToBoard::Until { .. } => Then::Answer(Ok(())),
            ToBoard::Mode { section, mode } => answer(core.handle_mode(now, section, mode.into())),
            ToBoard::KeepOff {
                first,
                count,
                at_us,
                from_mm,
                to_mm,
            } => {
                let (over, along) = ((first, count), (from_mm, to_mm));
                Then::Answer(orders::keep_off(core, now, over, Micros(at_us), along))
            }
            ToBoard::Bench { token, request } => {
                Then::Answer(orders::bench(core, now, token, request, &mut self.run))
            }
            ToBoard::Acknowledge => answer(core.acknowledge(now)),
            ToBoard::EmergencyStop => {
                site.stop();
                answer(core.handle_emergency_stop(now))
            }
            ToBoard::Direction { reverse } => {
                let direction = if reverse {
                    Direction::Reverse
                } else {
                    Direction::Forward
                };
                answer(core.handle_direction(now, direction))
            }
            ToBoard::Supply { ok } => answer(core.handle_supply(now, ok)),
            ToBoard::Switches { spot, broadcast } => {
                answer(core.handle_switches(now, spot, broadcast))
            }
            ToBoard::NozzleFault { nozzle, faulty } => {
                answer(core.set_nozzle_fault(now, nozzle, faulty))
            }
            _ => Then::Answer(Err(Refusal::NotSupported)),
        };
        driver.settle(now, site, &mut self.voice);
        then
    }

    /// Sends regular news if they are due.
    fn news<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        site: &mut impl Site,
        driver: &Option<Driver<'_, '_, N, K, H, D>>,
    ) {
        if !self.news.due(self.now) {
            return;
        }
        match driver {
            Some(driver) => {
                let voice = &mut self.voice;
                driver.sections.say(driver.core, self.now, site, voice);
            }
            None => report::say_nothing_runs(self.now, site, &mut self.voice),
        }
    }

    /// Whether the machine that was uploaded can take the place of the one that runs.
    #[inline(never)]
    fn check_machine<const N: usize, const K: usize, const H: usize, const D: usize>(
        &self,
        driver: Option<&Driver<'_, '_, N, K, H, D>>,
    ) -> Result<(), Refusal> {
        let moves = |guard| matches!(guard, GuardState::Running | GuardState::Reversing);
        if driver.is_some_and(|d| moves(d.core.guard_state()) || d.anything_open()) {
            return Err(Refusal::NotAtStandstill);
        }
        let bytes = self.upload.end()?;
        let table = MachineTable::<N, D>::read(bytes).map_err(|_| Refusal::BadMachine)?;
        table.validate().map_err(Refusal::from)
    }

    fn welcome<const N: usize, const K: usize, const H: usize, const D: usize>(
        &self,
        site: &impl Site,
        driver: &Option<Driver<'_, '_, N, K, H, D>>,
        frame_bytes: usize,
    ) -> FromBoard {
        let guard = driver.as_ref().map(|d| d.core.guard_state());
        FromBoard::Welcome(Welcome {
            machine_version: MACHINE_VERSION,
            machine_digest: self.digest,
            nozzles: u16::try_from(N).unwrap_or(u16::MAX),
            detectors: u8::try_from(D).unwrap_or(u8::MAX),
            plants: u8::try_from(MAX_PLANTS_PER_IMAGE).unwrap_or(u8::MAX),
            frame_bytes: u16::try_from(frame_bytes).unwrap_or(u16::MAX),
            waits_for_acknowledge: guard == Some(GuardState::Unacknowledged),
            told_time: !live(site),
            reset: site.reset_cause(),
        })
    }
}
