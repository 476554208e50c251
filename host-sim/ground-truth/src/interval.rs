//! How far a share that was counted may lie from the true one.

/// The 97.5 % point of the normal distribution, from its tables.
const Z: f64 = 1.959_963_984_540_054;

/// The 95 % interval of a share of which `hits` of `n` were seen: Wilson's score interval
/// without correction (method 3 of Newcombe, Statistics in Medicine 17, 1998, 857-872).
/// None where nothing was counted, or more hits than cases.
#[must_use]
pub fn wilson(hits: usize, n: usize) -> Option<(f64, f64)> {
    wilson_at(Z, hits, n)
}

/// The same for any share of certainty: `z` is the normal distribution's point beyond which half
/// of the rest lies.
#[must_use]
pub fn wilson_at(z: f64, hits: usize, n: usize) -> Option<(f64, f64)> {
    if n == 0 || hits > n {
        return None;
    }
    let (p, n) = (hits as f64 / n as f64, n as f64);
    let square = z * z;
    let middle = p + square / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + square / (4.0 * n * n)).sqrt();
    let whole = 1.0 + square / n;
    // Rounding must not leave the shares that there are.
    Some((
        ((middle - half) / whole).max(0.0),
        ((middle + half) / whole).min(1.0),
    ))
}

/// Hits and cases counted in runs, as many runs as one likes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Runs {
    hits: f64,
    cases: f64,
    runs: f64,
    hits_squared: f64,
    product: f64,
    cases_squared: f64,
}

impl Runs {
    /// Takes in one run.
    pub fn add(&mut self, hits: usize, cases: usize) {
        let (h, n) = (hits as f64, cases as f64);
        self.hits += h;
        self.cases += n;
        self.runs += f64::from(u8::from(cases > 0));
        self.hits_squared += h * h;
        self.product += h * n;
        self.cases_squared += n * n;
    }

    /// Takes in all runs of another.
    pub fn merge(&mut self, other: &Runs) {
        self.hits += other.hits;
        self.cases += other.cases;
        self.runs += other.runs;
        self.hits_squared += other.hits_squared;
        self.product += other.product;
        self.cases_squared += other.cases_squared;
    }

    /// Cases of all runs.
    #[must_use]
    pub fn cases(&self) -> usize {
        self.cases as usize
    }

    /// The share of hits; 0 where there was no case.
    #[must_use]
    pub fn share(&self) -> f64 {
        if self.cases > 0.0 {
            self.hits / self.cases
        } else {
            0.0
        }
    }

    /// The 95 % interval of the share. What goes wrong in a run goes wrong for all of its cases,
    /// so they tell less than as many lone ones: Wilson's interval with as many cases as would
    /// scatter so by themselves (the effective sample size of Kish, Survey Sampling, 1965), but no
    /// more than there were.
    ///
    /// None where nothing was counted, or more hits than cases.
    #[must_use]
    pub fn interval(&self) -> Option<(f64, f64)> {
        let alone = wilson(self.hits as usize, self.cases as usize)?;
        let p = self.share();
        let squares = self.hits_squared - 2.0 * p * self.product + p * p * self.cases_squared;
        if self.runs < 2.0 || squares <= 1e-9 {
            return Some(alone);
        }
        let variance = squares * self.runs / (self.runs - 1.0) / self.cases.powi(2);
        let cases = (p * (1.0 - p) / variance).clamp(1.0, self.cases);
        let square = Z * Z;
        let middle = p + square / (2.0 * cases);
        let half = Z * (p * (1.0 - p) / cases + square / (4.0 * cases * cases)).sqrt();
        let whole = 1.0 + square / cases;
        Some((
            ((middle - half) / whole).max(0.0),
            ((middle + half) / whole).min(1.0),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_are_those_of_the_table() {
        // Newcombe 1998, Table I, method 3; the last two by the formula at its ends.
        for (hits, n, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
            (0, 10, 0.0, 0.2775),
            (10, 10, 0.7225, 1.0),
        ] {
            let (a, b) = wilson(hits, n).expect("counted");
            assert!(
                (a - low).abs() < 6e-5 && (b - high).abs() < 6e-5,
                "{hits}/{n}: {a} {b}"
            );
        }
        assert_eq!((wilson(0, 0), wilson(3, 2)), (None, None));
    }

    #[test]
    fn cases_that_fail_together_tell_less() {
        // Each run all or nothing: ten runs of a hundred tell what ten cases tell.
        let mut together = Runs::default();
        let mut even = Runs::default();
        for run in 0..10 {
            together.add(if run < 8 { 100 } else { 0 }, 100);
            even.add(90, 100);
        }
        let (low, high) = together.interval().expect("counted");
        let (few_low, few_high) = wilson(8, 10).expect("counted");
        // n - 1 for n in the variance makes it nine cases.
        assert!(low < few_low && low > few_low - 0.03, "{low} {few_low}");
        assert!(high > few_high - 0.01, "{high} {few_high}");
        // Runs that scatter no more than lone cases do give the plain interval.
        assert_eq!(even.interval(), wilson(900, 1000));
        assert_eq!((even.cases(), even.share()), (1000, 0.9));
        assert_eq!(Runs::default().interval(), None);
    }
}
