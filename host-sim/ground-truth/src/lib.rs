//! The world and the judge of spot spraying, in plain `f64` SI units.
//!
//! This crate says what truly happened: how the machine moved, when the wheel
//! gave its pulses, what a detector saw, how the valves answered, and where on
//! the ground the spray came down. It knows nothing of the controller that it
//! judges and shares no code with it: the two meet only in a list of commands.
//!
//! * [`motion`]: exact travel from pieces of constant acceleration;
//! * [`path`], [`travel`], [`sway`]: the same over a field, with turns, and a boom that
//!   hangs behind and sways; [`turning`]: plants under it, nozzle by nozzle;
//! * [`cycle`]: a published driving cycle;
//! * [`hindsight`]: the same, rebuilt from recorded wheel pulses;
//! * [`wheel`]: the times at which an uneven, mis-scaled wheel pulses;
//! * [`slip`] and [`pulse_faults`]: what comes between the ground and those times;
//! * [`yaw`]: a yaw-rate sensor;
//! * [`plants`]: a seeded field of plants; [`clusters`]: one in patches;
//! * [`nozzle`]: sizes, flow by pressure, rate;
//! * [`drops`]: how drops leave the nozzle, fly and land, and what wind makes of them;
//! * [`detector`]: frames, their delays, and the plants in them; [`camera`]: the same on a
//!   boom that turns and sways; [`image_faults`]: what becomes of images on their way;
//! * [`valve`]: flow after dead time, rise and fall; [`solenoid`]: how real ones stray from
//!   that; [`supply`]: pressure as nozzles open;
//! * [`bench_capture`]: what a logic analyser sees of valves fired at the bench;
//! * [`taped`]: drives over a taped distance;
//! * [`mod@judge`]: full, partial or missed, and the error of every edge; [`interval`]: how sure a
//!   share is;
//! * [`buffers`]: how long buffers must be for a wanted share of hits, and what they cost.
//!
//! Axes: x forward along travel, y to the right, both in metres. A position of
//! the ground is the place of the boom reference point. Nothing here reads a
//! clock, a file or an unseeded random source, so equal input gives equal
//! output.

pub mod bench_capture;
pub mod buffers;
pub mod camera;
pub mod clusters;
pub mod cycle;
pub mod deposit;
pub mod detector;
pub mod drops;
mod ground;
pub mod hindsight;
pub mod image_faults;
pub mod interval;
pub mod judge;
pub mod motion;
pub mod nozzle;
pub mod path;
pub mod plants;
pub mod pulse_faults;
pub mod slip;
pub mod solenoid;
pub mod supply;
pub mod sway;
pub mod taped;
pub mod travel;
pub mod turning;
pub mod valve;
pub mod wheel;
pub mod yaw;

pub use camera::{Camera, CameraError, frames_over};
pub use detector::{DetectorError, DetectorSpec, Frame, Ghost, Sight, frames};
pub use ground::Ground;
pub use hindsight::{Hindsight, HindsightError};
pub use image_faults::{ImageFaults, ImageFaultsError};
pub use judge::{
    Across, Command, Edge, EdgeKind, ErrorStats, InputError, JudgeInput, KeepOff, MissedBy,
    ModeOrder, Ordered, Orders, OrdersKept, Outcome, Patch, Problem, Report, SeenGround, Side,
    SupplyReport, Targets, Tolerance, TrueFan, TrueNozzle, Verdict, WhyMissed, judge,
    judge_supplied,
};
pub use motion::{Motion, MotionError, Piece};
pub use path::{Leg, Path, PathError, Pose};
pub use plants::{FieldError, Plant, PlantField, generate};
pub use solenoid::{Solenoids, SolenoidsError};
pub use supply::{Supplied, SupplyError, SupplySpec};
pub use sway::{Attitude, RoughSpec, Sway, SwayError, Whip};
pub use travel::{Rig, Track, Travel, TravelError};
pub use turning::{Pass, Turning};
pub use valve::{Flow, HalfFlow, Valve};
pub use wheel::{Wheel, WheelError, WheelSpec};
