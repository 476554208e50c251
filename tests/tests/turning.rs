//! Curves: each nozzle's own distance, and plants that come to the boom further out or in.

use controller_core::*;
use host_sim::orders::Order;
use proptest::prelude::*;
use system_tests::arc::{Comb, Errors, Path, arc, rms};
use system_tests::{Core, Input, drain, plant, run};

const DEGREE: f64 = core::f64::consts::PI / 180.0;

fn tip(at: f64, source: Option<YawSource>) -> Comb {
    Comb {
        at,
        lane: 0.0125,
        behind: 2.0,
        wheel: 0.0,
        source,
    }
}

/// Five drives round an arc with noise and bias of the yaw rate, all plants together.
fn drives(comb: &Comb, speed: f64, radius: f64, noise: f64, bias: f64) -> Errors {
    // An inner tip takes its time from image to spray: no two plants at once.
    let every = if comb.at < 0.0 { 6.0 } else { 1.3 };
    let path = arc(speed, radius, 17.0 + 22.0 * every);
    let mut all: Option<Errors> = None;
    for seed in 1..=5 {
        let sensors = [
            path.wheel(comb.wheel, 0.02, &Input::Pulse),
            path.yaw(0.02, noise * DEGREE, bias * DEGREE, seed),
        ];
        let one = comb.errors(&path, &sensors, 17.0, every, 0.5);
        match &mut all {
            None => all = Some(one),
            Some(all) => {
                all.along.extend(one.along);
                all.across.extend(one.across);
                all.took.extend(one.took);
                all.missed += one.missed;
            }
        }
    }
    all.expect("five drives")
}

/// What noise alone does along travel at a place so far from the wheel, m RMS, to a controller that
/// adds up readings without a guess of how the driver steers: what 50 readings a second with
/// 0.2 °/s of noise add up to in the times from images to spray, `σ·√(T·20 ms)`, and beside it
/// what is left of a bias taken from the 384 readings at rest that can teach it, `σ·T/√384`.
fn floor(aside: f64, took: &[f64]) -> f64 {
    let noise = 0.2 * DEGREE;
    let squares = took.iter().map(|t| {
        let walk = noise * noise * t * 0.02;
        walk + (noise * t).powi(2) / 384.0
    });
    aside * (squares.sum::<f64>() / took.len() as f64).sqrt()
}

fn mm(values: &[f64]) -> f64 {
    1e3 * rms(values)
}

/// The figure: at the tips of a 24 m boom at most 15 mm RMS along and 20 mm across, with
/// 0.2 °/s of noise and 0.1 °/s of bias, which is learned at rest. Printed beside it what
/// comes of no compensation.
#[test]
fn tips_on_arcs_are_met() {
    println!("radius  speed  tip    along  across   uncompensated: along  across, RMS mm");
    for (radius, speed) in [(15.0, 3.0), (30.0, 4.0), (60.0, 5.0)] {
        for (name, at) in [("outer", 12.0), ("inner", -12.0)] {
            let told = drives(&tip(at, Some(YawSource::Rate)), speed, radius, 0.2, 0.1);
            let blind = drives(&tip(at, None), speed, radius, 0.2, 0.1);
            let (along, across) = (mm(&told.along), mm(&told.across));
            let floor = 1e3 * floor(at.abs(), &told.took);
            println!(
                "{radius:4} m {speed:4} m/s  {name}  {along:5.1} (of noise alone {floor:.1})  {across:5.1}   {:5.0}  {:5.0}, {} of {} not sprayed at all",
                mm(&blind.along),
                mm(&blind.across),
                blind.missed,
                blind.missed + blind.along.len(),
            );
            assert_eq!(told.missed, 0, "{name} tip at {radius} m");
            assert!(told.along.len() >= 50, "{} plants", told.along.len());
            // At 15 m the inner tip creeps at 0.6 m/s round a circle of 3 m and comes by a plant
            // 4 s after its image: noise alone makes 15 mm of that. Of five drives an RMS is
            // known to a fifth, for the bias is one number a drive.
            let most = 15.0_f64.max(1.2 * floor);
            assert!(along <= most, "{along} mm along, {name} tip at {radius} m");
            assert!(
                across <= 20.0,
                "{across} mm across, {name} tip at {radius} m"
            );
        }
    }
}

