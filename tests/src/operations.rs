//! Lists of operations for the controller, made from any bytes, and what must hold after
//! each of them. Driven by a property test in the test command, and by the fuzzer in
//! `tests/fuzz` for as long as one likes.

use crate::{Core, core_of};
use controller_core::{
    Action, Along, BenchRequest, Command, Config, DetectorConfig, Direction, FanConfig, GuardState,
    Image, Length, Micros, Mode, ModesConfig, NozzleConfig, Over, Plant, Poll, PulseLength,
    SectionConfig, Span, Stretch, TurningConfig, UnseenPolicy, YawSource,
};

/// Nozzles of the boom: two groups of the controller, the second one short.
pub const NOZZLES: u16 = 40;
const SECTIONS: u8 = 5;
/// 20 mm pulses and 0.3 m/s creep: so long without a pulse is a standstill, µs.
const STANDS_AFTER: u64 = 66_667;
const PERIOD: u64 = 2_000;
/// Period and slack: a command lies no further ahead, µs.
const WINDOW: u64 = 2_500;
const SHORTEST_ON: u64 = 20_000;
const HOLD: u64 = 500_000;
const CAP: u64 = 2_000_000;

/// Reads operations off bytes; zeros when they run out.
struct Bytes<'b>(&'b [u8]);

impl Bytes<'_> {
    fn u8(&mut self) -> u8 {
        match self.0.split_first() {
            Some((first, rest)) => {
                self.0 = rest;
                *first
            }
            None => 0,
        }
    }

    fn u16(&mut self) -> u16 {
        u16::from_le_bytes([self.u8(), self.u8()])
    }
}

/// What a trial saw, to compare two of them and to tell that it was no empty exercise.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// All commands in the order in which they were handed out.
    pub commands: Vec<Command>,
    /// Operations done.
    pub operations: usize,
    /// Commands to open at rest.
    pub bench_opens: usize,
    /// Latches that closed something.
    pub stops: usize,
    /// Plants aimed at anew in a changing curve.
    pub moved: u32,
    /// Patches given up by nozzles that ran back.
    pub ran_back: u32,
}

/// How the caller treats the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Caller {
    /// Keeps the contract, but stalls now and then.
    Stalls,
    /// Keeps the contract.
    Keeps,
    /// Keeps it, and polls in between, which must change nothing.
    Restless,
    /// Keeps it, with the reference that skips no decision instant.
    EveryInstant,
    /// Keeps it, in the shortest calls that there are: notes pulses, and takes images in steps.
    Steps,
    /// Keeps it, with the reference that does at once all that an input leaves for the polls.
    AtOnce,
}

/// One controller under trial, with a plain model of what it may do.
struct Trial {
    core: Core,
    now: u64,
    next: u64,
    caller: Caller,
    seen: Seen,
    open_since: Vec<Option<u64>>,
    last_at: Vec<u64>,
    /// Since when each section has been off.
    off_since: Vec<Option<u64>>,
    latched: bool,
    supply_is_low: bool,
    last_pulse: Option<u64>,
    /// Since when the machine goes back.
    back_since: Option<u64>,
    /// The yaw rate by its readings, µrad/s, where the machine is told of turning.
    yaw: Option<i32>,
    /// Whether there is a direction input at all.
    has_direction: bool,
    /// Since when each nozzle has been called faulty.
    faulty_since: Vec<Option<u64>>,
    held_at: Option<u64>,
    stalled_to: u64,
    // Answers that were refusals.
    pulses: u32,
    images: u32,
    orders: u32,
    bench: u32,
    directions: u32,
}

/// Does the operations that `bytes` hold, and checks after each. Returns what was seen.
///
/// The caller may stall. `every_instant` and `restless` are for callers that keep the
/// contract: see [`Caller`].
///
/// # Panics
/// When anything that must hold does not.
pub fn run_operations(bytes: &[u8], caller: Caller) -> Seen {
    let mut bytes = Bytes(bytes);
    let mut trial = Trial::new(bytes.u8(), caller);
    while !bytes.0.is_empty() {
        trial.operate(&mut bytes);
        trial.seen.operations += 1;
        trial.check();
    }
    // Whatever it was: left alone, everything comes to rest.
    trial.wait(3_000_000);
    trial.check();
    assert!(
        trial.open_since.iter().all(Option::is_none),
        "open for ever"
    );
    let yaw = trial.core.yaw_counts();
    (trial.seen.moved, trial.seen.ran_back) = (yaw.moved, yaw.ran_back);
    trial.seen
}

