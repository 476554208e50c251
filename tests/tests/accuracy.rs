//! How near the start of a patch lies to where it should: ways of driving times
//! wheels, with learned slot offsets and without.
//!
//! The judge is the exact motion in `f64`; nothing of the core decides a number
//! here. A start error is the true place of half flow at opening less the wanted
//! place, positive when too late. Counted are plants during whose whole way from
//! the image to the opening the machine drives at 1 m/s or more: slower, a place
//! between two pulses can't be known. Learning starts cold in every run; the first
//! [`LEARNING_M`] are shown apart. So are plants seen within two pulses of a
//! standstill, where no speed is known yet.

use controller_core::{Action, PulseLength, Span};
use ground_truth::Ground;
use ground_truth::motion::{Motion, Piece};
use ground_truth::wheel::{Wheel, WheelSpec};
use system_tests::{Input, one_lane, plant, run};

/// Pulse length in mm and slots a turn: wheels of about 2 m around. Then the most
/// that learned starts may err, mm: RMS, 99.9 %, largest.
const WHEELS: [(u32, u16, [f64; 3]); 4] = [
    (20, 100, [0.4, 2.0, 3.5]),
    (50, 40, [0.6, 2.5, 5.3]),
    (130, 16, [1.4, 5.5, 12.0]),
    (400, 5, [2.2, 32.0, 75.0]),
];
const SEEDS: std::ops::RangeInclusive<u64> = 1001..=1005;
const OPEN_DELAY_S: f64 = 0.020;
/// Stretch at the start of every run in which the wheel is still being learned.
const LEARNING_M: f64 = 100.0;
/// A report that comes later than this before the command is nobody's to meet.
const NOTICE_S: f64 = 0.005;
const LEAD_M: f64 = 0.050;
const DETECTOR_M: f64 = 1.0;

fn pieces(list: &[(f64, f64)], times: usize) -> Vec<Piece> {
    let once = list.iter().map(|&(duration_s, acceleration)| Piece {
        duration_s,
        acceleration,
    });
    std::iter::repeat_n(once, times).flatten().collect()
}

/// The five ways of driving, about half a kilometre to a kilometre each.
fn motions() -> Vec<Motion> {
    let new = |v0, list: &[Piece]| Motion::new(0.0, v0, list).expect("drivable");
    // 5 m/s ± 10 % at 0.5 Hz, in pieces of 20 ms.
    let speed = |t: f64| 5.0 + 0.5 * (std::f64::consts::PI * t).sin();
    let wave: Vec<(f64, f64)> = (0..=10_000)
        .map(|i| f64::from(i) * 0.02)
        .map(|t| (t, speed(t)))
        .collect();
    vec![
        new(5.0, &pieces(&[(200.0, 0.0)], 1)),
        new(2.0, &pieces(&[(4.0, 1.0), (4.0, -1.0)], 25)),
        Motion::from_speed_points(0.0, &wave).expect("drivable"),
        new(
            0.0,
            &pieces(&[(5.0, 1.0), (5.0, 0.0), (5.0, -1.0), (2.0, 0.0)], 16),
        ),
        new(0.0, &host_sim::profile::named("ece15_half").expect("known")),
    ]
}

/// A small seeded source of even numbers in 0..1 (SplitMix64).
struct Random(u64);

