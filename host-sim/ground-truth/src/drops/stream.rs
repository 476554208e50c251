//! The air that a fan drags along.
//!
//! Drops that slow down push the air between them, and that air carries the fine ones on.
//! How much of it stays in the fan nobody knows beforehand: cross wind strips it. So there
//! are two ends, and the truth lies between: *still*, where the air keeps out of it, and
//! *carried*, where all momentum that the drops give off stays in the fan's own cross
//! section, evenly over it. The balance of momentum is that of W. Briffa,
//! N. Dombrowski, *AIChE Journal* 12, 1966 (entrainment of air into a liquid spray), and the
//! fan's sides are taken as straight: from memory.
//!
//! At distance `r` along a ray the cross section is `r·θ` by `2·r·tan(φ/2)`. With the mean
//! velocity of the drops there, weighted by volume, the air's speed along the ray is
//! `u = √(ṁ·(v₀ - v̄) / (ρ·A))`, and its extra speed along travel is
//! `ṁ·(V - v̄ₓ) / (ρ·A·u)`.

use differential_equations::prelude::{ExplicitRungeKutta, IVP, ODE};

use super::drag::{GRAVITY, Sphere};
use super::{Air, DropError};

/// Points at which the stream is kept.
const POINTS: usize = 400;
/// Slower air than this carries nothing, m/s.
const NO_AIR: f64 = 1e-9;

/// What makes a stream.
#[derive(Clone, Debug)]
pub(super) struct Source<'a> {
    /// Diameter in metres and share of volume.
    pub drops: &'a [(f64, f64)],
    pub liquid_density: f64,
    /// Mass flow of the fan in kg/s.
    pub mass_flow: f64,
    /// Exit speed in m/s.
    pub exit: f64,
    /// Speed of the nozzle over the ground in m/s.
    pub travel: f64,
    /// Air's own speed along travel over the ground, m/s.
    pub along: f64,
    /// Distance from the nozzle at which the sheet becomes drops, m.
    pub breakup: f64,
    /// Farthest distance along a ray, m.
    pub reach: f64,
    /// Angle of the fan across travel, and along it, in radians.
    pub across: f64,
    pub thickness: f64,
    pub air: Air,
}

/// Speed of the carried air along a ray and along travel, by distance from the nozzle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stream {
    from: f64,
    step: f64,
    /// (along the ray, extra along travel) in m/s.
    points: Vec<(f64, f64)>,
}

impl Source<'_> {
    /// The carried air where drops fly as `s`: speeds along the ray, then along travel.
    fn carried(&self, r: f64, s: &[f64]) -> (f64, f64) {
        let n = self.drops.len();
        let mean = |of: &[f64]| -> f64 { self.drops.iter().zip(of).map(|(d, v)| d.1 * v).sum() };
        let area = r * self.across * 2.0 * r * (0.5 * self.thickness).tan();
        let lost = (self.exit - mean(&s[..n])).max(0.0);
        let u = (self.mass_flow * lost / (self.air.density * area)).sqrt();
        if u < NO_AIR {
            return (0.0, 0.0);
        }
        // Air that a head wind slows brings that wind with it; drops give off the rest.
        let lost = self.travel - mean(&s[n..]);
        (u, self.mass_flow * lost / (self.air.density * area * u))
    }
}

impl ODE<f64, Vec<f64>> for Source<'_> {
    /// By distance: for each drop its speed along the ray, then for each its speed along
    /// travel.
    fn diff(&self, r: f64, s: &Vec<f64>, d: &mut Vec<f64>) {
        let n = self.drops.len();
        let (u, extra) = self.carried(r, s);
        for (i, &(diameter, _)) in self.drops.iter().enumerate() {
            let sphere = Sphere {
                diameter,
                density: self.liquid_density,
            };
            let past = (s[i] - u, s[n + i] - self.along - extra);
            let rate = sphere.drag_rate(self.air, past.0.hypot(past.1));
            // A drop always falls on: with the stream, and by its weight.
            let v = s[i].max(1e-3);
            d[i] = (GRAVITY - rate * past.0) / v;
            d[n + i] = -rate * past.1 / v;
        }
    }
}

impl Stream {
    pub fn of(source: &Source<'_>) -> Result<Self, DropError> {
        let n = source.drops.len();
        let step = (source.reach - source.breakup) / POINTS as f64;
        let mut first = vec![source.exit; n];
        first.resize(2 * n, source.travel);
        let refuse = |reason: String| DropError::Solver {
            diameter_um: source.drops[0].0 * 1e6,
            reason,
        };
        let solution = IVP::ode(source, source.breakup, source.reach, first)
            .even(step)
            .method(
                ExplicitRungeKutta::rkv656e()
                    .rtol(1e-6)
                    .atol(1e-7)
                    .max_steps(1_000_000),
            )
            .solve()
            .map_err(|e| refuse(format!("{e:?}")))?;
        let points = solution.iter().map(|(r, s)| source.carried(*r, s));
        Ok(Self {
            from: source.breakup,
            step,
            points: points.collect(),
        })
    }

    /// At `r` metres from the nozzle, straight between the points kept.
    pub fn at(&self, r: f64) -> (f64, f64) {
        let place = ((r - self.from) / self.step).max(0.0);
        let last = self.points.len() - 1;
        let i = (place as usize).min(last);
        let (a, b) = (self.points[i], self.points[(i + 1).min(last)]);
        let part = (place - i as f64).clamp(0.0, 1.0);
        (a.0 + (b.0 - a.0) * part, a.1 + (b.1 - a.1) * part)
    }
}
