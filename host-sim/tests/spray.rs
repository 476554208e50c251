//! The verbs `throw` and `dose`, `[spray]` in the machine file, and what `check` makes of it.

mod common;

use common::{Demo, host_sim, messages};
use host_sim::machine::Machine;
use serde_json::Value;

const SPRAY: &str = "\n[spray]\nsize = \"03\"\npressure_kpa = 300\ndrops = \"medium\"\n";

/// The demo's machine with 110° fans at 0.5 m and a spray, and further changes.
fn machine(changes: &[(&str, &str)]) -> String {
    let mut text = host_sim::run::DEMO_MACHINE.replace(
        "lane_width_m = 0.5\nfan_thickness_m = 0.04",
        "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 10.0",
    ) + SPRAY;
    for (old, new) in changes {
        assert!(text.contains(old), "the machine has {old}");
        text = text.replace(old, new);
    }
    text
}

#[track_caller]
fn told(args: &[&str]) -> Value {
    let out = host_sim(&[args, &["--json"]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", messages(&out));
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

#[track_caller]
fn number(result: &Value, key: &str) -> f64 {
    result[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} of {result}"))
}

/// Height over exit speed: 0.5 m / 22.065 m/s = 22.66 ms below the nozzle (the sheet's speed is
/// worked out in `ground_truth::drops`), longer by what the fan's sides add. 1.2 L/min at 8 m/s
/// and 0.5 m: 1.2 · 600 / (28.8 · 0.5) = 50 L/ha.
#[test]
fn a_machine_s_throw_is_worked_out() {
    let demo = Demo::new("throw-machine");
    let path = demo.write("m.toml", machine(&[]).as_bytes());
    let result = told(&["throw", &path]);
    let drops = result["drops"].as_array().expect("a list");
    assert!(
        (number(&drops[1], "middle_ms") / 22.66 - 1.0).abs() < 0.02,
        "{drops:?}"
    );
    let throw = number(&result, "throw_ms");
    assert!(throw > 24.0 && throw < 27.5, "{throw}");
    assert!((number(&result, "rate_l_ha") - 50.0).abs() < 1e-9);
    assert!((number(&result, "fan_width_m") - 1.42815).abs() < 1e-4);
    // 2 · 0.5 m · tan 5°.
    assert!((number(&result, "fan_thickness_m") - 0.08749).abs() < 1e-5);
    let off = number(&result, "machine_off_mm");
    assert!((off - (throw - 25.0) * 8.0).abs() < 1e-9);
    // Higher, slower, flatter: longer.
    let moved = |input: &str| {
        let moves = result["moves"].as_array().expect("a list");
        let m = moves.iter().find(|m| m["input"] == input).expect("moves");
        (number(m, "less_ms"), number(m, "more_ms"))
    };
    for (input, longer) in [("height", true), ("pressure", false), ("fan angle", true)] {
        let (less, more) = moved(input);
        assert_eq!(more > less, longer, "{input}");
        assert!((less - throw) * (more - throw) < 0.0, "{input}");
    }
    // Twice the height of half the speed: a linear world.
    let (less, more) = moved("height");
    assert!(
        ((more - less) / (throw / 0.5 * 0.2) - 1.0).abs() < 0.05,
        "{less} {more}"
    );
    // Wind: calm first, and it takes volume off the target.
    let wind = result["wind"].as_array().expect("a list");
    assert_eq!(wind.len(), 4);
    assert!(number(&wind[0], "off_percent") < 3.0);
    assert!(number(&wind[1], "off_percent") > number(&wind[0], "off_percent") + 5.0);
    assert!(number(&wind[3], "right_mm") > 20.0);
    // The text says what is left out.
    let out = host_sim(&["throw", &path]);
    let text = String::from_utf8_lossy(&out.stdout);
    for word in ["throw_ms = ", "does not correct for wind", "evaporation"] {
        assert!(text.contains(word), "{word}: {text}");
    }
}

#[test]
fn check_holds_the_file_s_throw_against_the_spray() {
    let demo = Demo::new("throw-check");
    let warned = |name: &str, changes: &[(&str, &str)]| -> bool {
        let path = demo.write(name, machine(changes).as_bytes());
        let out = host_sim(&["check", &path, "--json"]);
        assert_eq!(out.status.code(), Some(0), "{}", messages(&out));
        let result: Value = serde_json::from_slice(&out.stdout).expect("JSON");
        let figures = result["figures"].to_string();
        assert!(figures.contains("throw_worked_out_ms"), "{figures}");
        result["warnings"].to_string().contains("[spray] makes it")
    };
    // 25.8 worked out: 0.8 ms at 8 m/s are 6 mm, 5.8 ms are 46 mm, and edge_mm is 25.
    assert!(!warned("right.toml", &[]));
    assert!(warned(
        "wrong.toml",
        &[("throw_ms = 25.0", "throw_ms = 20.0")]
    ));
    assert!(!warned(
        "loose.toml",
        &[
            ("throw_ms = 25.0", "throw_ms = 20.0"),
            ("edge_mm = 25.0", "edge_mm = 60.0")
        ]
    ));
}

/// Tilted 20° forward at 0.5 m and 10° thick: edges at tan 15° and tan 25°, 0.13397 and
/// 0.23315 m; middle 0.18356, thickness 0.09918. Twins at plus and minus 30°: edges at tan 35° =
/// 0.35010 m to both sides, middles at tan 30° = 0.28868 m.
#[test]
fn tilt_and_twins_move_and_thicken_the_footprint() {
    let parse = |key: &str| {
        let with = format!("thickness_deg = 10.0\n{key}");
        let text = machine(&[("thickness_deg = 10.0", with.as_str())]);
        Machine::parse("m.toml", &text).expect("a right machine")
    };
    let near = |found: f64, by_hand: f64| assert!((found - by_hand).abs() < 1e-5, "{found}");
    let tilted = parse("tilt_deg = 20.0");
    near(tilted.nozzles[3].x_m, 0.18356);
    near(tilted.fan_thickness_m, 0.09918);
    near(
        tilted.fan.expect("a fan").half_width_m,
        0.71407 / 20.0_f64.to_radians().cos(),
    );
    let twins = parse("twin_deg = 60.0");
    near(twins.nozzles[3].x_m, 0.0);
    near(twins.fan_thickness_m, 0.70021);
    near(twins.twin_m, 0.28868);
    near(twins.half_fan_m(), 0.35010);
    let plain = parse("");
    near(plain.fan_thickness_m, 0.08749);
    assert_eq!((plain.twin_m, plain.nozzles[3].x_m), (0.0, 0.0));
}

/// Every valve open over all of a steady drive: each nozzle gives 1.2 L/min, and the ground in
/// the middle of the boom gets the broadcast rate.
#[test]
fn a_drive_s_litres_are_laid_down() {
    let demo = Demo::new("dose-broadcast");
    let path = demo.write("m.toml", machine(&[]).as_bytes());
    let (recording, truth) = (demo.path("recording.jsonl"), demo.path("truth.json"));
    let recorded = String::from_utf8(demo.read("recording.jsonl")).expect("text");
    let stamps = recorded.lines().filter_map(|line| {
        let event: Value = serde_json::from_str(line).expect("JSON");
        event["t_us"].as_u64()
    });
    let (first, last) = (
        stamps.clone().min().expect("events"),
        stamps.max().expect("events"),
    );
    let rows = |action: &str, t: u64| -> String {
        (0..8).map(|n| format!("{t},{n},{action},0\n")).collect()
    };
    let close = last - 100_000;
    let list = format!(
        "t_us,nozzle,action,short_by_mm\n{}{}",
        rows("open", first),
        rows("close", close)
    );
    let list = demo.write("all.csv", list.as_bytes());
    let args = [
        "dose",
        &recording,
        "--machine",
        &path,
        "--truth",
        &truth,
        "--cell-mm",
        "50",
        "--step-ms",
        "5",
    ];
    let all = told(&[&args[..], &["--commands", &list]].concat());
    // Half flow to half flow: the delays of 20 and 15 ms.
    let seconds = (close - first) as f64 * 1e-6 - 0.005;
    let by_hand = 8.0 * 1.2 / 60.0 * seconds;
    let litres = number(&all, "sprayed_l");
    assert!(
        (litres / by_hand - 1.0).abs() < 1e-6,
        "{litres}, not {by_hand}"
    );
    // The ends of the boom throw over, the speed changes: the mean is a little less.
    let share = number(&all, "mean_l_ha") / number(&all, "wanted_l_ha");
    assert!(share > 0.75 && share < 1.1, "{share}");
    assert!(number(&all, "dry_percent") < 1e-9);
    let spot = told(&args);
    assert!(number(&spot, "dry_percent") > 80.0);
    assert!(number(&spot, "litres") < 0.15 * number(&all, "litres"));
    assert!(number(&spot, "plants") > 50.0 && number(&spot, "plants_least_l_ha") > 0.0);
    assert!(spot["plants_full"].as_u64() < spot["plants"].as_u64());
    assert_eq!(all["plants"], spot["plants"]);
    // A finer grid than memory allows.
    let out = host_sim(&[&args[..6], &["--cell-mm", "0.5"]].concat());
    let text = messages(&out);
    assert_eq!(out.status.code(), Some(2), "{text}");
    assert!(
        text.contains("MiB are allowed") && text.contains("help: "),
        "{text}"
    );
    assert_eq!(text.matches("error").count(), 1, "{text}");
}

#[test]
fn impossible_sprays_are_refused_with_one_message() {
    let demo = Demo::new("throw-refused");
    let plain = demo.path("machine.toml");
    let good = demo.write("good.toml", machine(&[]).as_bytes());
    let csv = |name: &str, rows: &str| {
        demo.write(name, format!("diameter_um,volume_share\n{rows}").as_bytes())
    };
    let sum = csv("sum.csv", "100,0.3\n300,0.5\n");
    let order = csv("order.csv", "300,0.5\n100,0.5\n");
    let text = csv("text.csv", "300,much\n");
    let bad =
        |name: &str, old: &str, new: &str| demo.write(name, machine(&[(old, new)]).as_bytes());
    let drops = "drops = \"medium\"";
    let pressure = bad("p.toml", "pressure_kpa = 300", "pressure_kpa = -300");
    let flat = bad("f.toml", "fan_angle_deg = 110.0", "fan_angle_deg = 180.0");
    let shares = bad(
        "s.toml",
        drops,
        "bins_um = [100, 300]\nbin_shares = [0.3, 0.5]",
    );
    let both = bad("b.toml", drops, "drops = \"fine\"\ndrops_um = [1, 2, 3]");
    let class = bad("c.toml", drops, "drops = \"soft\"");
    let three = bad("t.toml", drops, "drops_um = [100, 300]");
    let size = bad("z.toml", "size = \"03\"", "size = \"07\"");
    let twin = bad(
        "w.toml",
        "height_m = 0.5",
        "height_m = 0.5\ntilt_deg = 40.0\ntwin_deg = 90.0",
    );
    let no_height = bad(
        "h.toml",
        "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 10.0",
        "lane_width_m = 0.5\nfan_thickness_m = 0.04\ntilt_deg = 10.0",
    );
    let recording = demo.path("recording.jsonl");
    for (args, word) in [
        (
            &["throw", "--pressure-kpa", "-300"][..],
            "the pressure in kPa is -300",
        ),
        (
            &["throw", "--fan-angle-deg", "180"],
            "the fan angle in degrees is 180",
        ),
        (&["throw", "--height-m", "nan"], "the height in m is NaN"),
        (&["throw", "--spectrum", &sum], "sum to 0.8"),
        (&["throw", "--spectrum", &order], "must grow"),
        (&["throw", "--spectrum", &text], "text.csv:2"),
        (&["throw", "--spectrum", "/no/such"], "/no/such"),
        (&["throw", "--drops", "odd"], "neither a class"),
        (&["throw", "--drops", "300,200,400"], "must grow"),
        (&["throw", "--size", "07"], "not known"),
        (&["throw", "--speed-m-s", "0"], "speed of the machine"),
        (&["throw", "--twin-deg", "120"], "--twin-deg"),
        (&["throw", "--percentile", "0"], "--percentile"),
        (&["throw", "--strip-m", "-1"], "--strip-m"),
        (&["throw", "--head-wind-m-s", "99"], "the wind in m/s is 99"),
        (&["throw", &plain], "no [spray] table"),
        (&["throw", &pressure], "p.toml:"),
        (&["throw", &flat], "f.toml:"),
        (&["throw", &shares], "sum to 0.8"),
        (&["throw", &both], "exactly once"),
        (&["throw", &class], "which is no class"),
        (&["throw", &three], "2 numbers"),
        (&["throw", &size], "z.toml:"),
        (&["throw", &twin], "degrees from straight down"),
        (&["throw", &no_height], "without `height_m`"),
        (
            &["dose", &recording, "--machine", &plain],
            "flow of a nozzle",
        ),
        (
            &["dose", &recording, "--machine", &good, "--step-ms", "0"],
            "the time step in s is 0",
        ),
        (
            &["dose", &recording, "--machine", &good, "--cell-mm", "-1"],
            "a cell in m is",
        ),
        (
            &["dose", &recording, "--machine", &good, "--flow-l-min", "-1"],
            "--flow-l-min is -1",
        ),
    ] {
        let out = host_sim(args);
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{args:?}: {shown}");
        assert!(shown.contains(word), "{args:?}: {shown}");
        assert_eq!(shown.matches("error: ").count(), 1, "one message: {shown}");
        assert!(out.stdout.is_empty(), "{args:?}");
    }
}
