//! Application rate: what share of its time an open valve is to flow.
//!
//! A nozzle at full flow gives more per area the slower the machine goes. A valve that is
//! switched at a fixed cycle gives the wanted rate at any speed within its span: the share of
//! each cycle is asked for when the cycle begins, from the speed at that moment, the pressure
//! and the nozzle's flow.
//!
//! Wanted flow is rate · speed · width; a nozzle's own flow goes with the root of pressure
//! (Bernoulli; ISO 10625 states sizes so). A valve flows from its open delay after the edge
//! to its close delay after the other, so `open_delay − close_delay` of each cycle flows
//! nothing and is added.
//!
//! **Beat.** A cycle is ground too: at 25 Hz and 4 m/s one every 160 mm, of which the fan's
//! thickness evens out a part. Where whole booms spray, neighbours therefore beat in turns, every
//! other nozzle half a cycle later by the controller's clock, so that the fans that overlap fill
//! each other's gaps. In spot work the first cycle begins with the patch, which is to be wet from
//! its edge on.
//!
//! What the valve can't follow has a written policy, and each a counter: a share below the
//! lowest is sprayed at the lowest, and one that leaves less than the shortest off-time is
//! sprayed fully (both too much); a wanted flow above the nozzle's is sprayed fully (too
//! little); a patch shorter than [`CYCLES_OF_A_PATCH`] cycles is sprayed fully (too much), since
//! it would get its dose in too few shots to cover the ground evenly, and so is a cycle that is cut
//! to lead to its nozzle's beat; while the pressure is not known ([`PressureFault`]) all is sprayed
//! fully.

use crate::boom::ConfigError;
use crate::units::{Length, Micros, Span, Speed};

/// A patch that passes in fewer cycles than this is sprayed fully.
pub const CYCLES_OF_A_PATCH: u32 = 3;
/// Once a pressure was handed over, the next is to come within this time: a pressure that
/// changed unseen makes every duty wrong.
pub const PRESSURE_SILENCE: Span = Span::from_ms(2000);
/// Whole, in thousandths.
const WHOLE: u16 = 1000;

/// How the wanted rate is made. One for all nozzles but for their flow.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RateConfig {
    /// Wanted application rate where a nozzle sprays, ml/ha; up to 5,000 l/ha.
    pub rate_ml_ha: u32,
    /// Ground across travel that a nozzle's flow is spread over: the nozzle spacing.
    pub width: Length,
    /// Flow of a nozzle that is fully open at `pressure_kpa`, ml/min; of all for which
    /// [`Config::flows_ml_min`](crate::Config::flows_ml_min) gives none of their own.
    pub flow_ml_min: u16,
    /// The pressure at which the flows hold; also the pressure there is until one is handed
    /// over.
    pub pressure_kpa: u16,
    /// From opening to opening of a valve that is switched.
    pub cycle: Span,
    /// Lowest share of a cycle that the valve is told, thousandths. Below 400 doses become
    /// uneven (Butts et al. 2019, Biosyst. Eng. 178:52–69).
    pub lowest: u16,
    /// Refuse a machine whose shortest patches pass in fewer than [`CYCLES_OF_A_PATCH`] cycles
    /// at top speed, rather than spraying those fully.
    pub refuse_short: bool,
}

impl RateConfig {
    /// `shortest`: the shortest patch, at `top` speed.
    pub(crate) fn validate(
        &self,
        flows: &[u16],
        nozzles: usize,
        shortest: Length,
        top: Speed,
    ) -> Result<(), ConfigError> {
        let least = 10;
        let pressure = (1..=5000).contains(&self.pressure_kpa);
        let width = self.width >= Length::from_mm(1) && self.width <= Length::from_mm(10_000);
        let rate = (1..=5_000_000).contains(&self.rate_ml_ha);
        if !(self.flow_ml_min >= least && pressure && width && rate) {
            return Err(ConfigError::Rate);
        }
        if !flows.is_empty() && (flows.len() != nozzles || flows.iter().any(|&f| f < least)) {
            return Err(ConfigError::NozzleFlows);
        }
        let cycle = self.cycle >= Span::from_ms(5) && self.cycle <= Span::from_ms(1000);
        if !cycle || self.lowest == 0 || self.lowest > WHOLE {
            return Err(ConfigError::Cycle);
        }
        if self.refuse_short && self.passes_short(shortest, top) {
            return Err(ConfigError::ShortPatch);
        }
        Ok(())
    }

