//! What makes a description of spray impossible.

/// Why a spray can't be worked out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DropError {
    /// A number is not finite or out of its range.
    #[error("{what} is {value}; give {wanted}")]
    Number {
        /// Which number, with its unit.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// The shares of a drop spectrum do not make up the whole.
    #[error(
        "the shares of the drop spectrum sum to {sum}; they are shares of the volume, so they \
         must sum to 1"
    )]
    Sum {
        /// What they sum to.
        sum: f64,
    },
    /// A spectrum's diameters do not grow.
    #[error(
        "drop diameters must grow from entry to entry, but {after:.1} µm follows {before:.1} µm"
    )]
    Order {
        /// The larger diameter, in µm.
        before: f64,
        /// What follows it, in µm.
        after: f64,
    },
    /// A spectrum without drops.
    #[error("the drop spectrum is empty; give at least one diameter with its share")]
    Empty,
    /// The integrator gave up.
    #[error("the flight of a drop of {diameter_um} µm could not be worked out: {reason}")]
    Solver {
        /// The drop's diameter in µm.
        diameter_um: f64,
        /// The integrator's words.
        reason: String,
    },
}

/// Refuses a number outside `low..=high`, or one that is none.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    (low, high): (f64, f64),
    wanted: &'static str,
) -> Result<(), DropError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(DropError::Number {
        what,
        value,
        wanted,
    })
}
