//! Calibration examples from outside, driven over the grid: what a bucket under one nozzle
//! catches on the way must be what the grid says of the ground.
//!
//! An acre is 43,560 square feet, and 1/128 of one is 340.3 square feet: what falls there in
//! US fluid ounces is the rate in US gallons an acre.

use super::tests::{nozzles, pass, steady, tapered};
use super::*;
use crate::nozzle::L_HA_PER_GPA;
use crate::{Ground, TrueFan};

const FOOT: f64 = 0.3048;
const INCH: f64 = 0.0254;
const MPH: f64 = 0.44704;
const OUNCE_L: f64 = 3.785_411_784 / 128.0;

/// Drives `boom` over `length` metres at `speed` and gives what the grid says of the middle
/// of the pass between `across`, in L/ha, and what a bucket under one nozzle catches on the
/// whole way, in litres.
fn driven(boom: &Boom<'_>, speed: f64, length: f64, across: (f64, f64)) -> (f64, f64) {
    let ground = steady(speed);
    let start = 5.0;
    let commands = pass(boom, speed, start, start + length);
    let mut deposit = Deposit::new(Area {
        along: (0.0, length + 10.0),
        across: (across.0 - 1.0, across.1 + 1.0),
        cell: CELL_M,
        most_bytes: MOST_BYTES,
    })
    .expect("fits");
    lay_down(&mut deposit, boom, &ground, &commands, 1000.0, STEP_S).expect("usual");
    let rate = deposit
        .figures((start + 1.0, start + length - 1.0), across, 1.0)
        .expect("cells")
        .mean_l_ha;
    let time = |x: f64| ground.time_at(x).expect("passed");
    let seconds = time(start + length) - time(start);
    (rate, boom.l_min / 60.0 * seconds)
}

fn boom(nozzles: &[crate::TrueNozzle], spacing: f64, l_min: f64) -> Boom<'_> {
    Boom {
        nozzles,
        fan: TrueFan {
            spacing_m: spacing,
            half_width_m: spacing,
            ..tapered()
        },
        twin_m: 0.0,
        l_min,
        flows: &[],
        supplied: None,
    }
}

/// 1.3 L/min, 7.8 km/h and 0.5 m give 200 L/ha: "Useful formulae for working out nozzle
/// selection, forward speed, application rate", Irish Independent, 2011.
#[test]
fn a_metric_pass_gives_the_published_rate() {
    let nozzles = nozzles(9, 0.5);
    let (rate, _) = driven(&boom(&nozzles, 0.5, 1.3), 7.8 / 3.6, 20.0, (-0.5, 0.5));
    println!("1.3 L/min, 7.8 km/h, 0.5 m: {rate:.3} L/ha on the ground, published 200");
    assert!((rate / 200.0 - 1.0).abs() < 1e-3, "{rate}");
}

/// A. R. Barbosa, T. J. Koske, G. Parish, "Ounces equal gallons", LSU AgCenter: nozzle
/// spacing in inches and feet to drive for 1/128 acre. The ounces caught under one nozzle
/// are the gallons an acre, whatever nozzle and speed.
#[test]
fn ounces_caught_are_gallons_an_acre() {
    for (inches, feet) in [
        (30.0, 136.0),
        (26.0, 157.0),
        (20.0, 204.0),
        (16.0, 255.0),
        (12.0, 340.0),
        (10.0, 408.0),
    ] {
        let spacing = inches * INCH;
        let nozzles = nozzles(5, spacing);
        for (l_min, mph) in [(0.8, 4.0), (1.6, 6.5)] {
            let boom = boom(&nozzles, spacing, l_min);
            let across = (-0.5 * spacing, 0.5 * spacing);
            let (rate, caught) = driven(&boom, mph * MPH, feet * FOOT, across);
            let (gallons, ounces) = (rate / L_HA_PER_GPA, caught / OUNCE_L);
            println!(
                "{inches} in, {feet} ft, {mph} mph: caught {ounces:.2} oz, ground {gallons:.2} GPA"
            );
            // The table rounds to whole feet: up to 0.8 of 185.
            assert!((ounces / gallons - 1.0).abs() < 0.005, "{ounces} {gallons}");
        }
    }
}

/// The same page, example 1: rows of 40 in with two nozzles a row, 102 ft in 17 s, 14 oz
/// from both: 14 gallons an acre.
#[test]
fn two_nozzles_a_row_add_up_to_the_published_rate() {
    let spacing = 20.0 * INCH;
    let nozzles = nozzles(8, spacing);
    let seconds = 17.0;
    let l_min = 14.0 * OUNCE_L / 2.0 / seconds * 60.0;
    let row = 40.0 * INCH;
    let speed = 102.0 * FOOT / seconds;
    let boom = boom(&nozzles, spacing, l_min);
    let (rate, caught) = driven(&boom, speed, 102.0 * FOOT, (-0.5 * row, 0.5 * row));
    let (gallons, ounces) = (rate / L_HA_PER_GPA, 2.0 * caught / OUNCE_L);
    println!(
        "two nozzles in a row of 40 in: caught {ounces:.3} oz, ground {gallons:.3} GPA, published 14"
    );
    assert!((ounces - 14.0).abs() < 1e-6);
    assert!((gallons / 14.0 - 1.0).abs() < 0.005, "{gallons}");
}

/// 0.3 US gallons a minute, 8 mph, 20 in: 11.1 gallons an acre; 5940 is the constant of
/// University of Missouri Extension G1270a.
#[test]
fn a_pass_in_customary_units_gives_the_published_rate() {
    let spacing = 20.0 * INCH;
    let nozzles = nozzles(9, spacing);
    for (gpm, mph, published) in [(0.3, 8.0, 11.1), (0.4, 12.0, 9.9), (0.5, 20.0, 7.4)] {
        let boom = boom(&nozzles, spacing, gpm * 3.785_411_784);
        let (rate, _) = driven(&boom, mph * MPH, 40.0, (-spacing, spacing));
        let gallons = rate / L_HA_PER_GPA;
        assert!(
            (gallons - published).abs() < 0.051,
            "{gallons}, not {published}"
        );
        assert!((gallons / (5940.0 * gpm / (mph * 20.0)) - 1.0).abs() < 1e-3);
    }
}
