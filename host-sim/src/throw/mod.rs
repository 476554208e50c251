//! The verb `throw`: how far forward the spray flies, from nozzle, height and drops.
//!
//! The throw is what the machine file carries as `throw_ms`. It is worked out twice: with the air
//! in the fan dragged along, and with air that keeps out of it; the truth lies between. The drops'
//! world is `ground_truth::drops`; no code of the controller is in it. `formats/throw.md` is the
//! reference.

mod report;
mod wish;

pub use report::{Drop, Move, Report, WindRow};
pub use wish::Wish;

use ground_truth::drops::{Air, Carried, DropError, Pattern, Spray, Target, Throw, WATER, Wind};
use ground_truth::nozzle::rate_l_ha;

use crate::error::Result;
use crate::machine;
use wish::{Inputs, refused};

/// Throws of all fans of a nozzle: their mean over fans, s, and how far ahead they land at
/// standstill, m.
fn mean(fans: &[Spray], diameter: f64) -> std::result::Result<(f64, f64), DropError> {
    let mut sum = (0.0, 0.0);
    for fan in fans {
        let throw = fan.throw(diameter)?;
        sum.0 += throw.mean_s / fans.len() as f64;
        sum.1 += throw.ahead_m / fans.len() as f64;
    }
    Ok(sum)
}

/// The same fans in air that keeps out of them.
fn still(fans: &[Spray]) -> Vec<Spray> {
    let one = |fan: &Spray| Spray {
        carried: Carried::Nothing,
        ..fan.clone()
    };
    fans.iter().map(one).collect()
}

/// The fans of a nozzle at a speed, in calm air of a temperature: one, or two twins that share its
/// flow.
fn fans(spec: &machine::Spray, travel: f64, temperature_c: f64) -> Vec<Spray> {
    let leans: &[f64] = if spec.twin_deg > 0.0 {
        &[0.5, -0.5]
    } else {
        &[0.0]
    };
    let one = |way: &f64| Spray {
        pressure_pa: spec.pressure_pa,
        velocity_coefficient: spec.velocity_coefficient,
        liquid_density: WATER,
        flow: spec.l_min / 60_000.0 / leans.len() as f64,
        fan_angle: spec.fan_angle_deg.to_radians(),
        thickness_angle: spec.thickness_deg.to_radians(),
        tilt: (spec.tilt_deg + way * spec.twin_deg).to_radians(),
        height: spec.height_m,
        breakup: spec.sheet_m,
        pattern: match spec.even {
            true => Pattern::Even,
            false => Pattern::Tapered,
        },
        spectrum: spec.drops.clone(),
        travel,
        air: Air::at(temperature_c),
        wind: Wind::default(),
        carried: Carried::Everything,
    };
    leans.iter().map(one).collect()
}

/// The throw of a machine's `[spray]` at a speed, s, in calm air of 20 °C.
///
/// # Errors
///
/// Spray that can't be worked out, such as a speed below 0.1 m/s.
pub fn of_machine(spec: &machine::Spray, speed_m_s: f64) -> std::result::Result<f64, DropError> {
    let diameter = spec.drops.diameter(spec.percentile / 100.0);
    mean(&fans(spec, speed_m_s, 20.0), diameter).map(|m| m.0)
}

/// Throw and time of flight below the nozzle of a machine's `[spray]` at a speed, s, in calm air of
/// 20 °C.
///
/// # Errors
///
/// As [`of_machine`].
pub fn flight_of_machine(
    spec: &machine::Spray,
    speed_m_s: f64,
) -> std::result::Result<(f64, f64), DropError> {
    let diameter = spec.drops.diameter(spec.percentile / 100.0);
    let fans = fans(spec, speed_m_s, 20.0);
    let mut sum = (0.0, 0.0);
    for fan in &fans {
        let throw = fan.throw(diameter)?;
        sum.0 += throw.mean_s / fans.len() as f64;
        sum.1 += throw.flight_s / fans.len() as f64;
    }
    Ok(sum)
}

