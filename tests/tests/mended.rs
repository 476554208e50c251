//! Faults once found in the core, each with the case that showed it: long runs, late
//! plants, standstills, and inputs that meet: turns, faults, modes, unseen ground.

use controller_core::{
    Action, BenchError, BenchRequest, Command, Config, Direction, GuardState, Length, Micros, Mode,
    OrderError, PulseLength, Span, Speed, Stretch, UnseenPolicy,
};
use host_sim::orders::Order;
use system_tests::{Input, drain, one_lane, plant, pulses, run, with};

fn image(captured: u64, plants: Vec<controller_core::Plant>) -> Input {
    Input::Image {
        captured,
        seen: (0, 2000),
        plants,
    }
}

/// A valve that has been open for longer than half the short clock still closes
/// within the stated bound when the machine stops.
#[test]
fn a_valve_open_for_36_minutes_closes_when_the_machine_stops() {
    let mut core = one_lane(|c, _| {
        c.wheel.pulse_length = PulseLength::from_nm(1_000_000_000).expect("1 m");
        c.wheel.creep_speed = Speed::from_mm_s(1000);
        c.timing.decision_period = Span::from_ms(20);
        c.timing.slack = Span::from_ms(3);
        c.timing.shortest_on = Span::from_ms(30);
        c.timing.shortest_off = Span::from_ms(30);
    });
    let mut inputs = Vec::new();
    for k in 0..3300u64 {
        let stamp = 1_000_000 + k * 666_667;
        inputs.push((stamp, Input::Pulse));
        inputs.push((
            stamp,
            image(stamp, vec![plant(6_000_000, 0, 10_000_000, 100_000)]),
        ));
    }
    let last = inputs[inputs.len() - 1].0;
    let commands = run(&mut core, &inputs, last + 3_000_000, &[]);
    assert_eq!(commands.len(), 2, "{commands:?}");
    assert_eq!(commands[1].action, Action::Close);
    assert!(commands[1].at.0 - commands[0].at.0 > 36 * 60_000_000 - 10_000_000);
    let bound = last + 1_000_000 + 20_000 + 20_500;
    assert!(
        commands[1].at.0 <= bound,
        "told to close {} s after the last pulse",
        (commands[1].at.0 - last) / 1_000_000
    );
}

/// A plant reported when the boom is past it, on a lane that sprayed something
/// further on, was never sprayed: it is late, not "grown".
#[test]
fn a_late_plant_before_the_last_sprayed_patch_is_counted() {
    let mut core = one_lane(|_, _| ());
    let inputs = pulses(|t| 2.0 * t, 0.0, 3.0, 0.02);
    let inputs = with(
        inputs,
        1_001_000,
        image(1_000_000, vec![plant(1_000_000, 0, 20_000, 20_000)]),
    );
    // At 3.4 m: a plant at 2.5 m, half a metre before the one sprayed at 3.0 m.
    let inputs = with(
        inputs,
        1_701_000,
        image(1_000_000, vec![plant(500_000, 0, 20_000, 20_000)]),
    );
    let commands = run(&mut core, &inputs, 3_000_000, &[]);
    assert_eq!(commands.len(), 2, "only the plant at 3.0 m: {commands:?}");
    let c = core.counters();
    assert_eq!(
        (c.missed_late, c.plants_refused, c.plants),
        (1, 1, 1),
        "{c:?}"
    );
}

/// A plant reported while the valve is already told to open further on: what the
/// open command can't reach any more is counted.
#[test]
fn ground_before_an_opening_already_out_is_counted() {
    let mut core = one_lane(|_, _| ());
    let inputs = pulses(|t| 2.0 * t, 0.0, 3.0, 0.02);
    let inputs = with(
        inputs,
        1_001_000,
        image(1_000_000, vec![plant(1_000_000, 0, 20_000, 20_000)]),
    );
    // The open for 2.94 m goes out at 2.85 m. At 2.858 m a plant at 2.87 m turns up:
    // the spray lands at 2.948 m at the earliest.
    let inputs = with(
        inputs,
        1_429_000,
        image(1_400_000, vec![plant(70_000, 0, 20_000, 20_000)]),
    );
    let commands = run(&mut core, &inputs, 3_000_000, &[]);
    assert_eq!(commands[0].action, Action::Open);
    let landed = 2.0 * (commands[0].at.0 as f64 / 1e6 + 0.020) + 0.05;
    assert!(landed > 2.88, "the plant at 2.87 m stayed dry: {landed} m");
    let c = core.counters();
    assert!(c.late + c.missed_late >= 1, "{c:?}");
}

