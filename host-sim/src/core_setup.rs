//! From the files' SI units to the core's own types.

use controller_core::fan::WHOLE_SHARE;
use controller_core::{
    Along, Config, Controller, DetectorConfig, FanConfig, Image as CoreImage, Length, Micros,
    ModesConfig, NozzleConfig, PatchConfig, Plant, PulseLength as CorePulse, RateConfig,
    SectionConfig, Span, Speed, Stretch, TimingConfig, TurningConfig, UnseenPolicy, WheelConfig,
    YawSource,
};

use crate::error::{Error, Result};
use crate::machine::{self, Machine, PulseLength};
use crate::orders::Order;
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
    fan: Option<FanConfig>,
    faulty: Vec<u16>,
    sections: Vec<SectionConfig>,
    modes: ModesConfig,
    turning: Option<TurningConfig>,
    rate: Option<RateConfig>,
    flows_ml_min: Vec<u16>,
}

impl Setup {
    /// Turns a machine into the core's types; `machine_file` is the name shown in messages.
    ///
    /// # Errors
    /// A pulse length out of the core's range.
    pub fn new(machine_file: &str, machine: &Machine) -> Result<Self> {
        setup(machine_file, machine)
    }

    /// The machine description as the core takes it, for a board or a core of another size.
    #[must_use]
    pub fn config(&self) -> Config<'_> {
        Config {
            wheel: self.wheel,
            nozzles: &self.nozzles,
            detectors: &self.detectors,
            patch: self.patch,
            timing: self.timing,
            fan: self.fan,
            rate: self.rate,
            flows_ml_min: &self.flows_ml_min,
            faulty: &self.faulty,
            sections: &self.sections,
            modes: self.modes,
            turning: self.turning,
        }
    }

    /// A fresh core for this machine.
    ///
    /// # Errors
    /// What the core does not take, with the key to change.
    pub fn core(&self) -> Result<Box<Core<'_>>> {
        Controller::new(&self.config())
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
    let sections: Vec<SectionConfig> = machine
        .section_runs()
        .iter()
        .map(|&(first, end)| SectionConfig {
            first: first as u16,
            count: (end - first) as u16,
        })
        .collect();
    Ok(Setup {
        file: machine_file.to_owned(),
        sections,
        modes: ModesConfig {
            unseen: if machine.modes.spray_unseen {
                UnseenPolicy::Spray
            } else {
                UnseenPolicy::Skip
            },
            keep_off_margin: length(machine.modes.keep_off_margin_m),
            switch_quiet: span(machine.modes.switch_quiet_s),
            acknowledge_at_start: machine.modes.acknowledge_at_start,
            bench_on_cap: span(machine.modes.bench_on_cap_s),
        },
        wheel: WheelConfig {
            pulse_length,
            max_speed: Speed::from_mm_s(thousandths(machine.wheel.max_speed_m_s)),
            creep_speed: Speed::from_mm_s(thousandths(machine.wheel.creep_speed_m_s)),
            max_acceleration_mm_s2: thousandths(machine.wheel.max_acceleration_m_s2),
            slots_per_turn: machine.wheel.slots_per_turn,
            direction_input: machine.wheel.direction_input,
        },
        nozzles: nozzles(machine),
        detectors,
        patch: PatchConfig {
            lead: length(machine.patch.lead_m),
            lead_time: span(machine.patch.lead_s),
            trail: length(machine.patch.trail_m),
            trail_time: span(machine.patch.trail_s),
            edge_extra: length(machine.half_fan_m()),
            open_extra_time: span(machine.valves.open_rise_s / 2.0),
            close_extra_time: span(machine.valves.close_fall_s / 2.0),
            lateral_margin: length(machine.patch.lateral_margin_m),
            repeat_growth: length(machine.patch.repeat_growth_m),
        },
        fan: fan(machine),
        faulty: machine.faulty.iter().map(|&i| i as u16).collect(),
        rate: machine.rate.as_ref().map(rate),
        flows_ml_min: (machine.rate.as_ref())
            .filter(|rate| rate.flows_l_min.windows(2).any(|pair| pair[0] != pair[1]))
            .map_or_else(Vec::new, |rate| {
                rate.flows_l_min.iter().map(|&flow| ml_min(flow)).collect()
            }),
        turning: (machine.turning.as_ref())
            .map(|t| turning(machine_file, t))
            .transpose()?,
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

/// The rate in the core's numbers.
fn rate(rate: &machine::Rate) -> RateConfig {
    RateConfig {
        rate_ml_ha: thousandths(rate.l_ha),
        width: length(rate.width_m),
        flow_ml_min: rate.flows_l_min.first().copied().map_or(0, ml_min),
        pressure_kpa: rate.pressure_kpa.round() as u16,
        cycle: span(rate.cycle_s),
        lowest: (rate.lowest * 1e3).round() as u16,
        refuse_short: rate.refuse_short,
    }
}

fn turning(machine_file: &str, turning: &machine::Turning) -> Result<TurningConfig> {
    let source = match turning.heading {
        machine::YawSource::Rate => YawSource::Rate,
        machine::YawSource::SecondWheel {
            y_m,
            pulse_length_m,
        } => YawSource::SecondWheel {
            pulse_length: CorePulse::from_nm((pulse_length_m * 1e9).round() as u64)
                .ok_or_else(|| refuse(machine_file, "second_pulse_length_m is out of range"))?,
            y: length(y_m),
        },
    };
    Ok(TurningConfig {
        behind_axle: length(turning.behind_axle_m),
        wheel_y: length(turning.wheel_y_m),
        source,
        most_rate_mrad_s: thousandths(turning.fastest_turn_rad_s),
        silence: span(turning.silence_s),
    })
}

/// The nozzles in the core's numbers.
pub fn nozzles(machine: &Machine) -> Vec<NozzleConfig> {
    machine
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
        .collect()
}

/// The fans in the core's numbers.
pub fn fan(machine: &Machine) -> Option<FanConfig> {
    machine.fan.map(|fan| {
        let (half_width, flat_half) = (length(fan.half_width_m), length(fan.flat_half_m));
        FanConfig {
            half_width,
            flat_half,
            // Even fans of which one alone gives the whole dose must stay so when rounded.
            spacing: if fan.spacing_m == fan.half_width_m + fan.flat_half_m {
                half_width.plus(flat_half)
            } else {
                length(fan.spacing_m)
            },
            wanted_share: (fan.wanted_share * f64::from(WHOLE_SHARE)).round() as u16,
        }
    })
}

/// A plant in the core's lengths.
pub fn plant(p: &SeenPlant) -> Plant {
    Plant {
        x: length(p.x_m),
        y: length(p.y_m),
        length: length(p.length_m),
        width: length(p.width_m),
        id: p.id,
    }
}

/// An image in the core's types; `plants` are its plants from [`plant`].
pub fn image<'p>(image: &Image, plants: &'p [Plant]) -> CoreImage<'p> {
    CoreImage {
        detector: image.detector,
        captured_at: Micros(image.captured_us),
        seen: Stretch {
            from: length(image.seen.0),
            to: length(image.seen.1),
        },
        plants,
    }
}

