//! From the files' SI units to the core's own types.

use controller_core::{
    Config, Controller, DetectorConfig, Image as CoreImage, Length, NozzleConfig, PatchConfig,
    Plant, PulseLength as CorePulse, Span, Speed, Stretch, TimingConfig, WheelConfig,
};

use crate::error::{Error, Result};
use crate::machine::{Machine, PulseLength};
use crate::recording::{Image, SeenPlant};

/// The core as the simulator builds it: nozzles, patches a nozzle, remembered pulses, detectors.
pub type Core<'a> = Controller<'a, 192, 16, 256, 16>;

/// A machine in the core's types. The core borrows its tables.
#[derive(Debug, Clone)]
pub struct Setup {
    file: String,
    nozzles: Vec<NozzleConfig>,
    detectors: Vec<DetectorConfig>,
    wheel: WheelConfig,
    patch: PatchConfig,
    timing: TimingConfig,
}

impl Setup {
    /// Turns a machine into the core's types; `machine_file` is the name shown in messages.
    ///
    /// # Errors
    /// A pulse length out of the core's range.
    pub fn new(machine_file: &str, machine: &Machine) -> Result<Self> {
        setup(machine_file, machine)
    }

    /// A fresh core for this machine.
    ///
    /// # Errors
    /// What the core does not take, with the key to change.
    pub fn core(&self) -> Result<Box<Core<'_>>> {
        let config = Config {
            wheel: self.wheel,
            nozzles: &self.nozzles,
            detectors: &self.detectors,
            patch: self.patch,
            timing: self.timing,
        };
        Controller::new(&config)
            .map(Box::new)
            .map_err(|e| refuse(&self.file, &e.to_string()))
    }
}

fn refuse(machine_file: &str, what: &str) -> Error {
    Error::file(
        machine_file,
        format!("the controller refuses this machine: {what}"),
        "change that key of the machine file",
    )
}

fn setup(machine_file: &str, machine: &Machine) -> Result<Setup> {
    let pulse_length = match machine.wheel.pulse {
        PulseLength::Nanometres(nm) => CorePulse::from_nm(nm),
        PulseLength::Ratio { um, pulses } => CorePulse::from_ratio(um, pulses),
    }
    .ok_or_else(|| refuse(machine_file, "the pulse length is out of range"))?;
    let nozzles: Vec<NozzleConfig> = machine
        .nozzles
        .iter()
        .map(|n| NozzleConfig {
            x: length(n.x_m),
            y: length(n.y_m),
            lane_width: length(n.lane_width_m),
            open_delay: span(n.open_delay_s),
            close_delay: span(n.close_delay_s),
            throw: span(n.throw_s),
        })
        .collect();
    let detectors: Vec<DetectorConfig> = machine
        .detectors
        .iter()
        .map(|d| DetectorConfig {
            x: length(d.x_m),
            y: length(d.y_m),
            view_left: length(d.view_left_m),
            view_right: length(d.view_right_m),
        })
        .collect();
    Ok(Setup {
        file: machine_file.to_owned(),
        wheel: WheelConfig {
            pulse_length,
            max_speed: Speed::from_mm_s(thousandths(machine.wheel.max_speed_m_s)),
            creep_speed: Speed::from_mm_s(thousandths(machine.wheel.creep_speed_m_s)),
            max_acceleration_mm_s2: thousandths(machine.wheel.max_acceleration_m_s2),
            slots_per_turn: machine.wheel.slots_per_turn,
        },
        nozzles,
        detectors,
        patch: PatchConfig {
            lead: length(machine.patch.lead_m),
            lead_time: span(machine.patch.lead_s),
            trail: length(machine.patch.trail_m),
            trail_time: span(machine.patch.trail_s),
            edge_extra: length(machine.fan_thickness_m / 2.0),
            open_extra_time: span(machine.valves.open_rise_s / 2.0),
            close_extra_time: span(machine.valves.close_fall_s / 2.0),
            lateral_margin: length(machine.patch.lateral_margin_m),
        },
        timing: TimingConfig {
            decision_period: span(machine.timing.decision_period_s),
            slack: span(machine.timing.slack_s),
            shortest_on: span(machine.timing.shortest_on_s),
            shortest_off: span(machine.timing.shortest_off_s),
            poll_silence: span(machine.timing.poll_silence_s),
            detector_silence: span(machine.timing.detector_silence_s),
            max_detection_age: span(machine.timing.max_detection_age_s),
        },
    })
}

/// A plant in the core's lengths.
pub fn plant(p: &SeenPlant) -> Plant {
    Plant {
        x: length(p.x_m),
        y: length(p.y_m),
        length: length(p.length_m),
        width: length(p.width_m),
    }
}

/// An image in the core's types; `plants` are its plants from [`plant`].
pub fn image<'p>(image: &Image, plants: &'p [Plant]) -> CoreImage<'p> {
    CoreImage {
        detector: image.detector,
        captured_at: controller_core::Micros(image.captured_us),
        seen: Stretch {
            from: length(image.seen.0),
            to: length(image.seen.1),
        },
        plants,
    }
}

// Casts from f64 saturate, and every number was checked to be finite and in range before.

fn length(m: f64) -> Length {
    Length::from_um((m * 1e6).round() as i32)
}

fn span(s: f64) -> Span {
    Span((s * 1e6).round() as u32)
}

fn thousandths(v: f64) -> u32 {
    (v * 1e3).round() as u32
}
