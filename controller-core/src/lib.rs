//! # Boom section controller core
//!
//! Turns wheel pulses and plant detections into valve commands that are pinned
//! to the ground. The core knows no clock, pin, thread or heap: time comes in
//! as an argument, commands go out as values, so the same code runs on a
//! microcontroller, in the simulator and in a test.
//!
//! Read the rooms in the order of the data:
//! [`units`] → [`odometer`] → [`mod@turning`] → [`boom`] → [`fan`] → [`aiming`] → [`ground_plan`] →
//! [`lane`] → [`sections`], [`sight`], [`keep_off`] → [`guard`], [`mod@bench`] →
//! [`sequencer`] → [`controller`].
//!
//! ## The one idea
//!
//! A detection is placed on the ground where it was when its image was
//! *captured*. What is to be sprayed is kept as intervals of ground distance,
//! per nozzle. Time enters at the two edges only: a capture time is looked up
//! in the odometer's past, and a boundary on the ground becomes the instant at
//! which the valve must be told.
//!
//! ## Driving it, in one sentence
//!
//! Poll up to an input's stamp, hand the input over, poll again, sleep until
//! [`Poll::Idle`]'s `next`.
//!
//! ```
//! use controller_core::*;
//! # fn main() -> Result<(), ConfigError> {
//! let nozzles = [NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))];
//! let detectors = [DetectorConfig::centred(Length::from_mm(1000), Length::from_mm(500))];
//! let config = Config::new(PulseLength::from_nm(20_000_000).unwrap_or_default(), &nozzles, &detectors);
//! let mut controller: Controller<'_, 4, 8, 64, 1> = Controller::new(&config)?;
//! let drain = |c: &mut Controller<'_, 4, 8, 64, 1>, now: Micros| loop {
//!     match c.poll(now) {
//!         Poll::Command(command) => println!("{command:?}"), // to the valve driver
//!         Poll::Busy => {}
//!         Poll::Idle { next } => break next,
//!     }
//! };
//! for pulse in 0..10u64 {
//!     let stamp = Micros(4_000 * pulse);
//!     drain(&mut controller, stamp);
//!     let _accepted = controller.handle_pulse(stamp);
//!     let _sleep_until = drain(&mut controller, stamp);
//! }
//! # Ok(()) }
//! ```
//!
//! ## Numbers
//!
//! Ground is counted in 1/16 mm, times in whole µs, speeds in 2⁻²⁴ counts a µs.
//! There is no floating point. Every operation that could overflow is named
//! (`wrapping_`, `saturating_`, `checked_`), and a lint of the test command
//! holds it so.
#![no_std]
#![forbid(unsafe_code)]
#![warn(missing_docs)]

#[macro_use]
mod log;

pub mod aiming;
pub mod bench;
pub mod boom;
pub mod controller;
pub mod counters;
#[cfg(any(feature = "drivers", feature = "link"))]
mod crc32;
#[cfg(feature = "defmt")]
mod defmt_face;
pub mod fan;
pub mod ground_plan;
pub mod guard;
pub mod keep_off;
pub mod lane;
mod layers;
pub mod odometer;
pub mod rate;
mod reach;
mod reaim;
mod repeats;
pub mod sections;
pub mod sequencer;
pub mod sight;
mod slice;
mod slots;
pub mod turning;
pub mod units;
mod wake;
mod wanted;

#[cfg(feature = "drivers")]
pub mod drivers;
#[cfg(feature = "link")]
pub mod link;

pub use aiming::{Image, ImageError, ImageReport, MAX_PLANTS_PER_IMAGE, Plant, Stretch};
pub use bench::{BenchError, BenchRequest};
pub use boom::{
    Config, ConfigError, DetectorConfig, ModesConfig, NozzleConfig, PatchConfig, TimingConfig,
    UnseenPolicy, WheelConfig,
};
pub use controller::{Controller, FaultError, ImageWork, Poll};
pub use counters::Counters;
pub use fan::FanConfig;
pub use guard::GuardState;
pub use keep_off::{Along, Over};
pub use odometer::{Direction, DirectionError, PulseError};
pub use rate::{Cycle, PRESSURE_SILENCE, PressureFault, RateConfig};
pub use sections::{Mode, OrderError, SectionConfig};
pub use sequencer::{Action, Command};
pub use turning::{TurningConfig, YawCounts, YawError, YawSource};
pub use units::{Distance, Length, Micros, PulseLength, Span, Speed};
