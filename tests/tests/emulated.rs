//! The firmware body on emulated processors: recordings go over the link to images that QEMU
//! runs, and the commands and counters that come back are those of the core in this process.
//!
//! Both sides get recordings in whole millimetres, which is what the link carries. The images
//! come from `scripts/boards`.

mod board;
mod qemu;

use board::{Emulated, Played, in_process};
use controller_core::link::{Bench, FromBoard, Refusal, SectionState, ToBoard};
use host_sim::core_setup::Setup;
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::over_link::whole_millimetres;
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
    whole_millimetres(&mut recording);
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

/// A drive of 40 s around an arc, with what the machine names as its turning input.
fn around_an_arc(turning: &str, sensor: &str) -> (String, String) {
    let machine = DEMO_MACHINE
        .replace("nozzles = 8", "nozzles = 24")
        .replace("view_left_m = 2.2", "view_left_m = 12.0")
        .replace("view_right_m = 2.2", "view_right_m = 12.0");
    let motion = "[motion]\nstart_speed_m_s = 0.0\n\
         [[motion.piece]]\nduration_s = 5.0\nacceleration_m_s2 = 0.0\n\
         [[motion.piece]]\nduration_s = 3.0\nacceleration_m_s2 = 1.0\n\
         [[motion.piece]]\nduration_s = 32.0\nacceleration_m_s2 = 0.0\n\
         [[motion.leg]]\nlength_m = 15.0\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = 25.0\n\
         [[motion.leg]]\nturn_deg = 120.0\nradius_m = 25.0\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = 0\n\
         [[motion.leg]]\nlength_m = 60.0\n\
         [boom]\nbehind_axle_m = 2.0\n";
    let machine = format!("{machine}\n[turning]\nbehind_axle_m = 2.0\n{turning}");
    (machine, scenario("around an arc", motion, sensor))
}

const TWO_WHEELS: &str = "wheel_y_m = -0.9\nsecond_wheel_y_m = 0.9\nsecond_pulse_length_m = 0.02\n";

/// From the yaw rate and from a second wheel; and it turns, so that a board which drives
/// straight on would differ.
#[test]
fn a_drive_around_an_arc_is_the_same_on_the_m4() {
    for (name, turning, sensor) in [
        (
            "yaw rate",
            "",
            "[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1\n",
        ),
        ("second wheel", TWO_WHEELS, "[second_wheel]\ny_m = 0.9\n"),
    ] {
        let (machine, scenario) = around_an_arc(turning, sensor);
        same_on_m4(name, &machine, &scenario);
        let (machine, recording) = recorded(&machine, &scenario);
        let straight = Machine {
            turning: None,
            ..machine.clone()
        };
        let told = replay("machine.toml", &machine, &recording).expect("replays");
        let blind = replay("machine.toml", &straight, &recording).expect("replays");
        assert_ne!(told.commands, blind.commands, "{name}");
    }
}

/// A core without the feature `turning` takes no machine that turns, and no yaw rate; one with
/// it takes what its machine names, and says why not.
#[test]
fn what_a_board_cannot_turn_by_it_refuses() {
    let yaw = ToBoard::YawRate { urad_s: 100_000 };
    let second = ToBoard::SecondPulse { at_us: 1_000_000 };
    let until = |at_us| ToBoard::Until { at_us };
    let setup = |text: &str| {
        let machine = Machine::parse("machine.toml", text).expect("sound");
        Setup::new("machine.toml", &machine).expect("sound")
    };
    let mut board = Emulated::m0();
    let turning = format!("{DEMO_MACHINE}\n[turning]\nbehind_axle_m = 2.0\n");
    assert_eq!(
        board.offer(&setup(&turning)),
        Err(Refusal::NotSupported),
        "a machine that turns"
    );
    assert_eq!(board.offer(&setup(DEMO_MACHINE)), Ok(()));
    assert_eq!(board.ask(until(1_000_000)).1, Ok(()));
    assert_eq!(board.ask(yaw).1, Err(Refusal::NoTurningInput));
    assert_eq!(board.ask(second).1, Err(Refusal::NoTurningInput));

    let mut board = Emulated::m4();
    assert_eq!(board.ask(yaw).1, Err(Refusal::BadMachine), "no machine yet");
    board.upload(&setup(&turning));
    assert_eq!(board.ask(until(1_000_000)).1, Ok(()));
    assert_eq!(board.ask(second).1, Err(Refusal::NoTurningInput));
    let wild = ToBoard::YawRate { urad_s: 4_000_000 };
    assert_eq!(board.ask(wild).1, Err(Refusal::TurnsTooFast));
    let backwards = ToBoard::SecondPulse { at_us: 999_999 };
    assert_eq!(board.ask(backwards).1, Err(Refusal::TooOld));
    // What is taken is not answered: the next answer is that of what follows.
    board.say(yaw);
    board.say(ToBoard::Pressure { kpa: 250 });
    assert_eq!(board.ask(until(1_100_000)), (Vec::new(), Ok(())));
}

