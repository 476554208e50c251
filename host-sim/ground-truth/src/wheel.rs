//! The pulses of a wheel, with its unevenness and its scale error.
//!
//! The wheel has `slots` marks a turn. Each sits a little off its even place,
//! by a normal amount that is drawn once and comes back every turn; the mean
//! over a turn is 0, so that a turn has its exact length. The first pulse
//! comes one pulse length after the start.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::{Ground, Motion};

/// A mark may be off its place by this share of a pulse, so that marks keep
/// their order.
const MOST_UNEVEN: f64 = 0.4;
/// The most slots a turn.
const MOST_SLOTS: u32 = 1_000_000;

/// A wheel with marks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WheelSpec {
    /// Nominal travel a pulse, in metres, at least 0.1 mm.
    pub pulse_length_m: f64,
    /// Marks a turn, 1..=1,000,000.
    pub slots: u32,
    /// How far marks sit off their even place: one standard deviation as a
    /// share of a pulse, 0..=0.2. Cut at 0.4.
    pub unevenness: f64,
    /// Error of the time stamps: one standard deviation in seconds.
    pub stamp_jitter_s: f64,
    /// Equal seeds give equal wheels.
    pub seed: u64,
}

/// Why a wheel was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum WheelError {
    /// The pulse length is unusable.
    #[error("pulse_length_m is {0}; give the travel a pulse, 0.0001 to 1000 m")]
    PulseLength(f64),
    /// The number of slots is unusable.
    #[error("slots is {0}; give the marks a turn, 1 to 1000000")]
    Slots(u32),
    /// The unevenness is unusable.
    #[error("unevenness is {0}; give a share of a pulse, 0 to 0.2")]
    Unevenness(f64),
    /// The stamp jitter is unusable.
    #[error("stamp_jitter_s is {0}; give seconds, 0 to 1")]
    StampJitter(f64),
    /// The scale is unusable.
    #[error("the wheel's scale is {0}; give true over nominal pulse length, 0.1 to 10")]
    Scale(f64),
}

/// A wheel that gives pulses.
#[derive(Clone, Debug)]
pub struct Wheel {
    spec: WheelSpec,
    scale: f64,
    /// Unevenness that does not come back, as a share of a pulse.
    stray: Option<Normal<f64>>,
    /// How far each mark is off, as a share of a pulse.
    offsets: Vec<f64>,
    jitter: Normal<f64>,
}

