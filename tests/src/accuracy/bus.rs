//! The same drives with speed and distance from the tractor bus in place of the wheel.
//!
//! Ten messages a second, in whole mm and mm/s as the bus carries them, each of the machine's
//! state some time before it was sent and held up on its way. The core's driver makes pulses
//! of them; what those are worth is judged like a wheel's, by the exact motion.
//! The sender knows its travel exactly: what a radar or a receiver errs and smooths comes on top.

use controller_core::Micros;
use controller_core::drivers::tractor_bus::{BusSpeed, Heading, MAX_DISTANCE_MM, Source};
use controller_core::drivers::virtual_pulses::VirtualPulses;
use ground_truth::{Ground, Motion};

use super::Random;

/// How the bus tells of travel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bus {
    /// Pulses made from it, mm.
    pub pulse_mm: u32,
    /// How old what a message says is when it is sent, s.
    pub age_s: f64,
    /// The most that a message is held up on its way, s.
    pub held_up_s: f64,
}

/// From message to message, s (ISO 11783-7: 100 ms).
const INTERVAL_S: f64 = 0.1;
/// The distance that the sender starts from: 20 m before the roll-over, so that each drive
/// runs over it.
const FIRST_MM: u32 = MAX_DISTANCE_MM - 20_000;

/// The stamps of the pulses that the driver makes, s.
pub(super) fn stamps(motion: &Motion, bus: Bus, seed: u64) -> Vec<f64> {
    let mut random = Random(seed ^ 0xB05);
    let mut pulses = VirtualPulses::new(bus.pulse_mm * 1000).expect("a usual length");
    let mut stamps = Vec::new();
    let mut upto = |pulses: &mut VirtualPulses, now: f64| {
        let now = Micros((now * 1e6).round() as u64);
        stamps.extend(core::iter::from_fn(|| pulses.poll(now)).map(|at| at.0 as f64 / 1e6));
        now
    };
    let mut last = 0.0_f64;
    for k in 0..(motion.end() / INTERVAL_S) as u32 {
        let sent = f64::from(k) * INTERVAL_S;
        // One bus: a message never overtakes the one before it.
        last = (sent + bus.held_up_s * random.even()).max(last);
        let of = (sent - bus.age_s).max(0.0);
        let mm = (motion.position(of) * 1000.0).round() as u64 + u64::from(FIRST_MM);
        let message = BusSpeed {
            source: Source::Ground,
            sender: 0x20,
            speed_mm_s: Some((motion.speed(of) * 1000.0).round() as u16),
            distance_mm: Some((mm % (u64::from(MAX_DISTANCE_MM) + 1)) as u32),
            heading: Some(Heading::Forward),
        };
        let now = upto(&mut pulses, last);
        pulses.message(now, &message);
    }
    upto(&mut pulses, motion.end());
    assert_eq!(pulses.restarts(), 0, "a roll-over is no restart");
    stamps
}