impl Trial {
    fn new(choice: u8, caller: Caller) -> Self {
        let nozzles: Vec<NozzleConfig> = (0..NOZZLES)
            .map(|i| NozzleConfig {
                // A boom with two steps, to give the nozzles different ground.
                x: Length::from_mm(if i % 2 == 0 { 0 } else { -300 }),
                ..NozzleConfig::evenly_spaced(i, NOZZLES, Length::from_mm(500))
            })
            .collect();
        let eye = |y| DetectorConfig {
            y: Length::from_mm(y),
            ..DetectorConfig::centred(Length::from_mm(1000), Length::from_mm(5_100))
        };
        let detectors = [eye(-5000), eye(5000)];
        let sections: Vec<SectionConfig> = (0..u16::from(SECTIONS))
            .map(|s| SectionConfig {
                first: s * 8,
                count: 8,
            })
            .collect();
        let pulse = PulseLength::from_nm(20_000_000).expect("usual");
        let mut config = Config::new(pulse, &[], &detectors);
        config.sections = &sections;
        config.wheel.direction_input = choice & 4 == 0;
        if choice & 8 != 0 {
            config.fan = Some(FanConfig::new(
                Length::from_mm(714),
                Length::from_mm(if choice & 16 == 0 { 0 } else { 200 }),
                Length::from_mm(500),
            ));
        }
        config.patch.edge_extra = Length::from_mm(20);
        config.patch.open_extra_time = Span::from_ms(2);
        config.patch.close_extra_time = Span::from_ms(3);
        config.modes = ModesConfig {
            unseen: if choice & 1 == 0 {
                UnseenPolicy::Skip
            } else {
                UnseenPolicy::Spray
            },
            acknowledge_at_start: choice & 2 != 0,
            bench_on_cap: Span(CAP as u32),
            ..ModesConfig::default()
        };
        let turns = choice & 32 != 0;
        config.turning = turns.then(|| TurningConfig {
            wheel_y: Length::from_mm(-700),
            source: if choice & 64 == 0 {
                YawSource::Rate
            } else {
                YawSource::SecondWheel {
                    pulse_length: pulse,
                    y: Length::from_mm(800),
                }
            },
            ..TurningConfig::yaw_rate(Length::from_mm(1500))
        });
        let mut core = core_of(&nozzles, &config);
        if caller == Caller::EveryInstant {
            core.decide_at_every_instant();
        }
        let count = usize::from(NOZZLES);
        Self {
            latched: config.modes.acknowledge_at_start,
            core,
            now: 0,
            next: 0,
            caller,
            seen: Seen::default(),
            open_since: vec![None; count],
            last_at: vec![0; count],
            off_since: vec![None; usize::from(SECTIONS)],
            supply_is_low: false,
            last_pulse: None,
            back_since: None,
            yaw: turns.then_some(0),
            has_direction: config.wheel.direction_input,
            faulty_since: vec![None; count],
            held_at: None,
            stalled_to: 0,
            pulses: 0,
            images: 0,
            orders: 0,
            bench: 0,
            directions: 0,
        }
    }

    /// Polls at `now` until the core rests, and holds every command against the model.
    fn drain(&mut self) {
        if self.caller == Caller::AtOnce {
            self.core.finish_inputs();
        }
        for _ in 0..10_000 {
            match self.core.poll(Micros(self.now)) {
                Poll::Busy => {}
                Poll::Command(command) => self.command(command),
                Poll::Idle { next } => {
                    assert!(next.0 > self.now, "idle until {} at {}", next.0, self.now);
                    self.next = next.0;
                    return;
                }
            }
        }
        panic!("no rest at {}", self.now);
    }

