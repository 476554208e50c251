//! Speed from the tractor bus against a wheel's pulses: the same drives, judged by the exact
//! motion. `examples/bus_table` prints the whole table.

use system_tests::accuracy::{Bus, Case, Stats, drive, drive_by_bus, profiles};

#[test]
fn the_bus_places_worse_than_a_wheel_and_within_its_bounds() {
    let five = profiles::first_five();
    let case = Case::main((50, 40));
    let wheel = drive(&five, &case, 1..=1).pooled();
    let with = |age_s, held_up_s| {
        let bus = Bus {
            pulse_mm: 50,
            age_s,
            held_up_s,
        };
        drive_by_bus(&five, &case, 1..=1, bus).pooled()
    };
    let (exact, old, held_up) = (with(0.0, 0.0), with(0.050, 0.0), with(0.050, 0.010));
    println!("bus against wheel: wheel {wheel}; bus {exact}; 50 ms old {old}; held up {held_up}");
    let plants = |stats: &Stats| stats.n;
    assert_eq!(plants(&wheel), plants(&exact));
    assert!(wheel.rms < exact.rms, "{wheel} for {exact}");
    assert!(exact.rms < 60.0 && old.rms < 60.0, "{exact}, {old}");
    assert!(held_up.rms > exact.rms, "{held_up} for {exact}");
}
