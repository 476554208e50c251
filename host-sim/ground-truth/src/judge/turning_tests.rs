//! On arcs and headland turns a controller that knows everything must be found without
//! fault, and known faults at their true size.

use std::sync::Arc;

use super::*;
use crate::path::Leg;
use crate::sway::{Sway, Whip};
use crate::travel::{Rig, Travel};
use crate::{Ground, Motion, Path, Piece, Plant, PlantField, Turning, Valve, generate};

const PATCH: Patch = Patch {
    lead_m: 0.05,
    lead_s: 0.004,
    trail_m: 0.05,
    trail_s: 0.0,
    lateral_margin_m: 0.01,
    twist_m: 0.0,
};

/// 24 m in lanes of 0.25 m.
fn boom() -> Vec<TrueNozzle> {
    (0..96)
        .map(|i| TrueNozzle {
            x: -0.2,
            y: 0.25 * (f64::from(i) - 47.5),
            lane_width_m: 0.25,
            throw_s: 0.05,
            thickness_m: 0.04,
            valve: Valve {
                open_delay_s: 0.020,
                close_delay_s: 0.010,
                open_rise_s: 0.006,
                close_fall_s: 0.004,
            },
        })
        .collect()
}

fn drive(legs: &[Leg], rig: Rig, seconds: f64) -> Arc<Travel> {
    let pieces = [
        Piece {
            duration_s: 0.3 * seconds,
            acceleration: 0.0,
        },
        Piece {
            duration_s: 0.7 * seconds,
            acceleration: 0.05,
        },
    ];
    let motion = Motion::new(0.0, 3.0, &pieces).expect("a ramp");
    Arc::new(Travel::new(motion, legs, rig).expect("a drive"))
}

fn field(density_per_m2: f64, x: (f64, f64), y: (f64, f64)) -> Vec<Plant> {
    generate(PlantField {
        density_per_m2,
        from_x: x.0,
        to_x: x.1,
        left_y: y.0,
        right_y: y.1,
        length_mean: 0.06,
        length_sd: 0.02,
        length_min: 0.02,
        length_max: 0.12,
        width_mean: 0.05,
        width_sd: 0.02,
        width_min: 0.02,
        width_max: 0.12,
        seed: 5,
    })
}

/// The first time after which a line that `ahead` tells of has passed, to 1e-12 s. It
/// steps through the drive from its start and asks nothing of the judge's own search.
fn passed(ground: &dyn Ground, mut from: f64, ahead: impl Fn(f64) -> f64) -> Option<f64> {
    while ahead(from) > 0.0 {
        from += 0.02;
        if from > ground.end() {
            return None;
        }
    }
    let (mut a, mut b) = (from - 0.02, from);
    for _ in 0..40 {
        let t = 0.5 * (a + b);
        if ahead(t) > 0.0 { a = t } else { b = t }
    }
    Some(b)
}

/// The commands of a controller that knows everything but for these: it acts `late_s`
/// too late and takes plants to lie `aside_m` too far to the right.
fn commands(travel: &Arc<Travel>, plants: &[Plant], late_s: f64, aside_m: f64) -> Vec<Command> {
    let nozzles = boom();
    let mut all = Vec::new();
    let turning = Turning::new(travel, &nozzles, plants);
    for (i, n) in nozzles.iter().enumerate() {
        let track = turning.track(i).expect("a nozzle");
        // Where the spray lands: by places a moment apart, not by the travel's speeds.
        let aim = |t: f64| {
            let h = 1e-5;
            let (a, b) = (travel.boom(t - h), travel.boom(t + h));
            let (a, b) = (a.place(n.x, n.y), b.place(n.x, n.y));
            let pose = travel.boom(t);
            let at = pose.place(n.x, n.y);
            let fly = n.throw_s / (2.0 * h);
            (pose, (at.0 + (b.0 - a.0) * fly, at.1 + (b.1 - a.1) * fly))
        };
        let mut spans = Vec::new();
        for (index, p) in plants.iter().enumerate() {
            let off = |t: f64| {
                let (pose, aim) = aim(t);
                let (p, aim) = (pose.seen((p.x, p.y)), pose.seen(aim));
                (p.0 - aim.0, p.1 - aim.1)
            };
            let Some(pass) = turning.pass(index) else {
                continue;
            };
            if (n.y - pass.y).abs() > 0.5 {
                continue;
            }
            // Some time before; which pass of the field it is comes from the judge.
            let before = (pass.at_s - 2.0).max(0.0);
            let Some(t) = passed(track, before, |t| off(t).0) else {
                continue;
            };
            let heading = travel.boom(t).heading;
            let extent = |a: f64, b: f64| (a * heading.cos()).hypot(b * heading.sin());
            let (length, width) = (extent(p.length, p.width), extent(p.width, p.length));
            let reach = 0.5 * (width + n.lane_width_m) + PATCH.lateral_margin_m;
            if (off(t).1 + aside_m).abs() >= reach - 1e-5 {
                continue;
            }
            let edge = |ahead: f64| {
                let t = passed(track, before, |t| off(t).0 + ahead).expect("passed");
                track.lands(t, n.x, n.throw_s)
            };
            let (near, far) = (edge(-0.5 * length), edge(0.5 * length));
            let lands = |t: f64| track.lands(t, n.x, n.throw_s);
            let open = passed(track, before, |t| {
                near - PATCH.whole_lead(n, track.speed(t)) - lands(t)
            });
            let close = passed(track, before, |t| {
                far + PATCH.whole_trail(n, track.speed(t)) - lands(t)
            });
            if let (Some(open), Some(close)) = (open, close) {
                spans.push((
                    open - n.valve.open_delay_s + late_s,
                    close - n.valve.close_delay_s + late_s,
                ));
            }
        }
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        spans.dedup_by(|next, kept| {
            let merge = next.0 < kept.1 + 0.03;
            if merge {
                kept.1 = kept.1.max(next.1);
            }
            merge
        });
        for (open, close) in spans {
            for (open, at_s) in [(true, open), (false, close)] {
                all.push(Command {
                    nozzle: i,
                    open,
                    at_s,
                    short_by_m: 0.0,
                });
            }
        }
    }
    all
}