    /// Whether a patch passes in fewer than [`CYCLES_OF_A_PATCH`] cycles.
    fn passes_short(&self, patch: Length, speed: Speed) -> bool {
        let cycles = u64::from(self.cycle.0).saturating_mul(u64::from(CYCLES_OF_A_PATCH));
        // µm against mm/s · µs / 1000.
        let way = u64::from(speed.to_mm_s()).saturating_mul(cycles) >> 3;
        let patch = u64::try_from(patch.to_um()).unwrap_or_default();
        patch.saturating_mul(125) < way
    }
}

/// What one cycle of an open valve is to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Cycle {
    /// Share of it with current, thousandths; 0 to 1000.
    pub duty: u16,
    /// From its beginning to that of the next: [`RateConfig::cycle`], or less where this one
    /// brings the valve into its beat.
    pub length: Span,
}

/// Why the pressure at the nozzles is not known. While one lasts, every open valve is told to
/// flow fully: too much on the ground rather than too little on a plant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PressureFault {
    /// The sensor tells 0 kPa: broken wire, empty line, or a pump that stands.
    None,
    /// Nothing was handed over for [`PRESSURE_SILENCE`] since the last pressure.
    Silent,
}

impl core::fmt::Display for PressureFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::None => "the pressure is 0: all is sprayed fully; look at pump, line and sensor",
            Self::Silent => {
                "no pressure came for 2 s: all is sprayed fully; look at the pressure sensor"
            }
        })
    }
}

impl core::error::Error for PressureFault {}

/// A share of a cycle, and what is wrong with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Duty {
    /// Gives the wanted rate, thousandths.
    Right(u16),
    /// The valve can't follow the one that would: more than wanted.
    Valve(u16),
    /// The patch, or a cycle that is cut, is too short to be switched: sprayed fully, more than
    /// wanted.
    Short,
    /// The nozzle is too small for this speed and pressure: sprayed fully, less than wanted.
    TooSmall,
    /// The pressure is not known: sprayed fully, perhaps less than wanted.
    Unknown,
}

impl Duty {
    /// Thousandths of a cycle.
    pub fn thousandths(self) -> u16 {
        match self {
            Self::Right(share) | Self::Valve(share) => share,
            Self::Short | Self::TooSmall | Self::Unknown => WHOLE,
        }
    }

    /// The same over a cycle that is cut to lead to the next beat: it is too short to be switched.
    pub fn whole(self) -> Self {
        match self {
            Self::Right(WHOLE)
            | Self::Valve(WHOLE)
            | Self::Short
            | Self::TooSmall
            | Self::Unknown => self,
            Self::Right(_) | Self::Valve(_) => Self::Short,
        }
    }
}

/// Rate control of a boom.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rate<'a> {
    config: RateConfig,
    flows: &'a [u16],
    /// Above this share the valve would be closed for too short a time, thousandths.
    highest: u16,
    /// Root of pressure over that of the nozzles' flow, 2⁻¹⁶; 0: the sensor tells none.
    root: u32,
    /// When a pressure was last handed over.
    heard: Option<Micros>,
    /// Its silence was told of.
    silent: bool,
}

impl<'a> Rate<'a> {
    pub fn new(config: &RateConfig, flows: &'a [u16], shortest_off: Span) -> Self {
        let off = thousandths(i64::from(shortest_off.0), config.cycle);
        let off = u16::try_from(off).unwrap_or(WHOLE);
        let mut rate = Self {
            config: *config,
            flows,
            highest: WHOLE.saturating_sub(off),
            root: 0,
            heard: None,
            silent: false,
        };
        rate.root = rate.root_of(config.pressure_kpa);
        rate
    }

    fn root_of(&self, kpa: u16) -> u32 {
        let ratio = (u64::from(kpa) << 32)
            .checked_div(u64::from(self.config.pressure_kpa))
            .unwrap_or_default();
        // Of 48 bits, so its root has 24.
        u32::try_from(ratio.isqrt()).unwrap_or(u32::MAX)
    }

    /// The pressure at the nozzles is `kpa` from now on. True where a fault begins with it.
    pub fn pressure(&mut self, now: Micros, kpa: u16) -> bool {
        let was_none = self.root == 0;
        self.root = self.root_of(kpa);
        self.heard = Some(now);
        self.silent = false;
        self.root == 0 && !was_none
    }

    /// True once for each time that no pressure came for too long.
    pub fn fell_silent(&mut self, now: Micros) -> bool {
        let silent = self.fault(now) == Some(PressureFault::Silent);
        silent && !core::mem::replace(&mut self.silent, silent)
    }

