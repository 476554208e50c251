//! The machine file: geometry, delays, buffers and tolerances of one boom.
//!
//! Keys carry units as people measure them (mm, ms); the checked [`Machine`] is in SI units
//! throughout. `formats/machine.md` is the reference of the keys, [`Machine::parse`] their reader.

use ground_truth::drops::Spectrum;

/// Most nozzles that a machine file may list.
pub const MOST_NOZZLES: usize = 192;
/// Most detectors that a machine file may list.
pub const MOST_DETECTORS: usize = 16;

/// A checked machine, in metres, seconds and m/s. x forward, y to the right.
#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    /// What the user calls it.
    pub name: String,
    /// Nozzles from left (negative y) to right.
    pub nozzles: Vec<Nozzle>,
    /// Detectors in the order of the file; a recording refers to them by this index.
    pub detectors: Vec<Detector>,
    /// Wheel sensor and what the machine is able to do.
    pub wheel: Wheel,
    /// Valve rise and fall, and the delays that nozzles have unless they say otherwise.
    pub valves: Valves,
    /// Thickness of the fan along travel, m; of twin fans, both and what lies between.
    pub fan_thickness_m: f64,
    /// The fans where their doses are summed; none where each nozzle serves its lane alone.
    pub fan: Option<Fan>,
    /// Angle of the fans against the boom, as its tangent.
    pub twist: f64,
    /// Half of the distance along travel between the footprints of twin fans, m; 0 for one fan.
    pub twin_m: f64,
    /// What leaves the nozzles, if the file tells: throw and dose are worked out from it.
    pub spray: Option<Spray>,
    /// The application rate that switched valves hold; none: an open valve flows fully.
    pub rate: Option<Rate>,
    /// Nozzles that are faulty and stay closed, in order.
    pub faulty: Vec<usize>,
    /// Buffers around a plant.
    pub patch: Patch,
    /// Timing of decisions.
    pub timing: Timing,
    /// How many nozzles each section has, from left to right; none: one section of all.
    pub sections: Vec<u16>,
    /// Unseen ground, keep-off, switches, start and bench.
    pub modes: Modes,
    /// What counts as good placement.
    pub tolerance: Tolerance,
    /// The serial link between detectors and board, if the file tells of one.
    pub link: Option<Link>,
    /// How the machine turns, and from where the controller knows; without it, it goes straight
    /// for all that the controller knows.
    pub turning: Option<Turning>,
}

/// How the machine turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turning {
    /// From the axle that does not steer back to the boom reference point, m.
    pub behind_axle_m: f64,
    /// The counted wheel, right of the reference point, m.
    pub wheel_y_m: f64,
    /// From where the heading is known.
    pub heading: YawSource,
    /// Faster it can't turn, rad/s.
    pub fastest_turn_rad_s: f64,
    /// So long without an input counts as going straight, s.
    pub silence_s: f64,
}

/// From where the heading is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum YawSource {
    /// A yaw-rate sensor: `yaw` events of the recording.
    Rate,
    /// A second wheel: pulses of `wheel` 1 of the recording.
    SecondWheel {
        /// Right of the reference point, m.
        y_m: f64,
        /// Ground per pulse, m.
        pulse_length_m: f64,
    },
}

/// The serial link, and what is expected to go over it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Bits a second on the line, start and stop bit included: ten for a byte.
    pub baud: u32,
    /// Plants on the ground, 1/m².
    pub plants_per_m2: f64,
    /// How often a plant is reported; without it, in every image that sees it.
    pub reports_per_plant: Option<f64>,
}

