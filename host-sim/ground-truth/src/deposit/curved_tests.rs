//! The grid under a machine that turns: against the straight grid, by hand on a circle, and
//! halved.

use std::f64::consts::PI;
use std::sync::Arc;

use super::tests::{QUICK, boom, nozzles, tapered};
use super::*;
use crate::judge::{Command, TrueFan, TrueNozzle};
use crate::path::Leg;
use crate::travel::{Rig, Travel};
use crate::{Ground, Motion, Piece, Plant, Turning};

fn command(nozzle: usize, open: bool, at_s: f64) -> Command {
    Command {
        nozzle,
        open,
        at_s,
        short_by_m: 0.0,
    }
}

fn driven(legs: &[Leg], motion: Motion, nozzles: &[TrueNozzle], plants: &[Plant]) -> Turning {
    let rig = Rig {
        behind_axle_m: 1.5,
        ..Rig::default()
    };
    let travel = Arc::new(Travel::new(motion, legs, rig).expect("a drive"));
    Turning::new(&travel, nozzles, plants)
}

fn steady(v: f64, seconds: f64) -> Motion {
    let piece = Piece {
        duration_s: seconds,
        acceleration: 0.0,
    };
    Motion::new(0.0, v, &[piece]).expect("steady")
}

fn under(turning: &Turning, half: f64, stretch: (f64, f64), cell: f64) -> Deposit {
    Deposit::under(turning, (-half, half), stretch, cell, MOST_BYTES).expect("a small grid")
}

/// On a straight leg the grid in field axes says what the straight one says.
#[test]
fn a_straight_leg_is_straight_ground() {
    let fan = TrueFan {
        twist: 0.1,
        ..tapered()
    };
    let three = nozzles(3, 0.5);
    let turning = driven(&[Leg::straight(60.0)], steady(4.0, 15.0), &three, &[]);
    let boom = Boom {
        twin_m: 0.02,
        ..boom(&three, fan)
    };
    let mut commands = Vec::new();
    for (nozzle, from, to) in [(0, 1.0, 1.3), (1, 1.1, 2.0), (2, 1.4, 1.5), (0, 2.2, 2.6)] {
        commands.extend([command(nozzle, true, from), command(nozzle, false, to)]);
    }
    let mut straight = Deposit::new(Area {
        along: (1.0, 20.0),
        across: (-2.0, 2.0),
        cell: 0.01,
        most_bytes: MOST_BYTES,
    })
    .expect("small");
    let ground = steady(4.0, 15.0);
    lay_down(&mut straight, &boom, &ground, &commands, 15.0, STEP_S).expect("usual");
    let mut field = under(&turning, 2.0, (1.0, 20.0), 0.01);
    lay_down(&mut field, &boom, &turning, &commands, 15.0, STEP_S).expect("usual");
    assert!((field.sprayed_litres() - straight.sprayed_litres()).abs() < 1e-12);
    let all = |d: &Deposit| d.figures((1.0, 20.0), (-2.0, 2.0), 50.0).expect("cells");
    let (a, b) = (all(&straight), all(&field));
    assert!((a.litres / b.litres - 1.0).abs() < 1e-9, "{a:?} {b:?}");
    assert!(
        (a.ground_m2 / b.ground_m2 - 1.0).abs() < 2e-3,
        "{a:?} {b:?}"
    );
    assert!(
        (a.over_share / b.over_share - 1.0).abs() < 0.01,
        "{a:?} {b:?}"
    );
    let mut worst = 0.0_f64;
    for i in 0..1500 {
        for k in 0..30 {
            let (x, y) = (2.0 + 0.01 * f64::from(i), -1.45 + 0.1 * f64::from(k));
            let at = |d: &Deposit| d.at(x, y).expect("on the grid");
            worst = worst.max((at(&straight) - at(&field)).abs());
        }
    }
    // Squares of two thirds of a cell where the straight grid is exact.
    println!("straight leg: within {worst:.2} L/ha of {:.1}", a.most_l_ha);
    assert!(worst < 0.003 * a.most_l_ha, "{worst} of {}", a.most_l_ha);
}

