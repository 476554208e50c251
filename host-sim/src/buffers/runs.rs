//! The Monte Carlo: whole drives through the real core, judged, with the errors of the budget
//! drawn afresh for each.
//!
//! What is drawn once for a drive is what a machine file has wrong; what is drawn by the image, the
//! plant or the movement is noise. Each drive is made once and replayed with every candidate for
//! the buffers, so that candidates differ by nothing else.

use ground_truth::buffers::Buffers;
use ground_truth::clusters::Clusters;
use ground_truth::interval::Runs as Counted;
use ground_truth::motion::Piece;
use ground_truth::{Edge, EdgeKind};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

use super::causes::{PIECE_S, Reckoning, WHIP_HZ, YAW_HZ};
use super::file::Errors;
use crate::error::{Error, Result};
use crate::generate::{self, Drive};
use crate::machine::{Machine, Patch, YawSource};
use crate::progress;
use crate::recording::Input;
use crate::replay::replay;
use crate::scenario::{Field, Plants, Scenario};
use crate::scene::Scene;
use crate::truth::{FieldLeg, FieldPath, FieldRough, FieldWhip};
use crate::truth_valves::TrueSpread;

/// Plants that a drive should pass.
const PLANTS: f64 = 60.0;
/// Shortest and longest ground of a drive, m.
const GROUND_M: (f64, f64) = (40.0, 400.0);

/// What is driven.
pub struct Runs<'a> {
    /// The machine file's name in messages.
    pub file: &'a str,
    /// What is reckoned with.
    pub reckoning: Reckoning<'a>,
    /// Field, wheel and detector of the drives; the rest of it is the budget's.
    pub scenario: &'a Scenario,
    /// Drives at each speed.
    pub count: u32,
    /// Everything random comes from it.
    pub seed: u64,
    /// An edge farther from where it should be is another plant's, m.
    pub farthest_m: f64,
}

/// How one candidate fared at one speed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fared {
    /// Plants judged.
    pub plants: usize,
    /// Of those, full.
    pub full: usize,
    /// The 95 % interval of the share of full ones.
    pub interval: (f64, f64),
    /// Mean share of the ground that stayed dry.
    pub saving: f64,
    /// How far spraying began from where lead and the told errors' absence would have it.
    pub starts: Strayed,
    /// The same of where it ended.
    pub stops: Strayed,
}

/// Edges that strayed, positive too late: sums.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Strayed {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Strayed {
    /// Takes in a drive's edges of a kind, which were judged against others: `by` metres are added to
    /// each. What lies more than `most` off is the edge of another plant's spray.
    fn add(&mut self, edges: &[Edge], kind: EdgeKind, by: f64, most: f64) {
        let errors = edges.iter().filter(|e| e.kind == kind);
        for error in errors.map(|e| e.error() + by).filter(|e| e.abs() <= most) {
            self.n += 1.0;
            self.sum += error;
            self.squares += error * error;
        }
    }

    fn merge(&mut self, other: &Self) {
        self.n += other.n;
        self.sum += other.sum;
        self.squares += other.squares;
    }

    /// Their mean, m; 0 without any.
    pub fn mean(&self) -> f64 {
        if self.n > 0.0 { self.sum / self.n } else { 0.0 }
    }

    /// One standard deviation, m.
    pub fn sd(&self) -> f64 {
        let mean = self.mean();
        let square = if self.n > 0.0 {
            self.squares / self.n
        } else {
            0.0
        };
        (square - mean * mean).max(0.0).sqrt()
    }
}

impl Fared {
    /// The share of full plants.
    pub fn share(&self) -> f64 {
        if self.plants == 0 {
            return 0.0;
        }
        self.full as f64 / self.plants as f64
    }
}

/// What one drive gave for one candidate.
struct Drove {
    full: usize,
    judged: usize,
    dry: f64,
    starts: Strayed,
    stops: Strayed,
}

