//! Values as the two files that a person would write: machine and scenario. The lab computes from
//! these texts alone, so whoever downloads them gets the same drive.

use std::fmt::Write as _;

use super::values::Values;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::scenario::Scenario;
use crate::throw;

/// Ground on which plants are judged, m, or a little more.
pub const GROUND_M: f64 = 100.0;
/// Nozzles of the lab's boom.
const NOZZLES: usize = 8;
/// Their spacing, m.
const SPACING_M: f64 = 0.5;
/// Plants stand this far from the boom's middle at most, m: at a boom's ends no set of nozzles
/// gives a full dose, and that is not what the lab is about.
const ASIDE_M: f64 = 1.7;
/// Rim of the wheel, m; a wheel of very fine slots is smaller.
const RIM_M: f64 = 2.0;
/// Most slots that the core learns.
const MOST_SLOTS: f64 = 128.0;
/// Real valves act this late at least, ms.
const QUICKEST_MS: f64 = 0.5;

/// The files of a drive, and what they say.
#[derive(Debug, Clone)]
pub struct Files {
    /// `machine.toml`.
    pub machine_text: String,
    /// `scenario.toml`.
    pub scenario_text: String,
    /// The same, read.
    pub machine: Machine,
    /// The same, read.
    pub scenario: Scenario,
    /// Throw and flight of the spray, s.
    pub throw_s: f64,
    /// From nozzle to ground, s.
    pub flight_s: f64,
}

impl Files {
    /// Writes and reads the files.
    pub fn of(values: &Values) -> Result<Files> {
        let untold = Machine::parse("machine.toml", &machine(values, 0.0))?;
        let Some(spray) = &untold.spray else {
            return Err(Error::Internal("the lab's machine has no [spray]".into()));
        };
        let (throw_s, flight_s) = throw::flight_of_machine(spray, values.speed_m_s)
            .map_err(|e| Error::Internal(format!("the lab's spray: {e}")))?;
        // To the microsecond, as one would write it.
        let throw_ms = (throw_s * 1e6).round() / 1e3;
        let machine_text = machine(values, throw_ms);
        let machine = Machine::parse("machine.toml", &machine_text)?;
        let scenario_text = scenario(values);
        let scenario = Scenario::parse("scenario.toml", &scenario_text)?;
        Ok(Files {
            machine_text,
            scenario_text,
            machine,
            scenario,
            throw_s: throw_ms * 1e-3,
            // Likewise: what comes of sines and roots must not differ by platform from here on.
            flight_s: (flight_s * 1e6).round() / 1e6,
        })
    }
}

/// Slots of one turn of the wheel.
fn slots(values: &Values) -> f64 {
    (1e3 * RIM_M / values.pulse_length_mm)
        .round()
        .clamp(4.0, MOST_SLOTS)
}

/// A rise can't be longer than twice the delay in whose middle it lies.
fn rise_ms(values: &Values, delay_ms: f64) -> f64 {
    values.rise_ms.min(2.0 * delay_ms)
}

/// Hardest change of speed, m/s²: the speed swings in a zigzag.
fn swing_m_s2(values: &Values) -> f64 {
    4.0 * values.speed_m_s * values.speed_change_percent / 100.0 / values.speed_change_s
}

/// A buffer of a machine file, m.
fn m(mm: f64) -> f64 {
    // Divided, not multiplied: 60 mm is 0.06 and not 0.06000000000000001.
    mm / 1e3
}

