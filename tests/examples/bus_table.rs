//! Prints start errors with speed from the tractor bus beside those with a wheel's pulses:
//! the same drives, plants and images.
//!
//! `cargo run --release -p system-tests --example bus_table`

use system_tests::accuracy::{Bus, Case, Outcome, Stats, drive, drive_by_bus, profiles};

fn main() {
    let all = profiles::all();
    let seeds = || 1001..=1005;
    println!("Start error in mm: rms, 99.9 %, largest. Speed 1 m/s or more from the image to the");
    println!("opening; images 80 ± 15 ms old with exact capture times; 20 ms to open.");
    println!("Bus: 10 messages a second, whole mm and mm/s, pulses of 50 mm made of them.");
    let bus = |age_s, held_up_s| Bus {
        pulse_mm: 50,
        age_s,
        held_up_s,
    };
    let case = Case::main((50, 40));
    let columns: [(&str, Outcome); 5] = [
        ("wheel, 50 mm, 1 % uneven", drive(&all, &case, seeds())),
        (
            "wheel, 130 mm",
            drive(&all, &Case::main((130, 16)), seeds()),
        ),
        (
            "bus, at once",
            drive_by_bus(&all, &case, seeds(), bus(0.0, 0.0)),
        ),
        (
            "bus, 50 ms old",
            drive_by_bus(&all, &case, seeds(), bus(0.050, 0.0)),
        ),
        (
            "bus, 50 ms old, held up to 10 ms",
            drive_by_bus(&all, &case, seeds(), bus(0.050, 0.010)),
        ),
    ];
    for (name, outcome) in &columns {
        println!("\n== {name}: {} plants", outcome.pooled().n);
        for (profile, errors) in &outcome.settled {
            println!("   {profile:29} {}", Stats::of(errors));
        }
        println!("   {:29} {}", "all", outcome.pooled());
    }
}
