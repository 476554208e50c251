//! The serial link between a host or camera and the board (feature `link`).
//!
//! [`cobs`] and [`frame`] make a byte stream into checked, numbered frames; [`message`],
//! [`image`] and [`upload`] say what stands in them; [`clock`] and [`strobe`] give capture
//! times in the board's µs. Nothing in here touches a port: bytes go in, bytes come out.
//!
//! Bodies are in the postcard format ([`codec`]). `LINK.md` beside the sources is the reference, with
//! an example frame that a test holds.

pub mod clock;
pub mod cobs;
pub mod codec;
pub mod frame;
pub mod image;
pub mod machine;
pub mod message;
pub mod strobe;
pub mod upload;

pub use clock::{ClockEstimate, ClockFilter, Exchange};
pub use frame::{
    Frame, FrameFault, FrameReader, LinkCounters, MAX_FRAME, MAX_ON_LINE, Order, Received, VERSION,
    crc32, seal,
};
pub use image::{Captured, ImageHead, PlantKind, SeenPlant};
pub use machine::{MACHINE_VERSION, MachineError, MachineTable};
pub use message::{
    Bench, CommandEntry, Commands, FromBoard, Motion, Refusal, ResetCause, SectionMode,
    SectionState, ToBoard, Welcome,
};
pub use strobe::{StrobeError, StrobeLog};
pub use upload::Upload;