/// Every order that a recording may hold, on the move, at rest and where it is refused.
const EVERY_ORDER: &str = r#"
{"event":"bench","t_us":100000,"ask":"hold"}
{"event":"bench","t_us":200000,"ask":"prime","on_us":300400}
{"event":"bench","t_us":600000,"ask":"hold"}
{"event":"bench","t_us":650000,"ask":"flush","on_us":300000}
{"event":"bench","t_us":1100000,"ask":"click","nozzle":3,"on_us":60000}
{"event":"bench","t_us":1300000,"ask":"rinse","on_us":80000,"off_us":70000,"times":2}
{"event":"bench","t_us":1700000,"ask":"flush","on_us":3000000}
{"event":"bench","t_us":2050000,"ask":"release"}
{"event":"bench","t_us":2100000,"ask":"flush","on_us":90000000}
{"event":"bench","t_us":2200000,"ask":"flush","on_us":400000}
{"event":"direction","t_us":6000000,"direction":"reverse"}
{"event":"direction","t_us":7000000,"direction":"forward"}
{"event":"switches","t_us":8000000,"spot":[0],"broadcast":[1]}
{"event":"bench","t_us":8500000,"ask":"click","nozzle":3,"on_us":60000}
{"event":"switches","t_us":9000000,"spot":[0,1],"broadcast":[]}
{"event":"mode","t_us":9500000,"mode":"broadcast"}
{"event":"mode","t_us":10500000,"mode":"spot"}
{"event":"mode","t_us":10600000,"section":7,"mode":"off"}
{"event":"keep_off","t_us":10700000,"section":1,"from_mm":500,"to_mm":1500}
{"event":"keep_off","t_us":10800000,"section":9,"from_mm":500,"to_mm":1500}
{"event":"keep_off","t_us":10900000,"from_mm":-9000,"to_mm":-8000}
{"event":"supply","t_us":12000000,"ok":false}
{"event":"acknowledge","t_us":17000000}
{"event":"supply","t_us":17100000,"ok":true}
{"event":"acknowledge","t_us":17200000}
"#;

/// A drive with the orders above: standing for 3 s, then at 1 m/s, with a pulse too soon and
/// a stop before the end.
fn with_every_order() -> (Machine, Recording) {
    let text = in_sections().replace("[wheel]", "[wheel]\ndirection_input = true");
    let machine = Machine::parse("machine.toml", &text).expect("a sound machine");
    let mut lines: Vec<(u64, String)> = Vec::new();
    let mut pulse =
        |t_us: u64| lines.push((t_us, format!("{{\"event\":\"pulse\",\"t_us\":{t_us}}}")));
    for k in 0..600 {
        pulse(3_000_000 + 20_000 * k);
    }
    pulse(8_000_900);
    for k in 0..300 {
        pulse(18_000_000 + 20_000 * k);
    }
    for k in 0..120_u64 {
        let (t, x) = (4_000_000 + 100_000 * k, 300 + 37 * (k % 9));
        let y = (k * 613 % 3800).cast_signed() - 1900;
        let image = format!(
            "{{\"event\":\"image\",\"t_us\":{t},\"detector\":0,\"captured_us\":{},\"seen_mm\":[0,800],\
             \"plants\":[{{\"x_mm\":{x},\"y_mm\":{y},\"length_mm\":80,\"width_mm\":60}}]}}",
            t - 60_000
        );
        lines.push((t, image));
    }
    for line in EVERY_ORDER.trim().lines() {
        let at = line.split("\"t_us\":").nth(1).expect("stamped");
        let at = at.split([',', '}']).next().expect("a number");
        lines.push((at.parse().expect("a number"), line.to_owned()));
    }
    lines.sort_by_key(|line| line.0);
    let mut text = "{\"recording_format\":1,\"name\":\"every order\"}\n".to_owned();
    for (_, line) in lines {
        text.push_str(&line);
        text.push('\n');
    }
    let recording = Recording::read("orders.jsonl", text.as_bytes()).expect("a sound recording");
    (machine, recording)
}

