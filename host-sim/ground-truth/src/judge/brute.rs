//! The judge's coverage against a ground of 1 mm cells.
//!
//! The cells know nothing of half-flow edges: for each cell the flow is looked
//! up for the times at which the fan is over it.

use proptest::prelude::*;

use super::*;
use crate::{Motion, Piece, Plant, Valve};

const CELL: f64 = 0.001;

/// Flow of one opening and closing at time `t`, from the definition.
fn level(n: &TrueNozzle, spans: &[(f64, f64)], t: f64) -> f64 {
    let ramp = |since_half: f64, length: f64| {
        if length > 0.0 {
            (0.5 + since_half / length).clamp(0.0, 1.0)
        } else if since_half >= 0.0 {
            1.0
        } else {
            0.0
        }
    };
    let v = &n.valve;
    spans
        .iter()
        .map(|&(open, close)| {
            let up = ramp(t - open - v.open_delay_s, v.open_rise_s);
            let down = ramp(t - close - v.close_delay_s, v.close_fall_s);
            up - down
        })
        .sum()
}

/// Times (first, last) at which the fan is over `x`, and when its middle is.
fn over(n: &TrueNozzle, speed: f64, x: f64) -> (f64, f64, f64) {
    let middle = (x - n.x - n.throw_s * speed) / speed;
    let half = 0.5 * n.thickness_m / speed;
    (middle - half, middle + half, middle)
}

/// Whether the fan is at full flow all the while it is over the cell at `x`.
fn cell_full(n: &TrueNozzle, spans: &[(f64, f64)], speed: f64, x: f64) -> bool {
    let (first, last, _) = over(n, speed, x);
    let steps = 200;
    (0..=steps).all(|i| {
        let t = first + (last - first) * f64::from(i) / f64::from(steps);
        level(n, spans, t) > 1.0 - 1e-9
    })
}

/// Whether the middle of the fan brings at least half flow to the cell at `x`.
fn cell_half(n: &TrueNozzle, spans: &[(f64, f64)], speed: f64, x: f64) -> bool {
    level(n, spans, over(n, speed, x).2) >= 0.5
}

/// The middles of the cells from `from` to `to`.
fn cells(from: f64, to: f64) -> impl Iterator<Item = f64> {
    let count = ((to - from) / CELL).floor().max(0.0) as u32;
    (0..count).map(move |i| from + (f64::from(i) + 0.5) * CELL)
}

fn nozzles() -> impl Strategy<Value = Vec<TrueNozzle>> {
    let one = (
        -0.2..0.2_f64,
        0.0..0.04_f64,
        0.0..0.05_f64,
        (0.010..0.040_f64, 0.010..0.040_f64),
        (0.0..0.020_f64, 0.0..0.020_f64),
    );
    prop::collection::vec(one, 1..4).prop_map(|list| {
        let valve = |(open_delay_s, close_delay_s), (open_rise_s, close_fall_s)| Valve {
            open_delay_s,
            close_delay_s,
            open_rise_s,
            close_fall_s,
        };
        list.iter()
            .enumerate()
            .map(
                |(i, &(x, throw_s, thickness_m, delays, ramps))| TrueNozzle {
                    x,
                    y: i as f64 * 0.5,
                    lane_width_m: 0.5,
                    throw_s,
                    thickness_m,
                    valve: valve(delays, ramps),
                },
            )
            .collect()
    })
}

/// Sprays of 60 ms or more, 60 ms or more apart, so that no ramps meet.
fn spans() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec((0.06..0.3_f64, 0.06..0.3_f64), 0..6).prop_map(|list| {
        let mut t = 0.1;
        list.iter()
            .map(|&(off, on)| {
                let open = t + off;
                t = open + on;
                (open, t)
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn coverage_agrees_with_cells(
        speed in 1.0..8.0_f64,
        nozzles in nozzles(),
        sprays in prop::collection::vec(spans(), 3),
        plants in prop::collection::vec((0.0..1.0_f64, -0.3..1.4_f64, 0.005..0.3_f64, 0.01..0.3_f64), 1..20),
    ) {
        let reach = 2.5 * speed;
        let motion = Motion::new(0.0, speed, &[Piece { duration_s: 5.0, acceleration: 0.0 }])
            .expect("steady");
        let plants: Vec<Plant> = plants
            .iter()
            .map(|&(x, y, length, width)| Plant { x: 0.5 + x * reach, y, length, width })
            .collect();
        let commands: Vec<Command> = nozzles
            .iter()
            .enumerate()
            .flat_map(|(nozzle, _)| {
                sprays[nozzle].iter().flat_map(move |&(open, close)| {
                    [(true, open), (false, close)]
                        .map(|(open, at_s)| Command { nozzle, open, at_s, short_by_m: 0.0 })
                })
            })
            .collect();
        let report = judge(&JudgeInput {
            ground: &motion,
            nozzles: &nozzles,
            patch: Patch { lead_m: 0.02, trail_m: 0.02, lateral_margin_m: 0.01, ..Patch::default() },
            plants: &plants,
            seen: &vec![true; plants.len()],
            refused: &vec![false; plants.len()],
            commands: &commands,
            from_x: -1.0,
            to_x: 30.0,
            tolerance: Tolerance::default(),
            fan: None,
            faulty: &[],
            orders: None,
        });
        prop_assert!(report.problems.is_empty());
        prop_assert_eq!(report.missed_by.total(), report.targets.missed);
        for (plant, outcome) in plants.iter().zip(&report.outcomes) {
            let needed: Vec<usize> = (0..nozzles.len())
                .filter(|&i| (nozzles[i].y - plant.y).abs() < 0.25 + 0.5 * plant.width + 0.01 - 1e-6)
                .collect();
            let (a, b) = (plant.near(), plant.far());
            let all_full = |grow: f64| needed.iter().all(|&i| {
                cells(a - grow, b + grow).all(|x| cell_full(&nozzles[i], &sprays[i], speed, x))
            });
            let any_half = |grow: f64| needed.iter().any(|&i| {
                cells(a - grow, b + grow).any(|x| cell_half(&nozzles[i], &sprays[i], speed, x))
            });
            // A cell's middle may lie up to a cell inside the true border.
            match outcome {
                Outcome::Outside => prop_assert!(needed.is_empty()),
                Outcome::Full => prop_assert!(all_full(0.0), "{:?} is not full", plant),
                Outcome::Partial => {
                    prop_assert!(!all_full(2.0 * CELL), "{:?} is full", plant);
                    prop_assert!(any_half(2.0 * CELL), "{:?} got nothing", plant);
                }
                Outcome::Missed(_) => prop_assert!(!any_half(0.0), "{:?} got some", plant),
            }
        }
        // The sprayed area, cell by cell.
        for (i, strips) in report.strips.iter().enumerate() {
            let length: f64 = strips.iter().map(|s| s.1 - s.0).sum();
            let count = cells(-1.0, 30.0).filter(|&x| cell_half(&nozzles[i], &sprays[i], speed, x));
            let counted = count.count() as f64 * CELL;
            let room = CELL * (strips.len() as f64 + 1.0);
            prop_assert!((length - counted).abs() <= room, "{} m, counted {} m", length, counted);
        }
    }
}
