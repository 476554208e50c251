//! A small world of curves for the tests of turning: pose over time in `f64`, what its sensors
//! tell, and how far the spray of a comb of narrow lanes fell from where it was wanted.
//!
//! Independent of the core: pose is integrated in steps of 0.5 ms, instants are found by
//! bisection, and a nozzle's own distance is the integral of its own speed.

use controller_core::{
    Action, Command, Config, Counters, DetectorConfig, Length, NozzleConfig, PulseLength,
    TurningConfig, YawCounts, YawSource,
};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::{Core, Input, core_of, plant, run};

const STEP: f64 = 0.5e-3;

/// Pose of the axle's centre at the steps, heading positive to the left.
#[derive(Clone, Copy, Debug, Default)]
struct Pose {
    x: f64,
    y: f64,
    heading: f64,
    way: f64,
}

/// A drive: speed and curvature over time.
pub struct Path {
    poses: Vec<Pose>,
}

impl Path {
    /// `speed` (m/s, negative backwards) and `curvature` (1/m, positive to the left) over time.
    pub fn drive(time: f64, speed: impl Fn(f64) -> f64, curvature: impl Fn(f64) -> f64) -> Self {
        let mut pose = Pose::default();
        let mut poses = vec![pose];
        for k in 0..(time / STEP) as usize {
            let t = (k as f64 + 0.5) * STEP;
            let way = speed(t) * STEP;
            let turn = curvature(t) * way;
            let middle = pose.heading + 0.5 * turn;
            pose.x += way * middle.cos();
            pose.y += way * middle.sin();
            pose.heading += turn;
            pose.way += way;
            poses.push(pose);
        }
        Self { poses }
    }

    /// How long it lasts, s.
    pub fn time(&self) -> f64 {
        (self.poses.len() - 1) as f64 * STEP
    }

    fn at(&self, t: f64) -> Pose {
        let place = (t / STEP).clamp(0.0, (self.poses.len() - 1) as f64 - 1e-9);
        let (k, part) = (place as usize, place.fract());
        let (a, b) = (self.poses[k], self.poses[k + 1]);
        let mix = |a: f64, b: f64| a + part * (b - a);
        Pose {
            x: mix(a.x, b.x),
            y: mix(a.y, b.y),
            heading: mix(a.heading, b.heading),
            way: mix(a.way, b.way),
        }
    }

    /// How far a point `right` of the middle line has come along the machine's own axis, m.
    pub fn own(&self, t: f64, right: f64) -> f64 {
        let pose = self.at(t);
        pose.way + right * pose.heading
    }

    fn own_speed(&self, t: f64, right: f64) -> f64 {
        (self.own(t + STEP, right) - self.own(t - STEP, right)) / (2.0 * STEP)
    }

    /// A place given in body axes at `t`, seen from the body at `later`: forward and right of
    /// the point `behind` the axle.
    fn seen_from(
        &self,
        (forward, right): (f64, f64),
        t: f64,
        later: f64,
        behind: f64,
    ) -> (f64, f64) {
        let a = self.at(t);
        let from_axle = forward - behind;
        let x = a.x + from_axle * a.heading.cos() + right * a.heading.sin();
        let y = a.y + from_axle * a.heading.sin() - right * a.heading.cos();
        let b = self.at(later);
        let (dx, dy) = (x - b.x, y - b.y);
        let ahead = dx * b.heading.cos() + dy * b.heading.sin();
        let aside = dx * b.heading.sin() - dy * b.heading.cos();
        (ahead + behind, aside)
    }

