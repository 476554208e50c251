//! A wheel that does not turn exactly as the ground passes.
//!
//! Slip is the share by which the wheel turns too far: at 0.01 it turns through
//! 1.01 m over 1 m of ground. It is drawn afresh every [`SlipSpec::step_s`] and runs
//! straight in between.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::{Ground, Motion, MotionError};

/// How often a changing rolling radius is looked at, in seconds.
const ROLLING_STEP_S: f64 = 0.05;

/// Slip that comes and goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlipSpec {
    /// One standard deviation, as a share; 0..=0.2, cut at three times that.
    pub share: f64,
    /// How often it is drawn, in seconds, 0.001 or more.
    pub step_s: f64,
    /// Equal seeds give equal slip.
    pub seed: u64,
}

/// How the wheel's rim travels while the machine moves as `truth` says: hand it to
/// [`Wheel::pulses`](crate::Wheel::pulses) in place of the truth.
///
/// # Errors
/// As [`Motion::from_speed_points`]; a share or step out of its range counts as an
/// empty or unordered list of points.
pub fn rim(truth: &dyn Ground, spec: SlipSpec) -> Result<Motion, MotionError> {
    if !(spec.step_s >= 0.001 && spec.step_s.is_finite()) {
        return Err(MotionError::Time {
            index: 0,
            time_s: spec.step_s,
        });
    }
    if !(0.0..=0.2).contains(&spec.share) {
        return Err(MotionError::Empty);
    }
    let slip = Normal::new(0.0, spec.share).map_err(|_| MotionError::Empty)?;
    let mut rng = Pcg64Mcg::seed_from_u64(spec.seed);
    let steps = (truth.end() / spec.step_s).ceil() as u64;
    let points: Vec<(f64, f64)> = (0..=steps)
        .map(|i| {
            let t = i as f64 * spec.step_s;
            let most = 3.0 * spec.share;
            let slip = slip.sample(&mut rng).clamp(-most, most);
            (t, truth.speed(t).max(0.0) * (1.0 + slip))
        })
        .collect();
    Motion::from_speed_points(truth.position(0.0), &points)
}

/// How the rim travels of a wheel whose rolling radius changes evenly by a share `change`
/// of itself from the start of the drive to its end, as a tank that empties lifts it.
///
/// # Errors
/// As [`Motion::from_speed_points`]; a change outside ±0.2 counts as an empty list.
pub fn rolling(truth: &dyn Ground, change: f64) -> Result<Motion, MotionError> {
    if !(-0.2..=0.2).contains(&change) {
        return Err(MotionError::Empty);
    }
    let end = truth.end();
    let steps = (end / ROLLING_STEP_S).ceil().max(1.0) as u64;
    let points: Vec<(f64, f64)> = (0..=steps)
        .map(|i| {
            let share = i as f64 / steps as f64;
            let t = end * share;
            (t, truth.speed(t).max(0.0) / (1.0 + change * share))
        })
        .collect();
    Motion::from_speed_points(truth.position(0.0), &points)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEC: SlipSpec = SlipSpec {
        share: 0.01,
        step_s: 0.05,
        seed: 4,
    };

    fn steady() -> Motion {
        Motion::from_speed_points(0.0, &[(0.0, 2.0), (500.0, 2.0)]).expect("steady")
    }

    #[test]
    fn slip_has_its_spread_and_no_lean() {
        let (truth, rim) = (steady(), rim(&steady(), SPEC).expect("a rim"));
        let shares: Vec<f64> = (0..10_000)
            .map(|i| rim.speed(f64::from(i) * 0.05) / truth.speed(0.0) - 1.0)
            .collect();
        let n = shares.len() as f64;
        let mean = shares.iter().sum::<f64>() / n;
        let sd = (shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / n).sqrt();
        assert!(mean.abs() < 4e-4, "{mean}");
        assert!((sd / 0.01 - 1.0).abs() < 0.05, "{sd}");
        assert!((rim.position(500.0) - 1000.0).abs() < 0.4);
        assert!(rim.position(333.3) != truth.position(333.3));
    }

    #[test]
    fn a_radius_that_grows_turns_less() {
        // 1000 m at 2 m/s while the radius grows by 2 %: 1000·ln(1.02)/0.02 = 990.13 m.
        let rim = rolling(&steady(), 0.02).expect("a rim");
        assert!((rim.position(500.0) - 990.131).abs() < 0.01);
        for bad in [0.3, f64::NAN] {
            assert!(rolling(&steady(), bad).is_err());
        }
    }

    #[test]
    fn bad_slip_is_refused() {
        for bad in [f64::NAN, 0.3, -0.1] {
            assert!(rim(&steady(), SlipSpec { share: bad, ..SPEC }).is_err());
        }
        for bad in [f64::NAN, 0.0, f64::INFINITY] {
            let spec = SlipSpec {
                step_s: bad,
                ..SPEC
            };
            assert!(rim(&steady(), spec).is_err());
        }
    }
}
