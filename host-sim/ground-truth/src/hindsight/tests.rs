//! Rebuilt travel against the exact motion behind the pulses.

use super::*;
use crate::{Motion, Wheel, WheelSpec};

fn spec(pulse_length_m: f64, unevenness: f64) -> WheelSpec {
    WheelSpec {
        pulse_length_m,
        slots: 24,
        unevenness,
        stamp_jitter_s: 0.0,
        seed: 4,
    }
}

fn rebuilt(motion: &Motion, spec: WheelSpec) -> Hindsight {
    let stamps = Wheel::new(spec)
        .expect("a wheel")
        .pulses(motion, motion.duration());
    Hindsight::new(&stamps, spec.pulse_length_m)
        .expect("enough pulses")
        .with_first_pulse_at(motion.position(0.0) + spec.pulse_length_m)
}

/// RMS and largest error of place, and largest error of speed, where the
/// rebuilt travel is trusted.
fn errors(motion: &Motion, hindsight: &Hindsight) -> (f64, f64, f64) {
    let (mut n, mut square, mut largest, mut speed) = (0.0, 0.0, 0.0_f64, 0.0_f64);
    let mut t = 0.0;
    while t < motion.duration() {
        if hindsight.is_trusted(t) {
            let error = hindsight.position(t) - motion.position(t);
            n += 1.0;
            square += error * error;
            largest = largest.max(error.abs());
            speed = speed.max((hindsight.speed(t) - motion.speed(t)).abs());
        }
        t += 0.003;
    }
    assert!(n > 100.0);
    ((square / n).sqrt(), largest, speed)
}

/// The urban cycle at half speed.
fn town() -> Motion {
    let points = crate::cycle::urban_cycle(0.5);
    Motion::from_speed_points(3.0, &points).expect("the cycle")
}

fn steady() -> Motion {
    Motion::from_speed_points(0.0, &[(0.0, 5.0), (60.0, 5.0)]).expect("steady")
}

fn ramps() -> Motion {
    let points: Vec<(f64, f64)> = (0..20)
        .map(|i| (f64::from(i) * 4.0, if i % 2 == 0 { 2.0 } else { 6.0 }))
        .collect();
    Motion::from_speed_points(0.0, &points).expect("ramps of 1 m/s²")
}

#[track_caller]
fn check(motion: &Motion, spec: WheelSpec, rms: f64, largest: f64, speed: f64) {
    let got = errors(motion, &rebuilt(motion, spec));
    assert!(
        got.0 <= rms && got.1 <= largest && got.2 <= speed,
        "{got:?}"
    );
}

#[test]
fn an_even_wheel_at_a_steady_speed_is_rebuilt_exactly() {
    for length in [0.02, 0.13, 0.77] {
        check(&steady(), spec(length, 0.0), 1e-9, 1e-9, 1e-9);
    }
}

#[test]
fn one_acceleration_is_rebuilt_exactly_at_the_pulses() {
    let motion = Motion::from_speed_points(0.0, &[(0.0, 2.0), (6.0, 8.0)]).expect("a ramp");
    let stamps = Wheel::new(spec(0.13, 0.0))
        .expect("a wheel")
        .pulses(&motion, 6.0);
    let hindsight = Hindsight::new(&stamps, 0.13).expect("enough pulses");
    for (i, &t) in stamps.iter().enumerate() {
        // Time is the root of the distance, so that a parabola in time is
        // exact here.
        let x = hindsight.position(t);
        assert!((x - 0.13 * i as f64).abs() < 1e-9, "pulse {i} at {x}");
        assert!((hindsight.speed(t) - motion.speed(t)).abs() < 1e-6);
    }
    check(&motion, spec(0.13, 0.0), 2e-6, 1e-5, 1e-4);
}

#[test]
fn ramps_and_the_urban_cycle_are_followed() {
    check(&ramps(), spec(0.13, 0.0), 0.0003, 0.002, 0.1);
    check(&town(), spec(0.13, 0.0), 0.0001, 0.0005, 0.03);
}

#[test]
fn one_percent_of_unevenness_is_suppressed() {
    // 1 % of 0.13 m is 1.3 mm, and the rebuilt travel keeps well below it.
    check(&steady(), spec(0.13, 0.01), 0.0005, 0.0015, 0.05);
    check(&ramps(), spec(0.13, 0.01), 0.0007, 0.004, 0.1);
    check(&town(), spec(0.13, 0.01), 0.0008, 0.004, 0.05);
    // Without smoothing the unevenness stays whole.
    let spec = spec(0.13, 0.01);
    let stamps = Wheel::new(spec).expect("a wheel").pulses(&steady(), 60.0);
    let raw = |(i, t): (usize, &f64)| (0.13 * (i + 1) as f64 - 5.0 * t).powi(2);
    let rms = (stamps.iter().enumerate().map(raw).sum::<f64>() / stamps.len() as f64).sqrt();
    assert!(rms > 0.0008, "{rms}");
}

