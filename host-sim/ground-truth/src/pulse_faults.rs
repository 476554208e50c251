//! What a sensor and its cable do to a train of pulses: some are lost, some are
//! followed by one that no mark made.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// The stamps without one in `one_in`, drawn independently; 0 loses none.
#[must_use]
pub fn lose(stamps: &[f64], one_in: u32, seed: u64) -> Vec<f64> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed ^ 0x3c6e_f372_fe94_f82b);
    stamps
        .iter()
        .copied()
        .filter(|_| one_in == 0 || rng.random_range(0..one_in) != 0)
        .collect()
}

/// The stamps with an extra one after one in `one_in`, `after` seconds behind it,
/// evenly spread between the two given; 0 adds none.
#[must_use]
pub fn bounce(stamps: &[f64], one_in: u32, after: (f64, f64), seed: u64) -> Vec<f64> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed ^ 0xa54f_f53a_5f1d_36f1);
    let mut all = Vec::with_capacity(stamps.len());
    for &stamp in stamps {
        all.push(stamp);
        if one_in > 0 && rng.random_range(0..one_in) == 0 {
            let share: f64 = rng.random();
            all.push(stamp + after.0 + share * (after.1 - after.0));
        }
    }
    all.sort_by(f64::total_cmp);
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_in_so_many_is_lost_or_bounces() {
        let stamps: Vec<f64> = (0..100_000).map(f64::from).collect();
        let lost = stamps.len() - lose(&stamps, 500, 1).len();
        assert!((150..250).contains(&lost), "{lost}");
        let all = bounce(&stamps, 500, (0.0002, 0.003), 1);
        let extra = all.len() - stamps.len();
        assert!((150..250).contains(&extra), "{extra}");
        assert!(all.is_sorted());
        for pair in all.windows(2).filter(|p| p[1] - p[0] < 0.5) {
            assert!((0.0002..0.003).contains(&(pair[1] - pair[0])));
        }
        assert_eq!(lose(&stamps, 0, 1), stamps);
        assert_eq!(bounce(&stamps, 0, (0.0, 0.0), 1), stamps);
    }
}
