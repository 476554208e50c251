//! Linear least squares by Householder reflections: no normal equations, so that a badly scaled
//! set loses no more digits than it must.
//!
//! G. H. Golub, "Numerical methods for solving linear least squares problems", Numerische
//! Mathematik 7, 1965, 206-216. Columns are scaled to length 1 first.

/// What a fit found.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// One for each column.
    pub coefficients: Vec<f64>,
    /// Standard error of each; infinite where no degree of freedom is left.
    pub errors: Vec<f64>,
    /// What is left of each row: measured less fitted.
    pub residuals: Vec<f64>,
    /// Standard deviation of a row about the fit; infinite where no degree of freedom is left.
    pub residual_sd: f64,
    /// Rows less columns.
    pub freedom: usize,
}

/// Below this share of its column a pivot counts as none.
const RANK: f64 = 1e-13;

/// Finds the coefficients that fit `rows · coefficients = values` best. None where the rows
/// cannot tell them apart: fewer rows than columns, or columns that depend on each other; and
/// where rows are of different lengths or anything is not finite.
#[must_use]
pub fn solve(rows: &[Vec<f64>], values: &[f64]) -> Option<Solution> {
    let (m, n) = (rows.len(), rows.first()?.len());
    let sound = values.len() == m
        && n > 0
        && m >= n
        && rows
            .iter()
            .all(|r| r.len() == n && r.iter().all(|x| x.is_finite()))
        && values.iter().all(|x| x.is_finite());
    if !sound {
        return None;
    }
    let scales: Vec<f64> = (0..n)
        .map(|j| rows.iter().map(|r| r[j] * r[j]).sum::<f64>().sqrt())
        .collect();
    if scales.iter().any(|&s| s <= 0.0 || !s.is_finite()) {
        return None;
    }
    let mut a: Vec<Vec<f64>> = rows
        .iter()
        .map(|r| r.iter().zip(&scales).map(|(x, s)| x / s).collect())
        .collect();
    let mut y = values.to_vec();
    let mut diagonal = vec![0.0; n];
    for k in 0..n {
        let norm = a[k..].iter().map(|r| r[k] * r[k]).sum::<f64>().sqrt();
        if norm <= RANK {
            return None;
        }
        // The sign that adds up, lest digits cancel.
        diagonal[k] = if a[k][k] > 0.0 { -norm } else { norm };
        a[k][k] -= diagonal[k];
        let half = a[k..].iter().map(|r| r[k] * r[k]).sum::<f64>() / 2.0;
        for j in k + 1..n {
            let dot = a[k..].iter().map(|r| r[k] * r[j]).sum::<f64>() / half;
            for row in &mut a[k..] {
                row[j] -= dot * row[k];
            }
        }
        let dot = a[k..]
            .iter()
            .zip(&y[k..])
            .map(|(r, y)| r[k] * y)
            .sum::<f64>()
            / half;
        for (row, y) in a[k..].iter().zip(&mut y[k..]) {
            *y -= dot * row[k];
        }
    }
    // R above the diagonal of `a`, its diagonal apart.
    let back = |right: &[f64]| -> Vec<f64> {
        let mut x = right[..n].to_vec();
        for k in (0..n).rev() {
            let sum: f64 = (k + 1..n).map(|j| a[k][j] * x[j]).sum();
            x[k] = (x[k] - sum) / diagonal[k];
        }
        x
    };
    let coefficients: Vec<f64> = back(&y).iter().zip(&scales).map(|(x, s)| x / s).collect();
    let residuals: Vec<f64> = rows
        .iter()
        .zip(values)
        .map(|(r, v)| v - r.iter().zip(&coefficients).map(|(x, c)| x * c).sum::<f64>())
        .collect();
    let freedom = m - n;
    let residual_sd = match freedom {
        0 => f64::INFINITY,
        some => (residuals.iter().map(|r| r * r).sum::<f64>() / some as f64).sqrt(),
    };
    // Row j of R⁻¹ has the length of the j-th standard error.
    let inverse: Vec<Vec<f64>> = (0..n)
        .map(|j| {
            let mut unit = vec![0.0; n];
            unit[j] = 1.0;
            back(&unit)
        })
        .collect();
    let errors = (0..n)
        .map(|j| {
            let length = inverse
                .iter()
                .map(|column| column[j] * column[j])
                .sum::<f64>();
            residual_sd * length.sqrt() / scales[j]
        })
        .collect();
    Some(Solution {
        coefficients,
        errors,
        residuals,
        residual_sd,
        freedom,
    })
}

#[cfg(test)]
mod tests;
