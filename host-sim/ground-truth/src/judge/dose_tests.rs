//! Summed doses: cases worked out by hand, and against a ground of small cells.

use proptest::prelude::*;

use super::*;
use crate::{Motion, Piece, Plant, Valve};

const VALVE: Valve = Valve {
    open_delay_s: 0.020,
    close_delay_s: 0.020,
    open_rise_s: 0.0,
    close_fall_s: 0.0,
};

/// Tapered 110° fans at 0.5 m: 0.7002 of the broadcast dose below, see `fan`.
fn usual() -> TrueFan {
    TrueFan {
        half_width_m: 0.5 * 55.0_f64.to_radians().tan(),
        flat_half_m: 0.0,
        spacing_m: 0.5,
        wanted_share: 0.9,
        twist: 0.0,
        bow_height_m: 0.0,
    }
}

/// Six nozzles from y = 0 to 2.5 m, 5 m/s, no throw.
struct Case {
    fan: TrueFan,
    nozzles: Vec<TrueNozzle>,
    plants: Vec<Plant>,
    /// (nozzle, from, to): ground between half flows.
    sprays: Vec<(usize, f64, f64)>,
    faulty: Vec<usize>,
}

impl Case {
    fn new(plant: Plant, sprays: &[(usize, f64, f64)]) -> Self {
        Self {
            fan: usual(),
            nozzles: (0..6)
                .map(|i| TrueNozzle {
                    x: 0.0,
                    y: 0.5 * f64::from(i),
                    lane_width_m: 0.5,
                    throw_s: 0.0,
                    thickness_m: 0.0,
                    valve: VALVE,
                })
                .collect(),
            plants: vec![plant],
            sprays: sprays.to_vec(),
            faulty: Vec::new(),
        }
    }

    fn judge(&self) -> Report {
        let motion = Motion::new(
            0.0,
            5.0,
            &[Piece {
                duration_s: 10.0,
                acceleration: 0.0,
            }],
        )
        .expect("steady");
        let commands: Vec<Command> = self
            .sprays
            .iter()
            .flat_map(|&(nozzle, from, to)| {
                [(true, from), (false, to)].map(|(open, x)| Command {
                    nozzle,
                    open,
                    at_s: x / 5.0 - 0.020,
                    short_by_m: 0.0,
                })
            })
            .collect();
        let report = judge(&JudgeInput {
            ground: &motion,
            nozzles: &self.nozzles,
            patch: Patch {
                lead_m: 0.05,
                trail_m: 0.05,
                twist_m: self.fan.twist_m(),
                ..Patch::default()
            },
            plants: &self.plants,
            seen: &vec![true; self.plants.len()],
            refused: &vec![false; self.plants.len()],
            commands: &commands,
            from_x: 0.0,
            to_x: 45.0,
            tolerance: Tolerance::default(),
            fan: Some(self.fan),
            orders: None,
            faulty: &self.faulty,
        });
        let t = report.targets;
        assert_eq!(t.full + t.partial + t.missed, t.total);
        assert_eq!(report.missed_by.total(), t.missed);
        report
    }
}

fn plant(y: f64, width: f64) -> Plant {
    Plant {
        x: 11.0,
        y,
        length: 0.1,
        width,
    }
}

/// A right patch: 10.95 − 0.05 to 11.05 + 0.05.
fn right(nozzle: usize) -> (usize, f64, f64) {
    (nozzle, 10.90, 11.10)
}

