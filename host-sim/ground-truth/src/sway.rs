//! How a boom moves against the even drive of its machine: whip, and what rough ground
//! does to height, pitch and roll.
//!
//! Whip is a sine in time: the boom turns to and fro about its middle. Rough ground is a
//! sum of sines over the distance driven, with wavelengths spread evenly by their
//! logarithm and phases drawn once: the same ground passes under everything on the
//! machine, so a detector and a nozzle on one boom sway together, and two instants close
//! to one another are alike.

use std::f64::consts::TAU;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Sines that rough ground is made of.
const SINES: u32 = 24;

/// A boom that turns to and fro about its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Whip {
    /// How far a point `arm_m` from the middle swings to each side along travel, in
    /// metres: 0 to 1.
    pub amplitude_m: f64,
    /// That point's distance from the middle, in metres, above 0.
    pub arm_m: f64,
    /// Swings a second, above 0, at most 50.
    pub frequency_hz: f64,
    /// Where in its swing it is at time 0, in radians.
    pub phase: f64,
}

/// How rough the ground is: one standard deviation of each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoughSpec {
    /// Of the boom's height, in metres, 0 to 1.
    pub height_sd_m: f64,
    /// Of the pitch, in radians, 0 to 0.2.
    pub pitch_sd: f64,
    /// Of the roll, in radians, 0 to 0.2.
    pub roll_sd: f64,
    /// Shortest wave in metres, 0.1 or more.
    pub shortest_m: f64,
    /// Longest wave in metres, longer than the shortest, at most 10,000.
    pub longest_m: f64,
    /// Equal seeds give equal ground.
    pub seed: u64,
}

/// Why a sway was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the boom's {what} is {value}; give {wanted}")]
pub struct SwayError {
    /// Which number.
    pub what: &'static str,
    /// The refused value.
    pub value: f64,
    /// What would be right.
    pub wanted: &'static str,
}

/// A boom's attitude, apart from where its machine leads it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Attitude {
    /// Height above its own usual one at the boom's middle, in metres.
    pub height: f64,
    /// Nose up, in radians.
    pub pitch: f64,
    /// Right side down, in radians.
    pub roll: f64,
}

/// One wave: its share of each standard deviation, and its phases.
#[derive(Clone, Copy, Debug)]
struct Wave {
    per_m: f64,
    phases: [f64; 3],
}

/// How a boom sways.
#[derive(Clone, Debug, Default)]
pub struct Sway {
    whip: Option<Whip>,
    rough: Option<(RoughSpec, Vec<Wave>)>,
}

fn check(numbers: &[(&'static str, f64, f64, f64, &'static str)]) -> Result<(), SwayError> {
    for &(what, value, least, most, wanted) in numbers {
        if !(least..=most).contains(&value) {
            return Err(SwayError {
                what,
                value,
                wanted,
            });
        }
    }
    Ok(())
}

