//! What stands in for [`Turning`] where it is not built: a machine that goes straight.

use super::{Heading, Side, Taken, YawCounts, YawError};
use crate::boom::Config;
use crate::odometer::{Motion, Odometer};
use crate::units::{Length, Micros, Span};

#[derive(Clone, Debug)]
pub(crate) struct Turning;

impl Turning {
    pub const BLANK: Self = Self;

    pub fn set_up(&mut self, _: &Config<'_>) {}

    pub fn count(&mut self, _: fn(&mut YawCounts) -> &mut u32, _: u32) {}

    pub const fn on(&self) -> bool {
        false
    }

    pub fn side(&self, _: Length) -> Side {
        Side
    }

    pub fn take_rate<const H: usize>(
        &mut self,
        _: Micros,
        _: i32,
        _: &Odometer<H>,
    ) -> Result<Taken, YawError> {
        Err(YawError::NoInput)
    }

    pub fn take_second<const H: usize>(
        &mut self,
        _: Micros,
        _: &Odometer<H>,
    ) -> Result<Taken, YawError> {
        Err(YawError::NoInput)
    }

    pub fn turned_about(&mut self) {}

    pub fn fell_silent(&mut self, _: Micros, _: bool) -> bool {
        false
    }

    pub fn swing_at(&self, _: Micros) -> Swing {
        Swing
    }
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Swing;

impl Swing {
    pub fn heading(&self) -> Heading {
        Heading
    }

    pub fn heading_after(&self, _: Span) -> Heading {
        Heading
    }

    pub fn turns(&self) -> bool {
        false
    }

    pub fn own(&self, motion: &Motion, _: Side) -> Motion {
        *motion
    }

    pub fn widest(&self, motion: &Motion, _: Heading) -> Motion {
        *motion
    }

    pub fn farthest_from(&self, _: impl Iterator<Item = Heading>) -> Heading {
        Heading
    }

    pub fn far_apart(&self, _: Heading) -> bool {
        false
    }

    pub fn slows_below(&self, _: i64, _: i32) -> bool {
        false
    }

    pub fn fastest(&self) -> i64 {
        0
    }
}
