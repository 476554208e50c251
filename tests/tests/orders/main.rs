//! What the operator orders, in cases worked out by hand and in properties.
//!
//! By hand: 2 m/s, so x = 2t; pulses of 0.02 m stamped to the µs; 20 ms to half flow at
//! opening and 15 ms at closing; throw 25 ms, so spray that leaves at t lands at
//! 2t + 0.05 m; lead and trail 0.05 m; thin fan, no rise; shortest on 20 ms, off 10 ms; grid
//! 2 ms. Keep-off ground is widened by 20 mm and two counts: 0.020125 m.

mod latched;
mod properties;
mod unseen;
mod within;

use controller_core::{
    Action, Along, BenchRequest, Command, Config, DetectorConfig, Distance, GuardState, Image,
    Length, Micros, Mode, NozzleConfig, OrderError, Over, Poll, PulseLength, Span, Stretch,
    UnseenPolicy,
};
use host_sim::orders::Order;
use proptest::prelude::*;
use system_tests::{Core, Input, drain, one_lane, plant, pulses, run, with};

/// 10 m at 2 m/s, and the inputs given.
fn drive(core: &mut Core, more: &[(u64, Input)]) -> Vec<Command> {
    let mut inputs = pulses(|t| 2.0 * t, 0.0, 5.0, 0.02);
    for (at, input) in more {
        inputs = with(inputs, *at, input.clone());
    }
    let commands = run(core, &inputs, 6_000_000, &[]);
    assert_eq!(core.counters().inputs_before_poll, 0);
    commands
}

fn mode(mode: Mode) -> Input {
    Input::Order(Order::Mode {
        section: None,
        mode,
    })
}

/// Keep-off ground ahead of the boom, m.
fn keep_off(from_m: f64, to_m: f64) -> Input {
    Input::Order(Order::KeepOff {
        over: Over::Boom,
        from_m,
        to_m,
    })
}

/// A sight of `from` to `to` m ahead, with plants of 0.1 m at the given m ahead.
fn sight(captured: u64, from: f64, to: f64, plants: &[f64]) -> Input {
    Input::Image {
        captured,
        seen: ((from * 1e3) as i32, (to * 1e3) as i32),
        plants: plants
            .iter()
            .map(|x| plant((x * 1e6) as i32, 0, 100_000, 40_000))
            .collect(),
    }
}

fn plain(_: &mut Config<'_>, _: &mut NozzleConfig) {}

#[track_caller]
fn expect(commands: &[Command], wanted: &[(Action, f64)]) {
    let got: Vec<_> = commands.iter().map(|c| (c.action, c.at.0)).collect();
    assert_eq!(got.len(), wanted.len(), "{got:?} for {wanted:?}");
    for ((action, at), (want, seconds)) in got.iter().zip(wanted) {
        assert_eq!(action, want, "{got:?}");
        // A count of 1/16 mm is 31 µs at 2 m/s.
        let off = *at as f64 - seconds * 1e6;
        assert!(off.abs() <= 40.0, "{want:?} wanted at {seconds}: {got:?}");
    }
}

use Action::{Close, Open};

/// An order is seen by the next decision instant.
#[test]
fn broadcast_opens_and_off_closes_at_the_next_instant() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_500, mode(Mode::Broadcast)),
        (2_000_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    expect(&commands, &[(Open, 1.002), (Close, 2.002)]);
    assert_eq!(core.counters().mode_changes, 2);
    assert_eq!(core.counters().order_closes, 1);
}

/// Shortest on-time before mode: 4 ms of broadcast last 20 ms.
#[test]
fn a_mode_does_not_break_the_shortest_on_time() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_500, mode(Mode::Broadcast)),
        (1_004_500, mode(Mode::Off)),
    ];
    expect(&drive(&mut core, &inputs), &[(Open, 1.002), (Close, 1.022)]);
}

/// Lines at 3.0 and 3.5 m. Last drop: 2 (T + 0.015) + 0.05 = 3 − 0.020125; first drop:
/// 2 (T + 0.020) + 0.05 = 3.5 + 0.020125.
#[test]
fn broadcast_keeps_a_line() {
    let mut core = one_lane(plain);
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (1_000_000, keep_off(1.0, 1.5)),
        (4_000_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    let (close, open) = (1.449_937_5, 1.715_062_5);
    expect(
        &commands,
        &[(Open, 0.502), (Close, close), (Open, open), (Close, 4.002)],
    );
    assert_eq!(core.counters().keep_off_crossed, 0);
}

/// Keep-off before shortest on-time: the order comes while open, over the line already.
#[test]
fn keep_off_breaks_the_shortest_on_time_and_a_crossing_is_counted() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_500, mode(Mode::Broadcast)),
        // Opened at 1.002 s; the machine is at 2.011 m.
        (1_005_500, keep_off(-0.1, 1.0)),
        (1_100_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    expect(&commands, &[(Open, 1.002), (Close, 1.006)]);
    assert_eq!(core.counters().keep_off_crossed, 1);
}

