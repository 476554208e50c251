//! From the machine file and the error budget to causes of error at one speed.
//!
//! All of it is geometry and the sum of squares; nothing here asks the controller. What the
//! formulas leave out shows as a difference to the runs.

use std::f64::consts::TAU;

use ground_truth::TrueFan;
use ground_truth::buffers::{
    Buffers, Cause, Errors as Summed, Moves, Neighbours, Set, Spots, Spread, Sums,
};

use super::file::{Errors, Field};
use crate::machine::Machine;
use crate::scene;

/// How often slip is drawn, s: that of the simulated world.
const SLIP_STEP_S: f64 = 0.05;
/// How long the machine speeds up before it slows down, s.
pub const PIECE_S: f64 = 1.0;
/// From so much ground the controller takes its speed, m.
const SPEED_OVER_M: f64 = 0.12;
/// Waves of rough ground, m: those of a scenario that tells of none.
const WAVES_M: (f64, f64) = (1.5, 30.0);
/// Readings of a yaw-rate sensor a second.
pub const YAW_HZ: f64 = 50.0;
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
    /// own. `buffers` tell how far apart start and stop are, to about a third.
    pub fn causes(&self, v: f64, buffers: Buffers) -> Vec<(&'static str, Cause)> {
        let e = self.errors;
        let g = self.geometry(v);
        let (ms, mm, percent) = (1e-3, 1e-3, 1e-2);
        let turned = self.turned_rad(v, &g);
        let aside = self.aside_m();
        // In a curve the outer nozzles go faster, and the inner ones slower.
        let own = if e.turn_radius_m > 0.0 {
            v * (1.0 + (aside / e.turn_radius_m).powi(2)).sqrt()
        } else {
            v
        };
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
        // command it is foretold from three.
        let foretold = Foretold::new(self.machine, v, &g);
        let marks = 2.0 / 3.0 + foretold.weights.iter().map(|w| w * w).sum::<f64>();
        let uneven = marks.sqrt() * learned * e.wheel_unevenness_percent * percent * pulse;
        let alike = self.alike(g.way_m - g.throw_s * v);
        // What moves both sight and spray moves the plant by their difference.
        let differ = |spray: f64, sight: f64| {
            (spray * spray + sight * sight - 2.0 * spray * sight * alike)
                .max(0.0)
                .sqrt()
        };
        let height = self.height_m();
        let forecast = foretold.strays_m(e.acceleration_m_s2.min(v / PIECE_S));
        let (swings, start_swings, stop_swings) = self.swings(v, &g, buffers);
        let normal = |moves, sd| Cause {
            moves,
            spread: Spread::Normal(sd),
        };
        use Moves::{AllEnds, AllStarts, AllStops, Ends, Nozzle, Plant};
        vec![
            (
                "valve_delay_ms",
                normal(AllEnds, e.valve_delay_ms * ms * own),
            ),
            (
                "valve_spread_ms",
                normal(Nozzle, e.valve_spread_ms * ms * own),
            ),
            (
                "valve_jitter_ms",
                normal(Ends, e.valve_jitter_ms * ms * own),
            ),
            ("throw_ms", normal(Plant, e.throw_ms * ms * own)),
            (
                "fan_thickness_mm",
                normal(AllEnds, 0.5 * e.fan_thickness_mm * mm),
            ),
            ("fan_spread_mm", normal(Ends, 0.5 * e.fan_spread_mm * mm)),
            (
                "capture_time_ms",
                normal(Plant, e.capture_time_ms * ms * own),
            ),
            (
                "capture_jitter_ms",
                normal(Plant, e.capture_jitter_ms * ms * own),
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
            (
                "detection_edge_mm",
                normal(AllEnds, e.detection_edge_mm * mm),
            ),
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
            ("wheel_unevenness_percent", normal(AllEnds, uneven)),
            ("acceleration_m_s2", normal(AllEnds, forecast)),
            (
                "boom_whip_mm",
                Cause {
                    moves: Plant,
                    spread: Spread::Swing(swings),
                },
            ),
            ("boom_whip_mm", normal(AllStarts, start_swings)),
            ("boom_whip_mm", normal(AllStops, stop_swings)),
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
            ("yaw_noise_deg_s", normal(Plant, aside * turned.0)),
            ("yaw_offset_deg_s", normal(Plant, aside * turned.1)),
            ("rounding", normal(Ends, ROUNDING_M)),
        ]
    }

    /// How far the heading is off that the machine is believed to have turned by from image to spray,
    /// one standard deviation, rad: by the sensor's noise, and by its offset.
    fn turned_rad(&self, v: f64, g: &Geometry) -> (f64, f64) {
        let e = self.errors;
        if e.turn_radius_m <= 0.0 {
            return (0.0, 0.0);
        }
        let time = g.way_m / v;
        let noise = e.yaw_noise_deg_s.to_radians() * (time / YAW_HZ).sqrt();
        (noise, e.yaw_offset_deg_s.to_radians() * time)
    }

    /// How far nozzles are from the middle, the root of the mean square, m.
    fn aside_m(&self) -> f64 {
        mean(self.machine.nozzles.iter().map(|n| n.y_m * n.y_m)).sqrt()
    }

    /// How far the spray of each nozzle swings against the plant as it was seen, start and stop
    /// alike, m; and one standard deviation of what starts swing beside that, and stops.
    fn swings(&self, v: f64, g: &Geometry, buffers: Buffers) -> (Vec<f64>, f64, f64) {
        let arm = self.whip_arm_m();
        let turn = TAU * WHIP_HZ;
        // The boom's place at an edge less that at the capture, as sine and cosine of the swing at the
        // capture; the throw takes the nozzle's own speed along.
        let against = |way: f64| -> (f64, f64) {
            let (sin, cos) = (turn * (way - g.throw_s * v).max(0.0) / v).sin_cos();
            let thrown = turn * g.throw_s;
            (cos - thrown * sin - 1.0, sin + thrown * cos)
        };
        let half = 0.5 * self.field.size_mean_m + self.machine.half_fan_m();
        let (start, stop) = (
            against(g.way_m - half - buffers.lead),
            against(g.way_m + half + buffers.trail),
        );
        let square = |a: (f64, f64), b: (f64, f64)| a.0 * b.0 + a.1 * b.1;
        let (starts, stops) = (square(start, start), square(stop, stop));
        let alike = square(start, stop).clamp(0.0, starts.min(stops));
        let most = self.errors.boom_whip_mm * 1e-3;
        let nozzles = self.machine.nozzles.iter();
        let each: Vec<f64> = nozzles.map(|n| most * n.y_m.abs() / arm).collect();
        // A sine's variance is half the square of its amplitude.
        let own = |all: f64| mean(each.iter().map(|a| 0.5 * a * a * (all - alike))).sqrt();
        let (start, stop) = (own(starts), own(stops));
        (each.iter().map(|a| a * alike.sqrt()).collect(), start, stop)
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

    /// One standard deviation of where a plant is told to be across, m: what height, whip and a
    /// heading that is off make of it.
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
        // What lies ahead when it is seen is swung aside by a heading that is off.
        let (noise, offset) = self.turned_rad(v, &g);
        let by_yaw = g.way_m * noise.hypot(offset);
        by_height.hypot(by_whip).hypot(by_yaw)
    }

    /// Mean width of a lane, m.
    pub fn lane_m(&self) -> f64 {
        mean(self.machine.nozzles.iter().map(|n| n.lane_width_m))
    }

    /// The share of plants over which every nozzle opens that they need, with this margin aside.
    pub fn across(&self, v: f64, margin_m: f64) -> f64 {
        ground_truth::buffers::across(self.across_sd_m(v), margin_m, self.lane_m())
    }

    /// Causes at speed `v` summed up for this boom's plants: each nozzle over its lane by itself, or
    /// doses that add up.
    pub fn summed(&self, causes: &[Cause], v: f64) -> Summed {
        let Some(fan) = scene::fan(self.machine) else {
            return Summed::new(causes, &self.lanes());
        };
        let valves = &self.machine.valves;
        let sums = Sums {
            sets: self.sets(&fan).into_iter().map(|s| s.set).collect(),
            wanted: fan.wanted_share - ENOUGH,
            // A point is full once the whole thickness of the fan flows fully, and lacks dose as flow
            // rises.
            ramps_m: (valves.open_rise_s * v, valves.close_fall_s * v),
        };
        Summed::summed(causes, &sums)
    }

    /// How many nozzles a plant lies under, and for which share of plants.
    fn lanes(&self) -> Vec<(u32, f64)> {
        let (lane, wide) = (self.lane_m(), self.field.size_mean_m);
        let whole = (wide / lane).floor();
        let more = wide / lane - whole;
        vec![(whole as u32 + 1, 1.0 - more), (whole as u32 + 2, more)]
    }

    /// What is sprayed at speed `v` besides the buffers.
    pub fn spots(&self, v: f64) -> Spots {
        let m = self.machine;
        let wide = match scene::fan(m) {
            Some(fan) => {
                let sets = self.sets(&fan);
                self.lane_m() * mean(sets.iter().map(|s| f64::from(s.opened)))
            }
            None => self.lane_m() + self.field.size_mean_m + 2.0 * m.patch.lateral_margin_m,
        };
        let valve = 0.5 * (m.valves.open_rise_s + m.valves.close_fall_s) * v;
        Spots {
            per_m: self.field.density_per_m2 * wide,
            bare_m: self.field.size_mean_m + 2.0 * m.half_fan_m() + valve,
        }
    }

    /// Plants near enough to share a spray at speed `v`.
    pub fn neighbours(&self, v: f64) -> Neighbours {
        let m = self.machine;
        // What counts is the time between the commands.
        let delays = mean(m.nozzles.iter().map(|n| n.open_delay_s - n.close_delay_s));
        Neighbours {
            spots: self.spots(v),
            bridged_m: v * (m.timing.shortest_off_s + delays).max(0.0),
            k: self.field.patchiness_k,
        }
    }

    /// Where doses of fans are summed: the nozzles that open for a plant of mean size, at places
    /// spread evenly from one nozzle to the next. The fewest neighbours that give every point of the
    /// plant and its margin the wanted share, on an endless boom.
    fn sets(&self, fan: &TrueFan) -> Vec<Opened> {
        let lane = self.lane_m();
        let (wide, margin) = (self.field.size_mean_m, self.machine.patch.lateral_margin_m);
        let aside = ((fan.half_width_m + margin + wide) / lane).ceil() as i32 + 1;
        let mounts: Vec<f64> = (-aside..=aside).map(|i| f64::from(i) * lane).collect();
        let set = |y: f64| -> Opened {
            let (left, right) = (y - 0.5 * wide, y + 0.5 * wide);
            let enough = |set: &[f64]| {
                fan.worst(set, left - margin, right + margin) >= fan.wanted_share - ENOUGH
            };
            let mut runs = (1..=mounts.len()).flat_map(|n| mounts.windows(n));
            let run = runs.find(|r| enough(r)).unwrap_or(&mounts);
            let points = fan.points(run, left, right);
            let dose = |y: &f64| run.iter().map(|m| fan.share(y - m)).collect();
            Opened {
                opened: run.len() as u32,
                set: Set {
                    doses: points.iter().map(dose).collect(),
                },
            }
        };
        let places = (0..PLACES).map(|i| lane * (f64::from(i) + 0.5) / f64::from(PLACES));
        places.map(set).collect()
    }
}