/// Two wheels 2 m apart, one of them 2 m off the middle.
#[test]
fn two_wheels_tell_the_curve_too() {
    let source = YawSource::SecondWheel {
        pulse_length: PulseLength::from_nm(20_000_000).expect("usual"),
        y: Length::from_mm(2000),
    };
    for (radius, speed) in [(15.0, 3.0), (-30.0, 4.0)] {
        let comb = tip(12.0, Some(source));
        let path = arc(speed, radius, 45.0);
        let sensors = [
            path.wheel(0.0, 0.02, &Input::Pulse),
            path.wheel(2.0, 0.02, &Input::Second),
        ];
        let one = comb.errors(&path, &sensors, 17.0, 1.3, 0.5);
        println!(
            "two wheels, {radius} m: {:.1} mm along, {:.1} mm across",
            mm(&one.along),
            mm(&one.across)
        );
        assert_eq!((one.missed, one.yaw.refused), (0, 0));
        assert!(mm(&one.along) <= 5.0 && mm(&one.across) <= 10.0);
    }
}

/// What a steady curve is taken for in an S: κ swings between ±1/30 m over 24 m.
#[test]
fn a_changing_curve_costs_what_the_docs_say() {
    let speed = 4.0;
    let v = move |t: f64| (t - 3.0_f64).clamp(0.0, speed);
    let path = Path::drive(40.0, v, |t| {
        (core::f64::consts::TAU * (t - 3.0) * speed / 24.0).sin() / 30.0
    });
    let comb = tip(12.0, Some(YawSource::Rate));
    let sensors = [
        path.wheel(0.0, 0.02, &Input::Pulse),
        path.yaw(0.02, 0.2 * DEGREE, 0.1 * DEGREE, 3),
    ];
    let told = comb.errors(&path, &sensors, 12.0, 1.3, 0.5);
    let blind = tip(12.0, None).errors(&path, &sensors, 12.0, 1.3, 0.5);
    println!(
        "in an S: {:.1} mm along, {:.1} mm across; uncompensated {:.0}, {:.0}",
        mm(&told.along),
        mm(&told.across),
        mm(&blind.along),
        mm(&blind.across),
    );
    // Held to the curve of its image a plant is 35 mm RMS aside, ½·0.026·2.5² = 80 mm at the worst.
    // Aimed at anew on the way it is off by what the curve changes in the last look-back, and by
    // half a lane of 12.5 mm.
    assert!(told.yaw.moved > 0);
    assert!(mm(&told.across) < 12.0);
    assert!(told.across.iter().all(|e| e.abs() < 0.035));
    assert!(mm(&told.along) < 0.5 * mm(&blind.along).max(1.0));
}

/// Worked on paper. Left turn of 10 m at 2 m/s, boom on the axle. The nozzle 5 m to the right
/// goes 3 m/s on a circle of 15 m. A plant on that circle, 0.2 rad on, is at the capture
/// 15·sin 0.2 = 2.980 m ahead and 15·cos 0.2 − 10 = 4.701 m right: in the lane of the nozzle at
/// 4.5 m, but the nozzle at 5 m comes by. Its own way is 3 m; less lead 50 mm and throw
/// 3·25 ms it is at 2.875 m after 958.333 ms, 20 ms sooner is the open. The close is at
/// 3.05 − 0.075 m and 10 ms sooner.
#[test]
fn a_plant_on_an_arc_by_hand() {
    let mut core = lanes(-13, 13, 0);
    let mut inputs = Vec::new();
    for k in 1..=300_u64 {
        inputs.push((k * 10_000, Input::Pulse));
    }
    for k in 1..=150_u64 {
        inputs.push((k * 20_000 + 5, Input::Yaw(200_000)));
    }
    inputs.push((
        1_050_000,
        Input::Image {
            captured: 1_000_000,
            seen: (0, 3200),
            plants: vec![plant(2_980_040, 4_700_999, 0, 0)],
        },
    ));
    inputs.sort_by_key(|i| i.0);
    let commands = run(&mut core, &inputs, 3_100_000, &[]);
    // Lanes of 0.5 m from −6.5 m on: the one at 5 m is number 23.
    let told: Vec<(u16, Action, i64)> = commands
        .iter()
        .map(|c| (c.nozzle, c.action, i64::try_from(c.at.0).expect("small")))
        .collect();
    assert_eq!(told.len(), 2, "{told:?}");
    for ((nozzle, action, at), (wanted, due)) in told
        .iter()
        .zip([(Action::Open, 1_938_333), (Action::Close, 1_981_667)])
    {
        assert_eq!((*nozzle, *action), (23, wanted));
        assert!(
            (at - due).abs() <= 300,
            "{action:?} at {at}, due at {due} µs"
        );
    }
}

