//! `defmt::Format` for the types that change most: by their `Debug` text, so that a new
//! variant needs nothing here.

use crate::{Action, Command, OrderError, Poll, PulseError};

macro_rules! as_debug {
    ($($type:ty),*) => {$(
        impl defmt::Format for $type {
            fn format(&self, f: defmt::Formatter<'_>) {
                defmt::write!(f, "{}", defmt::Debug2Format(self));
            }
        }
    )*};
}

as_debug!(Action, Command, OrderError, Poll, PulseError);