/// Round a circle of 20 m at 4 m/s with nozzles 8 m to either side: 1.2 L/min over even fans of
/// 0.5 m. Below the left one a point 28 m from the centre is passed at 4·28/20 = 5.6 m/s:
/// 0.02 L/s / (0.5 m · 5.6 m/s) = 71.43 L/ha; below the right one, 12 m from it, 166.67 L/ha;
/// and within a fan it falls as the radius grows. All of it comes down, and nothing elsewhere.
#[test]
fn on_a_circle_the_rate_is_what_the_nozzle_s_own_way_makes_it() {
    let radius = 20.0;
    let even = TrueFan {
        half_width_m: 0.25,
        flat_half_m: 0.25,
        ..tapered()
    };
    let two = [-8.0, 8.0].map(|y| TrueNozzle {
        x: 0.0,
        y,
        lane_width_m: 0.5,
        throw_s: 0.0,
        thickness_m: 0.1,
        valve: QUICK,
    });
    let travel = Travel::new(
        steady(4.0, 20.0),
        &[Leg::arc(100.0, 1.0 / radius)],
        Rig::default(),
    )
    .expect("a circle");
    let turning = Turning::new(&Arc::new(travel), &two, &[]);
    let commands: Vec<Command> = [0, 1]
        .iter()
        .flat_map(|&n| [command(n, true, 2.0), command(n, false, 10.0)])
        .collect();
    let mut deposit = under(&turning, 9.0, (0.0, 60.0), 0.02);
    let boom = boom(&two, even);
    lay_down(&mut deposit, &boom, &turning, &commands, 20.0, STEP_S).expect("usual");
    let everywhere = ((-100.0, 100.0), (-100.0, 100.0));
    let f = deposit
        .figures(everywhere.0, everywhere.1, 100.0)
        .expect("cells");
    assert!(
        (f.litres / deposit.sprayed_litres() - 1.0).abs() < 1e-9,
        "{f:?}"
    );
    // Pappus: a boom of 18 m whose middle goes 60 m sweeps 1080 m².
    assert!((f.ground_m2 / 1080.0 - 1.0).abs() < 1e-3, "{f:?}");
    let at = |r: f64, angle: f64| {
        let place = (r * angle.sin(), radius - r * angle.cos());
        deposit.at(place.0, place.1).expect("on the grid")
    };
    let mut worst = 0.0_f64;
    for i in 0..40 {
        // 2 to 10 s at 0.2 rad/s, ends left out.
        let angle = 0.45 + 0.035 * f64::from(i);
        for (middle, r) in [
            (28.0, 27.85),
            (28.0, 28.0),
            (28.0, 28.2),
            (12.0, 11.8),
            (12.0, 12.1),
        ] {
            let by_hand = 0.02 / (0.5 * 4.0 * r / radius) * 10_000.0;
            let off = at(r, angle) / by_hand - 1.0;
            worst = worst.max(off.abs());
            assert!(off.abs() < 0.01, "{r} of {middle} at {angle}: {off}");
        }
        // Beside the fans, and under the middle.
        for r in [20.0, 27.7, 28.3, 11.7, 12.3] {
            assert_eq!(at(r, angle), 0.0, "{r} at {angle}");
        }
    }
    println!(
        "round a circle: within {:.2} % of the rate by hand",
        100.0 * worst
    );
    // Before the valve opens and after it closes; the same angle for both.
    for angle in [0.2, 2.2 * PI / 3.0] {
        assert_eq!((at(28.0, angle), at(12.0, angle)), (0.0, 0.0));
    }
}