/// Works out what `throw` reports.
pub fn throw(wish: &Wish) -> Result<Report> {
    let inputs = wish.inputs()?;
    report(&inputs).map_err(|e| refused(&e))
}

fn report(inputs: &Inputs) -> std::result::Result<Report, DropError> {
    let (fans, spec) = (&inputs.fans, &inputs.spec);
    let keep_out = still(fans);
    let first = &fans[0];
    let spectrum = &first.spectrum;
    let diameter = spectrum.diameter(spec.percentile / 100.0);
    let mut percentiles = vec![10.0, 50.0, 90.0];
    if !percentiles.contains(&spec.percentile) {
        percentiles.push(spec.percentile);
        percentiles.sort_by(f64::total_cmp);
    }
    let mut drops = Vec::new();
    for percentile in percentiles {
        let diameter = spectrum.diameter(percentile / 100.0);
        let (carried, kept): (Throw, Throw) =
            (first.throw(diameter)?, keep_out[0].throw(diameter)?);
        drops.push(Drop {
            percentile,
            diameter_um: diameter * 1e6,
            throw_ms: mean(fans, diameter)?.0 * 1e3,
            still_throw_ms: mean(&keep_out, diameter)?.0 * 1e3,
            middle_ms: carried.middle_s * 1e3,
            side_ms: carried.side_s * 1e3,
            flight_ms: carried.flight_s * 1e3,
            still_flight_ms: kept.flight_s * 1e3,
            fall_angle_deg: carried.fall_angle.to_degrees(),
            landing_m_s: carried.landing_speed,
        });
    }
    let (throw_s, ahead_m) = mean(fans, diameter)?;
    let own = first.throw(diameter)?;
    let told = inputs.machine.as_ref();
    let told_s = told.and_then(|m| m.nozzles.first()).map(|n| n.throw_s);
    let spacing_m = told.map(|m| m.fan.map_or(m.nozzles[0].lane_width_m, |f| f.spacing_m));
    let whole_mean = |fans: &[Spray]| -> std::result::Result<f64, DropError> {
        let mut sum = 0.0;
        for fan in fans {
            sum += fan.mean_throw()? / fans.len() as f64;
        }
        Ok(sum * 1e3)
    };
    let thickness_m = {
        let lands = |rad: f64| first.height * rad.tan();
        let half = 0.5 * first.thickness_angle;
        let front = fans.iter().map(|f| lands(f.tilt + half));
        let back = fans.iter().map(|f| lands(f.tilt - half));
        front.fold(f64::MIN, f64::max) - back.fold(f64::MAX, f64::min)
    };
    Ok(Report {
        name: told.map(|m| m.name.clone()),
        size: spec.size.clone(),
        pressure_kpa: first.pressure_pa / 1e3,
        height_m: first.height,
        fan_angle_deg: first.fan_angle.to_degrees(),
        speed_m_s: first.travel,
        temperature_c: inputs.temperature_c,
        assumed: inputs.assumed.clone(),
        flow_l_min: spec.l_min,
        rate_l_ha: spacing_m.map(|m| rate_l_ha(spec.l_min, m, first.travel)),
        exit_speed_m_s: first.exit_speed(),
        fan_width_m: 2.0 * first.half_width(),
        fan_thickness_m: thickness_m,
        percentile: spec.percentile,
        throw_ms: throw_s * 1e3,
        still_throw_ms: mean(&keep_out, diameter)?.0 * 1e3,
        ahead_mm: ahead_m * 1e3,
        bow_mm: (own.side_s - own.middle_s) * first.travel * 1e3,
        mean_throw_ms: whole_mean(fans)?,
        machine_throw_ms: told_s.map(|s| s * 1e3),
        machine_off_mm: told_s.map(|s| (throw_s - s) * first.travel * 1e3),
        drops,
        moves: moves(inputs, diameter)?,
        strip_m: inputs.strip_m,
        margin_m: inputs.margin_m,
        wind: wind(inputs, throw_s)?,
    })
}

