//! How long buffers around a plant must be for a wanted share of hits, and what they cost:
//! worked out from causes of error, knowing nothing of a controller.
//!
//! [`Errors`] sums up causes at one speed and tells the share of plants that get their full dose
//! for given [`Buffers`], and the smallest buffers for a wanted share; [`worst_case`] is what
//! adding up the worst would take; [`Sums`] are doses that add up over a plant; [`Spots`] tells what is sprayed, [`Neighbours`] which plants share
//! a spray; [`distance_and_time`] makes
//! the two numbers of a machine file from needs at two speeds.

mod edges;
mod hits;
pub mod normal;
mod places;
mod product;

#[cfg(test)]
mod hits_tests;

pub use edges::{Set, Sums};
pub use hits::{Buffers, Cause, Errors, Moves, Spread, across, worst_case};
pub use product::{Neighbours, Spots, distance_and_time};
