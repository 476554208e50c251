//! Geometry and delays of the machine, checked once at start.
//!
//! Axes: x forward, y to the right, all relative to the boom reference point.

use crate::fan::FanConfig;
use crate::rate::RateConfig;
use crate::sections::{MAX_SECTIONS, SectionConfig};
use crate::turning::TurningConfig;
use crate::units::{Length, PulseLength, Span, Speed};

mod error;

pub use error::ConfigError;

/// Longest valve delay or throw that the timing products have room for, µs.
pub const MAX_DELAY: Span = Span(250_000);
/// Most slots a turn of which the offsets can be learned.
pub const MAX_SLOTS: u16 = 128;
/// Farthest that a nozzle or detector may sit from the reference point.
pub const MAX_MOUNT: Length = Length::from_mm(30_000);

/// One nozzle with its valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NozzleConfig {
    /// Forward of the boom reference point.
    pub x: Length,
    /// Right of the boom reference point.
    pub y: Length,
    /// Ground across travel that this nozzle serves, centred on `y`.
    pub lane_width: Length,
    /// From the command to half flow at opening.
    pub open_delay: Span,
    /// From the command to half flow at closing.
    pub close_delay: Span,
    /// Forward distance that the spray flies, in time of travel.
    pub throw: Span,
}

impl NozzleConfig {
    /// Nozzle `index` of `count`, evenly `spacing` apart and centred, lanes as
    /// wide as the spacing; delays 20 ms to open and 10 ms to close (Mangus et al.
    /// 2017, Trans. ASABE 60(2), abstract), throw 25 ms.
    #[must_use]
    pub fn evenly_spaced(index: u16, count: u16, spacing: Length) -> Self {
        let twice = i32::from(index)
            .saturating_mul(2)
            .saturating_add(1)
            .saturating_sub(i32::from(count));
        Self {
            x: Length::default(),
            y: Length::from_bits(spacing.bits().saturating_mul(twice) >> 1),
            lane_width: spacing,
            open_delay: Span::from_ms(20),
            close_delay: Span::from_ms(10),
            throw: Span::from_ms(25),
        }
    }

    pub(crate) fn left(&self) -> i32 {
        self.y.bits().saturating_sub(self.lane_width.bits() >> 1)
    }

    pub(crate) fn right(&self) -> i32 {
        self.y.bits().saturating_add(self.lane_width.bits() >> 1)
    }
}

/// One detector.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DetectorConfig {
    /// Mount, forward of the boom reference point.
    pub x: Length,
    /// Mount, right of the boom reference point.
    pub y: Length,
    /// How far left of the mount it sees.
    pub view_left: Length,
    /// How far right of the mount it sees.
    pub view_right: Length,
}

impl DetectorConfig {
    /// On the middle line, `ahead` of the boom, seeing `half_width` to each side.
    #[must_use]
    pub fn centred(ahead: Length, half_width: Length) -> Self {
        Self {
            x: ahead,
            y: Length::default(),
            view_left: half_width,
            view_right: half_width,
        }
    }
}

/// The wheel sensor and how the machine can move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct WheelConfig {
    /// Travel from pulse to pulse.
    pub pulse_length: PulseLength,
    /// Faster than this it can't go: pulses that say so are refused.
    pub max_speed: Speed,
    /// Slower than this everything closes. Not below one pulse a second.
    pub creep_speed: Speed,
    /// Harder than this it can't brake or speed up, mm/s².
    pub max_acceleration_mm_s2: u32,
    /// Pulses in one turn of the wheel, so that each slot's offset can be learned
    /// while driving; at most [`MAX_SLOTS`]. 0 or 1: slots are taken as even.
    pub slots_per_turn: u16,
    /// The direction of travel is handed over. Without it going back is taken for
    /// going forward.
    pub direction_input: bool,
}

