//! Nozzle sizes, flow by pressure, and the rate that comes of it.

use crate::drops::DropError;

/// Nominal sizes and their flow at 300 kPa in litres a minute: ISO 10625:2018, Table 1,
/// from memory. A size's number is a tenth of its flow in US gallons a minute at 40 psi.
pub const SIZES: [(&str, f64); 12] = [
    ("01", 0.4),
    ("015", 0.6),
    ("02", 0.8),
    ("025", 1.0),
    ("03", 1.2),
    ("04", 1.6),
    ("05", 2.0),
    ("06", 2.4),
    ("08", 3.2),
    ("10", 4.0),
    ("15", 6.0),
    ("20", 8.0),
];

/// Pressure at which the nominal flows are told, in Pa.
pub const NOMINAL_PA: f64 = 300e3;
/// Litres a hectare in one US gallon an acre: 3.785411784 L over 0.40468564224 ha.
pub const L_HA_PER_GPA: f64 = 3.785_411_784 / 0.404_685_642_24;

/// Flow in litres a minute of a nozzle of `size` at `pressure_pa`: `q·√(P / 300 kPa)`, as
/// Bernoulli has it. None for a size that is not in [`SIZES`].
///
/// # Errors
///
/// A pressure outside 10 to 2000 kPa.
pub fn flow_l_min(size: &str, pressure_pa: f64) -> Result<Option<f64>, DropError> {
    crate::drops::error::within(
        "the pressure in kPa",
        pressure_pa / 1000.0,
        (10.0, 2000.0),
        "10 to 2000 kPa",
    )?;
    let nominal = SIZES.iter().find(|s| s.0 == size);
    Ok(nominal.map(|s| s.1 * (pressure_pa / NOMINAL_PA).sqrt()))
}

/// Rate in L/ha of nozzles that give `l_min` each, `spacing_m` apart, at `speed_m_s`.
#[must_use]
pub fn rate_l_ha(l_min: f64, spacing_m: f64, speed_m_s: f64) -> f64 {
    // A hectare is 10,000 m².
    l_min / 60.0 / (spacing_m * speed_m_s) * 10_000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// W. B. McCloskey, P. Andrade-Sanchez, P. W. Brown, "Nozzles and droplets", University
    /// of Arizona Cooperative Extension, 2012, Table 1: US gallons a minute at 40 psi. The
    /// nominal flows at 3 bar are rounded up by 1.3 %.
    const AT_40_PSI: [(&str, f64); 9] = [
        ("01", 0.10),
        ("015", 0.15),
        ("02", 0.20),
        ("025", 0.25),
        ("03", 0.30),
        ("04", 0.40),
        ("05", 0.50),
        ("06", 0.60),
        ("08", 0.80),
    ];
    /// Pascal in one pound-force a square inch: from memory.
    const PSI: f64 = 6894.757;

    #[test]
    fn sizes_give_their_published_flow() {
        for (size, gallons) in AT_40_PSI {
            let flow = flow_l_min(size, 40.0 * PSI)
                .expect("usual")
                .expect("a size");
            let published = gallons * 3.785_411_784;
            println!("{size}: {flow:.4} L/min at 40 psi, published {published:.4}");
            assert!((flow / published - 1.0).abs() < 0.02, "{size}: {flow}");
        }
    }

    /// Twice the flow takes four times the pressure.
    #[test]
    fn flow_goes_with_the_root_of_pressure() {
        let at = |kpa: f64| flow_l_min("02", kpa * 1e3).expect("usual").expect("a size");
        assert!((at(1200.0) / at(300.0) - 2.0).abs() < 1e-12);
        assert!((at(300.0) - 0.8).abs() < 1e-12);
        assert_eq!(flow_l_min("07", 300e3), Ok(None));
        assert!(flow_l_min("02", -1.0).is_err());
    }

    /// 1.3 L/min, 7.8 km/h, 0.5 m: 200 L/ha. "Useful formulae for working out nozzle
    /// selection, forward speed, application rate", Irish Independent, 2011. And
    /// 0.3 US gal/min at 20 in and 8 mph: 11.1 gal/acre; the constant 5940 is that of
    /// Missouri Extension G1270a.
    #[test]
    fn rates_are_the_published_ones() {
        assert!((rate_l_ha(1.3, 0.5, 7.8 / 3.6) / 200.0 - 1.0).abs() < 1e-12);
        let metric = rate_l_ha(0.3 * 3.785_411_784, 20.0 * 0.0254, 8.0 * 0.44704);
        let gpa = 5940.0 * 0.3 / (8.0 * 20.0);
        assert!(
            (metric / L_HA_PER_GPA / gpa - 1.0).abs() < 1e-9,
            "{metric} {gpa}"
        );
    }
}
