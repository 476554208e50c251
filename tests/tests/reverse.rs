//! Going back: what was sprayed stays sprayed, what was left is sprayed when the machine
//! comes by again, and nothing is sprayed on the way back.

use controller_core::{Action, Direction, DirectionError, GuardState, Length, Micros, PulseLength};
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::recording::{Direction as Told, Input};
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;
use system_tests::{drain, judged_drive, one_lane, run};

fn machine(direction_input: bool) -> Machine {
    let text = DEMO_MACHINE.replace(
        "slots_per_turn = 100",
        &format!("slots_per_turn = 100\ndirection_input = {direction_input}"),
    );
    Machine::parse("machine.toml", &text).expect("the demo's")
}

/// 2 m/s for 10 s, braking to a stand at 22 m, back by 10.5 m over 7 s with a stand at
/// the end, and on again; twice.
fn scenario(seed: u64) -> Scenario {
    let mut pieces = String::new();
    for (duration, acceleration) in [
        (10.0, 0.0),
        (2.0, -1.0),
        (1.0, 0.0),
        (1.5, -1.0),
        (5.5, 0.0),
        (1.5, 1.0),
        (1.0, 0.0),
        (2.0, 1.0),
        (15.0, 0.0),
        // Straight from the way on into the way back.
        (3.0, -1.0),
        (4.0, 0.0),
        (3.0, 1.0),
        (20.0, 0.0),
    ] {
        pieces += &format!(
            "[[motion.piece]]\nduration_s = {duration:?}\nacceleration_m_s2 = {acceleration:?}\n"
        );
    }
    Scenario::parse(
        "scenario.toml",
        &format!(
            "scenario_format = 1\nname = \"to and fro\"\nseed = {seed}\nmachine = \"machine.toml\"\n\
             [motion]\nstart_speed_m_s = 2.0\nreverse = true\n{pieces}\
             [field]\ndensity_per_m2 = 2.0\nsize_mean_m = 0.08\nsize_sd_m = 0.02\n\
             size_min_m = 0.03\nsize_max_m = 0.2\n\
             [wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n\
             [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 15.0\nonce = true\n"
        ),
    )
    .expect("the scenario")
}

#[test]
fn every_plant_is_full_over_turns() {
    for seed in 1..=4 {
        let world = drive("scenario.toml", &scenario(seed), &machine(true)).expect("drives");
        let turns = world.recording.events.iter();
        let turns = turns.filter(|e| matches!(e.input, Input::Direction(_)));
        assert_eq!(turns.count(), 4);
        let report = judged_drive(&world, &machine(true));
        println!(
            "to and fro: {} plants full of {}, {} partial, start rms {:.2} largest {:.2} mm",
            report.targets.full,
            report.targets.total,
            report.targets.partial,
            report.start.rms * 1e3,
            report.start.max * 1e3
        );
        assert!(report.targets.total > 200);
        assert_eq!(
            report.targets.full, report.targets.total,
            "{:?}",
            report.reasons
        );
    }
}

#[test]
fn without_the_input_plants_are_lost_and_hindsight_refuses() {
    let mut world = drive("scenario.toml", &scenario(1), &machine(true)).expect("drives");
    let refused = Scene::in_hindsight("recording.jsonl", &machine(true), &world.recording);
    assert!(
        refused
            .err()
            .expect("refused")
            .to_string()
            .contains("goes back")
    );
    // The same world told to a controller that does not listen.
    let deaf = judged_drive(&world, &machine(false));
    assert!(
        deaf.targets.full + 20 < deaf.targets.total,
        "{:?}",
        deaf.targets
    );
    // And a machine without the input can't be asked to go back.
    assert!(drive("scenario.toml", &scenario(1), &machine(false)).is_err());
    world
        .recording
        .events
        .retain(|e| e.input != Input::Direction(Told::Reverse));
    assert!(Scene::in_hindsight("recording.jsonl", &machine(true), &world.recording).is_ok());
}