/// What is sprayed around a plant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PatchConfig {
    /// Margin before the plant's near edge.
    pub lead: Length,
    /// The same, as time of travel.
    pub lead_time: Span,
    /// Margin behind the plant's far edge.
    pub trail: Length,
    /// The same, as time of travel.
    pub trail_time: Span,
    /// Half the fan's thickness along travel, added at both ends: where the fan's
    /// centre line is, its far side has not arrived yet.
    pub edge_extra: Length,
    /// Half the valve's rise, added before the plant: delays count to half flow.
    pub open_extra_time: Span,
    /// Half the valve's fall, added behind the plant.
    pub close_extra_time: Span,
    /// Margin to the left and right of the plant.
    pub lateral_margin: Length,
    /// How far beyond its first patch, at each of its four sides, later sights of a
    /// plant with an id may take it.
    pub repeat_growth: Length,
}

/// Timing of decisions and limits of the valves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TimingConfig {
    /// Decisions are taken at whole multiples of this.
    pub decision_period: Span,
    /// How much further than one period a decision reaches.
    pub slack: Span,
    /// A valve once told to open stays open so long, unless the guard closes it.
    pub shortest_on: Span,
    /// A valve once told to close stays closed so long; shorter gaps are bridged.
    pub shortest_off: Span,
    /// Longer than this without a poll, everything is closed at the next.
    pub poll_silence: Span,
    /// Longer than this without an image while moving is a fault of the detector.
    pub detector_silence: Span,
    /// Images captured longer ago than this are refused.
    pub max_detection_age: Span,
}

impl Default for TimingConfig {
    /// 2 ms grid with 0.5 ms slack, valves at least 20 ms on and 10 ms off.
    fn default() -> Self {
        Self {
            decision_period: Span::from_ms(2),
            slack: Span(500),
            shortest_on: Span::from_ms(20),
            shortest_off: Span::from_ms(10),
            poll_silence: Span::from_ms(100),
            detector_silence: Span::from_ms(1000),
            max_detection_age: Span::from_ms(800),
        }
    }
}

/// What becomes of ground that no detector has seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum UnseenPolicy {
    /// It is sprayed in spot mode, as if one plant covered it: no plant is missed.
    Spray,
    /// It stays dry, and is counted.
    #[default]
    Skip,
}

/// What the operator's orders rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ModesConfig {
    /// Unseen ground in spot mode.
    pub unseen: UnseenPolicy,
    /// Added to both sides of a keep-off stretch, beside the fan's own reach.
    pub keep_off_margin: Length,
    /// A switch counts once its wires have been quiet for so long.
    pub switch_quiet: Span,
    /// Everything stays closed after the start until acknowledged.
    pub acknowledge_at_start: bool,
    /// Longest on-time that the bench state gives a valve.
    pub bench_on_cap: Span,
}

impl Default for ModesConfig {
    /// Unseen ground stays dry; 20 mm and 30 ms; bench openings of up to 10 s. Common
    /// practice, no source.
    fn default() -> Self {
        Self {
            unseen: UnseenPolicy::Skip,
            keep_off_margin: Length::from_mm(20),
            switch_quiet: Span::from_ms(30),
            acknowledge_at_start: false,
            bench_on_cap: Span::from_ms(10_000),
        }
    }
}

/// The whole machine description.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Config<'a> {
    /// Wheel sensor.
    pub wheel: WheelConfig,
    /// Nozzles from left to right.
    pub nozzles: &'a [NozzleConfig],
    /// Detectors; images name them by their index here.
    pub detectors: &'a [DetectorConfig],
    /// Margins around a plant.
    pub patch: PatchConfig,
    /// Grid and valve limits.
    pub timing: TimingConfig,
    /// The nozzles' fans; `None`: each nozzle serves its lane alone.
    pub fan: Option<FanConfig>,
    /// Switched valves that hold an application rate; `None`: open valves flow all the time.
    pub rate: Option<RateConfig>,
    /// Flow of each nozzle at the rate's pressure, ml/min, where sizes differ; empty: all alike.
    pub flows_ml_min: &'a [u16],
    /// Nozzles that are faulty from the start and stay closed.
    pub faulty: &'a [u16],
    /// Sections from left to right, which together hold every nozzle once. None given:
    /// one section of all.
    pub sections: &'a [SectionConfig],
    /// Unseen ground, keep-off, switches, start and bench.
    pub modes: ModesConfig,
    /// How the machine turns; `None`: it is taken to go straight.
    pub turning: Option<TurningConfig>,
}