/// How the throw moves with each input.
fn moves(inputs: &Inputs, diameter: f64) -> std::result::Result<Vec<Move>, DropError> {
    type Change = fn(&mut Spray, f64);
    let first = &inputs.fans[0];
    let steps: [(&'static str, &'static str, f64, f64, Change); 8] = [
        ("height", "m", first.height, 0.1, |s, d| s.height += d),
        ("pressure", "kPa", first.pressure_pa / 1e3, 50.0, |s, d| {
            s.pressure_pa += d * 1e3;
            s.flow *= (s.pressure_pa / (s.pressure_pa - d * 1e3)).sqrt();
        }),
        (
            "fan angle",
            "deg",
            first.fan_angle.to_degrees(),
            10.0,
            |s, d| {
                s.fan_angle += d.to_radians();
            },
        ),
        ("speed", "m/s", first.travel, 1.0, |s, d| s.travel += d),
        (
            "velocity coefficient",
            "",
            first.velocity_coefficient,
            0.05,
            |s, d| {
                s.velocity_coefficient += d;
            },
        ),
        ("sheet", "m", first.breakup, 0.01, |s, d| s.breakup += d),
        ("temperature", "°C", inputs.temperature_c, 10.0, |s, d| {
            // Both of air's fits are smooth: a step of density and viscosity is one of it.
            let (warm, now) = (Air::at(20.0 + d), Air::at(20.0));
            s.air.density *= warm.density / now.density;
            s.air.viscosity *= warm.viscosity / now.viscosity;
        }),
        ("drop size", "µm", diameter * 1e6, 50.0, |_, _| {}),
    ];
    let mut list = Vec::new();
    for (what, unit, at, step, change) in steps {
        let throw = |by: f64| -> Option<f64> {
            let fans: Vec<Spray> = inputs
                .fans
                .iter()
                .map(|fan| {
                    let mut fan = fan.clone();
                    change(&mut fan, by);
                    fan
                })
                .collect();
            let size = if what == "drop size" { by * 1e-6 } else { 0.0 };
            mean(&fans, diameter + size).ok().map(|m| m.0 * 1e3)
        };
        list.push(Move {
            input: what,
            unit,
            at,
            step,
            less_ms: throw(-step),
            more_ms: throw(step),
        });
    }
    Ok(list)
}

/// What winds make of the spray.
fn wind(inputs: &Inputs, throw_s: f64) -> std::result::Result<Vec<WindRow>, DropError> {
    let mut rows = Vec::new();
    for &(head, side) in &inputs.winds {
        let mut row = WindRow {
            head_m_s: head,
            side_m_s: side,
            ..WindRow::default()
        };
        let parts = inputs.fans.len() as f64;
        for fan in &inputs.fans {
            let windy = Spray {
                wind: Wind {
                    head,
                    side,
                    roughness_m: inputs.roughness_m,
                },
                ..fan.clone()
            };
            let target = Target {
                strip: inputs.strip_m,
                margin: inputs.margin_m,
                throw_s,
                ahead_m: fan.throw(fan.spectrum.diameter(0.5))?.ahead_m,
            };
            let off = windy.off_target(target)?;
            let kept = Spray {
                carried: Carried::Nothing,
                ..windy.clone()
            }
            .off_target(target)?;
            row.off_percent += 100.0 * off.share / parts;
            row.beside_percent += 100.0 * off.beside / parts;
            row.along_percent += 100.0 * off.along / parts;
            row.aloft_percent += 100.0 * off.aloft / parts;
            row.forward_mm += 1e3 * off.forward_m / parts;
            row.right_mm += 1e3 * off.right_m / parts;
            row.still_off_percent += 100.0 * kept.share / parts;
            row.still_forward_mm += 1e3 * kept.forward_m / parts;
            row.still_right_mm += 1e3 * kept.right_m / parts;
        }
        // Sums that cancel out print as 0, not as -0.
        for mm in [
            &mut row.forward_mm,
            &mut row.right_mm,
            &mut row.still_forward_mm,
            &mut row.still_right_mm,
        ] {
            if mm.abs() < 0.5 {
                *mm = 0.0;
            }
        }
        rows.push(row);
    }
    Ok(rows)
}