/// Inching: a short move and a stop between two remembered pulses. An image taken
/// while standing belongs to where the machine stood.
#[test]
fn an_image_taken_at_a_short_stop_is_placed_where_the_machine_stood() {
    let mut core = one_lane(|_, _| ());
    let mut inputs = vec![(500_000, Input::Pulse)];
    // 0.02 m to 0.12 m at 0.5 m/s, then standing until 3.6 s.
    for k in 0..6u64 {
        inputs.push((3_000_000 + k * 40_000, Input::Pulse));
    }
    // 0.14 m, then 2 m/s.
    for k in 0..200u64 {
        inputs.push((3_620_000 + k * 10_000, Input::Pulse));
    }
    let inputs = with(
        inputs,
        3_801_000,
        image(3_300_000, vec![plant(1_000_000, 0, 20_000, 20_000)]),
    );
    let commands = run(&mut core, &inputs, 5_600_000, &[]);
    let landed = 0.14 + 2.0 * (commands[0].at.0 as f64 / 1e6 + 0.020 - 3.62) + 0.05;
    // It stood at 0.12 to 0.14 m.
    let wanted = 0.13 + 1.0 - 0.01 - 0.05;
    assert!(
        (landed - wanted).abs() < 0.015,
        "{:.1} mm off",
        (landed - wanted) * 1e3
    );
}

/// Braking to a slow walk above creep speed is not a stop.
#[test]
fn slowing_down_to_above_creep_speed_closes_nothing() {
    let mut core = one_lane(|c, _| c.wheel.creep_speed = Speed::from_mm_s(100));
    // 1 m/s to 1 s, 5 m/s² to 0.15 m/s, then on at that.
    let place = |t: f64| {
        let slow = (t - 1.0).clamp(0.0, 0.17);
        t.min(1.0) + slow - 2.5 * slow * slow + 0.15 * (t - 1.17).max(0.0)
    };
    let inputs = with(
        pulses(place, 0.0, 6.0, 0.02),
        501_000,
        image(500_000, vec![plant(3_000_000, 0, 5_800_000, 100_000)]),
    );
    let commands = run(&mut core, &inputs, 6_000_000, &[]);
    assert_eq!(core.guard_state(), GuardState::Running);
    assert_eq!(core.counters().guard_closes, 0, "{commands:?}");
    assert_eq!(commands.len(), 1, "{commands:?}");
}

/// Ground driven without sight counts as unseen however far it was.
#[test]
fn unseen_ground_beyond_the_short_wrap_is_added_up() {
    let mut core = one_lane(|c, _| {
        c.wheel.pulse_length = PulseLength::from_nm(2_000_000_000).expect("2 m");
        c.wheel.max_speed = Speed::from_mm_s(60_000);
        c.wheel.creep_speed = Speed::from_mm_s(2_000);
        c.timing.decision_period = Span::from_ms(20);
        c.timing.slack = Span::from_ms(3);
        c.timing.shortest_on = Span::from_ms(41);
        c.timing.shortest_off = Span::from_ms(41);
    });
    let mut out: Vec<Command> = Vec::new();
    let mut next = 0;
    // 150 km at 50 m/s.
    for k in 0..=75_000u64 {
        let stamp = 1_000_000 + k * 40_000;
        while next <= stamp {
            next = drain(&mut core, next.max(1), &mut out);
        }
        core.handle_pulse(Micros(stamp)).expect("accepted");
        if k == 10 || k == 75_000 {
            let image = controller_core::Image {
                detector: 0,
                captured_at: Micros(stamp),
                seen: Stretch {
                    from: Length::from_mm(0),
                    to: Length::from_mm(2000),
                },
                plants: &[],
            };
            core.handle_image(Micros(stamp), &image).expect("accepted");
        }
    }
    let m2 = core.counters().unseen_mm2 as f64 / 1e6;
    // All but the 2 m that the first image saw; the last pulses may still be to measure.
    assert!((m2 - 149_998.0).abs() < 5.0, "{m2} m²");
}

fn mode(mode: Mode) -> Input {
    Input::Order(Order::Mode {
        section: None,
        mode,
    })
}

/// Pulses of 20 mm at 1 m/s, so many from `from` on.
fn walk(from: u64, count: u64) -> Vec<(u64, Input)> {
    (0..count)
        .map(|k| (from + k * 20_000, Input::Pulse))
        .collect()
}

fn turn(core: &mut system_tests::Core, at: u64, direction: Direction) {
    core.handle_direction(Micros(at), direction)
        .expect("there is an input");
}

/// In broadcast nothing but the mode asks for spray: a nozzle called healthy again is
/// looked at without a new order.
#[test]
fn a_nozzle_healthy_again_takes_part_in_broadcast() {
    let mut core = one_lane(|_, _| ());
    let inputs = with(walk(0, 200), 1_001_000, mode(Mode::Broadcast));
    let inputs = with(inputs, 2_001_000, Input::Fault(0, true));
    let inputs = with(inputs, 3_001_000, Input::Fault(0, false));
    let commands = run(&mut core, &inputs, 3_900_000, &[]);
    let told: Vec<_> = commands.iter().map(|c| (c.action, c.at.0)).collect();
    assert_eq!(
        told,
        [
            (Action::Open, 1_002_000),
            (Action::Close, 2_002_000),
            (Action::Open, 3_002_000)
        ]
    );
}