/// A recorded yaw rate, mdeg/s to the right, in the core's µrad/s to the left.
pub fn yaw(mdeg_s: i32) -> i32 {
    (-f64::from(mdeg_s) * 1e3_f64.to_radians()).round() as i32
}

/// Hands an order to the core; `sections` is how many the machine has. What the core refuses
/// it counts.
pub fn order<const N: usize, const K: usize, const H: usize, const D: usize>(
    core: &mut Controller<'_, N, K, H, D>,
    now: Micros,
    order: &Order,
    sections: usize,
) {
    // What the core refuses it counts, and the counters are reported.
    let _counted = match *order {
        Order::Mode {
            section: Some(section),
            mode,
        } => core.handle_mode(now, section, mode).is_ok(),
        Order::Mode {
            section: None,
            mode,
        } => (0..sections).all(|s| core.handle_mode(now, s as u8, mode).is_ok()),
        Order::Switches { spot, broadcast } => core.handle_switches(now, spot, broadcast).is_ok(),
        Order::KeepOff { over, from_m, to_m } => {
            let (from, to) = (length(from_m), length(to_m));
            core.handle_keep_off(now, over, Along::Ahead { from, to })
                .is_ok()
        }
        Order::EmergencyStop => core.handle_emergency_stop(now).is_ok(),
        Order::Acknowledge => core.acknowledge(now).is_ok(),
        Order::Supply { ok } => core.handle_supply(now, ok).is_ok(),
        Order::Bench(request) => core.handle_bench(now, request).is_ok(),
    };
}

// Casts from f64 saturate, and every number was checked to be finite and in range before.

fn length(m: f64) -> Length {
    Length::from_um((m * 1e6).round() as i32)
}

fn span(s: f64) -> Span {
    Span((s * 1e6).round() as u32)
}

fn ml_min(l_min: f64) -> u16 {
    (l_min * 1e3).round() as u16
}

fn thousandths(v: f64) -> u32 {
    (v * 1e3).round() as u32
}
