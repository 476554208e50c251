//! From the machine file and the error budget to causes of error at one speed.
//!
//! All of it is geometry and the sum of squares; nothing here asks the controller. What the
//! formulas leave out shows as a difference to the runs.

use std::f64::consts::TAU;

use ground_truth::buffers::{Cause, Moves, Spots, Spread};

use super::file::{Errors, Field};
use crate::machine::Machine;

/// How often slip is drawn, s: that of the simulated world.
const SLIP_STEP_S: f64 = 0.05;
/// How long the machine speeds up before it slows down, s.
pub const PIECE_S: f64 = 1.0;
/// From so much ground the controller takes its speed, m.
const SPEED_OVER_M: f64 = 0.12;
/// Waves of rough ground, m: those of a scenario that tells of none.
const WAVES_M: (f64, f64) = (1.5, 30.0);
/// Swings of the boom a second, as in such a scenario.
pub const WHIP_HZ: f64 = 0.7;
/// What is left of a wheel's unevenness once its slots are learned.
const LEARNED: f64 = 0.25;
/// What rounding to sixteenths of a millimetre, outward, and stamps to the microsecond leave, m.
const ROUNDING_M: f64 = 0.0003;

/// What a machine is reckoned with.
#[derive(Debug, Clone, Copy)]
pub struct Reckoning<'a> {
    /// The machine.
    pub machine: &'a Machine,
    /// Its errors.
    pub errors: &'a Errors,
    /// The plants.
    pub field: &'a Field,
    /// Images a second.
    pub frame_rate_hz: f64,
}

/// Geometry at one speed, means over nozzles and detectors.
struct Geometry {
    /// From the camera's mount ahead to where a plant is first seen whole, m.
    seen_m: f64,
    /// From there back to the nozzles, m.
    way_m: f64,
    throw_s: f64,
    delay_s: f64,
}

