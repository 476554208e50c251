//! Composes the rooms; the public face.
//!
//! **The driving contract.** Poll up to an input's stamp, hand the input over, poll
//! again at that stamp, sleep until `next`. (An input can bring `next` forward.)
//! Early and repeated polls are no-ops. A decision instant
//! sees the inputs stamped before it, and no clock, so every caller that keeps
//! the contract gets the same commands, whatever else its schedule does; one that
//! does not is counted ([`Counters::inputs_before_poll`], [`Counters::overruns`]).
//!
//! An input call notes what it is given; what grows with the boom is done by the polls that
//! follow, before anything is decided. Getters tell what is known as of the last poll.
//!
//! Prefixes: `handle_`, `note_` and `begin_` take an input, `poll` gives output, the rest are getters.

use crate::bench::{Bench, Limits};
use crate::boom::{Config, ConfigError, DetectorConfig, NozzleConfig, PatchConfig, TimingConfig};
use crate::counters::{Counters, add, bump};
use crate::fan::Fan;
use crate::guard::{GuardState, Latches};
use crate::lane::Lane;
use crate::layers::Layers;
use crate::odometer::{Motion, Odometer};
use crate::rate::Rate;
use crate::reach::{Horizon, Reach};
use crate::reaim::Aims;
use crate::repeats::Repeats;
use crate::sections::SectionConfig;
use crate::sequencer::Command;
use crate::slice::Slice;
use crate::turning::{Swing, Turning};
use crate::units::{Distance, Micros, PulseLength, Span, Speed};
use crate::wake::{GROUP, GROUP_BITS, Grid, Group, MOST_GROUPS, longest_sleep};
use heapless::Vec;

#[cfg(feature = "turning")]
mod again;
mod deciding;
mod images;
mod machine;
mod orders;
mod pending;
mod pulses;
mod rate;
mod yaw;

pub use images::ImageWork;
pub use machine::FaultError;
use pending::Pending;

/// Nozzles of group `index` on a boom of `count`.
fn group_size(count: usize, index: usize) -> usize {
    count.saturating_sub(index << GROUP_BITS).min(GROUP)
}

/// More periods behind than this are skipped and counted, not made up one by one.
const MOST_MADE_UP: u32 = 64;

/// Groups that one poll tells when to wake, after an input.
const GROUPS_WOKEN: usize = 2;

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

/// When the boom is to be looked at while it moves.
#[derive(Clone, Copy, Debug)]
struct Ahead {
    horizon: Horizon,
    /// Some nozzle may stand from then on if no pulse comes before.
    stops_at: Micros,
    /// Every instant counts for every group that has anything to do.
    all: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sight {
    last_image: Micros,
    silent: bool,
    repeats: Repeats,
}

/// The controller: at most `N` nozzles with `K` patches each, `H` remembered
/// pulses, `D` detectors. Borrows the tables of nozzles, detectors and sections, which
/// may lie in flash.
#[derive(Clone, Debug)]
pub struct Controller<'a, const N: usize, const K: usize, const H: usize, const D: usize> {
    odometer: Odometer<H>,
    turning: Turning,
    nozzles: &'a [NozzleConfig],
    lanes: [Lane<K>; N],
    /// Where each lane is next to be looked at; means something while its group is
    /// busy with it.
    next: [i32; N],
    groups: Vec<Group, MOST_GROUPS>,
    grid: Grid,
    layers: Layers<N, D>,
    sections: &'a [SectionConfig],
    latches: Latches,
    bench: Bench,
    bench_limits: Limits,
    switch_quiet: Span,
    /// What the latest input left for the polls.
    pending: Pending,
    /// The group that is being decided, some steps a call.
    slice: Option<Slice>,
    /// Since when, and in which group next, everything open is to close at once.
    urgent: Option<(Micros, usize)>,
    eyes: &'a [DetectorConfig],
    detectors: Vec<Sight, D>,
    /// When the next detector may turn out silent.
    silence_due: Micros,
    patch: PatchConfig,
    timing: TimingConfig,
    fan: Option<Fan>,
    rate: Option<Rate<'a>>,
    faulty: [bool; N],
    /// How many are.
    faults: u16,
    reach: Reach,
    aims: Aims,
    counters: Counters,
    guard: GuardState,
    latest: Micros,
    /// Decision instants up to here see a caller that did not poll.
    unpolled_to: Option<Micros>,
    /// Something came in since the groups were last told when to wake.
    stale: bool,
    /// How many of them have been told since.
    woken: usize,
    /// The group to decide next, and when.
    first: (usize, Micros),
    every_instant: bool,
}

