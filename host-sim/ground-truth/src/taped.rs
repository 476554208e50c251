//! Drives over a taped distance, to count a wheel's pulses.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::{Ground, Motion, Wheel, WheelSpec};

/// One drive, from standstill at one mark to standstill at the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TapedDrive {
    /// The wheel; its seed fixes the slots, so that runs of one wheel share it.
    pub wheel: WheelSpec,
    /// True over nominal travel a pulse; below 1 where the wheel turns more, as a driven one does
    /// under load.
    pub scale: f64,
    /// From mark to mark, m.
    pub distance_m: f64,
    /// Usual speed, m/s.
    pub speed_m_s: f64,
    /// Speed wanders by this share about the usual.
    pub wander: f64,
    /// Unevenness that no turn repeats, as a share of a pulse.
    pub stray: f64,
    /// Another seed is another drive of the same wheel.
    pub seed: u64,
}

impl TapedDrive {
    /// The stamps of its pulses, s. The first mark lies a random part of a turn into the wheel.
    ///
    /// # Panics
    /// On a wheel or a speed that can't be.
    pub fn pulses(&self) -> Vec<f64> {
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed);
        let mut points = vec![(0.0, 0.0)];
        let mut at = 1.0 + self.speed_m_s;
        // Enough for the way even at the slowest, and another half.
        let long = at + 1.5 * self.distance_m / (self.speed_m_s * (1.0 - self.wander)).max(0.01);
        while at < long {
            let off = self.wander * (2.0 * rng.random::<f64>() - 1.0);
            points.push((at, self.speed_m_s * (1.0 + off)));
            at += 0.5 + 2.5 * rng.random::<f64>();
        }
        let motion = Motion::from_speed_points(0.0, &points).expect("speeds of 0 and more");
        let wheel = (Wheel::new(self.wheel).and_then(|w| w.with_scale(self.scale)))
            .and_then(|w| w.with_stray(self.stray))
            .expect("a wheel");
        let length = self.wheel.pulse_length_m * self.scale;
        let begin = length * f64::from(self.wheel.slots) * rng.random::<f64>();
        let until = motion
            .time_at(begin + self.distance_m)
            .expect("long enough");
        let from = motion.time_at(begin).unwrap_or(0.0);
        let all = wheel.pulses(&motion, until);
        all.into_iter()
            .filter(|t| *t >= from)
            .map(|t| t - from)
            .collect()
    }
}