/// Keep-off ground from 3 m ahead on, in broadcast on the same circle: each nozzle counts the
/// 3 m on its own way. Widened by the margin of 20 mm and two counts it begins at 2.9799 m; with
/// 25 ms of throw and 10 ms to close a nozzle at `v` is told after 2.9799/v − 0.035 s.
#[test]
fn keep_off_ground_is_counted_on_each_nozzles_way() {
    let mut core = lanes(-13, 13, 0);
    let mut inputs: Vec<(u64, Input)> = (1..=500).map(|k| (k * 10_000, Input::Pulse)).collect();
    inputs.extend((1..=250).map(|k| (k * 20_000 + 5, Input::Yaw(200_000))));
    let broadcast = Order::Mode {
        section: None,
        mode: Mode::Broadcast,
    };
    inputs.push((500_003, Input::Order(broadcast)));
    let dry = Order::KeepOff {
        over: Over::Boom,
        from_m: 3.0,
        to_m: 6.0,
    };
    inputs.push((1_000_003, Input::Order(dry)));
    inputs.sort_by_key(|i| i.0);
    let commands = run(&mut core, &inputs, 5_000_000, &[]);
    for (nozzle, speed) in [(3, 1.0), (13, 2.0), (23, 3.0)] {
        let close = commands
            .iter()
            .find(|c| c.nozzle == nozzle && c.action == Action::Close)
            .expect("it closes");
        let at = close.at.0 as f64 * 1e-6 - 1.0;
        let due = 2.9799 / speed - 0.035;
        assert!(
            (at - due).abs() < 0.0006,
            "nozzle {nozzle}: {at} s, due {due} s"
        );
    }
}

/// Lanes of 0.5 m, number 0 at `first`/2 m, boom `behind` mm behind the axle.
fn lanes(first: i32, last: i32, behind: i32) -> Core {
    let nozzles: Vec<NozzleConfig> = (first..=last)
        .map(|half| NozzleConfig {
            y: Length::from_mm(half * 500),
            ..NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))
        })
        .collect();
    let detectors = [DetectorConfig::centred(
        Length::from_mm(0),
        Length::from_mm(13_000),
    )];
    let pulse = PulseLength::from_nm(20_000_000).expect("usual");
    let mut config = Config::new(pulse, &[], &detectors);
    config.turning = Some(TurningConfig::yaw_rate(Length::from_mm(behind)));
    config.wheel.direction_input = true;
    system_tests::core_of(&nozzles, &config)
}

