//! How far a share that was counted may lie from the true one.

/// The 97.5 % point of the normal distribution, from its tables.
const Z: f64 = 1.959_963_984_540_054;

/// The 95 % interval of a share of which `hits` of `n` were seen: Wilson's score interval
/// without correction (method 3 of Newcombe, Statistics in Medicine 17, 1998, 857-872).
/// None where nothing was counted, or more hits than cases.
#[must_use]
pub fn wilson(hits: usize, n: usize) -> Option<(f64, f64)> {
    if n == 0 || hits > n {
        return None;
    }
    let (p, n) = (hits as f64 / n as f64, n as f64);
    let square = Z * Z;
    let middle = p + square / (2.0 * n);
    let half = Z * (p * (1.0 - p) / n + square / (4.0 * n * n)).sqrt();
    let whole = 1.0 + square / n;
    // Rounding must not leave the shares that there are.
    Some((
        ((middle - half) / whole).max(0.0),
        ((middle + half) / whole).min(1.0),
    ))
}

/// The 95 % interval of a share that was counted in runs, given as hits and cases of each: what
/// goes wrong in a run goes wrong for all of its cases, so they tell less than as many lone ones.
/// Wilson's interval with as many cases as would scatter so by themselves (the effective sample
/// size of Kish, Survey Sampling, 1965), but no more than there were.
///
/// None where nothing was counted, or more hits than cases.
#[must_use]
pub fn wilson_of_runs(runs: &[(usize, usize)]) -> Option<(f64, f64)> {
    let hits: usize = runs.iter().map(|r| r.0).sum();
    let n: usize = runs.iter().map(|r| r.1).sum();
    let alone = wilson(hits, n)?;
    let p = hits as f64 / n as f64;
    let count = runs.iter().filter(|r| r.1 > 0).count() as f64;
    let squares: f64 = runs
        .iter()
        .map(|&(h, n)| (h as f64 - p * n as f64).powi(2))
        .sum();
    if count < 2.0 || squares == 0.0 {
        return Some(alone);
    }
    let variance = squares * count / (count - 1.0) / (n as f64).powi(2);
    let cases = (p * (1.0 - p) / variance).clamp(1.0, n as f64);
    let square = Z * Z;
    let middle = p + square / (2.0 * cases);
    let half = Z * (p * (1.0 - p) / cases + square / (4.0 * cases * cases)).sqrt();
    let whole = 1.0 + square / cases;
    Some((
        ((middle - half) / whole).max(0.0),
        ((middle + half) / whole).min(1.0),
    ))
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
        let together: Vec<(usize, usize)> = (0..10).map(|i| (if i < 8 { 100 } else { 0 }, 100)).collect();
        let (low, high) = wilson_of_runs(&together).expect("counted");
        let (few_low, few_high) = wilson(8, 10).expect("counted");
        // n - 1 for n in the variance makes it nine cases.
        assert!(low < few_low && low > few_low - 0.03, "{low} {few_low}");
        assert!(high > few_high - 0.01, "{high} {few_high}");
        // Runs that scatter no more than lone cases do give the plain interval.
        let even = vec![(90, 100); 10];
        assert_eq!(wilson_of_runs(&even), wilson(900, 1000));
        assert_eq!(wilson_of_runs(&[]), None);
    }
}