fn mean(all: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for x in all {
        sum += x;
        n += 1.0;
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

impl Reckoning<'_> {
    fn geometry(&self, v: f64) -> Geometry {
        let m = self.machine;
        let late = 0.5 * v / self.frame_rate_hz + 0.5 * self.field.size_mean_m;
        let seen = |d: &crate::machine::Detector| (d.view_far_m - late).max(d.view_near_m);
        let nozzles = mean(m.nozzles.iter().map(|n| n.x_m));
        Geometry {
            seen_m: mean(m.detectors.iter().map(seen)),
            way_m: (mean(m.detectors.iter().map(|d| d.x_m + seen(d))) - nozzles).max(0.0),
            throw_s: mean(m.nozzles.iter().map(|n| n.throw_s)),
            delay_s: mean(
                m.nozzles
                    .iter()
                    .map(|n| 0.5 * (n.open_delay_s + n.close_delay_s)),
            ),
        }
    }

    /// Height of the nozzles over the ground, m.
    pub fn height_m(&self) -> f64 {
        self.machine.spray.as_ref().map_or(0.5, |s| s.height_m)
    }

    /// Every cause at speed `v` in m/s, by the key it comes from; `rounding` is the controller's
    /// own.
    pub fn causes(&self, v: f64) -> Vec<(&'static str, Cause)> {
        let e = self.errors;
        let g = self.geometry(v);
        let (ms, mm, percent) = (1e-3, 1e-3, 1e-2);
        let camera_m = e.camera_height_m;
        // A ray at tan⁻¹(x/H) meets the ground at x; turned by one radian it moves by H + x²/H.
        let by_pitch = camera_m + g.seen_m * g.seen_m / camera_m;
        let pulse = self.machine.wheel.pulse.metres();
        let learned = if self.machine.wheel.slots_per_turn > 1 {
            LEARNED
        } else {
            1.0
        };
        // At the capture a place lies between two marks, evenly: 2/3 of a mark's variance. At the
        // command it lies ahead of the last mark, by the way to the ground and half a pulse, and the
        // speed comes from a stretch between two marks: a line through both, r stretches on.
        let stretch = pulse * (SPEED_OVER_M / pulse).ceil().max(1.0);
        let r = (v * (g.delay_s + g.throw_s) + 0.5 * pulse) / stretch;
        let marks = 2.0 / 3.0 + (1.0 + r).powi(2) + r * r;
        let uneven = marks.sqrt() * learned * e.wheel_unevenness_percent * percent * pulse;
        let alike = self.alike(g.way_m - g.throw_s * v);
        // What moves both sight and spray moves the plant by their difference.
        let differ = |spray: f64, sight: f64| {
            (spray * spray + sight * sight - 2.0 * spray * sight * alike)
                .max(0.0)
                .sqrt()
        };
        let height = self.height_m();
        // A change of acceleration by 2a a time o ago moves the forecast by a·o²; o runs evenly to
        // the reach of speed and forecast together, and changes come every PIECE_S.
        let reach = g.delay_s + g.throw_s + SPEED_OVER_M.max(2.0 * pulse) / v;
        let forecast =
            e.acceleration_m_s2 * reach * reach * ((reach / PIECE_S).min(1.0) / 5.0).sqrt();
        let normal = |moves, sd| Cause {
            moves,
            spread: Spread::Normal(sd),
        };
        use Moves::{Ends, Nozzle, Plant};
        vec![
            ("valve_delay_ms", normal(Ends, e.valve_delay_ms * ms * v)),
            (
                "valve_spread_ms",
                normal(Nozzle, e.valve_spread_ms * ms * v),
            ),
            ("valve_jitter_ms", normal(Ends, e.valve_jitter_ms * ms * v)),
            ("throw_ms", normal(Plant, e.throw_ms * ms * v)),
            (
                "fan_thickness_mm",
                normal(Ends, 0.5 * e.fan_thickness_mm * mm),
            ),
            ("capture_time_ms", normal(Plant, e.capture_time_ms * ms * v)),
            (
                "capture_jitter_ms",
                normal(Plant, e.capture_jitter_ms * ms * v),
            ),
            ("camera_place_mm", normal(Plant, e.camera_place_mm * mm)),
            (
                "camera_pitch_deg",
                normal(Plant, e.camera_pitch_deg.to_radians() * by_pitch),
            ),
            (
                "detection_place_mm",
                normal(Plant, e.detection_place_mm * mm),
            ),
            ("detection_edge_mm", normal(Ends, e.detection_edge_mm * mm)),
            (
                "wheel_scale_percent",
                normal(Plant, e.wheel_scale_percent * percent * g.way_m),
            ),
            (
                "wheel_slip_percent",
                // Drawn every 0.05 s: a random walk over the way.
                normal(
                    Plant,
                    e.wheel_slip_percent * percent * (g.way_m * SLIP_STEP_S * v).sqrt(),
                ),
            ),
            ("wheel_unevenness_percent", normal(Ends, uneven)),
            ("acceleration_m_s2", normal(Ends, forecast)),
            (
                "boom_whip_mm",
                Cause {
                    moves: Plant,
                    spread: Spread::Swing(self.swings(v, &g)),
                },
            ),
            (
                "boom_height_mm",
                normal(
                    Plant,
                    e.boom_height_mm * mm * differ(g.throw_s * v / height, g.seen_m / camera_m),
                ),
            ),
            (
                "boom_pitch_deg",
                normal(
                    Plant,
                    e.boom_pitch_deg.to_radians() * differ(height, by_pitch),
                ),
            ),
            ("rounding", normal(Ends, ROUNDING_M)),
        ]
    }

    /// How far the spray of each nozzle swings against the plant as it was seen, m.
    fn swings(&self, v: f64, g: &Geometry) -> Vec<f64> {
        let arm = self.whip_arm_m();
        let turn = TAU * WHIP_HZ;
        let phase = turn * (g.way_m - g.throw_s * v).max(0.0) / v;
        // Now less then, and the throw takes the nozzle's own speed along.
        let factor = (1.0 - phase.cos()).hypot(phase.sin() + turn * g.throw_s);
        let most = self.errors.boom_whip_mm * 1e-3;
        let all = self.machine.nozzles.iter();
        all.map(|n| most * n.y_m.abs() / arm * factor).collect()
    }

    /// Where the swing is told, m from the middle: at the outer end of the boom.
    pub fn whip_arm_m(&self) -> f64 {
        let ends = self.machine.nozzles.iter().map(|n| n.y_m.abs());
        ends.fold(0.1, f64::max)
    }

    /// How alike rough ground is `s` metres on: the mean of its waves, even by their logarithm.
    fn alike(&self, s: f64) -> f64 {
        let ratio = (WAVES_M.1 / WAVES_M.0).ln();
        mean((0..200).map(|i| {
            let wave = WAVES_M.0 * (ratio * (f64::from(i) + 0.5) / 200.0).exp();
            (TAU * s / wave).cos()
        }))
    }

    /// One standard deviation of where a plant is told to be across, m: what height and whip make
    /// of it.
    pub fn across_sd_m(&self, v: f64) -> f64 {
        let (m, e) = (self.machine, self.errors);
        let g = self.geometry(v);
        // The camera takes its usual height: off by its share, the more the farther aside.
        let squares = |n: &crate::machine::Nozzle| {
            let aside = m.detectors.iter().map(|d| (n.y_m - d.y_m).abs());
            aside.fold(f64::INFINITY, f64::min).powi(2)
        };
        let aside = mean(m.nozzles.iter().map(squares)).sqrt();
        let by_height = e.boom_height_mm * 1e-3 / e.camera_height_m * aside;
        // A boom that is turned sees what lies ahead of it aside, by a sine.
        let ahead = mean(m.detectors.iter().map(|d| d.x_m)) + g.seen_m;
        let by_whip = e.boom_whip_mm * 1e-3 / self.whip_arm_m() * ahead / 2.0_f64.sqrt();
        by_height.hypot(by_whip)
    }

    /// Mean width of a lane, m.
    pub fn lane_m(&self) -> f64 {
        mean(self.machine.nozzles.iter().map(|n| n.lane_width_m))
    }

    /// The share of plants over which every nozzle opens that they need, with this margin aside.
    pub fn across(&self, v: f64, margin_m: f64) -> f64 {
        ground_truth::buffers::across(self.across_sd_m(v), margin_m, self.lane_m())
    }

    /// How many nozzles a plant needs, and for which share of plants.
    pub fn lanes(&self) -> Vec<(u32, f64)> {
        let lane = self.lane_m();
        let wide = self.field.size_mean_m;
        let whole = (wide / lane).floor();
        let more = wide / lane - whole;
        vec![(whole as u32 + 1, 1.0 - more), (whole as u32 + 2, more)]
    }

    /// What is sprayed at speed `v` besides the buffers.
    pub fn spots(&self, v: f64) -> Spots {
        let m = self.machine;
        let wide = self.lane_m() + self.field.size_mean_m + 2.0 * m.patch.lateral_margin_m;
        let valve = 0.5 * (m.valves.open_rise_s + m.valves.close_fall_s) * v;
        Spots {
            per_m: self.field.density_per_m2 * wide,
            bare_m: self.field.size_mean_m + 2.0 * m.half_fan_m() + valve,
        }
    }
}
