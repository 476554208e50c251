//! Drops: how they leave the nozzle, fly, and land.
//!
//! * [`Air`], [`Wind`]: density and viscosity by temperature, wind by height;
//! * [`Sphere`], [`drag_coefficient`]: drag by Schiller and Naumann;
//! * [`fly`]: one drop in moving air;
//! * [`Spectrum`]: shares of the volume by drop size;
//! * [`Spray`]: a fan under way, with the air that it drags along; its [`Throw`], and what
//!   lands [`OffTarget`] in wind.
//!
//! What is not in it: evaporation, gusts, drops that meet or break up in flight, spray that
//! bounces off the target, and the air that is turned aside by the ground or pushed by the
//! machine. Drops below some 100 µm stay so long in the air that these decide; for them the
//! results say in which order of magnitude the truth lies and no more.

mod air;
mod drag;
pub(crate) mod error;
mod flight;
mod spectrum;
mod spray;
mod stream;
mod throw;

#[cfg(test)]
mod published;
#[cfg(test)]
mod tests;

pub use air::{Air, BARE_GROUND_M, WIND_HEIGHT_M, Wind};
pub use drag::{GRAVITY, Sphere, WATER, drag_coefficient};
pub use error::DropError;
pub use flight::{End, Instant, Still, Wafts, fly};
pub use spectrum::{CLASSES, DIAMETERS_M, Spectrum};
pub use spray::{Carried, LONGEST_S, Pattern, Spray, USUAL_BREAKUP_M, USUAL_VELOCITY_COEFFICIENT};
pub use throw::{OffTarget, Target, Throw};
