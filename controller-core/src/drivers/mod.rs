//! Between commands and pins (feature `drivers`): what every board needs and none should
//! write again. Knows nothing of plants, plans or places.
//!
//! * out: [`command_queue`] (in time order) → [`inrush`], [`peak_hold`], [`pwm`] (how a coil is
//!   driven) → [`valves`]: [`pins`], [`shift_register`] or [`can_valves`];
//! * in: [`pulse_capture`], [`capture_timer`], [`tractor_bus`] with [`virtual_pulses`],
//!   [`switches`], [`serial`];
//! * safe: [`machine_store`], [`valve_test`], [`watchdog`], [`signals`].
//!
//! Most rooms are sans-IO like the core: time comes in, what to do comes out. The others are
//! generic over the `embedded-hal` traits and own their pins.

pub mod can_valves;
pub mod capture_timer;
pub mod command_queue;
pub mod inrush;
pub mod machine_store;
pub mod peak_hold;
pub mod pins;
pub mod pulse_capture;
pub mod pwm;
pub mod serial;
pub mod shift_register;
pub mod signals;
pub mod switches;
pub mod tractor_bus;
pub mod valve_test;
pub mod valves;
pub mod virtual_pulses;
pub mod watchdog;

pub use command_queue::{CommandQueue, Pushed};
pub use machine_store::{MachineStore, StoreError};
pub use valves::Valves;

use crate::counters::bump;
