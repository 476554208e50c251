//! The grid: worked by hand, and halved.

use super::*;
use crate::judge::{Command, TrueFan, TrueNozzle};
use crate::{Ground, Motion, Piece, Plant, Valve};

pub(super) const QUICK: Valve = Valve {
    open_delay_s: 0.020,
    close_delay_s: 0.015,
    open_rise_s: 0.004,
    close_fall_s: 0.004,
};

/// Tapered 110° fans at 0.5 m.
pub(super) fn tapered() -> TrueFan {
    TrueFan {
        half_width_m: 0.5 * 55.0_f64.to_radians().tan(),
        flat_half_m: 0.0,
        spacing_m: 0.5,
        wanted_share: 0.9,
        twist: 0.0,
        bow_height_m: 0.0,
    }
}

/// The same, twisted against the boom by this tangent.
pub(super) fn twisted(twist: f64) -> TrueFan {
    TrueFan { twist, ..tapered() }
}

pub(super) fn nozzles(count: usize, spacing: f64) -> Vec<TrueNozzle> {
    (0..count)
        .map(|i| TrueNozzle {
            x: 0.0,
            y: (i as f64 - 0.5 * (count as f64 - 1.0)) * spacing,
            lane_width_m: spacing,
            throw_s: 0.025,
            thickness_m: 0.11,
            valve: QUICK,
        })
        .collect()
}

pub(super) fn steady(speed: f64) -> Motion {
    let piece = Piece {
        duration_s: 1000.0,
        acceleration: 0.0,
    };
    Motion::new(0.0, speed, &[piece]).expect("steady")
}

/// Nozzles of 1.2 L/min at a steady pressure.
pub(super) fn boom(nozzles: &[TrueNozzle], fan: TrueFan) -> Boom<'_> {
    Boom {
        nozzles,
        fan,
        twin_m: 0.0,
        l_min: 1.2,
        flows: &[],
        supplied: None,
    }
}

/// Commands that open and close every nozzle so that half flow lands at `from` and `to`.
pub(super) fn pass(boom: &Boom<'_>, speed: f64, from: f64, to: f64) -> Vec<Command> {
    let one = |(nozzle, n): (usize, &TrueNozzle)| {
        let at = |x: f64| (x - n.x) / speed - n.throw_s;
        [
            (true, at(from) - n.valve.open_delay_s),
            (false, at(to) - n.valve.close_delay_s),
        ]
        .map(|(open, at_s)| Command {
            nozzle,
            open,
            at_s,
            short_by_m: 0.0,
        })
    };
    boom.nozzles.iter().enumerate().flat_map(one).collect()
}

pub(super) fn area(along: (f64, f64), half: f64, cell: f64) -> Area {
    Area {
        along,
        across: (-half, half),
        cell,
        most_bytes: MOST_BYTES,
    }
}

pub(super) fn laid(
    boom: &Boom<'_>,
    ground: &dyn Ground,
    commands: &[Command],
    area: Area,
    step_s: f64,
) -> Deposit {
    let mut deposit = Deposit::new(area).expect("a small grid");
    lay_down(&mut deposit, boom, ground, commands, 100.0, step_s).expect("usual");
    deposit
}

/// 1.2 L/min, 0.5 m and 5 m/s: 1.2 / 60 / 2.5 L/m² = 80 L/ha. In the middle of eleven tapered
/// fans and far from the ends of the pass every cell gets 80 L/ha on the mean. Every drop that
/// left is on the grid: 11 nozzles for 4 m at 5 m/s are 11 · 0.02 L/s · 0.8 s = 0.176 L.
#[test]
fn a_broadcast_pass_gives_its_rate_and_loses_nothing() {
    let nozzles = nozzles(11, 0.5);
    for (fan, twin_m) in [
        (tapered(), 0.0),
        (twisted(0.15), 0.0),
        (
            TrueFan {
                flat_half_m: 0.5,
                half_width_m: 0.5,
                ..tapered()
            },
            0.05,
        ),
    ] {
        let boom = Boom {
            twin_m,
            ..boom(&nozzles, fan)
        };
        let commands = pass(&boom, 5.0, 1.0, 5.0);
        let deposit = laid(
            &boom,
            &steady(5.0),
            &commands,
            area((0.0, 6.0), 3.5, 0.02),
            2e-3,
        );
        let whole = deposit
            .figures((0.0, 6.0), (-3.5, 3.5), 80.0)
            .expect("cells");
        assert!((whole.litres - 0.176).abs() < 1e-6, "{whole:?}");
        assert!((deposit.sprayed_litres() - 0.176).abs() < 1e-9);
        let inner = deposit
            .figures((2.0, 4.0), (-1.0, 1.0), 80.0)
            .expect("cells");
        assert!((inner.mean_l_ha / 80.0 - 1.0).abs() < 1e-6, "{inner:?}");
        assert_eq!((inner.over_share, inner.dry_share), (0.0, 0.0));
        let cv = inner.across_cv.expect("straight ground");
        println!("CV across {:.2} %", 100.0 * cv);
        assert!(cv < 0.1);
    }
}