    /// Why the pressure is not known.
    pub fn fault(&self, now: Micros) -> Option<PressureFault> {
        let silent = self
            .heard
            .is_some_and(|at| now.since(at) > PRESSURE_SILENCE);
        match self.root {
            _ if silent => Some(PressureFault::Silent),
            0 => Some(PressureFault::None),
            _ => None,
        }
    }

    /// What nozzle `index` is to be told for the cycle that begins at `now`. `dead`: open delay
    /// less close delay, µs. `patch`: length of the patch that it is in, where that is known.
    pub fn duty(
        &self,
        now: Micros,
        index: usize,
        speed: Speed,
        dead: i32,
        patch: Option<Length>,
    ) -> Duty {
        let config = &self.config;
        if self.fault(now).is_some() {
            return Duty::Unknown;
        }
        let flows = self.flow_share(index, speed);
        if flows > u64::from(WHOLE) {
            return Duty::TooSmall;
        }
        let dead = thousandths(i64::from(dead), config.cycle);
        let told = i64::try_from(flows).unwrap_or_default().wrapping_add(dead);
        let told = u16::try_from(told.max(0)).unwrap_or(WHOLE);
        if told == WHOLE {
            return Duty::Right(WHOLE);
        }
        if told > self.highest {
            return Duty::Valve(WHOLE);
        }
        if patch.is_some_and(|patch| config.passes_short(patch, speed)) {
            return Duty::Short;
        }
        if told < config.lowest {
            return Duty::Valve(config.lowest);
        }
        Duty::Right(told)
    }

    /// How long the cycle of nozzle `index` that begins at `begins` lasts: to the nozzle's next
    /// `beat`, or the whole.
    pub fn length(&self, begins: Micros, index: usize, beat: bool) -> Span {
        let cycle = self.config.cycle;
        if !beat {
            return cycle;
        }
        let half = if index & 1 == 0 { 0 } else { cycle.0 >> 1 };
        let into = begins.0.saturating_add(u64::from(half));
        let into = into.checked_rem(u64::from(cycle.0)).unwrap_or_default();
        Span(
            cycle
                .0
                .saturating_sub(u32::try_from(into).unwrap_or_default()),
        )
    }

    /// Whether a cycle of this length only leads to the next beat.
    pub fn is_cut(&self, length: Span) -> bool {
        length < self.config.cycle
    }

    /// Wanted flow over the nozzle's own at this pressure, thousandths, rounded up so that no
    /// plant gets less.
    fn flow_share(&self, index: usize, speed: Speed) -> u64 {
        let config = &self.config;
        let own = self.flows.get(index).unwrap_or(&config.flow_ml_min);
        // 23, 17 and 18 bits. ml/ha · mm/s · mm is 6·10⁻⁹ ml/min.
        let wanted = u64::from(config.rate_ml_ha)
            .saturating_mul(u64::from(speed.to_mm_s()))
            .saturating_mul(u64::try_from(config.width.to_um()).unwrap_or_default())
            .checked_div(1000)
            .unwrap_or_default()
            .saturating_mul(6)
            .checked_div(1_000_000)
            .unwrap_or_default();
        let own = u64::from(*own).saturating_mul(u64::from(self.root)).max(1);
        (wanted
            .saturating_mul(1 << 16)
            .saturating_add(own)
            .saturating_sub(1))
        .checked_div(own)
        .unwrap_or(u64::MAX)
    }
}

