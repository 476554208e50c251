//! A machine and its controller, driven by the contract, every call measured.

use crate::meter::{Meter, Row};
use controller_core::{
    Along, BenchError, BenchRequest, Config, ConfigError, Controller, DetectorConfig, Direction,
    DirectionError, FaultError, Image, ImageError, ImageReport, ImageWork, Length, Micros, Mode,
    NozzleConfig, OrderError, Over, Plant, Poll, PulseError, PulseLength, SectionConfig, Span,
    Stretch,
};
#[cfg(feature = "turning")]
use controller_core::{TurningConfig, YawError, YawSource};
use core::hint::black_box;

/// Remembered intervals a nozzle, pulses, detectors.
pub const K: usize = 16;
pub const H: usize = 64;
pub const D: usize = 4;
/// Sections of the machine.
pub const SECTIONS: usize = 16;

pub type Boom<'a, const N: usize> = Controller<'a, N, K, H, D>;

/// Tables that a controller borrows.
pub struct Tables<const N: usize> {
    pub nozzles: [NozzleConfig; N],
    pub detectors: [DetectorConfig; D],
    pub sections: [SectionConfig; SECTIONS],
}

/// Nozzles of a quarter of a metre.
pub const SPACING_MM: i32 = 250;

impl<const N: usize> Tables<N> {
    /// Every detector looks at the whole boom, 1 to 1.3 m ahead.
    pub fn new(open: Span, close: Span) -> Self {
        let nozzles = core::array::from_fn(|index| NozzleConfig {
            open_delay: open,
            close_delay: close,
            ..NozzleConfig::evenly_spaced(index as u16, N as u16, Length::from_mm(SPACING_MM))
        });
        let detectors = core::array::from_fn(|index| {
            let ahead = Length::from_mm(1000 + 100 * index as i32);
            DetectorConfig::centred(ahead, Length::from_mm(SPACING_MM * N as i32 / 2 + 100))
        });
        let each = N / SECTIONS;
        let sections = core::array::from_fn(|index| SectionConfig {
            first: (index * each) as u16,
            count: each as u16,
        });
        Self {
            nozzles,
            detectors,
            sections,
        }
    }

    /// Pulses of so many mm, the wheel turning in 2 m.
    pub fn config(&self, pulse_mm: u64) -> Config<'_> {
        let pulse = PulseLength::from_nm(pulse_mm * 1_000_000).expect("a usual length");
        let mut config = Config::new(pulse, &self.nozzles, &self.detectors);
        config.wheel.slots_per_turn = (2000 / pulse_mm) as u16;
        config.wheel.direction_input = true;
        config.sections = &self.sections;
        config.timing.detector_silence = Span::from_ms(60_000);
        #[cfg(feature = "turning")]
        {
            config.turning = Some(turning(YawSource::Rate));
        }
        config
    }
}

/// From the counted wheel to the second one, to the right.
#[cfg(feature = "turning")]
const WHEELS_APART_MM: i32 = 1600;
/// A pulse of the second wheel.
#[cfg(feature = "turning")]
const PULSE_NM: i64 = 20_000_000;

/// The second wheel.
#[cfg(feature = "turning")]
pub fn second_wheel() -> YawSource {
    YawSource::SecondWheel {
        pulse_length: PulseLength::from_nm(PULSE_NM as u64).expect("a usual length"),
        y: Length::from_mm(WHEELS_APART_MM - 500),
    }
}

/// The counted wheel is half a metre left of the middle, the boom 2 m behind the axle.
#[cfg(feature = "turning")]
pub fn turning(source: YawSource) -> TurningConfig {
    TurningConfig {
        wheel_y: Length::from_mm(-500),
        source,
        most_rate_mrad_s: 2000,
        ..TurningConfig::yaw_rate(Length::from_mm(2000))
    }
}

/// A controller of this machine; `None` when it refuses it.
pub fn set_up<'a, const N: usize>(meter: &mut Meter, config: &Config<'a>) -> Option<Boom<'a, N>> {
    let call: fn(&mut Boom<'a, N>, &Config<'a>) -> Result<(), ConfigError> =
        black_box(Boom::set_up);
    let mut core = Boom::blank();
    let done = meter.measure(Row::SetUp, || call(&mut core, config));
    done.ok().map(|()| core)
}

type BeginImage<'a, const N: usize> =
    for<'i> fn(&mut Boom<'a, N>, Micros, &Image<'i>) -> Result<ImageWork<'i>, ImageError>;