#[test]
fn every_order_is_the_same_on_the_m4() {
    let (machine, recording) = with_every_order();
    let setup = Setup::new("machine.toml", &machine).expect("sound");
    let here = in_process::<192, 16, 256, 16>(&setup, &machine, &recording);
    let c = &here.counters;
    // All of it happened: what ran, what was refused, what the machine told of itself.
    assert_eq!((c.bench_runs, c.bench_refused), (5, 4), "{c:?}");
    assert_eq!((c.turns, c.supply_lows, c.acknowledged), (2, 1, 1));
    assert_eq!((c.orders_refused, c.keep_offs), (4, 1));
    assert!(c.mode_changes >= 6 && c.pulses_refused == 1);
    let there = Emulated::m4().play(&setup, &machine, &recording);
    compare("every order", &there, &here);
}

#[test]
fn regular_news_tell_of_sections_and_faults() {
    let machine = Machine::parse("machine.toml", &in_sections()).expect("sound");
    let setup = Setup::new("machine.toml", &machine).expect("sound");
    let mut board = Emulated::m0();
    let report = |every_ms| ToBoard::Report { every_ms };
    let (news, done) = board.ask(report(200));
    assert_eq!(done, Ok(()), "without a machine too");
    let [FromBoard::Motion(motion)] = news.as_slice() else {
        panic!("{news:?}")
    };
    assert_eq!(motion.faults, 1 << 18);
    board.upload(&setup);
    let fault = |nozzle| ToBoard::NozzleFault {
        nozzle,
        faulty: true,
    };
    assert_eq!(board.ask(fault(8)).1, Err(Refusal::NoSuchPlace));
    assert_eq!(board.ask(fault(5)).1, Ok(()));
    let direction = ToBoard::Direction { reverse: true };
    assert_eq!(board.ask(direction).1, Err(Refusal::NoDirectionInput));
    let until = |at_us| ToBoard::Until { at_us };
    assert_eq!(board.ask(until(1_000_000)).1, Ok(()));
    // A second section's nozzle 5 is left out of a flush of half a second.
    let flush = |request| ToBoard::Bench { token: 7, request };
    let request = Bench::Flush { on_us: 400_000 };
    assert_eq!(board.ask(flush(request)).1, Ok(()));
    assert_eq!(board.ask(flush(request)).1, Err(Refusal::Busy));
    let other = ToBoard::Bench {
        token: 8,
        request: Bench::Hold,
    };
    assert_eq!(board.ask(other).1, Err(Refusal::NoSuchRun));
    let (news, _) = board.ask(until(1_300_000));
    let open: Vec<_> = sections(&news).iter().map(|s| (s.count, s.open)).collect();
    assert_eq!(open, [(4, 4), (4, 3)], "{news:?}");
    let (news, _) = board.ask(until(1_310_000));
    assert!(sections(&news).is_empty(), "not due again yet");
    let (news, _) = board.ask(until(2_000_000));
    let states = sections(&news);
    let spent: Vec<_> = states.iter().map(|s| (s.open, s.faulty, s.on_ms)).collect();
    assert_eq!(spent, [(0, 0, 1600), (0, 1, 1200)], "{news:?}");
    let motion = news.iter().find_map(|n| match n {
        FromBoard::Motion(motion) => Some((motion.faults, motion.open, motion.speed_mm_s)),
        _ => None,
    });
    assert_eq!(motion, Some((1 << 20, 0, 0)));
    assert_eq!(board.ask(report(0)).1, Ok(()));
    assert!(sections(&board.ask(until(9_000_000)).0).is_empty());
}

fn sections(news: &[FromBoard]) -> Vec<SectionState> {
    let all = news.iter().filter_map(|message| match message {
        FromBoard::Section(state) => Some(*state),
        _ => None,
    });
    all.collect()
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