/// The same lines told as places on the counted distance.
#[test]
fn lines_may_be_places_on_the_counted_distance() {
    let mut core = one_lane(plain);
    let along = Along::Ground {
        from: Distance(3000 * 16),
        to: Distance(3500 * 16),
    };
    core.handle_keep_off(Micros(0), Over::Boom, along)
        .expect("taken");
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (4_000_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    // Pulses begin at 0 m, so distance and place agree.
    let (close, open) = (1.449_937_5, 1.715_062_5);
    expect(
        &commands,
        &[(Open, 0.502), (Close, close), (Open, open), (Close, 4.002)],
    );
    let far = Along::Ground {
        from: Distance(0),
        to: Distance(10_011_000 * 16),
    };
    let refuse =
        |core: &mut Core, over, along| core.handle_keep_off(Micros(6_000_000), over, along);
    assert_eq!(refuse(&mut core, Over::Boom, far), Err(OrderError::TooFar));
    assert_eq!(
        refuse(&mut core, Over::Boom, along),
        Err(OrderError::Behind)
    );
    let ahead = |from: i32, to: i32| Along::Ahead {
        from: Length::from_mm(from),
        to: Length::from_mm(to),
    };
    assert_eq!(
        refuse(&mut core, Over::Boom, ahead(2, 2)),
        Err(OrderError::Backwards)
    );
    let wrong = [
        (Over::Section(1), OrderError::UnknownSection { section: 1 }),
        (
            Over::Nozzles { first: 0, count: 2 },
            OrderError::UnknownNozzles { first: 0, count: 2 },
        ),
    ];
    for (over, why) in wrong {
        assert_eq!(refuse(&mut core, over, ahead(1, 2)), Err(why));
    }
    assert_eq!(core.counters().orders_refused, 5);
}

/// Shortest off-time before spray: after a line of 10.25 mm, as it is widened by rounding
/// alone, the valve would have to open 0.1 ms after it closed.
#[test]
fn the_shortest_off_time_holds_behind_a_line() {
    let mut core = one_lane(|c, _| c.modes.keep_off_margin = Length::from_mm(0));
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (1_000_000, keep_off(1.0, 1.01)),
        (4_000_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    // 2 (T + 0.015) + 0.05 = 3 − 0.000125, and 10 ms later.
    let close = (3.0 - 0.000_125 - 0.05) / 2.0 - 0.015;
    expect(
        &commands,
        &[
            (Open, 0.502),
            (Close, close),
            (Open, close + 0.010),
            (Close, 4.002),
        ],
    );
    // 9.875 ms at 2 m/s.
    assert_eq!((core.counters().late, core.counters().late_mm), (1, 20));
}

/// Stop before keep-off, shortest on-time and spray: 8 ms after it opened.
#[test]
fn a_stop_breaks_the_shortest_on_time() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_500, mode(Mode::Broadcast)),
        (1_010_007, Input::Order(Order::EmergencyStop)),
        (1_020_000, keep_off(1.0, 2.0)),
        (1_030_000, sight(1_000_000, 0.0, 2.0, &[1.0])),
    ];
    let commands = drive(&mut core, &inputs);
    expect(&commands, &[(Open, 1.002), (Close, 1.010_007)]);
}

/// A patch that begins at 3.522 m, right behind a line, with a rise of 4 ms. The first drop comes
/// 2 ms before half flow and may not fall before the widened line at 3.520125 m:
/// 2 (T + 0.020 − 0.002) + 0.05 = 3.520125.
#[test]
fn no_drop_falls_before_a_line_that_a_patch_begins_behind() {
    let mut core = one_lane(|c, _| c.patch.open_extra_time = Span::from_ms(2));
    let long = Input::Image {
        captured: 1_000_000,
        seen: (0, 3000),
        // Patch from 3.522 m on, 0.4 m long.
        plants: vec![plant(1_722_000, 0, 300_000, 40_000)],
    };
    let inputs = [(1_000_000, long), (1_010_000, keep_off(0.98, 1.48))];
    let commands = drive(&mut core, &inputs);
    let open = (3.520_125 - 0.05) / 2.0 - 0.018;
    let close = (3.922 - 0.05) / 2.0 - 0.015;
    expect(&commands, &[(Open, open), (Close, close)]);
    // Half flow at 3.524125 m, wanted at 3.522 − 0.004 m: 6.125 mm short, and said so.
    assert_eq!((core.counters().late, core.counters().late_mm), (1, 6));
}