/// The controller's calls as a board has them: not inlined into what measures them.
struct Calls<'a, const N: usize> {
    poll: fn(&mut Boom<'a, N>, Micros) -> Poll,
    pulse: fn(&mut Boom<'a, N>, Micros) -> Result<(), PulseError>,
    image: BeginImage<'a, N>,
    step: fn(&mut Boom<'a, N>, &mut ImageWork<'_>) -> Option<ImageReport>,
    stop: fn(&mut Boom<'a, N>, Micros) -> Result<(), OrderError>,
    mode: fn(&mut Boom<'a, N>, Micros, u8, Mode) -> Result<(), OrderError>,
    switches: fn(&mut Boom<'a, N>, Micros, u64, u64) -> Result<(), OrderError>,
    keep_off: fn(&mut Boom<'a, N>, Micros, Over, Along) -> Result<(), OrderError>,
    direction: fn(&mut Boom<'a, N>, Micros, Direction) -> Result<(), DirectionError>,
    fault: fn(&mut Boom<'a, N>, Micros, u16, bool) -> Result<(), FaultError>,
    acknowledge: fn(&mut Boom<'a, N>, Micros) -> Result<(), OrderError>,
    bench: fn(&mut Boom<'a, N>, Micros, BenchRequest) -> Result<(), BenchError>,
    #[cfg(feature = "turning")]
    yaw: fn(&mut Boom<'a, N>, Micros, i32) -> Result<(), YawError>,
    #[cfg(feature = "turning")]
    second: fn(&mut Boom<'a, N>, Micros) -> Result<(), YawError>,
}

/// A controller being driven.
pub struct Rig<'r, 'a, const N: usize> {
    pub core: &'r mut Boom<'a, N>,
    pub meter: &'r mut Meter,
    calls: Calls<'a, N>,
    /// µs.
    pub now: u64,
    /// The machine has fans: steps of images are noted apart.
    pub fans: bool,
    /// Where polls that decide are noted.
    pub deciding: Row,
    /// Where is noted what a pulse and the polls that count it take together.
    pub pulses: Row,
    /// Where is noted what an input and the polls that do its work take together, and how much
    /// that is so far.
    input: Option<(Row, u32)>,
    next: u64,
    polls: u32,
    pulse: u32,
    slots: [i8; 128],
    /// Slots a turn.
    turn: u32,
    /// The yaw rate, µrad/s to the left: told after each pulse, or by a second wheel.
    #[cfg(feature = "turning")]
    pub rate: i32,
    /// How far the second wheel is from its last pulse, nm, where there is one, with pulses of
    /// 20 mm like the first.
    #[cfg(feature = "turning")]
    pub second: Option<i64>,
}

impl<'r, 'a, const N: usize> Rig<'r, 'a, N> {
    pub fn new(core: &'r mut Boom<'a, N>, meter: &'r mut Meter, deciding: Row, turn: u16) -> Self {
        let mut chance = Chance(0x1234_5678_9ABC_DEF1);
        Self {
            core,
            meter,
            calls: black_box(Calls {
                poll: Boom::<N>::poll,
                pulse: Boom::<N>::note_pulse,
                image: |core, now, image| core.begin_image(now, image),
                step: |core, work| core.step_image(work),
                stop: Boom::<N>::handle_emergency_stop,
                mode: Boom::<N>::handle_mode,
                switches: Boom::<N>::handle_switches,
                keep_off: Boom::<N>::handle_keep_off,
                direction: Boom::<N>::handle_direction,
                fault: Boom::<N>::set_nozzle_fault,
                acknowledge: Boom::<N>::acknowledge,
                bench: Boom::<N>::handle_bench,
                #[cfg(feature = "turning")]
                yaw: Boom::<N>::handle_yaw_rate,
                #[cfg(feature = "turning")]
                second: Boom::<N>::handle_second_pulse,
            }),
            now: 1_000_000,
            fans: false,
            deciding,
            pulses: Row::WholePulse,
            input: None,
            next: 0,
            polls: 0,
            // One per cent of a pulse either way.
            slots: core::array::from_fn(|_| chance.between(-100, 101) as i8),
            pulse: 0,
            turn: u32::from(turn.max(1)),
            #[cfg(feature = "turning")]
            rate: 60_000,
            #[cfg(feature = "turning")]
            second: None,
        }
    }

    /// Turns at this rate from now on, µrad/s to the left, where the machine turns.
    #[cfg(feature = "turning")]
    pub fn swing(&mut self, rate: i32) {
        self.rate = rate;
    }

    /// It goes straight.
    #[cfg(not(feature = "turning"))]
    pub fn swing(&mut self, _: i32) {}

    /// Polls at `now` until nothing is left to do.
    pub fn drain(&mut self) {
        let (now, deciding) = (Micros(self.now), self.deciding);
        let mut after_idle = false;
        let mut whole = 0;
        loop {
            self.polls += 1;
            let paints = self.polls < 400 || self.polls.is_multiple_of(31);
            let works = self.core.works_on_input();
            let (core, poll) = (&mut *self.core, self.calls.poll);
            let result = self.meter.measure_by(
                paints,
                || poll(core, now),
                |result| match result {
                    _ if works => Row::PollInput,
                    Poll::Idle { .. } if after_idle => Row::PollIdle,
                    Poll::Idle { .. } => Row::PollWaking,
                    _ => deciding,
                },
            );
            match &mut self.input {
                Some((_, sum)) if works => *sum += self.meter.last,
                _ if !after_idle => whole += self.meter.last,
                _ => {}
            }
            if let Poll::Idle { next } = result {
                if !after_idle {
                    let row = match deciding {
                        Row::PollComposed => Row::WholeComposed,
                        Row::PollStop => Row::WholeStop,
                        _ => Row::WholePlan,
                    };
                    self.meter.note_whole(row, whole);
                    if let Some((row, sum)) = self.input.take() {
                        self.meter.note_whole(row, sum);
                    }
                }
                self.next = next.0;
                if after_idle {
                    return;
                }
                after_idle = true;
            }
        }
    }

    /// Polls until idle after an input that was just measured.
    fn drain_input(&mut self, whole: Row) {
        self.input = Some((whole, self.meter.last));
        self.drain();
    }

    /// Polls at every deadline up to `at`, then at it.
    pub fn until(&mut self, at: u64) {
        while self.next < at {
            self.now = self.now.max(self.next);
            self.drain();
        }
        self.now = at;
        self.drain();
    }

    /// The next pulse after `period` µs, its slot a little off.
    pub fn pulse(&mut self, period: u32) -> bool {
        let uneven = |k: u32| i64::from(self.slots[(k % self.turn.min(128)) as usize]);
        let period = i64::from(period);
        let shift = (uneven(self.pulse + 1) - uneven(self.pulse)) * period / 10_000;
        self.pulse += 1;
        let at = self.now + (period + shift).max(1) as u64;
        #[cfg(feature = "turning")]
        self.second_up_to(at);
        self.until(at);
        let (core, pulse, now) = (&mut *self.core, self.calls.pulse, Micros(self.now));
        let taken = self.meter.measure(Row::Pulse, || pulse(core, now)).is_ok();
        self.drain_input(self.pulses);
        #[cfg(feature = "turning")]
        if self.second.is_none() {
            self.yaw();
        }
        taken
    }

    /// The yaw rate as it is, with the noise of a sensor.
    #[cfg(feature = "turning")]
    fn yaw(&mut self) {
        let rate = self.rate + (self.pulse % 7) as i32 * 100;
        let (core, yaw, now) = (&mut *self.core, self.calls.yaw, Micros(self.now));
        let _ = self.meter.measure(Row::Yaw, || yaw(core, now, rate));
        self.drain_input(Row::WholeYaw);
    }

    /// The second wheel's pulses before the first wheel's next, which comes at `at`.
    #[cfg(feature = "turning")]
    fn second_up_to(&mut self, at: u64) {
        let Some(since) = self.second else { return };
        let (from, time) = (self.now, at.saturating_sub(self.now) as i64);
        // mm times µrad/s times µs are 10⁻⁶ nm.
        let leads = i64::from(WHEELS_APART_MM) * i64::from(self.rate) * time / 1_000_000;
        let way = (PULSE_NM + leads).max(0);
        let mut mark = PULSE_NM - since;
        while mark <= way {
            self.until(from + (time * mark / way.max(1)) as u64);
            let (core, second, now) = (&mut *self.core, self.calls.second, Micros(self.now));
            let _ = self.meter.measure(Row::Second, || second(core, now));
            self.drain_input(Row::WholeSecond);
            mark += PULSE_NM;
        }
        self.second = Some(way + PULSE_NM - mark);
    }

    /// Pulses until standstill is far, at this period.
    pub fn run_up(&mut self, pulses: u32, period: u32) {
        for _ in 0..pulses {
            self.pulse(period);
        }
    }

    /// An image captured `age` µs ago.
    pub fn image(&mut self, row: Row, age: u64, detector: u8, seen: (i32, i32), plants: &[Plant]) {
        let image = Image {
            detector,
            captured_at: Micros(self.now.saturating_sub(age)),
            seen: Stretch {
                from: Length::from_mm(seen.0),
                to: Length::from_mm(seen.1),
            },
            plants,
        };
        let step = if self.fans {
            Row::ImageStepFan
        } else {
            Row::ImageStep
        };
        let (core, begin, now) = (&mut *self.core, self.calls.image, Micros(self.now));
        let begun = (self.meter).measure(Row::ImageBegin, || begin(core, now, &image));
        let mut whole = self.meter.last;
        if let Ok(mut work) = begun {
            let go_on = self.calls.step;
            while self
                .meter
                .measure(step, || go_on(core, &mut work))
                .is_none()
            {
                whole += self.meter.last;
            }
            whole += self.meter.last;
        }
        self.meter.note_whole(row, whole);
        self.drain();
    }

    pub fn stop(&mut self) {
        let (core, stop, now) = (&mut *self.core, self.calls.stop, Micros(self.now));
        let _ = self.meter.measure(Row::Stop, || stop(core, now));
        let before = core::mem::replace(&mut self.deciding, Row::PollStop);
        self.drain();
        self.deciding = before;
    }

    pub fn mode(&mut self, section: u8, mode: Mode) {
        let (core, set, now) = (&mut *self.core, self.calls.mode, Micros(self.now));
        let _ = self
            .meter
            .measure(Row::Mode, || set(core, now, section, mode));
        self.drain_input(Row::WholeMode);
    }

    pub fn switches(&mut self, spot: u64, broadcast: u64) {
        let (core, read, now) = (&mut *self.core, self.calls.switches, Micros(self.now));
        let _ = self
            .meter
            .measure(Row::Switches, || read(core, now, spot, broadcast));
        self.drain();
    }

    pub fn keep_off(&mut self, over: Over, from: i32, to: i32) {
        let along = Along::Ahead {
            from: Length::from_mm(from),
            to: Length::from_mm(to),
        };
        let (core, keep, now) = (&mut *self.core, self.calls.keep_off, Micros(self.now));
        let _ = self
            .meter
            .measure(Row::KeepOff, || keep(core, now, over, along));
        self.drain_input(Row::WholeKeepOff);
    }

    pub fn direction(&mut self, direction: Direction) {
        let (core, turn, now) = (&mut *self.core, self.calls.direction, Micros(self.now));
        let _ = self
            .meter
            .measure(Row::Direction, || turn(core, now, direction));
        self.drain_input(Row::WholeDirection);
    }

    pub fn fault(&mut self, nozzle: u16, fault: bool) {
        let (core, set, now) = (&mut *self.core, self.calls.fault, Micros(self.now));
        let _ = self
            .meter
            .measure(Row::Fault, || set(core, now, nozzle, fault));
        self.drain();
    }

    pub fn acknowledge(&mut self) {
        let (core, release, now) = (&mut *self.core, self.calls.acknowledge, Micros(self.now));
        let _ = self.meter.measure(Row::Acknowledge, || release(core, now));
        self.drain();
    }

    pub fn bench(&mut self, request: BenchRequest) {
        let (core, ask, now) = (&mut *self.core, self.calls.bench, Micros(self.now));
        let _ = self.meter.measure(Row::Bench, || ask(core, now, request));
        self.drain();
    }
}

/// Chance that is the same in every run: xorshift64 (Marsaglia 2003, "Xorshift RNGs",
/// J. Stat. Softw. 8(14), shifts 13, 7, 17).
#[derive(Clone, Copy)]
pub struct Chance(pub u64);

impl Chance {
    pub fn next(&mut self) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 32) as u32
    }

    /// 0 to one less than `bound`.
    pub fn below(&mut self, bound: u32) -> u32 {
        ((u64::from(self.next()) * u64::from(bound)) >> 32) as u32
    }

    /// From `from` to one less than `to`.
    pub fn between(&mut self, from: i32, to: i32) -> i32 {
        from + self.below((to - from).max(1) as u32) as i32
    }
}

/// A plant in whole mm: forward and right of the detector's mount, along, across.
pub fn plant(x: i32, y: i32, length: i32, width: i32) -> Plant {
    Plant {
        x: Length::from_mm(x),
        y: Length::from_mm(y),
        length: Length::from_mm(length),
        width: Length::from_mm(width),
        id: None,
    }
}
