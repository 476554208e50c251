//! Lines for a person who watches a board: with feature `defmt` they go out, without it they
//! are nothing at all.
//!
//! A line is written where something turns: the guard's state, an input refused, an instant
//! decided late. Nothing is written for each pulse, plant or command. What is said is counted
//! too ([`Counters`](crate::Counters)), so nobody needs the lines. Levels and the cost of a
//! line are defmt's: set `DEFMT_LOG` when building, or only errors are left.

/// `log!(level, "words {}", value, ..)`.
#[cfg(feature = "defmt")]
macro_rules! log {
    ($level:ident, $words:literal $(, $value:expr)* $(,)?) => { defmt::$level!($words $(, $value)*) };
}

/// `log!(level, "words {}", value, ..)`: nothing, and no value is worked out.
#[cfg(not(feature = "defmt"))]
macro_rules! log {
    ($level:ident, $words:literal $(, $value:expr)* $(,)?) => {};
}
