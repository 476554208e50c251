//! What the firmware body needs of the hardware.

/// A serial port that waits.
pub trait Port {
    /// The next byte; waits for it. `None` when the far end is gone for good, which only a
    /// test's port ever says.
    fn read(&mut self) -> Option<u8>;
    /// Sends a byte, waiting for room.
    fn write(&mut self, byte: u8);
}