#[test]
fn standstills_are_listed_and_not_trusted() {
    let motion = Motion::from_speed_points(
        0.0,
        &[
            (0.0, 4.0),
            (4.0, 4.0),
            (8.0, 0.0),
            (20.0, 0.0),
            (24.0, 4.0),
            (30.0, 4.0),
        ],
    )
    .expect("stop and go");
    let hindsight = rebuilt(&motion, spec(0.13, 0.0));
    let [gap] = hindsight.standstills() else {
        panic!("one standstill: {:?}", hindsight.standstills());
    };
    assert!(
        gap.0 > 7.3 && gap.0 <= 8.0 && gap.1 > 20.0 && gap.1 < 20.6,
        "{gap:?}"
    );
    assert!(!hindsight.is_trusted(14.0) && hindsight.is_trusted(6.0));
    assert!(hindsight.is_trusted(25.0) && !hindsight.is_trusted(0.001));
    assert!((hindsight.position(14.0) - motion.position(14.0)).abs() < 0.13);
    let (from, to) = hindsight.trusted();
    assert!(from > 0.0 && to < 30.0 && hindsight.end() <= 30.0);
}

#[test]
fn places_never_run_backwards_and_times_are_their_inverse() {
    let hindsight = rebuilt(&town(), spec(0.13, 0.01));
    let mut last = f64::NEG_INFINITY;
    for i in 0..200_000_u32 {
        let x = hindsight.position(f64::from(i) * 0.001);
        assert!(x >= last, "backwards at {} ms", i);
        last = x;
    }
    for i in 1..4_000_u32 {
        let x = 3.2 + f64::from(i) * 0.125;
        let t = hindsight.time_at(x).expect("passed");
        assert!((hindsight.position(t) - x).abs() < 1e-9, "at {x} m");
    }
    assert_eq!(hindsight.time_at(0.0), None);
}

#[test]
fn bad_pulses_are_refused() {
    let new = |t: &[f64], l| Hindsight::new(t, l).expect_err("refused");
    let good = [0.0, 0.1, 0.2, 0.3, 0.4];
    assert!(Hindsight::new(&good, 0.13).is_ok());
    assert_eq!(new(&good[..4], 0.13), HindsightError::TooFew(4));
    assert_eq!(new(&good, 0.0), HindsightError::PulseLength(0.0));
    assert!(matches!(
        new(&good, f64::NAN),
        HindsightError::PulseLength(_)
    ));
    assert!(matches!(
        new(&[0.0, 0.1, 0.1, 0.2, 0.3], 0.13),
        HindsightError::NotIncreasing { index: 2, .. }
    ));
    assert!(matches!(
        new(&[0.0, 0.1, f64::NAN, 0.2, 0.3], 0.13),
        HindsightError::NotFinite { index: 2, .. }
    ));
    // Five lone pulses, each a standstill apart: no smoothing, no panic.
    let lone = Hindsight::new(&[0.0, 9.0, 18.0, 27.0, 36.0], 0.13).expect("five pulses");
    assert_eq!(lone.standstills().len(), 4);
    assert!((lone.position(9.0) - 0.13).abs() < 1e-12);
    assert!(!lone.is_trusted(20.0));
}

#[test]
fn smoothing_is_the_same_in_both_directions_of_time() {
    let spec = spec(0.13, 0.01);
    let stamps = Wheel::new(spec)
        .expect("a wheel")
        .pulses(&ramps(), ramps().duration());
    let turned: Vec<f64> = stamps.iter().rev().map(|t| 80.0 - t).collect();
    let forward = Hindsight::new(&stamps, 0.13).expect("enough pulses");
    let backward = Hindsight::new(&turned, 0.13).expect("enough pulses");
    let length = 0.13 * (stamps.len() - 1) as f64;
    for i in 0..7_000_u32 {
        let t = 1.0 + 0.01 * f64::from(i);
        let (a, b) = (forward.position(t), length - backward.position(80.0 - t));
        assert!((a - b).abs() < 1e-9, "{a} and {b} at {t} s");
        assert!((forward.speed(t) - backward.speed(80.0 - t)).abs() < 1e-9);
    }
}
