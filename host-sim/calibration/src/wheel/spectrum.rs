//! How strongly each period comes in a series: a periodogram against what lies around it.

use std::f64::consts::PI;

/// A complex number.
type Pair = (f64, f64);

/// Discrete Fourier transform in place; the length is a power of two. J. W. Cooley, J. W. Tukey,
/// "An algorithm for the machine calculation of complex Fourier series", 1965.
fn transform(x: &mut [Pair]) {
    let n = x.len();
    let bits = n.trailing_zeros();
    for i in 0..n {
        let j = i.reverse_bits() >> (usize::BITS - bits.max(1));
        if bits > 0 && j > i {
            x.swap(i, j);
        }
    }
    let mut size = 2;
    while size <= n {
        let half = size / 2;
        let turns: Vec<Pair> = (0..half)
            .map(|k| (-2.0 * PI * k as f64 / size as f64).sin_cos())
            .map(|(s, c)| (c, s))
            .collect();
        for block in x.chunks_exact_mut(size) {
            let (low, high) = block.split_at_mut(half);
            for ((a, b), w) in low.iter_mut().zip(high).zip(&turns) {
                let t = (w.0 * b.0 - w.1 * b.1, w.0 * b.1 + w.1 * b.0);
                *b = (a.0 - t.0, a.1 - t.1);
                *a = (a.0 + t.0, a.1 + t.1);
            }
        }
        size *= 2;
    }
}

/// Power at frequencies from 0 to half a cycle a sample, each over the power around it: 1 on
/// average for noise of any smooth colour.
#[derive(Debug, Clone)]
pub struct Spectrum {
    over: Vec<f64>,
    /// Bins a cycle a sample.
    length: f64,
}

/// Finer than the series' own resolution by this, so that the bin nearest a line has all its power.
const FINER: usize = 4;

impl Spectrum {
    /// Of a series without a mean. The ends are tapered (Hann), so that slow change stays where it
    /// belongs. `around` is how far the surroundings reach to each side, cycles a sample.
    pub fn of(series: &[f64], around: f64) -> Spectrum {
        let n = series.len();
        let length = (FINER * n).next_power_of_two().max(2);
        let mut x = vec![(0.0, 0.0); length];
        for (k, (to, value)) in x.iter_mut().zip(series).enumerate() {
            let taper = 0.5 - 0.5 * (2.0 * PI * (k as f64 + 0.5) / n as f64).cos();
            to.0 = taper * value;
        }
        transform(&mut x);
        let power: Vec<f64> = x[..=length / 2]
            .iter()
            .map(|c| c.0 * c.0 + c.1 * c.1)
            .collect();
        let reach = ((around * length as f64) as usize).max(8 * FINER);
        // A whole bin of the series apart: neighbours in the finer grid say the same.
        let apart = (length / n.max(1)).max(1);
        let mut over = vec![0.0; power.len()];
        let mut near: Vec<f64> = Vec::new();
        let every = (reach / 16).max(1);
        let mut middle = 0.0;
        for k in 0..power.len() {
            if k % every == 0 {
                near.clear();
                let (from, to) = (k.saturating_sub(reach), (k + reach).min(power.len() - 1));
                near.extend(power[from..=to].iter().step_by(apart));
                // The median of exponential power is ln 2 of its mean, and lines hardly move it.
                middle = crate::estimate::median(&mut near).unwrap_or(0.0) / std::f64::consts::LN_2;
            }
            over[k] = if middle > 0.0 { power[k] / middle } else { 0.0 };
        }
        Spectrum {
            over,
            length: length as f64,
        }
    }

    /// Power over its surroundings at a frequency from 0 to 0.5 cycles a sample.
    pub fn at(&self, frequency: f64) -> f64 {
        let k = (frequency * self.length).round() as usize;
        self.over.get(k).copied().unwrap_or(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_transform_is_the_sum_that_defines_it() {
        let x: Vec<Pair> = (0..16)
            .map(|k| (f64::from(k * k % 7), f64::from(k % 3)))
            .collect();
        let mut fast = x.clone();
        transform(&mut fast);
        for (j, got) in fast.iter().enumerate() {
            let sum = x.iter().enumerate().fold((0.0, 0.0), |sum, (k, c)| {
                let (s, w) = (-2.0 * PI * (j * k) as f64 / 16.0).sin_cos();
                (sum.0 + w * c.0 - s * c.1, sum.1 + w * c.1 + s * c.0)
            });
            assert!((sum.0 - got.0).abs() + (sum.1 - got.1).abs() < 1e-9, "{j}");
        }
    }

    #[test]
    fn a_line_stands_out_of_coloured_noise() {
        let mut x = 1u64;
        let (mut slow, mut series) = (0.0, Vec::new());
        for k in 0..1000 {
            x = x
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            slow = 0.9 * slow + (x >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
            series.push(slow + 0.3 * (2.0 * PI * f64::from(k) / 7.0).sin());
        }
        let spectrum = Spectrum::of(&series, 0.02);
        assert!(spectrum.at(1.0 / 7.0) > 30.0, "{}", spectrum.at(1.0 / 7.0));
        let others = (20..490)
            .map(|k| f64::from(k) / 1000.0)
            .filter(|f| (f - 1.0 / 7.0).abs() > 0.005);
        let mean = others.clone().map(|f| spectrum.at(f)).sum::<f64>() / others.count() as f64;
        assert!((0.7..1.4).contains(&mean), "{mean}");
    }
}