impl<'a> Config<'a> {
    /// Usual values for everything but the wheel and the geometry: 8 m/s top speed,
    /// 0.3 m/s creep, 5 m/s², margins of 50 mm, growth by repeated sights of 200 mm.
    #[must_use]
    pub fn new(
        pulse_length: PulseLength,
        nozzles: &'a [NozzleConfig],
        detectors: &'a [DetectorConfig],
    ) -> Self {
        Self {
            wheel: WheelConfig {
                pulse_length,
                max_speed: Speed::from_mm_s(8000),
                creep_speed: Speed::from_mm_s(300),
                max_acceleration_mm_s2: 5000,
                slots_per_turn: 0,
                direction_input: false,
            },
            nozzles,
            detectors,
            patch: PatchConfig {
                lead: Length::from_mm(50),
                trail: Length::from_mm(50),
                repeat_growth: Length::from_mm(200),
                ..PatchConfig::default()
            },
            timing: TimingConfig::default(),
            fan: None,
            rate: None,
            flows_ml_min: &[],
            faulty: &[],
            sections: &[],
            modes: ModesConfig::default(),
            turning: None,
        }
    }

    /// Checks everything that the core's arithmetic and promises rest on.
    ///
    /// # Errors
    /// The first thing found wrong.
    pub fn validate(&self, max_nozzles: usize, max_detectors: usize) -> Result<(), ConfigError> {
        self.validate_wheel()?;
        self.validate_timing()?;
        if self.nozzles.is_empty() {
            return Err(ConfigError::NoNozzles);
        }
        if self.nozzles.len() > max_nozzles {
            return Err(ConfigError::TooManyNozzles { most: max_nozzles });
        }
        if self.detectors.len() > max_detectors {
            return Err(ConfigError::TooManyDetectors {
                most: max_detectors,
            });
        }
        let mut before: Option<&NozzleConfig> = None;
        for (index, nozzle) in self.nozzles.iter().enumerate() {
            if !mounted(nozzle.x) || !mounted(nozzle.y) {
                return Err(ConfigError::NozzleTooFar { nozzle: index });
            }
            if nozzle.lane_width.bits() <= 0 || nozzle.lane_width > MAX_MOUNT {
                return Err(ConfigError::LaneWidth { nozzle: index });
            }
            if nozzle.open_delay > MAX_DELAY
                || nozzle.close_delay > MAX_DELAY
                || nozzle.throw > MAX_DELAY
            {
                return Err(ConfigError::DelayTooLong { nozzle: index });
            }
            if let Some(before) = before
                && (before.left() > nozzle.left()
                    || before.right() > nozzle.right()
                    || before.y >= nozzle.y)
            {
                return Err(ConfigError::NozzlesNotSorted { nozzle: index });
            }
            before = Some(nozzle);
        }
        for (index, d) in self.detectors.iter().enumerate() {
            let wide = |l: Length| l.bits() >= 0 && l <= MAX_MOUNT;
            if !mounted(d.x) || !mounted(d.y) || !wide(d.view_left) || !wide(d.view_right) {
                return Err(ConfigError::DetectorTooFar { detector: index });
            }
        }
        let patch = &self.patch;
        let short = |l: Length| l.bits() >= 0 && l <= Length::from_mm(10_000);
        let quick = |s: Span| s <= MAX_DELAY;
        if !(short(patch.lead)
            && short(patch.trail)
            && short(patch.edge_extra)
            && short(patch.lateral_margin)
            && short(patch.repeat_growth)
            && quick(patch.lead_time)
            && quick(patch.trail_time)
            && quick(patch.open_extra_time)
            && quick(patch.close_extra_time))
        {
            return Err(ConfigError::PatchMargin);
        }
        if let Some(fan) = &self.fan {
            fan.validate()?;
        }
        if let Some(rate) = &self.rate {
            let margins = patch.lead.plus(patch.trail);
            let shortest = margins.plus(patch.edge_extra).plus(patch.edge_extra);
            rate.validate(
                self.flows_ml_min,
                self.nozzles.len(),
                shortest,
                self.wheel.max_speed,
            )?;
        }
        for &nozzle in self.faulty {
            if usize::from(nozzle) >= self.nozzles.len() {
                return Err(ConfigError::NoSuchNozzle { nozzle });
            }
        }
        self.validate_sections()?;
        if let Some(turning) = &self.turning {
            turning.validate()?;
        }
        let modes = &self.modes;
        if !short(modes.keep_off_margin) {
            return Err(ConfigError::KeepOffMargin);
        }
        if modes.switch_quiet > Span(1_000_000) {
            return Err(ConfigError::SwitchQuiet);
        }
        if modes.bench_on_cap < self.timing.shortest_on || modes.bench_on_cap > Span(60_000_000) {
            return Err(ConfigError::BenchOnCap);
        }
        Ok(())
    }