/// A time as thousandths of a cycle, nearest.
fn thousandths(time_us: i64, cycle: Span) -> i64 {
    let half = i64::from(cycle.0 >> 1);
    (time_us.wrapping_mul(1000).wrapping_add(half))
        .checked_div_euclid(i64::from(cycle.0))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 l/ha from 0.48 l/min at 300 kPa, half a metre apart, at 10 Hz.
    const PLAIN: RateConfig = RateConfig {
        rate_ml_ha: 100_000,
        width: Length::from_mm(500),
        flow_ml_min: 480,
        pressure_kpa: 300,
        cycle: Span(100_000),
        lowest: 200,
        refuse_short: false,
    };
    const OFF: Span = Span(10_000);
    const NOW: Micros = Micros(1_000_000);

    fn told(config: &RateConfig, mm_s: u32, dead: i32) -> Duty {
        Rate::new(config, &[], OFF).duty(NOW, 0, Speed::from_mm_s(mm_s), dead, None)
    }

    #[test]
    fn full_flow_at_the_speed_of_the_handbook_formula() {
        // GPM = GPA · mph · W / 5940, W in inches (the trade's formula, common practice, no
        // source). 0.3 gal/min, 20 in, 8 mph: 11.14 GPA; 12 mph: 7.43; 20 mph: 4.46.
        for (mph, gpa) in [(8.0, 11.14), (12.0, 7.43), (20.0, 4.46)] {
            let config = RateConfig {
                rate_ml_ha: (gpa * 3785.41 / 0.404_686) as u32,
                width: Length::from_mm(508),
                flow_ml_min: 1136,
                lowest: 1,
                ..PLAIN
            };
            let at = |share: f64| Speed::from_mm_s((mph * 447.04 * share) as u32);
            let rate = Rate::new(&config, &[], Span(0));
            let full = rate.duty(NOW, 0, at(0.998), 0, None);
            assert!(
                full.thousandths() >= 997 && full != Duty::TooSmall,
                "{full:?}"
            );
            assert_eq!(rate.duty(NOW, 0, at(1.004), 0, None), Duty::TooSmall);
        }
    }

    #[test]
    fn share_goes_with_speed() {
        // Rodrigues, Alves & Cunha 2025, Agriculture 15:1830: one rate held from 1.1 to
        // 3.9 m/s with a nozzle of 0.757 l/min that is fully open at 3.9. The shares that a
        // valve without delays needs are in proportion; theirs at the low end were 7 points
        // higher, for the time that a valve opens.
        let config = RateConfig {
            rate_ml_ha: 64_700,
            flow_ml_min: 757,
            lowest: 1,
            ..PLAIN
        };
        let shares = [1100, 1700, 2800].map(|v| told(&config, v, 0).thousandths());
        for (share, wanted) in shares.into_iter().zip([282, 436, 718]) {
            assert!(u16::abs_diff(share, wanted) <= 2, "{share} {wanted}");
        }
        let shares = [1100, 1700].map(|v| told(&config, v, 7_000).thousandths());
        assert!(u16::abs_diff(shares[0], 350) <= 5, "{shares:?}");
    }

    #[test]
    fn flow_goes_with_the_root_of_pressure() {
        let mut rate = Rate::new(&PLAIN, &[], OFF);
        let share = |rate: &Rate<'_>| {
            rate.duty(NOW, 0, Speed::from_mm_s(800), 0, None)
                .thousandths()
        };
        assert_eq!(share(&rate), 500);
        assert!(!rate.pressure(NOW, 1200));
        assert_eq!(share(&rate), 250);
        assert!(!rate.pressure(NOW, 150));
        assert_eq!(share(&rate), 708);
    }

    #[test]
    fn a_pressure_that_is_not_known_opens_fully_and_is_told_once() {
        let mut rate = Rate::new(&PLAIN, &[], OFF);
        let at = |rate: &Rate<'_>, now| rate.duty(now, 0, Speed::from_mm_s(800), 0, None);
        // That of the machine description holds for ever.
        let late = Micros(9_000_000);
        assert_eq!(
            (at(&rate, late), rate.fault(late)),
            (Duty::Right(500), None)
        );
        assert!(rate.pressure(NOW, 0) && !rate.pressure(NOW, 0));
        assert_eq!(
            (at(&rate, NOW), rate.fault(NOW)),
            (Duty::Unknown, Some(PressureFault::None))
        );
        assert_eq!(Duty::Unknown.thousandths(), 1000);
        assert!(!rate.pressure(NOW, 300));
        let due = NOW.plus(PRESSURE_SILENCE);
        assert_eq!(
            (at(&rate, due), rate.fell_silent(due)),
            (Duty::Right(500), false)
        );
        let over = due.plus(Span(1));
        assert_eq!(rate.fault(over), Some(PressureFault::Silent));
        assert_eq!(at(&rate, over), Duty::Unknown);
        assert!(rate.fell_silent(over) && !rate.fell_silent(over));
        assert!(!rate.pressure(over, 300) && at(&rate, over) == Duty::Right(500));
        assert!(rate.fell_silent(over.plus(Span(2_000_001))));
    }

    #[test]
    fn what_a_valve_cannot_follow_is_sprayed_with_too_much_and_told() {
        assert_eq!(told(&PLAIN, 800, 0), Duty::Right(500));
        // Ten of a hundred milliseconds flow nothing.
        assert_eq!(told(&PLAIN, 800, 10_000), Duty::Right(600));
        assert_eq!(told(&PLAIN, 300, 0), Duty::Valve(200));
        assert_eq!(told(&PLAIN, 0, 0), Duty::Valve(200));
        assert_eq!(told(&PLAIN, 1440, 0), Duty::Right(900));
        assert_eq!(told(&PLAIN, 1443, 0), Duty::Valve(1000));
        assert_eq!(told(&PLAIN, 1600, 0), Duty::Right(1000));
        assert_eq!(told(&PLAIN, 1603, 0), Duty::TooSmall);
    }

    #[test]
    fn a_patch_of_less_than_three_cycles_is_sprayed_fully() {
        let rate = Rate::new(&PLAIN, &[], OFF);
        let share = |mm| {
            let patch = Some(Length::from_mm(mm));
            rate.duty(NOW, 0, Speed::from_mm_s(800), 0, patch)
        };
        // Three cycles of 100 ms at 0.8 m/s are 240 mm.
        assert_eq!(share(239), Duty::Short);
        assert_eq!(share(240), Duty::Right(500));
    }

    #[test]
    fn neighbours_beat_half_a_cycle_apart_whenever_they_begin() {
        let rate = Rate::new(&PLAIN, &[], OFF);
        let ends = |begins: u64, index, beat| {
            let length = rate.length(Micros(begins), index, beat);
            assert!(length.0 > 0 && length <= PLAIN.cycle);
            begins + u64::from(length.0)
        };
        for begins in [0, 1, 49_999, 50_000, 99_999, 7_310_417] {
            assert_eq!(ends(begins, 0, true) % 100_000, 0);
            assert_eq!(ends(begins, 1, true) % 100_000, 50_000);
            assert_eq!(ends(begins, 8, true) % 100_000, 0);
            // With a patch the cycle is whole, whoever begins it.
            assert_eq!(ends(begins, 1, false), begins + 100_000);
        }
        // On the beat it is whole.
        assert_eq!(ends(300_000, 2, true), 400_000);
        assert_eq!(ends(350_000, 3, true), 450_000);
        assert!(!rate.is_cut(PLAIN.cycle) && rate.is_cut(Span(99_999)));
        // A cut one flows fully: too much where less was wanted, and no more than it was where not.
        for too_much in [Duty::Right(999), Duty::Valve(200), Duty::Short] {
            assert_eq!(too_much.whole(), Duty::Short);
        }
        for whole in [Duty::Right(1000), Duty::TooSmall, Duty::Unknown] {
            assert_eq!(whole.whole(), whole);
        }
    }

    #[test]
    fn nozzles_of_other_sizes_get_their_own_share() {
        let rate = Rate::new(&PLAIN, &[480, 960], OFF);
        let speed = Speed::from_mm_s(800);
        assert_eq!(rate.duty(NOW, 1, speed, 0, None), Duty::Right(250));
    }

    #[test]
    fn each_doubtful_number_has_its_reason() {
        let top = Speed::from_mm_s(8000);
        let check = |config: RateConfig| config.validate(&[], 2, Length::from_mm(100), top);
        assert_eq!(check(PLAIN), Ok(()));
        for wrong in [
            RateConfig {
                rate_ml_ha: 0,
                ..PLAIN
            },
            RateConfig {
                rate_ml_ha: 5_000_001,
                ..PLAIN
            },
            RateConfig {
                width: Length::default(),
                ..PLAIN
            },
            RateConfig {
                flow_ml_min: 9,
                ..PLAIN
            },
            RateConfig {
                pressure_kpa: 0,
                ..PLAIN
            },
        ] {
            assert_eq!(check(wrong), Err(ConfigError::Rate));
        }
        for wrong in [
            RateConfig {
                cycle: Span(4999),
                ..PLAIN
            },
            RateConfig { lowest: 0, ..PLAIN },
            RateConfig {
                lowest: 1001,
                ..PLAIN
            },
        ] {
            assert_eq!(check(wrong), Err(ConfigError::Cycle));
        }
        for flows in [&[800][..], &[800, 9]] {
            let checked = PLAIN.validate(flows, 2, Length::from_mm(100), top);
            assert_eq!(checked, Err(ConfigError::NozzleFlows));
        }
        let strict = RateConfig {
            refuse_short: true,
            ..PLAIN
        };
        assert_eq!(check(strict), Err(ConfigError::ShortPatch));
        let long = strict.validate(&[], 2, Length::from_mm(2400), top);
        assert_eq!(long, Ok(()));
    }
}