/// How the place where spray lands is foretold at the command: from the last mark and two before it,
/// a span apart each, as if acceleration stayed what it was over both spans.
struct Foretold {
    /// What the mark by 0, 1 and 2 spans ago counts.
    weights: [f64; 3],
    /// Time of a span, s.
    span_s: f64,
    /// From the last mark to half flow, s.
    ahead_s: f64,
    throw_s: f64,
}

impl Foretold {
    fn new(machine: &Machine, v: f64, g: &Geometry) -> Self {
        let pulse = machine.wheel.pulse.metres();
        let span_s = pulse * (SPEED_OVER_M / pulse).ceil().max(1.0) / v;
        // The last mark was passed half a pulse before, on average.
        let ahead_s = g.delay_s + machine.timing.decision_period_s + 0.5 * pulse / v;
        let learned = machine.wheel.slots_per_turn > 1;
        let part = if pulse >= COARSE_M && !learned {
            COARSE_PART
        } else {
            1.0
        };
        let (r, throw) = (ahead_s / span_s, g.throw_s / span_s);
        // A straight line through two marks, and `part` of what a parabola through three adds; then
        // the throw, by the speed there.
        let bent = part * (0.5 * r * (1.0 + r) + throw * (r + 0.5));
        let ahead = r + throw;
        Self {
            weights: [1.0 + ahead + bent, -ahead - 2.0 * bent, bent],
            span_s,
            ahead_s,
            throw_s: g.throw_s,
        }
    }

