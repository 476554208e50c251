//! What a turn costs a controller that knows of none: prints the table that the README
//! shows. `cargo run --release -p ground-truth --example turns`
//!
//! A boom of 24 m hangs 3 m behind the axle. Plants come into view 2 m ahead of the
//! nozzles. The controller counts the distance of the axle's middle, takes it for every
//! nozzle's, and opens the nozzle at whose place across the plant was seen.

use std::sync::Arc;

use ground_truth::{Ground, Leg, Motion, Piece, Plant, Rig, Travel, TrueNozzle, Turning, Valve};

const SPEED: f64 = 4.0;
const AHEAD_M: f64 = 2.0;

fn nozzles() -> Vec<TrueNozzle> {
    (0..96)
        .map(|i| TrueNozzle {
            x: 0.0,
            y: 0.25 * (f64::from(i) - 47.5),
            lane_width_m: 0.25,
            throw_s: 0.05,
            thickness_m: 0.04,
            valve: Valve::default(),
        })
        .collect()
}

/// The errors of plants that were seen `y` to the right: along and across, in metres.
fn errors(radius: f64, y: impl Iterator<Item = f64> + Clone) -> Vec<(f64, f64)> {
    let piece = Piece {
        duration_s: 60.0,
        acceleration: 0.0,
    };
    let motion = Motion::new(0.0, SPEED, &[piece]).expect("steady");
    let rig = Rig {
        behind_axle_m: 3.0,
        ..Rig::default()
    };
    let legs = [Leg::arc(240.0, 1.0 / radius)];
    let travel = Arc::new(Travel::new(motion, &legs, rig).expect("an arc"));
    let nozzles = nozzles();
    let seen: Vec<(f64, f64)> = y
        .flat_map(|y| (0..10).map(move |i| (2.0 + 0.37 * f64::from(i), y)))
        .collect();
    let plants: Vec<Plant> = seen
        .iter()
        .map(|&(t, y)| {
            let (x, y) = travel.boom(t).place(AHEAD_M, y);
            Plant {
                x,
                y,
                length: 0.06,
                width: 0.06,
            }
        })
        .collect();
    let turning = Turning::new(&travel, &nozzles, &plants);
    seen.iter()
        .enumerate()
        .filter_map(|(plant, &(t, y))| {
            let pass = turning.pass(plant)?;
            let off = |n: &TrueNozzle| (n.y - pass.y).abs();
            let (n, nozzle) = nozzles
                .iter()
                .enumerate()
                .min_by(|a, b| off(a.1).total_cmp(&off(b.1)))?;
            let met = turning.met(plant, n)?;
            let sprayed = t + AHEAD_M / SPEED - nozzle.throw_s;
            let landed = turning.track(n)?.lands(sprayed, nozzle.x, nozzle.throw_s);
            Some((landed - met.x, y - pass.y))
        })
        .collect()
}

fn main() {
    println!("24 m boom, 3 m behind the axle, plants seen 2 m ahead, no compensation; mm RMS");
    println!(
        "{:>10} {:>14} {:>14} {:>14} {:>14}",
        "radius", "outer along", "outer across", "inner along", "inner across"
    );
    for radius in [15.0, 30.0, 60.0] {
        let rms = |y: f64| {
            let ends = (0..20).map(move |i| y.signum() * (y.abs() - 0.05 * f64::from(i)));
            let all = errors(radius, ends);
            let n = all.len().max(1) as f64;
            let of = |pick: fn(&(f64, f64)) -> f64| {
                1e3 * (all.iter().map(|e| pick(e).powi(2)).sum::<f64>() / n).sqrt()
            };
            (of(|e| e.0), of(|e| e.1))
        };
        let (outer, inner) = (rms(-11.9), rms(11.9));
        println!(
            "{radius:>8} m {:>14.0} {:>14.0} {:>14.0} {:>14.0}",
            outer.0, outer.1, inner.0, inner.1
        );
    }
}