#[test]
fn one_alone_is_short_and_two_are_full() {
    // Right below nozzle 2 (0.700) and at its lane's edge (0.455).
    for y in [1.0, 1.25] {
        let report = Case::new(plant(y, 0.004), &[right(2)]).judge();
        assert_eq!(report.outcomes, [Outcome::Partial]);
        assert_eq!((report.short_sets, report.beyond_reach), (1, 0));
        let report = Case::new(plant(y, 0.004), &[right(2), right(3)]).judge();
        assert_eq!(report.outcomes, [Outcome::Full], "{:?}", report.reasons);
        assert_eq!(
            (report.sets_counted, report.nozzles_beyond_smallest),
            (1, 0)
        );
        assert_eq!((report.edges.len(), report.start.n), (4, 2));
        assert!(report.start.max < 1e-9 && report.stop.max < 1e-9);
    }
    // From the neighbour alone 0.210, less than half of what is wanted: missed by its dose.
    let report = Case::new(plant(1.0, 0.004), &[right(3)]).judge();
    assert_eq!(report.outcomes, [Outcome::Missed(WhyMissed::Dose)]);
    // One too many is counted; nozzle 4 does not reach the plant.
    let all = [right(1), right(2), right(3), right(4)];
    let report = Case::new(plant(1.0, 0.004), &all).judge();
    assert_eq!(
        (report.targets.full, report.nozzles_beyond_smallest),
        (1, 1)
    );
    // Nothing at all: withheld. Half a metre behind it: late.
    let report = Case::new(plant(1.0, 0.004), &[]).judge();
    assert_eq!(report.outcomes, [Outcome::Missed(WhyMissed::Withheld)]);
    let late = [(2, 11.5, 11.7), (3, 11.5, 11.7)];
    let report = Case::new(plant(1.0, 0.004), &late).judge();
    assert_eq!(report.outcomes, [Outcome::Missed(WhyMissed::Late)]);
}

#[test]
fn a_late_nozzle_of_two_starves_the_plant_and_shows_its_edge() {
    // Nozzle 3 begins 10 mm inside the plant: 60 mm late.
    let late = (3, 10.96, 11.10);
    let report = Case::new(plant(1.25, 0.004), &[right(2), late]).judge();
    assert_eq!(report.outcomes, [Outcome::Partial]);
    assert_eq!(report.short_sets, 0);
    assert!((report.start.worst - 0.06).abs() < 1e-9);
    // 1 mm before the plant it is in time.
    let report = Case::new(plant(1.25, 0.004), &[right(2), (3, 10.949, 11.10)]).judge();
    assert_eq!(report.outcomes, [Outcome::Full]);
    // A fan 40 mm thick is whole there only 20 mm after it began: 10.949 + 0.02 is inside.
    let mut thick = Case::new(plant(1.25, 0.004), &[(2, 10.88, 11.12), (3, 10.949, 11.12)]);
    thick.nozzles[2].thickness_m = 0.04;
    thick.nozzles[3].thickness_m = 0.04;
    assert_eq!(thick.judge().targets.partial, 1);
    thick.sprays[1].1 = 10.929;
    assert_eq!(thick.judge().targets.full, 1);
    // Two sprays of one nozzle with a gap over the plant, however small.
    let gap = [right(2), (3, 10.90, 11.0), (3, 11.001, 11.1)];
    assert_eq!(
        Case::new(plant(1.25, 0.004), &gap).judge().targets.partial,
        1
    );
    // One nozzle hands over to another within the plant: 4 for 2 at 11 m, at y = 1.5 m
    // 0.2099 either way, with nozzle 3's 0.7002.
    let relay = [right(3), (2, 10.90, 11.0), (4, 11.0, 11.10)];
    assert_eq!(Case::new(plant(1.5, 0.004), &relay).judge().targets.full, 1);
    let relay = [right(3), (2, 10.90, 10.99), (4, 11.0, 11.10)];
    assert_eq!(
        Case::new(plant(1.5, 0.004), &relay).judge().targets.partial,
        1
    );
}

#[test]
fn ends_of_the_boom_and_faulty_nozzles_are_beyond_reach() {
    // The ground ends at 2.75 m, where all there is gives 0.455.
    let report = Case::new(plant(2.72, 0.1), &[right(4), right(5)]).judge();
    assert_eq!(report.outcomes, [Outcome::Partial]);
    assert_eq!((report.beyond_reach, report.short_sets), (1, 1));
    assert!(
        report.reasons[0].contains("not even the whole boom"),
        "{:?}",
        report.reasons
    );
    // Wholly beside it is not judged.
    assert_eq!(Case::new(plant(2.9, 0.1), &[]).judge().outside, 1);
    let mut case = Case::new(plant(1.25, 0.004), &[right(2)]);
    case.faulty = vec![3];
    assert_eq!(case.judge().beyond_reach, 1);
    case.sprays.push(right(3));
    let problems = case.judge().problems;
    assert!(
        matches!(problems[..], [Problem::FaultyOpened { nozzle: 3, .. }]),
        "{problems:?}"
    );
}