    /// One standard deviation of what is foretold wrongly on a machine that speeds up and slows down
    /// by `a` in turn, [`PIECE_S`] each, looked at evenly over all instants, m.
    fn strays_m(&self, a: f64) -> f64 {
        // Beyond steady speed: a parabola up, then one down.
        let phase = |t: f64| {
            let half = (t / PIECE_S).floor();
            let sign = if half.rem_euclid(2.0) < 0.5 {
                1.0
            } else {
                -1.0
            };
            (sign, t - half * PIECE_S)
        };
        let way = |t: f64| {
            let (sign, p) = phase(t);
            sign * 0.5 * a * p * (p - PIECE_S)
        };
        let speed = |t: f64| {
            let (sign, p) = phase(t);
            sign * a * (p - 0.5 * PIECE_S)
        };
        let squares = (0..INSTANTS).map(|i| {
            let t = 2.0 * PIECE_S * f64::from(i) / f64::from(INSTANTS);
            let lands = t + self.ahead_s;
            let marks = self.weights.iter().zip(0..);
            let told = marks.map(|(w, back)| w * way(t - f64::from(back) * self.span_s));
            let off = way(lands) + self.throw_s * speed(lands) - told.sum::<f64>();
            off * off
        });
        mean(squares).sqrt()
    }
}

