//! The `[spray]` table of `machine.toml`: nozzle size, pressure and drops, from which throw and
//! dose are worked out. The controller doesn't use it.

use ground_truth::drops::{CLASSES, Spectrum, USUAL_BREAKUP_M, USUAL_VELOCITY_COEFFICIENT};
use ground_truth::nozzle::{SIZES, flow_l_min};
use serde::Deserialize;
use toml::Spanned;

use super::Raw;
use super::fans::Fans;
use crate::error::{Error, Result};
use crate::machine::Spray;
use crate::toml_read::{Number, Source};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawSpray {
    size: Spanned<String>,
    pressure_kpa: Option<Number>,
    drops: Option<Spanned<String>>,
    drops_um: Option<Spanned<Vec<f64>>>,
    bins_um: Option<Spanned<Vec<f64>>>,
    bin_shares: Option<Spanned<Vec<f64>>>,
    percentile: Option<Number>,
    velocity_coefficient: Option<Number>,
    sheet_m: Option<Number>,
}

/// The sizes, as a message lists them.
pub(crate) fn size_names() -> String {
    let names: Vec<&str> = SIZES.iter().map(|s| s.0).collect();
    names.join(", ")
}

/// The drop size classes, as a message lists them.
pub(crate) fn class_names() -> String {
    let names: Vec<&str> = CLASSES.iter().map(|c| c.0).collect();
    names.join(", ")
}

pub(super) fn read(source: &Source<'_>, raw: &Raw, fans: &Fans) -> Result<Option<Spray>> {
    let Some(table) = &raw.spray else {
        return Ok(None);
    };
    let s = table.get_ref();
    let nozzles = raw.nozzles.get_ref();
    let told = fans.angles.and_then(|a| Some((a, a.fan_deg?)));
    let Some((angles, fan_angle_deg)) = told else {
        return Err(source.at(
            table.span(),
            "[spray] says nothing of the ground without the fan",
            "give fan_angle_deg and height_m in [nozzles], or remove the table",
        ));
    };
    let pressure_kpa = source.within_or("pressure_kpa", &s.pressure_kpa, 10.0, 2000.0, 300.0)?;
    let refused = |at: std::ops::Range<usize>, e: &dyn std::fmt::Display| -> Error {
        source.at(
            at,
            e.to_string(),
            "see [spray] in host-sim/formats/machine.md",
        )
    };
    let flow = flow_l_min(s.size.get_ref(), pressure_kpa * 1e3);
    let Some(l_min) = flow.map_err(|e| refused(s.size.span(), &e))? else {
        return Err(source.at(
            s.size.span(),
            format!("`size` is \"{}\", which is not known", s.size.get_ref()),
            format!("give one of {}", size_names()),
        ));
    };
    Ok(Some(Spray {
        size: s.size.get_ref().clone(),
        l_min,
        pressure_pa: pressure_kpa * 1e3,
        velocity_coefficient: source.within_or(
            "velocity_coefficient",
            &s.velocity_coefficient,
            0.5,
            1.0,
            USUAL_VELOCITY_COEFFICIENT,
        )?,
        sheet_m: source.within_or(
            "sheet_m",
            &s.sheet_m,
            0.001,
            0.8 * angles.height_m,
            USUAL_BREAKUP_M.min(0.8 * angles.height_m),
        )?,
        drops: drops(source, table)?,
        percentile: source.within_or("percentile", &s.percentile, 1.0, 99.0, 50.0)?,
        height_m: angles.height_m,
        fan_angle_deg,
        thickness_deg: angles.thickness_deg,
        tilt_deg: angles.tilt_deg,
        twin_deg: angles.twin_deg,
        even: nozzles
            .pattern
            .as_ref()
            .is_some_and(|p| p.get_ref() == "even"),
    }))
}

/// Drop sizes in one of three forms.
fn drops(source: &Source<'_>, table: &Spanned<RawSpray>) -> Result<Spectrum> {
    let raw = table.get_ref();
    let bins = raw.bins_um.as_ref().or(raw.bin_shares.as_ref());
    match (&raw.drops, &raw.drops_um, bins) {
        (Some(name), None, None) => Spectrum::class(name.get_ref()).ok_or_else(|| {
            source.at(
                name.span(),
                format!("`drops` is \"{}\", which is no class", name.get_ref()),
                format!("give one of {}; or drops_um", class_names()),
            )
        }),
        (None, Some(um), None) => match um.get_ref()[..] {
            [a, b, c] => Spectrum::deciles(a * 1e-6, b * 1e-6, c * 1e-6).map_err(|e| {
                source.at(
                    um.span(),
                    e.to_string(),
                    "give the diameters below which 10, 50 and 90 % of the volume are",
                )
            }),
            _ => Err(source.at(
                um.span(),
                format!("`drops_um` holds {} numbers", um.get_ref().len()),
                "give three: the diameters below which 10, 50 and 90 % of the volume are",
            )),
        },
        (None, None, Some(at)) => {
            let (Some(um), Some(shares)) = (&raw.bins_um, &raw.bin_shares) else {
                return Err(source.at(
                    at.span(),
                    "`bins_um` and `bin_shares` go together",
                    "give a diameter and a share of the volume for each bin",
                ));
            };
            let (um, shares) = (um.get_ref(), shares.get_ref());
            if um.len() != shares.len() {
                return Err(source.at(
                    at.span(),
                    format!("{} diameters, but {} shares", um.len(), shares.len()),
                    "give a diameter and a share of the volume for each bin",
                ));
            }
            let bins: Vec<(f64, f64)> = um.iter().map(|d| d * 1e-6).zip(shares.clone()).collect();
            let place = raw.bin_shares.as_ref().map_or(0..0, Spanned::span);
            Spectrum::bins(&bins).map_err(|e| {
                source.at(
                    place,
                    e.to_string(),
                    "give diameters that grow, and shares of the volume that sum to 1",
                )
            })
        }
        _ => Err(source.at(
            table.span(),
            "[spray] needs the drop sizes exactly once",
            "give drops (a class), drops_um (three diameters), or bins_um with bin_shares",
        )),
    }
}
