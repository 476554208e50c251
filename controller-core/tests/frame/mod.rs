//! A CAN frame for tests and for boards without a CAN controller.

use embedded_can::{Frame, Id};

/// Identifier, bytes, how many it says that there are.
#[derive(Clone, Debug, PartialEq)]
pub struct Can(pub Id, pub [u8; 8], pub usize);

impl Frame for Can {
    fn new(id: impl Into<Id>, data: &[u8]) -> Option<Self> {
        let mut bytes = [0; 8];
        bytes.get_mut(..data.len())?.copy_from_slice(data);
        Some(Self(id.into(), bytes, data.len()))
    }
    fn new_remote(_: impl Into<Id>, _: usize) -> Option<Self> {
        None
    }
    fn is_extended(&self) -> bool {
        matches!(self.0, Id::Extended(_))
    }
    fn is_remote_frame(&self) -> bool {
        false
    }
    fn id(&self) -> Id {
        self.0
    }
    fn dlc(&self) -> usize {
        self.2
    }
    fn data(&self) -> &[u8] {
        self.1.get(..self.2).unwrap_or(&self.1)
    }
}
