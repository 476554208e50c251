//! Against values from outside the project. The source stands beside each.

use controller_core::*;
use ground_truth::Ground;
use ground_truth::cycle::{URBAN_CYCLE, urban_cycle};
use ground_truth::motion::Motion;
use ground_truth::wheel::{Wheel, WheelSpec};
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use system_tests::{judged, one_lane};

/// UN Regulation No. 83, type I test, urban cycle (ECE-15), Annex 4a, Table 1: its exact
/// integral is 1,014.583 m; the regulation gives 1.013 km (§6.1.1).
#[test]
fn the_cycle_has_its_published_length() {
    let metres: f64 = URBAN_CYCLE
        .windows(2)
        .map(|w| (w[1].0 - w[0].0) * (w[0].1 + w[1].1) / 7.2)
        .sum();
    assert!((metres - 1014.583).abs() < 0.001, "{metres}");
    assert!((metres / 1013.0 - 1.0).abs() < 0.002);
}

/// At half speed through wheel and odometer: half of 1,014.583 m, within the pulse
/// that has not come.
#[test]
fn the_odometer_measures_the_cycle_at_half_speed() {
    let points = urban_cycle(0.5);
    let motion = Motion::from_speed_points(0.0, &points).expect("the table");
    let spec = WheelSpec {
        pulse_length_m: 0.02,
        slots: 100,
        unevenness: 0.01,
        stamp_jitter_s: 10e-6,
        seed: 3,
    };
    let wheel = Wheel::new(spec).expect("a usual wheel");
    let pulses = wheel.pulses(&motion, 195.0);
    let mut core = one_lane(|_, _| ());
    for t in &pulses {
        let _counted = core.handle_pulse(Micros((t * 1e6).round() as u64));
    }
    assert_eq!(core.counters().pulses_refused, 0);
    let metres = core.distance().to_um() as f64 / 1e6;
    println!("odometer {metres:.3} m of {:.3} m", 1014.583 / 2.0);
    assert!((metres - 1014.583 / 2.0).abs() < 0.041, "{metres} m");
    assert!((motion.position(195.0) - 1014.583 / 2.0).abs() < 0.001);
}

/// The same cycle with three plants a square metre, detector 1.5 m ahead: every plant
/// full, those included over which the machine stops and sets off again. It may creep
/// at 0.1 m/s before the guard closes (stop bound 0.2 s): at 0.3 m/s some decimetres
/// behind each stop stay dry.
#[test]
fn every_plant_of_the_cycle_gets_its_dose() {
    let text = DEMO_MACHINE.replace("x_m = 1.2", "x_m = 1.5");
    assert_ne!(text, DEMO_MACHINE);
    let machine = Machine::parse("machine.toml", &text).expect("the demo's, detector moved");
    let scenario = Scenario::parse(
        "scenario.toml",
        "scenario_format = 1\nname = \"urban cycle at half speed\"\nseed = 11\nmachine = \"machine.toml\"\n\
         [motion]\nprofile = \"ece15_half\"\n\
         [field]\ndensity_per_m2 = 3.0\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n\
         [wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n\
         [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 15.0\nonce = true\n",
    )
    .expect("the scenario");
    let report = judged(&scenario, &machine);
    println!(
        "{} plants full of {}; start rms {:.2} p99.9 {:.2} max {:.2} mm; stop rms {:.2} p99.9 {:.2} max {:.2} mm",
        report.targets.full,
        report.targets.total,
        report.start.rms * 1e3,
        report.start.p99_9 * 1e3,
        report.start.max * 1e3,
        report.stop.rms * 1e3,
        report.stop.p99_9 * 1e3,
        report.stop.max * 1e3
    );
    assert!(report.targets.total > 6000);
    assert_eq!(
        report.targets.full, report.targets.total,
        "{:?}",
        report.reasons
    );
    // Wheel slots 1 % uneven are not learned yet; the tail is where the machine stands.
    assert!(report.start.rms < 3e-3 && report.stop.rms < 3e-3);
    assert!(report.start.p99_9 < 15e-3 && report.stop.p99_9 < 15e-3);
}

/// Mangus et al. 2017, Trans. ASABE 60(2), abstract: 20 ms until nozzle pressure after
/// energising, 10 ms of spray after de-energising. They are the defaults.
#[test]
fn default_valve_delays_are_the_published_ones() {
    let nozzle = NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500));
    assert_eq!(
        (nozzle.open_delay, nozzle.close_delay),
        (Span::from_ms(20), Span::from_ms(10))
    );
}