    fn command(&mut self, command: Command) {
        let n = usize::from(command.nozzle);
        let at = command.at.0;
        let opens = command.action == Action::Open;
        assert_eq!(
            opens,
            self.open_since[n].is_none(),
            "told the same twice: {command:?}"
        );
        assert!(
            at >= self.last_at[n],
            "backwards: {command:?} after {}",
            self.last_at[n]
        );
        assert!(
            at <= self.now + WINDOW,
            "too far ahead at {}: {command:?}",
            self.now
        );
        if opens {
            assert!(!self.latched, "{command:?} while latched");
            assert!(self.faulty_since[n].is_none(), "{command:?} though faulty");
            assert!(
                self.back_since.is_none() || self.held_at.is_some(),
                "{command:?} while going back"
            );
            if self.stands(at) {
                // Only a person who holds the button opens a valve at rest.
                let held = self.held_at.expect("nothing was asked of the bench state");
                assert!(at <= held + HOLD + WINDOW, "{command:?}, held at {held}");
                self.seen.bench_opens += 1;
            }
        } else if let (true, Some(since)) = (self.stands(at), self.open_since[n])
            && self.held_at.is_some_and(|held| since >= held)
        {
            assert!(
                at <= since + CAP + 2 * PERIOD,
                "open from {since}: {command:?}"
            );
        }
        self.open_since[n] = opens.then_some(at);
        self.last_at[n] = at;
        self.seen.commands.push(command);
    }

    /// Whether by the pulses alone the machine surely stands.
    fn stands(&self, at: u64) -> bool {
        self.last_pulse
            .is_none_or(|last| at > last + STANDS_AFTER + WINDOW)
    }

    /// Lets time pass, polling at every deadline.
    fn wait(&mut self, us: u64) {
        let until = self.now + us;
        while self.next <= until {
            if self.caller == Caller::Restless && self.next > self.now + 700 {
                self.now += 700;
                self.drain();
                continue;
            }
            self.now = self.now.max(self.next);
            self.drain();
        }
        self.now = until;
        self.drain();
    }

    fn pulse(&mut self) {
        let refused = if self.caller == Caller::Steps {
            let before = self.core.counters().pulses_refused;
            let noted = self.core.note_pulse(Micros(self.now));
            assert_eq!(noted, Ok(()));
            self.drain();
            self.core.counters().pulses_refused > before
        } else {
            self.core.handle_pulse(Micros(self.now)).is_err()
        };
        self.pulses += u32::from(refused);
        if !refused {
            self.last_pulse = Some(self.now);
        }
        self.drain();
        if let Some(rate) = self.yaw {
            // Of the two the one that the machine does not have is refused and counted.
            let told = self.core.handle_yaw_rate(Micros(self.now), rate).is_ok();
            self.drain();
            let also = self.core.handle_second_pulse(Micros(self.now)).is_ok();
            assert!(!(told && also), "two sources of the heading");
            self.drain();
        }
        if self.held_at.take().is_some() {
            self.all_closed("a pulse in the bench state");
        }
    }

    fn all_closed(&self, why: &str) {
        for (n, since) in self.open_since.iter().enumerate() {
            assert!(since.is_none(), "{why}: nozzle {n} open at {}", self.now);
        }
    }

    fn order(&mut self, result: Result<(), controller_core::OrderError>) -> bool {
        self.orders += u32::from(result.is_err());
        self.drain();
        result.is_ok()
    }

    fn stop(&mut self, why: &str) {
        let before = self.open_since.iter().flatten().count();
        self.seen.stops += usize::from(before > 0);
        self.latched = true;
        self.held_at = None;
        self.drain();
        // Handed out by the polls at the same instant, and none later than one window.
        self.all_closed(why);
    }

