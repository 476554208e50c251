//! Cases worked out by hand. Unless said otherwise: pulses of 0.02 m stamped to the
//! µs; delays to half flow 20 ms (open) and 15 ms (close); throw 25 ms; lead and
//! trail 0.050 m; thin fan; plant 0.060 m long, captured at t = 2.000 s, reported
//! 80 ms later. Grid 2 ms. A count is 1/16 mm: 12.5 µs at 5 m/s.
//!
//! The condition solved in each: x(t + delay) + throw · v(t + delay) = boundary.

use controller_core::{Action, Command, Length, Span};
use system_tests::{Core, Input, one_lane, plant, pulses, run, with};

/// A straight motion with x = 10 m and speed `v` at t = 2 s, acceleration `a`.
fn motion(v: f64, a: f64) -> impl Fn(f64) -> f64 {
    move |t| 10.0 + v * (t - 2.0) + 0.5 * a * (t - 2.0) * (t - 2.0)
}

fn image(x_um: i32, length_um: i32) -> Input {
    Input::Image {
        captured: 2_000_000,
        seen: (0, 2000),
        plants: vec![plant(x_um, 0, length_um, 40_000)],
    }
}

fn go(
    mut core: Core,
    place: impl Fn(f64) -> f64,
    from: f64,
    to: f64,
    images: Vec<(u64, Input)>,
) -> (Core, Vec<Command>) {
    let mut inputs = pulses(place, from, to, 0.02);
    for (at, image) in images {
        inputs = with(inputs, at, image);
    }
    let commands = run(&mut core, &inputs, (to * 1e6) as u64 + 500_000, &[]);
    assert_eq!(core.counters().inputs_before_poll, 0);
    assert_eq!(core.counters().overruns, 0);
    (core, commands)
}

#[track_caller]
fn expect(commands: &[Command], wanted: &[(Action, f64)], within_us: f64) {
    let got: Vec<_> = commands.iter().map(|c| (c.action, c.at.0)).collect();
    assert_eq!(got.len(), wanted.len(), "{got:?} for {wanted:?}");
    for ((action, at), (want, seconds)) in got.iter().zip(wanted) {
        assert_eq!(action, want, "{got:?}");
        let off = *at as f64 - seconds * 1e6;
        println!(
            "{want:?} wanted {:.1} µs, got {at}: {off:+.1} µs",
            seconds * 1e6
        );
        assert!(
            off.abs() <= within_us,
            "{want:?}: {off:+.1} µs, allowed {within_us}"
        );
    }
}

const COUNT_AT_5: f64 = 12.5;

/// What comes at a steady 5 m/s, which is `wanted` to within a count.
#[track_caller]
fn at_5(core: Core, images: Vec<(u64, Input)>, wanted: &[(Action, f64)]) -> Core {
    let (core, commands) = go(core, motion(5.0, 0.0), 0.0, 3.0, images);
    expect(&commands, wanted, COUNT_AT_5);
    core
}

/// Near edge 11.000 − 0.030 − 0.050 = 10.920. x(t + 0.020) + 0.025·5 = 10.920 gives
/// 10 + 5(t + 0.020 − 2) = 10.795, t = 2.139. Far edge 11.080:
/// 10 + 5(t + 0.015 − 2) = 10.955, t = 2.176.
#[test]
fn steady_speed() {
    at_5(
        one_lane(|_, _| ()),
        vec![(2_080_000, image(1_000_000, 60_000))],
        &[(Action::Open, 2.139), (Action::Close, 2.176)],
    );
}

/// v = 5 + u, x = 10 + 5u + u²/2 with u = t + delay − 2. Open:
/// u²/2 + 5.025 u − 0.795 = 0, u = 0.155794, t = 2.135794. Close:
/// u²/2 + 5.025 u − 0.955 = 0, u = 0.186586, t = 2.171586.
#[test]
fn speeding_up() {
    let (_, c) = go(
        one_lane(|_, _| ()),
        motion(5.0, 1.0),
        0.5,
        3.0,
        vec![(2_080_000, image(1_000_000, 60_000))],
    );
    expect(
        &c,
        &[(Action::Open, 2.135_794), (Action::Close, 2.171_586)],
        2.0 * COUNT_AT_5,
    );
}

/// a = −2: x + 0.025 v = 10.125 + (5 − 0.05) u − u². Open: u² − 4.95 u + 0.795 = 0,
/// u = (4.95 − √(24.5025 − 3.18))/2 = 0.166181, t = 2.146181. Close:
/// u² − 4.95 u + 0.955 = 0, u = (4.95 − √(24.5025 − 3.82))/2 = 0.201100, t = 2.186100.
#[test]
fn braking() {
    let (_, c) = go(
        one_lane(|_, _| ()),
        motion(5.0, -2.0),
        0.5,
        3.0,
        vec![(2_080_000, image(1_000_000, 60_000))],
    );
    expect(
        &c,
        &[(Action::Open, 2.146_181), (Action::Close, 2.186_100)],
        2.0 * COUNT_AT_5,
    );
}

