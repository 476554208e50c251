//! The live body: a controller with a clock, interrupts, valves and inputs of its own.
//!
//! A board implements [`Clock`] and [`Hardware`], takes [`Outputs`]: a row of
//! [`Valves`](controller_core::drivers::Valves), or [`Coils`] before one that also drives the
//! cycles of a machine with a rate, and peak and hold. It makes one `static` [`Shared`], and calls it from its interrupts:
//!
//! | interrupt | calls |
//! |---|---|
//! | the alarm of [`Clock::alarm`] | [`Shared::alarm`] |
//! | the wheel's input | [`Shared::pulse`], or [`Shared::pulse_at`] where a timer stamps it |
//! | the strobe's input | [`Shared::strobe`] |
//! | a frame of the tractor bus, where that gives the speed | [`BusInbox::received`] |
//! | a byte from the link | [`Shared::has_room`], then [`Shared::received`] |
//!
//! The main loop is [`Live::run`]. One round: poll the controller up to each wheel pulse and
//! hand it over; poll up to now; hand over wires and messages; carry reports and bytes; feed
//! the watchdog if pulse path, grid and output have all done their work; sleep until an
//! interrupt, for a millisecond at most.
//!
//! **Commands** wait in a queue sorted by time that the alarm's interrupt empties, so a
//! command's instant does not depend on what the main loop is at. A stop voids the opens in
//! it. What is reported is when the valves' driver said that it was done. The same interrupt turns
//! coils on and off within the cycles of an open valve, and from peak to hold; no reports of those.
//!
//! **Critical sections.** The longest is the alarm's: commands due at one instant, some hundred
//! instructions each, and their flush. Next comes a command put into the queue: a look at each
//! that waits and a move of those behind its place. In the tests' drives with eight nozzles, a
//! plugin of the emulator counted at most 579 instructions on the M0, and 1,418 on the M4 before it
//! drove coils; 96 valves that close at once take some ten thousand. An edge of a cycle looks at
//! every coil: edges come some 0.1 ms late on the M4 with 96. A stamp
//! handed over takes some forty. A wheel pulse stamped by its interrupt can be late by the
//! longest; where that matters let a timer capture it ([`Shared::pulse_at`]).
//!
//! **Closed** at start and restart, whatever the machine description says, until a person has
//! acknowledged. With current to be sensed, every valve is tried before that.

mod body;
mod bus;
mod coils;
mod outputs;
mod panel;
mod shared;
mod station;

pub use body::Live;
pub use bus::{BusInbox, BusWheel};
pub use coils::Coils;
pub use outputs::Outputs;
pub use panel::Levels;
pub use shared::Shared;

use controller_core::link::ResetCause;
use controller_core::{Command, Config, Micros};
use embedded_hal_nb::serial::Write;
use embedded_storage::nor_flash::NorFlash;

/// A clock of µs with one alarm. [`Shared`] holds interrupts off around every call.
pub trait Clock {
    /// Now. Never earlier than the time before; called at least every few ms.
    fn now(&mut self) -> Micros;
    /// Raises the alarm's interrupt at this instant, at once if it has passed. Replaces an
    /// alarm set before.
    fn alarm(&mut self, at: Micros);
}

/// What the main loop asks of a board.
pub trait Hardware {
    /// Sends bytes of the link, without waiting.
    type Sender: Write<u8>;
    /// Keeps machine descriptions.
    type Flash: NorFlash;

    /// The link's sender.
    fn sender(&mut self) -> &mut Self::Sender;
    /// Bytes may come again, after [`Shared::has_room`] had to say no.
    fn resume_receiving(&mut self);
    /// The wires as they are now.
    fn levels(&mut self) -> Levels;
    /// Lamp and buzzer.
    fn show(&mut self, lamp: bool, buzzer: bool);
    /// Whether current flows into the valve that is driven just now. `None` where that can't
    /// be sensed: valves are then not tried at start.
    fn current_flows(&mut self) -> Option<bool>;
    /// True while wheel pulses can come: the input's interrupt is enabled and the clock that
    /// stamps them runs, both read back from the registers.
    fn pulses_can_come(&mut self) -> bool;
    /// Feeds the hardware watchdog.
    fn feed(&mut self);
    /// Sleeps until an interrupt is pending. Called with interrupts held off.
    fn sleep(&mut self);
    /// When a command may be carried out, by what the supply bears: as it is, unless the board
    /// spreads openings ([`Inrush`](controller_core::drivers::inrush::Inrush)). Called once for
    /// each command of the controller, in the order given out.
    fn spread(&mut self, _now: Micros, command: Command) -> Command {
        command
    }
    /// Another machine begins, or none.
    fn begin(&mut self, _machine: Option<&Config<'_>>) {}
    /// The next pulse up to `now` where the tractor bus stands in for the wheel
    /// ([`BusWheel::pulse`]); asked again until there is none.
    fn bus_pulse(&mut self, _now: Micros) -> Option<Micros> {
        None
    }
    /// Why the board started.
    fn reset_cause(&self) -> ResetCause;
}
