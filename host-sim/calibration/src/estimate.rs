//! A figure with its uncertainty, and what is needed to make one from samples.
//!
//! Formulas: the mean's interval is Student's (W. S. Gosset, "The probable error of a mean",
//! Biometrika 6, 1908), the spread's by chi squared, running moments by B. P. Welford ("Note on a
//! method for calculating corrected sums of squares and products", Technometrics 4, 1962) and
//! merged as T. F. Chan, G. H. Golub and R. J. LeVeque have it ("Updating formulae and a pairwise
//! algorithm for computing sample variances", 1979).

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

/// Share of the cases in which an interval of this crate holds the truth.
pub const CONFIDENCE: f64 = 0.95;

/// Median absolute deviation to standard deviation of a normal distribution: 1/Φ⁻¹(3/4).
const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// A figure, and half the width of its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Half the 95 % interval; infinite where it can't be told, as from one sample.
    #[serde(serialize_with = "finite_or_null")]
    pub half_width: f64,
    /// Unit of both.
    pub unit: &'static str,
    /// Samples that it was made from.
    pub n: usize,
}

fn finite_or_null<S: serde::Serializer>(x: &f64, to: S) -> Result<S::Ok, S::Error> {
    match x.is_finite() {
        true => to.serialize_some(x),
        false => to.serialize_none(),
    }
}

impl Estimate {
    /// The mean of samples with Student's interval; none without samples.
    pub fn mean(samples: &[f64], unit: &'static str) -> Option<Estimate> {
        samples.iter().copied().collect::<Moments>().mean(unit)
    }

    /// The same figure in another unit: value and interval times `factor`.
    #[must_use]
    pub fn scaled(self, factor: f64, unit: &'static str) -> Estimate {
        Estimate {
            value: self.value * factor,
            half_width: self.half_width * factor.abs(),
            unit,
            ..self
        }
    }

    /// True where the interval holds `x`.
    pub fn holds(&self, x: f64) -> bool {
        (x - self.value).abs() <= self.half_width
    }

    /// Decimals with which the figure is worth writing: two digits of the interval, 0 to 9.
    /// Without an interval six digits of the value.
    pub fn decimals(&self) -> usize {
        let digits = |x: f64, keep: i32| {
            let top = x.abs().log10().floor() as i32;
            (keep - 1 - top).clamp(0, 9) as usize
        };
        match (
            self.half_width > 0.0 && self.half_width.is_finite(),
            self.value != 0.0,
        ) {
            (true, _) => digits(self.half_width, 2),
            (false, true) => digits(self.value, 6),
            (false, false) => 0,
        }
    }
}

impl std::fmt::Display for Estimate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let p = self.decimals();
        match self.half_width.is_finite() {
            true => write!(
                f,
                "{:.p$} ± {:.p$} {}",
                self.value, self.half_width, self.unit
            ),
            false => write!(f, "{:.p$} ± ? {}", self.value, self.unit),
        }
    }
}

/// Count, mean and spread of a stream of samples, in fixed memory.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moments {
    n: usize,
    mean: f64,
    squares: f64,
}

impl Moments {
    /// Takes one sample in.
    pub fn push(&mut self, x: f64) {
        self.n += 1;
        let off = x - self.mean;
        self.mean += off / self.n as f64;
        self.squares += off * (x - self.mean);
    }

    /// Takes in all that another has taken.
    pub fn merge(&mut self, other: &Moments) {
        if other.n == 0 {
            return;
        }
        let (a, b) = (self.n as f64, other.n as f64);
        let off = other.mean - self.mean;
        self.n += other.n;
        self.mean += off * b / (a + b);
        self.squares += other.squares + off * off * a * b / (a + b);
    }

    /// Samples taken.
    pub fn n(&self) -> usize {
        self.n
    }

    /// Mean of the samples; 0 without any.
    pub fn average(&self) -> f64 {
        self.mean
    }

    /// Standard deviation of one sample; none below two.
    pub fn sd(&self) -> Option<f64> {
        (self.n >= 2).then(|| (self.squares / (self.n - 1) as f64).max(0.0).sqrt())
    }

    /// The mean with Student's interval; none without samples, and an infinite one from one.
    pub fn mean(&self, unit: &'static str) -> Option<Estimate> {
        let half_width = match self.sd() {
            Some(sd) => student_t(self.n - 1) * sd / (self.n as f64).sqrt(),
            None => f64::INFINITY,
        };
        (self.n > 0).then_some(Estimate {
            value: self.mean,
            half_width,
            unit,
            n: self.n,
        })
    }

    /// The standard deviation; half the width of its interval by chi squared. None below two.
    pub fn spread(&self, unit: &'static str) -> Option<Estimate> {
        let value = self.sd()?;
        let (low, high) = sd_interval(value, self.n)?;
        Some(Estimate {
            value,
            half_width: 0.5 * (high - low),
            unit,
            n: self.n,
        })
    }
}

impl FromIterator<f64> for Moments {
    fn from_iter<I: IntoIterator<Item = f64>>(samples: I) -> Moments {
        let mut all = Moments::default();
        samples.into_iter().for_each(|x| all.push(x));
        all
    }
}

/// Student's two-sided 95 % factor with `freedom` degrees of freedom; infinite for 0.
pub fn student_t(freedom: usize) -> f64 {
    student_t_at(0.5 + 0.5 * CONFIDENCE, freedom)
}

