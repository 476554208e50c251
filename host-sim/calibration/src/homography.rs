//! How a detector's picture of the ground lies on the ground: as it stands (places, yaw, scale)
//! and as any plane seen from anywhere (a homography).
//!
//! The homography is found by the direct linear transformation on normalised points (R. Hartley,
//! A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd edition 2003, algorithm 4.2;
//! normalisation: R. Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19, 1997),
//! with h33 = 1, and then refined by Gauss-Newton on the places on the ground.

use crate::least_squares;

/// A point, m.
pub type Point = (f64, f64);

/// What lies where: as the detector tells it, and on the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// As the detector tells it.
    pub seen: Point,
    /// On the ground.
    pub ground: Point,
}

/// Moved, turned and scaled: what a detector does that is mounted off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Similarity {
    /// Ground place of the detector's own (0, 0).
    pub origin: Point,
    /// Standard error of both.
    pub origin_error: f64,
    /// Turned to the right, seen from above with x forward and y right, rad.
    pub yaw_rad: f64,
    /// Its standard error.
    pub yaw_error: f64,
    /// Ground over what the detector tells.
    pub scale: f64,
    /// Its standard error.
    pub scale_error: f64,
    /// Standard deviation of a coordinate about the fit.
    pub residual_sd: f64,
    /// Coordinates less figures.
    pub freedom: usize,
}

impl Similarity {
    /// The best for these pairs; none where they can't tell: fewer than two places.
    #[must_use]
    pub fn fit(pairs: &[Pair]) -> Option<Similarity> {
        let mut rows = Vec::with_capacity(2 * pairs.len());
        let mut values = Vec::with_capacity(2 * pairs.len());
        for Pair { seen, ground } in pairs {
            rows.push(vec![1.0, 0.0, seen.0, -seen.1]);
            rows.push(vec![0.0, 1.0, seen.1, seen.0]);
            values.extend([ground.0, ground.1]);
        }
        let fit = least_squares::solve(&rows, &values)?;
        let [x, y, p, q] = fit.coefficients[..] else {
            return None;
        };
        let scale = p.hypot(q);
        Some(Similarity {
            origin: (x, y),
            origin_error: fit.errors[0],
            yaw_rad: q.atan2(p),
            // Both columns are as long, and at right angles: p and q err alike.
            yaw_error: fit.errors[3] / scale,
            scale,
            scale_error: fit.errors[2],
            residual_sd: fit.residual_sd,
            freedom: fit.freedom,
        })
    }

    /// Where on the ground that lies which the detector tells.
    #[must_use]
    pub fn map(&self, seen: Point) -> Point {
        let (sin, cos) = self.yaw_rad.sin_cos();
        (
            self.origin.0 + self.scale * (cos * seen.0 - sin * seen.1),
            self.origin.1 + self.scale * (sin * seen.0 + cos * seen.1),
        )
    }
}

/// A plane seen from anywhere: a matrix by rows, the last number 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homography(pub [[f64; 3]; 3]);

/// Moves points to their middle and scales them to √2 from it on average.
#[derive(Clone, Copy)]
struct Normal {
    middle: Point,
    scale: f64,
}

impl Normal {
    fn of(points: impl Iterator<Item = Point> + Clone) -> Option<Normal> {
        let n = points.clone().count() as f64;
        let sum = points
            .clone()
            .fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        let middle = (sum.0 / n, sum.1 / n);
        let away: f64 = points
            .map(|p| (p.0 - middle.0).hypot(p.1 - middle.1))
            .sum::<f64>()
            / n;
        (away > 0.0 && away.is_finite()).then_some(Normal {
            middle,
            scale: std::f64::consts::SQRT_2 / away,
        })
    }

    fn to(self, p: Point) -> Point {
        (
            (p.0 - self.middle.0) * self.scale,
            (p.1 - self.middle.1) * self.scale,
        )
    }
}

impl Homography {
    /// The best for these pairs; none where they can't tell: fewer than four, or all but one of
    /// them on one line.
    #[must_use]
    pub fn fit(pairs: &[Pair]) -> Option<Homography> {
        let from = Normal::of(pairs.iter().map(|p| p.seen))?;
        let to = Normal::of(pairs.iter().map(|p| p.ground))?;
        let mut rows = Vec::with_capacity(2 * pairs.len());
        let mut values = Vec::with_capacity(2 * pairs.len());
        for pair in pairs {
            let ((x, y), (u, v)) = (from.to(pair.seen), to.to(pair.ground));
            rows.push(vec![x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y]);
            rows.push(vec![0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y]);
            values.extend([u, v]);
        }
        let h = least_squares::solve(&rows, &values)?.coefficients;
        // Four pairs leave nothing to refine.
        let h = match pairs.len() {
            4 => h,
            _ => refine(h, pairs, from, to),
        };
        let inner = [[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]];
        let before = [
            [from.scale, 0.0, -from.scale * from.middle.0],
            [0.0, from.scale, -from.scale * from.middle.1],
            [0.0, 0.0, 1.0],
        ];
        let after = [
            [1.0 / to.scale, 0.0, to.middle.0],
            [0.0, 1.0 / to.scale, to.middle.1],
            [0.0, 0.0, 1.0],
        ];
        let whole = times(&after, &times(&inner, &before));
        let last = whole[2][2];
        (last.abs() > 1e-12).then(|| Homography(whole.map(|row| row.map(|x| x / last))))
    }

