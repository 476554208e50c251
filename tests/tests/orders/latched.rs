//! What stays closed until a person says so, and the bench state.

use super::*;

/// An emergency stop closes at its own stamp and holds until acknowledged at standstill.
#[test]
fn an_emergency_stop_closes_at_once_and_stays() {
    let mut core = one_lane(plain);
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (1_234_567, Input::Order(Order::EmergencyStop)),
        // Refused: the machine moves.
        (2_000_000, Input::Order(Order::Acknowledge)),
    ];
    let commands = drive(&mut core, &inputs);
    assert_eq!(commands.len(), 2, "{commands:?}");
    assert_eq!(commands[1].at.0, 1_234_567);
    assert_eq!(core.guard_state(), GuardState::EmergencyStop);
    assert_eq!(core.counters().orders_refused, 1);
    // Standing at 6 s: released, and nothing opens before it moves.
    assert_eq!(core.acknowledge(Micros(6_000_000)), Ok(()));
    let mut out = Vec::new();
    drain(&mut core, 6_900_000, &mut out);
    assert!(out.is_empty(), "{out:?}");
    assert_eq!(core.guard_state(), GuardState::Stopped);
    for k in 0..40u64 {
        let stamp = 7_000_000 + k * 10_000;
        while drain(&mut core, stamp, &mut out) <= stamp {}
        core.handle_pulse(Micros(stamp)).expect("accepted");
    }
    assert_eq!(out.first().map(|c| c.action), Some(Open));
}

/// Supply low is latched, and not released while it lasts.
#[test]
fn low_supply_holds_until_it_is_sound_and_acknowledged() {
    let mut core = one_lane(plain);
    let supply = |ok| Input::Order(Order::Supply { ok });
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (1_111_111, supply(false)),
        (1_200_000, supply(true)),
        (1_300_000, supply(false)),
    ];
    let commands = drive(&mut core, &inputs);
    assert_eq!(commands.len(), 2, "{commands:?}");
    assert_eq!(commands[1].at.0, 1_111_111);
    assert_eq!(core.counters().supply_lows, 1);
    assert_eq!(
        core.acknowledge(Micros(6_000_000)),
        Err(OrderError::SupplyLow)
    );
    core.handle_supply(Micros(6_100_000), true).expect("taken");
    assert_eq!(core.acknowledge(Micros(6_200_000)), Ok(()));
    assert_eq!(core.guard_state(), GuardState::Stopped);
}

/// Where the machine description asks for it nothing opens before a person has said so.
#[test]
fn closed_until_acknowledged_after_the_start() {
    let mut core = one_lane(|c, _| c.modes.acknowledge_at_start = true);
    assert_eq!(core.guard_state(), GuardState::Unacknowledged);
    let mut second = core.clone();
    let broadcast = [(500_500, mode(Mode::Broadcast))];
    assert!(drive(&mut core, &broadcast).is_empty());
    assert_eq!(second.acknowledge(Micros(0)), Ok(()));
    assert_eq!(drive(&mut second, &broadcast).len(), 2);
}

/// A click at rest: opened on the next instant, closed after its time; the first pulse ends
/// what runs at the pulse's own stamp.
#[test]
fn the_bench_state_clicks_and_ends_on_the_first_pulse() {
    let mut core = one_lane(plain);
    let mut out = Vec::new();
    let poll_to = |core: &mut Core, until: u64, out: &mut Vec<Command>| {
        let mut next = drain(core, 1, out);
        while next <= until {
            next = drain(core, next, out);
        }
        drain(core, until, out);
    };
    poll_to(&mut core, 100_500, &mut out);
    let on = Span::from_ms(60);
    let click = BenchRequest::Click { nozzle: 0, on };
    core.handle_bench(Micros(100_500), click).expect("standing");
    for until in [150_000, 200_000] {
        let mut next = drain(&mut core, until - 49_500, &mut out);
        while next <= until {
            next = drain(&mut core, next, &mut out);
        }
        drain(&mut core, until, &mut out);
    }
    let got: Vec<_> = out.iter().map(|c| (c.action, c.at.0)).collect();
    assert_eq!(got, [(Open, 102_000), (Close, 162_000)]);
    assert_eq!(core.guard_state(), GuardState::NeverMoved);

    out.clear();
    core.handle_bench(
        Micros(200_100),
        BenchRequest::Flush {
            on: Span::from_ms(400),
        },
    )
    .expect("standing");
    let mut next = drain(&mut core, 200_100, &mut out);
    while next <= 250_000 {
        next = drain(&mut core, next, &mut out);
    }
    core.handle_pulse(Micros(250_123)).expect("accepted");
    drain(&mut core, 250_123, &mut out);
    let got: Vec<_> = out.iter().map(|c| (c.action, c.at.0)).collect();
    assert_eq!(got, [(Open, 202_000), (Close, 250_123)]);
    let c = core.counters();
    assert_eq!((c.bench_runs, c.bench_cut, c.bench_opens), (2, 1, 2));
    assert_eq!(core.planned(0), Some(0));
}
