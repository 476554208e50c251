//! Cameras on a boom that sways: where they believe a plant to be, and whether they see it.
//!
//! A camera works out places for its usual height and for level ground. In truth the boom
//! is higher or lower, pitched and rolled, by what the ground under it does: the same sway
//! that moves the spray, alike from image to image. A ray that leaves `α` from straight
//! below, seen from `H` above the plant's middle, reaches the ground at `H·tan α`; the
//! camera reads the angle less the pitch and takes its usual height. So 1° of pitch moves
//! a plant that is as far ahead as the camera is high by `2·H·0.01745`: 35 mm from 1 m.
//!
//! An image is stamped where its exposure begins. Its rows are read one after the other,
//! the farthest first, so what is near is taken later; and what passes while a row is
//! exposed is smeared along travel, its middle half an exposure late.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal, Poisson};
use rand_pcg::Pcg64Mcg;

use crate::detector::{DetectorSpec, Frame, Ghost, Sight};
use crate::turning::Squares;
use crate::{Plant, Travel};

/// Least height of a camera above what it looks at, in metres.
const LEAST_HEIGHT_M: f64 = 0.05;

/// What a camera does beside what its detector's view and delays say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Usual height above the ground, in metres, 0.1 to 20.
    pub height_m: f64,
    /// Height of a plant's middle as a share of its size, 0 to 2.
    pub plant_height: f64,
    /// Exposure of a row, in seconds, 0 to 0.1.
    pub exposure_s: f64,
    /// From the first row to the last, in seconds, 0 to 0.2.
    pub rolling_s: f64,
    /// Size (root of length times width) at which one plant in two is found, in metres,
    /// 0 to 1; at 0 all are.
    pub size_half_m: f64,
    /// How much larger a plant is that three in four find (ln 3 of this), in metres, above
    /// 0 where `size_half_m` is.
    pub size_spread_m: f64,
    /// Things taken for a plant that are none, in an image on average, 0 to 1000.
    pub false_per_image: f64,
    /// Size of such a thing, in metres, 0 to 1.
    pub false_size_m: f64,
}

impl Default for Camera {
    /// A camera 1 m up that sees all, at once, and nothing else.
    fn default() -> Self {
        Self {
            height_m: 1.0,
            plant_height: 0.0,
            exposure_s: 0.0,
            rolling_s: 0.0,
            size_half_m: 0.0,
            size_spread_m: 0.0,
            false_per_image: 0.0,
            false_size_m: 0.03,
        }
    }
}

/// Why a camera can't be used.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the camera's {what} is {value}; give {wanted}")]
pub struct CameraError {
    /// Which number.
    pub what: &'static str,
    /// The refused value.
    pub value: f64,
    /// What would be right.
    pub wanted: &'static str,
}

impl Camera {
    /// Checks that the camera can be used.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn check(&self) -> Result<(), CameraError> {
        let least_spread = if self.size_half_m > 0.0 { 1e-6 } else { 0.0 };
        for (what, value, least, most, wanted) in [
            ("height", self.height_m, 0.1, 20.0, "0.1 to 20 m"),
            (
                "plant height",
                self.plant_height,
                0.0,
                2.0,
                "a share of its size, 0 to 2",
            ),
            ("exposure", self.exposure_s, 0.0, 0.1, "0 to 0.1 s"),
            (
                "time from first to last row",
                self.rolling_s,
                0.0,
                0.2,
                "0 to 0.2 s",
            ),
            ("half-found size", self.size_half_m, 0.0, 1.0, "0 to 1 m"),
            (
                "spread of that size",
                self.size_spread_m,
                least_spread,
                1.0,
                "up to 1 m, and above 0 where there is a half-found size",
            ),
            (
                "false alarms",
                self.false_per_image,
                0.0,
                1000.0,
                "0 to 1000 an image",
            ),
            (
                "size of false alarms",
                self.false_size_m,
                0.0,
                1.0,
                "0 to 1 m",
            ),
        ] {
            if !(least..=most).contains(&value) {
                return Err(CameraError {
                    what,
                    value,
                    wanted,
                });
            }
        }
        Ok(())
    }

    /// The share of plants of this size that it finds.
    #[must_use]
    pub fn finds(&self, size_m: f64) -> f64 {
        if self.size_half_m <= 0.0 {
            return 1.0;
        }
        1.0 / (1.0 + ((self.size_half_m - size_m) / self.size_spread_m).exp())
    }

    /// Where a camera `height` metres above a plant's middle, pitched and rolled so, takes
    /// it to be that truly lies `ahead` and to the `right`.
    fn believed(
        &self,
        (ahead, right): (f64, f64),
        height: f64,
        pitch: f64,
        roll: f64,
    ) -> (f64, f64) {
        let place = |true_m: f64, tilt: f64| {
            if tilt == 0.0 {
                true_m / height * self.height_m
            } else {
                self.height_m * ((true_m / height).atan() + tilt).tan()
            }
        };
        (place(ahead, -pitch), place(right, roll))
    }
}