fn judged(travel: &Arc<Travel>, plants: &[Plant], commands: &[Command]) -> Report {
    let nozzles = boom();
    let ground = Turning::new(travel, &nozzles, plants);
    let end = ground.position(ground.end());
    let seen = vec![true; plants.len()];
    let refused = vec![false; plants.len()];
    judge(&JudgeInput {
        ground: &ground,
        nozzles: &nozzles,
        patch: PATCH,
        plants,
        seen: &seen,
        refused: &refused,
        commands,
        from_x: 1.0,
        to_x: end - 2.0,
        tolerance: Tolerance {
            edge_m: 0.0002,
            ..Tolerance::default()
        },
        fan: None,
        faulty: &[],
        orders: None,
    })
}

/// Straight, eased into 15 m, round by 90° and on.
fn bend() -> Vec<Leg> {
    let k = 1.0 / 15.0;
    let ease = |from: f64, to: f64| Leg {
        length_m: 6.0,
        curvature_from: from,
        curvature_to: to,
    };
    vec![
        Leg::straight(12.0),
        ease(0.0, k),
        Leg::arc(18.0, k),
        ease(k, 0.0),
        Leg::straight(40.0),
    ]
}

fn rig() -> Rig {
    let whip = Whip {
        amplitude_m: 0.1,
        arm_m: 12.0,
        frequency_hz: 0.7,
        phase: 0.3,
    };
    Rig {
        behind_axle_m: 3.0,
        sway: Sway::new(Some(whip), None).expect("a boom"),
        ..Rig::default()
    }
}

#[test]
fn a_perfect_controller_has_no_error_round_a_bend_with_whip() {
    let travel = drive(&bend(), rig(), 16.0);
    let plants = field(0.5, (2.0, 60.0), (-14.0, 50.0));
    let report = judged(&travel, &plants, &commands(&travel, &plants, 0.0, 0.0));
    assert_eq!(report.reasons, Vec::<String>::new());
    assert!(report.targets.total > 500, "{:?}", report.targets);
    assert_eq!(report.targets.full, report.targets.total);
    assert!(
        report.start.n > 600 && report.start.max < 1e-4,
        "{:?}",
        report.start
    );
    assert!(report.stop.max < 1e-4, "{:?}", report.stop);
    let across = Across::of(&report.sides);
    assert!(across.sides > 80 && across.wrong == 0, "{across:?}");
}

#[test]
fn a_perfect_controller_has_no_error_on_both_sides_of_a_headland_turn() {
    let legs = Path::headland_turn(40.0, 12.0, 6.0, true);
    let travel = drive(&legs, Rig::default(), 32.0);
    // The second pass lies beside the first; the boom's inner end covers some twice.
    let plants = field(0.2, (5.0, 40.0), (-12.0, 38.0));
    let report = judged(&travel, &plants, &commands(&travel, &plants, 0.0, 0.0));
    assert_eq!(report.reasons, Vec::<String>::new());
    assert!(report.targets.total > 200, "{:?}", report.targets);
    assert_eq!(report.targets.full, report.targets.total);
}

#[test]
fn known_faults_show_at_their_size() {
    let travel = drive(
        &bend(),
        Rig {
            behind_axle_m: 3.0,
            ..Rig::default()
        },
        16.0,
    );
    let plants = field(0.15, (2.0, 60.0), (-14.0, 50.0));
    // 10 ms late: each nozzle by its own speed.
    let report = judged(&travel, &plants, &commands(&travel, &plants, 0.010, 0.0));
    let nozzles = boom();
    let turning = Turning::new(&travel, &nozzles, &plants);
    let mut ends = (0, 0);
    for edge in report.edges.iter().filter(|e| e.kind == EdgeKind::Start) {
        let track = turning.track(edge.nozzle).expect("a nozzle");
        let n = &nozzles[edge.nozzle];
        let t = track
            .time_at(edge.got_x - n.x - n.throw_s * track.speed(0.0))
            .expect("passed");
        let want = 0.010 * track.speed(t);
        assert!(
            (edge.error() - want).abs() < 2e-3,
            "{} {want}",
            edge.error()
        );
        ends.0 += usize::from(want < 0.018);
        ends.1 += usize::from(want > 0.050);
    }
    // At the inner end 0.010 s are under 18 mm, at the outer end over 50.
    assert!(ends.0 > 0 && ends.1 > 10, "{ends:?}");
    // 60 mm aside.
    let report = judged(&travel, &plants, &commands(&travel, &plants, 0.0, 0.06));
    let across = Across::of(&report.sides);
    assert!(across.sides > 120, "{across:?}");
    assert!(
        (across.mean - 0.06).abs() < 0.02 && (across.rms - 0.06).abs() < 0.015,
        "{across:?}"
    );
}
