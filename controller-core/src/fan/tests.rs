//! Sets of nozzles against every subset there is, in `f64` and from the definition.

use super::*;
use proptest::prelude::*;
extern crate std;
use std::vec::Vec;

fn nozzle(y: i32) -> NozzleConfig {
    NozzleConfig {
        y: Length::from_bits(y),
        ..NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))
    }
}

fn row(count: i32, spacing: i32) -> Vec<NozzleConfig> {
    (0..count).map(|i| nozzle(i * spacing)).collect()
}

/// Dose at `y` of nozzles below `mounts`, as a share of the broadcast dose.
fn share(config: &FanConfig, mounts: &[f64], y: f64) -> f64 {
    let half = f64::from(config.half_width.bits());
    let flat = f64::from(config.flat_half.bits());
    let broadcast = (half + flat) / f64::from(config.spacing.bits());
    let one = |mount: f64| {
        let u = (y - mount).abs();
        if u <= flat {
            1.0
        } else if u < half {
            (half - u) / (half - flat)
        } else {
            0.0
        }
    };
    mounts.iter().map(|&m| one(m)).sum::<f64>() / broadcast
}

/// Points of a stretch between which shares are straight lines: corners, ends, and the
/// middles between. Slivers below two counts are left out where sides are upright.
fn points(config: &FanConfig, mounts: &[f64], left: f64, right: f64) -> Vec<f64> {
    let half = f64::from(config.half_width.bits());
    let flat = f64::from(config.flat_half.bits());
    let mut corners: Vec<f64> = mounts
        .iter()
        .flat_map(|m| [m - half, m - flat, m + flat, m + half])
        .chain([left, right])
        .filter(|y| (left..=right).contains(y))
        .collect();
    corners.sort_by(f64::total_cmp);
    let upright = half - flat < 16.0;
    let between: Vec<f64> = corners
        .windows(2)
        .filter(|w| w[1] - w[0] > 2.5)
        .map(|w| 0.5 * (w[0] + w[1]))
        .collect();
    if upright {
        between
    } else {
        [corners, between].concat()
    }
}

/// The lowest share above what is wanted (or can be had); 0 or more is enough.
fn spare(config: &FanConfig, wanted: f64, all: &[f64], set: &[f64], left: f64, right: f64) -> f64 {
    let mut at = points(config, all, left, right);
    // What can be had bends where all together just reach the wanted share.
    let over = |y: f64| share(config, all, y) - wanted;
    let bends: Vec<f64> = at
        .iter()
        .zip(at.iter().skip(1))
        .filter(|(a, b)| over(**a) * over(**b) < 0.0)
        .map(|(&a, &b)| a + (b - a) * over(a) / (over(a) - over(b)))
        .collect();
    if config.half_width.bits() - config.flat_half.bits() >= 16 {
        at.extend(bends);
    }
    at.into_iter()
        .map(|y| share(config, set, y) - wanted.min(share(config, all, y)))
        .fold(f64::INFINITY, f64::min)
}

