//! Keeps the public calls of the core in an image and nothing that drives them, to measure
//! the flash that they take: a table points at each call, and the image reads the table.
//!
//! The features choose the part: the controller (`core`), what a board needs of the link
//! (`link`), the drivers that a board with valves on shift registers uses (`board`), every driver
//! (`drivers`); ports do next to nothing. Texts of errors are left out: a board that writes no log
//! never links them.

#![no_std]
#![no_main]

use core::panic::PanicInfo;
use cortex_m_rt::entry;

#[cfg(feature = "core")]
mod controller {
    use controller_core::{Config, Controller};

    /// 96 nozzles with 16 patches each, 64 pulses, 4 detectors.
    type Boom = Controller<'static, 96, 16, 64, 4>;

    #[cfg(feature = "turning")]
    pub static MORE_CALLS: super::Calls<2> = super::Calls([
        Boom::handle_yaw_rate as *const (),
        Boom::handle_second_pulse as *const (),
    ]);

    pub static CALLS: super::Calls<23> = super::Calls([
        Config::validate as *const (),
        Boom::blank as *const (),
        Boom::set_up as *const (),
        Boom::poll as *const (),
        Boom::note_pulse as *const (),
        Boom::handle_pulse as *const (),
        Boom::begin_image as *const (),
        Boom::step_image as *const (),
        Boom::handle_image as *const (),
        Boom::handle_emergency_stop as *const (),
        Boom::handle_supply as *const (),
        Boom::handle_mode as *const (),
        Boom::handle_switches as *const (),
        Boom::handle_keep_off as *const (),
        Boom::handle_direction as *const (),
        Boom::handle_bench as *const (),
        Boom::set_nozzle_fault as *const (),
        Boom::acknowledge as *const (),
        Boom::is_open as *const (),
        Boom::planned as *const (),
        Boom::distance as *const (),
        Boom::speed as *const (),
        Boom::detector_silent as *const (),
    ]);
}

#[cfg(feature = "link")]
mod link {
    use controller_core::link::{
        Commands, FrameReader, FromBoard, ImageHead, MAX_FRAME, MachineTable, SeenPlant, StrobeLog,
        ToBoard, Upload, crc32, seal,
    };

    type Table = MachineTable<96, 4>;

    pub static CALLS: super::Calls<19> = super::Calls([
        FrameReader::<MAX_FRAME>::push as *const (),
        FrameReader::<MAX_FRAME>::count_unreadable as *const (),
        ToBoard::read as *const (),
        ImageHead::stamp as *const (),
        ImageHead::seen as *const (),
        ImageHead::plants as *const (),
        SeenPlant::plant as *const (),
        FromBoard::write as *const (),
        Commands::push as *const (),
        seal as *const (),
        crc32 as *const (),
        Upload::<4096>::begin as *const (),
        Upload::<4096>::piece as *const (),
        Upload::<4096>::end as *const (),
        Table::read as *const (),
        Table::config as *const (),
        StrobeLog::<16>::pulse as *const (),
        StrobeLog::<16>::announce as *const (),
        StrobeLog::<16>::captured as *const (),
    ]);
}

#[cfg(feature = "board")]
#[path = "../../ports.rs"]
mod ports;

#[cfg(feature = "board")]
mod outside {
    /// A word of which the optimiser knows nothing.
    #[inline(never)]
    pub fn any_u32() -> u32 {
        core::hint::black_box(1)
    }

    /// Uses up a word.
    #[inline(never)]
    pub fn used_u32(value: u32) {
        core::hint::black_box(value);
    }
}

#[cfg(feature = "board")]
mod board {
    use super::ports::{Flash, Pin, Serial, Spi};
    use controller_core::drivers::capture_timer::{captured_ticks, ticks_to_us, whole_ticks};
    use controller_core::drivers::inrush::Inrush;
    use controller_core::drivers::machine_store::MachineStore;
    use controller_core::drivers::pulse_capture::PulseCapture;
    use controller_core::drivers::serial::{self, Outgoing};
    use controller_core::drivers::shift_register::ShiftRegister;
    use controller_core::drivers::switches::Debounce;
    use controller_core::drivers::watchdog::Watchdog;
    use controller_core::drivers::{CommandQueue, Valves};

    type Shift = ShiftRegister<Spi, Pin, 12>;
    type Queue = CommandQueue<192>;
    type Store = MachineStore<Flash>;

