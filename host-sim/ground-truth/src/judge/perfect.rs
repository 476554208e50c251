//! A controller that knows everything must be found without fault, on ramps
//! and over ten kilometres.

use super::*;
use crate::{Ground, Motion, Piece, Plant, PlantField, Valve, generate};

const VALVE: Valve = Valve {
    open_delay_s: 0.020,
    close_delay_s: 0.015,
    open_rise_s: 0.008,
    close_fall_s: 0.006,
};
const PATCH: Patch = Patch {
    lead_m: 0.05,
    lead_s: 0.0,
    trail_m: 0.05,
    trail_s: 0.0,
    lateral_margin_m: 0.0,
    twist_m: 0.0,
};

fn command(nozzle: usize, open: bool, at_s: f64) -> Command {
    Command {
        nozzle,
        open,
        at_s,
        short_by_m: 0.0,
    }
}

/// The first time at which the spray of `n` lands at `edge + ahead(speed)`, by
/// halving between two times at which it lands before and behind.
fn time_to_land(ground: &dyn Ground, n: &TrueNozzle, edge: f64, ahead: impl Fn(f64) -> f64) -> f64 {
    let (mut from, mut to) = (0.0, ground.end());
    for _ in 0..80 {
        let t = 0.5 * (from + to);
        let v = ground.speed(t);
        if ground.position(t) + n.x + n.throw_s * v < edge + ahead(v) {
            from = t;
        } else {
            to = t;
        }
    }
    to
}

/// The commands of a controller that knows everything.
fn perfect(
    ground: &dyn Ground,
    nozzles: &[TrueNozzle],
    patch: &Patch,
    plants: &[Plant],
) -> Vec<Command> {
    let mut commands = Vec::new();
    for (i, n) in nozzles.iter().enumerate() {
        let mut spans: Vec<(f64, f64)> = plants
            .iter()
            .filter(|p| {
                let reach = 0.5 * (p.width + n.lane_width_m) + patch.lateral_margin_m;
                (p.y - n.y).abs() < reach - 1e-6
            })
            .map(|p| {
                let open = time_to_land(ground, n, p.x - 0.5 * p.length, |v| {
                    -(patch.lead_m
                        + patch.lead_s * v
                        + 0.5 * n.thickness_m
                        + 0.5 * n.valve.open_rise_s * v)
                });
                let close = time_to_land(ground, n, p.x + 0.5 * p.length, |v| {
                    patch.trail_m
                        + patch.trail_s * v
                        + 0.5 * n.thickness_m
                        + 0.5 * n.valve.close_fall_s * v
                });
                (open - n.valve.open_delay_s, close - n.valve.close_delay_s)
            })
            .collect();
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Shortest off time 30 ms: closer sprays are merged.
        spans.dedup_by(|next, kept| {
            let merge = next.0 < kept.1 + 0.03;
            if merge {
                kept.1 = kept.1.max(next.1);
            }
            merge
        });
        for (open, close) in spans {
            commands.extend([command(i, true, open), command(i, false, close)]);
        }
    }
    commands
}

fn boom(n: u32) -> Vec<TrueNozzle> {
    (0..n)
        .map(|i| TrueNozzle {
            x: -0.1,
            y: 0.25 * (f64::from(i) - 0.5 * f64::from(n - 1)),
            lane_width_m: 0.25,
            throw_s: 0.025,
            thickness_m: 0.03,
            valve: VALVE,
        })
        .collect()
}

const FIELD: PlantField = PlantField {
    density_per_m2: 0.8,
    from_x: 5.0,
    to_x: 320.0,
    left_y: -2.0,
    right_y: 2.0,
    length_mean: 0.06,
    length_sd: 0.03,
    length_min: 0.01,
    length_max: 0.2,
    width_mean: 0.06,
    width_sd: 0.03,
    width_min: 0.01,
    width_max: 0.2,
    seed: 11,
};

#[test]
fn a_perfect_controller_has_no_error_on_ramps() {
    let mut points = vec![(0.0, 3.0)];
    for i in 0..10 {
        let t = f64::from(i) * 8.0;
        points.extend([(t + 3.0, 6.0), (t + 4.0, 6.0), (t + 8.0, 2.0)]);
    }
    let motion = Motion::from_speed_points(0.0, &points).expect("ramps");
    let plants = generate(FIELD);
    let nozzles = boom(16);
    let patch = Patch {
        lead_m: 0.03,
        lead_s: 0.005,
        trail_m: 0.02,
        trail_s: 0.004,
        lateral_margin_m: 0.02,
        twist_m: 0.0,
    };
    let commands = perfect(&motion, &nozzles, &patch, &plants);
    let input = JudgeInput {
        ground: &motion,
        nozzles: &nozzles,
        patch,
        plants: &plants,
        seen: &vec![true; plants.len()],
        refused: &vec![false; plants.len()],
        commands: &commands,
        from_x: 0.0,
        to_x: 330.0,
        tolerance: Tolerance::default(),
        fan: None,
        faulty: &[],
        orders: None,
    };
    let report = judge(&input);
    assert_eq!(report.verdict, Verdict::Holds, "{:?}", report.reasons);
    assert_eq!(report.targets.full, plants.len());
    assert!(report.targets.total > 900 && report.edges.len() > 1_800 && report.merged > 10);
    assert!(
        report.start.max < 1e-6 && report.stop.max < 1e-6,
        "{:?}",
        report.start
    );
    assert!(report.saving > 0.5);
}

#[test]
fn fifty_thousand_plants_under_forty_eight_nozzles_are_swept() {
    let field = PlantField {
        to_x: 10_000.0,
        left_y: -6.0,
        right_y: 6.0,
        density_per_m2: 0.417,
        ..FIELD
    };
    let plants = generate(field);
    assert!(plants.len() > 48_000);
    let motion = Motion::new(
        0.0,
        5.0,
        &[Piece {
            duration_s: 2_010.0,
            acceleration: 0.0,
        }],
    )
    .expect("steady");
    let nozzles = boom(48);
    let commands = perfect(&motion, &nozzles, &PATCH, &plants);
    let input = JudgeInput {
        ground: &motion,
        nozzles: &nozzles,
        patch: PATCH,
        plants: &plants,
        seen: &vec![true; plants.len()],
        refused: &vec![false; plants.len()],
        commands: &commands,
        from_x: 0.0,
        to_x: 10_010.0,
        tolerance: Tolerance::default(),
        fan: None,
        faulty: &[],
        orders: None,
    };
    let report = judge(&input);
    assert_eq!(report.verdict, Verdict::Holds, "{:?}", report.reasons);
    assert_eq!(report.targets.full, plants.len());
    assert!(report.start.max < 1e-6 && report.stop.max < 1e-6);
    // All missed is the dearest case for the reasons: it must sweep as well.
    let report = judge(&JudgeInput {
        commands: &[],
        ..input
    });
    assert_eq!(report.missed_by.withheld, plants.len());
}