fn fans() -> impl Strategy<Value = FanConfig> {
    // Slopes of 1 mm and more, and upright sides.
    let sides = prop_oneof![
        2 => (1_000..20_000_i32).prop_map(|half| (half, 0)),
        2 => (1_000..20_000_i32, 0.0..1.0_f64).prop_map(|(half, flat)| {
            (half, ((f64::from(half) - 16.0) * flat) as i32)
        }),
        1 => (1_000..20_000_i32).prop_map(|half| (half, half)),
    ];
    (
        sides,
        prop_oneof![Just(8_000), 2_000..10_000_i32],
        prop_oneof![3 => Just(9_000), 1 => 3_000..9_990_u16],
    )
        .prop_map(|((half, flat), spacing, wanted_share)| FanConfig {
            half_width: Length::from_bits(half),
            flat_half: Length::from_bits(flat),
            spacing: Length::from_bits(spacing),
            wanted_share,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(3_000))]

    /// Never under the share where it can be had, and never more nozzles than the best
    /// of all subsets for a share higher by two thousandths.
    #[test]
    fn no_subset_is_better(
        config in fans(),
        even in any::<bool>(),
        // Nozzles closer than what one is meant for: every other one may be enough.
        closer in prop_oneof![3 => Just(1), 1 => 2..4_i32],
        count in 1..8_i32,
        jitter in prop::collection::vec(-3_000..3_000_i32, 8),
        faults in prop::collection::vec(prop::bool::weighted(0.15), 8),
        some_faulty in any::<bool>(),
        (at, width) in (0.0..1.0_f64, prop_oneof![20..2_000_i32, 10..20_000_i32]),
    ) {
        let spacing = config.spacing.bits() / closer;
        let mut mounts: Vec<i32> = (0..count)
            .map(|i| i * spacing + if even { 0 } else { jitter[i as usize] })
            .collect();
        mounts.sort_unstable();
        // Nozzles nearer than 6 mm make slivers that no rounding can tell from nothing.
        mounts.dedup_by(|next, kept| *next - *kept < 100);
        let nozzles: Vec<NozzleConfig> = mounts.iter().map(|&y| nozzle(y)).collect();
        let faulty = if some_faulty { &faults[..nozzles.len()] } else { &[] };
        let left = (at * f64::from(count * spacing)) as i32 - spacing / 2 - width / 2;
        let right = left + width;
        let fan = Fan::new(&config, &nozzles).expect("a sound fan");
        let aim = fan.aim(&nozzles, faulty, left, right);
        prop_assert!(aim.smallest);
        let healthy: Vec<f64> = mounts.iter().enumerate()
            .filter(|(i, _)| !faulty.get(*i).copied().unwrap_or(false))
            .map(|(_, &y)| f64::from(y)).collect();
        let set: Vec<f64> = aim.set.range().filter(|&i| aim.set.opens(i))
            .map(|i| f64::from(mounts[i])).collect();
        prop_assert_eq!(set.len(), aim.set.count());
        prop_assert!(set.iter().all(|y| healthy.contains(y)), "a faulty nozzle is in the set");
        let wanted = f64::from(config.wanted_share) / 1e4;
        let (l, r) = (f64::from(left), f64::from(right));
        let got = spare(&config, wanted, &healthy, &set, l, r);
        // A pattern narrower by a count may leave that much of an end out.
        let count_share = 8.0 / f64::from(config.half_width.bits() - config.flat_half.bits()).max(16.0)
            / (f64::from((config.half_width.bits() + config.flat_half.bits()).max(1)) / f64::from(config.spacing.bits()));
        let least = points(&config, &healthy, l, r).into_iter().map(|y| share(&config, &healthy, y)).fold(f64::INFINITY, f64::min);
        let allowed = if least < wanted * 1.002 { count_share } else { 1e-9 };
        prop_assert!(got >= -allowed, "short by {} with {:?} of {:?}", -got, set, healthy);
        // What the core calls short is short within its roundings, and the other way round.
        if config.half_width != config.flat_half {
            prop_assert!(!aim.short || least < wanted * 1.002 + count_share);
            prop_assert!(aim.short || least >= wanted);
        }
        // Upright sides that end within a count of the stretch may or may not count.
        let upright = config.half_width.bits() - config.flat_half.bits() < 16;
        let (l, r) = if upright { (l - 4.0, r + 4.0) } else { (l, r) };
        for choice in 0_u32..1 << healthy.len() {
            if (choice.count_ones() as usize) < set.len() {
                let subset: Vec<f64> = healthy.iter().enumerate().filter(|(i, _)| choice >> i & 1 == 1).map(|(_, &y)| y).collect();
                let room = spare(&config, wanted * 1.002 + count_share, &healthy, &subset, l, r);
                prop_assert!(room < 0.0 || room.is_infinite(), "{:?} would do, chosen {:?} of {:?}", subset, set, healthy);
            }
        }
    }

    /// On an even boom the table and the search agree on how many.
    #[test]
    fn the_table_agrees_with_the_search(
        half in 5_000..30_000_i32,
        flat in 0.0..0.9_f64,
        at in 0..200_000_i32,
        width in 1..9_000_i32,
        wanted_share in 8_000..9_500_u16,
    ) {
        let config = FanConfig {
            half_width: Length::from_bits(half),
            flat_half: Length::from_bits((f64::from(half) * flat) as i32),
            spacing: Length::from_bits(8_000),
            wanted_share,
        };
        let nozzles = row(24, 8_000);
        let fan = Fan::new(&config, &nozzles).expect("a sound fan");
        let slow = Fan { runs: false, ..fan };
        let (a, b) = (fan.aim(&nozzles, &[], at, at + width), slow.aim(&nozzles, &[], at, at + width));
        prop_assert_eq!(a.short, b.short);
        prop_assert!(a.smallest || !fan.runs);
        let agrees = if b.smallest { a.set.count() == b.set.count() } else { a.set.count() <= b.set.count() };
        prop_assert!(agrees, "{:?} {:?}", a, b);
    }
}

