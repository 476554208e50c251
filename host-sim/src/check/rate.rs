//! Which speeds and pressures the duties of switched valves can hold the wanted rate at.
//!
//! Rate = flow / (speed x width), and flow goes with the root of pressure. A valve flows from its
//! open delay after one edge to its close delay after the other, so `open delay - close delay` of
//! each cycle flows nothing and is part of the duty that it is told.

use ground_truth::nozzle::rate_l_ha;

use super::Figure;
use super::evenness::{self, Evenness};
use super::sums;
use super::warnings::Warn;
use crate::machine::{Machine, Nozzle, Rate};

/// A pass less even than this share of what steady valves would give is warned of.
const EVEN: f64 = 0.9;
/// Cycles below which a patch is sprayed fully.
const CYCLES: f64 = 3.0;

/// What one nozzle can hold.
struct Held<'m> {
    index: usize,
    nozzle: &'m Nozzle,
    flow_l_min: f64,
    /// Speed at which it has to flow fully, m/s.
    full_m_s: f64,
    /// Slowest at which the lowest duty is not too much, m/s.
    lowest_m_s: f64,
}

/// Time of each cycle that flows nothing, s; negative where the valve shuts slower than it opens.
fn dead(nozzle: &Nozzle) -> f64 {
    nozzle.open_delay_s - nozzle.close_delay_s
}

fn held<'m>(machine: &'m Machine, rate: &Rate) -> Vec<Held<'m>> {
    let nozzles = machine.nozzles.iter().zip(&rate.flows_l_min).enumerate();
    nozzles
        .map(|(index, (nozzle, &flow_l_min))| {
            // Rate and speed change places in the formula.
            let full_m_s = rate_l_ha(flow_l_min, rate.width_m, rate.l_ha);
            let flowing = (rate.lowest - dead(nozzle) / rate.cycle_s).max(0.0);
            Held {
                index,
                nozzle,
                flow_l_min,
                full_m_s,
                lowest_m_s: flowing * full_m_s,
            }
        })
        .collect()
}

/// The nozzle that flows fully first, and the one that is too much first.
fn ends<'a, 'm>(held: &'a [Held<'m>]) -> Option<(&'a Held<'m>, &'a Held<'m>)> {
    let weakest = (held.iter()).min_by(|a, b| a.full_m_s.total_cmp(&b.full_m_s))?;
    let strongest = (held.iter()).max_by(|a, b| a.lowest_m_s.total_cmp(&b.lowest_m_s))?;
    Some((weakest, strongest))
}

/// How even a broadcast pass is at its worst, between the slowest and the fastest that hold the
/// rate.
fn even(machine: &Machine, rate: &Rate, ends: (&Held<'_>, &Held<'_>)) -> Option<Evenness> {
    let slow = ends.1.lowest_m_s.max(machine.wheel.creep_speed_m_s);
    let fast = ends.0.full_m_s.min(machine.wheel.max_speed_m_s);
    evenness::worst(machine, rate, slow, fast, ends.0.full_m_s)
}

/// The figures; none without `[rate]`.
pub(super) fn figures(machine: &Machine) -> Vec<Figure> {
    let Some(rate) = &machine.rate else {
        return Vec::new();
    };
    let held = held(machine, rate);
    let Some((weakest, strongest)) = ends(&held) else {
        return Vec::new();
    };
    let fastest = machine.wheel.max_speed_m_s;
    let cycle_ms = rate.cycle_s * 1e3;
    let pressure = rate.pressure_kpa * (fastest / weakest.full_m_s).powi(2);
    let highest = 1.0 - machine.timing.shortest_off_s / rate.cycle_s;
    let short = CYCLES * rate.cycle_s;
    let even = even(machine, rate, (weakest, strongest)).map(|e| Figure {
        key: "rate_evenness_percent",
        what: "least dose between shots of a broadcast pass",
        value: 100.0 * e.least,
        unit: "%",
        sum: vec![format!(
            "of the rate, at {:.2} m/s: a cycle is {:.3} m of ground, a fan {:.3} m thick; neighbours beat half a cycle apart, in step it would be {:.0} %, with steady valves {:.0} %",
            e.speed_m_s,
            e.cycle_m,
            machine.fan_thickness_m,
            100.0 * e.in_step,
            100.0 * e.steady
        )],
    });
    let mut figures = vec![
        Figure {
            key: "rate_full_flow_m_s",
            what: "fastest at which the rate is held",
            value: weakest.full_m_s,
            unit: "m/s",
            sum: vec![format!(
                "nozzle {}: {:.3} L/min x 600 / ({:.1} L/ha x {:.3} m) = {:.2} km/h at {:.0} kPa; faster gives too little",
                weakest.index,
                weakest.flow_l_min,
                rate.l_ha,
                rate.width_m,
                weakest.full_m_s * 3.6,
                rate.pressure_kpa
            )],
        },
        Figure {
            key: "rate_lowest_m_s",
            what: "slowest at which the rate is held",
            value: strongest.lowest_m_s,
            unit: "m/s",
            sum: vec![format!(
                "nozzle {}: (lowest duty {:.3} - dead time {:.1} ms / cycle {cycle_ms:.1} ms) x {:.2} m/s = {:.2} m/s; slower gives too much",
                strongest.index,
                rate.lowest,
                dead(strongest.nozzle) * 1e3,
                strongest.full_m_s,
                strongest.lowest_m_s
            )],
        },
        Figure {
            key: "rate_highest_duty_percent",
            what: "highest duty below a whole cycle",
            value: 100.0 * highest.max(0.0),
            unit: "%",
            sum: vec![format!(
                "1 - shortest off {:.1} ms / cycle {cycle_ms:.1} ms; what is above is sprayed fully, by up to {:.0} % too much",
                machine.timing.shortest_off_s * 1e3,
                100.0 * too_much(rate, machine)
            )],
        },
        Figure {
            key: "rate_pressure_at_fastest_kpa",
            what: "pressure that holds the rate at the machine's fastest",
            value: pressure,
            unit: "kPa",
            sum: vec![format!(
                "{:.0} kPa x ({fastest:.2} m/s / {:.2} m/s)² = {pressure:.0} kPa; flow goes with the root of pressure",
                rate.pressure_kpa, weakest.full_m_s
            )],
        },
        Figure {
            key: "rate_short_patch_m",
            what: "shorter patches flow fully, at the slowest that is held",
            value: short * strongest.lowest_m_s,
            unit: "m",
            sum: vec![format!(
                "{CYCLES:.0} cycles x {cycle_ms:.1} ms x {:.2} m/s; at full flow they get {:.1} times the rate there, and at {:.2} m/s, where it is {:.3} m, just the rate",
                strongest.lowest_m_s,
                strongest.full_m_s / strongest.lowest_m_s.max(1e-9),
                weakest.full_m_s,
                short * weakest.full_m_s
            )],
        },
    ];
    figures.extend(even);
    figures
}

