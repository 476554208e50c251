//! A virtual-time harness for the controller core, and the tests built on it in
//! `tests/`. It jumps to the next input or deadline, never in fixed ticks.

pub mod operations;

use controller_core::{
    Command, Config, Controller, DetectorConfig, Direction, Image, Length, Micros, NozzleConfig,
    Plant, Poll, PulseLength, Span, Stretch,
};
use ground_truth::Report;
use host_sim::core_setup;
use host_sim::generate::{Drive, drive};
use host_sim::machine::Machine;
use host_sim::orders::Order;
use host_sim::replay::replay;
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;

pub mod accuracy;
pub mod arc;
pub mod faults;

/// Drives a scenario, replays its recording through the core, and judges the commands
/// by the drive's own truth.
#[must_use]
pub fn judged(scenario: &Scenario, machine: &Machine) -> Report {
    let world = drive("scenario.toml", scenario, machine).expect("the scenario drives");
    judged_drive(&world, machine)
}

/// The same for a drive that has been made already.
#[must_use]
pub fn judged_drive(world: &Drive, machine: &Machine) -> Report {
    judged_as_told(world, machine, machine)
}

/// The same with a machine that is not what the core is told.
#[must_use]
pub fn judged_as_told(world: &Drive, told: &Machine, real: &Machine) -> Report {
    let run = replay("machine.toml", told, &world.recording).expect("the recording replays");
    let scene = Scene::from_truth("truth.json", &world.truth, real, &world.recording)
        .expect("the drive's own truth fits");
    scene
        .judge(&run.commands, Some(&run.images))
        .expect("the judge takes its input")
}

/// The controller that the tests drive.
pub type Core = Controller<'static, 96, 8, 64, 4>;

/// An input with the stamp at which it is handed over.
#[derive(Clone, Debug)]
pub enum Input {
    /// A wheel pulse.
    Pulse,
    /// A reading of the yaw-rate sensor, µrad/s.
    Yaw(i32),
    /// A pulse of the second wheel.
    Second,
    /// The direction of travel from here on.
    Direction(Direction),
    /// A nozzle called faulty, or healthy again.
    Fault(u16, bool),
    /// An image of detector 0.
    Image {
        /// Capture instant, µs.
        captured: u64,
        /// Stretch seen, mm ahead of the mount.
        seen: (i32, i32),
        /// Plants.
        plants: Vec<Plant>,
    },
    /// What the operator orders; for a boom of one section.
    Order(Order),
}

/// A plant from µm: centre forward, centre right, length, width.
#[must_use]
pub fn plant(x_um: i32, y_um: i32, length_um: i32, width_um: i32) -> Plant {
    Plant {
        x: Length::from_um(x_um),
        y: Length::from_um(y_um),
        length: Length::from_um(length_um),
        width: Length::from_um(width_um),
        id: None,
    }
}

/// Polls until idle. Panics when a poll makes no progress.
pub fn drain(core: &mut Core, now: u64, out: &mut Vec<Command>) -> u64 {
    for _ in 0..100_000 {
        match core.poll(Micros(now)) {
            Poll::Command(command) => out.push(command),
            Poll::Busy => {}
            Poll::Idle { next } => {
                assert!(next.0 > now, "idle until {} at {now}", next.0);
                return next.0;
            }
        }
    }
    panic!("poll makes no progress at {now} µs");
}

