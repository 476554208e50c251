//! How near the start of a patch lies to where it should: ways of driving times
//! wheels, with learned slot offsets and without, and faults of the wheel.
//!
//! The judge is the exact motion in `f64`; nothing of the core decides a number
//! here. A start error is the true place of half flow at opening less the wanted
//! place, positive when too late. Counted are plants during whose whole way from
//! the image to the opening the machine drives at 1 m/s or more: slower, a place
//! between two pulses can't be known. Learning starts cold in every run; the first
//! 100 m are kept apart. So are plants seen within two pulses of a standstill, where
//! no speed is known yet.

mod bus;
pub mod profiles;
mod simple;
mod world;

pub use bus::Bus;
use controller_core::Counters;
use profiles::Profile;
use std::fmt;
use world::{List, World};

/// Pulse length in mm and slots a turn: wheels of about 2 m around.
pub const WHEELS: [(u32, u16); 4] = [(20, 100), (50, 40), (130, 16), (400, 5)];

/// A wheel, what the controller is told of it, and what goes wrong.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    /// Nominal pulse length.
    pub pulse_mm: u32,
    /// Marks a turn.
    pub slots: u16,
    /// What the controller is told; 0 leaves learning off.
    pub told: u16,
    /// How far marks sit off their even place, one standard deviation, share of a pulse.
    pub uneven: f64,
    /// The same, drawn anew for every pulse.
    pub stray: f64,
    /// True over nominal pulse length.
    pub scale: f64,
    /// One pulse in so many is lost; 0 for none.
    pub lost_in: u32,
    /// One pulse in so many is followed by another within 0.2 to 3 ms; 0 for none.
    pub bounce_in: u32,
    /// Age of an image on arrival: mean, and the most it departs from that either way.
    pub age_s: (f64, f64),
}

impl Case {
    /// The main case: 1 % uneven, slots known, images 80 ± 15 ms old.
    #[must_use]
    pub fn main((pulse_mm, slots): (u32, u16)) -> Self {
        Self {
            pulse_mm,
            slots,
            told: slots,
            uneven: 0.01,
            stray: 0.0,
            scale: 1.0,
            lost_in: 0,
            bounce_in: 0,
            age_s: (0.080, 0.015),
        }
    }
}

/// A change of the main case.
pub type Change = fn(Case) -> Case;

/// The rows of the table: a name, and what differs from the main case.
pub const ROWS: [(&str, Change); 9] = [
    ("1 % uneven", |c| c),
    ("1 % uneven, not learned", |c| Case { told: 0, ..c }),
    ("2 % uneven", |c| Case { uneven: 0.02, ..c }),
    ("1 % that does not repeat", |c| Case {
        uneven: 0.0,
        stray: 0.01,
        ..c
    }),
    ("scale 1 % wrong", |c| Case { scale: 1.01, ..c }),
    ("one slot too many told", |c| Case {
        told: c.slots + 1,
        ..c
    }),
    ("one pulse in 500 lost", |c| Case { lost_in: 500, ..c }),
    ("one bounce in 500", |c| Case {
        bounce_in: 500,
        ..c
    }),
    ("images 10 ms old", |c| Case {
        age_s: (0.010, 0.0),
        ..c
    }),
];

/// What the study that set the budgets found for the two simple ways to keep time, on
/// the first five profiles: pulse length in mm; RMS, 99.9 % and largest in mm of the
/// fixed delay (99.9 % and largest not given at 400 mm), then of whole pulses. Its own
/// throwaway prototypes; no published source.
pub const STUDY: [(u32, [f64; 3], [f64; 3]); 4] = [
    (20, [50.0, 299.0, 501.0], [45.0, 113.0, 141.0]),
    (50, [51.0, 327.0, 646.0], [52.0, 145.0, 177.0]),
    (130, [58.0, 459.0, 1084.0], [85.0, 250.0, 282.0]),
    (400, [764.0, f64::NAN, f64::NAN], [287.0, 592.0, 640.0]),
];

/// The two simple ways to keep time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Simple {
    /// A delay worked out once, from the speed at arrival.
    FixedDelay,
    /// A whole number of pulses, worked out at arrival.
    WholePulses,
}

/// RMS, 99.9 % and largest of absolute errors, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stats {
    /// How many.
    pub n: usize,
    /// Root of the mean square.
    pub rms: f64,
    /// What 99.9 % do not exceed.
    pub p99_9: f64,
    /// The largest.
    pub largest: f64,
}

impl Stats {
    /// Of signed errors; all zero for none.
    #[must_use]
    pub fn of(errors: &[f64]) -> Self {
        let mut sorted: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len();
        let rank = (n as f64 * 0.999).ceil() as usize;
        Self {
            n,
            // The sum of nothing is −0.
            rms: (sorted.iter().map(|e| e * e).sum::<f64>() / n.max(1) as f64)
                .abs()
                .sqrt(),
            p99_9: sorted
                .get(rank.wrapping_sub(1))
                .copied()
                .unwrap_or_default(),
            largest: sorted.last().copied().unwrap_or_default(),
        }
    }

    /// RMS, 99.9 % and largest.
    #[must_use]
    pub fn figures(&self) -> [f64; 3] {
        [self.rms, self.p99_9, self.largest]
    }
}