/// Twisted by 10°: at 0.25 m aside the spray lands 0.25 m · tan 10° = 44.1 mm too far on or
/// back. Without that in the patch's ends the plant starves; with it, it is full.
#[test]
fn a_twisted_fan_needs_longer_patches() {
    let mut case = Case::new(plant(1.25, 0.004), &[(2, 10.94, 11.06), (3, 10.94, 11.06)]);
    assert_eq!(case.judge().targets.full, 1);
    case.fan.twist = 10.0_f64.to_radians().tan();
    assert_eq!(case.judge().targets.partial, 1);
    let extra = case.fan.twist_m();
    assert!((extra - 0.71407 * 0.17633).abs() < 1e-4, "{extra}");
    case.sprays = [2, 3].map(|n| (n, 10.9 - extra, 11.1 + extra)).into();
    let report = case.judge();
    assert_eq!(report.targets.full, 1);
    assert!(report.start.max < 1e-9, "{:?}", report.start);
    // The worst shift of this plant is 0.252 m · tan 10°.
    let least = 0.252 * case.fan.twist;
    case.sprays = [2, 3]
        .map(|n| (n, 10.95 - least - 1e-4, 11.05 + least + 1e-4))
        .into();
    assert_eq!(case.judge().targets.full, 1);
    case.sprays = [2, 3]
        .map(|n| (n, 10.95 - least + 1e-3, 11.05 + least - 1e-3))
        .into();
    assert_eq!(case.judge().targets.partial, 1);
}

/// At 5 m/s with a throw of 40 ms the plant right between two 110° fans at 0.5 m lies 0.25 m aside
/// of both: its drops fly `√(1 + 0.25²/0.5²)` / 1.1468 = 0.9749 of the mean, and land 5.0 mm short.
/// One 0.7 m aside of a third nozzle gets 1.720/1.1468 = 1.500: 100 mm too far on.
#[test]
fn the_footprint_of_a_moving_fan_is_a_bow() {
    let near = [(2, 10.94, 11.06), (3, 10.94, 11.06)];
    let mut case = Case::new(plant(1.25, 0.002), &near);
    for n in &mut case.nozzles {
        n.throw_s = 0.04;
    }
    // Sprays are given as ground: the valves are told 0.04 s · 5 m/s sooner.
    case.sprays = near.map(|(n, from, to)| (n, from - 0.2, to - 0.2)).into();
    assert_eq!(case.judge().targets.full, 1);
    case.fan.bow_height_m = 0.5;
    assert_eq!(case.judge().targets.full, 1, "10 mm to spare, 5 needed");
    let with = |short: f64, case: &mut Case| {
        // The spray ends short of the plant's far edge by what it lands too short.
        case.sprays = near
            .map(|(n, from, to)| (n, from - 0.2, to - 0.2 - short))
            .into();
        case.judge().targets.full
    };
    assert_eq!(with(0.0045, &mut case), 1);
    assert_eq!(with(0.0055, &mut case), 0);
    // Too far on at the near edge: below nozzle 2 it takes 1 and 3 too, 0.5 m aside, which
    // fly 1.4142/1.1468 = 1.2332 of the mean: 46.6 mm.
    let wide = [1, 2, 3];
    let begins = |at: f64, case: &mut Case| {
        case.plants = vec![plant(1.0, 0.002)];
        case.sprays = wide.map(|n| (n, at - 0.2, 11.3 - 0.2)).into();
        case.judge().targets.full
    };
    assert_eq!(begins(10.95 - 0.045, &mut case), 0);
    assert_eq!(begins(10.95 - 0.048, &mut case), 1);
    case.fan.bow_height_m = 0.0;
    assert_eq!(begins(10.95 - 0.001, &mut case), 1);
}