/// What leaves every nozzle. Angles in degrees as in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Spray {
    /// Name of the nozzles' size.
    pub size: String,
    /// Flow of one nozzle at this pressure, L/min.
    pub l_min: f64,
    /// Pressure at the nozzle, Pa.
    pub pressure_pa: f64,
    /// Share of the loss-free speed with which the sheet leaves.
    pub velocity_coefficient: f64,
    /// Length of the sheet before it is drops, m.
    pub sheet_m: f64,
    /// Drop sizes.
    pub drops: Spectrum,
    /// Drop percentile by volume that the throw is meant for, above 0 and below 100.
    pub percentile: f64,
    /// From nozzle to target, m.
    pub height_m: f64,
    /// Across travel.
    pub fan_angle_deg: f64,
    /// Of one fan, along travel.
    pub thickness_deg: f64,
    /// Forward.
    pub tilt_deg: f64,
    /// Between twin fans; 0 for one fan.
    pub twin_deg: f64,
    /// The same dose over the whole width; else it falls to both sides.
    pub even: bool,
}

/// The application rate, and how switched valves hold it.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// Wanted where a nozzle sprays, L/ha.
    pub l_ha: f64,
    /// Most that may come down on average over the field, as the label of the product says, L/ha.
    pub label_max_l_ha: Option<f64>,
    /// From opening to opening of a switched valve, s.
    pub cycle_s: f64,
    /// Lowest share of a cycle that a valve is told, 0 to 1.
    pub lowest: f64,
    /// Pressure at which the flows hold, kPa.
    pub pressure_kpa: f64,
    /// Flow of each nozzle at that pressure, L/min, from left to right.
    pub flows_l_min: Vec<f64>,
    /// Ground across travel for which a nozzle's flow is meant, m.
    pub width_m: f64,
    /// Refuse the machine rather than spray patches fully that pass in fewer than three cycles.
    pub refuse_short: bool,
}

/// One nozzle, relative to the boom reference point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nozzle {
    /// Where its spray lands at standstill, forward of the reference point, m: its mount, and what
    /// a tilted fan adds.
    pub x_m: f64,
    /// Right of the reference point, m.
    pub y_m: f64,
    /// Width of the lane it is answerable for, m.
    pub lane_width_m: f64,
    /// Command to half flow at opening, s.
    pub open_delay_s: f64,
    /// Command to half flow at closing, s.
    pub close_delay_s: f64,
    /// Forward distance flown over speed, s.
    pub throw_s: f64,
}

/// The fan of every nozzle as it falls on the ground, across travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fan {
    /// From below the nozzle to where the spray ends, m.
    pub half_width_m: f64,
    /// From below the nozzle to where the dose begins to fall, m.
    pub flat_half_m: f64,
    /// Ground across for which one nozzle's flow is meant, m: the broadcast dose follows from it.
    pub spacing_m: f64,
    /// Share of the broadcast dose that every point of a plant must get.
    pub wanted_share: f64,
}

/// One detector, relative to the boom reference point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detector {
    /// Mount forward of the reference point, m.
    pub x_m: f64,
    /// Mount right of the reference point, m.
    pub y_m: f64,
    /// How far it sees to the left of its mount, m.
    pub view_left_m: f64,
    /// How far it sees to the right of its mount, m.
    pub view_right_m: f64,
    /// Near end of its view ahead of its mount, m (may be negative).
    pub view_near_m: f64,
    /// Far end of its view ahead of its mount, m.
    pub view_far_m: f64,
}

/// The wheel sensor and the limits of the machine's motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wheel {
    /// Ground per pulse.
    pub pulse: PulseLength,
    /// Fastest speed the machine can reach, m/s.
    pub max_speed_m_s: f64,
    /// Below this speed everything closes, m/s.
    pub creep_speed_m_s: f64,
    /// Hardest speeding up or braking, m/s².
    pub max_acceleration_m_s2: f64,
    /// Pulses in one turn of the wheel, to learn each slot's offset; 0 leaves it off.
    pub slots_per_turn: u16,
    /// The sensor tells the direction of travel.
    pub direction_input: bool,
}

/// Ground per pulse as an exact fraction, so that 130 pulses per metre has no rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PulseLength {
    /// Nanometres per pulse.
    Nanometres(u64),
    /// So many micrometres in so many pulses.
    Ratio {
        /// Micrometres.
        um: u64,
        /// Pulses.
        pulses: u64,
    },
}

