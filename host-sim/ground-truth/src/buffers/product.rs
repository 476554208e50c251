//! What buffers cost in product.

use super::hits::Buffers;

/// What a plant field and a lane come to along travel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spots {
    /// Plants that a nozzle opens for, in one metre of its lane.
    pub per_m: f64,
    /// What a plant and the valve ask for by themselves, m: the plant, the fan's thickness, rise
    /// and fall.
    pub bare_m: f64,
}

impl Spots {
    /// The share of the product saved against spraying all, where plants stand at random: a point
    /// stays dry when none stands within a patch's length of it, `exp(−λ·L)` (Hall, Introduction
    /// to the Theory of Coverage Processes, 1988, for intervals strewn over a line).
    #[must_use]
    pub fn saving(&self, buffers: Buffers) -> f64 {
        (-self.per_m * (self.bare_m + buffers.sum())).exp()
    }

    /// The same where plants stand in patches that are longer and wider than a spray, as dense
    /// inside them as a gamma distribution of shape `k` says: its mean over that distribution,
    /// `(1 + λ·L/k)^−k`, the share of empty squares of a negative binomial count. With the
    /// patchiness fitted to squares of 1 m and 0.5 m in a field (see [`crate::clusters`]).
    #[must_use]
    pub fn saving_in_patches(&self, buffers: Buffers, k: f64) -> f64 {
        (1.0 + self.per_m * (self.bare_m + buffers.sum()) / k).powf(-k)
    }

    /// Up to how many plants a metre of lane so much is saved: where [`Self::saving`], or with a
    /// shape [`Self::saving_in_patches`], comes down to `saved`.
    #[must_use]
    pub fn most_per_m(&self, buffers: Buffers, k: Option<f64>, saved: f64) -> f64 {
        let of_length = match k {
            None => -saved.ln(),
            Some(k) => k * (saved.powf(-1.0 / k) - 1.0),
        };
        of_length / (self.bare_m + buffers.sum())
    }

    /// The share of plants with another one behind them, or before them, so near that one spray
    /// goes over both: closer than a patch's length and `bridged_m`, the gap that a valve does not
    /// close for. Plants at random: `1 − exp(−λ·L)`. In patches of shape `k` a plant is met where
    /// plants are dense, by a gamma distribution of shape `k + 1`: `1 − (1 + λ·L/k)^−(k+1)`.
    #[must_use]
    pub fn joined(&self, buffers: Buffers, bridged_m: f64, k: Option<f64>) -> f64 {
        let many = self.per_m * (self.bare_m + buffers.sum() + bridged_m);
        match k {
            None => 1.0 - (-many).exp(),
            Some(k) => 1.0 - (1.0 + many / k).powf(-(k + 1.0)),
        }
    }
}

/// Plants near enough to share a spray: what one valve does late for its own plant, the spray for
/// the one before or behind has done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Neighbours {
    /// Plants in a lane.
    pub spots: Spots,
    /// Gap between two sprays that a valve does not close for, m.
    pub bridged_m: f64,
    /// Shape of the densities of patches; none where plants stand at random.
    pub k: Option<f64>,
}

impl Neighbours {
    /// The share of edges at which another plant's spray goes on.
    #[must_use]
    pub fn share(&self, buffers: Buffers) -> f64 {
        self.spots.joined(buffers, self.bridged_m, self.k)
    }
}