/// All frames of a camera on the boom of a drive, as [`crate::frames`] gives them on even
/// and straight ground; once means here too the first image that holds a plant whole.
///
/// A plant that the camera does not find in one image it does not find in any. A detector
/// or camera that its check refuses gives no frame.
#[must_use]
pub fn frames_over(
    spec: &DetectorSpec,
    camera: &Camera,
    travel: &Travel,
    plants: &[Plant],
    until: f64,
) -> Vec<Frame> {
    let (Ok(delay), true) = (
        Normal::new(spec.delay_mean_s, spec.delay_sd_s),
        spec.check().is_ok() && camera.check().is_ok() && until.is_finite(),
    ) else {
        return Vec::new();
    };
    let mut rng = Pcg64Mcg::seed_from_u64(spec.seed);
    let mut finding = Pcg64Mcg::seed_from_u64(spec.seed ^ 0x510e_527f_ade6_82d1);
    let mut ghosts = Pcg64Mcg::seed_from_u64(spec.seed ^ 0x9b05_688c_2b3e_6c1f);
    let false_alarms = Poisson::new(camera.false_per_image.max(f64::MIN_POSITIVE)).ok();
    let found: Vec<bool> = plants
        .iter()
        .map(|p| finding.random::<f64>() < camera.finds((p.length * p.width).sqrt()))
        .collect();
    let mut reported = vec![false; plants.len()];
    let squares = Squares::new(plants);
    let mut frames = Vec::new();
    for sequence in 0_u64.. {
        let captured_s = sequence as f64 / spec.frame_rate_hz;
        if captured_s > until {
            break;
        }
        let eye = Eye {
            spec,
            camera,
            travel,
            captured_s,
        };
        let mut sights = Vec::new();
        for index in eye.candidates(&squares) {
            let Some((sight, whole)) = eye.sight(index, &plants[index]) else {
                continue;
            };
            if !found[index] || (spec.once && (!whole || reported[index])) {
                continue;
            }
            reported[index] = true;
            sights.push(sight);
        }
        sights.sort_by(|a, b| a.x.total_cmp(&b.x));
        let arrives_s = captured_s + delay.sample(&mut rng).max(0.0);
        let count = match &false_alarms {
            Some(poisson) if camera.false_per_image > 0.0 => poisson.sample(&mut ghosts) as u64,
            _ => 0,
        };
        let mut between = |from: f64, to: f64| from + (to - from) * ghosts.random::<f64>();
        let ghosts = (0..count)
            .map(|_| Ghost {
                x: between(spec.view_near_m, spec.view_far_m),
                y: between(-spec.view_left_m, spec.view_right_m),
                length: camera.false_size_m,
                width: camera.false_size_m,
            })
            .collect();
        frames.push(Frame {
            sequence,
            captured_s,
            arrives_s,
            seen: (spec.view_near_m, spec.view_far_m),
            plants: sights,
            ghosts,
        });
    }
    frames
}

/// A camera at one image.
struct Eye<'a> {
    spec: &'a DetectorSpec,
    camera: &'a Camera,
    travel: &'a Travel,
    captured_s: f64,
}

impl Eye<'_> {
    /// Plants in or close to the view.
    fn candidates(&self, squares: &Squares) -> Vec<usize> {
        let s = self.spec;
        let (from, to) = (
            self.travel.boom(self.captured_s),
            self.travel
                .boom(self.captured_s + self.camera.rolling_s + self.camera.exposure_s),
        );
        // A margin for what moves while the rows are read.
        let margin = 0.1;
        let across = (
            s.y_m - s.view_left_m - margin,
            s.y_m + s.view_right_m + margin,
        );
        let ahead = (
            s.x_m + s.view_near_m - margin,
            s.x_m + s.view_far_m + margin,
        );
        squares.around(&[(from, ahead), (to, ahead)], across)
    }

    /// Where a plant truly is from the mount when its row is taken, ahead and right.
    fn truly(&self, plant: &Plant) -> (f64, (f64, f64)) {
        let s = self.spec;
        let mut t = self.captured_s + 0.5 * self.camera.exposure_s;
        let mut place = (0.0, 0.0);
        // The row depends on the place and that on the row's time; each round leaves some
        // eighth of the error, so sixteen leave nothing.
        for _ in 0..if self.camera.rolling_s > 0.0 { 16 } else { 1 } {
            let seen = self.travel.boom(t).seen((plant.x, plant.y));
            place = (seen.0 - s.x_m, seen.1 - s.y_m);
            let row = (s.view_far_m - place.0) / (s.view_far_m - s.view_near_m);
            let rolled = self.camera.rolling_s * row.clamp(0.0, 1.0);
            t = self.captured_s + 0.5 * self.camera.exposure_s + rolled;
        }
        (t, place)
    }

    /// What the camera reports of a plant, and whether the view holds it whole; none where
    /// its centre lies outside.
    fn sight(&self, index: usize, plant: &Plant) -> Option<(Sight, bool)> {
        let (s, c) = (self.spec, self.camera);
        let (t, (ahead, right)) = self.truly(plant);
        let inside = (s.view_near_m..=s.view_far_m).contains(&ahead)
            && (-s.view_left_m..=s.view_right_m).contains(&right);
        if !inside {
            return None;
        }
        let (sin, cos) = self.travel.boom(t).heading.sin_cos();
        let length = (plant.length * cos).hypot(plant.width * sin);
        let width = (plant.length * sin).hypot(plant.width * cos);
        let whole = ahead - 0.5 * length >= s.view_near_m && ahead + 0.5 * length <= s.view_far_m;
        let a = self.travel.attitude(t);
        let size = (plant.length * plant.width).sqrt();
        let height = (c.height_m + a.height - s.y_m * a.roll.sin() - c.plant_height * size)
            .max(LEAST_HEIGHT_M);
        let (x, y) = c.believed((ahead, right), height, a.pitch, a.roll);
        let smear = self.travel.velocity(t, (s.x_m, s.y_m)).0.abs() * c.exposure_s;
        let scale = c.height_m / height;
        let sight = Sight {
            plant: index,
            x,
            y,
            length: length * scale + smear,
            width: width * scale,
        };
        Some((sight, whole))
    }
}

#[cfg(test)]
mod tests;
