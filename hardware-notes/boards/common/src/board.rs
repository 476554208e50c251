//! From frames to messages to the controller, and back.

use crate::driver::Driver;
use crate::orders;
use crate::port::Port;
use crate::report::{self, Rhythm};
use crate::voice::Voice;
use controller_core::link::{
    FrameReader, FromBoard, MACHINE_VERSION, MachineTable, Order, Received, Refusal, ResetCause,
    ToBoard, Upload, Welcome, crc32,
};
use controller_core::{
    ConfigError, Controller, Direction, GuardState, MAX_PLANTS_PER_IMAGE, Micros,
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

    /// Serves the port until its far end is gone: for at most `N` nozzles with `K` patches
    /// each, `H` remembered pulses, `D` detectors.
    pub fn run<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
    ) {
        // The frame that asked for the machine now built; answered when it is.
        let mut asked = None;
        loop {
            let table = self.rest.read::<N, D>();
            asked = match &table {
                Some(table) => self.run_machine::<N, K, H, D>(port, table, asked),
                None => {
                    self.begin(port, asked, false);
                    self.serve::<N, K, H, D>(port, &mut None)
                }
            };
            if asked.is_none() {
                return;
            }
        }
    }

    // One controller on the stack, written where it stays: a second would not fit on a small
    // one.
    #[inline(never)]
    fn run_machine<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        table: &MachineTable<N, D>,
        asked: Option<u16>,
    ) -> Option<u16> {
        let mut core = build::<N, K, H, D>(table);
        let sections = table.config().sections;
        let mut driver = core.as_mut().ok().map(|core| Driver::new(core, sections));
        self.begin(port, asked, driver.is_some());
        self.serve(port, &mut driver)
    }

    /// Answers the frame that asked for a machine.
    fn begin(&mut self, port: &mut impl Port, asked: Option<u16>, built: bool) {
        let running = self.rest.upload.end().ok().filter(|_| built);
        self.rest.digest = running.map(crc32);
        if let Some(to) = asked {
            let result = built.then_some(()).ok_or(Refusal::MachineRefused);
            self.rest.last = result;
            self.rest.voice.answer(port, to, result);
        }
    }

    // Kept apart, so that its stack and that of building a controller don't add up.
    /// Serves until a new machine is there (the number of the frame that said so) or the far
    /// end is gone (`None`).
    #[inline(never)]
    fn serve<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
    ) -> Option<u16> {
        loop {
            let byte = port.read()?;
            let Received::Frame(frame) = self.reader.push(byte) else {
                continue;
            };
            let (to, order) = (frame.sequence, frame.order);
            let then = match ToBoard::read(frame.body) {
                Ok((message, rest)) => self.rest.take(port, driver, &message, rest, order),
                Err(refusal) => Then::Answer(Err(refusal)),
            };
            self.rest.voice.flush(port);
            self.rest.news(port, driver);
            if matches!(then, Then::Answer(Err(Refusal::Unreadable))) {
                self.reader.count_unreadable();
            }
            match then {
                Then::Silent => {}
                Then::Welcome => {
                    let welcome = self.rest.welcome(driver, F);
                    self.rest.voice.say(port, &welcome);
                }
                Then::Counters => {
                    let core = driver.as_ref().map(|d| *d.core.counters());
                    let message = FromBoard::Counters {
                        core: core.unwrap_or_default(),
                        link: *self.reader.counters(),
                    };
                    if !self.rest.voice.say(port, &message) {
                        let too_large = Err(Refusal::TooLarge);
                        self.rest.voice.answer(port, to, too_large);
                    }
                }
                Then::Answer(result) => {
                    self.rest.last = result;
                    self.rest.voice.answer(port, to, result);
                }
                Then::AnswerRefused(result) => {
                    self.rest.last = result;
                    if result.is_err() {
                        self.rest.voice.answer(port, to, result);
                    }
                }
                Then::NewMachine => return Some(to),
            }
        }
    }
}

/// The answer to an order.
fn answer<E: Into<Refusal>>(result: Result<(), E>) -> Then {
    Then::Answer(result.map_err(Into::into))
}

#[inline(never)]
fn build<const N: usize, const K: usize, const H: usize, const D: usize>(
    table: &MachineTable<N, D>,
) -> Result<Controller<'_, N, K, H, D>, ConfigError> {
    Controller::new(&table.config())
}

impl<const M: usize, const O: usize> Rest<M, O> {
    /// The machine that was uploaded, if there is a sound one.
    #[inline(never)]
    fn read<const N: usize, const D: usize>(&self) -> Option<MachineTable<N, D>> {
        MachineTable::read(self.upload.end().ok()?).ok()
    }

    fn take<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
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
                let now = self.now.0;
                let pong = FromBoard::Pong {
                    sent_us,
                    received_us: now,
                    replied_us: now,
                };
                self.voice.say(port, &pong);
                return Then::Silent;
            }
            // A frame that was sent again was carried out already.
            ToBoard::Image(_) | ToBoard::Pulse { .. } if order == Order::Repeat => {
                return Then::AnswerRefused(self.last);
            }
            _ if order == Order::Repeat => return Then::Answer(self.last),
            ToBoard::MachineBegin { length, digest } => {
                return Then::Answer(self.upload.begin(length, digest));
            }
            ToBoard::MachinePiece { offset, bytes } => {
                return Then::Answer(self.upload.piece(offset, bytes));
            }
            ToBoard::MachineEnd => {
                return match self.check_machine(driver.as_ref()) {
                    Ok(()) => Then::NewMachine,
                    Err(refusal) => Then::Answer(Err(refusal)),
                };
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
        self.drive(port, driver, message, rest)
    }

    /// Time, images and orders.
    fn drive<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        driver: &mut Driver<'_, '_, N, K, H, D>,
        message: &ToBoard<'_>,
        rest: &[u8],
    ) -> Then {
        let stamp = match *message {
            ToBoard::Pulse { at_us } | ToBoard::Until { at_us } => Some(Micros(at_us)),
            _ => None,
        };
        if let Some(at) = stamp {
            if let Err(refusal) = driver.until(self.now, at, port, &mut self.voice) {
                return Then::Answer(Err(refusal));
            }
            self.now = at;
        }
        let now = self.now;
        let core = &mut *driver.core;
        let then = match *message {
            ToBoard::Pulse { .. } => Then::AnswerRefused(driver.pulse(now)),
            ToBoard::Image(ref head) => Then::AnswerRefused(orders::image(core, now, head, rest)),
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
            ToBoard::EmergencyStop => answer(core.handle_emergency_stop(now)),
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
        driver.settle(now, port, &mut self.voice);
        then
    }

    /// Sends regular news if they are due.
    fn news<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        driver: &Option<Driver<'_, '_, N, K, H, D>>,
    ) {
        if !self.news.due(self.now) {
            return;
        }
        match driver {
            Some(driver) => {
                let voice = &mut self.voice;
                driver.sections.say(driver.core, self.now, port, voice);
            }
            None => report::say_nothing_runs(self.now, port, &mut self.voice),
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
        table.validate().map_err(|_| Refusal::MachineRefused)
    }

    fn welcome<const N: usize, const K: usize, const H: usize, const D: usize>(
        &self,
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
            told_time: true,
            reset: ResetCause::Unknown,
        })
    }
}
