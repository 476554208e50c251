use super::*;

fn close(got: f64, want: f64, share: f64) {
    assert!(
        (got - want).abs() <= share * want.abs(),
        "{got} against {want}"
    );
}

// NIST Statistical Reference Datasets, linear regression, "NoInt1" and "NoInt2" (lines
// through the origin) with their certified values.
#[test]
fn lines_through_the_origin_are_those_certified() {
    let rows: Vec<_> = (60..=70).map(|x| vec![f64::from(x)]).collect();
    let y: Vec<_> = (130..=140).map(f64::from).collect();
    let fit = solve(&rows, &y).expect("a line");
    close(fit.coefficients[0], 2.074_380_165_289_26, 1e-13);
    close(fit.errors[0], 0.165_289_256_198_347e-1, 1e-12);
    close(fit.residual_sd, 3.567_530_340_063_38, 1e-12);
    let fit = solve(&[vec![4.0], vec![5.0], vec![6.0]], &[3.0, 4.0, 4.0]).expect("a line");
    close(fit.coefficients[0], 0.727_272_727_272_727, 1e-13);
    close(fit.errors[0], 0.420_827_318_078_432e-1, 1e-12);
}

// The same collection, "Wampler1" and "Wampler2": polynomials of the fifth degree through
// x = 0 to 20, every coefficient 1 and 0.1^k, certified with standard error 0.
#[test]
fn polynomials_without_noise_are_those_certified() {
    for base in [1.0_f64, 0.1] {
        let rows: Vec<Vec<f64>> = (0..=20)
            .map(|x| (0..=5).map(|k| f64::from(x).powi(k)).collect())
            .collect();
        let y: Vec<f64> = rows
            .iter()
            .map(|r| (0..=5).map(|k| r[k as usize] * base.powi(k)).sum())
            .collect();
        let fit = solve(&rows, &y).expect("a polynomial");
        for (k, c) in fit.coefficients.iter().enumerate() {
            close(*c, base.powi(k as i32), 1e-8);
        }
    }
}

#[test]
fn what_rows_cannot_tell_is_refused() {
    let dependent: Vec<_> = (0..5)
        .map(|i| vec![f64::from(i), 2.0 * f64::from(i)])
        .collect();
    assert!(solve(&dependent, &[0.0; 5]).is_none());
    assert!(solve(&[vec![1.0, 2.0]], &[1.0]).is_none());
    assert!(solve(&[vec![0.0], vec![0.0]], &[1.0, 2.0]).is_none());
    assert!(solve(&[vec![1.0], vec![f64::NAN]], &[1.0, 2.0]).is_none());
    assert!(solve(&[], &[]).is_none());
    let exact = solve(&[vec![2.0]], &[4.0]).expect("one of one");
    assert!(exact.coefficients == [2.0] && exact.errors[0].is_infinite());
}

// The same collection, "Norris": 36 readings of an ozone monitor against the standard (y, x),
// through the general fit and through the running sums of a line alike.
#[test]
fn the_ozone_monitors_line_is_the_one_certified() {
    let data = [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ];
    let rows: Vec<_> = data.iter().map(|&(_, x)| vec![1.0, x]).collect();
    let y: Vec<_> = data.iter().map(|d| d.0).collect();
    let fit = solve(&rows, &y).expect("a line");
    let line: crate::line::Line = data.iter().map(|&(y, x)| (x, y)).collect();
    let line = line.fit().expect("a line");
    for (got, want) in [
        (fit.coefficients[0], -0.262_323_073_774_029),
        (fit.coefficients[1], 1.002_116_818_020_45),
        (fit.errors[0], 0.232_818_234_301_152),
        (fit.errors[1], 0.429_796_848_199_937e-3),
        (fit.residual_sd, 0.884_796_396_144_373),
    ] {
        close(got, want, 1e-12);
    }
    // Running sums lose some digits where the scatter is small beside the values.
    for (got, want) in [
        (line.a, -0.262_323_073_774_029),
        (line.b, 1.002_116_818_020_45),
        (line.a_error, 0.232_818_234_301_152),
        (line.b_error, 0.429_796_848_199_937e-3),
    ] {
        close(got, want, 1e-9);
    }
}

// The same collection, "Longley" (higher difficulty: six columns that nearly depend on each
// other); its data from memory, the certified values decide whether they are right.
#[test]
fn nearly_dependent_columns_are_those_certified() {
    let data = [
        [60323.0, 83.0, 234289.0, 2356.0, 1590.0, 107608.0, 1947.0],
        [61122.0, 88.5, 259426.0, 2325.0, 1456.0, 108632.0, 1948.0],
        [60171.0, 88.2, 258054.0, 3682.0, 1616.0, 109773.0, 1949.0],
        [61187.0, 89.5, 284599.0, 3351.0, 1650.0, 110929.0, 1950.0],
        [63221.0, 96.2, 328975.0, 2099.0, 3099.0, 112075.0, 1951.0],
        [63639.0, 98.1, 346999.0, 1932.0, 3594.0, 113270.0, 1952.0],
        [64989.0, 99.0, 365385.0, 1870.0, 3547.0, 115094.0, 1953.0],
        [63761.0, 100.0, 363112.0, 3578.0, 3350.0, 116219.0, 1954.0],
        [66019.0, 101.2, 397469.0, 2904.0, 3048.0, 117388.0, 1955.0],
        [67857.0, 104.6, 419180.0, 2822.0, 2857.0, 118734.0, 1956.0],
        [68169.0, 108.4, 442769.0, 2936.0, 2798.0, 120445.0, 1957.0],
        [66513.0, 110.8, 444546.0, 4681.0, 2637.0, 121950.0, 1958.0],
        [68655.0, 112.6, 482704.0, 3813.0, 2552.0, 123366.0, 1959.0],
        [69564.0, 114.2, 502601.0, 3931.0, 2514.0, 125368.0, 1960.0],
        [69331.0, 115.7, 518173.0, 4806.0, 2572.0, 127852.0, 1961.0],
        [70551.0, 116.9, 554894.0, 4007.0, 2827.0, 130081.0, 1962.0],
    ];
    let rows: Vec<Vec<f64>> = data.iter().map(|d| [&[1.0], &d[1..]].concat()).collect();
    let y: Vec<_> = data.iter().map(|d| d[0]).collect();
    let fit = solve(&rows, &y).expect("seven columns");
    let certified = [
        (-3_482_258.634_595_82, 890_420.383_607_373),
        (15.061_872_271_373_3, 84.914_925_774_766_9),
        (-0.358_191_792_925_910e-1, 0.334_910_077_722_432e-1),
        (-2.020_229_803_816_83, 0.488_399_681_651_699),
        (-1.033_226_867_173_59, 0.214_274_163_161_675),
        (-0.511_041_056_535_807e-1, 0.226_073_200_069_370),
        (1_829.151_464_613_55, 455.478_499_142_212),
    ];
    for (k, (value, error)) in certified.into_iter().enumerate() {
        close(fit.coefficients[k], value, 1e-8);
        close(fit.errors[k], error, 1e-8);
    }
    close(fit.residual_sd, 304.854_073_561_965, 1e-9);
}
