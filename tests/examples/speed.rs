//! How fast the core and its replay loop are, from memory, on one core: 48 nozzles,
//! 0.74 plants/m², at two speeds and two wheels.
//!
//! `cargo run --release -p system-tests --example speed`. Wall time is a ratio within
//! one run (simulated seconds a second). Repeatable: instructions, by
//! `valgrind --tool=callgrind --toggle-collect='*replay_from_memory*'` on the binary with
//! a repeat count of 1.

use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Instant;

use controller_core::{Image, Micros, Plant, Poll, Stretch};
use host_sim::core_setup::{self, Core, Setup};
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::recording::Input;
use host_sim::scenario::Scenario;

/// An event in the core's own types: what a firmware would hold, too.
enum Event {
    Pulse,
    Image {
        captured: Micros,
        detector: u8,
        seen: Stretch,
        plants: Vec<Plant>,
    },
}

// A benchmark: the clock is what it is for.
#[allow(clippy::disallowed_methods)]
fn main() {
    let repeats: u32 = std::env::args()
        .nth(1)
        .map_or(20, |n| n.parse().expect("a number of repeats"));
    let only: Option<usize> = std::env::args()
        .nth(2)
        .map(|n| n.parse().expect("the number of a case"));
    for (case, (speed, pulses_per_m, detectors)) in [
        (2.78, 7.7, 1),
        (2.78, 50.0, 1),
        (5.0, 7.7, 1),
        (5.0, 7.7, 12),
    ]
    .into_iter()
    .enumerate()
    {
        if only.is_some_and(|only| only != case) {
            continue;
        }
        let (machine, events, seconds) = recorded(speed, pulses_per_m, detectors);
        let setup = Setup::new("machine", &machine).expect("a sound machine");
        let plants: usize = events
            .iter()
            .map(|e| match &e.1 {
                Event::Image { plants, .. } => plants.len(),
                Event::Pulse => 0,
            })
            .sum();
        let mut commands = 0;
        let mut polls = 0;
        // What is timed is this alone.
        let mut took = f64::INFINITY;
        for _ in 0..repeats {
            let mut core = setup.core().expect("a sound machine");
            let began = Instant::now();
            (commands, polls) = replay_from_memory(black_box(&mut core), black_box(&events));
            took = took.min(began.elapsed().as_secs_f64());
        }
        println!(
            "{speed} m/s, {pulses_per_m} pulses/m, {detectors} detectors: {seconds:.0} s of driving, {plants} plants, {commands} commands, {polls} polls, {} events: {:.0} simulated seconds a second, {:.2} million plants a second",
            events.len(),
            seconds / took,
            plants as f64 / took / 1e6,
        );
    }
}

#[inline(never)]
fn replay_from_memory(core: &mut Core<'_>, events: &[(Micros, Event)]) -> (u64, u64) {
    let (mut commands, mut polls) = (0, 0);
    let mut drain = |core: &mut Core<'_>, now: Micros| loop {
        polls += 1;
        match core.poll(now) {
            Poll::Command(command) => {
                black_box(command);
                commands += 1;
            }
            Poll::Busy => {}
            Poll::Idle { next } => break next,
        }
    };
    let mut next = Micros(0);
    for (at, event) in events {
        while next < *at {
            next = drain(core, next);
        }
        drain(core, *at);
        match event {
            Event::Pulse => core.handle_pulse(*at).expect("a good pulse"),
            Event::Image {
                captured,
                detector,
                seen,
                plants,
            } => {
                let image = Image {
                    detector: *detector,
                    captured_at: *captured,
                    seen: *seen,
                    plants,
                };
                core.handle_image(*at, &image).expect("a good image");
            }
        }
        next = drain(core, *at);
    }
    (commands, polls)
}

/// A straight pass long enough for half a hectare, as events in the core's types.
fn recorded(speed: f64, pulses_per_m: f64, detectors: u32) -> (Machine, Vec<(Micros, Event)>, f64) {
    let machine = format!(
        "machine_format = 1\nname = \"speed\"\n[boom]\nnozzles = 48\nspacing_m = 0.5\n{}[wheel]\npulses_per_m = {pulses_per_m}\nmax_speed_m_s = 8.0\ncreep_speed_m_s = 0.3\nmax_acceleration_m_s2 = 4.0\n[valves]\nopen_delay_ms = 20.0\nopen_rise_ms = 4.0\nclose_delay_ms = 15.0\nclose_fall_ms = 4.0\n[nozzles]\nlane_width_m = 0.5\nfan_thickness_m = 0.04\nthrow_ms = 25.0\n[patch]\nlead_m = 0.06\nlead_ms = 5.0\ntrail_m = 0.06\ntrail_ms = 5.0\nlateral_margin_m = 0.03\n[timing]\ndecision_period_ms = 2.0\nshortest_on_ms = 20.0\nshortest_off_ms = 20.0\n[tolerance]\nmissed = 0\npartial = 0\nedge_share_percent = 99.9\nedge_mm = 25.0\n",
        (0..detectors).fold(String::new(), |mut text, i| {
            let half = 12.0 / f64::from(detectors);
            let y = (2.0 * f64::from(i) + 1.0) * half - 12.0;
            write!(text, "[[detector]]\nx_m = 1.2\ny_m = {y:.1}\nview_left_m = {half:.1}\nview_right_m = {half:.1}\nview_near_m = 0.0\nview_far_m = 0.8\n").expect("a string takes it");
            text
        })
    );
    let machine = Machine::parse("machine", &machine).expect("a sound machine file");
    let seconds = 208.0 / speed;
    let scenario = format!(
        "scenario_format = 1\nname = \"speed\"\nseed = 7\nmachine = \"machine.toml\"\n[motion]\nstart_speed_m_s = {speed}\n[[motion.piece]]\nduration_s = {seconds}\nacceleration_m_s2 = 0.0\n[field]\ndensity_per_m2 = 0.74\nsize_mean_m = 0.09\nsize_sd_m = 0.04\nsize_min_m = 0.03\nsize_max_m = 0.2\n[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n[detector]\nframe_rate_hz = 12.5\ndelay_mean_ms = 80.0\ndelay_sd_ms = 15.0\nonce = true\n"
    );
    let scenario = Scenario::parse("scenario", &scenario).expect("a sound scenario file");
    let world = drive("scenario", &scenario, &machine).expect("it drives");
    let events = world
        .recording
        .events
        .iter()
        .map(|event| {
            let input = match &event.input {
                Input::Pulse => Event::Pulse,
                Input::Direction(_)
                | Input::Order(_)
                | Input::WheelPulse(_)
                | Input::Yaw(_)
                | Input::Pressure(_) => {
                    panic!("this scenario has none of these")
                }
                Input::Image(image) => {
                    let plants: Vec<Plant> = image.plants.iter().map(core_setup::plant).collect();
                    let core = core_setup::image(image, &plants);
                    let (captured, detector, seen) = (core.captured_at, core.detector, core.seen);
                    Event::Image {
                        captured,
                        detector,
                        seen,
                        plants,
                    }
                }
            };
            (Micros(event.t_us), input)
        })
        .collect();
    (machine, events, seconds)
}
