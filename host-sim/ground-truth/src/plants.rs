//! Plants on the ground, and seeded fields of them.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal, Poisson};
use rand_pcg::Pcg64Mcg;

/// The most plants that one field may be expected to hold.
const MOST: f64 = 1.0e7;
/// How often a size outside its limits is drawn again before it is cut.
const REDRAWS: usize = 64;

/// A plant on the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plant {
    /// Centre along travel, in metres.
    pub x: f64,
    /// Centre across, in metres to the right of the boom's middle line.
    pub y: f64,
    /// Extent along travel, in metres, 0 or more.
    pub length: f64,
    /// Extent across, in metres, 0 or more.
    pub width: f64,
}

impl Plant {
    /// The edge that the boom reaches first, in metres along travel.
    #[must_use]
    pub fn near(&self) -> f64 {
        self.x - 0.5 * self.length
    }

    /// The edge that the boom reaches last, in metres along travel.
    #[must_use]
    pub fn far(&self) -> f64 {
        self.x + 0.5 * self.length
    }
}

/// How a field of plants is made. Lengths in metres.
///
/// Sizes are normal, drawn again where they leave `min..=max`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlantField {
    /// Plants a square metre, on average, 0 or more.
    pub density_per_m2: f64,
    /// Where the field begins along travel.
    pub from_x: f64,
    /// Where it ends, beyond `from_x`.
    pub to_x: f64,
    /// Its left border.
    pub left_y: f64,
    /// Its right border, to the right of `left_y`.
    pub right_y: f64,
    /// Mean extent along travel.
    pub length_mean: f64,
    /// Standard deviation of the extent along travel.
    pub length_sd: f64,
    /// Smallest extent along travel.
    pub length_min: f64,
    /// Largest extent along travel.
    pub length_max: f64,
    /// Mean extent across.
    pub width_mean: f64,
    /// Standard deviation of the extent across.
    pub width_sd: f64,
    /// Smallest extent across.
    pub width_min: f64,
    /// Largest extent across.
    pub width_max: f64,
    /// Equal seeds give equal fields.
    pub seed: u64,
}

/// Why a field can't be made.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FieldError {
    /// The density is unusable.
    #[error("density_per_m2 is {0}; give a finite number of 0 or more")]
    Density(f64),
    /// A border is not finite or the field is empty.
    #[error(
        "the field runs from {from} m to {to} m {axis}; give finite borders, the first smaller"
    )]
    Borders {
        /// `along` or `across`.
        axis: &'static str,
        /// First border.
        from: f64,
        /// Second border.
        to: f64,
    },
    /// The sizes along or across are unusable.
    #[error(
        "the plant {what} has mean {mean}, sd {sd}, min {min}, max {max} m; \
             give 0 <= min <= mean <= max and sd >= 0, all finite"
    )]
    Size {
        /// `length` or `width`.
        what: &'static str,
        /// Mean in metres.
        mean: f64,
        /// Standard deviation in metres.
        sd: f64,
        /// Smallest in metres.
        min: f64,
        /// Largest in metres.
        max: f64,
    },
    /// The field would hold too many plants.
    #[error("the field would hold about {0} plants; lower the density or the area to 1e7 plants")]
    TooMany(f64),
}

/// A normal size between limits.
struct Size {
    normal: Normal<f64>,
    min: f64,
    max: f64,
}

impl Size {
    fn new(what: &'static str, mean: f64, sd: f64, min: f64, max: f64) -> Result<Self, FieldError> {
        let error = FieldError::Size {
            what,
            mean,
            sd,
            min,
            max,
        };
        let ordered = 0.0 <= min && min <= mean && mean <= max && max.is_finite() && sd >= 0.0;
        match Normal::new(mean, sd) {
            Ok(normal) if ordered && sd.is_finite() => Ok(Self { normal, min, max }),
            _ => Err(error),
        }
    }

    fn draw(&self, rng: &mut Pcg64Mcg) -> f64 {
        let mut size = self.normal.sample(rng);
        for _ in 0..REDRAWS {
            if (self.min..=self.max).contains(&size) {
                break;
            }
            size = self.normal.sample(rng);
        }
        size.clamp(self.min, self.max)
    }
}

/// What is left of a field's numbers after checking.
struct Checked {
    expected: f64,
    length: Size,
    width: Size,
}

