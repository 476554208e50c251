//! Plants that stand in patches, as weeds do: the number in each square of the field is
//! negative binomial.
//!
//! Each square has a density of its own, gamma distributed with shape `k` around the mean;
//! in a square plants are strewn evenly. So a square's count has mean `m`, variance
//! `m + m²/k`, and is 0 in a share `(1 + m/k)^−k` of squares (Gold, Bay and Wilkerson, Weed
//! Science 44, 1996, found such counts). The smaller `k`, the more patchy.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Gamma, Poisson};
use rand_pcg::Pcg64Mcg;

use crate::{FieldError, Plant, PlantField, generate};

/// The most squares of a field.
const MOST_SQUARES: f64 = 1.0e7;

/// How plants cluster.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clusters {
    /// Side of the squares in which the density is one, in metres, 0.05 to 1000.
    pub square_m: f64,
    /// Shape of the densities, 0.01 to 1000.
    pub k: f64,
}

/// Why clusters were refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ClusterError {
    /// The field is unusable.
    #[error(transparent)]
    Field(#[from] FieldError),
    /// A number is unusable.
    #[error("the clusters' {what} is {value}; give {wanted}")]
    Number {
        /// Which number.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
}

/// Plants of a field with its mean density and sizes, sorted along x.
///
/// # Errors
/// Refuses a field that [`PlantField::check`] refuses, and clusters out of their range or
/// so small that the field would hold over ten million squares.
pub fn clustered(field: PlantField, clusters: Clusters) -> Result<Vec<Plant>, ClusterError> {
    field.check()?;
    let Clusters { square_m, k } = clusters;
    let wide = field.right_y - field.left_y;
    let long = field.to_x - field.from_x;
    for (what, value, least, most, wanted) in [
        ("square", square_m, 0.05, 1000.0, "0.05 to 1000 m"),
        ("shape", k, 0.01, 1000.0, "0.01 to 1000"),
        (
            "number of squares",
            (long / square_m).ceil() * (wide / square_m).ceil(),
            1.0,
            MOST_SQUARES,
            "larger squares, 1e7 of them at most",
        ),
    ] {
        if !(least..=most).contains(&value) {
            return Err(ClusterError::Number {
                what,
                value,
                wanted,
            });
        }
    }
    let mut rng = Pcg64Mcg::seed_from_u64(field.seed ^ 0x5be0_cd19_137e_2179);
    let spread = Gamma::new(k, 1.0 / k).ok();
    let mut places = Vec::new();
    let across = (wide / square_m).ceil() as u64;
    for row in 0..(long / square_m).ceil() as u64 {
        for column in 0..across {
            let x = field.from_x + row as f64 * square_m;
            let y = field.left_y + column as f64 * square_m;
            let to = (
                (x + square_m).min(field.to_x),
                (y + square_m).min(field.right_y),
            );
            let share = spread.map_or(1.0, |g| g.sample(&mut rng));
            let mean = field.density_per_m2 * share * (to.0 - x) * (to.1 - y);
            let count = Poisson::new(mean).map_or(0, |p| p.sample(&mut rng) as u64);
            for _ in 0..count {
                places.push((
                    x + (to.0 - x) * rng.random::<f64>(),
                    y + (to.1 - y) * rng.random::<f64>(),
                ));
            }
        }
    }
    // Sizes from an even field that is dense enough to hold as many.
    let mut sizes = Vec::new();
    let mut batch = 0;
    while sizes.len() < places.len() {
        sizes.extend(generate(PlantField {
            density_per_m2: (1.1 * places.len() as f64 + 20.0) / (wide * long),
            seed: field.seed.wrapping_add(batch),
            ..field
        }));
        batch += 1;
    }
    let mut plants: Vec<Plant> = places
        .iter()
        .zip(sizes)
        .map(|(&(x, y), size)| Plant { x, y, ..size })
        .collect();
    plants.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    Ok(plants)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(density_per_m2: f64, long: f64) -> PlantField {
        PlantField {
            density_per_m2,
            from_x: 0.0,
            to_x: long,
            left_y: 0.0,
            right_y: 20.0,
            length_mean: 0.02,
            length_sd: 0.005,
            length_min: 0.01,
            length_max: 0.04,
            width_mean: 0.02,
            width_sd: 0.005,
            width_min: 0.01,
            width_max: 0.04,
            seed: 3,
        }
    }

    /// Counts in squares of the field.
    fn counts(plants: &[Plant], long: f64, side: f64) -> Vec<f64> {
        let (rows, columns) = ((long / side) as usize, (20.0 / side) as usize);
        let mut counts = vec![0.0; rows * columns];
        for p in plants {
            counts[(p.x / side) as usize * columns + (p.y / side) as usize] += 1.0;
        }
        counts
    }

    fn empty(counts: &[f64]) -> f64 {
        counts.iter().filter(|&&c| c == 0.0).count() as f64 / counts.len() as f64
    }

    #[test]
    fn counts_are_negative_binomial() {
        // (1 + m/k)^−k by hand.
        for (m, k, none) in [(1.0, 0.5, 0.5774), (1.0, 0.2, 0.6988), (5.0, 0.5, 0.3015)] {
            let clusters = Clusters { square_m: 1.0, k };
            let plants = clustered(field(m, 1000.0), clusters).expect("a field");
            let all = counts(&plants, 1000.0, 1.0);
            let n = all.len() as f64;
            let mean = all.iter().sum::<f64>() / n;
            let variance = all.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / n;
            assert!((empty(&all) - none).abs() < 0.012, "{} {none}", empty(&all));
            assert!((mean / m - 1.0).abs() < 0.05, "{mean}");
            let want = m + m * m / k;
            assert!((variance / want - 1.0).abs() < 0.12, "{variance} {want}");
        }
    }

    #[test]
    fn finer_patch_spraying_saves_what_was_found_in_a_patchy_field() {
        // Galium aparine, 18.0 by 32.4 m: sprayed by squares of 1 m 41 % of the volume for
        // the whole field, by squares of 0.5 m a further 26 % less: 30 % (Wallinga,
        // Groeneveld and Lotz, Weed Research 38, 1998, 351-359, abstract). Shape and mean
        // are fitted to the two; an even field with 41 % would come down to 12 %.
        let clusters = Clusters {
            square_m: 1.0,
            k: 0.127,
        };
        let m = clusters.k * (0.59_f64.powf(-1.0 / clusters.k) - 1.0);
        let plants = clustered(field(m, 400.0), clusters).expect("a field");
        let sprayed = |side: f64| 1.0 - empty(&counts(&plants, 400.0, side));
        println!(
            "sprayed by 1 m {:.3}, by 0.5 m {:.3}",
            sprayed(1.0),
            sprayed(0.5)
        );
        assert!((sprayed(1.0) - 0.41).abs() < 0.02, "{}", sprayed(1.0));
        assert!(
            (sprayed(0.5) - 0.41 * 0.74).abs() < 0.02,
            "{}",
            sprayed(0.5)
        );
        let even = crate::generate(field(-(0.59_f64.ln()), 400.0));
        let even = 1.0 - empty(&counts(&even, 400.0, 0.5));
        assert!((even - 0.124).abs() < 0.02, "{even}");
    }

    #[test]
    fn bad_clusters_are_refused() {
        let new = |square_m, k| clustered(field(1.0, 100.0), Clusters { square_m, k });
        assert!(new(0.0, 1.0).is_err() && new(1.0, f64::NAN).is_err());
        let bad = clustered(
            PlantField {
                density_per_m2: -1.0,
                ..field(1.0, 9.0)
            },
            Clusters {
                square_m: 1.0,
                k: 1.0,
            },
        );
        assert!(matches!(bad, Err(ClusterError::Field(_))));
    }
}