/// A wire that tells a turn is no proof of a standstill: neither is a stop acknowledged
/// nor a valve tried while pulses came a moment ago.
#[test]
fn a_turn_while_rolling_is_no_standstill() {
    let mut core = one_lane(|c, _| c.wheel.direction_input = true);
    run(&mut core, &walk(0, 100), 1_985_000, &[]);
    let at = |us: u64| Micros(1_985_000 + us);
    core.handle_emergency_stop(at(0)).expect("in order");
    drain(&mut core, at(0).0, &mut Vec::new());
    turn(&mut core, at(1).0, Direction::Reverse);
    assert_eq!(core.acknowledge(at(2)), Err(OrderError::Moving));
    // 20 mm at 0.3 m/s after the turn.
    drain(&mut core, at(70_000).0, &mut Vec::new());
    assert_eq!(core.acknowledge(at(70_000)), Ok(()));
    run(&mut core, &walk(2_100_000, 50), 3_085_000, &[]);
    turn(&mut core, 3_085_000, Direction::Forward);
    let on = Span::from_ms(100);
    let asked = core.handle_bench(Micros(3_085_000), BenchRequest::Flush { on });
    assert_eq!(asked, Err(BenchError::Moving));
}

/// Ground seen to be clean stays clean ground when the machine goes back over it and
/// comes by again, also where unseen ground is sprayed.
#[test]
fn seen_ground_passed_twice_is_not_taken_for_unseen() {
    let mut core = one_lane(|c: &mut Config<'_>, _| {
        c.wheel.direction_input = true;
        c.modes.unseen = UnseenPolicy::Spray;
    });
    let sight = |at: u64| (at, image(at, vec![]));
    let mut inputs = walk(0, 300);
    for k in 0..12 {
        let (at, seen) = sight(k * 500_000 + 1);
        inputs = with(inputs, at, seen);
    }
    let commands = run(&mut core, &inputs, 5_985_000, &[]);
    let (opens, before) = (core.counters().commands, commands.len());
    assert!(core.is_open(0) == Some(false), "{opens} {before}");
    turn(&mut core, 5_985_000, Direction::Reverse);
    run(&mut core, &walk(6_100_000, 100), 8_090_000, &[]);
    turn(&mut core, 8_090_000, Direction::Forward);
    // Back to where it turned; all this was seen.
    let commands = run(&mut core, &walk(8_200_000, 100), 10_190_000, &[]);
    assert_eq!(commands, [], "clean ground is sprayed");
    // Beyond, two metres were seen; then unseen ground is sprayed as before.
    let commands = run(&mut core, &walk(10_200_000, 150), 13_190_000, &[]);
    assert_eq!(commands.len(), 1, "{commands:?}");
    let opened = commands[0].at.0;
    assert!((11_500_000..12_500_000).contains(&opened), "{opened}");
}

/// A patch cut by a turn goes on with an overlap of the fan's thickness, whatever else is
/// ordered for other ground.
#[test]
fn a_patch_cut_by_a_turn_overlaps_with_keep_off_ground_about() {
    let reopened = |kept_off: bool| {
        let mut core = one_lane(|c, _| {
            c.wheel.direction_input = true;
            c.patch.edge_extra = Length::from_mm(20);
        });
        let mut inputs = with(
            walk(0, 150),
            2_050_000,
            image(2_000_000, vec![plant(1_500_000, 0, 2_000_000, 100_000)]),
        );
        if kept_off {
            let order = Order::KeepOff {
                over: controller_core::Over::Boom,
                from_m: 50.0,
                to_m: 51.0,
            };
            inputs = with(inputs, 1_000_500, Input::Order(order));
        }
        run(&mut core, &inputs, 2_990_000, &[]);
        assert_eq!(core.is_open(0), Some(true));
        turn(&mut core, 2_990_000, Direction::Reverse);
        run(&mut core, &walk(3_100_000, 50), 4_090_000, &[]);
        turn(&mut core, 4_090_000, Direction::Forward);
        let commands = run(&mut core, &walk(4_200_000, 60), 5_390_000, &[]);
        assert_eq!(commands.len(), 1, "{commands:?}");
        commands[0].at
    };
    assert_eq!(reopened(true), reopened(false));
}

/// What is given up on a faulty nozzle stays given up, also where a plant of it waits for
/// its second look.
#[test]
fn a_second_look_brings_nothing_back_on_a_nozzle_that_was_faulty() {
    let mut core = one_lane(|c, _| {
        c.wheel.pulse_length = PulseLength::from_nm(400_000_000).expect("usual");
        c.wheel.creep_speed = Speed::from_mm_s(400);
    });
    // 2 m/s, then braking, so that the place moves at the second look.
    let place = |t: f64| {
        let w = (t - 4.0).clamp(0.0, 0.5);
        2.0 * t.min(4.0) + 2.0 * w - w * w + (t - 4.5).max(0.0)
    };
    let mut inputs = pulses(place, 0.1, 8.0, 0.4);
    let seen = image(4_150_000, vec![plant(1_500_000, 0, 100_000, 100_000)]);
    inputs = with(inputs, 4_155_000, seen);
    inputs = with(inputs, 4_160_000, Input::Fault(0, true));
    inputs = with(inputs, 4_165_000, Input::Fault(0, false));
    let commands = run(&mut core, &inputs, 8_000_000, &[]);
    assert_eq!(core.counters().planned_on_faulty, 1);
    assert_eq!(commands, []);
}
