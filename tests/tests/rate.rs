//! The application rate that switched valves give: the core's duties through the driver's
//! cycles, against the flow and the ground worked out here in `f64`.

use controller_core::drivers::pwm::Pwm;
use controller_core::{
    Action, Config, Controller, DetectorConfig, Image, Length, Micros, Mode, NozzleConfig, Plant,
    Poll, PressureFault, PulseLength, RateConfig, Span, Speed, Stretch, TurningConfig,
};

const PULSE_M: f64 = 0.02;
const OPEN_S: f64 = 0.020;
const CLOSE_S: f64 = 0.010;
const CYCLE: Span = Span(50_000);
const RATE_L_HA: f64 = 90.0;
const FLOW_L_MIN: f64 = 1.2;

/// 90 l/ha half a metre wide from 1.2 l/min at 300 kPa: fully open at 2.67 m/s.
const RATE: RateConfig = RateConfig {
    rate_ml_ha: 90_000,
    width: Length::from_mm(500),
    flow_ml_min: 1200,
    pressure_kpa: 300,
    cycle: CYCLE,
    lowest: 250,
    refuse_short: false,
};

/// Where the machine is at `t`, m: 2 m/s, up and down by half in 8 s.
fn place(t: f64) -> f64 {
    let w = std::f64::consts::TAU / 8.0;
    2.0 * t + 0.5 / w * (1.0 - (w * t).cos())
}

/// When it gets there, by bisection.
fn time_of(x: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1000.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if place(middle) < x {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// What a valve did: on-times as (start, end) in s, and the counters.
struct Drive {
    on: Vec<(f64, f64)>,
    core: Controller<'static, 1, 8, 64, 1>,
}

/// Readings once a second: 300 kPa, and 450 from 20 s on.
fn readings(upto_s: u32) -> Vec<(f64, u16)> {
    (0..upto_s)
        .map(|s| (f64::from(s), if s < 20 { 300 } else { 450 }))
        .collect()
}

/// Drives so many metres with pressures read at these times.
fn drive(mode: Mode, metres: f64, plants: &[(f64, f64)], pressures: &[(f64, u16)]) -> Drive {
    static NOZZLE: [NozzleConfig; 1] = [NozzleConfig {
        x: Length::from_mm(0),
        y: Length::from_mm(0),
        lane_width: Length::from_mm(500),
        open_delay: Span(20_000),
        close_delay: Span(10_000),
        throw: Span(0),
    }];
    let detectors: &'static [DetectorConfig] = Box::leak(Box::new([DetectorConfig::centred(
        Length::from_mm(1000),
        Length::from_mm(300),
    )]));
    let pulse = PulseLength::from_nm(20_000_000).expect("sound");
    let mut config = Config::new(pulse, &NOZZLE, detectors);
    config.rate = Some(RATE);
    config.wheel.max_speed = Speed::from_mm_s(6000);
    let mut core: Controller<'static, 1, 8, 64, 1> = Controller::new(&config).expect("sound");
    let mut pwm: Pwm<1> = Pwm::new(CYCLE).expect("sound");
    let mut waiting = std::collections::VecDeque::new();
    let mut on = Vec::new();
    let mut since = None;
    core.handle_mode(Micros(0), 0, mode).expect("one section");
    let mut inputs: Vec<(u64, usize, u8)> = Vec::new();
    let pulses = (metres / PULSE_M) as usize;
    for n in 1..=pulses {
        inputs.push(((time_of(n as f64 * PULSE_M) * 1e6).round() as u64, n, 0));
    }
    for (n, (from, _)) in plants.iter().enumerate() {
        // Seen half a metre before the boom gets there.
        inputs.push(((time_of(from - 0.5) * 1e6).round() as u64, n, 1));
    }
    for (n, (at, _)) in pressures.iter().enumerate() {
        inputs.push(((at * 1e6) as u64, n, 2));
    }
    inputs.sort_unstable();
    let mut inputs = inputs.into_iter().peekable();
    let mut now = 0_u64;
    while let Some(&(stamp, n, kind)) = inputs.peek() {
        // Every microsecond at which anything may change is visited.
        let next = loop {
            match core.poll(Micros(now)) {
                Poll::Command(command) => waiting.push_back(command),
                Poll::Busy => {}
                Poll::Idle { next } => break next.0,
            }
        };
        while let Some(command) = waiting.front().filter(|c| c.at.0 <= now) {
            match command.action {
                Action::Open => {
                    let first = core.cycle(Micros(now), command.at, 0).expect("nozzle 0");
                    pwm.open(0, command.at, first);
                }
                _ => pwm.close(0),
            }
            waiting.pop_front();
        }
        pwm.turn(Micros(now), |nozzle, begins| {
            core.cycle(Micros(now), begins, nozzle).expect("nozzle 0")
        });
        match (pwm.is_on(0, Micros(now)), since) {
            (true, None) => since = Some(now),
            (false, Some(begun)) => {
                on.push((begun as f64 * 1e-6, now as f64 * 1e-6));
                since = None;
            }
            _ => {}
        }
        if stamp == now {
            inputs.next();
            match kind {
                0 => core.handle_pulse(Micros(now)).expect("a good pulse"),
                1 => {
                    let (from, to) = plants[n];
                    let here = place(now as f64 * 1e-6);
                    let mm = |m: f64| Length::from_mm((m * 1000.0).round() as i32);
                    let plant = Plant {
                        x: mm(0.5 * (from + to) - here - 1.0),
                        y: Length::from_mm(0),
                        length: mm(to - from),
                        width: Length::from_mm(50),
                        id: None,
                    };
                    let image = Image {
                        detector: 0,
                        captured_at: Micros(now),
                        seen: Stretch {
                            from: Length::from_mm(-600),
                            to: Length::from_mm(6000),
                        },
                        plants: &[plant],
                    };
                    core.handle_image(Micros(now), &image)
                        .expect("a good image");
                }
                _ => core
                    .handle_pressure(Micros(now), pressures[n].1)
                    .expect("in order"),
            }
            continue;
        }
        let mut until = next.min(stamp);
        if let Some(command) = waiting.front() {
            until = until.min(command.at.0);
        }
        if let Some(change) = pwm.next_change(Micros(now)) {
            until = until.min(change.0);
        }
        assert!(until > now, "no progress at {now}");
        now = until;
    }
    if let Some(begun) = since {
        on.push((begun as f64 * 1e-6, now as f64 * 1e-6));
    }
    Drive { on, core }
}

