//! The normal distribution.

use std::f64::consts::{PI, SQRT_2};

/// Beyond this the share is 0 or 1 to the last digit that matters here.
const FAR: f64 = 8.0;

/// The share of a normal distribution below `x` standard deviations.
///
/// The series of Marsaglia, Evaluating the Normal Distribution, Journal of Statistical Software
/// 11(4), 2004: `1/2 + φ(x)·(x + x³/3 + x⁵/(3·5) + …)`, good to 1e-15 in absolute terms.
#[must_use]
pub fn below(x: f64) -> f64 {
    if x.is_nan() || x.abs() >= FAR {
        return if x > 0.0 { 1.0 } else { 0.0 };
    }
    let (mut sum, mut term, mut n) = (x, x, 1.0);
    while term.abs() > 1e-17 {
        n += 2.0;
        term *= x * x / n;
        sum += term;
    }
    0.5 + sum * (-0.5 * x * x).exp() / (PI.sqrt() * SQRT_2)
}

/// How many standard deviations a share `p`, above 0 and below 1, lies below; ±8 beyond.
#[must_use]
pub fn quantile(p: f64) -> f64 {
    let (mut low, mut high) = (-FAR, FAR);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if below(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// The same share from a table, straight between its places: within 4e-8 of [`below`].
#[derive(Clone, Debug)]
pub(super) struct Table(Vec<f64>);

/// Places of the table for each standard deviation.
const FINE: f64 = 1024.0;

impl Table {
    pub(super) fn new() -> Self {
        let last = (2.0 * FAR * FINE) as usize;
        Self((0..=last).map(|i| below(i as f64 / FINE - FAR)).collect())
    }

    pub(super) fn below(&self, x: f64) -> f64 {
        let place = (x + FAR) * FINE;
        if place <= 0.0 {
            return 0.0;
        }
        let index = place as usize;
        match (self.0.get(index), self.0.get(index + 1)) {
            (Some(a), Some(b)) => a + (b - a) * (place - index as f64),
            _ => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_those_of_the_tables() {
        // Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, Table 26.1.
        for (x, share) in [
            (0.0, 0.5),
            (0.5, 0.691_462_461_274),
            (1.0, 0.841_344_746_069),
            (2.0, 0.977_249_868_052),
            (3.0, 0.998_650_101_968),
        ] {
            assert!((below(x) - share).abs() < 1e-12, "{x}");
            assert!((below(-x) - (1.0 - share)).abs() < 1e-12, "{x}");
        }
        // The same handbook, Table 26.5: the 1 % and 2.5 % points.
        assert!((quantile(0.99) - 2.326_347_87).abs() < 1e-7);
        assert!((quantile(0.025) + 1.959_963_98).abs() < 1e-7);
    }

    #[test]
    fn the_table_follows_the_series() {
        let table = Table::new();
        for i in -9000..9000 {
            let x = f64::from(i) * 0.001_03;
            assert!((table.below(x) - below(x)).abs() < 1e-7, "{x}");
        }
    }
}