/// The plant at 3.0 to 3.1 m wants 2.95 to 3.15 m. After the shortest on-time of 20 ms the
/// last drop is at 2.95 + 2 · (0.020 + 0.015 − 0.020) = 2.98 m: beyond a line at 2.995 m
/// less 0.020125, but not beyond one at 3.015 m.
#[test]
fn what_would_cross_a_line_at_its_shortest_is_withheld() {
    let run = |line: f64| {
        let mut core = one_lane(plain);
        let inputs = [
            (1_000_000, sight(1_000_000, 0.0, 2.0, &[1.05])),
            (1_000_000, keep_off(line - 2.0, line - 1.0)),
        ];
        let commands = drive(&mut core, &inputs);
        (commands, *core.counters())
    };
    let (commands, counters) = run(2.995);
    assert!(commands.is_empty(), "{commands:?}");
    assert_eq!((counters.withheld, counters.withheld_mm), (1, 200));
    assert_eq!(counters.late + counters.missed_late, 0);
    let (commands, counters) = run(3.015);
    // 2 (T + 0.020) + 0.05 = 2.95 and 2 (T + 0.015) + 0.05 = 3.015 − 0.020125. The rest of
    // the patch lies behind the line and goes with it.
    expect(&commands, &[(Open, 1.43), (Close, 1.457_437_5)]);
    // From the widened line at 2.994875 m to 3.15 m.
    assert_eq!((counters.withheld, counters.withheld_mm), (1, 155));
    assert_eq!(counters.keep_off_crossed, 0);
}

/// Keep-off ground is never stored into the plan: a plant that reaches over it is sprayed on
/// both sides.
#[test]
fn a_plant_over_a_line_is_sprayed_on_both_sides() {
    let mut core = one_lane(plain);
    let long = Input::Image {
        captured: 1_000_000,
        seen: (0, 3000),
        plants: vec![plant(2_000_000, 0, 1_000_000, 40_000)],
    };
    // Plant 3.5 to 4.5 m, patch 3.45 to 4.55 m; keep-off 3.9 to 4.1 m.
    let inputs = [(1_000_000, long), (1_010_000, keep_off(1.88, 2.08))];
    let commands = drive(&mut core, &inputs);
    let wanted = [
        (Open, (3.45 - 0.05) / 2.0 - 0.020),
        (Close, (3.9 - 0.020_125 - 0.05) / 2.0 - 0.015),
        (Open, (4.1 + 0.020_125 - 0.05) / 2.0 - 0.020),
        (Close, (4.55 - 0.05) / 2.0 - 0.015),
    ];
    expect(&commands, &wanted);
    assert_eq!(core.counters().late, 0);
}

/// Plants at 3 and 6 m, seen at once; off while the first passes.
#[test]
fn what_is_planned_ahead_outlasts_off() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_000, sight(1_000_000, 0.0, 5.0, &[1.0, 4.0])),
        (1_100_000, mode(Mode::Off)),
        (2_500_000, mode(Mode::Spot)),
    ];
    let commands = drive(&mut core, &inputs);
    // 6 ± 0.05 ± 0.05 m.
    let wanted = [
        (Open, (5.9 - 0.05) / 2.0 - 0.020),
        (Close, (6.1 - 0.05) / 2.0 - 0.015),
    ];
    expect(&commands, &wanted);
    let c = core.counters();
    assert_eq!((c.withheld, c.withheld_mm, c.missed_late), (1, 200, 0));
}

/// The same through broadcast: the plant in it is sprayed with the rest, the other as ever.
#[test]
fn what_is_planned_ahead_outlasts_broadcast() {
    let mut core = one_lane(plain);
    let inputs = [
        (1_000_000, sight(1_000_000, 0.0, 5.0, &[1.0, 4.0])),
        (1_100_500, mode(Mode::Broadcast)),
        (2_500_500, mode(Mode::Spot)),
        // Both are seen again: sprayed already, and planned already.
        (2_600_000, sight(1_000_000, 0.0, 5.0, &[1.0, 4.0])),
    ];
    let commands = drive(&mut core, &inputs);
    let wanted = [
        (Open, 1.102),
        (Close, 2.502),
        (Open, (5.9 - 0.05) / 2.0 - 0.020),
        (Close, (6.1 - 0.05) / 2.0 - 0.015),
    ];
    expect(&commands, &wanted);
    let c = core.counters();
    assert_eq!(
        (c.withheld, c.missed_late, c.late, c.late_closes),
        (0, 0, 0, 0)
    );
}