    fn validate_sections(&self) -> Result<(), ConfigError> {
        if self.sections.len() > MAX_SECTIONS {
            return Err(ConfigError::TooManySections);
        }
        let mut next = 0;
        for (index, section) in self.sections.iter().enumerate() {
            if usize::from(section.first) != next || section.count == 0 {
                return Err(ConfigError::Section { section: index });
            }
            next = next.saturating_add(usize::from(section.count));
            if next > self.nozzles.len() {
                return Err(ConfigError::Section { section: index });
            }
        }
        if !self.sections.is_empty() && next != self.nozzles.len() {
            return Err(ConfigError::Section {
                section: self.sections.len(),
            });
        }
        Ok(())
    }

    fn validate_wheel(&self) -> Result<(), ConfigError> {
        let wheel = &self.wheel;
        if wheel.pulse_length.bits() == 0 {
            return Err(ConfigError::PulseLength);
        }
        // Held at 100 m/s: far past any field machine, far inside the arithmetic.
        if wheel.max_speed.to_mm_s() > 100_000 || wheel.max_speed <= wheel.creep_speed {
            return Err(ConfigError::MaxSpeed);
        }
        let one_a_second = wheel.pulse_length.bits() >> 36;
        if wheel.creep_speed.to_mm_s() == 0 || u64::from(wheel.creep_speed.to_mm_s()) < one_a_second
        {
            return Err(ConfigError::CreepSpeed);
        }
        if wheel.max_acceleration_mm_s2 == 0 || wheel.max_acceleration_mm_s2 > 50_000 {
            return Err(ConfigError::MaxAcceleration);
        }
        if wheel.slots_per_turn > MAX_SLOTS {
            return Err(ConfigError::SlotsPerTurn);
        }
        Ok(())
    }

    fn validate_timing(&self) -> Result<(), ConfigError> {
        let timing = &self.timing;
        let period = timing.decision_period;
        if period < Span(200) || period > Span(20_000) {
            return Err(ConfigError::DecisionPeriod);
        }
        // Less than an eighth, and hard braking could push a boundary out between two
        // windows.
        if timing.slack < Span(period.0 >> 3) || timing.slack > period {
            return Err(ConfigError::Slack);
        }
        // One decision gives a nozzle at most one command.
        let window = period.0.saturating_add(timing.slack.0);
        if timing.shortest_on.0 < window || timing.shortest_on > Span(1_000_000) {
            return Err(ConfigError::ShortestOn);
        }
        if timing.shortest_off.0 < window || timing.shortest_off > Span(1_000_000) {
            return Err(ConfigError::ShortestOff);
        }
        if timing.poll_silence < period || timing.poll_silence > Span(1_000_000) {
            return Err(ConfigError::PollSilence);
        }
        if timing.max_detection_age.0 == 0 || timing.max_detection_age > Span(2_000_000) {
            return Err(ConfigError::MaxDetectionAge);
        }
        Ok(())
    }
}

