//! Composes the rooms; the public face.
//!
//! **The driving contract.** Poll up to an input's stamp, hand the input over,
//! sleep until `next`. Early and repeated polls are no-ops. A decision instant
//! sees the inputs stamped before it, and no clock, so every caller that keeps
//! the contract gets the same commands, whatever else its schedule does; one that
//! does not is counted ([`Counters::inputs_before_poll`], [`Counters::overruns`]).
//!
//! Prefixes: `handle_` takes an input, `poll` gives output, the rest are getters.

use crate::aiming::{self, Image, ImageError, ImageReport};
use crate::boom::{Config, ConfigError, DetectorConfig, NozzleConfig, PatchConfig, TimingConfig};
use crate::counters::{Counters, add, bump};
use crate::ground_plan::ahead;
use crate::guard::{self, GuardState};
use crate::lane::{Lane, Planned};
use crate::odometer::{Odometer, PulseError};
use crate::sequencer::{self, Command, Instant};
use crate::units::{Distance, Micros, Span, Speed, wrap_i32};
use heapless::{Deque, Vec};

/// Nozzles decided in one call: bounds a call whatever the size of the boom.
pub const GROUP: usize = 32;
/// More periods behind than this are skipped and counted, not made up one by one.
const MOST_MADE_UP: u64 = 64;

/// What a poll has to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[must_use]
pub enum Poll {
    /// Pass this to the valve driver, then poll again.
    Command(Command),
    /// Work was done at this instant and there is more: poll again.
    Busy,
    /// Nothing until `next`, which is strictly later than now.
    Idle {
        /// The next decision instant.
        next: Micros,
    },
}

#[derive(Clone, Copy, Debug, Default)]
struct Sight {
    config: DetectorConfig,
    /// Ground seen up to here, counts; none before the first image. Not in short
    /// form: a detector may be silent for longer than that holds.
    seen_to: Option<i64>,
    last_image: Micros,
    silent: bool,
}