/// Student's quantile: the value below which the share `p` lies, 0 < p < 1; infinite without a
/// degree of freedom.
pub fn student_t_at(p: f64, freedom: usize) -> f64 {
    match StudentsT::new(0.0, 1.0, freedom as f64) {
        Ok(t) if p > 0.0 && p < 1.0 => t.inverse_cdf(p),
        _ => f64::INFINITY,
    }
}

/// The normal distribution's quantile, 0 < p < 1; infinite outside.
pub fn normal_at(p: f64) -> f64 {
    match Normal::new(0.0, 1.0) {
        Ok(z) if p > 0.0 && p < 1.0 => z.inverse_cdf(p),
        _ => f64::INFINITY,
    }
}

/// The 95 % interval of a standard deviation told by `n` normal samples; none below two.
pub fn sd_interval(sd: f64, n: usize) -> Option<(f64, f64)> {
    let freedom = n.checked_sub(1).filter(|&f| f > 0)? as f64;
    let chi = ChiSquared::new(freedom).ok()?;
    let tail = 0.5 - 0.5 * CONFIDENCE;
    let end = |p: f64| sd * (freedom / chi.inverse_cdf(p)).sqrt();
    Some((end(1.0 - tail), end(tail)))
}

/// The middle of samples; none without any. Sorts them.
pub fn median(samples: &mut [f64]) -> Option<f64> {
    samples.sort_unstable_by(f64::total_cmp);
    let n = samples.len();
    match n % 2 {
        _ if n == 0 => None,
        1 => Some(samples[n / 2]),
        _ => Some(0.5 * (samples[n / 2 - 1] + samples[n / 2])),
    }
}

/// What counts as an outlier: farther from the median than a number of robust standard
/// deviations (F. R. Hampel, "The influence curve and its role in robust estimation", JASA 69,
/// 1974: the median absolute deviation).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fence {
    /// The middle.
    pub median: f64,
    /// Robust standard deviation: 1.4826 times the median absolute deviation.
    pub sd: f64,
    /// Farthest from the middle that still counts.
    pub reach: f64,
}

impl Fence {
    /// The fence of samples at `sds` robust standard deviations, and never nearer than `least`
    /// (the resolution of the samples, lest equal ones fence out a step). None without samples.
    pub fn of(samples: &[f64], sds: f64, least: f64) -> Option<Fence> {
        let mut copy = samples.to_vec();
        let middle = median(&mut copy)?;
        copy.iter_mut().for_each(|x| *x = (*x - middle).abs());
        let sd = MAD_TO_SD * median(&mut copy)?;
        Some(Fence {
            median: middle,
            sd,
            reach: (sds * sd).max(least),
        })
    }

    /// True for what lies within.
    pub fn keeps(&self, x: f64) -> bool {
        (x - self.median).abs() <= self.reach
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, off: f64) {
        assert!((a - b).abs() <= off, "{a} against {b}");
    }

    // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 "Critical values of the
    // Student's t distribution", column 0.975.
    #[test]
    fn students_factors_are_the_tables() {
        for (freedom, t) in [
            (1, 12.706),
            (2, 4.303),
            (5, 2.571),
            (10, 2.228),
            (30, 2.042),
            (100, 1.984),
        ] {
            close(student_t(freedom), t, 5e-4);
        }
        assert!(student_t(0).is_infinite());
    }

    // The same handbook, 1.3.6.7.4, critical values of chi squared, 10 degrees of freedom:
    // 3.247 and 20.483.
    #[test]
    fn a_spreads_interval_is_by_chi_squared() {
        let (low, high) = sd_interval(2.0, 11).expect("eleven samples");
        close(low, 2.0 * (10.0f64 / 20.483).sqrt(), 1e-3);
        close(high, 2.0 * (10.0f64 / 3.247).sqrt(), 1e-3);
        assert!(sd_interval(1.0, 1).is_none());
    }

    #[test]
    fn merged_moments_are_those_of_all() {
        let x = [3.0, 1.5, -2.0, 8.0, 8.0, 0.25];
        let mut a: Moments = x[..2].iter().copied().collect();
        a.merge(&x[2..].iter().copied().collect());
        a.merge(&Moments::default());
        let all: Moments = x.into_iter().collect();
        close(a.average(), all.average(), 1e-12);
        close(a.sd().expect("six"), all.sd().expect("six"), 1e-12);
    }

    #[test]
    fn one_sample_has_no_interval_and_none_no_figure() {
        assert!(Estimate::mean(&[], "ms").is_none());
        let one = Estimate::mean(&[4.0], "ms").expect("one");
        assert!(one.half_width.is_infinite() && one.to_string() == "4.00000 ± ? ms");
    }

    #[test]
    fn figures_are_written_to_two_digits_of_their_interval() {
        let of = |value, half_width| Estimate {
            value,
            half_width,
            unit: "ms",
            n: 9,
        };
        assert_eq!(of(20.1234, 0.0567).to_string(), "20.123 ± 0.057 ms");
        assert_eq!(of(20123.4, 56.7).to_string(), "20123 ± 57 ms");
        assert_eq!(of(130.0, 0.0).decimals(), 3);
    }

    #[test]
    fn a_fence_keeps_the_bulk_and_one_step_of_resolution() {
        let fence = Fence::of(&[1.0, 1.1, 0.9, 1.0, 9.0], 5.0, 0.0).expect("five");
        assert!(fence.keeps(1.3) && !fence.keeps(9.0));
        let equal = Fence::of(&[2.0; 8], 5.0, 0.1).expect("eight");
        assert!(equal.keeps(2.1) && !equal.keeps(2.2));
    }
}