impl Runs<'_> {
    /// Drives `count` times at speed `v` with every candidate.
    pub fn at(&self, v: f64, candidates: &[Patch]) -> Result<Vec<Fared>> {
        let bar = progress::bar("drives", u64::from(self.count));
        let all: Vec<Vec<Drove>> = (0..self.count)
            .into_par_iter()
            // One by one, or a thread with nothing left waits for the other's last handful.
            .with_max_len(1)
            .map(|index| {
                let counted = self.one(v, index, candidates);
                bar.inc(1);
                counted
            })
            .collect::<Result<_>>()?;
        bar.finish_and_clear();
        let fared = (0..candidates.len()).map(|c| {
            let of = || all.iter().filter_map(|drive| drive.get(c));
            let mut counts = Counted::default();
            let (mut starts, mut stops) = (Strayed::default(), Strayed::default());
            for drove in of() {
                counts.add(drove.full, drove.judged);
                starts.merge(&drove.starts);
                stops.merge(&drove.stops);
            }
            Fared {
                plants: counts.cases(),
                full: of().map(|r| r.full).sum(),
                interval: counts.interval().unwrap_or((0.0, 1.0)),
                saving: of().map(|r| r.dry).sum::<f64>() / all.len().max(1) as f64,
                starts,
                stops,
            }
        });
        Ok(fared.collect())
    }

    fn one(&self, v: f64, index: u32, candidates: &[Patch]) -> Result<Vec<Drove>> {
        // It is reckoned with as it is driven.
        let told = self.reckoning.machine.clone();
        let mixed = self.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)
            ^ u64::from(index).wrapping_mul(0xbf58_476d_1ce4_e5b9)
            ^ v.to_bits().wrapping_mul(0x94d0_49bb_1331_11eb);
        let seed = mixed ^ (mixed >> 29);
        let mut draw = Draw(Pcg64Mcg::seed_from_u64(seed ^ 0x6a09_e667_f3bc_c908));
        let e = self.reckoning.errors;
        let mut world = told.clone();
        world.patch = widest(candidates, told.patch);
        // Of the plant itself every point is to be hit; the margin aside is the controller's.
        world.patch.lateral_margin_m = 0.0;
        let (open, close) = (draw.ms(e.valve_delay_ms), draw.ms(e.valve_delay_ms));
        let throw = draw.ms(e.throw_ms);
        for nozzle in &mut world.nozzles {
            nozzle.open_delay_s = (nozzle.open_delay_s + open).max(0.5 * told.valves.open_rise_s);
            nozzle.close_delay_s =
                (nozzle.close_delay_s + close).max(0.5 * told.valves.close_fall_s);
            nozzle.throw_s = (nozzle.throw_s + throw).max(0.0);
        }
        let thick = draw.of(e.fan_thickness_mm * 1e-3);
        world.fan_thickness_m = (world.fan_thickness_m + thick).max(0.0);
        let mount = draw.of(e.camera_place_mm * 1e-3);
        for detector in &mut world.detectors {
            detector.x_m += mount;
        }
        let scenario = self.scenario(v, seed, &mut draw);
        let mut drive = generate::drive("the drives of the budget", &scenario, &world)?;
        stray(&mut drive, e, &mut draw);
        let mut scene =
            Scene::from_truth("the budget's truth", &drive.truth, &world, &drive.recording)?;
        for nozzle in &mut scene.nozzles {
            let thick = draw.of(e.fan_spread_mm * 1e-3);
            nozzle.thickness_m = (nozzle.thickness_m + thick).max(0.0);
        }
        candidates
            .iter()
            .map(|&patch| {
                let told = Machine {
                    patch,
                    ..told.clone()
                };
                let run = replay(self.file, &told, &drive.recording)?;
                let report = scene.judge(&run.commands, Some(&run.images))?;
                // At a boom's ends fans reach no plant enough, and no buffer helps.
                let judged = report.targets.total - report.beyond_reach;
                // Judged against the longest buffers of all.
                let (own, longest) = (at_speed(&patch, v), at_speed(&world.patch, v));
                let (mut starts, mut stops) = (Strayed::default(), Strayed::default());
                let by = (own.lead - longest.lead, longest.trail - own.trail);
                starts.add(&report.edges, EdgeKind::Start, by.0, self.farthest_m);
                stops.add(&report.edges, EdgeKind::Stop, by.1, self.farthest_m);
                Ok(Drove {
                    full: report.targets.full,
                    judged,
                    dry: report.saving,
                    starts,
                    stops,
                })
            })
            .collect()
    }

    /// A straight drive at speed `v` with this seed and the budget's errors.
    fn scenario(&self, v: f64, seed: u64, draw: &mut Draw) -> Scenario {
        let (e, field) = (self.reckoning.errors, self.reckoning.field);
        let machine = self.reckoning.machine;
        let mut s = self.scenario.clone();
        let (left, right) = machine.lanes();
        let ground = PLANTS / (field.density_per_m2 * (right - left));
        let reach = machine.detectors.iter().map(|d| d.x_m + d.view_far_m);
        let ground =
            ground.clamp(GROUND_M.0, GROUND_M.1) + reach.fold(0.0, f64::max).max(0.0) + 3.0;
        s.seed = seed;
        s.orders.clear();
        s.valves = None;
        // Up and down by so much that it never nearly stops.
        let a = e.acceleration_m_s2.min(v / PIECE_S);
        s.start_speed_m_s = v - 0.5 * a * PIECE_S;
        let seconds = ground / v;
        let piece = |duration_s, acceleration| Piece {
            duration_s,
            acceleration,
        };
        s.pieces = if a > 0.0 {
            let pairs = (seconds / (2.0 * PIECE_S)).ceil() as usize;
            [piece(PIECE_S, a), piece(PIECE_S, -a)].repeat(pairs)
        } else {
            vec![piece(seconds, 0.0)]
        };
        s.plants = Plants::Field(Field {
            density_per_m2: field.density_per_m2,
            from_m: None,
            to_m: None,
            left_m: None,
            right_m: None,
            size_mean_m: field.size_mean_m,
            size_sd_m: field.size_sd_m,
            size_min_m: field.size_min_m,
            size_max_m: field.size_max_m,
            clusters: field.patchiness_k.map(|k| Clusters {
                square_m: field.patchiness_square_m,
                k,
            }),
        });
        s.wheel.unevenness = e.wheel_unevenness_percent * 1e-2;
        s.wheel.scale = (1.0 + draw.of(e.wheel_scale_percent * 1e-2)).clamp(0.5, 2.0);
        let spread = TrueSpread {
            spread_s: e.valve_spread_ms * 1e-3,
            jitter_s: e.valve_jitter_ms * 1e-3,
            ..still()
        };
        let mut world = crate::scenario_world::World {
            slip: e.wheel_slip_percent * 1e-2,
            spread: Some(spread),
            ..Default::default()
        };
        world.image_faults.clock_offset_s = draw.ms(e.capture_time_ms);
        world.camera.height_m = e.camera_height_m;
        if e.turn_radius_m > 0.0 {
            let offset = draw.of(e.yaw_offset_deg_s.to_radians());
            world.yaw = Some((YAW_HZ, e.yaw_noise_deg_s.to_radians(), offset));
            world.wheel_y_m = machine.turning.map_or(0.0, |t| t.wheel_y_m);
        }
        if e.turn_radius_m + e.boom_whip_mm + e.boom_height_mm + e.boom_pitch_deg > 0.0 {
            world.path = Some(self.over(ground));
        }
        s.world = world;
        s
    }

    /// The ground under a boom that sways: straight on, or to and fro.
    fn over(&self, ground: f64) -> FieldPath {
        let e = self.reckoning.errors;
        let whip = FieldWhip {
            amplitude_m: e.boom_whip_mm * 1e-3,
            arm_m: self.reckoning.whip_arm_m(),
            frequency_hz: WHIP_HZ,
            phase_rad: 0.0,
        };
        let rough = FieldRough {
            height_sd_m: e.boom_height_mm * 1e-3,
            pitch_sd_rad: e.boom_pitch_deg.to_radians(),
            roll_sd_rad: 0.0,
            shortest_m: 1.5,
            longest_m: 30.0,
            seed: 0,
        };
        FieldPath {
            legs: legs(ground, e.turn_radius_m),
            behind_axle_m: (self.reckoning.machine.turning).map_or(0.0, |t| t.behind_axle_m),
            crab_rad: 0.0,
            height_m: self.reckoning.height_m(),
            whip: (whip.amplitude_m > 0.0).then_some(whip),
            rough: (rough.height_sd_m + rough.pitch_sd_rad > 0.0).then_some(rough),
        }
    }
}