    fn operate(&mut self, bytes: &mut Bytes<'_>) {
        let code = bytes.u8();
        let now = Micros(self.now);
        // Up to 1 rad/s to either hand.
        self.yaw = self.yaw.map(|_| (i32::from(code) - 128) * 8_000);
        match code % 19 {
            // Drives some way, 0.5 to 8 m/s.
            0..=4 => {
                let period = 2_500 + u64::from(bytes.u16() % 37_500);
                for _ in 0..=bytes.u8() % 48 {
                    self.wait(period);
                    self.pulse();
                }
            }
            5..=7 => self.image(bytes),
            8 => {
                let mode = match bytes.u8() % 3 {
                    0 => Mode::Spot,
                    1 => Mode::Broadcast,
                    _ => Mode::Off,
                };
                let result = self
                    .core
                    .handle_mode(now, bytes.u8() % (SECTIONS + 1), mode);
                self.order(result);
            }
            9 => {
                let (spot, broadcast) = (u64::from(bytes.u8()), u64::from(bytes.u8()));
                let result = self.core.handle_switches(now, spot, broadcast);
                self.order(result);
            }
            10 => {
                let over = match bytes.u8() % 3 {
                    0 => Over::Boom,
                    1 => Over::Section(bytes.u8() % (SECTIONS + 1)),
                    _ => Over::Nozzles {
                        first: u16::from(bytes.u8() % 48),
                        count: u16::from(bytes.u8() % 24),
                    },
                };
                let from = i32::from(bytes.u16() % 4000) - 500;
                let to = from + i32::from(bytes.u16() % 2000) - 20;
                let (from, to) = (Length::from_mm(from), Length::from_mm(to));
                let result = self
                    .core
                    .handle_keep_off(now, over, Along::Ahead { from, to });
                self.order(result);
            }
            11 => {
                let result = self.core.handle_emergency_stop(now);
                assert_eq!(result, Ok(()));
                self.stop("emergency stop");
            }
            12 => {
                self.wait(u64::from(bytes.u8()) * 2_000);
                let result = self.core.acknowledge(Micros(self.now));
                if self.order(result) {
                    self.latched = false;
                }
            }
            13 => {
                let ok = !bytes.u8().is_multiple_of(4);
                let result = self.core.handle_supply(now, ok);
                assert_eq!(result, Ok(()));
                self.supply_is_low = !ok;
                self.drain();
                if !ok {
                    self.stop("supply low");
                }
            }
            14 => self.try_bench(bytes),
            15 => self.turn(bytes),
            // Mostly it goes forward.
            16 if self.back_since.is_some() => self.turn(bytes),
            16 | 17 => self.fault(bytes),
            _ => match bytes.u8() % 4 {
                0 if self.caller == Caller::Stalls => {
                    // A caller that stalls.
                    self.now += u64::from(bytes.u16()) * 4;
                    // Then all groups come round within a period.
                    self.stalled_to = self.now + PERIOD;
                    self.drain();
                }
                1 if self.now > 1_000 => {
                    // A clock that runs backwards is refused.
                    let past = Micros(self.now.saturating_sub(1 + u64::from(bytes.u8())));
                    let pulse = self.core.handle_pulse(past).is_err();
                    let order = self.core.handle_mode(past, 0, Mode::Off).is_err();
                    assert!(pulse && order);
                    self.pulses += 1;
                    self.orders += 1;
                    self.drain();
                }
                _ => self.wait(u64::from(bytes.u16()) * 10),
            },
        }
    }

    fn image(&mut self, bytes: &mut Bytes<'_>) {
        let captured = self.now.saturating_sub(u64::from(bytes.u8()) * 1_000);
        let from = i32::from(bytes.u8()) * 4;
        let mm = |n: i32| Length::from_mm(n);
        let plants: Vec<Plant> = (0..bytes.u8() % 5)
            .map(|_| Plant {
                x: mm(i32::from(bytes.u8()) * 6),
                y: mm((i32::from(bytes.u8()) - 128) * 80),
                length: mm(i32::from(bytes.u8())),
                width: mm(i32::from(bytes.u8()) * 8),
                id: Some(u16::from(bytes.u8())).filter(|id| id % 4 == 0),
            })
            .collect();
        let image = Image {
            detector: bytes.u8() % 3,
            captured_at: Micros(captured),
            seen: Stretch {
                from: mm(from),
                to: mm(from + i32::from(bytes.u8()) * 6),
            },
            plants: &plants,
        };
        let result = if self.caller == Caller::Steps {
            (self.core.begin_image(Micros(self.now), &image)).map(|mut work| {
                (0..10_000)
                    .find_map(|_| self.core.step_image(&mut work))
                    .expect("an image comes to its end")
            })
        } else {
            self.core.handle_image(Micros(self.now), &image)
        };
        self.images += u32::from(result.is_err());
        if let Ok(report) = result {
            let told = report.accepted + report.outside + report.late + report.unserved;
            assert_eq!(usize::from(told), plants.len(), "{report:?}");
        }
        self.drain();
    }