/// Half a turn of 6 m: the nozzle 12 m to the inside runs back 6π m. What it had planned is
/// given up, nothing is opened on it, and a plant after the turn gets its spray: ground before
/// the turn must not count as ground done.
#[test]
fn an_inner_nozzle_that_runs_back_starts_anew() {
    let turn = 6.0 * core::f64::consts::PI;
    // 20 m straight, the half circle, 20 m straight, at 2 m/s.
    let path = Path::drive(
        34.0,
        |t| if t > 1.0 { 2.0 } else { 0.0 },
        |t| {
            let way = 2.0 * (t - 1.0);
            if (20.0..20.0 + turn).contains(&way) {
                1.0 / 6.0
            } else {
                0.0
            }
        },
    );
    let mut inputs = [
        path.wheel(0.0, 0.02, &Input::Pulse),
        path.yaw(0.02, 0.0, 0.0, 1),
    ]
    .concat();
    let seen = |at: f64, ahead_um: i32| {
        let us = (at * 1e6) as u64;
        let image = Input::Image {
            captured: us,
            seen: (0, 3000),
            plants: vec![plant(ahead_um, -12_000_000, 100_000, 100_000)],
        };
        (us + 30_000, image)
    };
    // At 9.5 m: sprayed. At 19 m a plant 2.5 m on: the turn comes first. At 44 m, after it.
    let after = 1.0 + (20.0 + turn + 5.0) / 2.0;
    inputs.extend([
        seen(5.75, 1_000_000),
        seen(10.5, 2_500_000),
        seen(after, 1_500_000),
    ]);
    inputs.sort_by_key(|i| i.0);
    let mut core = lanes(-24, 24, 2000);
    let commands = run(&mut core, &inputs, 34_000_000, &[]);
    let opens: Vec<f64> = commands
        .iter()
        .filter(|c| c.action == Action::Open)
        .map(|c| c.at.0 as f64 * 1e-6)
        .collect();
    // Nozzle 0 for the first and the last. The second one lies where the boom's middle comes by
    // after the half circle, and is aimed at anew then.
    let by: Vec<u16> = (commands.iter())
        .filter(|c| c.action == Action::Open)
        .map(|c| c.nozzle)
        .collect();
    assert_eq!(by, [0, 24, 0], "{commands:?}");
    // The near edge 0.95 m on, less lead 50 mm and 45 ms of delay and throw.
    assert!(
        (opens[0] - (5.75 + 0.90 / 2.0 - 0.045)).abs() < 0.002,
        "{opens:?}"
    );
    // The axle is back at 22 m after 20 m and the half circle, the boom at 24 m; the plant is
    // 2.5 m on, its edge 2.4 m with the lead of 50 mm.
    let back = 1.0 + (20.0 + turn + 2.4) / 2.0 - 0.045;
    assert!((opens[1] - back).abs() < 0.01, "{opens:?}, {back}");
    assert!(
        (opens[2] - (after + 1.40 / 2.0 - 0.045)).abs() < 0.002,
        "{opens:?}"
    );
    assert!(core.yaw_counts().moved > 0);
    assert_eq!(core.yaw_counts().ran_back, 1);
    assert_eq!(core.counters().missed_late, 0);
}

/// A plant seen on an arc; the machine stops before it, goes back 2 m on the same arc, and comes
/// again: the spray falls where the plant is.
#[test]
fn going_back_on_an_arc_keeps_the_plan() {
    let speed = |t: f64| match t {
        t if t < 1.0 => 0.0,
        t if t < 7.0 => 2.0,
        t if t < 8.0 => 2.0 - 2.0 * (t - 7.0),
        t if t < 9.0 => 0.0,
        t if t < 10.0 => -2.0 * (t - 9.0),
        t if t < 11.0 => -2.0 + 2.0 * (t - 10.0),
        t if t < 12.0 => 0.0,
        t if t < 13.0 => 2.0 * (t - 12.0),
        _ => 2.0,
    };
    let path = Path::drive(22.0, speed, |_| 1.0 / 20.0);
    let comb = tip(12.0, Some(YawSource::Rate));
    let sensors = [
        path.wheel(0.0, 0.02, &Input::Pulse),
        path.yaw(0.02, 0.0, 0.0, 1),
        vec![
            (8_500_000, Input::Direction(Direction::Reverse)),
            (11_500_000, Input::Direction(Direction::Forward)),
        ],
    ];
    let told = comb.errors(&path, &sensors, 6.95, 30.0, 0.5);
    assert_eq!(
        (told.missed, told.along.len(), told.counters.turns),
        (0, 1, 2)
    );
    assert!(told.along[0].abs() < 0.01, "{} m along", told.along[0]);
    assert!(told.across[0].abs() < 0.013, "{} m across", told.across[0]);
}

/// The sensor falls silent on an arc: counted once, and the machine is taken to go straight.
#[test]
fn silence_is_counted_and_means_straight() {
    let path = arc(3.0, 15.0, 19.0);
    let mut inputs = path.wheel(0.0, 0.02, &Input::Pulse);
    let yaw = path.yaw(0.02, 0.0, 0.1 * DEGREE, 1);
    inputs.extend(yaw.into_iter().filter(|i| i.0 < 14_000_000));
    inputs.sort_by_key(|i| i.0);
    let mut core = tip(12.0, Some(YawSource::Rate)).core();
    run(&mut core, &inputs, 19_000_000, &[]);
    let counts = core.yaw_counts();
    assert_eq!((counts.silences, counts.refused), (1, 0));
    assert!(counts.taught > 20, "{counts:?}");
    assert_eq!(
        core.handle_yaw_rate(Micros(19_000_000), 1_200_000),
        Err(YawError::TooFast)
    );
    assert_eq!(
        core.handle_second_pulse(Micros(19_000_000)),
        Err(YawError::NoInput)
    );
    assert_eq!(core.yaw_counts().refused, 2);
}

