//! How even a broadcast pass with switched valves is between its shots.
//!
//! A valve that flows for the share `s` of cycles of `T` wets `s·v·T` of each `v·T` of ground, and
//! its fan spreads that over its thickness. Where fans overlap the doses add; neighbours beat half
//! a cycle apart. Geometry of boxes laid over one another; rise and fall of the flow, which round
//! the ends a little, and mounts that are not in one line are left out.

use crate::agronomy;
use crate::machine::{Machine, Rate};

/// Speeds looked at, from the slowest to the fastest that hold the rate.
const SPEEDS: u32 = 40;
/// Places looked at across two lanes, and along a cycle.
const ACROSS: u32 = 40;
const ALONG: u32 = 64;

/// The speed at which the pass is least even.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evenness {
    /// That speed, m/s.
    pub speed_m_s: f64,
    /// Ground of a cycle there, m.
    pub cycle_m: f64,
    /// The least dose anywhere, as a share of the wanted rate.
    pub least: f64,
    /// The same were all valves in step, at the speed that is worst then.
    pub in_step: f64,
    /// The same of valves that flow steadily: what the fans alone make of it.
    pub steady: f64,
}

/// The worst of all speeds between these two, m/s.
pub fn worst(machine: &Machine, rate: &Rate, slow: f64, fast: f64, full: f64) -> Option<Evenness> {
    let all = (0..=SPEEDS).map(|i| slow + (fast - slow) * f64::from(i) / f64::from(SPEEDS));
    all.filter(|v| *v > 0.0 && *v < full)
        .map(|v| at(machine, rate, v, v / full))
        .reduce(|a, b| Evenness {
            in_step: a.in_step.min(b.in_step),
            ..if a.least <= b.least { a } else { b }
        })
}

fn at(machine: &Machine, rate: &Rate, speed_m_s: f64, share: f64) -> Evenness {
    let cycle_m = speed_m_s * rate.cycle_s;
    let fan = agronomy::fan(machine);
    let thick = machine.fan_thickness_m.max(1e-4);
    let reach = (fan.half_width_m / fan.spacing_m).ceil() as i64 + 2;
    let mut found = Evenness {
        speed_m_s,
        cycle_m,
        least: f64::INFINITY,
        in_step: f64::INFINITY,
        steady: f64::INFINITY,
    };
    for across in 0..ACROSS {
        let y = 2.0 * fan.spacing_m * (f64::from(across) + 0.5) / f64::from(ACROSS);
        let doses: Vec<(f64, f64, bool)> = (-reach..=reach + 1)
            .map(|k| {
                let aside = y - k as f64 * fan.spacing_m;
                (fan.share(aside), fan.twist * aside, k % 2 != 0)
            })
            .filter(|(dose, ..)| *dose > 0.0)
            .collect();
        found.steady = found.steady.min(doses.iter().map(|d| d.0).sum());
        for along in 0..ALONG {
            let x = cycle_m * f64::from(along) / f64::from(ALONG);
            let sum = |beat: f64| -> f64 {
                let one = |&(dose, shift, odd): &(f64, f64, bool)| {
                    let from = x - shift - if odd { beat } else { 0.0 };
                    dose * wet(from - 0.5 * thick, from + 0.5 * thick, cycle_m, share)
                        / (thick * share)
                };
                doses.iter().map(one).sum()
            };
            found.least = found.least.min(sum(0.5 * cycle_m));
            found.in_step = found.in_step.min(sum(0.0));
        }
    }
    found
}

/// Ground between two places that is wet where the first `share` of each cycle is.
fn wet(from: f64, to: f64, cycle: f64, share: f64) -> f64 {
    let before = |x: f64| {
        let cycles = (x / cycle).floor();
        cycles * share * cycle + (x - cycles * cycle).min(share * cycle)
    };
    before(to) - before(from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wet_ground_by_hand() {
        // A quarter of every 0.2 m, from 0.
        assert!((wet(0.0, 0.2, 0.2, 0.25) - 0.05).abs() < 1e-12);
        assert!((wet(0.05, 0.2, 0.2, 0.25)).abs() < 1e-12);
        assert!((wet(-0.17, 0.03, 0.2, 0.25) - 0.05).abs() < 1e-12);
        assert!((wet(0.02, 0.21, 0.2, 0.25) - 0.04).abs() < 1e-12);
    }

    #[test]
    fn neighbours_in_turns_by_hand() {
        // Half of each 0.16 m, fans 0.08 m thick: in step the middle of each gap is dry, and in
        // turns it gets half a cycle later what it missed. Of evenly sharing neighbours, as at the
        // seam of two lanes, nothing is missing then; straight below a nozzle three of them share
        // unevenly.
        let text = crate::run::DEMO_MACHINE.replace(
            "lane_width_m = 0.5\nfan_thickness_m = 0.04",
            "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 9.147",
        ) + "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\npressure_kpa = 300.0\nflow_l_min = 0.96\n";
        let machine = Machine::parse("m.toml", &text).expect("right");
        assert!((machine.fan_thickness_m - 0.08).abs() < 1e-4);
        let rate = machine.rate.clone().expect("a rate");
        let found = at(&machine, &rate, 4.0, 0.5);
        assert!((found.cycle_m - 0.16).abs() < 1e-12);
        assert!(found.in_step < 0.03, "{found:?}");
        // Steady: least where two fans of 0.714 m meet, 2 x 0.7 x (1 - 0.25/0.714) = 0.91. In
        // turns: straight below a nozzle 0.70 of its own and 0.21 from each side; in its gap
        // 2 x 0.42.
        assert!((found.steady - 0.91).abs() < 0.01, "{found:?}");
        assert!((found.least - 0.84).abs() < 0.02, "{found:?}");
        // Each lane for itself: nobody fills a gap.
        let alone = crate::run::DEMO_MACHINE.to_owned()
            + "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\npressure_kpa = 300.0\nflow_l_min = 0.96\n";
        let alone = Machine::parse("m.toml", &alone).expect("right");
        let found = at(&alone, &rate, 4.0, 0.5);
        assert!(
            found.least < 1e-9 && (found.steady - 1.0).abs() < 1e-9,
            "{found:?}"
        );
    }
}
