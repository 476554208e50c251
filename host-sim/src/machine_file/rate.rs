//! The `[rate]` table of `machine.toml`: the application rate that switched valves hold.

use serde::Deserialize;
use toml::Spanned;

use super::fans::Fans;
use crate::error::Result;
use crate::machine::{Nozzle, Rate, Spray};
use crate::toml_read::{Number, Source};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawRate {
    rate_l_ha: Number,
    label_max_l_ha: Option<Number>,
    cycle_hz: Number,
    lowest_duty_percent: Option<Number>,
    pressure_kpa: Option<Number>,
    flow_l_min: Option<Number>,
    flows_l_min: Option<Spanned<Vec<Number>>>,
    width_m: Option<Number>,
    refuse_short_patches: Option<bool>,
}

/// Lowest share of a cycle if the file does not say: below it doses become uneven (Butts et al.
/// 2019, Biosystems Engineering 178:52-69).
const USUAL_LOWEST_PERCENT: f64 = 40.0;
/// Flows that the controller takes, L/min.
const FLOWS: (f64, f64) = (0.01, 65.0);

pub(super) fn read(
    source: &Source<'_>,
    raw: &Spanned<RawRate>,
    spray: Option<&Spray>,
    fans: &Fans,
    nozzles: &[Nozzle],
) -> Result<Rate> {
    let r = raw.get_ref();
    let l_ha = source.within("rate_l_ha", &r.rate_l_ha, 0.01, 5000.0)?;
    let label_max_l_ha = (r.label_max_l_ha.as_ref())
        .map(|most| source.within("label_max_l_ha", most, 0.01, 5000.0))
        .transpose()?;
    let pressure_kpa = match (&r.pressure_kpa, spray) {
        (Some(kpa), _) => source.within("pressure_kpa", kpa, 1.0, 5000.0)?,
        (None, Some(spray)) => spray.pressure_pa / 1e3,
        (None, None) => {
            return Err(source.at(
                raw.span(),
                "[rate] does not tell the pressure at which the flows hold",
                "give pressure_kpa, or a [spray] table",
            ));
        }
    };
    let within = |key, flow: &Number| source.within(key, flow, FLOWS.0, FLOWS.1);
    let flows_l_min = match (&r.flow_l_min, &r.flows_l_min, spray) {
        (Some(flow), None, _) => vec![within("flow_l_min", flow)?; nozzles.len()],
        (None, Some(list), _) => {
            let flows = list.get_ref();
            if flows.len() != nozzles.len() {
                return Err(source.at(
                    list.span(),
                    format!(
                        "`flows_l_min` holds {} flows, but the boom has {} nozzles",
                        flows.len(),
                        nozzles.len()
                    ),
                    "give the flow of each nozzle from left to right, or flow_l_min where all are alike",
                ));
            }
            (flows.iter())
                .map(|flow| within("flows_l_min", flow))
                .collect::<Result<_>>()?
        }
        (None, None, Some(spray)) => {
            // Bernoulli: the size's flow at its own pressure, brought to the rate's.
            let root = (pressure_kpa * 1e3 / spray.pressure_pa).sqrt();
            vec![spray.l_min * root; nozzles.len()]
        }
        (Some(flow), Some(_), _) => {
            return Err(source.at(
                flow.span(),
                "both `flow_l_min` and `flows_l_min` are given",
                "keep flow_l_min where all nozzles are alike, else flows_l_min",
            ));
        }
        (None, None, None) => {
            return Err(source.at(
                raw.span(),
                "[rate] does not tell the flow of a nozzle",
                "give flow_l_min (or flows_l_min, one a nozzle), or a [spray] table",
            ));
        }
    };
    Ok(Rate {
        l_ha,
        label_max_l_ha,
        cycle_s: 1.0 / source.within("cycle_hz", &r.cycle_hz, 1.0, 200.0)?,
        lowest: source.within_or(
            "lowest_duty_percent",
            &r.lowest_duty_percent,
            0.1,
            100.0,
            USUAL_LOWEST_PERCENT,
        )? / 100.0,
        pressure_kpa,
        flows_l_min,
        width_m: source.within_or(
            "width_m",
            &r.width_m,
            0.001,
            10.0,
            usual_width(fans, nozzles),
        )?,
        refuse_short: r.refuse_short_patches.unwrap_or(false),
    })
}

/// The distance between nozzles; with one alone its lane.
fn usual_width(fans: &Fans, nozzles: &[Nozzle]) -> f64 {
    match (nozzles.first(), nozzles.last()) {
        (Some(first), Some(last)) if nozzles.len() > 1 => {
            (last.y_m - first.y_m) / (nozzles.len() - 1) as f64
        }
        _ => fans.lane_width_m,
    }
}