impl fmt::Display for Stats {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [rms, most, largest] = self.figures();
        write!(f, "{rms:6.2} {most:7.2} {largest:7.2}")
    }
}

/// What a row found, profile by profile.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Name of the profile, and its errors in mm.
    pub settled: Vec<(&'static str, Vec<f64>)>,
    /// Errors on the first metres, mm.
    pub learning: Vec<f64>,
    /// Errors of plants seen while pulling away, mm.
    pub away: Vec<f64>,
    /// Runs, and runs at whose end learned offsets were in use.
    pub runs: usize,
    /// See `runs`.
    pub in_use: usize,
    /// Sums over the runs, of those counters that concern the wheel.
    pub counted: Counters,
}

impl Outcome {
    /// Of all profiles whose name is not among these.
    #[must_use]
    pub fn pooled_without(&self, names: &[&str]) -> Stats {
        let errors: Vec<f64> = self
            .settled
            .iter()
            .filter(|(name, _)| !names.contains(name))
            .flat_map(|(_, errors)| errors)
            .copied()
            .collect();
        Stats::of(&errors)
    }

    /// Of all profiles.
    #[must_use]
    pub fn pooled(&self) -> Stats {
        self.pooled_without(&[])
    }

    /// Of all plants, those on the first metres and those seen while pulling away too.
    #[must_use]
    pub fn everything(&self) -> Stats {
        let mut errors: Vec<f64> = self.learning.iter().chain(&self.away).copied().collect();
        errors.extend(self.settled.iter().flat_map(|(_, errors)| errors));
        Stats::of(&errors)
    }

    /// The profile with the largest RMS.
    #[must_use]
    pub fn worst(&self) -> (&'static str, Stats) {
        self.settled
            .iter()
            .map(|(name, errors)| (*name, Stats::of(errors)))
            .max_by(|a, b| a.1.rms.total_cmp(&b.1.rms))
            .expect("a profile")
    }

    fn take(&mut self, name: &'static str, world: &World<'_>, errors: &[Option<f64>]) {
        if self.settled.last().is_none_or(|last| last.0 != name) {
            self.settled.push((name, Vec::new()));
        }
        for (target, error) in world.targets.iter().zip(errors) {
            let Some(error) = *error else { continue };
            match (target.list, self.settled.last_mut()) {
                (List::Settled, Some((_, list))) => list.push(error),
                (List::Learning, _) => self.learning.push(error),
                _ => self.away.push(error),
            }
        }
    }
}

fn seed_of(seed: u64, profile: usize) -> u64 {
    seed * 10 + profile as u64
}

/// Drives the core over these profiles and seeds.
#[must_use]
pub fn drive(profiles: &[Profile], case: &Case, seeds: std::ops::RangeInclusive<u64>) -> Outcome {
    drive_with(profiles, case, seeds, None)
}

/// The same with speed and distance from the tractor bus. The same plants, images and ways of
/// driving as for a wheel of the case.
#[must_use]
pub fn drive_by_bus(
    profiles: &[Profile],
    case: &Case,
    seeds: std::ops::RangeInclusive<u64>,
    bus: Bus,
) -> Outcome {
    let case = Case {
        pulse_mm: bus.pulse_mm,
        told: 0,
        ..*case
    };
    drive_with(profiles, &case, seeds, Some(bus))
}

fn drive_with(
    profiles: &[Profile],
    case: &Case,
    seeds: std::ops::RangeInclusive<u64>,
    bus: Option<Bus>,
) -> Outcome {
    let mut outcome = Outcome::default();
    for (i, profile) in profiles.iter().enumerate() {
        for seed in seeds.clone() {
            let mut world = World::new(profile, case, seed_of(seed, i));
            if let Some(bus) = bus {
                world.stamps = bus::stamps(&profile.motion, bus, seed_of(seed, i));
            }
            let (errors, counters, in_use) = world.core(case);
            let errors: Vec<Option<f64>> = errors.into_iter().map(Some).collect();
            outcome.take(profile.name, &world, &errors);
            outcome.runs += 1;
            outcome.in_use += usize::from(in_use);
            let sum = &mut outcome.counted;
            sum.pulses += counters.pulses;
            sum.pulses_refused += counters.pulses_refused;
            sum.reaimed += counters.reaimed;
            sum.slot_drop_outs += counters.slot_drop_outs;
            sum.pulses_bridged += counters.pulses_bridged;
        }
    }
    outcome
}

/// The same for a simple way to keep time.
#[must_use]
pub fn drive_simple(
    profiles: &[Profile],
    case: &Case,
    seeds: std::ops::RangeInclusive<u64>,
    way: Simple,
) -> Outcome {
    let mut outcome = Outcome::default();
    for (i, profile) in profiles.iter().enumerate() {
        for seed in seeds.clone() {
            let world = World::new(profile, case, seed_of(seed, i));
            outcome.take(profile.name, &world, &world.simple(case, way));
        }
    }
    outcome
}

/// A small seeded source of even numbers in 0..1 (SplitMix64: Steele, Lea, Flood, Fast
/// splittable pseudorandom number generators, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
}
