//! Drives the controller's whole public face with unknown values.

use crate::outside::{any_u32, used_i64, used_u32};
use crate::values::{
    any_length, any_micros, any_prefix, any_pulse_length, any_span, any_speed, used_length,
    used_micros, used_text,
};
use controller_core::{
    Action, Command, Config, Controller, Counters, DetectorConfig, GuardState, Image, ImageReport,
    MAX_PLANTS_PER_IMAGE, NozzleConfig, PatchConfig, Plant, Poll, Stretch, TimingConfig,
    WheelConfig,
};

/// Nozzles of the largest boom the image is built for.
const NOZZLES: usize = 48;
/// Remembered intervals a nozzle.
const INTERVALS: usize = 16;
/// Remembered pulses.
const PULSES: usize = 64;
/// Detectors.
const DETECTORS: usize = 4;
/// Plants in one image: one more than a message may hold.
const PLANTS: usize = MAX_PLANTS_PER_IMAGE + 1;

type Boom<'a> = Controller<'a, NOZZLES, INTERVALS, PULSES, DETECTORS>;

fn any_nozzle() -> NozzleConfig {
    NozzleConfig {
        x: any_length(),
        y: any_length(),
        lane_width: any_length(),
        open_delay: any_span(),
        close_delay: any_span(),
        throw: any_span(),
    }
}

fn any_detector() -> DetectorConfig {
    DetectorConfig {
        x: any_length(),
        y: any_length(),
        view_left: any_length(),
        view_right: any_length(),
    }
}

fn any_patch() -> PatchConfig {
    PatchConfig {
        lead: any_length(),
        lead_time: any_span(),
        trail: any_length(),
        trail_time: any_span(),
        edge_extra: any_length(),
        open_extra_time: any_span(),
        close_extra_time: any_span(),
        lateral_margin: any_length(),
    }
}

fn any_timing() -> TimingConfig {
    TimingConfig {
        decision_period: any_span(),
        slack: any_span(),
        shortest_on: any_span(),
        shortest_off: any_span(),
        poll_silence: any_span(),
        detector_silence: any_span(),
        max_detection_age: any_span(),
    }
}

fn any_plant() -> Plant {
    Plant {
        x: any_length(),
        y: any_length(),
        length: any_length(),
        width: any_length(),
    }
}

/// Builds one controller from an unknown configuration and hands it unknown
/// inputs in an unknown order until the outside world has had enough.
pub fn controller() {
    let Some(pulse_length) = any_pulse_length() else {
        return;
    };
    let nozzles: [NozzleConfig; NOZZLES + 1] = core::array::from_fn(|_| any_nozzle());
    let detectors: [DetectorConfig; DETECTORS + 1] = core::array::from_fn(|_| any_detector());
    let config = Config {
        wheel: WheelConfig {
            pulse_length,
            max_speed: any_speed(),
            creep_speed: any_speed(),
            max_acceleration_mm_s2: any_u32(),
            slots_per_turn: any_u32() as u16,
        },
        nozzles: any_prefix(&nozzles),
        detectors: any_prefix(&detectors),
        patch: any_patch(),
        timing: any_timing(),
    };
    if let Err(error) = config.validate(any_u32() as usize, any_u32() as usize) {
        used_text(&error);
    }
    #[cfg(feature = "sender")]
    crate::sender::sender(&config);
    match Boom::new(&config) {
        Ok(mut boom) => drive(&mut boom),
        Err(error) => used_text(&error),
    }
}

fn drive(boom: &mut Boom<'_>) {
    loop {
        match any_u32() {
            0 => drain(boom),
            1 => match boom.handle_pulse(any_micros()) {
                Ok(()) => {}
                Err(error) => used_text(&error),
            },
            2 => image(boom),
            3 => getters(boom),
            _ => break,
        }
    }
}

fn drain(boom: &mut Boom<'_>) {
    let now = any_micros();
    loop {
        match boom.poll(now) {
            Poll::Command(command) => used_command(command),
            Poll::Busy => {}
            Poll::Idle { next } => {
                used_micros(next);
                break;
            }
        }
    }
}

fn image(boom: &mut Boom<'_>) {
    let plants: [Plant; PLANTS] = core::array::from_fn(|_| any_plant());
    let image = Image {
        detector: any_u32() as u8,
        captured_at: any_micros(),
        seen: Stretch {
            from: any_length(),
            to: any_length(),
        },
        plants: any_prefix(&plants),
    };
    match boom.handle_image(any_micros(), &image) {
        Ok(report) => used_report(report),
        Err(error) => used_text(&error),
    }
}

fn getters(boom: &Boom<'_>) {
    used_i64(boom.distance().to_um());
    used_u32(boom.speed().to_mm_s());
    let nozzle = any_u32() as u16;
    used_u32(boom.is_open(nozzle).map_or(2, u32::from));
    used_u32(boom.planned(nozzle).map_or(0, |count| count as u32));
    used_u32(boom.detector_silent(any_u32() as u8).map_or(2, u32::from));
    let state = boom.guard_state();
    used_u32(u32::from(state.allows_spray()));
    used_u32(match state {
        GuardState::Running => 0,
        GuardState::Stopped => 1,
        GuardState::NeverMoved => 2,
        GuardState::PollSilent => 3,
        _ => 4,
    });
    used_counters(boom.counters());
}

fn used_command(command: Command) {
    used_u32(u32::from(command.nozzle));
    used_u32(match command.action {
        Action::Open => 0,
        Action::Close => 1,
        _ => 2,
    });
    used_micros(command.at);
    used_length(command.short_by);
}

fn used_report(report: ImageReport) {
    used_u32(u32::from(report.accepted));
    used_u32(u32::from(report.outside));
    used_u32(u32::from(report.late));
    used_u32(u32::from(report.grown));
}

fn used_counters(counters: &Counters) {
    // Copied through an opaque call: all fields count, whatever they are named.
    let copy = *core::hint::black_box(counters);
    core::hint::black_box(&copy);
}