/// A tip that runs back in a turn tighter than its boom sprays the same ground again, and all of
/// it comes down: round a circle of 2 m, 3 m to its inner side, it goes back at half the speed.
#[test]
fn a_tip_that_runs_back_loses_nothing() {
    let tip = [TrueNozzle {
        x: 0.0,
        y: 3.0,
        lane_width_m: 0.5,
        throw_s: 0.025,
        thickness_m: 0.1,
        valve: QUICK,
    }];
    let legs = [
        Leg::straight(6.0),
        Leg {
            length_m: 3.0,
            curvature_from: 0.0,
            curvature_to: 0.5,
        },
        Leg::arc(4.0, 0.5),
    ];
    let turning = driven(&legs, steady(2.0, 6.0), &tip, &[]);
    let (out, back) = (
        turning.track(0).expect("it").speed(1.0),
        turning.track(0).expect("it").speed(5.5),
    );
    assert!(
        (out - 2.0).abs() < 1e-9 && (back + 1.0).abs() < 1e-9,
        "{out} {back}"
    );
    let boom = boom(&tip, tapered());
    let mut deposit = under(&turning, 5.0, (0.0, 11.0), 0.02);
    let commands = [command(0, true, 2.0), command(0, false, 5.8)];
    lay_down(&mut deposit, &boom, &turning, &commands, 6.0, STEP_S).expect("usual");
    let (rows, columns) = deposit.counts();
    let cells = (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c)));
    let litres: f64 = cells
        .map(|(r, c)| deposit.l_ha(r, c) / deposit.l_ha_per_litre())
        .sum();
    assert!(
        (litres / deposit.sprayed_litres() - 1.0).abs() < 1e-9,
        "{litres}"
    );
}

/// Spots round a curve that eases in and out, at a speed that changes: halving the cell or the
/// step changes no figure by more than a hundredth.
#[test]
fn halving_cell_or_step_changes_no_figure_of_a_curve_by_a_hundredth() {
    let four = nozzles(4, 0.5);
    let legs = [
        Leg::straight(4.0),
        Leg {
            length_m: 4.0,
            curvature_from: 0.0,
            curvature_to: 0.125,
        },
        Leg::arc(10.0, 0.125),
    ];
    let pieces = [(2.0, 0.5), (2.0, -0.5)].map(|(duration_s, acceleration)| Piece {
        duration_s,
        acceleration,
    });
    let motion = Motion::new(0.0, 3.0, &pieces).expect("a drive");
    let turning = driven(&legs, motion, &four, &[]);
    // Under two nozzles, under the end of a fan, and over the end of a patch.
    let plants = [(2.2, -0.2, 0.05), (2.9, 0.3, 0.1), (3.3, -0.7, 0.05)].map(|(t, y, size)| {
        let (x, y) = turning.travel().boom(t).place(0.1, y);
        Plant {
            x,
            y,
            length: size,
            width: size,
        }
    });
    let mut commands = Vec::new();
    for (nozzle, from, to) in [
        (0, 1.4, 3.4),
        (1, 1.5, 3.5),
        (2, 1.45, 3.4),
        (3, 2.2, 2.4),
        (3, 2.9, 3.1),
    ] {
        commands.extend([command(nozzle, true, from), command(nozzle, false, to)]);
    }
    let boom = boom(
        &four,
        TrueFan {
            twist: 0.1,
            ..tapered()
        },
    );
    let figures = |cell: f64, step_s: f64| -> Vec<(String, f64)> {
        let mut deposit = under(&turning, 1.0, (1.0, 13.0), cell);
        lay_down(&mut deposit, &boom, &turning, &commands, 4.0, step_s).expect("usual");
        let f = deposit
            .figures((-50.0, 50.0), (-50.0, 50.0), 60.0)
            .expect("cells");
        let mut list = vec![
            ("litres".to_owned(), f.litres),
            ("mean".to_owned(), f.mean_l_ha),
            ("most".to_owned(), f.most_l_ha),
            ("over".to_owned(), f.over_share),
            ("dry".to_owned(), f.dry_share),
            ("ground".to_owned(), f.ground_m2),
        ];
        for (i, plant) in plants.iter().enumerate() {
            list.push((
                format!("plant {i}"),
                deposit.extremes(plant).expect("on it").0,
            ));
        }
        list
    };
    let (cell, step) = (CELL_M, STEP_S);
    let whole = figures(cell, step);
    for (what, halved) in [
        ("cell", figures(0.5 * cell, step)),
        ("step", figures(cell, 0.5 * step)),
    ] {
        for ((name, a), (_, b)) in whole.iter().zip(&halved) {
            println!(
                "curve, {what} halved: {name} {a:.5} to {b:.5} ({:+.2} %)",
                100.0 * (b / a - 1.0)
            );
            assert!(
                (a - b).abs() <= 0.01 * a.abs(),
                "{what} halved: {name} {a} to {b}"
            );
        }
    }
    for (name, value) in &whole {
        assert!(*value > 0.0, "{name} says nothing");
    }
}
