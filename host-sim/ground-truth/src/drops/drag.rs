//! Drag of a sphere, and the speed at which it settles.

use super::Air;

/// Standard gravity in m/s²: ISO 80000-3.
pub const GRAVITY: f64 = 9.80665;
/// Water at 20 °C in kg/m³: from memory.
pub const WATER: f64 = 998.2;
/// Reynolds number beyond which drag no longer follows Schiller and Naumann.
const NEWTON: f64 = 1000.0;

/// A sphere that keeps its size: nothing evaporates, nothing breaks up, and it stays round.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sphere {
    /// Diameter in metres, above 0.
    pub diameter: f64,
    /// Density in kg/m³, above 0.
    pub density: f64,
}

impl Sphere {
    /// A drop of water of `diameter` metres.
    #[must_use]
    pub fn water(diameter: f64) -> Self {
        Self {
            diameter,
            density: WATER,
        }
    }

    /// Mass in kg.
    #[must_use]
    pub fn mass(&self) -> f64 {
        self.density * std::f64::consts::PI / 6.0 * self.diameter.powi(3)
    }

    /// What drag takes from each m/s of speed relative to the air, in 1/s: drag is
    /// `3·π·μ·d·u` times what inertia adds, over the mass.
    #[must_use]
    pub fn drag_rate(&self, air: Air, speed: f64) -> f64 {
        let reynolds = air.density * speed.abs() * self.diameter / air.viscosity;
        18.0 * air.viscosity / (self.density * self.diameter.powi(2)) * over_stokes(reynolds)
    }

    /// Speed at which it settles through still air, in m/s, buoyancy included.
    #[must_use]
    pub fn settles_at(&self, air: Air) -> f64 {
        let pull = GRAVITY * (1.0 - air.density / self.density);
        // Drag grows with speed, so halving the bracket finds the only balance.
        let (mut low, mut high) = (0.0, 1000.0);
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if self.drag_rate(air, middle) * middle < pull {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}

/// Drag over that of Stokes at a Reynolds number, `Cd·Re/24`: `1 + 0.15·Re^0.687` up to
/// 1000, from there on a drag coefficient that no longer changes.
///
/// L. Schiller, A. Naumann, *Zeitschrift des Vereines Deutscher Ingenieure* 77, 1933. Its
/// `Cd` is 0.438 at 1000, where the plateau of Newton's law begins.
fn over_stokes(reynolds: f64) -> f64 {
    let law = |re: f64| 1.0 + 0.15 * re.powf(0.687);
    if reynolds <= NEWTON {
        law(reynolds)
    } else {
        law(NEWTON) * reynolds / NEWTON
    }
}

/// Drag coefficient of a sphere at a Reynolds number above 0.
#[must_use]
pub fn drag_coefficient(reynolds: f64) -> f64 {
    24.0 / reynolds * over_stokes(reynolds)
}