/// One tapered fan: 0.7002 of the broadcast dose below it (see the judge's fan), 56.0 L/ha,
/// half of it 0.357 m aside; a patch of half flow at its ends gives half of the rate there,
/// and full rate half the thickness and half the rise's way further in:
/// 0.055 m + 5 m/s · 2 ms = 0.065 m.
#[test]
fn one_fan_s_patch_has_the_shape_worked_out() {
    let one = nozzles(1, 0.5);
    let boom = boom(&one, tapered());
    let commands = pass(&boom, 5.0, 1.0, 2.0);
    let deposit = laid(
        &boom,
        &steady(5.0),
        &commands,
        area((0.0, 3.0), 1.0, 0.005),
        5e-4,
    );
    let at = |x, y| deposit.at(x, y).expect("on the grid");
    for (x, y, by_hand) in [
        (1.5, 0.0, 56.01),
        (1.5, 0.357, 28.01),
        (1.0, 0.0, 28.01),
        (2.0, 0.0, 28.01),
        (1.07, 0.0, 56.01),
        (0.93, 0.0, 0.0),
        (1.5, 0.72, 0.0),
    ] {
        let found = at(x, y);
        assert!(
            (found - by_hand).abs() < 0.4,
            "({x}, {y}): {found}, not {by_hand}"
        );
    }
    // A quarter of the rise and thickness before full.
    assert!(at(1.04, 0.0) > 45.0 && at(1.04, 0.0) < 55.5);
}

/// Twins 0.2 m apart: each lays half the rate, so the ends are steps of half the rate.
/// Fans twisted by a tangent of 0.2 land 0.1 m further on half a metre to the right.
#[test]
fn twins_and_twist_move_the_ends() {
    let mut one = nozzles(1, 0.5);
    one[0].thickness_m = 0.02 + 0.2;
    let twins = Boom {
        twin_m: 0.1,
        ..boom(&one, tapered())
    };
    let commands = pass(&twins, 5.0, 1.0, 2.0);
    let deposit = laid(
        &twins,
        &steady(5.0),
        &commands,
        area((0.0, 3.0), 1.0, 0.005),
        5e-4,
    );
    let at = |x| deposit.at(x, 0.0).expect("on the grid");
    for (x, by_hand) in [
        (0.85, 0.0),
        (0.95, 28.0),
        (1.05, 28.0),
        (1.15, 56.0),
        (2.05, 28.0),
    ] {
        assert!((at(x) - by_hand).abs() < 0.4, "{x}: {}", at(x));
    }
    one[0].thickness_m = 0.02;
    let turned = boom(&one, twisted(0.2));
    let deposit = laid(
        &turned,
        &steady(5.0),
        &commands,
        area((0.0, 3.0), 1.0, 0.005),
        5e-4,
    );
    let at = |x, y| deposit.at(x, y).expect("on the grid");
    // 0.3 m aside a nozzle gives 0.7002 · (1 - 0.3 / 0.71407) = 0.406 of the dose: 32.5 L/ha.
    for (y, x) in [(0.3, 1.06), (-0.3, 0.94)] {
        assert!((at(x, y) - 16.24).abs() < 0.6, "{y}: {}", at(x, y));
        assert!(at(x - 0.03, y) < 0.4 && (at(x + 0.03, y) - 32.48).abs() < 0.4);
    }
}