    /// Bytes of one round of the serial port, thrown away.
    fn read(port: &mut Serial) -> u16 {
        serial::read(port, 64, |byte| {
            core::hint::black_box(byte);
        })
        .bytes
    }

    pub static CALLS: super::Calls<23> = super::Calls([
        Shift::new as *const (),
        <Shift as Valves>::set as *const (),
        <Shift as Valves>::flush as *const (),
        <Shift as Valves>::close_all as *const (),
        Queue::push as *const (),
        Queue::next_due as *const (),
        Queue::pop_due as *const (),
        Queue::void_opens as *const (),
        Inrush::new as *const (),
        Inrush::place as *const (),
        Store::new as *const (),
        Store::load as *const (),
        Store::store as *const (),
        PulseCapture::<64>::push as *const (),
        PulseCapture::<64>::pop as *const (),
        captured_ticks as *const (),
        whole_ticks as *const (),
        ticks_to_us as *const (),
        read as *const (),
        Outgoing::<1408>::push as *const (),
        Outgoing::<1408>::pump::<Serial> as *const (),
        Debounce::sample as *const (),
        Watchdog::may_feed as *const (),
    ]);
}

/// The drivers that such a board has no use for.
#[cfg(feature = "drivers")]
mod drivers {
    use super::ports::{Can, Pin};
    use controller_core::drivers::Valves;
    use controller_core::drivers::can_valves::CanValves;
    use controller_core::drivers::peak_hold::PeakHold;
    use controller_core::drivers::pins::PinValves;
    use controller_core::drivers::pwm::Pwm;
    use controller_core::drivers::signals::signals;
    use controller_core::drivers::tractor_bus::parse;
    use controller_core::drivers::valve_test::ValveTest;
    use controller_core::drivers::virtual_pulses::VirtualPulses;
    use controller_core::{Cycle, Micros, Span};

    type Pins = PinValves<Pin, 96>;
    type Bus = CanValves<12>;
    type Coils = PeakHold<96>;
    type Duty = Pwm<96>;
    type Test = ValveTest<3>;

    /// Asks for the shares of the cycles that begin.
    fn cycles(pwm: &mut Duty, now: Micros) {
        pwm.turn(now, |nozzle, length| Cycle {
            duty: core::hint::black_box(nozzle),
            length: Span(core::hint::black_box(length.0 as u32)),
        });
    }

    pub static CALLS: super::Calls<25> = super::Calls([
        Pins::new as *const (),
        <Pins as Valves>::set as *const (),
        <Pins as Valves>::flush as *const (),
        <Pins as Valves>::close_all as *const (),
        Bus::set as *const (),
        Bus::close_all as *const (),
        Bus::next_frame::<Can> as *const (),
        Bus::not_sent as *const (),
        Coils::set as *const (),
        Coils::drive as *const (),
        Coils::next_due as *const (),
        Coils::poll as *const (),
        Duty::new as *const (),
        Duty::open as *const (),
        Duty::close as *const (),
        cycles as *const (),
        Duty::is_on as *const (),
        Duty::next_change as *const (),
        signals as *const (),
        parse::<Can> as *const (),
        Test::poll as *const (),
        Test::sensed as *const (),
        VirtualPulses::message as *const (),
        VirtualPulses::poll as *const (),
        VirtualPulses::next_due as *const (),
    ]);
}

/// Addresses of calls.
#[repr(transparent)]
struct Calls<const N: usize>([*const (); N]);

// SAFETY: the addresses are only read.
unsafe impl<const N: usize> Sync for Calls<N> {}

unsafe extern "C" {
    /// Defined nowhere: a panic that could be reached is a link error.
    fn panic_is_reachable() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    // SAFETY: never linked.
    unsafe { panic_is_reachable() }
}

#[entry]
fn main() -> ! {
    loop {
        #[cfg(feature = "core")]
        core::hint::black_box(&controller::CALLS);
        #[cfg(all(feature = "core", feature = "turning"))]
        core::hint::black_box(&controller::MORE_CALLS);
        #[cfg(feature = "link")]
        core::hint::black_box(&link::CALLS);
        #[cfg(feature = "board")]
        core::hint::black_box(&board::CALLS);
        #[cfg(feature = "drivers")]
        core::hint::black_box(&drivers::CALLS);
    }
}