/// A need in metres at two speeds as a distance plus a time of travel, neither below 0: m and s.
///
/// Enough at both speeds and, since errors add by their squares and so bend upward with speed, at
/// all between; no more than is needed at one of them at least.
#[must_use]
pub fn distance_and_time((slow, at_slow): (f64, f64), (fast, at_fast): (f64, f64)) -> (f64, f64) {
    if fast <= slow {
        return (at_slow.max(at_fast).max(0.0), 0.0);
    }
    let time = ((at_fast - at_slow) / (fast - slow)).max(0.0);
    let distance = at_slow - time * slow;
    if distance >= 0.0 {
        // Where less is needed when fast, the slow speed's need holds at both.
        return (distance, time);
    }
    (0.0, at_fast.max(0.0) / fast)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_speeds_make_a_distance_and_a_time() {
        for (slow, fast, want) in [
            // 20 mm at 1 m/s, 44 mm at 4 m/s: 12 mm and 8 ms, by hand.
            ((1.0, 0.020), (4.0, 0.044), (0.012, 0.008)),
            // Less when fast: the slow need as a distance.
            ((1.0, 0.030), (4.0, 0.020), (0.030, 0.0)),
            // All of it a time, and more: no distance below 0.
            ((1.0, 0.001), (4.0, 0.040), (0.0, 0.010)),
            ((2.0, 0.010), (2.0, 0.010), (0.010, 0.0)),
            ((1.0, 0.0), (4.0, 0.0), (0.0, 0.0)),
        ] {
            let (m, s) = distance_and_time(slow, fast);
            assert!(
                (m - want.0).abs() < 1e-12 && (s - want.1).abs() < 1e-12,
                "{m} {s}"
            );
            for (v, need) in [slow, fast] {
                assert!(m + s * v >= need - 1e-12, "enough at {v}");
            }
        }
    }

    #[test]
    fn strewn_points_leave_what_is_worked_out() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(9);
        let spots = Spots {
            per_m: 0.4,
            bare_m: 0.2,
        };
        let buffers = Buffers {
            lead: 0.2,
            trail: 0.1,
        };
        let ground = 50_000.0;
        let mut places: Vec<f64> = (0..(ground * spots.per_m) as usize)
            .map(|_| ground * rng.random::<f64>())
            .collect();
        places.sort_by(f64::total_cmp);
        let (mut dry, mut reached) = (0.0, 0.0);
        for place in places {
            dry += (place - reached).max(0.0);
            reached = place + 0.5;
        }
        let share = dry / ground;
        assert!((share - spots.saving(buffers)).abs() < 0.006, "{share}");
        // Patchy plants leave more dry, and even ones are patches of any density alike.
        assert!(spots.saving_in_patches(buffers, 0.127) > spots.saving(buffers));
        let even = spots.saving_in_patches(buffers, 1e7);
        assert!((even - spots.saving(buffers)).abs() < 1e-6);
    }

    #[test]
    fn plants_that_are_strewn_have_as_many_neighbours_as_is_worked_out() {
        use rand::{RngExt, SeedableRng};
        use rand_distr::{Distribution, Gamma, Poisson};
        let spots = Spots {
            per_m: 0.5,
            bare_m: 0.2,
        };
        let buffers = Buffers {
            lead: 0.15,
            trail: 0.05,
        };
        let (bridged, square) = (0.1, 20.0);
        for k in [None, Some(0.4)] {
            let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(11);
            let mut places: Vec<f64> = Vec::new();
            for i in 0..20_000 {
                let dense = k.map_or(1.0, |k| {
                    Gamma::new(k, 1.0 / k).expect("a gamma").sample(&mut rng)
                });
                let mean = (spots.per_m * square * dense).max(1e-9);
                let count = Poisson::new(mean).expect("a mean").sample(&mut rng) as u64;
                let from = f64::from(i) * square;
                places.extend((0..count).map(|_| from + square * rng.random::<f64>()));
            }
            places.sort_by(f64::total_cmp);
            let near = places.windows(2).filter(|w| w[1] - w[0] < 0.5).count();
            let share = near as f64 / places.len() as f64;
            let worked = spots.joined(buffers, bridged, k);
            assert!((share - worked).abs() < 0.01, "{k:?}: {share} {worked}");
        }
        // Where three quarters are saved, by hand: ln(4/3) / 0.4 = 0.7192, and for k = 0.4
        // 0.4·((4/3)^2.5 − 1) / 0.4 = 1.0528.
        assert!((spots.most_per_m(buffers, None, 0.75) - 0.719_205).abs() < 1e-6);
        assert!((spots.most_per_m(buffers, Some(0.4), 0.75) - 1.052_801).abs() < 1e-6);
    }

    #[test]
    fn a_patchy_field_by_squares_of_one_metre() {
        // 41 % of the volume for squares of 1 m (Wallinga, Groeneveld and Lotz, Weed Research 38,
        // 1998, 351-359, abstract); shape and density are fitted to this and the next figure.
        let k = 0.127;
        let per_m = k * (0.59_f64.powf(-1.0 / k) - 1.0);
        let square = Spots { per_m, bare_m: 1.0 };
        let sprayed = 1.0 - square.saving_in_patches(Buffers::default(), k);
        assert!((sprayed - 0.41).abs() < 1e-9, "{sprayed}");
        // A square of 0.5 m holds a quarter of the plants: 26 % less were sprayed by those.
        let quarter = Spots {
            per_m: 0.25 * per_m,
            bare_m: 1.0,
        };
        let sprayed = 1.0 - quarter.saving_in_patches(Buffers::default(), k);
        assert!((sprayed - 0.41 * 0.74).abs() < 0.005, "{sprayed}");
    }
}
