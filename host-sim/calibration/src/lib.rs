//! The builder's bench: what a machine's figures are, each with its uncertainty.
//!
//! * [`estimate`]: a figure with its 95 % interval, running moments, a robust outlier rule;
//! * [`mod@line`]: a straight line through points, with the intervals of its two figures;
//! * [`capture`]: a logic analyser's captures as a stream of changes;
//! * [`valves`]: delays from command to answer; [`wheel`]: pulses a metre, slots a turn, slip;
//! * [`table`]: tables that people write by hand; [`mod@catch`]: the catch test; [`track`]: edges of
//!   patches at several speeds; [`field`], [`share`]: plants counted, and what their misses have
//!   in common; [`markers`], [`homography`], [`least_squares`]: a detector against a grid;
//!   [`strobe`]: its clock against flashes.
//!
//! Numbers are f64 in SI units unless a name says otherwise. Files come in through
//! [`std::io::BufRead`]; nothing here opens one. No code of the controller is in it: a figure
//! that the controller is given must not come from the controller.

pub mod capture;
pub mod catch;
pub mod estimate;
pub mod field;
pub mod homography;
pub mod least_squares;
pub mod line;
pub mod markers;
pub mod share;
pub mod strobe;
pub mod table;
pub mod track;
pub mod valves;
pub mod wheel;

pub use estimate::{Estimate, Moments};

/// Why a measurement cannot be told from a file: what is wrong, on which line, what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}; {remedy}")]
pub struct Refusal {
    /// Line of the file, from 1; `None` where the file as a whole is meant.
    pub line: Option<usize>,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

impl Refusal {
    /// A refusal of the file as a whole.
    pub fn whole(what: impl Into<String>, remedy: impl Into<String>) -> Refusal {
        Refusal {
            line: None,
            what: what.into(),
            remedy: remedy.into(),
        }
    }

    /// A refusal of one line; `line` counts from 1.
    pub fn at(line: usize, what: impl Into<String>, remedy: impl Into<String>) -> Refusal {
        Refusal {
            line: Some(line),
            what: what.into(),
            remedy: remedy.into(),
        }
    }
}
