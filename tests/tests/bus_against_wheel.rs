//! Speed from the tractor bus against a wheel's pulses: the same drives, judged by the exact
//! motion. `examples/bus_table` prints the whole table.

use system_tests::accuracy::{Bus, Case, Stats, drive, drive_by_bus, profiles};

/// How far a figure may lie from what was measured, as a share of it and in mm: the figures
/// below are rounded to 0.01 mm.
const MARGIN: (f64, f64) = (0.10, 0.01);

/// RMS and largest start error, mm.
type Figures = (f64, f64);

/// As `examples/bus_table` prints them: a message's age and longest hold-up, s; then the first
/// five ways of driving.
const MEASURED: [(f64, f64, [Figures; 5]); 3] = [
    (
        0.0,
        0.0,
        [
            (0.02, 0.03),
            (2.45, 17.75),
            (2.72, 7.34),
            (1.23, 8.22),
            (0.37, 2.79),
        ],
    ),
    (
        0.050,
        0.0,
        [
            (0.02, 0.03),
            (12.43, 24.86),
            (10.05, 19.08),
            (11.42, 37.16),
            (3.18, 18.01),
        ],
    ),
    (
        0.050,
        0.010,
        [
            (4.67, 14.10),
            (14.35, 31.67),
            (12.09, 31.75),
            (13.25, 43.45),
            (5.95, 21.92),
        ],
    ),
];

#[test]
fn the_bus_places_worse_than_a_wheel_and_as_measured() {
    let five = profiles::first_five();
    let case = Case::main((50, 40));
    let seeds = || 1001..=1005;
    let wheel: Stats = drive(&five, &case, seeds()).pooled();
    println!("wheel of 50 mm: {wheel}, {} plants", wheel.n);
    assert!(wheel.n > 20_000, "{} plants", wheel.n);
    for (age_s, held_up_s, measured) in MEASURED {
        let bus = Bus {
            pulse_mm: 50,
            age_s,
            held_up_s,
        };
        let found = drive_by_bus(&five, &case, seeds(), bus);
        let pooled = found.pooled();
        println!("bus {age_s} s old, held up to {held_up_s} s: {pooled}");
        // The same plants, each with a start.
        assert_eq!(pooled.n, wheel.n);
        assert!(wheel.rms < pooled.rms, "{wheel} for {pooled}");
        assert_eq!(found.settled.len(), measured.len());
        for ((profile, errors), measured) in found.settled.iter().zip(measured) {
            let found = Stats::of(errors);
            for (figure, measured) in [(found.rms, measured.0), (found.largest, measured.1)] {
                let margin = measured * MARGIN.0 + MARGIN.1;
                let off = (figure - measured).abs();
                assert!(off <= margin, "{profile}: {found}, measured {measured}");
            }
        }
    }
}