/// Legs of an S course over so much ground: half a radius to steer in, an arc of one radian, a
/// radius to steer to the other side, and so on; straight on where the radius is 0.
fn legs(ground: f64, radius: f64) -> Vec<FieldLeg> {
    let leg = |length_m: f64, from_per_m: f64, to_per_m: f64| FieldLeg {
        length_m,
        from_per_m,
        to_per_m,
    };
    if radius <= 0.0 {
        return vec![leg(ground, 0.0, 0.0)];
    }
    let mut side = 1.0 / radius;
    let mut legs = vec![leg(0.5 * radius, 0.0, side)];
    let mut length = 0.5 * radius;
    while length < ground {
        legs.push(leg(radius, side, side));
        legs.push(leg(radius, side, -side));
        side = -side;
        length += 2.0 * radius;
    }
    legs
}

/// The machine as the drives have it: every nozzle healthy, nothing sprayed but plants, and straight
/// on unless they turn.
pub fn upright(machine: &Machine, turns: bool) -> Machine {
    let mut m = machine.clone();
    if !turns {
        m.turning = None;
    }
    m.faulty.clear();
    m.modes.spray_unseen = false;
    m.modes.acknowledge_at_start = false;
    m
}

/// A patch as long as the longest candidate, for the ground that is judged.
fn widest(candidates: &[Patch], usual: Patch) -> Patch {
    candidates.iter().fold(usual, |w, c| Patch {
        lead_m: w.lead_m.max(c.lead_m),
        lead_s: w.lead_s.max(c.lead_s),
        trail_m: w.trail_m.max(c.trail_m),
        trail_s: w.trail_s.max(c.trail_s),
        ..w
    })
}