/// A spot drive with speed changes: halving the cell or the step changes no figure by more
/// than a hundredth.
#[test]
fn halving_cell_or_step_changes_no_figure_by_a_hundredth() {
    let nozzles = nozzles(6, 0.5);
    let boom = boom(&nozzles, twisted(0.1));
    let pieces = [(2.0, 1.5), (1.5, -2.0), (2.0, 0.5)].map(|(duration_s, acceleration)| Piece {
        duration_s,
        acceleration,
    });
    let ground = Motion::new(0.0, 3.0, &pieces).expect("a drive");
    // Overlapping spots of neighbours, some twice: over-dose as well.
    let mut commands = Vec::new();
    for (nozzle, from, to) in [
        (0, 0.5, 0.9),
        (1, 0.6, 1.0),
        (2, 1.0, 1.3),
        (3, 1.0, 1.3),
        (4, 1.05, 1.6),
        (5, 2.0, 2.4),
        (1, 2.6, 3.4),
        (2, 2.7, 3.3),
        (3, 2.6, 3.4),
    ] {
        for (open, at_s) in [(true, from), (false, to)] {
            commands.push(Command {
                nozzle,
                open,
                at_s,
                short_by_m: 0.0,
            });
        }
    }
    // The reference rate is that of a slower pass, so that some ground counts as over-dosed.
    let wanted = 50.0;
    let plants = [
        (3.99, 0.1, 0.05),
        (4.6, 0.0, 0.2),
        (2.9, -0.9, 0.05),
        (13.9, -0.25, 0.08),
    ]
    .map(|(x, y, size)| Plant {
        x,
        y,
        length: size,
        width: size,
    });
    let figures = |cell: f64, step_s: f64| -> Vec<(String, f64)> {
        let deposit = laid(
            &boom,
            &ground,
            &commands,
            area((0.0, 20.0), 2.4, cell),
            step_s,
        );
        let f = deposit
            .figures((0.0, 20.0), (-2.4, 2.4), wanted)
            .expect("cells");
        let mut list = vec![
            ("litres".to_owned(), f.litres),
            ("mean".to_owned(), f.mean_l_ha),
            ("most".to_owned(), f.most_l_ha),
            ("over".to_owned(), f.over_share),
            ("dry".to_owned(), f.dry_share),
            ("cv".to_owned(), f.across_cv.expect("straight ground")),
        ];
        for (i, plant) in plants.iter().enumerate() {
            list.push((format!("plant {i}"), deposit.least(plant).expect("on it")));
        }
        list
    };
    let (cell, step) = (CELL_M, STEP_S);
    let whole = figures(cell, step);
    for (what, halved) in [
        ("cell", figures(0.5 * cell, step)),
        ("step", figures(cell, 0.5 * step)),
        ("both", figures(0.5 * cell, 0.5 * step)),
    ] {
        for ((name, a), (_, b)) in whole.iter().zip(&halved) {
            println!(
                "{what} halved: {name} {a:.5} to {b:.5} ({:+.2} %)",
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

#[test]
fn grids_past_their_memory_are_refused() {
    let huge = area((0.0, 1000.0), 12.0, 0.001);
    let error = Deposit::new(huge).unwrap_err();
    assert!(matches!(error, GridError::TooLarge { .. }), "{error:?}");
    let text = error.to_string();
    // 1,000,000 by 24,000 cells of 8 bytes are 183,106 MiB.
    assert!(
        text.contains("183106 MiB") && text.contains("256 MiB"),
        "{text}"
    );
    // What it proposes fits.
    let GridError::TooLarge { fits_mm, .. } = error else {
        unreachable!()
    };
    let coarser = area((0.0, 1000.0), 12.0, fits_mm as f64 / 1000.0);
    assert!(coarser.check().is_ok());
    for bad in [
        area((0.0, 1.0), 1.0, 0.0),
        area((0.0, 1.0), 1.0, f64::NAN),
        area((1.0, 1.0), 1.0, 0.1),
        area((0.0, f64::INFINITY), 1.0, 0.1),
    ] {
        assert!(
            matches!(bad.check(), Err(GridError::Number { .. })),
            "{bad:?}"
        );
    }
    let one = nozzles(1, 0.5);
    let boom = boom(&one, tapered());
    let mut small = Deposit::new(area((0.0, 1.0), 1.0, 0.1)).expect("small");
    for step in [0.0, -1.0, f64::NAN, 2.0] {
        assert!(lay_down(&mut small, &boom, &steady(5.0), &[], 1.0, step).is_err());
    }
}
