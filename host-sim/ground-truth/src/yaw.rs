//! A sensor of the yaw rate, with its noise and bias.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::Travel;

/// A yaw-rate sensor on the machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct YawSpec {
    /// Readings a second, 0.1 to 10,000.
    pub rate_hz: f64,
    /// White noise of a reading: one standard deviation in radians a second, 0 to 1.
    pub noise: f64,
    /// What every reading is too large by, in radians a second, within ±1.
    pub bias: f64,
    /// Equal seeds give equal noise.
    pub seed: u64,
}

/// Why a yaw-rate sensor was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the yaw-rate sensor's {what} is {value}; give {wanted}")]
pub struct YawError {
    /// Which number.
    pub what: &'static str,
    /// The refused value.
    pub value: f64,
    /// What would be right.
    pub wanted: &'static str,
}

/// The readings up to time `until` (s): when, and the rate in radians a second, positive
/// to the right. The first comes one period after the start.
///
/// # Errors
/// Names the first number that is unusable.
pub fn readings(spec: &YawSpec, travel: &Travel, until: f64) -> Result<Vec<(f64, f64)>, YawError> {
    for (what, value, least, most, wanted) in [
        (
            "rate",
            spec.rate_hz,
            0.1,
            1.0e4,
            "0.1 to 10000 readings a second",
        ),
        ("noise", spec.noise, 0.0, 1.0, "0 to 1 rad/s"),
        ("bias", spec.bias, -1.0, 1.0, "a rate within ±1 rad/s"),
    ] {
        if !(least..=most).contains(&value) {
            return Err(YawError {
                what,
                value,
                wanted,
            });
        }
    }
    let bad_noise = YawError {
        what: "noise",
        value: spec.noise,
        wanted: "0 to 1 rad/s",
    };
    let noise = Normal::new(spec.bias, spec.noise).map_err(|_| bad_noise)?;
    let mut rng = Pcg64Mcg::seed_from_u64(spec.seed);
    let count = (until.max(0.0) * spec.rate_hz).floor() as u64;
    Ok((1..=count)
        .map(|i| {
            let t = i as f64 / spec.rate_hz;
            (t, travel.yaw_rate(t) + noise.sample(&mut rng))
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::path::Leg;
    use crate::{Motion, Piece, Rig};

    #[test]
    fn readings_have_the_rate_of_the_arc_and_their_noise() {
        let piece = Piece {
            duration_s: 400.0,
            acceleration: 0.0,
        };
        let motion = Motion::new(0.0, 3.0, &[piece]).expect("steady");
        let legs = [Leg::arc(10.0, -1.0 / 30.0)];
        let travel = Travel::new(motion, &legs, Rig::default()).expect("a drive");
        let degree = 1.0_f64.to_radians();
        let spec = YawSpec {
            rate_hz: 50.0,
            noise: 0.2 * degree,
            bias: 0.1 * degree,
            seed: 2,
        };
        let all = readings(&spec, &travel, 400.0).expect("a sensor");
        assert_eq!(all.len(), 20_000);
        assert!((all[0].0 - 0.02).abs() < 1e-12);
        let n = all.len() as f64;
        let mean = all.iter().map(|r| r.1).sum::<f64>() / n;
        let sd = (all.iter().map(|r| (r.1 - mean).powi(2)).sum::<f64>() / n).sqrt();
        // 3 m/s on 30 m to the left: −0.1 rad/s, and the bias.
        assert!(
            (mean - (-0.1 + 0.1 * degree)).abs() < 0.01 * degree,
            "{mean}"
        );
        assert!((sd / degree - 0.2).abs() < 0.01, "{sd}");
        for bad in [
            YawSpec {
                rate_hz: 0.0,
                ..spec
            },
            YawSpec {
                noise: f64::NAN,
                ..spec
            },
            YawSpec { bias: 2.0, ..spec },
        ] {
            assert!(readings(&bad, &travel, 1.0).is_err());
        }
    }
}