    /// Where on the ground that lies which the detector tells; not finite on the horizon.
    #[must_use]
    pub fn map(&self, seen: Point) -> Point {
        let row = |r: &[f64; 3]| r[0] * seen.0 + r[1] * seen.1 + r[2];
        let [x, y, w] = self.0.each_ref().map(row);
        (x / w, y / w)
    }
}

/// Gauss-Newton on the normalised ground; keeps the start where a step does not help.
fn refine(mut h: Vec<f64>, pairs: &[Pair], from: Normal, to: Normal) -> Vec<f64> {
    let parts = |h: &[f64], p: Point| {
        (
            h[0] * p.0 + h[1] * p.1 + h[2],
            h[3] * p.0 + h[4] * p.1 + h[5],
            h[6] * p.0 + h[7] * p.1 + 1.0,
        )
    };
    let squares = |h: &[f64]| -> f64 {
        pairs
            .iter()
            .map(|pair| {
                let ((u, v, w), want) = (parts(h, from.to(pair.seen)), to.to(pair.ground));
                (u / w - want.0).powi(2) + (v / w - want.1).powi(2)
            })
            .sum()
    };
    let mut best = squares(&h);
    for _ in 0..10 {
        let mut rows = Vec::with_capacity(2 * pairs.len());
        let mut left = Vec::with_capacity(2 * pairs.len());
        for pair in pairs {
            let (p, want) = (from.to(pair.seen), to.to(pair.ground));
            let (u, v, w) = parts(&h, p);
            let (u, v) = (u / w, v / w);
            let (x, y, one) = (p.0 / w, p.1 / w, 1.0 / w);
            rows.push(vec![x, y, one, 0.0, 0.0, 0.0, -u * x, -u * y]);
            rows.push(vec![0.0, 0.0, 0.0, x, y, one, -v * x, -v * y]);
            left.extend([want.0 - u, want.1 - v]);
        }
        let Some(step) = least_squares::solve(&rows, &left) else {
            break;
        };
        let next: Vec<f64> = h
            .iter()
            .zip(&step.coefficients)
            .map(|(h, d)| h + d)
            .collect();
        let found = squares(&next);
        if found.is_nan() || found >= best {
            break;
        }
        (h, best) = (next, found);
    }
    h
}

fn times(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let mut out = [[0.0; 3]; 3];
    for (row, a) in out.iter_mut().zip(a) {
        for (j, x) in row.iter_mut().enumerate() {
            *x = a.iter().zip(b).map(|(a, b)| a * b[j]).sum();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid() -> Vec<Point> {
        (0..12)
            .map(|i| (f64::from(i / 4) * 0.4, f64::from(i % 4) * 0.5 - 0.75))
            .collect()
    }

    fn near(a: Point, b: Point, off: f64) {
        assert!(
            (a.0 - b.0).abs() < off && (a.1 - b.1).abs() < off,
            "{a:?} {b:?}"
        );
    }

    // A square to a square that is turned a quarter to the right: x forward becomes y right.
    #[test]
    fn a_quarter_turn_is_a_yaw_to_the_right() {
        let pairs: Vec<_> = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]
            .map(|(x, y)| Pair {
                seen: (x, y),
                ground: (3.0 - y, 5.0 + x),
            })
            .to_vec();
        let s = Similarity::fit(&pairs).expect("four");
        near(s.origin, (3.0, 5.0), 1e-12);
        assert!((s.yaw_rad - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
        assert!((s.scale - 1.0).abs() < 1e-12);
    }

    // Hartley and Zisserman's own form: any matrix that is told by exact points is found again.
    #[test]
    fn a_homography_is_found_again() {
        let truth = Homography([[1.02, 0.03, 1.2], [-0.04, 0.97, 0.1], [0.05, -0.02, 1.0]]);
        let pairs: Vec<_> = grid()
            .into_iter()
            .map(|seen| Pair {
                seen,
                ground: truth.map(seen),
            })
            .collect();
        let found = Homography::fit(&pairs).expect("a grid");
        for (a, b) in found.0.iter().flatten().zip(truth.0.iter().flatten()) {
            assert!((a - b).abs() < 1e-10, "{found:?}");
        }
        // Four corners are enough, and exact too.
        let corners: Vec<_> = [0, 3, 8, 11].map(|i| pairs[i]).to_vec();
        let found = Homography::fit(&corners).expect("corners");
        near(found.map((0.31, 0.12)), truth.map((0.31, 0.12)), 1e-9);
        assert!(Homography::fit(&corners[..3]).is_none());
    }

    #[test]
    fn a_line_of_points_tells_no_plane() {
        let pairs: Vec<_> = (0..9)
            .map(|i| {
                let x = f64::from(i) * 0.2;
                Pair {
                    seen: (x, 2.0 * x),
                    ground: (x + 1.0, 2.0 * x),
                }
            })
            .collect();
        assert!(Homography::fit(&pairs).is_none());
        let one = [pairs[0]; 5];
        assert!(Homography::fit(&one).is_none() && Similarity::fit(&one).is_none());
    }
}
