//! How the volume of a spray is shared out among drops of different size.

use super::DropError;
use super::error::within;

/// Smallest and largest drop taken, in metres: below, air no longer acts as a smooth medium
/// at these speeds; above, drops break up in the air.
pub const DIAMETERS_M: (f64, f64) = (10e-6, 3e-3);
/// What the shares of a spectrum may be off the whole by.
const SUM_TOLERANCE: f64 = 1e-3;
/// Spread of the Rosin-Rammler law behind the named classes. From memory: hydraulic
/// nozzles lie between 2.2 and 3.5.
const USUAL_SPREAD: f64 = 2.8;

/// Shares of the sprayed volume by drop size.
#[derive(Clone, Debug, PartialEq)]
pub enum Spectrum {
    /// Points of the cumulative curve: (diameter in metres, share of volume in smaller
    /// drops), between and beyond which the Rosin-Rammler law runs.
    Curve(Vec<(f64, f64)>),
    /// Bins: (diameter in metres, share of volume).
    Bins(Vec<(f64, f64)>),
}

/// The names of drop size classes, from fine to coarse, with the median volume diameter
/// that stands for each, in micrometres.
///
/// ASABE S572 and ISO 25358 class a spray by comparison with reference nozzles and give no
/// fixed diameters. These are middles of the nominal limits that are in use: from memory.
pub const CLASSES: [(&str, f64); 6] = [
    ("very fine", 105.0),
    ("fine", 185.0),
    ("medium", 275.0),
    ("coarse", 365.0),
    ("very coarse", 450.0),
    ("extremely coarse", 575.0),
];

/// Slope-intercept place of a share in the law: `ln(-ln(1 - share))`.
fn law(share: f64) -> f64 {
    (-(-share).ln_1p()).ln()
}

impl Spectrum {
    /// Rosin-Rammler: share of volume in drops below `d` is `1 - exp(-(d/size)^spread)`,
    /// given by its median. P. Rosin, E. Rammler, *Journal of the Institute of Fuel* 7, 1933.
    ///
    /// # Errors
    ///
    /// A median outside 10 µm to 3 mm, or a spread outside 1 to 10.
    pub fn rosin_rammler(median_m: f64, spread: f64) -> Result<Self, DropError> {
        within("spread of the drop sizes", spread, (1.0, 10.0), "1 to 10")?;
        let size = median_m / std::f64::consts::LN_2.powf(1.0 / spread);
        let at = |share: f64| (size * (-(-share).ln_1p()).powf(1.0 / spread), share);
        Self::curve(&[at(0.1), at(0.5), at(0.9)])
    }

    /// A class by its plain name, such as `medium`: see [`CLASSES`]. None for other names.
    #[must_use]
    pub fn class(name: &str) -> Option<Self> {
        let median = CLASSES.iter().find(|c| c.0 == name)?.1;
        Self::rosin_rammler(median * 1e-6, USUAL_SPREAD).ok()
    }

    /// By three diameters in metres: a tenth, half and nine tenths of the volume are in
    /// smaller drops.
    ///
    /// # Errors
    ///
    /// Diameters out of range or that do not grow.
    pub fn deciles(dv10_m: f64, dv50_m: f64, dv90_m: f64) -> Result<Self, DropError> {
        Self::curve(&[(dv10_m, 0.1), (dv50_m, 0.5), (dv90_m, 0.9)])
    }

    fn curve(points: &[(f64, f64)]) -> Result<Self, DropError> {
        grow(points)?;
        Ok(Self::Curve(points.to_vec()))
    }

    /// By bins of (diameter in metres, share of volume).
    ///
    /// # Errors
    ///
    /// No bin, a diameter out of range or order, a share below 0, or shares that do not sum
    /// to 1 within 0.001.
    pub fn bins(bins: &[(f64, f64)]) -> Result<Self, DropError> {
        if bins.is_empty() {
            return Err(DropError::Empty);
        }
        grow(bins)?;
        for &(_, share) in bins {
            within(
                "a share of the drop spectrum",
                share,
                (0.0, 1.0),
                "shares of the volume from 0 to 1",
            )?;
        }
        let sum: f64 = bins.iter().map(|b| b.1).sum();
        if (sum - 1.0).abs() > SUM_TOLERANCE {
            return Err(DropError::Sum { sum });
        }
        Ok(Self::Bins(
            bins.iter().map(|&(d, share)| (d, share / sum)).collect(),
        ))
    }

    /// The diameter in metres below which `share` of the volume is, 0 to 1 without the ends.
    ///
    /// Between bins the cumulative curve runs straight over the logarithm of the diameter
    /// through the middle of each bin's share.
    #[must_use]
    pub fn diameter(&self, share: f64) -> f64 {
        let points: Vec<(f64, f64)> = match self {
            Self::Curve(points) => points.iter().map(|&(d, v)| (law(v), d.ln())).collect(),
            Self::Bins(bins) => {
                let mut below = 0.0;
                let middles = bins.iter().map(|&(d, v)| {
                    below += v;
                    (below - 0.5 * v, d.ln())
                });
                middles.collect()
            }
        };
        let at = match self {
            Self::Curve(_) => law(share),
            Self::Bins(_) => share.clamp(points[0].0, points[points.len() - 1].0),
        };
        let (low, high) = DIAMETERS_M;
        match points[..] {
            [only] => only.1.exp(),
            _ => {
                let next = points
                    .partition_point(|p| p.0 < at)
                    .clamp(1, points.len() - 1);
                let (a, b) = (points[next - 1], points[next]);
                let part = if b.0 > a.0 {
                    (at - a.0) / (b.0 - a.0)
                } else {
                    0.5
                };
                (a.1 + (b.1 - a.1) * part).exp().clamp(low, high)
            }
        }
    }