/// Marks this far apart are coarse: until slots are learned, most of what looks like acceleration is
/// their unevenness, m.
const COARSE_M: f64 = 0.1;
/// What acceleration counts there.
const COARSE_PART: f64 = 0.25;
/// Instants that are looked at.
const INSTANTS: u32 = 600;

/// The nozzles that open for a plant, and what each gives it.
struct Opened {
    opened: u32,
    set: Set,
}

/// Places from one nozzle to the next at which a plant is looked at.
const PLACES: u32 = 40;
/// What a sum of doses may fall short by rounding.
const ENOUGH: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::DEMO_MACHINE;

    fn foretold(text: &str, v: f64) -> Foretold {
        let machine = Machine::parse("machine.toml", text).expect("a machine");
        let g = Geometry {
            seen_m: 0.5,
            way_m: 1.5,
            throw_s: 0.025,
            delay_s: 0.0175,
        };
        Foretold::new(&machine, v, &g)
    }

    #[test]
    fn steady_acceleration_is_foretold_and_a_quarter_of_it_on_coarse_wheels() {
        let coarse = DEMO_MACHINE
            .replace(
                "pulses_per_m = 50\nslots_per_turn = 100",
                "pulses_per_m = 8",
            )
            .replace("creep_speed_m_s = 0.1", "creep_speed_m_s = 0.3");
        for (text, left) in [(DEMO_MACHINE, 0.0), (&coarse, 0.75)] {
            let f = foretold(text, 4.0);
            assert!((f.weights.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            // 1 m/s²: where it is and its speed there, by hand; marks lie at t²/2.
            let mark = |back: f64| 0.5 * (back * f.span_s).powi(2);
            let told = f.weights[1] * mark(1.0) + f.weights[2] * mark(2.0);
            let lands = 0.5 * f.ahead_s.powi(2) + f.throw_s * f.ahead_s;
            // What a straight line through the last two marks falls short by.
            let line = -(f.ahead_s + f.throw_s) / f.span_s * mark(1.0);
            let want = lands - left * (lands - line);
            assert!((told - want).abs() < 1e-12, "{told} {want}");
        }
    }

    #[test]
    fn a_change_of_acceleration_strays_for_as_long_as_it_is_in_the_marks() {
        // Twice as much acceleration strays twice as far; slower, spans last longer and it strays
        // farther.
        let (slow, fast) = (foretold(DEMO_MACHINE, 0.5), foretold(DEMO_MACHINE, 5.0));
        let at = |f: &Foretold| f.strays_m(0.3);
        assert!((fast.strays_m(0.6) / at(&fast) - 2.0).abs() < 1e-9);
        assert!(at(&slow) > 4.0 * at(&fast), "{} {}", at(&slow), at(&fast));
        // Before the marks know of a change by 0.6 m/s² the place is off by 0.3·t², t up to the
        // forecast's reach: at 5 m/s 0.0215 s and the throw, 0.3·0.0215·(0.0215 + 2·0.025) = 0.46 mm.
        // Spans of 24 ms know it 48 ms later, so it is off by less than that for 7 % of a second.
        assert!(at(&fast) < 0.46e-3 * 0.07_f64.sqrt() * 1.5, "{}", at(&fast));
        assert!(at(&fast) > 0.46e-3 * 0.07_f64.sqrt() * 0.2, "{}", at(&fast));
        assert_eq!(slow.strays_m(0.0), 0.0);
    }
}