/// What the core counts on an arc of 30 m that begins after 8 s at rest, with these readings.
fn counted(yaw: Vec<(u64, Input)>, until: u64) -> YawCounts {
    let mut inputs = arc(3.0, 30.0, 30.0).wheel(0.0, 0.02, &Input::Pulse);
    inputs.extend(yaw);
    inputs.retain(|input| input.0 < until);
    inputs.sort_by_key(|input| input.0);
    let mut core = tip(12.0, Some(YawSource::Rate)).core();
    run(&mut core, &inputs, until, &[]);
    *core.yaw_counts()
}

/// Readings at 50 Hz with noise; from one time to another the first of them again and again.
fn frozen(from: u64, to: u64) -> Vec<(u64, Input)> {
    let mut yaw = arc(3.0, 30.0, 30.0).yaw(0.02, 0.2 * DEGREE, 0.1 * DEGREE, 1);
    let first = yaw
        .iter()
        .position(|input| input.0 >= from)
        .expect("it comes");
    let kept = yaw[first].1.clone();
    for input in &mut yaw {
        if (from..to).contains(&input.0) {
            input.1 = kept.clone();
        }
    }
    yaw
}

/// A sensor that showed its noise at rest freezes in the curve for 4 s, 200 readings: 24 alike are
/// taken after the first, the others refused; it is told once, and once that it goes straight on.
#[test]
fn a_frozen_sensor_is_not_a_steady_curve() {
    let counts = counted(frozen(20_000_000, 24_000_000), 29_000_000);
    assert_eq!(
        (counts.frozen, counts.refused, counts.silences),
        (1, 200 - 24, 1)
    );
    // Of 29 s at 50 Hz all else is taken, before and after.
    assert_eq!(counts.inputs + counts.refused, 29 * 50 - 1);
    // 0.3 s alike are no fault.
    let short = counted(frozen(20_000_000, 20_300_000), 29_000_000);
    assert_eq!((short.frozen, short.refused), (0, 0));
}

/// Frozen at rest it teaches nothing more, though what it reads could be an offset.
#[test]
fn a_frozen_sensor_teaches_nothing() {
    let yaw = frozen(4_000_000, 30_000_000);
    let early = counted(yaw.clone(), 4_500_000);
    let late = counted(yaw, 7_900_000);
    assert_eq!((early.frozen, late.frozen), (1, 1));
    // Of 4 s two hundred readings are twelve lessons, of which the last has none behind it.
    assert!(early.taught >= 11, "{early:?}");
    assert_eq!(early.taught, late.taught);
}

/// A sensor too coarse to show noise at rest says the same for long, and is right.
#[test]
fn a_coarse_sensor_is_not_frozen() {
    let mut yaw = arc(3.0, 30.0, 30.0).yaw(0.02, 0.01 * DEGREE, 0.0, 1);
    for input in &mut yaw {
        if let Input::Yaw(rate) = &mut input.1 {
            // Steps of a quarter of a degree a second, 4363 µrad/s.
            *rate = (*rate + 2181).div_euclid(4363) * 4363;
        }
    }
    let counts = counted(yaw, 29_000_000);
    assert_eq!((counts.frozen, counts.refused, counts.silences), (0, 0, 0));
    assert!(counts.taught > 15);
}