/// Runs the inputs (in order of their stamps) and on to `until`. `extra` are
/// instants of further polls that must change nothing.
pub fn run(core: &mut Core, inputs: &[(u64, Input)], until: u64, extra: &[u64]) -> Vec<Command> {
    let mut out = Vec::new();
    let mut extra: Vec<u64> = extra.to_vec();
    extra.sort_unstable();
    let mut extra = extra.into_iter().peekable();
    let mut next = drain(core, 0, &mut out);
    let mut upto = |core: &mut Core, stamp: u64, next: &mut u64, out: &mut Vec<Command>| {
        loop {
            let poll = extra.peek().copied().unwrap_or(u64::MAX).min(*next);
            if poll > stamp {
                break;
            }
            while extra.next_if(|&e| e <= poll).is_some() {}
            *next = drain(core, poll, out);
        }
        *next = drain(core, stamp, out);
    };
    for (stamp, input) in inputs {
        upto(core, *stamp, &mut next, &mut out);
        match input {
            Input::Pulse => {
                let _counted = core.handle_pulse(Micros(*stamp));
            }
            Input::Yaw(rate) => {
                let _counted = core.handle_yaw_rate(Micros(*stamp), *rate);
            }
            Input::Second => {
                let _counted = core.handle_second_pulse(Micros(*stamp));
            }
            Input::Direction(direction) => {
                let _counted = core.handle_direction(Micros(*stamp), *direction);
            }
            Input::Fault(nozzle, fault) => {
                core.set_nozzle_fault(Micros(*stamp), *nozzle, *fault)
                    .expect("in order and there");
            }
            Input::Order(order) => core_setup::order(core, Micros(*stamp), order, 1),
            Input::Image {
                captured,
                seen,
                plants,
            } => {
                let _counted = core.handle_image(
                    Micros(*stamp),
                    &Image {
                        detector: 0,
                        captured_at: Micros(*captured),
                        seen: Stretch {
                            from: Length::from_mm(seen.0),
                            to: Length::from_mm(seen.1),
                        },
                        plants,
                    },
                );
            }
        }
        next = drain(core, *stamp, &mut out);
    }
    upto(core, until, &mut next, &mut out);
    out
}

/// Pulses every `pulse_m` of a motion given as place over time, stamped to the µs
/// at the exact crossing found by bisection. Inverse only: needs no core code.
pub fn pulses(place: impl Fn(f64) -> f64, from: f64, to: f64, pulse_m: f64) -> Vec<(u64, Input)> {
    let mut out = Vec::new();
    let first = (place(from) / pulse_m - 1e-9).ceil() as i64;
    let last = (place(to) / pulse_m).floor() as i64;
    let mut low = from;
    for k in first..=last {
        let target = k as f64 * pulse_m;
        let (mut a, mut b) = (low, to);
        for _ in 0..60 {
            let middle = 0.5 * (a + b);
            if place(middle) < target {
                a = middle;
            } else {
                b = middle;
            }
        }
        out.push(((b * 1e6).round() as u64, Input::Pulse));
        low = a;
    }
    out
}

/// Puts an input where its stamp belongs.
pub fn with(mut inputs: Vec<(u64, Input)>, stamp: u64, input: Input) -> Vec<(u64, Input)> {
    let at = inputs.partition_point(|i| i.0 <= stamp);
    inputs.insert(at, (stamp, input));
    inputs
}

/// One lane under a detector mounted on the boom reference point: 20 mm pulses,
/// 20/15 ms delays, throw 25 ms, margins 50 mm, thin fan.
#[must_use]
pub fn one_lane(change: impl FnOnce(&mut Config<'_>, &mut NozzleConfig)) -> Core {
    let mut nozzle = NozzleConfig {
        open_delay: Span::from_ms(20),
        close_delay: Span::from_ms(15),
        throw: Span::from_ms(25),
        ..NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))
    };
    let detectors = [DetectorConfig::centred(
        Length::from_mm(0),
        Length::from_mm(500),
    )];
    let pulse = PulseLength::from_nm(20_000_000).expect("a usual wheel");
    let mut config = Config::new(pulse, &[], &detectors);
    change(&mut config, &mut nozzle);
    core_of(&[nozzle], &config)
}

/// A controller of its own for these nozzles; `config` gives the rest. The tables
/// live on for ever, as in flash.
#[must_use]
pub fn core_of(nozzles: &[NozzleConfig], config: &Config<'_>) -> Core {
    Core::new(&Config {
        nozzles: Vec::leak(nozzles.to_vec()),
        detectors: Vec::leak(config.detectors.to_vec()),
        wheel: config.wheel,
        patch: config.patch,
        timing: config.timing,
        fan: config.fan,
        rate: config.rate,
        flows_ml_min: Vec::leak(config.flows_ml_min.to_vec()),
        faulty: Vec::leak(config.faulty.to_vec()),
        sections: Vec::leak(config.sections.to_vec()),
        modes: config.modes,
        turning: config.turning,
    })
    .expect("a sound machine")
}
