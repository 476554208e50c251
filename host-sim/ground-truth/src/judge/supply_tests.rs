//! A dose takes the flow that the pump could give.

use super::*;
use crate::{Motion, Piece, Plant, SupplySpec, Valve};

const SUPPLY: SupplySpec = SupplySpec {
    nominal_kpa: 300.0,
    nozzle_l_min: 0.8,
    pump_kpa: 450.0,
    pump_drop: 0.08,
    relief_kpa: 303.0,
    line_drop: 0.08,
    lag_s: 0.05,
    full_share: 0.95,
};

/// A lone plant at 20 m, and one as wide as the boom at 60 m: judged with and without
/// the supply.
fn judged(fan: Option<TrueFan>) -> (Report, Report, Supplied) {
    let piece = Piece {
        duration_s: 20.0,
        acceleration: 0.0,
    };
    let ground = Motion::new(0.0, 5.0, &[piece]).expect("steady");
    let nozzles: Vec<TrueNozzle> = (0..40)
        .map(|i| TrueNozzle {
            x: 0.0,
            y: 0.5 * (f64::from(i) - 19.5),
            lane_width_m: 0.5,
            throw_s: 0.0,
            thickness_m: 0.04,
            valve: Valve {
                open_delay_s: 0.02,
                close_delay_s: 0.01,
                open_rise_s: 0.004,
                close_fall_s: 0.004,
            },
        })
        .collect();
    let plant = |x: f64, y: f64, width: f64| Plant {
        x,
        y,
        length: 0.1,
        width,
    };
    let plants = [plant(20.0, 0.25, 0.1), plant(60.0, 0.0, 19.0)];
    let mut commands = Vec::new();
    // Open for 2 m around each, the lone one by three nozzles where fans are summed.
    for nozzle in 0..40 {
        for (x, wanted) in [(20.0, (18..23).contains(&nozzle)), (60.0, true)] {
            if wanted {
                for (open, at) in [(true, x - 1.0), (false, x + 1.0)] {
                    commands.push(Command {
                        nozzle,
                        open,
                        at_s: at / 5.0 - 0.02,
                        short_by_m: 0.0,
                    });
                }
            }
        }
    }
    commands.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let input = JudgeInput {
        ground: &ground,
        nozzles: &nozzles,
        patch: Patch::default(),
        plants: &plants,
        seen: &[true; 2],
        refused: &[false; 2],
        commands: &commands,
        from_x: 5.0,
        to_x: 90.0,
        tolerance: Tolerance::default(),
        fan,
        faulty: &[],
        orders: None,
    };
    let (with, supplied) = judge_supplied(&input, &SUPPLY).expect("a supply");
    (judge(&input), with, supplied)
}

#[test]
fn a_whole_boom_draws_the_pressure_down_and_a_few_nozzles_do_not() {
    let fan = TrueFan {
        half_width_m: 0.5,
        flat_half_m: 0.0,
        spacing_m: 0.5,
        wanted_share: 0.9,
        twist: 0.0,
        bow_height_m: 0.0,
    };
    for fan in [None, Some(fan)] {
        let (without, with, supplied) = judged(fan);
        assert_eq!(without.outcomes, [Outcome::Full; 2], "{fan:?}");
        assert_eq!(with.outcomes, [Outcome::Full, Outcome::Partial], "{fan:?}");
        // By hand: 40 · 0.8 = 32 L/min at 300 kPa, so 1024/300 = 3.413 per kPa. Behind the
        // relief valve 303/(1 + 0.08·3.413) = 238.0 kPa, where the pump could still give
        // 450 − 0.08·3.413·238 = 385 kPa: it blows off. √(238/300) = 0.89 of the flow.
        let low = SUPPLY.settled_kpa(40.0);
        assert!((low - 238.0).abs() < 0.1, "{low}");
        assert!((supplied.lowest_kpa() - low).abs() < 0.5);
    }
}

#[test]
fn a_bad_supply_is_no_panic() {
    let bad = SupplySpec {
        nominal_kpa: -1.0,
        ..SUPPLY
    };
    let ground = Motion::new(0.0, 5.0, &[]).expect("steady");
    let input = JudgeInput {
        ground: &ground,
        nozzles: &[],
        patch: Patch::default(),
        plants: &[],
        seen: &[],
        refused: &[],
        commands: &[],
        from_x: 0.0,
        to_x: 1.0,
        tolerance: Tolerance::default(),
        fan: None,
        faulty: &[],
        orders: None,
    };
    let error = judge_supplied(&input, &bad).expect_err("refused");
    assert!(error.to_string().contains("nominal pressure"));
}