impl<'a, const N: usize, const K: usize, const H: usize, const D: usize>
    Controller<'a, N, K, H, D>
{
    /// A controller at rest, everything closed. It is made and set up beside the place where it
    /// goes, so for a moment it takes twice its room: a board with little memory makes it
    /// [`blank`](Self::blank) where it is to stay, and sets it up there.
    ///
    /// # Errors
    /// [`ConfigError`] names the first number that can't be right.
    pub fn new(config: &Config<'a>) -> Result<Self, ConfigError> {
        let mut new = Self::blank();
        new.set_up(config)?;
        Ok(new)
    }

    /// A controller of no machine: it opens nothing and refuses what names a nozzle, a section
    /// or a detector.
    #[must_use]
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn blank() -> Self {
        const { assert!(N >= 1 && N <= GROUP * MOST_GROUPS, "1 to 256 nozzles") };
        let nothing = Config::new(PulseLength::default(), &[], &[]);
        // The large parts are constants of zeros, which are cleared where they lie. Made by a
        // function each would stand on the stack first.
        Self {
            odometer: Odometer::BLANK,
            turning: Turning::BLANK,
            nozzles: &[],
            lanes: const { [Lane::BLANK; N] },
            next: const { [0; N] },
            groups: Vec::new(),
            grid: Grid::new(Span(0), 0),
            layers: Layers::BLANK,
            sections: &[],
            latches: Latches::default(),
            bench: Bench::default(),
            bench_limits: Limits::default(),
            switch_quiet: Span(0),
            pending: Pending::Nothing,
            slice: None,
            urgent: None,
            eyes: &[],
            detectors: Vec::new(),
            silence_due: Micros(0),
            patch: nothing.patch,
            timing: nothing.timing,
            fan: None,
            rate: None,
            faulty: const { [false; N] },
            faults: 0,
            reach: Reach::default(),
            aims: Aims::default(),
            counters: Counters::default(),
            guard: GuardState::NeverMoved,
            latest: Micros(0),
            unpolled_to: None,
            stale: false,
            woken: 0,
            first: (0, Micros(u64::MAX)),
            every_instant: false,
        }
    }

    /// Makes a [`blank`](Self::blank) controller that of a machine, at rest, everything closed.
    ///
    /// # Errors
    /// [`ConfigError`] names the first number that can't be right, or that it has a machine
    /// already; then it stays as it was.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn set_up(&mut self, config: &Config<'a>) -> Result<(), ConfigError> {
        config.validate(N, D)?;
        if !self.nozzles.is_empty() {
            return Err(ConfigError::SetUpAlready);
        }
        let (modes, timing) = (&config.modes, &config.timing);
        let count = config.nozzles.len();
        let groups = count.div_ceil(GROUP);
        self.nozzles = config.nozzles;
        self.sections = config.sections;
        self.eyes = config.detectors;
        self.patch = config.patch;
        self.timing = *timing;
        self.switch_quiet = modes.switch_quiet;
        self.bench_limits = Limits {
            cap: modes.bench_on_cap,
            shortest_on: timing.shortest_on,
            shortest_off: timing.shortest_off,
            nozzles: count,
            sections: config.sections.len().max(1),
        };
        if modes.acknowledge_at_start {
            self.latches.start = true;
            self.guard = GuardState::Unacknowledged;
        }
        (self.odometer).set_up(&config.wheel, timing.max_detection_age);
        self.turning.set_up(config);
        self.reach = Reach::new(config);
        self.layers.set_up(config);
        self.grid = Grid::new(timing.decision_period, groups);
        self.lanes.iter_mut().for_each(Lane::set_up);
        for index in 0..groups {
            let mut group = Group::default();
            if self.layers.sprays_unseen() {
                group.everyone(group_size(count, index));
            }
            let pushed = self.groups.push(group);
            debug_assert!(pushed.is_ok(), "no more than were checked");
        }
        for _ in config.detectors {
            let pushed = self.detectors.push(Sight::default());
            debug_assert!(pushed.is_ok(), "no more than were checked");
        }
        for &nozzle in config.faulty {
            if let Some(fault @ false) = self.faulty.get_mut(usize::from(nozzle)) {
                *fault = true;
                self.faults = self.faults.saturating_add(1);
            }
        }
        self.fan = (config.fan.as_ref()).map(|fan| Fan::of(fan, config.nozzles));
        self.rate = (config.rate.as_ref())
            .map(|rate| Rate::new(rate, config.flows_ml_min, timing.shortest_off));
        self.first = (0, Micros(0));
        self.stale = true;
        Ok(())
    }

    /// The reference that the skipping of instants is tested against: decides every
    /// group at every instant, whether anything can be met or not. The commands are
    /// the same; the work is not.
    #[doc(hidden)]
    pub fn decide_at_every_instant(&mut self) {
        self.every_instant = true;
        self.stale = true;
    }

    /// The reference that the steps of inputs are tested against: does all that is pending.
    #[doc(hidden)]
    pub fn finish_inputs(&mut self) {
        self.finish();
    }

    /// True when the next poll does what an input left, for those that measure it.
    #[doc(hidden)]
    #[must_use]
    pub fn works_on_input(&self) -> bool {
        self.pending.is_some() && !self.closes_first()
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

    /// The next thing to do at `now`: some steps of what an input left to do, one command, or some
    /// steps of the decision of a group of up to 32 nozzles, or nothing. Bounded whatever boom, plan and layers are. To be called
    /// until it is [`Poll::Idle`]; an input before that is counted
    /// ([`Counters::inputs_before_poll`]), and the nozzles not yet decided at the instant are
    /// decided with it, or after a stop not at all.
    pub fn poll(&mut self, now: Micros) -> Poll {
        let now = match self.start(now) {
            Ok(()) => now,
            Err(latest) => latest,
        };
        if self.works_on_input() {
            self.work();
            return Poll::Busy;
        }
        if self.slice.is_some() {
            return self.decide_on();
        }
        if let Some((since, group)) = self.urgent {
            self.close_from(group, since);
            return Poll::Busy;
        }
        if self.stale {
            self.stale = false;
            self.woken = 0;
        }
        if self.woken < self.groups.len() {
            self.wake_some(GROUPS_WOKEN);
            return Poll::Busy;
        }
        let (group, due) = self.first;
        if due > now {
            self.grid.handled(now);
            return Poll::Idle { next: due };
        }
        if self.made_up(due, now) {
            self.decide_group(group, due);
        }
        Poll::Busy
    }

    /// Moves `latest` to `now`; the first call of all lays the grid.
    fn start(&mut self, now: Micros) -> Result<(), Micros> {
        self.grid.start(now);
        if now < self.latest {
            bump(&mut self.counters.time_backwards);
            return Err(self.latest);
        }
        self.latest = now;
        Ok(())
    }

    /// For inputs: what an earlier one left is finished first, and a caller that did not poll
    /// is counted.
    fn advance(&mut self, now: Micros) -> Result<(), Micros> {
        let unfinished = self.is_unfinished(now);
        self.start(now)?;
        self.finish();
        self.count_unpolled(now, unfinished);
        Ok(())
    }

    /// For inputs that wait for nothing, likewise.
    fn overtake(&mut self, now: Micros) -> Result<(), Micros> {
        let unfinished = self.is_unfinished(now);
        self.start(now)?;
        self.count_unpolled(now, unfinished);
        Ok(())
    }

    /// An earlier input was not polled for. Several of one stamp may come together.
    fn is_unfinished(&self, now: Micros) -> bool {
        self.pending.is_some() && self.latest < now
    }

    fn count_unpolled(&mut self, now: Micros, unfinished: bool) {
        if let Some(slice) = &mut self.slice {
            slice.input_came();
        }
        let unfinished = unfinished || self.slice.is_some() || self.urgent.is_some();
        if unfinished || self.next_due().1 <= now {
            bump(&mut self.counters.inputs_before_poll);
        }
    }

    /// The group to decide next, and when. Constant work when nothing came in since a poll
    /// was idle, else bounded by the groups.
    fn next_due(&mut self) -> (usize, Micros) {
        if self.stale {
            self.stale = false;
            self.woken = 0;
        }
        if self.woken < self.groups.len() {
            self.wake_some(MOST_GROUPS);
        }
        self.first
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn find_first(&mut self) {
        let mut first = (0, Micros(u64::MAX));
        for (index, group) in self.groups.iter().enumerate() {
            if group.wake < first.1 {
                first = (index, group.wake);
            }
        }
        self.first = first;
    }

    /// Tells up to `most` more groups when they must be looked at next, from what is known now.
    fn wake_some(&mut self, most: usize) {
        let from = self.grid.done_to();
        let horizon = self.horizon(from);
        let end = self.woken.saturating_add(most).min(self.groups.len());
        for index in self.woken..end {
            self.wake(index, from, horizon);
        }
        self.woken = end;
        if end == self.groups.len() {
            self.find_first();
        }
    }

    /// How far ahead what is to come within reach can be, while the machine moves.
    fn horizon(&self, from: Micros) -> Option<Ahead> {
        if self.odometer.stands(from) {
            return None;
        }
        let mut motion = self.odometer.free_motion_at(from);
        let mut stops_at = self.odometer.stops_at();
        let mut all = false;
        if self.turning.on() {
            let swing = self.turning.swing_at(from);
            all = self.layers.sprays_unseen() || self.may_slow_down(&swing, &motion);
            // The spread of the group farthest off serves for all: a little early for some.
            let since = swing.farthest_from(self.groups.iter().map(|group| group.since));
            all |= swing.far_apart(since);
            stops_at = stops_at.min(self.odometer.slows_at(swing.fastest()));
            motion = swing.widest(&motion, since);
        }
        let reach = self.reach.farthest(&motion);
        Some(Ahead {
            horizon: self.reach.horizon(&motion, reach),
            stops_at,
            all,
        })
    }

    /// Whether some nozzle's own way may become slower than creep speed while the boom is not
    /// looked at, if pulses come as foretold.
    fn may_slow_down(&self, swing: &Swing, motion: &Motion) -> bool {
        let sleep = i64::from(longest_sleep(self.timing.decision_period).0);
        let lost = i64::from(motion.a.min(0)).wrapping_mul(sleep) >> 16;
        let slowest = i64::from(motion.v).wrapping_add(lost);
        swing.slows_below(slowest, self.odometer.creep())
    }

    /// The first instant after `from` at which a group can have anything to do. Never
    /// too late: at all instants skipped, deciding would change nothing.
    fn wake(&mut self, index: usize, from: Micros, ahead: Option<Ahead>) {
        let (Some(group), Some(next)) = (
            self.groups.get_mut(index),
            self.next.get(index << GROUP_BITS..),
        ) else {
            return;
        };
        let mut earliest = self.grid.idle_end(from);
        if self.every_instant || group.all || self.bench.runs() {
            earliest = from;
        } else if let Some(ahead) = ahead {
            if let Some(time) = ahead.horizon.sooner_than(group.nearest(next)) {
                earliest = earliest.min(from.plus(time));
                // The guard may change its mind of a standstill, or of a nozzle's.
                earliest = earliest.min(ahead.stops_at);
                if ahead.all {
                    earliest = from;
                }
            }
            if index == 0 {
                earliest = earliest.min(ahead.stops_at);
                earliest = earliest.min(self.silence_due);
            }
        } else if group.any_open() {
            earliest = from;
        }
        if index == 0 && !self.layers.sections.settled() {
            earliest = from;
        }
        group.wake = self.grid.first_instant(index, from, earliest);
    }

    /// Counts how late an instant is decided. False: so late that it is skipped, and
    /// everything due since is decided at the latest instants instead.
    fn made_up(&mut self, due: Micros, now: Micros) -> bool {
        let lateness = now.since(due);
        let worst = &mut self.counters.worst_lateness_us;
        *worst = lateness.0.max(*worst);
        if lateness > self.timing.poll_silence {
            self.unpolled_to = Some(now);
        }
        let period = self.timing.decision_period;
        if lateness < period {
            return true;
        }
        log!(warn, "decided {} us late at {} us", lateness.0, now.0);
        let behind = lateness.0.checked_div(period.0).unwrap_or_default();
        if behind <= MOST_MADE_UP {
            bump(&mut self.counters.overruns);
            return true;
        }
        add(&mut self.counters.overruns, behind);
        self.grid.skip_to(now);
        for group in &mut self.groups {
            group.all = true;
        }
        self.stale = true;
        false
    }

    fn watch_detectors(&mut self, at: Micros) {
        if at < self.silence_due || !self.guard.allows_spray() {
            return;
        }
        let wait = Span(self.timing.detector_silence.0.saturating_add(1));
        let mut due = Micros(u64::MAX);
        for sight in &mut self.detectors {
            if sight.silent {
                continue;
            }
            let ends = sight.last_image.plus(wait);
            if ends <= at {
                sight.silent = true;
                log!(warn, "a detector is silent at {} us", at.0);
                bump(&mut self.counters.detector_silences);
            } else {
                due = due.min(ends);
            }
        }
        self.silence_due = due;
    }

    /// True while this detector has been silent too long. `None`: no such detector.
    #[must_use]
    pub fn detector_silent(&self, detector: u8) -> Option<bool> {
        self.detectors
            .get(usize::from(detector))
            .map(|sight| sight.silent)
    }
}
