//! One run: the wheel's pulses, plants along one lane, and where each patch began.

use controller_core::{Action, Counters, PulseLength, Span, Speed};
use ground_truth::pulse_faults::{bounce, lose};
use ground_truth::wheel::{Wheel, WheelSpec};
use ground_truth::{Ground, Motion};

use super::profiles::Profile;
use super::{Case, Random};
use crate::{Input, one_lane, plant, run};

/// From the command to half flow at opening, s.
pub(super) const OPEN_DELAY_S: f64 = 0.020;
/// Stretch at the start of every run in which the wheel is still being learned.
const LEARNING_M: f64 = 100.0;
/// A report that comes later than this before the command is nobody's to meet.
const NOTICE_S: f64 = 0.005;
const LEAD_M: f64 = 0.050;
const HALF_PLANT_M: f64 = 0.020;
const DETECTOR_M: f64 = 1.0;
/// How long after a real pulse an extra one comes, s.
const BOUNCE_S: (f64, f64) = (0.0002, 0.003);
/// Hardest braking and speeding up that the controller is told, mm/s².
const MAX_ACCELERATION: u32 = 6500;

/// In which list a plant counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum List {
    /// The table.
    Settled,
    /// The first metres, while the wheel is learned.
    Learning,
    /// Seen within two pulses of a standstill, where no speed is known yet.
    Away,
}

/// A plant that counts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Target {
    /// Where half flow should land, m.
    pub start: f64,
    /// From the detector to there at capture, m.
    pub ahead: f64,
    /// When the message arrives, s.
    pub arrives: f64,
    pub list: List,
}

/// What the controller is told, and what was wanted.
pub(super) struct World<'p> {
    pub profile: &'p Profile,
    /// As told to the controller, s.
    pub stamps: Vec<f64>,
    images: Vec<(u64, Input)>,
    pub targets: Vec<Target>,
}

/// Places where the machine stood.
fn standstills(motion: &Motion) -> Vec<f64> {
    let mut places: Vec<f64> = (0..)
        .map(|i| f64::from(i) * 0.1)
        .take_while(|&t| t < motion.end())
        .filter(|&t| motion.speed(t) < 1e-6)
        .map(|t| motion.position(t))
        .collect();
    places.dedup_by(|a, b| (*a - *b).abs() < 0.001);
    places
}

impl<'p> World<'p> {
    pub fn new(profile: &'p Profile, case: &Case, seed: u64) -> Self {
        let motion = &profile.motion;
        let end = motion.end();
        let pulse_m = f64::from(case.pulse_mm) / 1000.0;
        let wheel = Wheel::new(WheelSpec {
            pulse_length_m: pulse_m,
            slots: u32::from(case.slots),
            unevenness: case.uneven,
            stamp_jitter_s: 10e-6,
            seed,
        })
        .and_then(|w| w.with_stray(case.stray))
        .and_then(|w| w.with_scale(case.scale))
        .expect("a usual wheel");
        let rim = profile.rim(seed);
        let mut stamps = lose(&wheel.pulses(&rim, end), case.lost_in, seed);
        stamps = bounce(&stamps, case.bounce_in, BOUNCE_S, seed);
        let mut random = Random(seed);
        let (mut images, mut targets) = (Vec::new(), Vec::new());
        let stops = standstills(motion);
        let mut place = 3.0;
        while place < motion.position(end) - 3.0 {
            place += 0.45 + 0.3 * random.even();
            let Some(seen) = motion.time_at(place - HALF_PLANT_M - LEAD_M - DETECTOR_M) else {
                break;
            };
            let halted = stops
                .iter()
                .rev()
                .find(|&&stop| stop < place - DETECTOR_M)
                .copied()
                .unwrap_or_default();
            let captured = (seen * 1e6).round();
            let (mean, spread) = case.age_s;
            let age = mean + spread * (2.0 * random.even() - 1.0);
            // `one_lane` mounts its detector on the reference point and sees this far ahead.
            let ahead = place - motion.position(captured / 1e6);
            let image = Input::Image {
                captured: captured as u64,
                seen: (900, 1100),
                plants: vec![plant((ahead * 1e6).round() as i32, 0, 40_000, 40_000)],
            };
            let arrives = (captured + age * 1e6).round();
            images.push((arrives as u64, image));
            let start = place - HALF_PLANT_M - LEAD_M;
            let opens = motion.time_at(start).unwrap_or(end);
            let slowest = (0..=50)
                .map(|i| motion.speed(seen + (opens - seen) * f64::from(i) / 50.0))
                .fold(f64::INFINITY, f64::min);
            let in_time = seen + age + NOTICE_S <= opens - OPEN_DELAY_S;
            if slowest >= 1.0 && in_time {
                let away = !stops.is_empty() && place - DETECTOR_M - halted < 2.0 * pulse_m;
                targets.push(Target {
                    start,
                    ahead: ahead - HALF_PLANT_M - LEAD_M,
                    arrives: arrives / 1e6,
                    list: if away {
                        List::Away
                    } else if start < LEARNING_M {
                        List::Learning
                    } else {
                        List::Settled
                    },
                });
            }
        }
        Self {
            profile,
            stamps,
            images,
            targets,
        }
    }

    /// Errors of the core's starts in mm, one a target, and what the core counted.
    pub fn core(&self, case: &Case) -> (Vec<f64>, Counters, bool) {
        let mut inputs: Vec<(u64, Input)> = self
            .stamps
            .iter()
            .map(|t| ((t * 1e6).round() as u64, Input::Pulse))
            .collect();
        inputs.extend(self.images.iter().cloned());
        inputs.sort_by_key(|i| i.0);
        let mut core = one_lane(|config, nozzle| {
            nozzle.throw = Span(0);
            let nm = u64::from(case.pulse_mm) * 1_000_000;
            config.wheel.pulse_length = PulseLength::from_nm(nm).expect("usual");
            config.wheel.creep_speed =
                Speed::from_mm_s(if case.pulse_mm > 300 { 400 } else { 300 });
            config.wheel.slots_per_turn = case.told;
            config.wheel.max_acceleration_mm_s2 = MAX_ACCELERATION;
        });
        let motion = &self.profile.motion;
        let commands = run(&mut core, &inputs, (motion.end() * 1e6) as u64, &[]);
        let mut landed: Vec<f64> = commands
            .iter()
            .filter(|c| c.action == Action::Open)
            .map(|c| motion.position(c.at.0 as f64 / 1e6 + OPEN_DELAY_S))
            .collect();
        landed.sort_by(f64::total_cmp);
        let errors = self
            .targets
            .iter()
            .map(|target| {
                let next = landed.partition_point(|&l| l < target.start);
                let near = |i: usize| landed.get(i).map_or(f64::INFINITY, |l| l - target.start);
                let (before, after) = (near(next.wrapping_sub(1)), near(next));
                let error = if before.abs() < after.abs() {
                    before
                } else {
                    after
                };
                assert!(error.is_finite(), "{:?}", core.counters());
                error * 1000.0
            })
            .collect();
        (errors, *core.counters(), core.slots_in_use())
    }
}
