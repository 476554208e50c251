//! `[rate]` from the machine file to the verdict: duties in the replay, litres on the ground.

mod common;

use common::{Demo, host_sim, messages};
use host_sim::agronomy::Agronomy;
use host_sim::check::evenness;
use host_sim::core_setup::Setup;
use host_sim::cycles::wires;
use host_sim::generate;
use host_sim::machine::Machine;
use host_sim::recording::{Input, Recording};
use host_sim::replay::replay;
use host_sim::run::{Controlled, judge};
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;
use serde_json::Value;

/// 40 L/ha from 0.8 L/min half a metre wide: fully open at 24 km/h, 6.67 m/s.
const RATE: &str = "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\nlowest_duty_percent = 20.0\npressure_kpa = 300.0\nflow_l_min = 0.8\n";

/// The demo's machine with 110 degree fans, long margins and a rate.
fn machine(changes: &[(&str, &str)]) -> String {
    let mut text = host_sim::run::DEMO_MACHINE.replace(
        "lane_width_m = 0.5\nfan_thickness_m = 0.04",
        "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 10.0",
    ) + RATE;
    for (old, new) in changes {
        assert!(text.contains(old), "the machine has {old}");
        text = text.replace(old, new);
    }
    text
}

fn json(args: &[&str], status: i32) -> Value {
    let out = host_sim(&[args, &["--json"]].concat());
    assert_eq!(out.status.code(), Some(status), "{}", messages(&out));
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

fn figure(result: &Value, key: &str) -> f64 {
    let list = result["figures"].as_array().expect("a list");
    let found = list.iter().find(|f| f["key"] == key);
    found.unwrap_or_else(|| panic!("no {key}"))["value"]
        .as_f64()
        .expect("a number")
}

#[test]
fn check_tells_what_the_duties_hold() {
    let demo = Demo::new("rate-check");
    let path = demo.write("m.toml", machine(&[]).as_bytes());
    let result = json(&["check", &path], 0);
    let near = |key: &str, by_hand: f64| {
        let found = figure(&result, key);
        assert!((found - by_hand).abs() < 1e-6 * by_hand, "{key}: {found}");
    };
    // 0.8 L/min x 600 / (40 L/ha x 0.5 m) = 24 km/h.
    near("rate_full_flow_m_s", 24.0 / 3.6);
    // 20 % of 40 ms less 5 ms of dead time: 3 ms, 0.075 of full flow.
    near("rate_lowest_m_s", 0.075 * 24.0 / 3.6);
    // 20 ms of 40 must stay closed.
    near("rate_highest_duty_percent", 50.0);
    // 300 kPa x (8 / 6.667)²: flow goes with the root of pressure.
    near("rate_pressure_at_fastest_kpa", 432.0);
    near("rate_short_patch_m", 0.12 * 0.5);
    let warnings = result["warnings"].to_string();
    for word in ["is not held at 300 kPa", "the shortest patch passes in"] {
        assert!(warnings.contains(word), "{word}: {warnings}");
    }
    // The controller refuses short patches where it is told to.
    let strict = RATE.to_owned() + "refuse_short_patches = true\n";
    let path = demo.write("strict.toml", machine(&[(RATE, &strict)]).as_bytes());
    assert_eq!(json(&["check", &path], 1)["verdict"], "broken");
    // Without a rate there is none of it.
    let plain = demo.write("plain.toml", &demo.read("machine.toml"));
    let figures = json(&["check", &plain], 0)["figures"].to_string();
    assert!(!figures.contains("rate_full_flow"), "{figures}");
}

#[test]
fn a_bad_rate_is_named_with_its_place() {
    let demo = Demo::new("rate-bad");
    let text = machine(&[]);
    let line = text.lines().position(|l| l.starts_with("cycle_hz"));
    let line = line.expect("it is there") + 1;
    for (old, new, word) in [
        ("rate_l_ha = 40.0", "rate_l_ha = -1.0", "`rate_l_ha` is -1"),
        ("cycle_hz = 25.0", "cycle_hz = 900.0", "`cycle_hz` is 900"),
        ("cycle_hz = 25.0\n", "", "missing field"),
        ("pressure_kpa = 300.0\n", "", "does not tell the pressure"),
        ("flow_l_min = 0.8\n", "", "does not tell the flow"),
        (
            "flow_l_min = 0.8",
            "flow_l_min = 0.8\nflows_l_min = [0.8]",
            "both `flow_l_min`",
        ),
        (
            "flow_l_min = 0.8",
            "flows_l_min = [0.8, 0.9]",
            "holds 2 flows",
        ),
        (
            "flow_l_min = 0.8",
            "flow_l_min = 80.0",
            "outside 0.01 to 65",
        ),
        ("flow_l_min = 0.8", "flow_lmin = 0.8", "unknown field"),
    ] {
        let path = demo.write("bad.toml", machine(&[(old, new)]).as_bytes());
        let out = host_sim(&["check", &path]);
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{shown}");
        assert!(
            shown.contains(word) && shown.contains("bad.toml:"),
            "{shown}"
        );
    }
    let path = demo.write(
        "col.toml",
        machine(&[("cycle_hz = 25.0", "cycle_hz = 900")]).as_bytes(),
    );
    let shown = messages(&host_sim(&["check", &path]));
    assert!(shown.contains(&format!("col.toml:{line}:12")), "{shown}");
}

#[test]
fn sizes_that_differ_and_the_spray_reach_the_core() {
    let flows = "flows_l_min = [0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 1.6]";
    let text = machine(&[("flow_l_min = 0.8", flows)]);
    let machine_of = |text: &str| Machine::parse("m.toml", text).expect("right");
    let setup = Setup::new("m.toml", &machine_of(&text)).expect("right");
    assert_eq!(setup.config().flows_ml_min[6..], [800, 1600]);
    let rate = setup.config().rate.expect("a rate");
    assert_eq!(
        (rate.rate_ml_ha, rate.cycle.0, rate.lowest),
        (40_000, 40_000, 200)
    );
    // Size 03 at 200 kPa, brought to the 300 of [rate]: its nominal 1.2 L/min.
    let spray = "\n[spray]\nsize = \"03\"\npressure_kpa = 200\ndrops = \"medium\"\n";
    let text = machine(&[("flow_l_min = 0.8\n", spray)]);
    let rate = machine_of(&text).rate.expect("a rate");
    assert!((rate.flows_l_min[0] - 1.2).abs() < 1e-12);
}

/// The demo's strip with plants of half a metre, so that patches have cycles.
fn long_plants() -> String {
    host_sim::run::DEMO_SCENARIO
        .replace("density_per_m2 = 0.15", "density_per_m2 = 0.05")
        .replace("size_mean_m = 0.09", "size_mean_m = 0.45")
        .replace("size_sd_m = 0.04", "size_sd_m = 0.05")
        .replace("size_min_m = 0.03", "size_min_m = 0.35")
        .replace("size_max_m = 0.2", "size_max_m = 0.55")
}

/// Held duties bring the rate over a whole drive at 2 to 5 m/s; full flow brings 1.3 to 3.3
/// times as much.
#[test]
fn duties_hold_the_rate_over_a_drive_and_the_verdict_is_in_litres() {
    // A valve that may shut for a moment only, so that duties above a half are told too.
    let text = machine(&[
        ("shortest_off_ms = 20.0", "shortest_off_ms = 4.0"),
        ("cycle_hz = 25.0", "cycle_hz = 25.0\nlabel_max_l_ha = 60.0"),
    ]);
    let machine = Machine::parse("m.toml", &text).expect("right");
    let scenario = Scenario::parse("s.toml", &long_plants()).expect("right");
    let drive = generate::drive("s.toml", &scenario, &machine).expect("drives");
    let scene =
        Scene::from_truth("t.json", &drive.truth, &machine, &drive.recording).expect("a scene");
    let run = replay("m.toml", &machine, &drive.recording).expect("replays");
    // A cycle that would begin just before its patch ends is told nothing.
    let told = run.duties.iter().filter(|d| d.thousandths > 0).count();
    assert_eq!(told, run.counters.duties as usize);
    assert!(run.counters.duties > 300, "{:?}", run.counters.duties);
    let (report, summary) =
        judge(&machine, &drive.recording, &scene, &Controlled::Core(&run)).expect("judges");
    println!("{}", summary.table());
    let field = summary.field.as_ref().expect("a grid");
    assert_eq!(
        report.targets.total,
        field.full + field.partial + field.missed
    );
    assert_eq!(field.missed, 0);
    assert!(
        field.valve_cycles > run.commands.len(),
        "{}",
        field.valve_cycles
    );
    let duty = field.duty_percent.expect("it opened");
    assert!(duty > 30.0 && duty < 85.0, "{duty}");
    let hit = summary.hit_share.expect("plants");
    assert!(hit.low < hit.value && hit.value <= hit.high);
    // The same patches fully open: far more litres, and more of the ground over-dosed.
    let full = Controlled::File {
        path: "full.csv",
        commands: &run.commands,
    };
    let (_, always) = judge(&machine, &drive.recording, &scene, &full).expect("judges");
    let always = always.field.expect("a grid");
    println!(
        "{:.3} L in duties, {:.3} L fully open",
        field.litres, always.litres
    );
    assert!(always.litres > 1.4 * field.litres);
    assert!(always.over_percent > 2.0 * field.over_percent);
    assert!(always.saving < field.saving);
    // Wires are switched within the patches only.
    let wires = wires(&run.commands, &run.duties, 0.04);
    assert_eq!(wires.iter().filter(|c| c.open).count(), field.valve_cycles);
    assert!(wires.len() > 2 * run.commands.len());
    // A label that allows less than the field got breaks the verdict.
    let strict = text.replace("label_max_l_ha = 60.0", "label_max_l_ha = 0.5");
    let strict = Machine::parse("m.toml", &strict).expect("right");
    let (report, _) =
        judge(&strict, &drive.recording, &scene, &Controlled::Core(&run)).expect("judges");
    assert!(
        report
            .reasons
            .iter()
            .any(|r| r.contains("allowed by the label")),
        "{:?}",
        report.reasons
    );
}

/// Broadcast with fixed duties by the formula: the field's mean is the wanted rate.
#[test]
fn a_broadcast_pass_gives_the_wanted_rate_whatever_the_speed() {
    let text = machine(&[("shortest_off_ms = 20.0", "shortest_off_ms = 4.0")]);
    let machine = Machine::parse("m.toml", &text).expect("right");
    let scenario = host_sim::run::DEMO_SCENARIO.to_owned()
        + "\n[[order]]\nevent = \"mode\"\nat_s = 0.0\nmode = \"broadcast\"\n";
    let scenario = Scenario::parse("s.toml", &scenario).expect("right");
    let drive = generate::drive("s.toml", &scenario, &machine).expect("drives");
    let scene =
        Scene::from_truth("t.json", &drive.truth, &machine, &drive.recording).expect("a scene");
    let run = replay("m.toml", &machine, &drive.recording).expect("replays");
    let (_, summary) =
        judge(&machine, &drive.recording, &scene, &Controlled::Core(&run)).expect("judges");
    let field = summary.field.expect("a grid");
    println!("{}", field.lines());
    // What the ends of the boom throw over is missing from the lanes: 8 nozzles, half a fan's
    // side each. So the whole drive's litres are held against the formula.
    let share = field.mean_l_ha / field.wanted_l_ha;
    assert!(share > 0.80 && share < 1.0, "{share}");
    let duties = summary.duties.expect("a rate");
    assert_eq!((duties.of_valve, duties.too_small), (0, 0));
    // Each of the eight nozzles opens once, and leads to its beat by a cycle that is cut.
    assert!((1..=8).contains(&duties.of_short), "{duties:?}");
}

/// Twelve seconds of broadcast, from 3 m/s to 5 and on, past many plants where the boom's pattern is
/// whole; with these tables too.
fn short_pass(more: &str) -> Scenario {
    let demo = host_sim::run::DEMO_SCENARIO.replace(
        "density_per_m2 = 0.15",
        "density_per_m2 = 0.6\nleft_m = -1.25\nright_m = 1.25",
    );
    let (head, tail) = demo.split_once("[motion]").expect("it drives");
    let tail = tail.split_once("[field]").expect("it has plants").1;
    let text = format!(
        "{head}[motion]\nstart_speed_m_s = 3.0\n[[motion.piece]]\nduration_s = 4.0\nacceleration_m_s2 = 0.5\n[[motion.piece]]\nduration_s = 8.0\nacceleration_m_s2 = 0.0\n[field]{tail}{more}\n[[order]]\nevent = \"mode\"\nat_s = 0.0\nmode = \"broadcast\"\n"
    );
    Scenario::parse("s.toml", &text).expect("right")
}

/// At 25 Hz and 5 m/s a cycle is 200 mm of ground, far more than the 87 mm that a fan is thick. In
/// step all fans leave the same gaps; half a cycle apart neighbours fill each other's.
#[test]
fn neighbours_that_beat_in_turns_fill_each_others_gaps() {
    let text = machine(&[("shortest_off_ms = 20.0", "shortest_off_ms = 4.0")]);
    let machine = Machine::parse("m.toml", &text).expect("right");
    let drive = generate::drive("s.toml", &short_pass(""), &machine).expect("drives");
    let scene =
        Scene::from_truth("t.json", &drive.truth, &machine, &drive.recording).expect("a scene");
    let run = replay("m.toml", &machine, &drive.recording).expect("replays");
    let judged = |run| {
        let (_, summary) =
            judge(&machine, &drive.recording, &scene, &Controlled::Core(run)).expect("judges");
        let field = summary.field.expect("a grid");
        println!("{}", field.lines());
        field
    };
    let turned = judged(&run);
    // The same shares with all valves beating together.
    let mut in_step = run.clone();
    for duty in in_step.duties.iter_mut().filter(|d| d.nozzle % 2 == 1) {
        duty.t_us = duty.t_us.saturating_sub(20_000);
    }
    let together = judged(&in_step);
    assert!((together.litres / turned.litres - 1.0).abs() < 0.01);
    let least = |field: &Agronomy| field.least_l_ha.expect("plants") / field.wanted_l_ha;
    assert!(least(&turned) > 0.8 && least(&together) < 0.5);
    assert!(
        turned.full > 2 * together.full,
        "{} {}",
        turned.full,
        together.full
    );
    // What `check` works out from the boxes alone is the worst of all speeds and places.
    let rate = machine.rate.as_ref().expect("a rate");
    let even = evenness::worst(&machine, rate, 3.0, 5.0, 20.0 / 3.0).expect("a speed");
    println!("{even:?}");
    assert!(even.least < least(&turned) + 0.03 && even.least > least(&turned) - 0.1);
    assert!(even.in_step < least(&together) + 0.03 && even.in_step > least(&together) - 0.1);
}

/// A pump that gives a third less pressure with all nozzles open at 5 m/s, on the short pass.
fn weak_pump(sensor: &str, supply: bool) -> (Machine, generate::Drive) {
    let text = machine(&[
        ("shortest_off_ms = 20.0", "shortest_off_ms = 4.0"),
        ("flow_l_min = 0.8", "flow_l_min = 1.2"),
    ]);
    let machine = Machine::parse("m.toml", &text).expect("right");
    let pump = "[supply]\nnominal_kpa = 300.0\nnozzle_l_min = 1.2\npump_kpa = 300.0\npump_drop_kpa = 6.0\nlag_ms = 150.0\n";
    let scenario = short_pass(&format!("{}{sensor}", if supply { pump } else { "" }));
    let drive = generate::drive("s.toml", &scenario, &machine).expect("drives");
    (machine, drive)
}

/// Litres of a replayed drive, and its readings with what the supply really gave then, kPa.
fn replayed(machine: &Machine, drive: &generate::Drive) -> (f64, Vec<(f64, f64)>) {
    let scene =
        Scene::from_truth("t.json", &drive.truth, machine, &drive.recording).expect("a scene");
    let run = replay("m.toml", machine, &drive.recording).expect("replays");
    let wires = wires(&run.commands, &run.duties, 0.04);
    let supplied = scene.supplied(&scene.acted(&wires));
    let (_, summary) =
        judge(machine, &drive.recording, &scene, &Controlled::Core(&run)).expect("judges");
    let read = drive.recording.events.iter().filter_map(|e| match e.input {
        Input::Pressure(kpa) => Some((e.t_us, f64::from(kpa))),
        _ => None,
    });
    let read = read.map(|(t_us, kpa)| {
        let real = supplied.as_ref().expect("a supply");
        (kpa, real.kpa(scene.seconds(t_us)))
    });
    (summary.field.expect("a grid").litres, read.collect())
}

/// With a sensor the controller makes up for the pressure that the open nozzles take; what it is
/// told is what the supply gave while it did.
#[test]
fn a_pressure_sensor_in_the_recording_holds_the_rate_on_a_weak_pump() {
    let (machine, steady) = weak_pump("", false);
    let (wanted, none) = replayed(&machine, &steady);
    assert!(none.is_empty() && steady.recording.version() == 1);
    let (_, blind) = weak_pump("", true);
    let (without, _) = replayed(&machine, &blind);
    let (_, told) = weak_pump("[pressure_sensor]\nrate_hz = 10.0\n", true);
    let (with, read) = replayed(&machine, &told);
    let lowest = read.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
    let worst = read.iter().map(|(told, real)| (told - real).abs());
    let worst = worst.fold(0.0, f64::max);
    println!(
        "{without:.3} L without, {with:.3} L with {} readings, {wanted:.3} L at steady pressure; down to {lowest} kPa, off by {worst:.2}",
        read.len()
    );
    assert_eq!(read.len(), 120);
    assert!(lowest < 220.0 && worst < 2.0, "{lowest} {worst}");
    assert!(without < 0.9 * wanted && (with / wanted - 1.0).abs() < 0.03);
    // The world is the same, whoever reads it.
    assert_eq!(told.truth, blind.truth);
    let mute: Vec<_> = (told.recording.events.iter())
        .filter(|e| !matches!(e.input, Input::Pressure(_)))
        .collect();
    assert!(mute.into_iter().eq(&blind.recording.events));
    // On file and back.
    let mut bytes = Vec::new();
    told.recording
        .write("memory", &mut bytes)
        .expect("a vector takes all");
    let back = Recording::read("memory", bytes.as_slice()).expect("reads");
    assert!(back == told.recording && back.version() == 3);
    // A sensor that reads too high makes for too little, and noise for neither.
    let (_, high) = weak_pump(
        "[pressure_sensor]\noffset_kpa = 60.0\nnoise_kpa = 5.0\n",
        true,
    );
    let (high, _) = replayed(&machine, &high);
    assert!(high < 0.95 * with && high > without, "{high}");
}
