//! Shares that were counted, and how far two of them lie apart.

use ground_truth::interval::wilson_at;

use crate::estimate::normal_at;

/// Hits of so many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Count {
    /// How many were hit.
    pub hits: usize,
    /// Of how many.
    pub n: usize,
}

impl Count {
    /// The share; none of nothing.
    #[must_use]
    pub fn share(&self) -> Option<f64> {
        (self.n > 0).then(|| self.hits as f64 / self.n as f64)
    }

    /// The interval that holds the true share with so much `certainty` (0.95), by Wilson.
    #[must_use]
    pub fn interval(&self, certainty: f64) -> Option<(f64, f64)> {
        wilson_at(normal_at(0.5 + 0.5 * certainty), self.hits, self.n)
    }
}

impl std::ops::Add for Count {
    type Output = Count;

    fn add(self, other: Count) -> Count {
        Count {
            hits: self.hits + other.hits,
            n: self.n + other.n,
        }
    }
}

/// The interval that holds the difference of two true shares, first less second: R. G. Newcombe,
/// "Interval estimation for the difference between independent proportions", Statistics in
/// Medicine 17, 1998, 873-890, method 10 (two Wilson intervals squared and summed).
#[must_use]
pub fn difference(a: Count, b: Count, certainty: f64) -> Option<(f64, f64)> {
    let (p, q) = (a.share()?, b.share()?);
    let ((pl, pu), (ql, qu)) = (a.interval(certainty)?, b.interval(certainty)?);
    let d = p - q;
    Some((d - (p - pl).hypot(qu - q), d + (pu - p).hypot(q - ql)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(hits: usize, n: usize) -> Count {
        Count { hits, n }
    }

    // Newcombe 1998 (873-890), Table II, method 10, rows a, b, e and g; the first two as public
    // test suites quote them, the others from memory.
    #[test]
    fn differences_are_those_of_the_table() {
        for (a, b, low, high) in [
            (count(56, 70), count(48, 80), 0.0524, 0.3339),
            (count(9, 10), count(3, 10), 0.1705, 0.8090),
            (count(5, 56), count(0, 29), -0.0381, 0.1926),
            (count(0, 10), count(0, 20), -0.1611, 0.2775),
        ] {
            let (l, h) = difference(a, b, 0.95).expect("counted");
            assert!(
                (l - low).abs() < 6e-5 && (h - high).abs() < 6e-5,
                "{a:?} {b:?}: {l} {h}"
            );
        }
        assert!(difference(count(1, 2), count(0, 0), 0.95).is_none());
    }

    // Newcombe 1998 (857-872), Table I, method 3, and the source's own first example at 95 %.
    #[test]
    fn shares_are_those_of_the_table() {
        let (l, h) = count(81, 263).interval(0.95).expect("counted");
        assert!((l - 0.2553).abs() < 6e-5 && (h - 0.3662).abs() < 6e-5);
        assert!(count(3, 2).interval(0.95).is_none() && count(0, 0).share().is_none());
    }
}