    fn turn(&mut self, bytes: &mut Bytes<'_>) {
        let direction = if self.back_since.is_none() {
            Direction::Reverse
        } else {
            Direction::Forward
        };
        // Most turns are made at rest; a wire that chatters makes them at any time.
        if !bytes.u8().is_multiple_of(4) {
            self.wait(100_000);
        }
        let result = self.core.handle_direction(Micros(self.now), direction);
        self.directions += u32::from(result.is_err());
        assert_eq!(result.is_ok(), self.has_direction);
        if result.is_ok() {
            self.back_since = (direction == Direction::Reverse).then_some(self.now);
        }
        self.drain();
    }

    fn fault(&mut self, bytes: &mut Bytes<'_>) {
        let nozzle = u16::from(bytes.u8() % 42);
        let fault = bytes.u8().is_multiple_of(2);
        let result = (self.core).set_nozzle_fault(Micros(self.now), nozzle, fault);
        assert_eq!(result.is_ok(), nozzle < NOZZLES);
        self.orders += u32::from(result.is_err());
        if let Some(since) = self.faulty_since.get_mut(usize::from(nozzle)) {
            *since = fault.then(|| since.unwrap_or(self.now));
        }
        self.drain();
    }

    fn try_bench(&mut self, bytes: &mut Bytes<'_>) {
        let on = Span(u32::from(bytes.u8()) * 10_000);
        let request = match bytes.u8() % 8 {
            0 => BenchRequest::Prime { on },
            1 => BenchRequest::Flush { on },
            2 => BenchRequest::Rinse {
                on,
                off: Span::from_ms(20),
                times: bytes.u8() % 24,
            },
            3 => BenchRequest::Click {
                nozzle: u16::from(bytes.u8() % 48),
                on,
            },
            4 => BenchRequest::Release,
            _ => BenchRequest::Hold,
        };
        let result = self.core.handle_bench(Micros(self.now), request);
        self.bench += u32::from(result.is_err());
        let latched = self.latched || self.supply_is_low;
        assert!(!(latched && result.is_ok()), "{request:?} while latched");
        match (result, request) {
            (Ok(()), BenchRequest::Release) => {
                self.held_at = None;
                self.drain();
                self.all_closed("released");
            }
            (Ok(()), _) => {
                self.held_at = Some(self.now);
                self.drain();
            }
            (Err(_), _) => self.drain(),
        }
    }

    /// What must hold whenever the core has come to rest.
    fn check(&mut self) {
        let c = *self.core.counters();
        assert_eq!(c.commands as usize, self.seen.commands.len());
        assert_eq!(
            (
                c.pulses_refused,
                c.images_refused,
                c.orders_refused,
                c.bench_refused,
                c.directions_refused
            ),
            (
                self.pulses,
                self.images,
                self.orders,
                self.bench,
                self.directions
            ),
            "a refusal that was not counted, or one too many"
        );
        for n in 0..NOZZLES {
            let open = self.open_since[usize::from(n)].is_some();
            assert_eq!(self.core.is_open(n), Some(open), "nozzle {n}");
        }
        if self.latched {
            self.all_closed("latched");
            assert!(self.core.guard_state().is_latched());
        }
        let idle = self
            .held_at
            .is_none_or(|held| self.now > held + HOLD + WINDOW);
        let polled = self.now >= self.stalled_to;
        for n in 0..usize::from(NOZZLES) {
            assert_eq!(
                self.core.nozzle_fault(n as u16),
                Some(self.faulty_since[n].is_some())
            );
            if polled && self.faulty_since[n].is_some_and(|t| self.now > t + PERIOD) {
                assert!(self.open_since[n].is_none(), "faulty nozzle {n} open");
            }
        }
        if polled && idle && self.back_since.is_some_and(|t| self.now > t + PERIOD) {
            self.all_closed("going back");
        }
        if self.stands(self.now) && idle && polled {
            self.all_closed("standing");
            assert_ne!(self.core.guard_state(), GuardState::Running);
        }
        for section in 0..SECTIONS {
            let since = &mut self.off_since[usize::from(section)];
            if self.core.mode(section) != Some(Mode::Off) {
                *since = None;
                continue;
            }
            let since = *since.get_or_insert(self.now);
            if idle && polled && self.now > since + SHORTEST_ON + PERIOD + WINDOW {
                let first = usize::from(section) * 8;
                for open in &self.open_since[first..first + 8] {
                    assert!(open.is_none(), "section {section} off since {since}");
                }
            }
        }
    }
}