/// The controller: at most `N` nozzles with `K` patches each, `H` remembered
/// pulses, `D` detectors.
#[derive(Clone, Debug)]
pub struct Controller<const N: usize, const K: usize, const H: usize, const D: usize> {
    odometer: Odometer<H>,
    nozzles: Vec<NozzleConfig, N>,
    lanes: [Lane<K>; N],
    detectors: Vec<Sight, D>,
    patch: PatchConfig,
    timing: TimingConfig,
    typical_delay: Span,
    queue: Deque<Command, GROUP>,
    counters: Counters,
    guard: GuardState,
    latest: Micros,
    /// Start of the current period; none before the first call.
    period_start: Option<Micros>,
    /// Next group to decide in this period.
    group: usize,
    groups: usize,
    group_step: Span,
}

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<N, K, H, D> {
    /// A controller at rest, everything closed.
    ///
    /// # Errors
    /// [`ConfigError`] names the first number that can't be right.
    pub fn new(config: &Config<'_>) -> Result<Self, ConfigError> {
        const { assert!(N >= 1 && N <= 1024, "1 to 1024 nozzles") };
        config.validate(N, D)?;
        let mut nozzles: Vec<NozzleConfig, N> = Vec::new();
        for nozzle in config.nozzles {
            if nozzles.push(*nozzle).is_err() {
                return Err(ConfigError::TooManyNozzles { most: N });
            }
        }
        let mut detectors: Vec<Sight, D> = Vec::new();
        for detector in config.detectors {
            let sight = Sight {
                config: *detector,
                ..Sight::default()
            };
            if detectors.push(sight).is_err() {
                return Err(ConfigError::TooManyDetectors { most: D });
            }
        }
        let groups = nozzles.len().div_ceil(GROUP).max(1);
        let step = u64::from(config.timing.decision_period.0)
            .checked_div(u64::try_from(groups).unwrap_or(1))
            .unwrap_or_default();
        let typical_delay = nozzles.first().map_or(Span(0), |n| n.open_delay);
        Ok(Self {
            odometer: Odometer::new(&config.wheel, config.timing.max_detection_age),
            nozzles,
            lanes: [Lane::idle(); N],
            detectors,
            patch: config.patch,
            timing: config.timing,
            typical_delay,
            queue: Deque::new(),
            counters: Counters::default(),
            guard: GuardState::NeverMoved,
            latest: Micros(0),
            period_start: None,
            group: 0,
            groups,
            group_step: Span(u32::try_from(step).unwrap_or_default()),
        })
    }

    /// What happened so far, counted.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }

    /// Distance since the first pulse.
    #[must_use]
    pub fn distance(&self) -> Distance {
        self.odometer.distance()
    }

    /// Speed at the last pulse; zero after a standstill.
    #[must_use]
    pub fn speed(&self) -> Speed {
        self.odometer.speed()
    }

    /// True while learned slot offsets correct the places of wheel pulses.
    #[must_use]
    pub fn slots_in_use(&self) -> bool {
        self.odometer.slots_in_use()
    }

    /// How often learned slot offsets stopped to fit (a pulse lost or one too many,
    /// a changed wheel) and went out of use.
    #[must_use]
    pub fn slot_drop_outs(&self) -> u32 {
        self.odometer.slot_drop_outs()
    }

    /// What the guard made of the machine at the last decision instant.
    #[must_use]
    pub const fn guard_state(&self) -> GuardState {
        self.guard
    }

    /// True while this nozzle's last command was to open. `None`: no such nozzle.
    #[must_use]
    pub fn is_open(&self, nozzle: u16) -> Option<bool> {
        let index = usize::from(nozzle);
        (index < self.nozzles.len())
            .then(|| self.lanes.get(index).map(Lane::is_open))
            .flatten()
    }

    /// Patches planned for this nozzle. `None`: no such nozzle.
    #[must_use]
    pub fn planned(&self, nozzle: u16) -> Option<usize> {
        let index = usize::from(nozzle);
        (index < self.nozzles.len())
            .then(|| self.lanes.get(index).map(|lane| lane.plan.as_slice().len()))
            .flatten()
    }

    /// A wheel pulse, stamped `now`. Constant work.
    ///
    /// # Errors
    /// [`PulseError`]; counted, and the odometer is as before.
    pub fn handle_pulse(&mut self, now: Micros) -> Result<(), PulseError> {
        if let Err(latest) = self.advance(now) {
            bump(&mut self.counters.pulses_refused);
            return Err(PulseError::TimeBackwards { latest });
        }
        match self.odometer.handle_pulse(now) {
            Ok(()) => {
                bump(&mut self.counters.pulses);
                Ok(())
            }
            Err(error) => {
                bump(&mut self.counters.pulses_refused);
                Err(error)
            }
        }
    }

    /// An image message that arrived at `now`. Work is bounded by the plants in it
    /// times the nozzles that each needs times `K`.
    ///
    /// # Errors
    /// [`ImageError`] when it is refused as a whole; counted, nothing planned.
    pub fn handle_image(
        &mut self,
        now: Micros,
        image: &Image<'_>,
    ) -> Result<ImageReport, ImageError> {
        let result = self.take_image(now, image);
        match result {
            Ok(report) => {
                bump(&mut self.counters.images);
                add(&mut self.counters.plants, u64::from(report.accepted));
                let refused = report.outside.saturating_add(report.late);
                add(&mut self.counters.plants_refused, u64::from(refused));
            }
            Err(_) => bump(&mut self.counters.images_refused),
        }
        result
    }

    fn take_image(&mut self, now: Micros, image: &Image<'_>) -> Result<ImageReport, ImageError> {
        self.advance(now)
            .map_err(|latest| ImageError::TimeBackwards { latest })?;
        let detector = usize::from(image.detector);
        let Some(sight) = self.detectors.get_mut(detector) else {
            return Err(ImageError::UnknownDetector {
                detector: image.detector,
            });
        };
        if image.captured_at > now {
            return Err(ImageError::CapturedInFuture);
        }
        if now.since(image.captured_at) > self.timing.max_detection_age {
            return Err(ImageError::TooOld);
        }
        aiming::check(image)?;
        let captured = self
            .odometer
            .place_at(image.captured_at)
            .map_err(|_| ImageError::TooOld)?;
        let here = self.odometer.motion_at(now).place();

        // The ground between what was seen before and what is seen now.
        let counts = self.odometer.distance().0;
        let since = i64::from(ahead(captured, wrap_i32(counts)));
        let mount = counts
            .saturating_add(since)
            .saturating_add(i64::from(sight.config.x.bits()));
        let from = mount.saturating_add(i64::from(image.seen.from.bits()));
        let to = mount.saturating_add(i64::from(image.seen.to.bits()));
        let swath = sight.config.view_left.plus(sight.config.view_right).bits();
        if let Some(seen_to) = sight.seen_to {
            let gap = u64::try_from(from.saturating_sub(seen_to)).unwrap_or_default();
            let area = gap.saturating_mul(u64::try_from(swath).unwrap_or_default());
            add(&mut self.counters.unseen_mm2, area >> 8);
        }
        sight.seen_to = Some(sight.seen_to.map_or(to, |seen_to| seen_to.max(to)));
        sight.last_image = now;
        sight.silent = false;
        let config = sight.config;

        let mut report = ImageReport::default();
        for plant in image.plants {
            let patch = aiming::patch_of(plant, captured, &config, &self.patch);
            let (first, end) = aiming::lanes_of(plant, &self.nozzles, &config, &self.patch);
            let count = end.saturating_sub(first);
            let lanes = self.lanes.iter_mut().zip(self.nozzles.iter());
            let (mut planned, mut grown) = (false, false);
            for (lane, nozzle) in lanes.skip(first).take(count) {
                match lane.take(patch, nozzle, here, &mut self.counters) {
                    Planned::New => planned = true,
                    Planned::Grown => (planned, grown) = (true, true),
                    Planned::Behind => {}
                }
            }
            let tally = if planned {
                &mut report.accepted
            } else if count == 0 {
                &mut report.outside
            } else {
                &mut report.late
            };
            *tally = tally.saturating_add(1);
            if grown {
                report.grown = report.grown.saturating_add(1);
            }
        }
        Ok(report)
    }

    /// The next thing to do at `now`. One command, or one group of up to
    /// [`GROUP`] nozzles decided, or nothing.
    pub fn poll(&mut self, now: Micros) -> Poll {
        let now = match self.start(now) {
            Ok(()) => now,
            Err(latest) => latest,
        };
        if let Some(command) = self.queue.pop_front() {
            return Poll::Command(command);
        }
        let due = self.next_instant();
        if due > now {
            return Poll::Idle { next: due };
        }
        self.decide_group(due, now);
        match self.queue.pop_front() {
            Some(command) => Poll::Command(command),
            None => Poll::Busy,
        }
    }

    /// Moves `latest` to `now`; the first call of all lays the grid.
    fn start(&mut self, now: Micros) -> Result<(), Micros> {
        if self.period_start.is_none() {
            let period = u64::from(self.timing.decision_period.0);
            let steps = now.0.checked_div(period).unwrap_or_default();
            self.period_start = Some(Micros(steps.saturating_add(1).saturating_mul(period)));
            self.latest = now;
        }
        if now < self.latest {
            bump(&mut self.counters.time_backwards);
            return Err(self.latest);
        }
        self.latest = now;
        Ok(())
    }

    /// For inputs: also counts a caller that did not poll first.
    fn advance(&mut self, now: Micros) -> Result<(), Micros> {
        self.start(now)?;
        if self.next_instant() <= now || !self.queue.is_empty() {
            bump(&mut self.counters.inputs_before_poll);
        }
        Ok(())
    }

    fn next_instant(&self) -> Micros {
        let group = u32::try_from(self.group).unwrap_or_default();
        self.period_start
            .unwrap_or_default()
            .plus(Span(self.group_step.0.saturating_mul(group)))
    }

    fn decide_group(&mut self, due: Micros, now: Micros) {
        let period = u64::from(self.timing.decision_period.0);
        let lateness = now.0.saturating_sub(due.0);
        if lateness > self.counters.worst_lateness_us {
            self.counters.worst_lateness_us = lateness;
        }
        let behind = lateness.checked_div(period).unwrap_or_default();
        if behind >= 1 {
            bump(&mut self.counters.overruns);
        }
        if behind > MOST_MADE_UP {
            // Too far behind to make up: everything due since is decided at the
            // latest instant. Counted above and here.
            add(&mut self.counters.overruns, behind.saturating_sub(1));
            let skip = behind.saturating_mul(period);
            self.period_start = self
                .period_start
                .map(|start| Micros(start.0.saturating_add(skip)));
        }
        let at = self.next_instant();
        let poll_silent = lateness > u64::from(self.timing.poll_silence.0);
        self.guard = guard::judge(
            &self.odometer,
            guard::Latches::default(),
            false,
            at,
            poll_silent,
        );
        if self.group == 0 {
            self.watch_detectors(at);
        }
        let instant = Instant::new(
            at,
            self.odometer.motion_at(at),
            &self.timing,
            self.typical_delay,
        );
        let first = self.group.saturating_mul(GROUP);
        let lanes = self.lanes.iter_mut().zip(self.nozzles.iter());
        for (index, (lane, nozzle)) in (0_u16..).zip(lanes).skip(first).take(GROUP) {
            let decided = sequencer::decide(
                lane,
                nozzle,
                &self.patch,
                &self.timing,
                &instant,
                self.guard.allows_spray(),
                &mut self.counters,
            );
            if let Some((action, at, short_by)) = decided {
                let command = Command {
                    nozzle: index,
                    action,
                    at,
                    short_by,
                };
                // Has room: it was empty, and a group holds no more nozzles than it.
                let pushed = self.queue.push_back(command);
                debug_assert!(pushed.is_ok());
                bump(&mut self.counters.commands);
            }
        }
        self.group = self.group.wrapping_add(1);
        if self.group >= self.groups {
            self.group = 0;
            self.period_start = self
                .period_start
                .map(|start| start.plus(self.timing.decision_period));
        }
    }

    fn watch_detectors(&mut self, at: Micros) {
        if !self.guard.allows_spray() {
            // Standing: nobody needs to see anything. The wait starts anew.
            for sight in &mut self.detectors {
                sight.last_image = sight.last_image.max(at);
            }
            return;
        }
        for sight in &mut self.detectors {
            let silent = at.since(sight.last_image) > self.timing.detector_silence;
            if silent && !sight.silent {
                bump(&mut self.counters.detector_silences);
            }
            sight.silent = silent;
        }
    }

    /// True while this detector has been silent too long. `None`: no such detector.
    #[must_use]
    pub fn detector_silent(&self, detector: u8) -> Option<bool> {
        self.detectors
            .get(usize::from(detector))
            .map(|sight| sight.silent)
    }
}
