//! A short drive that makes the core write its log lines; the test `log_lines` decodes them on
//! the host. Build with `DEFMT_LOG=trace` (`scripts/boards` does), or nothing is written.
//!
//! The drive carries its own time, so what is said does not depend on how quickly it runs.

#![no_std]
#![no_main]

use controller_core::{
    Config, Controller, DetectorConfig, Image, Length, Micros, NozzleConfig, Poll, PulseLength,
    Stretch,
};
use core::panic::PanicInfo;
use cortex_m as _;
use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use defmt_semihosting as _;

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    loop {
        debug::exit(debug::EXIT_FAILURE);
    }
}

type Boom<'a> = Controller<'a, 4, 8, 64, 1>;

/// Polls at every deadline up to `at`, then at it.
fn until(core: &mut Boom<'_>, next: &mut u64, at: u64) {
    loop {
        let now = (*next).min(at);
        loop {
            match core.poll(Micros(now)) {
                Poll::Command(command) => defmt::trace!("command: {}", command),
                Poll::Busy => {}
                Poll::Idle { next: later } => {
                    *next = later.0;
                    break;
                }
            }
        }
        if now == at {
            return;
        }
    }
}

fn drive() -> Option<()> {
    let nozzle = |k| NozzleConfig::evenly_spaced(k, 4, Length::from_mm(500));
    let nozzles = [nozzle(0), nozzle(1), nozzle(2), nozzle(3)];
    let detectors = [DetectorConfig::centred(
        Length::from_mm(1000),
        Length::from_mm(1000),
    )];
    let mut config = Config::new(PulseLength::from_nm(20_000_000)?, &nozzles, &detectors);
    config.timing.detector_silence = controller_core::Span::from_ms(60_000);
    let mut core = Boom::new(&config).ok()?;
    let mut next = 0;
    // 5 m/s: the guard lets it run.
    for k in 0..30 {
        until(&mut core, &mut next, k * 4000);
        core.handle_pulse(Micros(k * 4000)).ok()?;
        // An input can bring the next deadline forward.
        until(&mut core, &mut next, k * 4000);
    }
    // An image from the future, and one of a detector that is not there.
    let mut image = Image {
        detector: 0,
        captured_at: Micros(999_000),
        seen: Stretch::default(),
        plants: &[],
    };
    until(&mut core, &mut next, 117_000);
    let future = core.handle_image(Micros(117_000), &image);
    (image.detector, image.captured_at) = (7, Micros(116_000));
    let unknown = core.handle_image(Micros(117_000), &image);
    // While moving nothing can be acknowledged.
    let moving = core.acknowledge(Micros(117_000));
    // A pulse 10 µs after the last is faster than the machine can go.
    let fast = core.handle_pulse(Micros(117_000));
    // No pulse and no poll for 184 ms: the stop bound (20 mm at 0.3 m/s, 66.7 ms) has passed.
    next = 300_000;
    until(&mut core, &mut next, 300_000);
    core.handle_emergency_stop(Micros(301_000)).ok()?;
    until(&mut core, &mut next, 301_000);
    // A person.
    until(&mut core, &mut next, 2_000_000);
    core.acknowledge(Micros(2_000_000)).ok()?;
    until(&mut core, &mut next, 2_010_000);
    (future.is_err() && unknown.is_err() && moving.is_err() && fast.is_err()).then_some(())
}

#[entry]
fn main() -> ! {
    let went = drive();
    defmt::info!("end of the drive, as meant: {}", went.is_some());
    loop {
        debug::exit(if went.is_some() {
            debug::EXIT_SUCCESS
        } else {
            debug::EXIT_FAILURE
        });
    }
}