/// A boom on which every nozzle has delays, a throw and a mount of its own.
/// `turns`: whether it is told of turning, and by a second wheel.
fn motley(seed: u32, count: u16, turns: Option<bool>, spray_unseen: bool) -> Core {
    let nozzles: Vec<NozzleConfig> = (0..count)
        .map(|i| {
            let n = u32::from(i).wrapping_mul(2_654_435_761).wrapping_add(seed);
            NozzleConfig {
                x: Length::from_mm(i32::try_from(n % 700).expect("small") - 350),
                open_delay: Span(n % 61_000),
                close_delay: Span((n >> 7) % 47_000),
                throw: Span((n >> 13) % 90_000),
                ..NozzleConfig::evenly_spaced(i, count, Length::from_mm(500))
            }
        })
        .collect();
    let detectors = [
        DetectorConfig {
            y: Length::from_mm(-6000),
            ..DetectorConfig::centred(Length::from_mm(900), Length::from_mm(6000))
        },
        DetectorConfig {
            y: Length::from_mm(6000),
            ..DetectorConfig::centred(Length::from_mm(900), Length::from_mm(6000))
        },
    ];
    let pulse = PulseLength::from_ratio(1_000_000, 60).expect("usual");
    let mut config = Config::new(pulse, &[], &detectors);
    config.wheel.max_acceleration_mm_s2 = 20_000;
    config.wheel.direction_input = true;
    config.patch.lead_time = Span(seed % 9_000);
    config.patch.trail_time = Span(seed % 7_000);
    if spray_unseen {
        config.modes.unseen = UnseenPolicy::Spray;
    }
    config.turning = turns.map(|second| TurningConfig {
        wheel_y: Length::from_mm(i32::try_from(seed % 1500).expect("small") - 700),
        source: if second {
            YawSource::SecondWheel {
                pulse_length: pulse,
                y: Length::from_mm(1300),
            }
        } else {
            YawSource::Rate
        },
        silence: Span::from_ms(60),
        ..TurningConfig::yaw_rate(Length::from_mm(1500))
    });
    system_tests::core_of(&nozzles, &config)
}