impl Sway {
    /// A boom that sways so; none of either is a rigid boom on even ground.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn new(whip: Option<Whip>, rough: Option<RoughSpec>) -> Result<Self, SwayError> {
        if let Some(w) = &whip {
            check(&[
                ("whip", w.amplitude_m, 0.0, 1.0, "0 to 1 m"),
                ("whip's arm", w.arm_m, 0.1, 100.0, "0.1 to 100 m"),
                (
                    "whip's frequency",
                    w.frequency_hz,
                    0.01,
                    50.0,
                    "0.01 to 50 Hz",
                ),
                ("whip's phase", w.phase, -TAU, TAU, "one turn at most"),
            ])?;
        }
        let rough = match rough {
            None => None,
            Some(r) => {
                check(&[
                    ("height sd", r.height_sd_m, 0.0, 1.0, "0 to 1 m"),
                    ("pitch sd", r.pitch_sd, 0.0, 0.2, "0 to 0.2 rad"),
                    ("roll sd", r.roll_sd, 0.0, 0.2, "0 to 0.2 rad"),
                    ("shortest wave", r.shortest_m, 0.1, 1.0e4, "0.1 to 10000 m"),
                    (
                        "longest wave",
                        r.longest_m,
                        r.shortest_m * 1.001,
                        1.0e4,
                        "more than the shortest, at most 10000 m",
                    ),
                ])?;
                let mut rng = Pcg64Mcg::seed_from_u64(r.seed);
                let ratio = (r.longest_m / r.shortest_m).ln();
                let waves = (0..SINES)
                    .map(|i| {
                        let step = (f64::from(i) + rng.random::<f64>()) / f64::from(SINES);
                        Wave {
                            per_m: TAU / (r.shortest_m * (ratio * step).exp()),
                            phases: [0; 3].map(|_: i32| TAU * rng.random::<f64>()),
                        }
                    })
                    .collect();
                Some((r, waves))
            }
        };
        Ok(Self { whip, rough })
    }

    /// How far the boom is turned against its machine at time `t` (s), in radians to the
    /// right, and how fast, in radians a second.
    #[must_use]
    pub fn whip(&self, t: f64) -> (f64, f64) {
        let Some(w) = &self.whip else {
            return (0.0, 0.0);
        };
        let (most, turn) = (w.amplitude_m / w.arm_m, TAU * w.frequency_hz);
        let (sin, cos) = (turn * t + w.phase).sin_cos();
        (most * sin, most * turn * cos)
    }

    /// Height, pitch and roll after `s` metres of driving.
    #[must_use]
    pub fn attitude(&self, s: f64) -> Attitude {
        let Some((r, waves)) = &self.rough else {
            return Attitude::default();
        };
        // Each sine has half its amplitude's square as variance.
        let scale = (2.0 / f64::from(SINES)).sqrt();
        let mut sums = [0.0; 3];
        for wave in waves {
            for (sum, phase) in sums.iter_mut().zip(wave.phases) {
                *sum += scale * (wave.per_m * s + phase).sin();
            }
        }
        let [height, pitch, roll] = sums;
        Attitude {
            height: r.height_sd_m * height,
            pitch: r.pitch_sd * pitch,
            roll: r.roll_sd * roll,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROUGH: RoughSpec = RoughSpec {
        height_sd_m: 0.05,
        pitch_sd: 0.01,
        roll_sd: 0.02,
        shortest_m: 1.0,
        longest_m: 30.0,
        seed: 3,
    };

    #[test]
    fn rough_ground_has_its_spread_and_is_alike_close_by() {
        let sway = Sway::new(None, Some(ROUGH)).expect("a boom");
        let all: Vec<f64> = (0..100_000)
            .map(|i| sway.attitude(f64::from(i) * 0.1).height)
            .collect();
        let n = all.len() as f64;
        let mean = all.iter().sum::<f64>() / n;
        let square = |lag: usize| all.windows(lag + 1).map(|w| w[0] * w[lag]).sum::<f64>() / n;
        assert!(mean.abs() < 1e-3, "{mean}");
        assert!(
            (square(0).sqrt() / 0.05 - 1.0).abs() < 0.02,
            "{}",
            square(0).sqrt()
        );
        // 0.1 m on it is all but the same: not white.
        assert!(square(1) > 0.9 * square(0));
    }

    #[test]
    fn a_whip_of_a_tenth_of_a_metre_moves_the_tip_by_that() {
        let whip = Whip {
            amplitude_m: 0.1,
            arm_m: 12.0,
            frequency_hz: 0.7,
            phase: 0.0,
        };
        let sway = Sway::new(Some(whip), None).expect("a boom");
        let quarter = 0.25 / 0.7;
        assert!((12.0 * sway.whip(quarter).0 - 0.1).abs() < 1e-12);
        // Fastest in the middle of its swing: 2π · 0.7 · 0.1 = 0.4398 m/s.
        assert!((12.0 * sway.whip(0.0).1 - 0.439_823).abs() < 1e-6);
        assert_eq!(Sway::default().whip(1.0), (0.0, 0.0));
        for bad in [
            Whip {
                frequency_hz: 0.0,
                ..whip
            },
            Whip {
                arm_m: f64::NAN,
                ..whip
            },
            Whip {
                amplitude_m: 2.0,
                ..whip
            },
        ] {
            assert!(Sway::new(Some(bad), None).is_err());
        }
        for bad in [
            RoughSpec {
                longest_m: 0.5,
                ..ROUGH
            },
            RoughSpec {
                height_sd_m: -0.1,
                ..ROUGH
            },
            RoughSpec {
                pitch_sd: f64::NAN,
                ..ROUGH
            },
        ] {
            assert!(Sway::new(None, Some(bad)).is_err());
        }
    }
}
