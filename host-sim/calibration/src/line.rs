//! A straight line through points by least squares: y = a + b·x, with the intervals of a and b.
//!
//! Sums are kept about the running means, so that a long stream needs no memory and far-off
//! places lose no digits. Formulas: N. R. Draper, H. Smith, "Applied Regression Analysis",
//! chapter 1 (from memory).

use crate::estimate::{Estimate, student_t};

/// Running sums of a line.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Line {
    n: usize,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

/// A fitted line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// y at x = 0.
    pub a: f64,
    /// Rise of y a unit of x.
    pub b: f64,
    /// Standard error of a.
    pub a_error: f64,
    /// Standard error of b.
    pub b_error: f64,
    /// Standard deviation of a point about the line.
    pub residual_sd: f64,
    /// Points.
    pub n: usize,
}

impl Line {
    /// Takes one point in.
    pub fn push(&mut self, x: f64, y: f64) {
        self.n += 1;
        let n = self.n as f64;
        let (dx, dy) = (x - self.x, y - self.y);
        self.x += dx / n;
        self.y += dy / n;
        self.xx += dx * (x - self.x);
        self.xy += dx * (y - self.y);
        self.yy += dy * (y - self.y);
    }

    /// Points taken.
    pub fn n(&self) -> usize {
        self.n
    }

    /// The line; none below three points or where all x are the same.
    pub fn fit(&self) -> Option<Fit> {
        if self.n < 3 || self.xx <= 0.0 {
            return None;
        }
        let n = self.n as f64;
        let b = self.xy / self.xx;
        let a = self.y - b * self.x;
        let variance = (self.yy - b * self.xy).max(0.0) / (n - 2.0);
        Some(Fit {
            a,
            b,
            a_error: (variance * (1.0 / n + self.x * self.x / self.xx)).sqrt(),
            b_error: (variance / self.xx).sqrt(),
            residual_sd: variance.sqrt(),
            n: self.n,
        })
    }
}

impl FromIterator<(f64, f64)> for Line {
    fn from_iter<I: IntoIterator<Item = (f64, f64)>>(points: I) -> Line {
        let mut all = Line::default();
        points.into_iter().for_each(|(x, y)| all.push(x, y));
        all
    }
}

impl Fit {
    /// y at x = 0 with its 95 % interval.
    pub fn intercept(&self, unit: &'static str) -> Estimate {
        self.with(self.a, self.a_error, unit)
    }

    /// The rise with its 95 % interval.
    pub fn slope(&self, unit: &'static str) -> Estimate {
        self.with(self.b, self.b_error, unit)
    }

    fn with(&self, value: f64, error: f64, unit: &'static str) -> Estimate {
        Estimate {
            value,
            half_width: student_t(self.n - 2) * error,
            unit,
            n: self.n,
        }
    }
}