/// Half a metre a second: 10 + 0.5 u + 0.0125 = 10.920 gives u = 1.815, t = 3.795;
/// far edge 11.080: u = 2.135, t = 4.120. A count lasts 125 µs here.
#[test]
fn slow() {
    let (_, c) = go(
        one_lane(|_, _| ()),
        motion(0.5, 0.0),
        0.0,
        5.0,
        vec![(2_080_000, image(1_000_000, 60_000))],
    );
    expect(&c, &[(Action::Open, 3.795), (Action::Close, 4.120)], 125.0);
}

/// A fan 0.1 m thick adds 0.050 m at both ends: boundaries 10.870 and 11.130, so 10 ms
/// earlier and later than thin: 2.129 and 2.186.
#[test]
fn thick_fan() {
    let core = one_lane(|c, _| c.patch.edge_extra = Length::from_mm(50));
    at_5(
        core,
        vec![(2_080_000, image(1_000_000, 60_000))],
        &[(Action::Open, 2.129), (Action::Close, 2.186)],
    );
}

/// 8 ms of rise and 4 ms of fall to half flow, margins of 5 ms and 3 ms of travel:
/// open 13 ms earlier, close 7 ms later, at any speed. Under +1 m/s² with
/// θ = 0.038: u²/2 + 5.038 u + 0.19 − 0.92 = 0, u = 0.142873, t = 2.122873. Close with
/// θ = 0.018: u²/2 + 5.018 u + 0.09 − 1.08 = 0, u = 0.193565, t = 2.178565.
#[test]
fn margins_in_time_act_at_the_true_speed() {
    let times = |c: &mut controller_core::Config<'_>| {
        c.patch.open_extra_time = Span::from_ms(8);
        c.patch.close_extra_time = Span::from_ms(4);
        c.patch.lead_time = Span::from_ms(5);
        c.patch.trail_time = Span::from_ms(3);
    };
    let images = || vec![(2_080_000, image(1_000_000, 60_000))];
    at_5(
        one_lane(|c, _| times(c)),
        images(),
        &[(Action::Open, 2.126), (Action::Close, 2.183)],
    );
    let (_, c) = go(
        one_lane(|c, _| times(c)),
        motion(5.0, 1.0),
        0.5,
        3.0,
        images(),
    );
    expect(
        &c,
        &[(Action::Open, 2.122_873), (Action::Close, 2.178_565)],
        2.0 * COUNT_AT_5,
    );
}

/// A plant of 1 mm without margins would be closed 0.2 ms + 5 ms after its opening:
/// x(t + 0.020) = 10.8745 → t = 2.1549; close x(t + 0.015) = 10.8755 → 2.1601. The
/// shortest on-time of 30 ms holds it to 2.1849.
#[test]
fn shortest_on_time() {
    let core = one_lane(|c, _| {
        c.patch.lead = Length::from_mm(0);
        c.patch.trail = Length::from_mm(0);
        c.timing.shortest_on = Span::from_ms(30);
    });
    at_5(
        core,
        vec![(2_080_000, image(1_000_000, 1000))],
        &[(Action::Open, 2.1549), (Action::Close, 2.1849)],
    );
}

/// Two plants 0.10 m apart: patches 10.92..11.08 and 11.02..11.18 overlap. One opening at
/// 2.139, one closing at the second's far edge, 20 ms after the first's: 2.196.
#[test]
fn overlapping_patches_merge() {
    let images = vec![
        (2_080_000, image(1_000_000, 60_000)),
        (2_081_000, image(1_100_000, 60_000)),
    ];
    let core = at_5(
        one_lane(|_, _| ()),
        images,
        &[(Action::Open, 2.139), (Action::Close, 2.196)],
    );
    assert_eq!(core.counters().patches_merged, 1);
}

/// Plants 0.20 m apart leave a gap of 0.04 m = 8 ms of ground, and the valve is told
/// closed for 8 − 5 = 3 ms only, below the 10 ms it needs: it stays open, until 2.216.
/// 0.30 m apart the gap is 28 − 5 = 23 ms: it closes at 2.176 and opens at 2.199.
#[test]
fn gaps_too_short_for_the_valve_are_bridged() {
    let pair = |x| {
        vec![
            (2_080_000, image(1_000_000, 60_000)),
            (2_081_000, image(x, 60_000)),
        ]
    };
    let core = at_5(
        one_lane(|_, _| ()),
        pair(1_200_000),
        &[(Action::Open, 2.139), (Action::Close, 2.216)],
    );
    assert_eq!(core.counters().gaps_bridged, 1);
    let core = at_5(
        one_lane(|_, _| ()),
        pair(1_300_000),
        &[
            (Action::Open, 2.139),
            (Action::Close, 2.176),
            (Action::Open, 2.199),
            (Action::Close, 2.236),
        ],
    );
    assert_eq!(core.counters().gaps_bridged, 0);
}

