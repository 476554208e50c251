//! Unseen ground, sprayed or skipped.

use super::*;

/// Unseen ground is sprayed with the margins of a plant; broadcast ends where sight begins.
/// The detector sees 5.0 to 7.0 m in an image of 2.0 s (x = 4 m).
#[test]
fn spot_takes_effect_where_sight_begins() {
    let mut core = one_lane(|c, _| c.modes.unseen = UnseenPolicy::Spray);
    let inputs = [
        (500_500, mode(Mode::Broadcast)),
        (2_080_000, sight(2_000_000, 1.0, 3.0, &[])),
        (2_100_500, mode(Mode::Spot)),
        (4_000_500, mode(Mode::Off)),
    ];
    let commands = drive(&mut core, &inputs);
    // Before the broadcast nothing was seen either: open from the first speed on.
    assert_eq!(commands.len(), 4, "{commands:?}");
    assert!(commands[0].at.0 < 100_000);
    let wanted = [
        (Close, (5.0 + 0.05 - 0.05) / 2.0 - 0.015),
        (Open, (7.0 - 0.05 - 0.05) / 2.0 - 0.020),
        (Close, 4.002),
    ];
    expect(&commands[1..], &wanted);
    assert_eq!(core.counters().late, 0);
}

/// With the other policy the same ground stays dry and is counted.
#[test]
fn skipped_ground_stays_dry_and_is_counted() {
    let mut core = one_lane(plain);
    let inputs = [(2_080_000, sight(2_000_000, 1.0, 3.0, &[]))];
    assert!(drive(&mut core, &inputs).is_empty());
    // 10 m less 2 m seen, 1 m of view; the last two pulses may be left.
    let m2 = core.counters().unseen_mm2 as f64 * 1e-6;
    assert!(m2 <= 8.01 && m2 > 7.95, "{m2}");
}

/// A detector that falls silent leaves its ground unseen: images each 0.25 s to 2.0 s.
#[test]
fn ground_of_a_silent_detector_is_unseen() {
    let mut core = one_lane(|c, _| c.modes.unseen = UnseenPolicy::Spray);
    let mut inputs = Vec::new();
    for k in 0..=8u64 {
        inputs.push((k * 250_000 + 1, sight(k * 250_000, 0.0, 2.0, &[])));
    }
    let commands = drive(&mut core, &inputs);
    // Seen to 4 + 2 = 6 m; dry up to there but for the ground before the first image.
    let last = &commands[commands.len() - 2..];
    assert_eq!((last[0].action, last[1].action), (Open, Close));
    expect(&last[..1], &[(Open, (6.0 - 0.05 - 0.05) / 2.0 - 0.020)]);
    assert_eq!(core.detector_silent(0), Some(true));
}
