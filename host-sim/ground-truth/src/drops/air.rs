//! Air and wind.

/// Air at the place of spraying.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Density in kg/m³.
    pub density: f64,
    /// Dynamic viscosity in Pa·s.
    pub viscosity: f64,
}

impl Air {
    /// Dry air at `temperature_c` degrees Celsius and 101,325 Pa.
    ///
    /// Fits in kelvin, within 0.15 % from -100 to 1000 °C: density `351.99/T + 344.88/T²`,
    /// viscosity `1.4592e-6·T^1.5 / (109.10 + T)`. B. E. Poling, J. M. Prausnitz,
    /// J. P. O'Connell, *The Properties of Gases and Liquids*, 5th ed., 2001.
    #[must_use]
    pub fn at(temperature_c: f64) -> Self {
        let t = temperature_c + 273.15;
        Self {
            density: 351.99 / t + 344.88 / (t * t),
            viscosity: 1.4592e-6 * t.powf(1.5) / (109.10 + t),
        }
    }
}

/// Height at which wind is told, in metres: common practice of weather stations near a
/// field, no source.
pub const WIND_HEIGHT_M: f64 = 2.0;
/// Roughness length of bare fallow ground, in metres: from memory, 1 to 10 mm.
pub const BARE_GROUND_M: f64 = 0.005;

/// Steady wind, the same everywhere but for its height; no gusts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wind {
    /// Air's speed against travel at [`WIND_HEIGHT_M`], in m/s: above 0 it meets the
    /// machine, below 0 it follows it.
    pub head: f64,
    /// Air's speed to the right of travel at [`WIND_HEIGHT_M`], in m/s.
    pub side: f64,
    /// Roughness length of the ground in metres; 0 for the same wind at every height.
    pub roughness_m: f64,
}

impl Wind {
    /// The air's velocity (forward, right) at `z` metres above the ground, in m/s.
    ///
    /// The logarithmic profile of a neutral surface layer, `u ∝ ln(1 + z/z₀)`, which is 0
    /// on the ground. Textbook form, from memory.
    #[must_use]
    pub fn at(&self, z: f64) -> (f64, f64) {
        let share = if self.roughness_m > 0.0 {
            (z.max(0.0) / self.roughness_m).ln_1p() / (WIND_HEIGHT_M / self.roughness_m).ln_1p()
        } else {
            1.0
        };
        (-self.head * share, self.side * share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Air at 20 °C and 1 atm: 1.204 kg/m³ and 1.825e-5 Pa·s, table of Y. A. Çengel,
    /// *Heat Transfer*, appendix, properties of air at 1 atm.
    #[test]
    fn air_at_twenty_degrees_is_the_table_s() {
        let air = Air::at(20.0);
        assert!((air.density / 1.204 - 1.0).abs() < 0.0015, "{air:?}");
        assert!((air.viscosity / 1.825e-5 - 1.0).abs() < 0.003, "{air:?}");
        // Thinner and more viscous when warm.
        let warm = Air::at(35.0);
        assert!(warm.density < air.density && warm.viscosity > air.viscosity);
    }

    #[test]
    fn wind_falls_to_nothing_at_the_ground() {
        let wind = Wind {
            head: 3.0,
            side: -2.0,
            roughness_m: BARE_GROUND_M,
        };
        let (x, y) = wind.at(WIND_HEIGHT_M);
        assert!((x + 3.0).abs() < 1e-12 && (y + 2.0).abs() < 1e-12);
        assert_eq!(wind.at(0.0), (0.0, 0.0));
        // At half a metre: ln(101) / ln(401) = 4.6151 / 5.9940 = 0.76996.
        assert!((wind.at(0.5).0 + 3.0 * 0.76996).abs() < 1e-4);
        let even = Wind {
            roughness_m: 0.0,
            ..wind
        };
        assert_eq!(even.at(0.0), (-3.0, -2.0));
    }
}
