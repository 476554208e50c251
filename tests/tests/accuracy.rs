//! The accuracy table over few seeds: goals, a golden snapshot, and that learning the
//! wheel's slots never does harm. `cargo run --release -p system-tests --example
//! accuracy_table` prints it over twenty.

use std::fmt::Write as _;
use system_tests::accuracy::{Case, Outcome, ROWS, STUDY, Simple, Stats, WHEELS};
use system_tests::accuracy::{drive, drive_simple, profiles};

/// RMS, 99.9 % and largest that learned starts may err on the first five profiles, mm.
const GOALS: [(u32, [f64; 3]); 4] = [
    (20, [0.4, 2.0, 3.5]),
    (50, [0.6, 2.5, 5.3]),
    (130, [1.4, 5.5, 12.0]),
    (400, [2.2, 32.0, 75.0]),
];
const SEEDS: std::ops::RangeInclusive<u64> = 1001..=1001;

fn wheel(pulse_mm: u32) -> (u32, u16) {
    *WHEELS.iter().find(|w| w.0 == pulse_mm).expect("a wheel")
}

#[test]
fn starts_lie_where_a_pulse_sensor_allows() {
    let five = profiles::first_five();
    for (pulse_mm, goal) in GOALS {
        let outcome = drive(&five, &Case::main(wheel(pulse_mm)), 1001..=1003);
        let found = outcome.pooled();
        println!("{pulse_mm:4} mm, first five: {found}, {} plants", found.n);
        assert!(found.n > 15_000, "{} plants", found.n);
        assert_eq!(outcome.in_use, outcome.runs);
        for (f, g) in found.figures().iter().zip(goal) {
            assert!(*f <= g, "{pulse_mm} mm: {found}, goal {goal:?}");
        }
    }
}

/// Every row over all eight profiles, rounded so that a last bit of `sin` on another
/// machine does not show.
fn golden(pulse_mm: u32) -> String {
    let all = profiles::all();
    let mut text = format!("{pulse_mm} mm a pulse; rms, 99.9 %, largest in mm\n");
    let mut line = |name: &str, s: Stats| {
        writeln!(
            text,
            "{name:28}{:6.1}{:6.0}{:6.0}",
            s.rms, s.p99_9, s.largest
        )
        .expect("a string");
    };
    for (name, change) in ROWS {
        let outcome = drive(&all, &change(Case::main(wheel(pulse_mm))), SEEDS);
        line(name, outcome.pooled());
        if name == ROWS[0].0 {
            for (profile, errors) in &outcome.settled {
                line(&format!("  {profile}"), Stats::of(errors));
            }
        }
    }
    text
}

#[test]
fn golden_20_mm() {
    insta::assert_snapshot!(golden(20));
}

#[test]
fn golden_50_mm() {
    insta::assert_snapshot!(golden(50));
}

#[test]
fn golden_130_mm() {
    insta::assert_snapshot!(golden(130));
}

#[test]
fn golden_400_mm() {
    insta::assert_snapshot!(golden(400));
}

/// The world is the one in which the budgets were found: the two simple ways to keep
/// time come out as they did there, within 15 %.
#[test]
fn simple_ways_err_as_in_the_study() {
    let five = profiles::first_five();
    for (pulse_mm, fixed, whole) in STUDY {
        for (way, study) in [(Simple::FixedDelay, fixed), (Simple::WholePulses, whole)] {
            let outcome = drive_simple(&five, &Case::main(wheel(pulse_mm)), 1001..=1003, way);
            let found = outcome.pooled().rms;
            println!(
                "{pulse_mm:4} mm {way:?}: {found:.1} mm rms, study {}",
                study[0]
            );
            if way == Simple::FixedDelay && pulse_mm == 400 {
                // The study counts plants seen while pulling away too, a few of which
                // it misses by tens of metres: too few for a figure to hold.
                assert!(outcome.everything().rms > 300.0);
            } else {
                assert!((found / study[0] - 1.0).abs() < 0.15);
            }
        }
    }
}

/// Never worse than unlearned by more than a tenth, whatever is wrong with the wheel.
fn no_worse(pulse_mm: u32) {
    let all = profiles::all();
    let main = Case::main(wheel(pulse_mm));
    let run = |case: Case| -> Outcome { drive(&all, &case, SEEDS) };
    let mut faults: Vec<(String, Case)> = ROWS
        .iter()
        .map(|(name, change)| ((*name).to_owned(), change(main)))
        .filter(|(_, case)| case.told != 0 && case.scale == 1.0)
        .collect();
    for told in [main.slots - 1, main.slots / 2 + 1] {
        faults.push((format!("told {told}"), Case { told, ..main }));
    }
    let plain = run(Case { told: 0, ..main });
    for (name, case) in faults {
        let without = Case { told: 0, ..case };
        let unlearned = if case.told == main.slots {
            run(without)
        } else {
            plain.clone()
        };
        let learned = run(case).pooled();
        let unlearned = unlearned.pooled();
        println!("{pulse_mm:4} mm {name:26} {learned}   unlearned {unlearned}");
        // The few plants that a lost pulse hits lie where chance puts them: no largest.
        let figures = if case.lost_in > 0 { 2 } else { 3 };
        let pairs = learned.figures().into_iter().zip(unlearned.figures());
        for (l, u) in pairs.take(figures) {
            assert!(l <= u * 1.1, "{pulse_mm} mm {name}: {learned}, {unlearned}");
        }
    }
}

#[test]
fn learning_does_no_harm_at_20_mm() {
    no_worse(20);
}

#[test]
fn learning_does_no_harm_at_50_mm() {
    no_worse(50);
}

#[test]
fn learning_does_no_harm_at_130_mm() {
    no_worse(130);
}

#[test]
fn learning_does_no_harm_at_400_mm() {
    no_worse(400);
}