/// Litres that a valve gave between two times, which flows from its open delay after each
/// edge to its close delay after the other, at the pressure there is.
fn litres(on: &[(f64, f64)], from: f64, to: f64, kpa: impl Fn(f64) -> f64) -> f64 {
    on.iter()
        .map(|(begun, ended)| {
            let (a, b) = ((begun + OPEN_S).max(from), (ended + CLOSE_S).min(to));
            // Flow ∝ √P (ISO 10625 states sizes at 3 bar; Bernoulli).
            let flow = FLOW_L_MIN / 60.0 * (kpa(0.5 * (a + b)) / 300.0).sqrt();
            (b - a).max(0.0) * flow
        })
        .sum()
}

#[test]
fn broadcast_holds_its_rate_while_speed_and_pressure_change() {
    let pressure = |t: f64| if t < 20.0 { 300.0 } else { 450.0 };
    let driven = drive(Mode::Broadcast, 80.0, &[], &readings(60));
    let mut worst: f64 = 0.0;
    // Stretches of 4 m, some thirty cycles each; not the one in which the drive begins.
    for stretch in 1..19 {
        let (a, b) = (4.0 * f64::from(stretch), 4.0 * f64::from(stretch + 1));
        let (from, to) = (time_of(a), time_of(b));
        if (from..to).contains(&20.0) {
            continue;
        }
        let rate = litres(&driven.on, from, to, pressure) / (4.0 * 0.5) * 1e4;
        worst = worst.max((rate / RATE_L_HA - 1.0).abs());
    }
    println!(
        "rate held to {:.1} % over 4 m, 1.5 to 2.5 m/s, 300 and 450 kPa",
        worst * 100.0
    );
    assert!(worst < 0.03, "{worst}");
    let counters = driven.core.counters();
    assert!(
        counters.duties > 500 && counters.duties_of_valve == 0 && counters.duties_too_small == 0
    );
    // The one opening began off the nozzle's beat, so its first cycle was cut and flowed fully.
    assert_eq!(counters.duties_of_short, 1);
    // Without control the same nozzle gives 60 % too much at the slow end.
    let always = [(0.0, 100.0)];
    let (from, to) = (time_of(12.0), time_of(13.0));
    assert!(litres(&always, from, to, pressure) / 0.5 * 1e4 > 1.3 * RATE_L_HA);
}

#[test]
fn a_long_patch_is_switched_from_its_first_edge_and_a_short_one_flows_fully() {
    // 2 m, and 0.1 m with margins of 50 mm, at 2 m/s and more: three cycles are 0.3 m.
    let driven = drive(Mode::Spot, 20.0, &[(8.0, 10.0), (12.0, 12.1)], &[]);
    let reaches = |t: f64| place(t + OPEN_S);
    let [first, .., last] = driven.on.as_slice() else {
        panic!("nothing sprayed: {:?}", driven.on);
    };
    // The first edge is the patch's own: half a wheel count and rounding.
    assert!(
        (reaches(first.0) - 7.95).abs() < 0.003,
        "{}",
        reaches(first.0)
    );
    let cycles = driven.on.len() - 1;
    assert!((15..=22).contains(&cycles), "{cycles}");
    assert!(
        (reaches(last.0) - 11.95).abs() < 0.003,
        "{}",
        reaches(last.0)
    );
    let end = place(last.1 + CLOSE_S);
    assert!((end - 12.15).abs() < 0.004, "{end}");
    let counters = driven.core.counters();
    assert!(counters.duties_of_short >= 1, "{counters:?}");
}