#[test]
fn fans_out_of_range_are_refused() {
    for (change, word) in [
        (
            (|f: &mut TrueFan| f.half_width_m = 0.0) as fn(&mut TrueFan),
            "fan.half_width_m",
        ),
        (|f| f.flat_half_m = 2.0, "fan.flat_half_m"),
        (|f| f.spacing_m = f64::NAN, "fan.spacing_m"),
        (|f| f.wanted_share = 1.1, "fan.wanted_share"),
        (|f| f.twist = f64::INFINITY, "fan.twist"),
        (|f| f.bow_height_m = -0.1, "fan.bow_height_m"),
    ] {
        let mut case = Case::new(plant(1.0, 0.1), &[]);
        change(&mut case.fan);
        let report = case.judge();
        assert!(report.reasons[0].contains(word), "{:?}", report.reasons);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Cells of 5 mm by 5 mm, each with the flow of the moments at which the fan is over
    /// it, summed over all nozzles by the pattern's definition.
    #[test]
    fn doses_agree_with_cells(
        half in 0.25..1.0_f64,
        flat in 0.0..0.95_f64,
        thickness in 0.0..0.05_f64,
        ramp in 0.0..0.02_f64,
        sprays in prop::collection::vec((0..6_usize, 10.7..11.1_f64, 0.15..0.5_f64), 0..7),
        y in -0.2..2.7_f64,
        size in (0.02..0.3_f64, 0.02..0.6_f64),
    ) {
        let plant = Plant { x: 11.0, y, length: size.0, width: size.1 };
        let mut sprays: Vec<(usize, f64, f64)> = sprays.iter().map(|&(n, from, length)| (n, from, from + length)).collect();
        sprays.sort_by_key(|s| s.0);
        sprays.dedup_by_key(|s| s.0);
        let mut case = Case::new(plant, &sprays);
        case.fan = TrueFan { half_width_m: half, flat_half_m: half * flat, spacing_m: 0.5, ..usual() };
        for n in &mut case.nozzles {
            n.thickness_m = thickness;
            (n.valve.open_rise_s, n.valve.close_fall_s) = (ramp, ramp);
        }
        let report = case.judge();
        // Share of full flow at x: the least while the fan passes.
        let along = |n: usize, x: f64| {
            let level = |x: f64| sprays.iter().filter(|s| s.0 == n).map(|s| {
                let rise = |from: f64| if ramp > 0.0 { (0.5 + (x - from) / (5.0 * ramp)).clamp(0.0, 1.0) } else { f64::from(x >= from) };
                rise(s.1) - rise(s.2)
            }).fold(0.0, f64::max);
            level(x - thickness / 2.0).min(level(x + thickness / 2.0))
        };
        let across = |u: f64| if u <= half * flat { 1.0 } else { ((half - u) / (half - half * flat)).max(0.0) };
        let peak = 0.5 / (half + half * flat);
        let dose = |x: f64, y: f64| (0..6).map(|n| across((y - case.nozzles[n].y).abs()) * peak * along(n, x)).sum::<f64>();
        let (left, right) = ((y - size.1 / 2.0).max(-0.25), (y + size.1 / 2.0).min(2.75));
        let steps = |from: f64, to: f64| {
            let count = ((to - from) / 0.005).ceil().max(1.0);
            (0..=count as u32).map(move |i| from + (to - from) * f64::from(i) / count)
        };
        let doses: Vec<f64> = steps(plant.near(), plant.far())
            .flat_map(|x| steps(left, right).map(move |y| (x, y)))
            .map(|(x, y)| dose(x, y))
            .collect();
        let least = doses.iter().copied().fold(f64::INFINITY, f64::min);
        let most = doses.iter().copied().fold(0.0, f64::max);
        // The judge looks between the cells, too: its least may only be less.
        match report.outcomes[0] {
            Outcome::Full => prop_assert!(least >= 0.9 - 1e-5, "full with {least}"),
            Outcome::Partial => prop_assert!(least < 0.9 + 0.05, "partial with {least} to {most}"),
            Outcome::Missed(_) => prop_assert!(most < 0.45 + 1e-5, "missed with {most}"),
            Outcome::Outside => prop_assert!(false, "on the boom"),
        }
    }
}