#[test]
fn nothing_opens_on_the_way_back() {
    // 1 m/s; a plant 1.5 m ahead is seen at 3.0 s, the machine turns at 3.6 s, goes back
    // for 2 s and on again: the plant is passed 4 s later than it would have been.
    let mut core = one_lane(|config, _| {
        config.wheel.pulse_length = PulseLength::from_nm(20_000_000).expect("usual");
        config.wheel.direction_input = true;
    });
    let pulses = |from: u64, count: u64| -> Vec<(u64, system_tests::Input)> {
        (0..count)
            .map(|k| (from + k * 20_000, system_tests::Input::Pulse))
            .collect()
    };
    let mut inputs = pulses(0, 181);
    let image = system_tests::Input::Image {
        captured: 3_000_000,
        seen: (0, 2000),
        plants: vec![system_tests::plant(1_500_000, 0, 100_000, 100_000)],
    };
    inputs = system_tests::with(inputs, 3_050_000, image);
    let mut commands = run(&mut core, &inputs, 3_610_000, &[]);
    core.handle_direction(Micros(3_610_000), Direction::Reverse)
        .expect("an input");
    commands.extend(run(&mut core, &pulses(3_620_000, 100), 5_610_000, &[]));
    assert_eq!(core.guard_state(), GuardState::Reversing);
    assert_eq!(core.distance().to_um(), 3_600_000 - 99 * 20_000);
    assert!(commands.is_empty(), "{commands:?}");
    core.handle_direction(Micros(5_610_000), Direction::Forward)
        .expect("an input");
    commands = run(&mut core, &pulses(5_620_000, 300), 11_000_000, &[]);
    // Centre at 4.5 m; edge 4.45 m less 50 mm of lead, 25 ms of throw and 20 ms of delay
    // at 1 m/s: told at 4.355 m. Mark 81 (1.62 m) was passed at 5.62 s.
    let opened = commands
        .iter()
        .find(|c| c.action == Action::Open)
        .expect("opened");
    assert!(
        opened.at.0.abs_diff(5_620_000 + 2_735_000) < 300,
        "{opened:?}"
    );
    assert_eq!(opened.short_by, Length::default());
    assert_eq!(core.counters().turns, 2);
    assert_eq!(core.counters().missed_late, 0);
}

#[test]
fn a_turn_closes_what_is_open() {
    let mut core = one_lane(|config, _| {
        config.wheel.direction_input = true;
        config.timing.shortest_on = controller_core::Span::from_ms(900);
    });
    let mut inputs: Vec<_> = (0..150)
        .map(|k| (k * 20_000, system_tests::Input::Pulse))
        .collect();
    let image = system_tests::Input::Image {
        captured: 2_000_000,
        seen: (0, 2000),
        plants: vec![system_tests::plant(1_500_000, 0, 2_000_000, 100_000)],
    };
    inputs = system_tests::with(inputs, 2_050_000, image);
    run(&mut core, &inputs, 2_990_000, &[]);
    assert_eq!(core.is_open(0), Some(true));
    core.handle_direction(Micros(2_990_000), Direction::Reverse)
        .expect("an input");
    let mut commands = Vec::new();
    drain(&mut core, 2_994_000, &mut commands);
    assert_eq!(core.is_open(0), Some(false), "within two periods");
    assert_eq!(core.counters().guard_closes, 1);
}

#[test]
fn directions_are_refused_with_their_reason() {
    let mut core = one_lane(|_, _| {});
    let refused = core.handle_direction(Micros(5), Direction::Reverse);
    assert_eq!(refused, Err(DirectionError::NoInput));
    let refused = core.handle_direction(Micros(4), Direction::Reverse);
    let latest = Micros(5);
    assert_eq!(refused, Err(DirectionError::TimeBackwards { latest }));
    assert_eq!(core.counters().directions_refused, 2);
    assert_eq!(core.counters().turns, 0);
}