    /// When a place seen at `t` meets the boom, and where on it.
    fn meets(&self, place: (f64, f64), t: f64, behind: f64) -> Option<(f64, f64)> {
        let ahead = |later: f64| self.seen_from(place, t, later, behind).0;
        let mut low = t;
        let mut high = t;
        while ahead(high) > 0.0 {
            low = high;
            high += 0.02;
            if high > self.time() {
                return None;
            }
        }
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if ahead(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some((high, self.seen_from(place, t, high, behind).1))
    }

    /// Pulses of a wheel `right` of the middle line, each pulse `length` m.
    pub fn wheel(&self, right: f64, length: f64, input: &Input) -> Vec<(u64, Input)> {
        let mut out = Vec::new();
        let mut mark = 0_i64;
        let mut before = 0.0;
        for k in 0..self.poses.len() {
            let t = k as f64 * STEP;
            let own = self.poses[k].way + right * self.poses[k].heading;
            loop {
                let up = (mark + 1) as f64 * length;
                let down = mark as f64 * length;
                let passed = if own >= up {
                    up
                } else if own < down {
                    down
                } else {
                    break;
                };
                let part = (passed - before) / (own - before);
                let stamp = ((t - STEP + part * STEP) * 1e6).round() as u64;
                out.push((stamp, input.clone()));
                mark += if own >= up { 1 } else { -1 };
            }
            before = own;
        }
        out
    }

    /// Readings of a yaw-rate sensor every `every` s: white noise (1 σ) and bias in rad/s.
    pub fn yaw(&self, every: f64, noise: f64, bias: f64, seed: u64) -> Vec<(u64, Input)> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let mut out = Vec::new();
        let mut t = every;
        while t < self.time() - every {
            let rate = (self.at(t + STEP).heading - self.at(t - STEP).heading) / (2.0 * STEP);
            // The sum of twelve uniform numbers is near enough to a normal one.
            let normal: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            let read = (rate + bias + noise * normal) * 1e6;
            out.push(((t * 1e6).round() as u64, Input::Yaw(read.round() as i32)));
            t += every;
        }
        out
    }
}

/// A comb of narrow lanes at one place of a boom: tells across to half a lane.
#[derive(Clone, Copy, Debug)]
pub struct Comb {
    /// Its middle, right of the middle line, m.
    pub at: f64,
    /// Width of a lane, m.
    pub lane: f64,
    /// The boom behind the axle, m.
    pub behind: f64,
    /// The counted wheel, right of the middle line, m.
    pub wheel: f64,
    /// Whether the core is told of turning at all, and from what.
    pub source: Option<YawSource>,
}

const LANES: usize = 96;
const OPEN_DELAY: f64 = 0.020;
const THROW: f64 = 0.025;
/// The detector's mount ahead of the boom, m.
const MOUNT: f64 = 2.0;
const LEAD: f64 = 0.05;
/// A narrow plant: a wide one's hull grows as the machine turns.
const WIDE: f64 = 0.03;

impl Comb {
    /// The core of this boom: pulses of 20 mm, 20 ms to open, throw 25 ms, margins 50 mm.
    pub fn core(&self) -> Core {
        let nozzles: Vec<NozzleConfig> = (0..LANES)
            .map(|k| NozzleConfig {
                y: metres(self.lane_y(k)),
                lane_width: metres(self.lane),
                ..NozzleConfig::evenly_spaced(0, 1, metres(self.lane))
            })
            .collect();
        let detectors = [DetectorConfig::centred(metres(MOUNT), metres(13.0))];
        let pulse = PulseLength::from_nm(20_000_000).expect("usual");
        let mut config = Config::new(pulse, &[], &detectors);
        config.turning = self.source.map(|source| TurningConfig {
            wheel_y: metres(self.wheel),
            source,
            ..TurningConfig::yaw_rate(metres(self.behind))
        });
        config.wheel.direction_input = true;
        core_of(&nozzles, &config)
    }

    fn lane_y(&self, k: usize) -> f64 {
        self.at + (k as f64 - 0.5 * (LANES as f64 - 1.0)) * self.lane
    }

