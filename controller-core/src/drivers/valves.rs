//! What every kind of valve output can do.

/// A row of valves. Setting one only notes it; [`Valves::flush`] carries it out, so that all
/// commands of one instant switch together.
///
/// `latch_us` is what a flush takes from its call to the pins: about nothing for pins of the
/// processor, the shifting of the whole image for a shift register, a frame's time and the
/// module's own for CAN. Measure it and give it to [`super::CommandQueue::new`], which hands
/// commands out that much earlier.
pub trait Valves {
    /// What the port may report.
    type Error;

    /// Notes that a valve is to be open or closed. Valves that there are not are ignored:
    /// the controller never names one that the machine description does not.
    ///
    /// # Errors
    /// As the port has them.
    fn set(&mut self, nozzle: u16, open: bool) -> Result<(), Self::Error>;

    /// Carries out what was noted.
    ///
    /// # Errors
    /// As the port has them; what was noted stays noted.
    fn flush(&mut self) -> Result<(), Self::Error>;

    /// Closes everything, now.
    ///
    /// # Errors
    /// As the port has them. Every valve is tried whatever happens to the one before.
    fn close_all(&mut self) -> Result<(), Self::Error>;
}

/// Sets a bit of an image; `None` where there is no such bit.
pub(crate) fn set_bit(image: &mut [u8], bit: u16, on: bool) -> Option<()> {
    let byte = image.get_mut(usize::from(bit >> 3))?;
    let mask = 1_u8.wrapping_shl(u32::from(bit & 7));
    *byte = if on { *byte | mask } else { *byte & !mask };
    Some(())
}
