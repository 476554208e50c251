//! The grid against the plain way: every step of every nozzle on every cell, by the overlap of
//! two boxes.

use super::lay::steps;
use super::tests::{area, boom, laid, nozzles, tapered};
use super::*;
use crate::judge::{Command, TrueFan, TrueNozzle};
use crate::{Ground, Motion, Piece, SupplySpec, Valve};

/// When laying ends in these tests.
const UNTIL_S: f64 = 100.0;

/// Share of two boxes of lengths `a` and `b`, smeared over each other around 0, that lies
/// before `x`.
fn smeared(x: f64, a: f64, b: f64) -> f64 {
    let (long, short) = (a.max(b), a.min(b));
    let x = x.clamp(-0.5 * (long + short), 0.5 * (long + short));
    let side = 0.5 * (long - short);
    // A rise over the shorter length, a plateau, and a fall.
    let outer = |beyond: f64| 0.5 * beyond * beyond / (long * short);
    if x < -side {
        outer(x + 0.5 * (long + short))
    } else if x > side {
        1.0 - outer(0.5 * (long + short) - x)
    } else {
        0.5 + x / long
    }
}

/// Litres by cell, a row after the other.
fn plainly(
    boom: &Boom<'_>,
    ground: &dyn Ground,
    commands: &[Command],
    area: Area,
    step_s: f64,
) -> Vec<f64> {
    let (rows, columns) = area.check().expect("small");
    let mut litres = vec![0.0; rows * columns];
    let thinnest = 1e-4;
    let thickness = |n: &TrueNozzle| (n.thickness_m - 2.0 * boom.twin_m).max(thinnest);
    for (index, nozzle) in boom.nozzles.iter().enumerate() {
        let own = commands.iter().filter(|c| c.nozzle == index);
        let told: Vec<(f64, bool)> = own.map(|c| (c.at_s, c.open)).collect();
        let l_min = boom.flows.get(index).copied().unwrap_or(boom.l_min);
        for (from, to, share) in steps(&nozzle.valve.flow(&told), UNTIL_S, step_s) {
            let pressed = boom.supplied.map_or(1.0, |s| s.share(0.5 * (from + to)));
            let volume = l_min / 60.0 * share * pressed * (to - from);
            let ends = (nozzle.lands(ground, from), nozzle.lands(ground, to));
            let sweep = (ends.1 - ends.0).abs().max(thinnest);
            for twin in [-boom.twin_m, boom.twin_m] {
                for column in 0..columns {
                    let left = area.across.0 + column as f64 * area.cell - nozzle.y;
                    let part = boom.fan.volume(left, left + area.cell);
                    let shift = boom.fan.twist * (left + 0.5 * area.cell);
                    let middle = 0.5 * (ends.0 + ends.1) + twin + shift;
                    for row in 0..rows {
                        let near = area.along.0 + row as f64 * area.cell - middle;
                        let before = |x: f64| smeared(x, sweep, thickness(nozzle));
                        let got = before(near + area.cell) - before(near);
                        litres[row * columns + column] += 0.5 * volume * part * got;
                    }
                }
            }
        }
    }
    litres
}

/// A drive that speeds up, stops, stands for a while and goes back; valves open all along, in
/// spots and while it stands; tapered and even fans, twisted and twin, under a pressure that
/// falls. Each cell within 1e-9 of the fullest.
#[test]
fn every_cell_is_that_of_the_plain_way() {
    let pieces = [(1.0, 1.0), (0.5, 0.0), (1.5, -2.0), (0.4, 0.0), (1.2, -1.0)].map(
        |(duration_s, acceleration)| Piece {
            duration_s,
            acceleration,
        },
    );
    let back = Motion::reversing(0.0, 2.0, &pieces).expect("a drive");
    let on = Motion::new(0.0, 2.0, &pieces[..3]).expect("a drive");
    let valve = Valve {
        open_rise_s: 0.02,
        ..super::tests::QUICK
    };
    let mut three = nozzles(3, 0.5);
    for nozzle in &mut three {
        nozzle.valve = valve;
    }
    let command = |nozzle, open, at_s| Command {
        nozzle,
        open,
        at_s,
        short_by_m: 0.0,
    };
    let mut commands = vec![command(1, true, 0.05), command(1, false, 4.3)];
    for (nozzle, from, to) in [(0, 0.1, 0.16), (0, 0.7, 0.71), (2, 0.3, 0.9), (2, 2.6, 3.6)] {
        commands.extend([command(nozzle, true, from), command(nozzle, false, to)]);
    }
    let spec = SupplySpec {
        nominal_kpa: 300.0,
        nozzle_l_min: 1.2,
        pump_kpa: 320.0,
        pump_drop: 2.0,
        relief_kpa: 310.0,
        line_drop: 1.0,
        lag_s: 0.1,
        full_share: 0.95,
    };
    let told: Vec<(f64, bool)> = vec![(0.0, true), (1.0, false)];
    let supplied = spec.follow([valve.flow(&told)].iter());
    let even = TrueFan {
        flat_half_m: 0.25,
        half_width_m: 0.25,
        ..tapered()
    };
    let twisted = TrueFan {
        twist: 0.15,
        ..tapered()
    };
    let flows = [0.9, 1.2, 1.5];
    for (name, ground, fan, twin_m, flows, supplied) in [
        ("even", &on, even, 0.0, &flows[..0], None),
        ("back", &back, tapered(), 0.0, &flows[..], Some(&supplied)),
        ("twin", &on, tapered(), 0.04, &flows[..], None),
        ("twisted", &back, twisted, 0.03, &flows[..0], None),
    ] {
        let boom = Boom {
            nozzles: &three,
            fan,
            twin_m,
            l_min: 1.2,
            flows,
            supplied,
        };
        let whole = area((0.0, 6.0), 1.2, 0.02);
        let deposit = laid(&boom, ground, &commands, whole, 5e-3);
        let plain = plainly(&boom, ground, &commands, whole, 5e-3);
        let columns = deposit.counts().1;
        let most = plain.iter().copied().fold(0.0, f64::max);
        let mut worst = 0.0_f64;
        for (i, litres) in plain.iter().enumerate() {
            let got = deposit.l_ha(i / columns, i % columns) / deposit.l_ha_per_litre();
            worst = worst.max((got - litres).abs() / most);
        }
        println!("{name}: cells within {worst:.1e} of the fullest");
        assert!(most > 0.0 && worst < 1e-9, "{name}: {worst}");
    }
}

/// A kilometre of broadcast spray: cells at its end are as exact as those at its begin.
#[test]
fn a_long_way_costs_no_digits() {
    let ground = super::tests::steady(11.0);
    let one = nozzles(1, 0.5);
    let boom = boom(&one, tapered());
    let commands = super::tests::pass(&boom, 11.0, 1.0, 1001.0);
    let deposit = laid(
        &boom,
        &ground,
        &commands,
        area((0.0, 1010.0), 0.1, 0.1),
        2e-3,
    );
    let at = |x: f64| deposit.at(x, 0.0).expect("on the grid");
    for x in [10.0, 500.0, 999.0] {
        assert!((at(x) / at(5.0) - 1.0).abs() < 1e-10, "{x}: {}", at(x));
    }
}
