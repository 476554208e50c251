//! What came down where, in litres a hectare, on a grid of cells.
//!
//! Each nozzle's volume is followed in time steps. Over a step it is laid down evenly from
//! where the spray landed at its begin to where it landed at its end, smeared over the fan's
//! thickness: exactly, as the overlap of two boxes. Across travel each cell gets the part of
//! the pattern that lies over it, exactly too; so no volume is lost whatever the cells. Twist
//! shifts each column of cells along travel by what it is beside the nozzle, and a twin fan
//! lays half of the volume forward and half back.
//!
//! Where the machine turns the grid lies in field axes around all that the boom sweeps
//! ([`Deposit::under`]), and each part of a fan is laid along its own way.
//!
//! The judge's own dose ([`mod@crate::judge`]) asks for the least flow while a fan passes; this
//! grid asks for what came down. It shows rates, litres, over-dose and what runs off the
//! boom's ends.

mod curved;
mod figures;
mod grid;
mod lay;
mod smear;
mod swept;

#[cfg(test)]
mod catch;
#[cfg(test)]
mod curved_tests;
#[cfg(test)]
mod plain;
#[cfg(test)]
mod tests;

pub use figures::Figures;
pub use grid::{Area, Deposit, GridError, MOST_BYTES};
pub use lay::{Boom, lay_down};

/// Cells in metres that are fine enough: halving them changes no figure of a spot drive by
/// more than a hundredth (a test holds it).
pub const CELL_M: f64 = 0.01;
/// The same for a time step in seconds.
pub const STEP_S: f64 = 0.002;
