//! Every fault within its bound, and the matrix printed.

use system_tests::faults::{Base, Bound, clean, effect, rows};

#[test]
fn the_drive_is_perfect_without_a_fault() {
    for base in [
        Base::Lanes,
        Base::SpraysUnseen,
        Base::Direction,
        Base::Acknowledged,
        Base::Fans,
    ] {
        let report = clean(base);
        let targets = report.targets;
        let start_mm = 1000.0 * report.start.max;
        println!("{base:?}: {} plants, start {start_mm:.1} mm", targets.total);
        assert!(targets.total > 250, "{base:?}");
        // At the ends of a boom of fans no set gives a full dose.
        assert_eq!(
            targets.full + report.beyond_reach,
            targets.total,
            "{base:?}"
        );
        assert!(start_mm < Bound::NOTHING.start_mm, "{base:?}: {start_mm}");
    }
}

#[test]
fn every_fault_stays_within_its_bound() {
    let mut broken = Vec::new();
    println!("lost of plants, ground sprayed, start mm, open beyond bound s");
    for row in rows() {
        let effect = effect(&row, &clean(row.base));
        println!("{effect}  {}", row.name);
        for what in effect.breaks(&row.bound) {
            println!("    {what}");
            broken.push(format!("{}: {what}", row.name));
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
    assert!(rows().len() >= 30);
}