    /// The spectrum as at least one and, for a curve, `count` drops that stand for equal
    /// shares: (diameter in metres, share of volume), from small to large. Bins are taken as
    /// they are.
    #[must_use]
    pub fn drops(&self, count: usize) -> Vec<(f64, f64)> {
        match self {
            Self::Bins(bins) => bins.iter().copied().filter(|b| b.1 > 0.0).collect(),
            Self::Curve(_) => {
                let n = count.max(1) as f64;
                (0..count.max(1))
                    .map(|i| (self.diameter((i as f64 + 0.5) / n), 1.0 / n))
                    .collect()
            }
        }
    }
}

/// Refuses diameters out of range or out of order.
fn grow(points: &[(f64, f64)]) -> Result<(), DropError> {
    for &(diameter, _) in points {
        within(
            "a drop diameter in µm",
            diameter * 1e6,
            (DIAMETERS_M.0 * 1e6, DIAMETERS_M.1 * 1e6),
            "10 to 3000 µm",
        )?;
    }
    for pair in points.windows(2) {
        if pair[1].0 <= pair[0].0 {
            let um = |d: f64| (d * 1e9).round() * 1e-3;
            return Err(DropError::Order {
                before: um(pair[0].0),
                after: um(pair[1].0),
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn below(spectrum: &Spectrum, diameter: f64) -> f64 {
        let drops = spectrum.drops(2000);
        drops.iter().filter(|d| d.0 < diameter).map(|d| d.1).sum()
    }

    /// Share of volume in drops below 150 µm: medium at most 20 %, coarse below 10 %, very
    /// coarse below 5 %. Grains Research and Development Corporation, *Spray application
    /// manual*, module 4.2.
    #[test]
    fn classes_hold_no_more_fine_drops_than_the_manual_says() {
        for (name, most) in [("medium", 0.20), ("coarse", 0.10), ("very coarse", 0.05)] {
            let spectrum = Spectrum::class(name).expect("a class");
            let share = below(&spectrum, 150e-6);
            println!("{name}: {:.1} % of the volume below 150 µm", 100.0 * share);
            assert!(share <= most && share > 0.2 * most, "{name}: {share}");
        }
        assert_eq!(Spectrum::class("Medium-ish"), None);
    }

    #[test]
    fn a_curve_gives_its_own_points_and_the_law_between() {
        let s = Spectrum::deciles(150e-6, 300e-6, 450e-6).expect("grows");
        for (share, d) in [(0.1, 150e-6), (0.5, 300e-6), (0.9, 450e-6)] {
            assert!((s.diameter(share) / d - 1.0).abs() < 1e-12);
        }
        // Rosin-Rammler at its size: 1 - 1/e of the volume, whatever the spread.
        let s = Spectrum::rosin_rammler(300e-6, 3.0).expect("usual");
        let size = 300e-6 / std::f64::consts::LN_2.powf(1.0 / 3.0);
        assert!((s.diameter(1.0 - (-1.0_f64).exp()) / size - 1.0).abs() < 1e-9);
        let sum: f64 = s.drops(40).iter().map(|d| d.1).sum();
        assert!((sum - 1.0).abs() < 1e-12);
    }

    #[test]
    fn bins_give_their_median() {
        let s = Spectrum::bins(&[(100e-6, 0.25), (200e-6, 0.5), (400e-6, 0.25)]).expect("right");
        assert!((s.diameter(0.5) / 200e-6 - 1.0).abs() < 1e-12);
        assert!(s.diameter(0.01) >= 100e-6 - 1e-12 && s.diameter(0.99) <= 400e-6 + 1e-12);
        let one = Spectrum::bins(&[(250e-6, 1.0)]).expect("one size");
        assert_eq!(
            (one.diameter(0.1), one.drops(9)),
            (250e-6, vec![(250e-6, 1.0)])
        );
    }

    #[test]
    fn impossible_spectra_are_refused() {
        let sum = Spectrum::bins(&[(100e-6, 0.25), (200e-6, 0.5)]).unwrap_err();
        assert_eq!(sum, DropError::Sum { sum: 0.75 });
        assert_eq!(Spectrum::bins(&[]), Err(DropError::Empty));
        assert!(matches!(
            Spectrum::deciles(300e-6, 200e-6, 400e-6),
            Err(DropError::Order { .. })
        ));
        for bins in [
            &[(100e-6, -0.5), (200e-6, 1.5)][..],
            &[(1e-6, 1.0)],
            &[(f64::NAN, 1.0)],
            &[(1e-4, f64::NAN)],
        ] {
            let refused = Spectrum::bins(bins);
            assert!(
                matches!(refused, Err(DropError::Number { .. })),
                "{refused:?}"
            );
        }
        assert!(Spectrum::rosin_rammler(300e-6, f64::INFINITY).is_err());
    }
}