impl PlantField {
    /// Checks that the field can be made.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn check(&self) -> Result<(), FieldError> {
        self.checked().map(|_| ())
    }

    fn checked(&self) -> Result<Checked, FieldError> {
        if !(self.density_per_m2 >= 0.0 && self.density_per_m2.is_finite()) {
            return Err(FieldError::Density(self.density_per_m2));
        }
        for (axis, from, to) in [
            ("along", self.from_x, self.to_x),
            ("across", self.left_y, self.right_y),
        ] {
            if !(from.is_finite() && to.is_finite() && from < to) {
                return Err(FieldError::Borders { axis, from, to });
            }
        }
        let area = (self.to_x - self.from_x) * (self.right_y - self.left_y);
        let expected = self.density_per_m2 * area;
        if expected.is_nan() || expected > MOST {
            return Err(FieldError::TooMany(expected));
        }
        Ok(Checked {
            expected,
            length: Size::new(
                "length",
                self.length_mean,
                self.length_sd,
                self.length_min,
                self.length_max,
            )?,
            width: Size::new(
                "width",
                self.width_mean,
                self.width_sd,
                self.width_min,
                self.width_max,
            )?,
        })
    }
}

/// Scatters plants at random, independent of each other (a Poisson field),
/// sorted by `x`. Their centres lie in the field.
///
/// A field that [`PlantField::check`] refuses holds no plant.
#[must_use]
pub fn generate(field: PlantField) -> Vec<Plant> {
    let Ok(Checked {
        expected,
        length,
        width,
    }) = field.checked()
    else {
        return Vec::new();
    };
    let mut rng = Pcg64Mcg::seed_from_u64(field.seed);
    // No count has a mean of 0: the distribution refuses it, there is no plant.
    let count = Poisson::new(expected).map_or(0, |p| {
        let n: f64 = p.sample(&mut rng);
        n as usize
    });
    let mut plants: Vec<Plant> = (0..count)
        .map(|_| Plant {
            x: rng.random_range(field.from_x..field.to_x),
            y: rng.random_range(field.left_y..field.right_y),
            length: length.draw(&mut rng),
            width: width.draw(&mut rng),
        })
        .collect();
    plants.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    plants
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELD: PlantField = PlantField {
        density_per_m2: 0.5,
        from_x: 10.0,
        to_x: 1_010.0,
        left_y: -6.0,
        right_y: 6.0,
        length_mean: 0.06,
        length_sd: 0.02,
        length_min: 0.02,
        length_max: 0.15,
        width_mean: 0.05,
        width_sd: 0.02,
        width_min: 0.02,
        width_max: 0.15,
        seed: 7,
    };

    #[test]
    fn the_field_has_its_density_and_limits() {
        let plants = generate(FIELD);
        // 6,000 expected; six standard deviations are 465.
        assert!(plants.len().abs_diff(6_000) < 465, "{}", plants.len());
        assert!(plants.is_sorted_by(|a, b| a.x <= b.x));
        for p in &plants {
            assert!(
                (10.0..1_010.0).contains(&p.x) && (-6.0..6.0).contains(&p.y),
                "{p:?}"
            );
            assert!((0.02..=0.15).contains(&p.length) && (0.02..=0.15).contains(&p.width));
        }
        let mean = plants.iter().map(|p| p.length).sum::<f64>() / plants.len() as f64;
        assert!((mean - 0.06).abs() < 0.004, "{mean}");
        // Counts in 1 m strips scatter like a Poisson field: variance = mean = 6.
        let mut counts = vec![0.0_f64; 1_000];
        for p in &plants {
            counts[(p.x - 10.0) as usize] += 1.0;
        }
        let m = counts.iter().sum::<f64>() / 1_000.0;
        let variance = counts.iter().map(|c| (c - m).powi(2)).sum::<f64>() / 1_000.0;
        assert!((variance / m - 1.0).abs() < 0.3, "{variance} over {m}");
    }

    #[test]
    fn equal_seeds_give_equal_fields() {
        assert_eq!(generate(FIELD), generate(FIELD));
        assert_ne!(generate(FIELD), generate(PlantField { seed: 8, ..FIELD }));
    }

    #[test]
    fn bad_fields_are_refused_and_empty() {
        let bad = [
            PlantField {
                density_per_m2: f64::NAN,
                ..FIELD
            },
            PlantField {
                density_per_m2: -1.0,
                ..FIELD
            },
            PlantField {
                density_per_m2: 1e9,
                ..FIELD
            },
            PlantField {
                to_x: 10.0,
                ..FIELD
            },
            PlantField {
                left_y: f64::INFINITY,
                ..FIELD
            },
            PlantField {
                length_sd: -0.1,
                ..FIELD
            },
            PlantField {
                width_min: 0.2,
                ..FIELD
            },
            PlantField {
                width_mean: f64::NAN,
                ..FIELD
            },
        ];
        for field in bad {
            assert!(field.check().is_err(), "{field:?}");
            assert!(generate(field).is_empty());
        }
        assert!(FIELD.check().is_ok());
        let none = PlantField {
            density_per_m2: 0.0,
            ..FIELD
        };
        assert!(none.check().is_ok() && generate(none).is_empty());
    }
}