    /// Shows the core one plant every `every` s from `from` on, each in one image `ahead` of the
    /// mount, 60 ms old, and says how far along and across the spray was off, m.
    pub fn errors(
        &self,
        path: &Path,
        sensors: &[Vec<(u64, Input)>],
        from: f64,
        every: f64,
        ahead: f64,
    ) -> Errors {
        let mut inputs: Vec<(u64, Input)> = sensors.concat();
        let mut wanted = Vec::new();
        let mut captured = from;
        while captured < path.time() - 3.0 {
            // Where a plant must be seen to come to the comb's middle is found by halves.
            let forward = MOUNT + ahead;
            // Not always in the middle of a lane: a run of lanes tells across to half of one.
            let dither = ((wanted.len() as f64 * 0.618).fract() - 0.5) * self.lane;
            let target = self.at + dither;
            let mut aside = target;
            for _ in 0..30 {
                let Some((_, y)) = path.meets((forward, aside), captured, self.behind) else {
                    break;
                };
                aside += target - y;
            }
            if let Some((t, y)) = path.meets((forward, aside), captured, self.behind) {
                let um = |m: f64| (m * 1e6).round() as i32;
                let seen = Input::Image {
                    captured: (captured * 1e6).round() as u64,
                    seen: (0, 2500),
                    plants: vec![plant(um(ahead), um(aside), 0, um(WIDE))],
                };
                inputs.push((((captured + 0.06) * 1e6).round() as u64, seen));
                wanted.push((captured, t, y));
            }
            captured += every;
        }
        inputs.sort_by_key(|input| input.0);
        let mut core = self.core();
        let until = (path.time() * 1e6) as u64;
        let commands = run(&mut core, &inputs, until, &[]);
        let mut errors = Errors {
            along: Vec::new(),
            across: Vec::new(),
            took: Vec::new(),
            missed: 0,
            counters: *core.counters(),
            yaw: *core.yaw_counts(),
            commands: commands.clone(),
        };
        for (captured, t, y) in wanted {
            self.measure(path, &commands, (captured, t, y), every, &mut errors);
        }
        errors
    }

    fn measure(
        &self,
        path: &Path,
        commands: &[Command],
        (captured, t, y): (f64, f64, f64),
        every: f64,
        errors: &mut Errors,
    ) {
        // Openings that belong to this plant: after its image and before the next one's.
        let (first, last) = (captured + 0.06, captured + 0.06 + every);
        let own = commands.iter().filter(|c| {
            let at = c.at.0 as f64 * 1e-6;
            c.action == Action::Open && at > first && at <= last
        });
        let (mut left, mut right) = (f64::MAX, f64::MIN);
        let mut along = Vec::new();
        for command in own {
            let lane = self.lane_y(usize::from(command.nozzle));
            left = left.min(lane - 0.5 * self.lane);
            right = right.max(lane + 0.5 * self.lane);
            let flows = command.at.0 as f64 * 1e-6 + OPEN_DELAY;
            let lands = path.own(flows, lane) + THROW * path.own_speed(flows, lane);
            along.push(lands - (path.own(t, lane) - LEAD));
        }
        if along.is_empty() {
            errors.missed += 1;
            return;
        }
        errors
            .along
            .push(along.iter().sum::<f64>() / along.len() as f64);
        errors.across.push(0.5 * (left + right) - y);
        errors.took.push(t - captured);
    }
}

/// What a drive came to.
pub struct Errors {
    /// Along each nozzle's own way, positive too late, m.
    pub along: Vec<f64>,
    /// To the right, m.
    pub across: Vec<f64>,
    /// From the image until the boom is there, s.
    pub took: Vec<f64>,
    /// Plants for which nothing opened.
    pub missed: usize,
    /// Of the core.
    pub counters: Counters,
    /// Of the core's turning.
    pub yaw: YawCounts,
    /// All that it told.
    pub commands: Vec<Command>,
}

/// Root of the mean square, m.
#[must_use]
pub fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// At rest for 8 s, then at `speed`, 4 m straight on and round an arc of `radius` (positive to
/// the left) on which the curvature rises over 3 m.
pub fn arc(speed: f64, radius: f64, time: f64) -> Path {
    let v = move |t: f64| (t - 8.0).clamp(0.0, speed);
    let begins = 8.0 + speed + (4.0 - 0.5 * speed * speed).max(0.0) / speed;
    Path::drive(time, v, move |t: f64| {
        ((t - begins) * speed / 3.0).clamp(0.0, 1.0) / radius
    })
}

fn metres(m: f64) -> Length {
    Length::from_um((m * 1e6).round() as i32)
}