/// 110° at 0.5 m: 2 · 0.5 m · tan 55° = 1.4281 m wide, 0.71407 m to each side. A tapered
/// fan's peak over the broadcast dose is spacing / half width = 0.5 / 0.71407 = 0.7002;
/// 0.25 m aside it is 0.7002 · (1 − 0.25 / 0.71407) = 0.4551, 0.5 m aside 0.2099.
fn usual(wanted_share: u16) -> (Fan, Vec<NozzleConfig>) {
    let nozzles = row(8, 8_000);
    let config = FanConfig {
        wanted_share,
        ..FanConfig::new(
            Length::from_um(714_074),
            Length::default(),
            Length::from_mm(500),
        )
    };
    (Fan::new(&config, &nozzles).expect("a sound fan"), nozzles)
}

#[test]
fn one_nozzle_gives_seven_tenths_below_itself() {
    let count = |wanted, at: i32| {
        let (fan, nozzles) = usual(wanted);
        let aim = fan.aim(&nozzles, &[], at - 1, at + 1);
        assert!(!aim.short);
        aim.set.count()
    };
    // Below nozzle 3: alone up to 0.700.
    assert_eq!((count(6_995, 24_000), count(7_010, 24_000)), (1, 2));
    // At its lane's edge: alone up to 0.455, with the neighbour up to 0.910.
    assert_eq!((count(4_545, 28_000), count(4_560, 28_000)), (1, 2));
    assert_eq!(count(9_090, 28_000), 2);
}

#[test]
fn a_wide_plant_takes_a_run_and_an_end_of_the_boom_is_short() {
    let (fan, nozzles) = usual(9_000);
    assert!(fan.runs);
    // From nozzle 2 to nozzle 4, and a little more: 0.7002 + 0.2099 = 0.910 below an outer
    // one falls by 2 · 0.7002 / 0.714 a metre, so 0.9 lasts 5 mm beyond it.
    let aim = fan.aim(&nozzles, &[], 16_000, 32_000);
    assert_eq!((aim.set.range(), aim.set.count()), (2..5, 3));
    let aim = fan.aim(&nozzles, &[], 16_000 - 200, 32_000);
    assert_eq!(aim.set.range(), 1..5);
    // Half a lane beyond the last nozzle it is 0.455 with all there is.
    let aim = fan.aim(&nozzles, &[], 59_000, 60_000);
    assert_eq!((aim.set.range(), aim.short), (6..8, true));
    // Far beyond there is nothing.
    assert_eq!(fan.aim(&nozzles, &[], 80_000, 81_000).set.count(), 0);
}

#[test]
fn a_faulty_nozzle_is_replaced_where_others_can() {
    let (fan, nozzles) = usual(5_000);
    let mut faulty = [false; 8];
    faulty[3] = true;
    // Below nozzle 3 its two neighbours give 2 · 0.2099 = 0.42: short of 0.5.
    let aim = fan.aim(&nozzles, &faulty, 23_990, 24_010);
    assert_eq!(
        (
            aim.set.range(),
            aim.set.opens(3),
            aim.set.count(),
            aim.short
        ),
        (2..5, false, 2, true)
    );
    // A tenth of a metre off 0.42 still, the two ramps make it up to each other; with a
    // wanted share of 0.4 they do.
    let (fan, nozzles) = usual(4_000);
    let aim = fan.aim(&nozzles, &faulty, 23_990, 24_010);
    assert_eq!(
        (aim.set.opens(3), aim.short, aim.set.count()),
        (false, false, 2)
    );
}

#[test]
fn a_stretch_under_more_nozzles_than_are_searched_takes_them_all() {
    let nozzles = row(60, 1_000);
    let config = FanConfig::new(
        Length::from_bits(20_000),
        Length::default(),
        Length::from_bits(1_000),
    );
    let fan = Fan::new(&config, &nozzles).expect("a sound fan");
    assert!(!fan.runs, "wider than the table");
    let aim = fan.aim(&nozzles, &[], 29_000, 31_000);
    assert!(!aim.smallest && !aim.short);
    assert_eq!(aim.set.count(), 41);
}

#[test]
fn upright_sides_that_just_meet_serve_their_seam() {
    let nozzles = row(3, 8_000);
    let config = FanConfig {
        wanted_share: WHOLE_SHARE,
        ..FanConfig::new(
            Length::from_mm(250),
            Length::from_mm(250),
            Length::from_mm(500),
        )
    };
    let fan = Fan::new(&config, &nozzles).expect("a sound fan");
    let aim = fan.aim(&nozzles, &[], 3_900, 4_100);
    assert_eq!((aim.set.count(), aim.short), (2, false));
    assert_eq!(fan.aim(&nozzles, &[], 5_000, 6_000).set.count(), 1);
}
