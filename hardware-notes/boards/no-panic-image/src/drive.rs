//! Drives the controller's whole public face with unknown values.

use crate::outside::{any_u32, any_u64, used_i64, used_u32};
use crate::values::{
    any_length, any_micros, any_prefix, any_pulse_length, any_span, any_speed, used_length,
    used_micros, used_text,
};
use controller_core::sections::MAX_SECTIONS;
use controller_core::{
    Action, Along, BenchRequest, Command, Config, Controller, Counters, DetectorConfig, Direction,
    Distance, FanConfig, GuardState, Image, ImageReport, MAX_PLANTS_PER_IMAGE, Mode, ModesConfig,
    NozzleConfig, Over, PatchConfig, Plant, Poll, RateConfig, SectionConfig, Stretch, TimingConfig,
    TurningConfig, UnseenPolicy, WheelConfig, YawSource,
};

/// Nozzles of the largest boom the image is built for.
const NOZZLES: usize = 48;
/// Remembered intervals a nozzle.
const INTERVALS: usize = 16;
/// Remembered pulses.
const PULSES: usize = 64;
/// Detectors.
const DETECTORS: usize = 4;
/// Most sections of a boom.
const SECTIONS: usize = MAX_SECTIONS;
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
        repeat_growth: any_length(),
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

fn any_modes() -> ModesConfig {
    ModesConfig {
        unseen: if any_u32() == 0 {
            UnseenPolicy::Spray
        } else {
            UnseenPolicy::Skip
        },
        keep_off_margin: any_length(),
        switch_quiet: any_span(),
        acknowledge_at_start: any_u32() == 0,
        bench_on_cap: any_span(),
    }
}

fn any_plant() -> Plant {
    Plant {
        x: any_length(),
        y: any_length(),
        length: any_length(),
        width: any_length(),
        id: any_id(),
    }
}

fn any_id() -> Option<u16> {
    (any_u32() == 0).then(|| any_u32() as u16)
}

fn any_fan() -> Option<FanConfig> {
    (any_u32() == 0).then(|| FanConfig {
        half_width: any_length(),
        flat_half: any_length(),
        spacing: any_length(),
        wanted_share: any_u32() as u16,
    })
}

fn any_turning() -> Option<TurningConfig> {
    (any_u32() == 0).then(|| TurningConfig {
        behind_axle: any_length(),
        wheel_y: any_length(),
        source: match any_pulse_length() {
            Some(pulse_length) => YawSource::SecondWheel {
                pulse_length,
                y: any_length(),
            },
            None => YawSource::Rate,
        },
        most_rate_mrad_s: any_u32(),
        silence: any_span(),
    })
}

fn any_rate() -> Option<RateConfig> {
    (any_u32() == 0).then(|| RateConfig {
        rate_ml_ha: any_u32(),
        width: any_length(),
        flow_ml_min: any_u32() as u16,
        pressure_kpa: any_u32() as u16,
        cycle: any_span(),
        lowest: any_u32() as u16,
        refuse_short: any_u32() == 0,
    })
}

/// Builds one controller from an unknown configuration and hands it unknown
/// inputs in an unknown order until the outside world has had enough.
pub fn controller() {
    let Some(pulse_length) = any_pulse_length() else {
        return;
    };
    let nozzles: [NozzleConfig; NOZZLES + 1] = core::array::from_fn(|_| any_nozzle());
    let detectors: [DetectorConfig; DETECTORS + 1] = core::array::from_fn(|_| any_detector());
    let faulty: [u16; NOZZLES + 1] = core::array::from_fn(|_| any_u32() as u16);
    let flows: [u16; NOZZLES + 1] = core::array::from_fn(|_| any_u32() as u16);
    let sections: [SectionConfig; SECTIONS + 1] = core::array::from_fn(|_| SectionConfig {
        first: any_u32() as u16,
        count: any_u32() as u16,
    });
    let config = Config {
        wheel: WheelConfig {
            pulse_length,
            max_speed: any_speed(),
            creep_speed: any_speed(),
            max_acceleration_mm_s2: any_u32(),
            slots_per_turn: any_u32() as u16,
            direction_input: any_u32() & 1 == 1,
        },
        nozzles: any_prefix(&nozzles),
        detectors: any_prefix(&detectors),
        patch: any_patch(),
        timing: any_timing(),
        fan: any_fan(),
        rate: any_rate(),
        flows_ml_min: any_prefix(&flows),
        faulty: any_prefix(&faulty),
        sections: any_prefix(&sections),
        modes: any_modes(),
        turning: any_turning(),
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
            10 => match boom.note_pulse(any_micros()) {
                Ok(()) => {}
                Err(error) => used_text(&error),
            },
            1 => match boom.handle_pulse(any_micros()) {
                Ok(()) => {}
                Err(error) => used_text(&error),
            },
            2 => image(boom),
            3 => getters(boom),
            4 => match boom.set_nozzle_fault(any_micros(), any_u32() as u16, any_u32() == 0) {
                Ok(()) => {}
                Err(error) => used_text(&error),
            },
            5 => direction(boom),
            6 => order(boom),
            7 => match boom.handle_bench(any_micros(), any_bench()) {
                Ok(()) => {}
                Err(error) => used_text(&error),
            },
            8 => used_u32(u32::from(
                boom.duty(any_micros(), any_u32() as u16).unwrap_or(1001),
            )),
            9 => yaw(boom),
            11 => {
                let cycle = boom.cycle(any_micros(), any_micros(), any_u32() as u16);
                let cycle = cycle.map_or((1001, 0), |c| (c.duty, c.length.0));
                used_u32(u32::from(cycle.0));
                used_u32(cycle.1);
            }
            _ => break,
        }
    }
}