fn mounted(place: Length) -> bool {
    place <= MAX_MOUNT && place >= Length::default().minus(MAX_MOUNT)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nozzles() -> [NozzleConfig; 3] {
        [0, 1, 2].map(|i| NozzleConfig::evenly_spaced(i, 3, Length::from_mm(500)))
    }

    const fn one() -> &'static [NozzleConfig] {
        const ONE: NozzleConfig = NozzleConfig {
            x: Length::from_mm(0),
            y: Length::from_mm(0),
            lane_width: Length::from_mm(500),
            open_delay: Span(20_000),
            close_delay: Span(10_000),
            throw: Span(0),
        };
        &[ONE]
    }

    #[track_caller]
    fn refused<'a>(change: impl FnOnce(&mut Config<'a>), why: ConfigError) {
        let mut config = Config::new(PulseLength::from_nm(20_000_000).unwrap(), one(), &[]);
        change(&mut config);
        assert_eq!(config.validate(3, 1), Err(why));
    }

    #[test]
    fn even_spacing_is_centred() {
        assert_eq!(
            nozzles().map(|n| n.y),
            [
                Length::from_mm(-500),
                Length::from_mm(0),
                Length::from_mm(500)
            ]
        );
    }

    #[test]
    fn each_doubtful_number_has_its_reason() {
        refused(|c| c.nozzles = &[], ConfigError::NoNozzles);
        refused(
            |c| c.wheel.creep_speed = Speed::from_mm_s(19),
            ConfigError::CreepSpeed,
        );
        refused(
            |c| c.wheel.max_speed = Speed::from_mm_s(100),
            ConfigError::MaxSpeed,
        );
        refused(
            |c| c.wheel.pulse_length = PulseLength::default(),
            ConfigError::PulseLength,
        );
        refused(
            |c| c.wheel.max_acceleration_mm_s2 = 0,
            ConfigError::MaxAcceleration,
        );
        refused(
            |c| c.wheel.slots_per_turn = MAX_SLOTS + 1,
            ConfigError::SlotsPerTurn,
        );
        refused(
            |c| c.timing.decision_period = Span(100),
            ConfigError::DecisionPeriod,
        );
        refused(|c| c.timing.slack = Span(0), ConfigError::Slack);
        refused(
            |c| c.timing.shortest_on = Span(2499),
            ConfigError::ShortestOn,
        );
        refused(
            |c| c.timing.shortest_off = Span(2499),
            ConfigError::ShortestOff,
        );
        refused(
            |c| c.patch.lead = Length::from_mm(-1),
            ConfigError::PatchMargin,
        );
        let fan = FanConfig::new(
            Length::from_mm(714),
            Length::default(),
            Length::from_mm(500),
        );
        for wrong in [
            FanConfig {
                flat_half: Length::from_mm(715),
                ..fan
            },
            FanConfig {
                half_width: Length::from_mm(10_001),
                ..fan
            },
            FanConfig {
                spacing: Length::default(),
                ..fan
            },
            FanConfig {
                wanted_share: 0,
                ..fan
            },
            FanConfig {
                wanted_share: 10_001,
                ..fan
            },
        ] {
            refused(|c| c.fan = Some(wrong), ConfigError::Fan);
        }
        refused(|c| c.faulty = &[1], ConfigError::NoSuchNozzle { nozzle: 1 });
        refused(
            |c| c.patch.repeat_growth = Length::from_mm(-1),
            ConfigError::PatchMargin,
        );
        let two = [DetectorConfig::default(); 2];
        refused(
            |c| c.detectors = &two,
            ConfigError::TooManyDetectors { most: 1 },
        );
        let nozzles = nozzles();
        let swapped = [nozzles[1], nozzles[0]];
        let config = Config::new(PulseLength::from_nm(20_000_000).unwrap(), &swapped, &[]);
        assert_eq!(
            config.validate(3, 1),
            Err(ConfigError::NozzlesNotSorted { nozzle: 1 })
        );
        assert_eq!(
            config.validate(1, 1),
            Err(ConfigError::TooManyNozzles { most: 1 })
        );
    }
}
