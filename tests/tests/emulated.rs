//! The firmware body on emulated processors: recordings go over the link to images that QEMU
//! runs, and the commands and counters that come back are those of the core in this process.
//!
//! Both sides get recordings in whole millimetres, which is what the link carries. The images
//! come from `scripts/boards`.

mod board;

use board::{Emulated, Played, in_process};
use host_sim::core_setup::Setup;
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::orders::Order;
use host_sim::recording::{Input, Recording};
use host_sim::replay::replay;
use host_sim::run::{DEMO_MACHINE, DEMO_SCENARIO};
use host_sim::scenario::Scenario;

const WHEEL_AND_DETECTOR: &str = "\
[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n\
[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 15.0\nonce = true\n";

const FIELD: &str = "\
[field]\ndensity_per_m2 = 0.5\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n";

/// In a mode, on kept-off ground, after an emergency stop on the move, and acknowledged.
const ORDERS: &str = r#"
[[order]]
event = "mode"
section = 1
mode = "off"
at_m = 8.0
[[order]]
event = "mode"
section = 0
mode = "broadcast"
at_s = 5.0
[[order]]
event = "mode"
section = 0
mode = "spot"
at_s = 6.5
[[order]]
event = "keep_off"
from_m = 14.0
to_m = 15.0
[[order]]
event = "keep_off"
nozzles = [2, 3]
from_m = 10.0
to_m = 18.0
[[order]]
event = "emergency_stop"
at_s = 11.0
[[order]]
event = "acknowledge"
at_s = 14.5
[[order]]
event = "mode"
section = 1
mode = "spot"
at_s = 16.0
"#;

const ORDERED_MOTION: &str = "\
[motion]\nstart_speed_m_s = 2.0\n\
[[motion.piece]]\nduration_s = 12.0\nacceleration_m_s2 = 0.0\n\
[[motion.piece]]\nduration_s = 2.0\nacceleration_m_s2 = -1.0\n\
[[motion.piece]]\nduration_s = 1.0\nacceleration_m_s2 = 0.0\n\
[[motion.piece]]\nduration_s = 2.0\nacceleration_m_s2 = 1.0\n\
[[motion.piece]]\nduration_s = 8.0\nacceleration_m_s2 = 0.0\n";

/// A drive's first 50 s as a recording in whole millimetres, and its machine.
fn recorded(machine: &str, scenario: &str) -> (Machine, Recording) {
    let machine = Machine::parse("machine.toml", machine).expect("a sound machine");
    let scenario = Scenario::parse("scenario.toml", scenario).expect("a sound scenario");
    let mut recording = drive("scenario.toml", &scenario, &machine)
        .expect("drives")
        .recording;
    recording.events.retain(|e| e.t_us < 50_000_000);
    let whole = |m: &mut f64| *m = (*m * 1e3).round() * 1e-3;
    for event in &mut recording.events {
        match &mut event.input {
            Input::Image(image) => {
                whole(&mut image.seen.0);
                whole(&mut image.seen.1);
                for p in &mut image.plants {
                    let all = [&mut p.x_m, &mut p.y_m, &mut p.length_m, &mut p.width_m];
                    all.into_iter().for_each(whole);
                }
            }
            Input::Order(Order::KeepOff { from_m, to_m, .. }) => {
                whole(from_m);
                whole(to_m);
            }
            _ => {}
        }
    }
    (machine, recording)
}

fn scenario(name: &str, motion: &str, orders: &str) -> String {
    format!(
        "scenario_format = 1\nname = \"{name}\"\nseed = 11\nmachine = \"machine.toml\"\n\
         {motion}{FIELD}{WHEEL_AND_DETECTOR}{orders}"
    )
}

/// The demo's machine with two sections.
fn in_sections() -> String {
    let sections = "[[section]]\nnozzles = 4\n[[section]]\nnozzles = 4\n";
    DEMO_MACHINE.replace("[[detector]]", &format!("{sections}[[detector]]"))
}

