//! Prints the accuracy table: start errors over ways of driving, wheels, and faults of
//! the wheel, beside two simple ways to keep time.
//!
//! `cargo run --release -p system-tests --example accuracy_table` takes seeds 1001 to
//! 1020, which nothing was tuned on; `-- tune` takes 1 to 5.

use system_tests::accuracy::{
    Case, Outcome, ROWS, STUDY, Simple, Stats, WHEELS, drive, drive_simple, profiles,
};

fn main() {
    let seeds = match std::env::args().nth(1).as_deref() {
        None => 1001..=1020,
        Some("tune") => 1..=5,
        Some(other) => {
            eprintln!("accuracy_table: '{other}' is nothing to take; give 'tune' or nothing");
            std::process::exit(2);
        }
    };
    let (all, five) = (profiles::all(), profiles::first_five());
    let slips: Vec<&str> = all.iter().filter(|p| p.slips).map(|p| p.name).collect();
    let late: Vec<&str> = all.iter().skip(five.len()).map(|p| p.name).collect();
    println!("Start error in mm: rms, 99.9 %, largest. Speed 1 m/s or more from the image to");
    println!("the opening; exact capture times; stamps ±10 µs; 20 ms to open; seeds {seeds:?}.");
    println!("The first 100 m of each run, and plants seen within two pulses of a standstill,");
    println!("are left out but for the last two columns (rms, largest).");
    for wheel in WHEELS {
        println!("\n== {} mm a pulse, {} slots a turn", wheel.0, wheel.1);
        println!(
            "{:26} {:^22}   {:^22}   {:^22}   {:^46}   {:^14}   {:^14}",
            "",
            "all eight",
            "seven without slip",
            "the first five",
            "worst",
            "first 100 m",
            "pulling away"
        );
        let mut main = Outcome::default();
        for (name, change) in ROWS {
            let outcome = drive(&all, &change(Case::main(wheel)), seeds.clone());
            let (worst, stats) = outcome.worst();
            let ends = |errors: &[f64]| {
                let s = Stats::of(errors);
                format!("{:6.2} {:7.2}", s.rms, s.largest)
            };
            let c = &outcome.counted;
            println!(
                "{name:26} {}   {}   {}   {stats} {worst:22}   {}   {}",
                outcome.pooled(),
                outcome.pooled_without(&slips),
                outcome.pooled_without(&late),
                ends(&outcome.learning),
                ends(&outcome.away),
            );
            println!(
                "{:26} {} plants; slots in use at the end of {} of {} runs, {} drop-outs; {} pulses put back, {} refused; {} plants re-aimed",
                "",
                outcome.pooled().n,
                outcome.in_use,
                outcome.runs,
                c.slot_drop_outs,
                c.pulses_bridged,
                c.pulses_refused,
                c.reaimed
            );
            if name == ROWS[0].0 {
                main = outcome;
            }
        }
        println!("   {}, profile by profile:", ROWS[0].0);
        for (name, errors) in &main.settled {
            println!("   {name:29} {}", Stats::of(errors));
        }
        simple(wheel, &five, &seeds);
    }
    println!(
        "\nThe slipping wheel can't be known better: 1 % of slip drawn every 50 ms alone makes"
    );
    println!("a metre of ground wrong by some 3 mm at 1.5 m/s, whatever counts the pulses.");
}

fn given(figure: f64) -> String {
    if figure.is_nan() {
        "-".to_owned()
    } else {
        format!("{figure:.0}")
    }
}

/// The two simple ways, beside what the study found.
fn simple(wheel: (u32, u16), five: &[profiles::Profile], seeds: &std::ops::RangeInclusive<u64>) {
    println!("   simple ways on the first five; in brackets the study that set the budgets:");
    for (way, name) in [
        (Simple::FixedDelay, "fixed delay"),
        (Simple::WholePulses, "whole pulses"),
    ] {
        let outcome = drive_simple(five, &Case::main(wheel), seeds.clone(), way);
        let Some((_, fixed, whole)) = STUDY.iter().find(|s| s.0 == wheel.0) else {
            continue;
        };
        let study = if way == Simple::FixedDelay {
            fixed
        } else {
            whole
        };
        let ratio = outcome.pooled().rms / study[0] - 1.0;
        println!(
            "   {name:29} {}   [{}], rms {:+.0} %; with plants seen while pulling away {}",
            outcome.pooled(),
            study.map(given).join(" "),
            ratio * 100.0,
            outcome.everything()
        );
    }
}
