//! Drops against values from outside the project. The source stands beside each.

use super::*;

/// R. Gunn, G. D. Kinzer, *Journal of Meteorology* 6:243-248, 1949, Table 2: drops of water
/// in still air of 20 °C, diameter in mm and terminal speed in m/s.
const GUNN_KINZER: [(f64, f64); 15] = [
    (0.1, 0.27),
    (0.2, 0.72),
    (0.3, 1.17),
    (0.4, 1.62),
    (0.5, 2.06),
    (0.6, 2.47),
    (0.7, 2.87),
    (0.8, 3.27),
    (0.9, 3.67),
    (1.0, 4.03),
    (1.2, 4.64),
    (1.4, 5.17),
    (1.6, 5.65),
    (1.8, 6.09),
    (2.0, 6.49),
];

#[test]
fn drops_settle_as_gunn_and_kinzer_measured() {
    let air = Air::at(20.0);
    for (mm, measured) in GUNN_KINZER {
        let found = Sphere::water(mm * 1e-3).settles_at(air);
        let off = found / measured - 1.0;
        println!(
            "{mm} mm: {found:.3} m/s, measured {measured}, {:+.1} %",
            100.0 * off
        );
        // Finer than 0.2 mm the table has too few digits; above 1.8 mm drops are no spheres.
        let limit = if (0.2..=1.8).contains(&mm) {
            0.05
        } else {
            0.10
        };
        assert!(off.abs() < limit, "{mm} mm: {found}");
    }
}

/// A. C. Best, *Quarterly Journal of the Royal Meteorological Society* 76:302, 1950:
/// another curve through other measurements, in cm/s by mm.
#[test]
fn drops_settle_as_best_s_curve() {
    for mm in [0.3, 0.5, 0.8, 1.0, 1.4, 1.8] {
        let best = 9.32 * (1.0 - (-(mm / 1.77_f64).powf(1.147)).exp());
        let found = Sphere::water(mm * 1e-3).settles_at(Air::at(20.0));
        assert!((found / best - 1.0).abs() < 0.07, "{mm}: {found} {best}");
    }
}

/// Schiller and Naumann's law at four Reynolds numbers, worked out from the formula; at 200
/// the mean of five other correlations (Clift 0.7756, Morsi-Alexander 0.7866,
/// Haider-Levenspiel 0.7960, Clift-Gauvin 0.7905, Morrison 0.7677) as the package `fluids`
/// 1.3.1 documents them.
#[test]
fn drag_coefficients_are_the_law_s() {
    for (re, cd) in [(1.0, 27.6), (10.0, 4.151), (100.0, 1.0917), (200.0, 0.8057)] {
        assert!((drag_coefficient(re) / cd - 1.0).abs() < 3e-4, "{re}");
    }
    let others = (0.7756 + 0.7866 + 0.7960 + 0.7905 + 0.7677) / 5.0;
    assert!((drag_coefficient(200.0) / others - 1.0).abs() < 0.05);
}

fn shot(sphere: Sphere, air: Air, velocity: [f64; 3], height: f64, most_s: f64) -> Instant {
    let start = Instant {
        at_s: 0.0,
        place: [0.0, 0.0, height],
        velocity,
    };
    fly(sphere, air, &Still, start, most_s)
        .expect("flies")
        .last()
}

/// Stopping distances at 10 m/s of spheres of unit density in still air: 10 µm 0.23 cm,
/// 100 µm 12.7 cm. W. C. Hinds, *Aerosol Technology*, Table 5.2, as the University of
/// Florida's aerosol course, section 7, gives it.
#[test]
fn drops_stop_where_the_table_says() {
    for (um, cm, limit) in [(10.0, 0.23, 0.03), (100.0, 12.7, 0.03)] {
        let sphere = Sphere {
            diameter: um * 1e-6,
            density: 1000.0,
        };
        let at = shot(sphere, Air::at(20.0), [10.0, 0.0, 0.0], 100.0, 2.0);
        let found = 100.0 * at.place[0];
        println!("{um} µm stops after {found:.4} cm, published {cm} cm");
        assert!((found / cm - 1.0).abs() < limit, "{um}: {found}");
    }
}

/// A sphere of 1 mm and 2200 kg/m³ shot down at 30 m/s through air of 1.2 kg/m³ and
/// 1.78e-5 Pa·s: after 0.5 s 7.82945 m and 9.68646 m/s. Documentation of
/// `integrate_drag_sphere` in the package `fluids` 1.3.1, which uses Barati's drag law; no
/// buoyancy.
#[test]
fn a_shot_sphere_flies_as_published() {
    let sphere = Sphere {
        diameter: 1e-3,
        density: 2200.0,
    };
    let air = Air {
        density: 1.2,
        viscosity: 1.78e-5,
    };
    let at = shot(sphere, air, [0.0, 0.0, -30.0], 100.0, 0.5);
    let (x, v) = (100.0 - at.place[2], -at.velocity[2]);
    println!("after 0.5 s: {x:.4} m (published 7.8295), {v:.4} m/s (published 9.6865)");
    assert!((x / 7.82945 - 1.0).abs() < 0.005, "{x}");
    assert!((v / 9.68646 - 1.0).abs() < 0.02, "{v}");
}

/// 70 µm of 2600 kg/m³ in water of 1000 kg/m³ and 1e-3 Pa·s settle at 4.1425 mm/s:
/// documentation of `v_terminal` in the package `fluids` 1.3.1 (another drag law).
#[test]
fn a_grain_settles_in_water_as_published() {
    let water = Air {
        density: 1000.0,
        viscosity: 1e-3,
    };
    let grain = Sphere {
        diameter: 70e-6,
        density: 2600.0,
    };
    let found = grain.settles_at(water);
    assert!((found / 4.1425e-3 - 1.0).abs() < 0.03, "{found}");
}

/// 200 µm from 0.5 m drift at most 0.25 m in a wind of 15 km/h, 100 µm some 6 m:
/// Ontario Ministry of Agriculture, *HortMatt* 16, 2013, figure 1 (20 °C, 276 kPa). An
/// order of magnitude: their drops evaporate, and their wind is that at the drop.
#[test]
fn drift_has_the_published_order_of_magnitude() {
    let spray = super::tests::usual();
    let wind = Wind {
        side: 15.0 / 3.6,
        ..Wind::default()
    };
    let drift = |um: f64, carried| {
        let spray = Spray {
            pressure_pa: 276e3,
            travel: 0.0,
            wind,
            carried,
            ..spray.clone()
        };
        let stream = spray.stream().expect("a stream");
        let end = spray.land(stream.as_ref(), um * 1e-6, 0.0).expect("flies");
        end.last().place[1]
    };
    for um in [100.0, 200.0] {
        println!(
            "{um} µm drift {:.2} m carried, {:.2} m in air that keeps still",
            drift(um, Carried::Everything),
            drift(um, Carried::Nothing)
        );
    }
    assert!(drift(200.0, Carried::Everything) < 0.3);
    assert!((1.5..12.0).contains(&drift(100.0, Carried::Nothing)));
}