/// The buffers that a machine file comes to at speed `v`.
pub fn at_speed(patch: &Patch, v: f64) -> Buffers {
    Buffers {
        lead: patch.lead_m + patch.lead_s * v,
        trail: patch.trail_m + patch.trail_s * v,
    }
}

/// Valves that do not stray.
fn still() -> TrueSpread {
    let s = ground_truth::Solenoids::default();
    TrueSpread {
        spread_s: s.spread_s,
        jitter_s: s.jitter_s,
        first_shot_s: s.first_shot_s,
        rest_s: s.rest_s,
        volts: s.volts,
        pressure: s.pressure,
        by_volts: s.by_volts,
        by_pressure: s.by_pressure,
        seed: 0,
    }
}

/// What the images of a drive tell wrongly: times, places, sizes, and the camera's pitch.
fn stray(drive: &mut Drive, e: &Errors, draw: &mut Draw) {
    let pitch = draw.of(e.camera_pitch_deg.to_radians());
    let height = e.camera_height_m;
    for event in &mut drive.recording.events {
        let Input::Image(image) = &mut event.input else {
            continue;
        };
        let late_us = (draw.of(e.capture_jitter_ms * 1e-3) * 1e6).round() as i64;
        image.captured_us = image
            .captured_us
            .saturating_add_signed(late_us)
            .min(event.t_us);
        for plant in &mut image.plants {
            let middle = draw.of(e.detection_place_mm * 1e-3);
            let edge = e.detection_edge_mm * 1e-3;
            let (near, far) = (draw.of(edge), draw.of(edge));
            let turned = height * ((plant.x_m / height).atan() + pitch).tan();
            plant.x_m = turned + middle + 0.5 * (near + far);
            plant.length_m = (plant.length_m + far - near).max(0.001);
        }
    }
}

/// Normal numbers.
struct Draw(Pcg64Mcg);

impl Draw {
    fn of(&mut self, sd: f64) -> f64 {
        // An sd of 0 draws too, so that one error does not shift another.
        Normal::new(0.0, 1.0).map_or(0.0, |n| n.sample(&mut self.0)) * sd
    }

    fn ms(&mut self, sd_ms: f64) -> f64 {
        self.of(sd_ms * 1e-3)
    }
}

/// The buffers of a machine file as multiples of others, each candidate for a run.
pub fn scaled(patch: Patch, by: f64) -> Patch {
    Patch {
        lead_m: patch.lead_m * by,
        lead_s: patch.lead_s * by,
        trail_m: patch.trail_m * by,
        trail_s: patch.trail_s * by,
        ..patch
    }
}

/// Refuses a machine that the core does not take, or that can't turn as the budget has it, before
/// anything is driven.
pub fn check(file: &str, machine: &Machine, errors: &Errors) -> Result<()> {
    if machine.nozzles.is_empty() {
        return Err(Error::Internal("a checked machine has nozzles".into()));
    }
    let radius = errors.turn_radius_m;
    if radius > 0.0 {
        if !(machine.turning).is_some_and(|t| t.heading == YawSource::Rate) {
            return Err(Error::file(
                file,
                format!(
                    "the budget turns on {radius} m, and this machine knows of no yaw-rate sensor"
                ),
                "add [turning] to the machine file, or leave turn_radius_m out of the budget",
            ));
        }
        let (left, right) = machine.lanes();
        let half = left.abs().max(right.abs());
        if radius < 1.5 * half {
            return Err(Error::file(
                file,
                format!(
                    "the budget turns on {radius} m, where the inner end of a boom of {half:.2} m to a side nearly stands"
                ),
                format!("give turn_radius_m of {:.2} or more", 1.5 * half),
            ));
        }
    }
    crate::core_setup::Setup::new(file, machine)?
        .core()
        .map(drop)
}
