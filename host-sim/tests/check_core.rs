//! The sums of `check` against the controller itself, driven at a steady speed.

use host_sim::check::sums;
use host_sim::machine::Machine;
use host_sim::recording::{Event, Image, Input, Recording, SeenPlant};
use host_sim::replay::{Replay, replay};

fn machine() -> Machine {
    Machine::parse("machine.toml", host_sim::run::DEMO_MACHINE).expect("the demo's machine")
}

/// Five metres of steady travel, then one image of plants given by near and far edge, m ahead of
/// the detector's mount, that arrives `age_us` after its capture.
fn drive(machine: &Machine, speed_m_s: f64, age_us: u64, plants: &[(f64, f64)]) -> Replay {
    let period_us = machine.wheel.pulse.metres() / speed_m_s * 1e6;
    let pulse = |i: u32| Event {
        t_us: 1_000_000 + (f64::from(i) * period_us).round() as u64,
        input: Input::Pulse,
    };
    let captured_us = pulse(250).t_us;
    let plants = plants.iter().map(|&(near, far)| SeenPlant {
        x_m: (near + far) / 2.0,
        y_m: 0.25,
        length_m: far - near,
        width_m: 0.1,
        id: None,
    });
    let image = Event {
        t_us: captured_us + age_us,
        input: Input::Image(Image {
            detector: 0,
            captured_us,
            seen: (0.0, 0.8),
            plants: plants.collect(),
        }),
    };
    let mut events: Vec<Event> = (0..500).map(pulse).collect();
    events.push(image);
    events.sort_by_key(|e| e.t_us);
    let recording = Recording {
        name: "steady".into(),
        events,
    };
    replay("machine.toml", machine, &recording).expect("a right recording")
}

#[test]
fn up_to_the_top_speed_the_core_is_in_time_and_past_it_it_is_late() {
    let machine = machine();
    for age_ms in [100.0, 165.5, 400.0] {
        let pair = sums::tightest(&machine, age_ms * 1e-3).expect("a detector");
        let top = pair.top_speed(age_ms * 1e-3);
        let plant = [(0.0, 0.1)];
        let late = |speed| {
            let counters = drive(&machine, speed, (age_ms * 1e3) as u64, &plant).counters;
            assert_eq!(
                counters.pulses_refused, 0,
                "within the machine's own limits"
            );
            assert_eq!(counters.images, 1);
            counters.late + counters.missed_late
        };
        assert_eq!(late(top * 0.999), 0, "{age_ms} ms, {top} m/s");
        // The sum allows for a pulse and a decision window, which luck may leave unused.
        assert_eq!(late(top * 1.06), 1, "{age_ms} ms, {top} m/s");
    }
}

#[test]
fn plants_join_below_the_gap_and_not_above_it() {
    let machine = machine();
    for speed in [1.0, 3.0, 5.0] {
        let gap = sums::joining_gap(&machine, &machine.nozzles[4], speed);
        let opens = |gap: f64| {
            let plants = [(0.1, 0.15), (0.15 + gap, 0.2 + gap)];
            let commands = drive(&machine, speed, 20_000, &plants).commands;
            commands.iter().filter(|c| c.open).count()
        };
        assert_eq!(opens(gap - 0.003), 1, "{speed} m/s, {gap} m");
        assert_eq!(opens(gap + 0.003), 2, "{speed} m/s, {gap} m");
    }
}