impl Wheel {
    /// Makes the wheel and draws its marks.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn new(spec: WheelSpec) -> Result<Self, WheelError> {
        if !(1e-4..=1e3).contains(&spec.pulse_length_m) {
            return Err(WheelError::PulseLength(spec.pulse_length_m));
        }
        if !(1..=MOST_SLOTS).contains(&spec.slots) {
            return Err(WheelError::Slots(spec.slots));
        }
        if !(0.0..=0.2).contains(&spec.unevenness) {
            return Err(WheelError::Unevenness(spec.unevenness));
        }
        let bad_jitter = WheelError::StampJitter(spec.stamp_jitter_s);
        if !(0.0..=1.0).contains(&spec.stamp_jitter_s) {
            return Err(bad_jitter);
        }
        let jitter = Normal::new(0.0, spec.stamp_jitter_s).map_err(|_| bad_jitter)?;
        let uneven = Normal::new(0.0, spec.unevenness)
            .map_err(|_| WheelError::Unevenness(spec.unevenness))?;
        let mut rng = Pcg64Mcg::seed_from_u64(spec.seed);
        let mut offsets: Vec<f64> = (0..spec.slots).map(|_| uneven.sample(&mut rng)).collect();
        let mean = offsets.iter().sum::<f64>() / f64::from(spec.slots);
        for offset in &mut offsets {
            *offset = (*offset - mean).clamp(-MOST_UNEVEN, MOST_UNEVEN);
        }
        Ok(Self {
            spec,
            scale: 1.0,
            stray: None,
            offsets,
            jitter,
        })
    }

    /// The same wheel with a true pulse length of `scale` times the nominal
    /// one: 1.01 for a tyre that is 1 % larger than believed.
    ///
    /// # Errors
    /// Refuses a scale outside 0.1..=10.
    pub fn with_scale(self, scale: f64) -> Result<Self, WheelError> {
        if !(0.1..=10.0).contains(&scale) {
            return Err(WheelError::Scale(scale));
        }
        Ok(Self { scale, ..self })
    }

    /// The same wheel where each pulse also strays by a fresh normal amount of standard
    /// deviation `share` of a pulse, cut at 0.4: unevenness that no turn repeats.
    ///
    /// # Errors
    /// Refuses a share outside 0..=0.2.
    pub fn with_stray(self, share: f64) -> Result<Self, WheelError> {
        let bad = WheelError::Unevenness(share);
        if !(0.0..=0.2).contains(&share) {
            return Err(bad);
        }
        let stray = Normal::new(0.0, share).map_err(|_| bad)?;
        Ok(Self {
            stray: Some(stray),
            ..self
        })
    }

    /// Where the `k`-th pulse comes, counted from 1, in metres after the start.
    #[must_use]
    pub fn pulse_at(&self, k: u64) -> f64 {
        let slot = (k % self.offsets.len() as u64) as usize;
        self.spec.pulse_length_m * self.scale * (k as f64 + self.offsets[slot])
    }

    /// The same for a motion that may go back: marks pulse whichever way they pass, and
    /// the sensor tells which. No mark lies before the start.
    #[must_use]
    pub fn passings(&self, motion: &Motion, until: f64) -> Vec<(f64, bool)> {
        let mut rng = Pcg64Mcg::seed_from_u64(self.spec.seed ^ 0x6a09_e667_f3bc_c908);
        let start = motion.position(0.0);
        let mut all = motion.passings(|k| start + self.pulse_at(k));
        all.retain(|p| p.0 <= until);
        for (t, _) in &mut all {
            *t = (*t + self.jitter.sample(&mut rng)).max(0.0);
        }
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        all
    }

    /// The time stamps in seconds of all pulses up to time `until`: the exact
    /// crossing times plus jitter, never backwards and never below 0.
    #[must_use]
    pub fn pulses(&self, ground: &dyn Ground, until: f64) -> Vec<f64> {
        // Another stream than the marks': the jitter must not move them.
        let mut rng = Pcg64Mcg::seed_from_u64(self.spec.seed ^ 0x6a09_e667_f3bc_c908);
        let mut strays = Pcg64Mcg::seed_from_u64(self.spec.seed ^ 0xbb67_ae85_84ca_a73b);
        let start = ground.position(0.0);
        let mut stamps = Vec::new();
        for k in 1.. {
            let stray = self.stray.map_or(0.0, |s| s.sample(&mut strays));
            let stray = stray.clamp(-MOST_UNEVEN, MOST_UNEVEN) * self.spec.pulse_length_m;
            match ground.time_at(start + self.pulse_at(k) + stray * self.scale) {
                Some(t) if t <= until => {
                    stamps.push((t + self.jitter.sample(&mut rng)).max(0.0));
                }
                _ => break,
            }
        }
        stamps.sort_by(f64::total_cmp);
        stamps
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Piece;

    const EVEN: WheelSpec = WheelSpec {
        pulse_length_m: 0.13,
        slots: 24,
        unevenness: 0.0,
        stamp_jitter_s: 0.0,
        seed: 3,
    };

    fn steady() -> Motion {
        Motion::new(
            2.0,
            5.0,
            &[Piece {
                duration_s: 100.0,
                acceleration: 0.0,
            }],
        )
        .expect("steady")
    }

    #[test]
    fn crossing_times_are_exact() {
        let motion = Motion::new(
            2.0,
            5.0,
            &[Piece {
                duration_s: 8.0,
                acceleration: 1.0,
            }],
        )
        .expect("a ramp");
        let stamps = Wheel::new(EVEN).expect("a wheel").pulses(&motion, 8.0);
        // 5·8 + 32 = 72 m hold 553 pulses of 0.13 m.
        assert_eq!(stamps.len(), 553);
        for (i, t) in stamps.iter().enumerate() {
            // From x = 5·t + t²/2.
            let x = 0.13 * (i + 1) as f64;
            let want = (25.0 + 2.0 * x).sqrt() - 5.0;
            assert!((t - want).abs() < 1e-12, "pulse {i}: {t}, want {want}");
        }
    }

    #[test]
    fn the_slot_pattern_comes_back_every_turn() {
        let wheel = Wheel::new(WheelSpec {
            unevenness: 0.01,
            ..EVEN
        })
        .expect("a wheel");
        let stamps = wheel.pulses(&steady(), 100.0);
        let turn = 24.0 * 0.13 / 5.0;
        let mut off = Vec::new();
        for (i, t) in stamps.iter().enumerate() {
            if let Some(next) = stamps.get(i + 24) {
                assert!((next - t - turn).abs() < 1e-10);
            }
            off.push(t * 5.0 / 0.13 - (i + 1) as f64);
        }
        let sd = (off.iter().map(|o| o * o).sum::<f64>() / off.len() as f64).sqrt();
        assert!((0.006..0.014).contains(&sd), "{sd}");
    }

    #[test]
    fn jitter_scatters_and_never_runs_backwards() {
        let exact = Wheel::new(EVEN).expect("a wheel").pulses(&steady(), 100.0);
        let spec = WheelSpec {
            stamp_jitter_s: 1e-5,
            ..EVEN
        };
        let stamps = Wheel::new(spec).expect("a wheel").pulses(&steady(), 100.0);
        assert_eq!(stamps.len(), exact.len());
        let n = stamps.len() as f64;
        let square: f64 = stamps
            .iter()
            .zip(&exact)
            .map(|(a, b)| (a - b).powi(2))
            .sum();
        assert!(((square / n).sqrt() / 1e-5 - 1.0).abs() < 0.1);
        let rough = WheelSpec {
            stamp_jitter_s: 0.1,
            ..EVEN
        };
        let stamps = Wheel::new(rough).expect("a wheel").pulses(&steady(), 10.0);
        assert!(stamps.is_sorted() && stamps[0] >= 0.0);
    }

    #[test]
    fn stray_marks_do_not_come_back() {
        let wheel = Wheel::new(EVEN).and_then(|w| w.with_stray(0.01));
        let stamps = wheel.expect("a wheel").pulses(&steady(), 100.0);
        let off: Vec<f64> = stamps
            .iter()
            .enumerate()
            .map(|(i, t)| t * 5.0 / 0.13 - (i + 1) as f64)
            .collect();
        let n = off.len() as f64;
        let sd = (off.iter().map(|o| o * o).sum::<f64>() / n).sqrt();
        assert!((0.0095..0.0105).contains(&sd), "{sd}");
        let again: f64 = off.windows(25).map(|w| w[0] * w[24]).sum::<f64>() / n;
        assert!(again.abs() < 0.1 * sd * sd, "a turn repeats: {again}");
        let bad = Wheel::new(EVEN).and_then(|w| w.with_stray(f64::NAN));
        assert!(matches!(bad, Err(WheelError::Unevenness(_))));
    }

    #[test]
    fn a_larger_tyre_gives_fewer_pulses() {
        let wheel = Wheel::new(EVEN)
            .and_then(|w| w.with_scale(1.01))
            .expect("a wheel");
        let stamps = wheel.pulses(&steady(), 100.0);
        // 500 m over 0.1313 m.
        assert_eq!(stamps.len(), 3_808);
        assert!((stamps[99] - 100.0 * 0.1313 / 5.0).abs() < 1e-12);
    }

    #[test]
    fn marks_pulse_both_ways() {
        let wheel = Wheel::new(EVEN).expect("a wheel");
        let forward = wheel.passings(&steady(), 100.0);
        let stamps: Vec<f64> = forward.iter().map(|p| p.0).collect();
        for (a, b) in stamps.iter().zip(wheel.pulses(&steady(), 100.0)) {
            assert!((a - b).abs() < 1e-9);
        }
        // 5 m/s and −1 m/s² for 8 s: 12.5 m out, and 4.5 m back.
        let piece = Piece {
            duration_s: 8.0,
            acceleration: -1.0,
        };
        let motion = Motion::reversing(2.0, 5.0, &[piece]).expect("a way back");
        let passings = wheel.passings(&motion, 8.0);
        let back = passings.iter().filter(|p| !p.1).count();
        // Marks 1 to 96 lie within 12.5 m, 61 within 8 m.
        assert_eq!((passings.len() - back, back), (96, 96 - 61));
    }

    #[test]
    fn a_standing_machine_gives_no_pulse() {
        let still = Motion::new(
            0.0,
            0.0,
            &[Piece {
                duration_s: 9.0,
                acceleration: 0.0,
            }],
        );
        let stamps = Wheel::new(EVEN)
            .expect("a wheel")
            .pulses(&still.expect("rest"), 9.0);
        assert!(stamps.is_empty());
    }

    #[test]
    fn bad_wheels_are_refused() {
        let new = |spec| Wheel::new(spec).expect_err("refused");
        assert!(matches!(
            new(WheelSpec {
                pulse_length_m: 0.0,
                ..EVEN
            }),
            WheelError::PulseLength(_)
        ));
        assert!(matches!(
            new(WheelSpec {
                pulse_length_m: f64::NAN,
                ..EVEN
            }),
            WheelError::PulseLength(_)
        ));
        assert_eq!(new(WheelSpec { slots: 0, ..EVEN }), WheelError::Slots(0));
        assert!(matches!(
            new(WheelSpec {
                unevenness: 0.5,
                ..EVEN
            }),
            WheelError::Unevenness(_)
        ));
        assert!(matches!(
            new(WheelSpec {
                stamp_jitter_s: -1.0,
                ..EVEN
            }),
            WheelError::StampJitter(_)
        ));
        let scaled = Wheel::new(EVEN).and_then(|w| w.with_scale(f64::NAN));
        assert!(matches!(scaled.expect_err("refused"), WheelError::Scale(_)));
    }
}
