//! Wheels whose slots and length are known.

use calibration::wheel::slots::{find, offsets};
use calibration::wheel::{Run, Train, pulses_per_m, slip};
use ground_truth::taped::TapedDrive;
use ground_truth::{WheelSpec, pulse_faults};

fn drive(slots: u32, unevenness: f64, seed: u64) -> TapedDrive {
    TapedDrive {
        wheel: WheelSpec {
            pulse_length_m: 0.05,
            slots,
            unevenness,
            stamp_jitter_s: 10e-6,
            seed: 1000 + seed,
        },
        scale: 1.0,
        distance_m: 100.0,
        speed_m_s: 2.0,
        wander: 0.1,
        stray: 0.0,
        seed,
    }
}

#[test]
fn the_slots_of_many_wheels_are_found() {
    for (k, slots) in [2u32, 3, 4, 6, 8, 12, 17, 24, 30, 36, 48, 60, 97, 120, 128]
        .into_iter()
        .enumerate()
    {
        for unevenness in [0.003, 0.01, 0.03] {
            let train = Train::of(&drive(slots, unevenness, k as u64).pulses());
            let found =
                find(&[train]).unwrap_or_else(|| panic!("{slots} slots at {unevenness}: none"));
            assert_eq!(
                found.a_turn as u32, slots,
                "unevenness {unevenness}: {found:?}"
            );
        }
    }
}

#[test]
fn lost_and_surplus_pulses_do_not_hide_them() {
    let drive = drive(30, 0.01, 3);
    let times = drive.pulses();
    let lost = pulse_faults::lose(&times, 200, 4);
    let damaged = pulse_faults::bounce(&lost, 150, (0.4e-3, 2e-3), 5);
    let train = Train::of(&damaged);
    let (gone, more) = (times.len() - lost.len(), damaged.len() - lost.len());
    assert!(
        train.lost.abs_diff(gone) <= 1 && train.surplus.abs_diff(more) <= 1,
        "{} {gone} {} {more}",
        train.lost,
        train.surplus
    );
    assert_eq!(find(&[train]).expect("found").a_turn, 30);
}

#[test]
fn an_even_wheel_has_no_slots_to_be_found() {
    for seed in 0..40 {
        let even = TapedDrive {
            stray: 0.004,
            ..drive(24, 0.0, seed)
        };
        let found = find(&[Train::of(&even.pulses())]);
        assert_eq!(found, None, "seed {seed}");
    }
}

#[test]
fn slot_offsets_are_those_of_the_wheel() {
    let drive = drive(24, 0.01, 9);
    let train = Train::of(&drive.pulses());
    let found = offsets(&train, 24).expect("enough turns");
    // The wheel's own, up to the slot with which the drive began.
    let wheel = ground_truth::Wheel::new(drive.wheel).expect("a wheel");
    let truth: Vec<f64> = (24..48u64)
        .map(|k| wheel.pulse_at(k) / 0.05 - k as f64)
        .collect();
    let off = |turn: usize| {
        let each = found.shares.iter().enumerate();
        each.map(|(k, s)| (s - truth[(k + turn) % 24]).abs())
            .fold(0.0, f64::max)
    };
    let best = (0..24).map(off).fold(f64::MAX, f64::min);
    assert!(best < 0.0015, "{best}");
    assert!(
        (found.unevenness / 0.01 - 1.0).abs() < 0.4 && found.half_width < 0.0015,
        "{found:?}"
    );
}

#[test]
fn pulses_a_metre_and_slip_hold_the_truth() {
    let runs = |scale: f64, from: u64| -> Vec<Run> {
        let each = (from..from + 4).map(|seed| TapedDrive {
            scale,
            distance_m: 80.0 + seed as f64,
            seed,
            ..drive(30, 0.01, 1)
        });
        each.map(|d| Run {
            times: d.pulses(),
            distance_m: d.distance_m,
        })
        .collect()
    };
    let free = pulses_per_m(&runs(1.0, 20), 0.02).expect("told");
    assert!(free.holds(20.0) && free.half_width < 0.03, "{free}");
    let loaded = pulses_per_m(&runs(0.97, 50), 0.02).expect("told");
    assert!(loaded.holds(20.0 / 0.97), "{loaded}");
    let slip = slip(&loaded, &free).percent;
    assert!(slip.holds(3.0) && slip.half_width < 0.2, "{slip}");
}

/// The share of intervals that hold the truth, over 400 wheels with 3 runs each: the tape is exact
/// here, so what is tested is counting and Student's factor. At least 95 %; more, since the
/// interval never goes below what counting allows.
#[test]
fn the_interval_holds_the_truth_as_often_as_it_says() {
    let mut held = 0;
    for wheel in 0..400u64 {
        let runs: Vec<Run> = (0..3)
            .map(|k| {
                let mut d = drive(16, 0.02, 7 * wheel + k);
                d.wheel.pulse_length_m = 0.13;
                d.distance_m = 30.0 + 0.37 * k as f64;
                Run {
                    times: d.pulses(),
                    distance_m: d.distance_m,
                }
            })
            .collect();
        held += usize::from(pulses_per_m(&runs, 0.0).expect("told").holds(1.0 / 0.13));
    }
    println!("pulses a metre: {held} of 400 intervals hold the truth");
    assert!(held >= 376, "{held} of 400");
}

#[test]
fn what_tells_nothing_is_refused() {
    let none = pulses_per_m(&[], 0.0).unwrap_err();
    assert!(none.what.contains("no run"));
    let short = Run {
        times: vec![0.0, 1.0],
        distance_m: 10.0,
    };
    assert!(
        pulses_per_m(std::slice::from_ref(&short), 0.0)
            .unwrap_err()
            .what
            .contains("run 1 has 2 pulses")
    );
    let nowhere = Run {
        distance_m: 0.0,
        ..short
    };
    assert!(
        pulses_per_m(&[nowhere], 0.0)
            .unwrap_err()
            .what
            .contains("no distance")
    );
    assert_eq!(find(&[Train::of(&[0.0, 1.0, 2.0])]), None);
    assert_eq!(offsets(&Train::of(&[0.0, 1.0, 2.0]), 2), None);
}