fn yaw(boom: &mut Boom<'_>) {
    let taken = if any_u32() & 1 == 0 {
        boom.handle_yaw_rate(any_micros(), any_u32().cast_signed())
    } else {
        boom.handle_second_pulse(any_micros())
    };
    if let Err(error) = taken {
        used_text(&error);
        #[cfg(feature = "link")]
        crate::link::answer(error.into());
    }
    #[cfg(feature = "turning")]
    used_u32(boom.yaw_counts().inputs);
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
    if any_u32() & 1 == 0 {
        match boom.handle_image(any_micros(), &image) {
            Ok(report) => used_report(report),
            Err(error) => used_text(&error),
        }
        return;
    }
    let mut work = match boom.begin_image(any_micros(), &image) {
        Ok(work) => work,
        Err(error) => return used_text(&error),
    };
    loop {
        if let Some(report) = boom.step_image(&mut work) {
            return used_report(report);
        }
    }
}

fn direction(boom: &mut Boom<'_>) {
    let direction = if any_u32() & 1 == 0 {
        Direction::Forward
    } else {
        Direction::Reverse
    };
    match boom.handle_direction(any_micros(), direction) {
        Ok(()) => {}
        Err(error) => used_text(&error),
    }
}

fn order(boom: &mut Boom<'_>) {
    let now = any_micros();
    let result = match any_u32() {
        0 => boom.handle_mode(now, any_u32() as u8, any_mode()),
        1 => boom.handle_switches(now, any_u64(), any_u64()),
        2 => boom.handle_keep_off(now, any_over(), any_along()),
        3 => boom.handle_emergency_stop(now),
        4 => boom.handle_supply(now, any_u32() == 0),
        5 => boom.handle_pressure(now, any_u32() as u16),
        _ => boom.acknowledge(now),
    };
    if let Err(error) = result {
        used_text(&error);
    }
}

fn any_mode() -> Mode {
    match any_u32() {
        0 => Mode::Spot,
        1 => Mode::Broadcast,
        _ => Mode::Off,
    }
}

fn any_over() -> Over {
    match any_u32() {
        0 => Over::Boom,
        1 => Over::Section(any_u32() as u8),
        _ => Over::Nozzles {
            first: any_u32() as u16,
            count: any_u32() as u16,
        },
    }
}

fn any_along() -> Along {
    if any_u32() == 0 {
        Along::Ahead {
            from: any_length(),
            to: any_length(),
        }
    } else {
        Along::Ground {
            from: Distance(any_u64().cast_signed()),
            to: Distance(any_u64().cast_signed()),
        }
    }
}

fn any_bench() -> BenchRequest {
    let on = any_span();
    match any_u32() {
        0 => BenchRequest::Prime { on },
        1 => BenchRequest::Flush { on },
        2 => BenchRequest::Rinse {
            on,
            off: any_span(),
            times: any_u32() as u8,
        },
        3 => BenchRequest::Click {
            nozzle: any_u32() as u16,
            on,
        },
        4 => BenchRequest::Hold,
        _ => BenchRequest::Release,
    }
}

fn getters(boom: &Boom<'_>) {
    used_i64(boom.distance().to_um());
    used_u32(boom.speed().to_mm_s());
    let nozzle = any_u32() as u16;
    used_u32(boom.is_open(nozzle).map_or(2, u32::from));
    used_u32(boom.planned(nozzle).map_or(0, |count| count as u32));
    used_u32(boom.nozzle_fault(nozzle).map_or(2, u32::from));
    used_u32(boom.detector_silent(any_u32() as u8).map_or(2, u32::from));
    used_u32(match boom.mode(any_u32() as u8) {
        Some(Mode::Spot) => 0,
        Some(Mode::Broadcast) => 1,
        Some(Mode::Off) => 2,
        None => 3,
    });
    let state = boom.guard_state();
    used_u32(u32::from(state.is_latched()));
    used_u32(u32::from(state.allows_spray()));
    used_u32(match state {
        GuardState::Running => 0,
        GuardState::Stopped => 1,
        GuardState::NeverMoved => 2,
        GuardState::PollSilent => 3,
        GuardState::Reversing => 5,
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
    used_u32(u32::from(report.unserved));
    used_u32(u32::from(report.underdosed));
    used_u32(u32::from(report.clipped));
}

fn used_counters(counters: &Counters) {
    // Copied through an opaque call: all fields count, whatever they are named.
    let copy = *core::hint::black_box(counters);
    core::hint::black_box(&copy);
}