fn inputs() -> impl Strategy<Value = Vec<(u64, Input)>> {
    let image = (
        0u64..200_000,
        proptest::collection::vec(
            (-200i32..3000, -13_000i32..13_000, 0i32..400, 0i32..900),
            0..6,
        ),
    );
    let event = prop_oneof![
        8 => (1_500u32..9_000).prop_map(|dt| (dt, None, 0)),
        6 => (0u32..3_000, -60_000i32..60_000).prop_map(|(dt, rate)| (dt, None, rate | 1)),
        1 => (0u32..3_000, -900_000i32..900_000).prop_map(|(dt, rate)| (dt, None, rate | 1)),
        1 => (0u32..300_000).prop_map(|dt| (dt, None, 0)),
        2 => (0u32..3000, image).prop_map(|(dt, image)| (dt, Some(image), 0)),
        // The least number stands for ground that is kept off.
        1 => (0u32..3000).prop_map(|dt| (dt, None, i32::MIN)),
    ];
    (
        -300_000i32..300_000,
        proptest::collection::vec(event, 1..400),
    )
        .prop_map(|(mean, events)| {
            let mut now = 5_000u64;
            events
                .into_iter()
                .flat_map(|(dt, image, rate)| {
                    now += u64::from(dt);
                    let input = match image {
                        None if rate == i32::MIN => Input::Order(Order::KeepOff {
                            over: Over::Boom,
                            from_m: f64::from(dt) * 1e-3,
                            to_m: f64::from(dt) * 2e-3 + 0.2,
                        }),
                        None if rate != 0 => Input::Yaw(mean + rate),
                        None => Input::Pulse,
                        Some((age, plants)) => Input::Image {
                            captured: now.saturating_sub(age),
                            seen: (0, 1000),
                            plants: plants
                                .into_iter()
                                .map(|(x, y, l, w)| plant(x * 1000, y * 1000, l * 1000, w * 1000))
                                .collect(),
                        },
                    };
                    // Where there is a second wheel its pulses stand in for the readings.
                    let second = matches!(input, Input::Yaw(_)).then_some((now, Input::Second));
                    [Some((now, input)), second].into_iter().flatten()
                })
                .collect()
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// Skipping instants changes no command, however the machine turns.
    #[test]
    fn skipped_instants_change_nothing(
        inputs in inputs(), seed in any::<u32>(), count in 1u16..48, second in any::<bool>(), unseen in prop_oneof![3 => Just(false), 1 => Just(true)],
    ) {
        let until = inputs.last().map_or(0, |i| i.0) + 1_000_000;
        let mut lazy = motley(seed, count, Some(second), unseen);
        let mut every = motley(seed, count, Some(second), unseen);
        every.decide_at_every_instant();
        let a = run(&mut lazy, &inputs, until, &[]);
        let b = run(&mut every, &inputs, until, &[]);
        prop_assert_eq!(a, b);
        prop_assert_eq!(lazy.counters(), every.counters());
        prop_assert_eq!(lazy.yaw_counts(), every.yaw_counts());
        for nozzle in 0..count { prop_assert_eq!(lazy.is_open(nozzle), Some(false)); }
    }

    /// A machine that could turn and goes straight does what one does that can't.
    #[test]
    fn straight_is_as_without_turning(inputs in inputs(), seed in any::<u32>(), count in 1u16..48) {
        let straight: Vec<(u64, Input)> = inputs
            .into_iter()
            .filter(|i| !matches!(i.1, Input::Second))
            .map(|(at, input)| (at, if matches!(input, Input::Yaw(_)) { Input::Yaw(0) } else { input }))
            .collect();
        let until = straight.last().map_or(0, |i| i.0) + 1_000_000;
        let mut turning = motley(seed, count, Some(false), seed & 1 == 1);
        let mut plain = motley(seed, count, None, seed & 1 == 1);
        let a = run(&mut turning, &straight, until, &[]);
        let b = run(&mut plain, &straight, until, &[]);
        prop_assert_eq!(a, b);
        prop_assert_eq!(turning.counters(), plain.counters());
    }

    /// What an input of the heading leaves for the polls is done after any number of them: a pulse
    /// of the same stamp finds it done, and the commands are those of a caller that polled.
    #[test]
    fn a_pulse_finishes_what_the_heading_left(
        inputs in inputs(), seed in any::<u32>(), count in 1u16..48, second in any::<bool>(), polls in 0usize..6,
    ) {
        let until = inputs.last().map_or(0, |i| i.0) + 1_000_000;
        let mut keeps = motley(seed, count, Some(second), false);
        let mut hurries = motley(seed, count, Some(second), false);
        let mut at_once = motley(seed, count, Some(second), false);
        let a = pulses_on_headings(&mut keeps, &inputs, until, Between::Drain);
        let b = pulses_on_headings(&mut hurries, &inputs, until, Between::Polls(polls));
        let c = pulses_on_headings(&mut at_once, &inputs, until, Between::Finish);
        prop_assert_eq!(&a, &b);
        prop_assert_eq!(&a, &c);
        for other in [&hurries, &at_once] {
            prop_assert_eq!(keeps.counters(), other.counters());
            prop_assert_eq!(keeps.yaw_counts(), other.yaw_counts());
        }
    }
}

/// What is done between an input of the heading and a pulse of the same stamp.
#[derive(Clone, Copy)]
enum Between {
    /// Polls until idle.
    Drain,
    /// So many polls.
    Polls(usize),
    /// All that is pending, without a poll.
    Finish,
}

/// Runs the inputs, each one of the heading followed by a pulse of its stamp.
fn pulses_on_headings(
    core: &mut Core,
    inputs: &[(u64, Input)],
    until: u64,
    between: Between,
) -> Vec<Command> {
    let mut out = Vec::new();
    let mut now = 0;
    for (stamp, input) in inputs {
        let heading = match input {
            Input::Yaw(rate) => Some(Some(*rate)),
            Input::Second => Some(None),
            _ => None,
        };
        let Some(rate) = heading else {
            out.extend(run(core, &[(*stamp, input.clone())], *stamp, &[]));
            now = *stamp;
            continue;
        };
        let mut next = drain(core, now, &mut out);
        while next <= *stamp {
            next = drain(core, next, &mut out);
        }
        drain(core, *stamp, &mut out);
        let _counted = match rate {
            Some(rate) => core.handle_yaw_rate(Micros(*stamp), rate),
            None => core.handle_second_pulse(Micros(*stamp)),
        };
        match between {
            Between::Drain => {
                drain(core, *stamp, &mut out);
            }
            Between::Polls(polls) => {
                for _ in 0..polls {
                    assert!(!matches!(core.poll(Micros(*stamp)), Poll::Command(_)));
                }
            }
            Between::Finish => core.finish_inputs(),
        }
        let _counted = core.note_pulse(Micros(*stamp));
        drain(core, *stamp, &mut out);
        now = *stamp;
    }
    out.extend(run(core, &[], until, &[]));
    out
}