fn machine(v: &Values, throw_ms: f64) -> String {
    let mut text = String::new();
    let half = NOZZLES as f64 * SPACING_M / 2.0 + 0.2;
    let creep = (v.pulse_length_mm / 900.0).max(0.1);
    // Writing to a String cannot fail.
    let _ = write!(
        text,
        "# The lab's boom, written by host-sim.
machine_format = 1
name = \"lab boom\"

[boom]
nozzles = {NOZZLES}
spacing_m = {SPACING_M}

[[detector]]
x_m = {}
y_m = 0.0
view_left_m = {half}
view_right_m = {half}
view_near_m = 0.0
view_far_m = {}

[wheel]
pulse_length_m = {}
slots_per_turn = {}
max_speed_m_s = 14.0
creep_speed_m_s = {creep:.3}
max_acceleration_m_s2 = {:.3}

[valves]
open_delay_ms = {}
open_rise_ms = {}
close_delay_ms = {}
close_fall_ms = {}

[nozzles]
fan_angle_deg = 58.0
height_m = {}
thickness_deg = 6.0
pattern = \"even\"
wanted_share = 0.9
throw_ms = {throw_ms}

[spray]
size = \"03\"
pressure_kpa = {}
drops = \"medium\"

[patch]
lead_m = {}
lead_ms = {}
trail_m = {}
trail_ms = {}
lateral_margin_m = {}

[timing]
decision_period_ms = 2.0
shortest_on_ms = 10.0
shortest_off_ms = 10.0
",
        v.camera_ahead_m,
        v.view_m,
        m(v.pulse_length_mm),
        slots(v),
        (1.5 * swing_m_s2(v)).max(4.0),
        v.open_delay_ms,
        rise_ms(v, v.open_delay_ms),
        v.close_delay_ms,
        rise_ms(v, v.close_delay_ms),
        v.height_m,
        v.pressure_kpa,
        m(v.lead_mm),
        v.lead_ms,
        m(v.trail_mm),
        v.trail_ms,
        m(v.side_mm),
    );
    text
}

fn scenario(v: &Values) -> String {
    let real = |delay_ms: f64| (delay_ms + v.valve_error_ms).max(QUICKEST_MS);
    let (open, close) = (real(v.open_delay_ms), real(v.close_delay_ms));
    let size = m(v.plant_size_mm);
    let swing = v.speed_m_s * v.speed_change_percent / 100.0;
    let mut text = String::new();
    let _ = write!(
        text,
        "# The lab's drive, written by host-sim.
scenario_format = 1
name = \"lab drive\"
seed = {}
machine = \"machine.toml\"

[motion]
start_speed_m_s = {}
",
        v.seed,
        v.speed_m_s - swing,
    );
    // Up to where the last judged plant is passed by the whole boom, with its spray landed.
    let far = v.camera_ahead_m + v.view_m;
    let room = 1.5 + m(v.trail_mm) + (v.speed_m_s + swing) * 0.6;
    let whole_s = (far + GROUND_M + room) / v.speed_m_s;
    let mut piece = |duration_s: f64, acceleration: f64| {
        let _ = write!(
            text,
            "\n[[motion.piece]]\nduration_s = {duration_s}\nacceleration_m_s2 = {acceleration}\n"
        );
    };
    if swing == 0.0 {
        piece((whole_s * 1e3).ceil() / 1e3, 0.0);
    } else {
        let half_s = v.speed_change_s / 2.0;
        let acceleration = swing_m_s2(v);
        for half in 0..(whole_s / half_s).ceil() as u32 {
            piece(
                half_s,
                if half % 2 == 0 {
                    acceleration
                } else {
                    -acceleration
                },
            );
        }
    }
    let _ = write!(
        text,
        "
[field]
density_per_m2 = {}
left_m = -{ASIDE_M}
right_m = {ASIDE_M}
size_mean_m = {size}
size_sd_m = {:.6}
size_min_m = {:.6}
size_max_m = {:.6}

[wheel]
slots = {}
unevenness_percent = {}
stamp_jitter_us = 10.0
scale = {:.6}

[detector]
frame_rate_hz = {}
delay_mean_ms = {}
delay_sd_ms = {}
once = true

[images]
clock_offset_ms = {}

[valves]
open_delay_ms = {open}
open_rise_ms = {}
close_delay_ms = {close}
close_fall_ms = {}

[valve_spread]
spread_ms = {}
jitter_ms = {}
",
        v.density_per_m2,
        size * 0.3,
        size * 0.35,
        size * 1.8,
        slots(v),
        v.unevenness_percent,
        1.0 + v.pulse_error_percent / 100.0,
        v.frame_rate_hz,
        v.latency_ms,
        v.jitter_ms,
        v.clock_error_ms,
        rise_ms(v, open),
        rise_ms(v, close),
        v.valve_spread_ms,
        v.valve_spread_ms / 2.0,
    );
    text
}