/// On a circle of 20 m to the left with nozzles 12 m to both sides: the inner one goes 0.40 times
/// as fast as the middle and the outer one 1.60 times (rigid-body kinematics, v·(1 ± y/R)), so
/// valves without a delay between edges need shares in proportion.
#[test]
fn on_an_arc_each_nozzle_has_the_duty_of_its_own_speed() {
    let at = |mm| NozzleConfig {
        x: Length::from_mm(0),
        y: Length::from_mm(mm),
        lane_width: Length::from_mm(500),
        open_delay: Span(15_000),
        close_delay: Span(15_000),
        throw: Span(0),
    };
    let nozzles = [at(-12_000), at(0), at(12_000)];
    let detectors = [DetectorConfig::centred(
        Length::from_mm(1000),
        Length::from_mm(25_000),
    )];
    let pulse = PulseLength::from_nm(20_000_000).expect("sound");
    let mut config = Config::new(pulse, &nozzles, &detectors);
    config.turning = Some(TurningConfig::yaw_rate(Length::from_mm(0)));
    config.rate = Some(RateConfig {
        lowest: 100,
        ..RATE
    });
    let mut core: Controller<'_, 3, 8, 64, 1> = Controller::new(&config).expect("sound");
    core.handle_mode(Micros(0), 0, Mode::Broadcast)
        .expect("one section");
    // At 1.5 m/s 90 l/ha half a metre wide are 0.405 l/min, 0.3375 of 1.2; the yaw rate is v/R.
    let duties_at = |core: &mut Controller<'_, 3, 8, 64, 1>, from: u64, urad_s: i32| {
        let mut now = from;
        for n in 0..400_u64 {
            now = from + n * 40_000 / 3;
            // As a firmware does: polled at its deadlines before the next input.
            let mut next = now.saturating_sub(40_000 / 3);
            while next < now {
                if let Poll::Idle { next: later } = core.poll(Micros(next)) {
                    next = later.0.max(next + 1);
                }
            }
            while !matches!(core.poll(Micros(now)), Poll::Idle { .. }) {}
            core.handle_yaw_rate(Micros(now), urad_s).expect("in order");
            core.handle_pulse(Micros(now)).expect("a good pulse");
        }
        [0, 1, 2].map(|nozzle| core.duty(Micros(now), nozzle).expect("three nozzles"))
    };
    let straight = duties_at(&mut core, 1_000_000, 0);
    let left = duties_at(&mut core, 7_000_000, 75_000);
    let right = duties_at(&mut core, 13_000_000, -75_000);
    println!("duties straight {straight:?}, circling left {left:?}, right {right:?}");
    let near = |duty: u16, wanted: f64| (f64::from(duty) - wanted).abs() <= 3.0;
    assert!(straight.iter().all(|&d| near(d, 337.5)), "{straight:?}");
    assert!(
        near(left[0], 135.0) && near(left[1], 337.5) && near(left[2], 540.0),
        "{left:?}"
    );
    assert!(
        near(right[0], 540.0) && near(right[1], 337.5) && near(right[2], 135.0),
        "{right:?}"
    );
}

/// A sensor that dies opens everything fully, which is counted with its reason.
#[test]
fn a_dead_pressure_sensor_opens_fully_and_is_counted() {
    for (last, kpa, fault) in [
        (10, 300, PressureFault::Silent),
        (10, 0, PressureFault::None),
    ] {
        let mut told = readings(10);
        told.push((f64::from(last), kpa));
        if kpa == 0 {
            // It goes on to say so, and is one fault.
            told.extend((11..60).map(|s| (f64::from(s), 0)));
        }
        let driven = drive(Mode::Broadcast, 60.0, &[], &told);
        let end = Micros((time_of(60.0) * 1e6) as u64);
        assert_eq!(driven.core.pressure_fault(end), Some(fault));
        let counters = driven.core.counters();
        assert_eq!(counters.pressure_faults, 1, "{counters:?}");
        // Open without a break from the fault to the end.
        let (from, to) = *driven.on.last().expect("it sprayed");
        let due = f64::from(last) + if kpa == 0 { 0.0 } else { 2.0 };
        assert!((from - due).abs() < 0.06 && to > 24.0, "{from} to {to}");
        assert!(driven.on.len() > 100, "{}", driven.on.len());
    }
}
