//! The `[turning]` table: how the machine turns and from where the heading is known.

use serde::Deserialize;
use toml::Spanned;

use super::FARTHEST_M;
use crate::error::Result;
use crate::machine::{Turning, YawSource};
use crate::toml_read::{Number, Source};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawTurning {
    behind_axle_m: Number,
    wheel_y_m: Option<Number>,
    second_wheel_y_m: Option<Number>,
    second_pulse_length_m: Option<Number>,
    fastest_turn_deg_s: Option<Number>,
    silence_ms: Option<Number>,
}

/// Nearest that the two wheels may be, across, m.
const NARROWEST_M: f64 = 0.3;

pub(super) fn read(source: &Source<'_>, raw: &Spanned<RawTurning>) -> Result<Turning> {
    let t = raw.get_ref();
    let place =
        |key, number: &Option<Number>| source.within_or(key, number, -FARTHEST_M, FARTHEST_M, 0.0);
    let wheel_y_m = place("wheel_y_m", &t.wheel_y_m)?;
    let heading = match (&t.second_wheel_y_m, &t.second_pulse_length_m) {
        (None, None) => YawSource::Rate,
        (Some(y), Some(length)) => {
            let y_m = source.within("second_wheel_y_m", y, -FARTHEST_M, FARTHEST_M)?;
            if (y_m - wheel_y_m).abs() < NARROWEST_M {
                return Err(source.at(
                    y.span(),
                    format!("the second wheel is only {:.2} m beside the first", (y_m - wheel_y_m).abs()),
                    format!("two wheels tell a turn when they are at least {NARROWEST_M} m apart; give wheel_y_m and second_wheel_y_m right of the boom reference point"),
                ));
            }
            let pulse_length_m = source.within("second_pulse_length_m", length, 0.001, 2.0)?;
            YawSource::SecondWheel {
                y_m,
                pulse_length_m,
            }
        }
        _ => {
            return Err(source.at(
                raw.span(),
                "a second wheel has only one of second_wheel_y_m and second_pulse_length_m",
                "give both, or none where a sensor tells the yaw rate",
            ));
        }
    };
    Ok(Turning {
        behind_axle_m: source.within("behind_axle_m", &t.behind_axle_m, -FARTHEST_M, FARTHEST_M)?,
        wheel_y_m,
        heading,
        fastest_turn_rad_s: source
            .within_or(
                "fastest_turn_deg_s",
                &t.fastest_turn_deg_s,
                1.0,
                170.0,
                60.0,
            )?
            .to_radians(),
        silence_s: source.within_or("silence_ms", &t.silence_ms, 10.0, 2000.0, 200.0)? * 1e-3,
    })
}
