//! Figures against reference sets with certified values.
//!
//! NIST Statistical Reference Datasets (StRD), National Institute of Standards and Technology:
//! univariate sets NumAcc1, NumAcc3 and NumAcc4, linear regression set Norris (J. Norris, ozone
//! calibration). Data and certified values from memory; that they agree to ten digits speaks
//! for both.

use calibration::Moments;
use calibration::line::Line;

fn close(got: f64, wanted: f64, relative: f64) {
    assert!((got / wanted - 1.0).abs() < relative, "{got} for {wanted}");
}

#[test]
fn moments_of_numbers_that_hardly_differ() {
    let one: Moments = [10_000_001.0, 10_000_003.0, 10_000_002.0]
        .into_iter()
        .collect();
    close(one.average(), 10_000_002.0, 1e-15);
    close(one.sd().expect("three"), 1.0, 1e-12);
    for (whole, digits) in [(1_000_000.0, 1e-9), (10_000_000.0, 1e-8)] {
        let mut all = Moments::default();
        all.push(whole + 0.2);
        for _ in 0..500 {
            all.push(whole + 0.1);
            all.push(whole + 0.3);
        }
        assert_eq!(all.n(), 1001);
        close(all.average(), whole + 0.2, 1e-14);
        // The numbers themselves have so many digits in binary.
        close(all.sd().expect("many"), 0.1, digits);
    }
}

const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
];

#[test]
fn a_line_through_norris() {
    let fit = NORRIS.into_iter().collect::<Line>().fit().expect("a line");
    close(fit.a, -0.262_323_073_774_029, 1e-11);
    close(fit.b, 1.002_116_818_020_45, 1e-12);
    // Residuals are what is left of sums 10⁵ times as large: five digits go.
    close(fit.a_error, 0.232_818_234_301_152, 1e-10);
    close(fit.b_error, 0.429_796_848_199_937e-3, 1e-10);
    close(fit.residual_sd, 0.884_796_396_144_373, 1e-10);
    // Half widths by Student's 34 degrees of freedom: 2.0322 (NIST handbook, table 1.3.6.7.2).
    close(fit.slope("").half_width, 2.0322 * 0.429_796_848e-3, 1e-4);
}