fn compare(what: &str, there: &Played, here: &Played) {
    println!(
        "{what}: {} commands, {} pulses, {} images, {} refused",
        there.commands.len(),
        there.counters.pulses,
        there.counters.images,
        there.refused
    );
    let first = there
        .commands
        .iter()
        .zip(&here.commands)
        .position(|(a, b)| a != b);
    assert_eq!(first, None, "{what}: the first command that differs");
    assert_eq!(there.commands.len(), here.commands.len(), "{what}");
    assert_eq!(there.counters, here.counters, "{what}");
    assert_eq!(there.refused, here.refused, "{what}");
    assert!(here.commands.len() > 100, "{what}: no empty exercise");
}

/// On the M4, against a core of the simulator's size and against its replay.
fn same_on_m4(name: &str, machine: &str, scenario: &str) {
    let (machine, recording) = recorded(machine, scenario);
    let setup = Setup::new("machine.toml", &machine).expect("sound");
    let here = in_process::<192, 16, 256, 16>(&setup, &machine, &recording);
    let replayed = replay("machine.toml", &machine, &recording).expect("replays");
    let replayed: Vec<_> = replayed
        .commands
        .iter()
        .map(|c| (c.t_us, c.nozzle, c.open))
        .collect();
    assert!(
        replayed == here.commands,
        "{name}: replay and this test differ"
    );
    let there = Emulated::m4().play(&setup, &machine, &recording);
    compare(name, &there, &here);
}

#[test]
fn the_demo_is_the_same_on_the_m4() {
    same_on_m4("demo", DEMO_MACHINE, DEMO_SCENARIO);
}

#[test]
fn the_urban_cycle_is_the_same_on_the_m4() {
    let text = scenario("urban cycle", "[motion]\nprofile = \"ece15_half\"\n", "");
    same_on_m4("urban cycle", DEMO_MACHINE, &text);
}

#[test]
fn an_ordered_drive_is_the_same_on_the_m4() {
    let text = scenario("ordered drive", ORDERED_MOTION, ORDERS);
    same_on_m4("ordered drive", &in_sections(), &text);
}

/// On one M0 board after the other: each upload starts afresh. The core here has the size
/// that the M0 has room for.
#[test]
fn all_three_are_the_same_on_the_m0() {
    let urban = scenario("urban cycle", "[motion]\nprofile = \"ece15_half\"\n", "");
    let ordered = scenario("ordered drive", ORDERED_MOTION, ORDERS);
    let mut board = Emulated::m0();
    for (name, machine, scenario) in [
        ("demo", DEMO_MACHINE.to_owned(), DEMO_SCENARIO),
        ("urban cycle", DEMO_MACHINE.to_owned(), &urban),
        ("ordered drive", in_sections(), &ordered),
    ] {
        let (machine, recording) = recorded(&machine, scenario);
        let setup = Setup::new("machine.toml", &machine).expect("sound");
        let here = in_process::<8, 8, 32, 1>(&setup, &machine, &recording);
        let there = board.play(&setup, &machine, &recording);
        compare(name, &there, &here);
    }
}

/// What the comparison is worth: four millimetres and a lost pulse must show.
#[test]
fn a_small_difference_shows() {
    let text = scenario("ordered drive", ORDERED_MOTION, "");
    let (machine, recording) = recorded(DEMO_MACHINE, &text);
    let setup = Setup::new("machine.toml", &machine).expect("sound");
    let here = in_process::<8, 8, 32, 1>(&setup, &machine, &recording);
    let mut moved = recording.clone();
    let plant = moved.events.iter_mut().find_map(|e| match &mut e.input {
        Input::Image(image) if e.t_us > 3_000_000 => image.plants.first_mut(),
        _ => None,
    });
    let plant = plant.expect("plants are seen");
    plant.length_m += 0.004;
    let mut short = recording.clone();
    let pulses: Vec<_> = (0..short.events.len())
        .filter(|&i| short.events[i].input == Input::Pulse)
        .collect();
    short.events.remove(pulses[pulses.len() / 2]);
    let mut board = Emulated::m0();
    for (what, changed) in [("a longer plant", moved), ("a lost pulse", short)] {
        let there = board.play(&setup, &machine, &changed);
        assert!(there.commands != here.commands, "{what} does not show");
    }
}