impl Random {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Mean 0, standard deviation 1: twelve even numbers summed.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

/// Places where the machine stood.
fn standstills(motion: &Motion) -> Vec<f64> {
    let mut places: Vec<f64> = (0..)
        .map(|i| f64::from(i) * 0.1)
        .take_while(|&t| t < motion.end())
        .filter(|&t| motion.speed(t) < 1e-6)
        .map(|t| motion.position(t))
        .collect();
    places.dedup_by(|a, b| (*a - *b).abs() < 0.001);
    places
}

#[derive(Clone, Copy, Default)]
struct Case {
    pulse_mm: u32,
    slots: u16,
    /// What the controller is told.
    told: u16,
    /// One pulse in so many is lost; 0 for none.
    lost_in: u32,
}

#[derive(Default)]
struct Outcome {
    errors_mm: Vec<f64>,
    /// The same for the first metres.
    learning_mm: Vec<f64>,
    /// The same for plants seen while pulling away.
    away_mm: Vec<f64>,
    in_use: usize,
    drop_outs: u32,
}

fn drive(motion: &Motion, case: Case, seed: u64, outcome: &mut Outcome) {
    let mut random = Random(seed);
    let end = motion.end();
    let wheel = Wheel::new(WheelSpec {
        pulse_length_m: f64::from(case.pulse_mm) / 1000.0,
        slots: u32::from(case.slots),
        unevenness: 0.01,
        stamp_jitter_s: 10e-6,
        seed,
    })
    .expect("a usual wheel");
    let stamps = wheel.pulses(motion, end);
    let mut inputs: Vec<(u64, Input)> = Vec::new();
    for t in stamps {
        let lost = case.lost_in > 0 && random.even() * f64::from(case.lost_in) < 1.0;
        if !lost {
            inputs.push(((t * 1e6).round() as u64, Input::Pulse));
        }
    }
    // Wanted place, and whether the plant is seen while pulling away.
    let mut wanted: Vec<(f64, bool)> = Vec::new();
    let mut halted = 0.0;
    let stops = standstills(motion);
    let halts = !stops.is_empty();
    let mut place = 3.0;
    while place < motion.position(end) - 3.0 {
        place += 0.45 + 0.3 * random.even();
        let Some(seen) = motion.time_at(place - DETECTOR_M) else {
            break;
        };
        if let Some(stop) = stops.iter().rev().find(|&&stop| stop < place - DETECTOR_M) {
            halted = *stop;
        }
        let captured = (seen * 1e6).round();
        let delay = (0.080 + 0.015 * random.normal()).max(0.01);
        // `one_lane` mounts its detector on the reference point and sees this far ahead.
        let ahead = place - motion.position(captured / 1e6);
        let image = Input::Image {
            captured: captured as u64,
            seen: (900, 1100),
            plants: vec![plant((ahead * 1e6).round() as i32, 0, 40_000, 40_000)],
        };
        inputs.push(((captured + delay * 1e6).round() as u64, image));
        let start = place - 0.02 - LEAD_M;
        let opens = motion.time_at(start).unwrap_or(end);
        let slowest = (0..=50)
            .map(|i| motion.speed(seen + (opens - seen) * f64::from(i) / 50.0))
            .fold(f64::INFINITY, f64::min);
        let in_time = seen + delay + NOTICE_S <= opens - OPEN_DELAY_S;
        if slowest >= 1.0 && in_time {
            let away = place - DETECTOR_M - halted < 2.0 * f64::from(case.pulse_mm) / 1000.0;
            wanted.push((start, halts && away));
        }
    }
    inputs.sort_by_key(|i| i.0);
    let mut core = one_lane(|config, nozzle| {
        nozzle.throw = Span(0);
        let nm = u64::from(case.pulse_mm) * 1_000_000;
        config.wheel.pulse_length = PulseLength::from_nm(nm).expect("usual");
        config.wheel.creep_speed =
            controller_core::Speed::from_mm_s(if case.pulse_mm > 300 { 400 } else { 300 });
        config.wheel.slots_per_turn = case.told;
    });
    let commands = run(&mut core, &inputs, (end * 1e6) as u64, &[]);
    let mut landed: Vec<f64> = commands
        .iter()
        .filter(|c| c.action == Action::Open)
        .map(|c| c.at.0 as f64 / 1e6 + OPEN_DELAY_S)
        .map(|t| motion.position(t))
        .collect();
    landed.sort_by(f64::total_cmp);
    for (start, away) in wanted {
        let next = landed.partition_point(|&l| l < start);
        let near = |i: usize| landed.get(i).map_or(f64::INFINITY, |l| l - start);
        let (before, after) = (near(next.wrapping_sub(1)), near(next));
        let error = if before.abs() < after.abs() {
            before
        } else {
            after
        };
        assert!(
            error.is_finite(),
            "{:?} {} {:?}",
            core.counters(),
            inputs.len(),
            commands.len()
        );
        let list = if away {
            &mut outcome.away_mm
        } else if start < LEARNING_M {
            &mut outcome.learning_mm
        } else {
            &mut outcome.errors_mm
        };
        list.push(error * 1000.0);
    }
    outcome.in_use += usize::from(core.slots_in_use());
    outcome.drop_outs += core.counters().slot_drop_outs as u32;
}

fn all(case: Case) -> Outcome {
    let mut outcome = Outcome::default();
    let seeds = match std::env::var("ACCURACY_SEEDS").as_deref() {
        Ok("tune") => 1..=5,
        _ => SEEDS,
    };
    for (i, motion) in motions().iter().enumerate() {
        let at = outcome.errors_mm.len();
        for seed in seeds.clone() {
            drive(motion, case, seed * 10 + i as u64, &mut outcome);
        }
        if std::env::var("ACCURACY_EACH").is_ok() {
            println!("     profile {i}: {:?}", stats(&outcome.errors_mm[at..]));
        }
    }
    outcome
}

/// RMS, 99.9 % and largest of the absolute errors, mm.
fn stats(errors: &[f64]) -> [f64; 3] {
    let mut sorted: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    let rms = (sorted.iter().map(|e| e * e).sum::<f64>() / n as f64).sqrt();
    let rank = (n as f64 * 0.999).ceil() as usize;
    [rms, sorted[rank - 1], sorted[n - 1]]
}

fn row(name: &str, case: Case) -> [f64; 3] {
    let outcome = all(case);
    let figures = stats(&outcome.errors_mm);
    let [rms, most, largest] = figures;
    let [cold_rms, _, cold_largest] = stats(&outcome.learning_mm);
    let away = outcome.away_mm.iter().fold(0.0_f64, |a, e| a.max(e.abs()));
    println!(
        "{:4} mm {name:34} {rms:6.2} {most:7.2} {largest:7.2}  first 100 m {cold_rms:6.2} {cold_largest:7.2}, pulling away {away:6.2}; {} plants, in use at the end of {} runs of 25, {} drop-outs",
        case.pulse_mm,
        outcome.errors_mm.len(),
        outcome.in_use,
        outcome.drop_outs
    );
    figures
}

fn no_worse(learned: [f64; 3], unlearned: [f64; 3]) {
    for (l, u) in learned.iter().zip(unlearned) {
        assert!(*l <= u * 1.1, "{learned:?} against {unlearned:?}");
    }
}

#[test]
fn starts_lie_where_a_pulse_sensor_allows() {
    println!("start error, mm: rms, 99.9 %, largest");
    for (pulse_mm, slots, goal) in WHEELS {
        let case = Case {
            pulse_mm,
            slots,
            ..Case::default()
        };
        let unlearned = row("unlearned", case);
        let learned = row(
            "learned",
            Case {
                told: slots,
                ..case
            },
        );
        no_worse(learned, unlearned);
        for (l, g) in learned.iter().zip(goal) {
            assert!(*l <= g, "{pulse_mm} mm: {learned:?}, goal {goal:?}");
        }
    }
}

#[test]
fn what_does_not_fit_is_not_used() {
    for (pulse_mm, slots, _) in WHEELS {
        let case = Case {
            pulse_mm,
            slots,
            ..Case::default()
        };
        let unlearned = row("unlearned", case);
        for told in [slots - 1, slots + 1, slots / 2 + 1] {
            let name = format!("told {told} slots for {slots}");
            let learned = row(&name, Case { told, ..case });
            no_worse(learned, unlearned);
        }
    }
}

#[test]
fn a_lost_pulse_does_no_more_harm_than_without_learning() {
    for (pulse_mm, slots, _) in WHEELS {
        let case = Case {
            pulse_mm,
            slots,
            lost_in: 500,
            ..Case::default()
        };
        let unlearned = row("unlearned, 1 in 500 lost", case);
        let learned = row(
            "learned, 1 in 500 lost",
            Case {
                told: slots,
                ..case
            },
        );
        no_worse(learned, unlearned);
    }
}