/// By how much more than wanted flows where the duty jumps to a whole cycle, as a share.
fn too_much(rate: &Rate, machine: &Machine) -> f64 {
    let worst = machine.nozzles.iter().map(|nozzle| {
        let highest = 1.0 - (machine.timing.shortest_off_s + dead(nozzle)) / rate.cycle_s;
        1.0 / highest.max(1e-3) - 1.0
    });
    worst.fold(0.0, f64::max).max(0.0)
}

/// What is doubtful in a `[rate]`.
pub(super) fn warnings(machine: &Machine, warn: Warn<'_>) {
    let Some(rate) = &machine.rate else { return };
    let held = held(machine, rate);
    let Some((weakest, strongest)) = ends(&held) else {
        return;
    };
    let (fastest, creep) = (machine.wheel.max_speed_m_s, machine.wheel.creep_speed_m_s);
    if weakest.full_m_s < fastest {
        warn(
            format!(
                "above {:.2} m/s the rate of {:.1} L/ha is not held at {:.0} kPa",
                weakest.full_m_s, rate.l_ha, rate.pressure_kpa
            ),
            format!(
                "nozzle {} flows fully there; at {fastest:.2} m/s plants get {:.2} of the rate",
                weakest.index,
                weakest.full_m_s / fastest
            ),
            "take larger nozzles, raise the pressure, or lower max_speed_m_s".into(),
        );
    }
    if strongest.lowest_m_s >= weakest.full_m_s {
        warn(
            "the duties hold the rate at no speed".into(),
            format!(
                "nozzle {} gives too much up to {:.2} m/s and nozzle {} too little from {:.2} m/s on",
                strongest.index, strongest.lowest_m_s, weakest.index, weakest.full_m_s
            ),
            "lower lowest_duty_percent, or take nozzles that are alike".into(),
        );
    } else if strongest.lowest_m_s > 2.0 * creep {
        warn(
            format!(
                "below {:.2} m/s more than the rate is sprayed",
                strongest.lowest_m_s
            ),
            format!(
                "the lowest duty of {:.0} % gives {:.1} times the rate at the creep speed of {creep:.2} m/s",
                100.0 * rate.lowest,
                strongest.lowest_m_s / creep
            ),
            "keep above it, take smaller nozzles, or lower lowest_duty_percent if the valve allows"
                .into(),
        );
    }
    // What flows in the shortest pulse must at least be a pulse: the valve opens wholly in it.
    let flank = machine.valves.open_rise_s / 2.0 + machine.valves.close_fall_s / 2.0;
    for h in &held {
        let on = rate.lowest * rate.cycle_s;
        if on < dead(h.nozzle) + flank {
            warn(
                format!(
                    "the lowest duty is {:.1} ms of current, nozzle {}'s valve needs {:.1} ms to open wholly",
                    on * 1e3,
                    h.index,
                    (dead(h.nozzle) + flank) * 1e3
                ),
                "below that the flow is not in proportion to the duty".into(),
                "raise lowest_duty_percent or lower cycle_hz".into(),
            );
            break;
        }
    }
    if let Some(e) = even(machine, rate, (weakest, strongest))
        && e.least < EVEN * e.steady
    {
        warn(
            format!(
                "at {:.2} m/s a cycle is {:.3} m of ground, more than a fan of {:.3} m and its neighbours even out",
                e.speed_m_s, e.cycle_m, machine.fan_thickness_m
            ),
            format!(
                "in broadcast some ground between two shots gets {:.2} of the rate, {:.2} with steady valves",
                e.least, e.steady
            ),
            "raise cycle_hz, the fans' height or angle, or drive slower".into(),
        );
    }
    let (ground, time) = sums::margins(machine);
    let shortest = (ground / fastest + time) / rate.cycle_s;
    if shortest < CYCLES {
        warn(
            format!("the shortest patch passes in {shortest:.1} cycles at {fastest:.2} m/s"),
            format!(
                "patches of fewer than {CYCLES:.0} cycles flow fully: {:.1} times the rate at {:.2} m/s",
                weakest.full_m_s / strongest.lowest_m_s.max(1e-9),
                strongest.lowest_m_s
            ),
            "raise cycle_hz or the margins, take smaller nozzles, or set refuse_short_patches"
                .into(),
        );
    }
}