impl PulseLength {
    /// Ground per pulse, m.
    pub fn metres(self) -> f64 {
        match self {
            PulseLength::Nanometres(nm) => nm as f64 * 1e-9,
            PulseLength::Ratio { um, pulses } => um as f64 * 1e-6 / pulses as f64,
        }
    }
}

/// How a valve opens and closes. Delays run from command to half flow, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Valves {
    /// Command to half flow at opening, s.
    pub open_delay_s: f64,
    /// Length of the linear rise, centred on half flow, s.
    pub open_rise_s: f64,
    /// Command to half flow at closing, s.
    pub close_delay_s: f64,
    /// Length of the linear fall, centred on half flow, s.
    pub close_fall_s: f64,
}

/// Buffers around a plant: a distance plus a time of travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Ground before the plant, m.
    pub lead_m: f64,
    /// Time before the plant, s.
    pub lead_s: f64,
    /// Ground after the plant, m.
    pub trail_m: f64,
    /// Time after the plant, s.
    pub trail_s: f64,
    /// Widening to each side, m.
    pub lateral_margin_m: f64,
    /// How far later sights of a plant with an id may take its patch at each side, m.
    pub repeat_growth_m: f64,
}

/// Timing of the controller's decisions, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Decisions are made at whole multiples of this.
    pub decision_period_s: f64,
    /// How much further than one period a decision looks ahead.
    pub slack_s: f64,
    /// A valve is never open for less.
    pub shortest_on_s: f64,
    /// A valve is never closed for less between two patches.
    pub shortest_off_s: f64,
    /// Not polled for longer: everything closes.
    pub poll_silence_s: f64,
    /// No image from a detector for longer while moving: its ground counts as unseen.
    pub detector_silence_s: f64,
    /// Images captured longer ago are refused.
    pub max_detection_age_s: f64,
}

/// What the operator's orders rest on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Modes {
    /// Ground that no detector has seen is sprayed in spot mode; else it stays dry.
    pub spray_unseen: bool,
    /// Added to both sides of keep-off ground, m.
    pub keep_off_margin_m: f64,
    /// A switch counts once its wires have been quiet for so long, s.
    pub switch_quiet_s: f64,
    /// Everything stays closed after the start until acknowledged.
    pub acknowledge_at_start: bool,
    /// Longest opening in the bench state, s.
    pub bench_on_cap_s: f64,
}

/// What counts as good placement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Most plants that may be missed.
    pub missed: usize,
    /// Most plants that may be sprayed in part only.
    pub partial: usize,
    /// Share of patch edges, 0 to 1, that must lie within `edge_m`.
    pub edge_share: f64,
    /// Largest placement error of those edges, m.
    pub edge_m: f64,
}

impl Machine {
    /// What a twisted fan shifts along travel where it reaches farthest aside, m. A nozzle without
    /// a fan pattern is used to the edge of its lane.
    pub fn twist_m(&self) -> f64 {
        let lanes = self.nozzles.iter().map(|n| n.lane_width_m / 2.0);
        let aside = self
            .fan
            .map_or_else(|| lanes.fold(0.0, f64::max), |fan| fan.half_width_m);
        aside * self.twist.abs()
    }

    /// Ground that the fan takes from the dose at each end of a patch, m: half its thickness, and
    /// what its twist shifts.
    pub fn half_fan_m(&self) -> f64 {
        self.fan_thickness_m / 2.0 + self.twist_m()
    }

    /// The nozzles of each section, as first and one past the last.
    pub fn section_runs(&self) -> Vec<(usize, usize)> {
        if self.sections.is_empty() {
            return vec![(0, self.nozzles.len())];
        }
        let mut first = 0;
        self.sections
            .iter()
            .map(|&count| {
                let run = (first, first + usize::from(count));
                first = run.1;
                run
            })
            .collect()
    }

    /// Leftmost and rightmost lane edge, m.
    pub fn lanes(&self) -> (f64, f64) {
        self.nozzles
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, r), n| {
                (
                    l.min(n.y_m - n.lane_width_m / 2.0),
                    r.max(n.y_m + n.lane_width_m / 2.0),
                )
            })
    }
}