/// The message comes at 2.150, 11 ms after the opening was due: at the next decision
/// instant, 2.152, it is 13 ms late, and 65 mm of the patch are out of reach.
#[test]
fn late_message_opens_at_once_and_says_what_is_short() {
    let (core, c) = go(
        one_lane(|_, _| ()),
        motion(5.0, 0.0),
        0.0,
        3.0,
        vec![(2_150_000, image(1_000_000, 60_000))],
    );
    expect(
        &c,
        &[(Action::Open, 2.152), (Action::Close, 2.176)],
        COUNT_AT_5,
    );
    assert!(
        (c[0].short_by.to_um() - 65_000).abs() <= 125,
        "{} µm",
        c[0].short_by.to_um()
    );
    assert_eq!(core.counters().late, 1);
    assert_eq!(core.counters().late_mm, 65);
}

/// At 2.190 spray told now would land at 10.95 + 0.1 + 0.125 = 11.175, behind the patch:
/// nothing opens, and it is counted.
#[test]
fn message_after_the_plant_is_counted_as_missed() {
    let (core, c) = go(
        one_lane(|_, _| ()),
        motion(5.0, 0.0),
        0.0,
        3.0,
        vec![(2_190_000, image(1_000_000, 60_000))],
    );
    expect(&c, &[], 0.0);
    assert_eq!(core.counters().missed_late, 1);
    assert_eq!(core.counters().late_mm, 160);
}

/// Braking at 5 m/s² from 5 m/s the machine stands after 2.5 m at x = 12.5, t = 3.000.
/// A plant at 12.70 (patch from 12.62) is never reached: nothing opens.
#[test]
fn stop_in_front_of_a_plant() {
    let stopping = |t: f64| {
        if t < 2.0 {
            10.0 + 5.0 * (t - 2.0)
        } else {
            let u = (t - 2.0).min(1.0);
            10.0 + 5.0 * u - 2.5 * u * u
        }
    };
    let (core, c) = go(
        one_lane(|_, _| ()),
        stopping,
        0.0,
        6.0,
        vec![(2_080_000, image(2_700_000, 60_000))],
    );
    expect(&c, &[], 0.0);
    assert_eq!(core.planned(0), Some(1), "the plant is still wanted");
    assert_eq!(core.guard_state(), controller_core::GuardState::Stopped);
}

/// The same stop over a plant at 12.42..12.98: patch 12.37..13.03. It opens where
/// 10 + 5u − 2.5u² + 0.025(5 − 5u) = 12.37: 2.5u² − 4.875u + 2.245 = 0, u = 0.746180,
/// so t = 2.726180 for the 20 ms delay. It is closed by the guard, not later than
/// one pulse over creep speed plus a grid step after the last pulse, and reopens on
/// setting off again, for the rest of the patch.
#[test]
fn stop_over_a_plant() {
    let place = |t: f64| {
        if t < 2.0 {
            return 10.0 + 5.0 * (t - 2.0);
        }
        if t < 6.0 {
            let u = (t - 2.0).min(1.0);
            return 10.0 + 5.0 * u - 2.5 * u * u;
        }
        12.5 + 0.5 * (t - 6.0) * (t - 6.0)
    };
    let (core, c) = go(
        one_lane(|_, _| ()),
        place,
        0.0,
        8.0,
        vec![(2_080_000, image(2_700_000, 560_000))],
    );
    assert_eq!(
        c.iter().map(|c| c.action).collect::<Vec<_>>(),
        [Action::Open, Action::Close, Action::Open, Action::Close]
    );
    expect(&c[..1], &[(Action::Open, 2.726_180)], 1000.0);
    // Last pulse at x = 12.48: 2.5 (1 − u)² = 0.02, u = 0.910557. Creep 0.3 m/s: 66.7 ms.
    let closed = c[1].at.0 as f64 / 1e6;
    assert!(
        closed < 2.910_557 + 0.020 / 0.3 + 0.002,
        "closed at {closed}"
    );
    assert_eq!(core.counters().guard_closes, 1);
    assert!(c[2].at.0 > 6_000_000);
}

/// A nozzle 0.5 m behind the reference point reaches everything 100 ms later.
#[test]
fn nozzle_behind_the_reference_point() {
    let core = one_lane(|_, n| n.x = Length::from_mm(-500));
    at_5(
        core,
        vec![(2_080_000, image(1_000_000, 60_000))],
        &[(Action::Open, 2.239), (Action::Close, 2.276)],
    );
}

/// The plant is placed where it was at capture: half the age, same commands.
#[test]
fn the_age_of_a_message_does_not_matter() {
    for arrives in [2_000_000, 2_040_000, 2_130_000] {
        let (_, c) = go(
            one_lane(|_, _| ()),
            motion(5.0, 0.0),
            0.0,
            3.0,
            vec![(arrives, image(1_000_000, 60_000))],
        );
        expect(
            &c,
            &[(Action::Open, 2.139), (Action::Close, 2.176)],
            COUNT_AT_5,
        );
    }
}
