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
}
