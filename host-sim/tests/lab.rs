//! The lab's kernel: every corner of its values, its files against the command line's way, and
//! figures against what is known beforehand.

use host_sim::lab::answer;
use host_sim::lab::values::TABLE;
use host_sim::machine::Machine;
use host_sim::recording::Recording;
use host_sim::replay::replay;
use host_sim::scene::Scene;
use host_sim::truth::Truth;
use serde_json::{Value, json};

fn ask(request: &Value) -> Value {
    serde_json::from_str(&answer(&request.to_string())).expect("an answer is JSON")
}

fn drive(values: &Value) -> Value {
    let told = ask(&json!({"do": "drive", "values": values}));
    assert_eq!(told.get("error"), None, "{values}");
    told
}

fn number(told: &Value, path: &str) -> f64 {
    told.pointer(path)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("no {path}"))
}

/// Each value at both ends alone, and many at once: always an answer, never an error.
#[test]
fn no_values_within_the_table_are_refused() {
    for row in TABLE {
        for end in [row.low, row.high] {
            drive(&json!({row.key: end}));
        }
    }
    // Corners: bit i of a number tells at which end value i stands.
    for corner in [
        0x1555_5555u64,
        0x2aaa_aaaa,
        0x0f0f_0f0f,
        0x3333_3333,
        0x3fff_ffff,
        0x0bad_cafe,
    ] {
        let mut values = serde_json::Map::new();
        for (i, row) in TABLE.iter().enumerate() {
            let value = if corner >> i & 1 == 1 {
                row.high
            } else {
                row.low
            };
            values.insert(row.key.into(), json!(value));
        }
        drive(&Value::Object(values));
    }
}

/// Clock error times speed, pulse length error times way: known beforehand.
#[test]
fn known_errors_come_out_at_their_size() {
    for (clock, speed) in [(5.0, 4.0), (-8.0, 6.0), (2.0, 2.0)] {
        let told = drive(&json!({"clock_error_ms": clock, "speed_m_s": speed, "jitter_ms": 3}));
        for kind in ["start", "stop"] {
            let mean = number(&told, &format!("/figures/core/{kind}_mean_mm"));
            assert!(
                (mean - clock * speed).abs() < 1.0,
                "{kind} {mean}, {clock} ms at {speed} m/s"
            );
        }
    }
    // A valve that is 3 ms slower than told opens and closes 3 ms of travel late.
    let told = drive(&json!({"valve_error_ms": 3, "speed_m_s": 5}));
    assert!((number(&told, "/figures/core/start_mean_mm") - 15.0).abs() < 1.0);
    assert!((number(&told, "/figures/core/stop_mean_mm") - 15.0).abs() < 1.0);
}

/// The steps of a plant's way follow from the values: half flow after the command by the valve's
/// delay, the message after the image, places by speed.
#[test]
fn the_way_of_a_plant_adds_up() {
    let told = drive(
        &json!({"speed_m_s": 4, "open_delay_ms": 30, "close_delay_ms": 12, "jitter_ms": 0, "unevenness_percent": 0}),
    );
    let way = &told["way"];
    let step = |name: &str, end: Option<&str>| {
        let steps = way["steps"].as_array().expect("steps");
        let found = steps
            .iter()
            .find(|s| s["step"] == name && end.is_none_or(|e| s["end"] == e));
        let found = found.unwrap_or_else(|| panic!("no {name}"));
        (number(found, "/t_ms"), number(found, "/x_m"))
    };
    assert_eq!(step("capture", None).0, 0.0);
    // Latency without jitter, stamps to the microsecond.
    assert!((step("message", None).0 - 80.0).abs() < 0.01);
    for (end, delay) in [("open", 30.0), ("close", 12.0)] {
        let command = step("command", Some(end));
        let half = step("half flow", Some(end));
        assert!((half.0 - command.0 - delay).abs() < 0.002, "{end}");
        assert!(
            (half.1 - command.1 - 0.004 * delay).abs() < 0.000_3,
            "{end}"
        );
        let decision = step("decision", Some(end));
        assert!(
            decision.0 <= command.0 && command.0 - decision.0 <= 2.5,
            "{end}"
        );
        assert!(step("landing", Some(end)).0 > half.0);
    }
    // Whole lead: lead, its time, half the fan and half the rise, and a millimetre for the core.
    let thickness = number(&told, "/figures/thickness_mm");
    let lead = 60.0 + 5.0 * 4.0 + thickness / 2.0 + 2.0 * 4.0;
    let near = -500.0 * number(way, "/length_m");
    let from = 1000.0 * number(way, "/patch/from_m");
    assert!(
        (from - (near - lead)).abs() < 2.0,
        "{from} against {near} - {lead}"
    );
    // Time in the air: the drops need some tens of milliseconds from half a metre.
    let flight = step("landing", Some("open")).0 - step("half flow", Some("open")).0;
    assert!((10.0..200.0).contains(&flight), "{flight}");
}

/// Whoever downloads the files and takes the long way gets the figures that the page shows.
#[test]
fn the_files_give_the_same_figures() {
    let values =
        json!({"speed_change_percent": 25, "clock_error_ms": 2, "valve_spread_ms": 1, "seed": 11});
    let files = ask(&json!({"do": "files", "values": values}));
    let text = |name: &str| {
        files[name]
            .as_str()
            .unwrap_or_else(|| panic!("no {name}"))
            .to_owned()
    };
    let machine = Machine::parse("machine.toml", &text("machine.toml")).expect("it is right");
    let recording = Recording::read("recording.jsonl", text("recording.jsonl").as_bytes())
        .expect("it is right");
    let truth = Truth::parse("truth.json", &text("truth.json")).expect("it is right");
    let scene = Scene::from_truth("truth.json", &truth, &machine, &recording).expect("they fit");
    let run = replay("machine.toml", &machine, &recording).expect("it replays");
    let report = scene
        .judge(&run.commands, Some(&run.images))
        .expect("it is judged");
    let told = drive(&values);
    assert_eq!(
        number(&told, "/figures/core/full"),
        report.targets.full as f64
    );
    assert!((number(&told, "/figures/core/start_rms_mm") - report.start.rms * 1e3).abs() < 0.006);
    assert!((number(&told, "/figures/core/saved_percent") - report.saving * 1e2).abs() < 0.006);
}

/// More buffer never hits fewer plants nor saves more; and the point of these values lies on the
/// curve.
#[test]
fn the_curve_bargains() {
    let values = json!({"clock_error_ms": 4, "valve_spread_ms": 2, "lead_mm": 40, "trail_mm": 40});
    let curve = ask(&json!({"do": "curve", "values": values}));
    for who in ["core", "fixed"] {
        let points = curve[who].as_array().expect("points");
        for pair in points.windows(2) {
            assert!(
                number(&pair[1], "/1") >= number(&pair[0], "/1"),
                "{who} {pair:?}"
            );
            assert!(
                number(&pair[1], "/2") < number(&pair[0], "/2"),
                "{who} {pair:?}"
            );
        }
    }
    let told = drive(&values);
    let own = curve["core"]
        .as_array()
        .and_then(|p| p.iter().find(|p| p[0] == 40.0))
        .expect("it is tried");
    let hits = 100.0 * number(&told, "/figures/core/full") / number(&told, "/figures/plants");
    assert!((number(own, "/1") - hits).abs() < 0.01);
    assert!((number(own, "/2") - number(&told, "/figures/core/saved_percent")).abs() < 0.01);
}

/// The lab's own recording, given as a user's: hindsight sees the same plants and finds them full.
#[test]
fn an_own_recording_becomes_a_timeline() {
    let files = ask(&json!({"do": "files", "values": {"speed_m_s": 3}}));
    let named = |name: &str, text: &Value| json!({"name": name, "text": text});
    let own = ask(
        &json!({"do": "recording", "machine": named("m.toml", &files["machine.toml"]), "recording": named("r.jsonl", &files["recording.jsonl"])}),
    );
    let same = ask(&json!({"do": "timeline", "values": {"speed_m_s": 3}}));
    assert_eq!(
        (own["basis"].as_str(), same["basis"].as_str()),
        (Some("hindsight"), Some("truth"))
    );
    // Valves may flow some decisions apart from a drive whose clock starts at the first pulse: not
    // at all here, for the commands are the same.
    let lists = |line: &Value| {
        line["open_s"].as_array().map(|l| {
            l.iter()
                .map(|n| n.as_array().map_or(0, Vec::len))
                .collect::<Vec<_>>()
        })
    };
    assert_eq!(lists(&own), lists(&same));
    assert_eq!(number(&own, "/partial") + number(&own, "/missed"), 0.0);
    let way = own["way"].as_array().expect("a way");
    let [first, last] = [way.first(), way.last()].map(|p| p.cloned().unwrap_or_default());
    let speed =
        (number(&last, "/1") - number(&first, "/1")) / (number(&last, "/0") - number(&first, "/0"));
    assert!((speed - 3.0).abs() < 0.02, "{speed}");
}

#[test]
fn broken_files_are_told_with_file_line_and_column() {
    let machine = include_str!("../demo/machine.toml");
    let own = |machine: &str, recording: &str| {
        ask(
            &json!({"do": "recording", "machine": {"name": "boom.toml", "text": machine}, "recording": {"name": "tape.jsonl", "text": recording}}),
        )
    };
    let header = "{\"recording_format\":1,\"name\":\"x\"}\n";
    for (machine, recording, wanted) in [
        ("machine_format = 1\nname = oops\n", header, "boom.toml:2:8"),
        (machine, "", "tape.jsonl: the recording is empty"),
        (
            machine,
            &format!("{header}{{\"event\":\"pulse\",\"t_us\":1}}\nnonsense\n"),
            "tape.jsonl:3:",
        ),
        (
            machine,
            &format!(
                "{header}{{\"event\":\"pulse\",\"t_us\":5}}\n{{\"event\":\"pulse\",\"t_us\":4}}\n"
            ),
            "tape.jsonl:3: the clock runs backwards",
        ),
    ] {
        let told = own(machine, recording);
        let text = told["error"]
            .as_str()
            .unwrap_or_else(|| panic!("no error: {told}"));
        assert!(text.contains(wanted) && text.contains("help"), "{text}");
        assert!(told["place"]["file"].is_string(), "{told}");
    }
}

#[test]
fn what_is_no_request_is_refused() {
    for request in [
        "",
        "[]",
        "{\"do\":\"drive\"}",
        "{\"do\":\"drive\",\"values\":{},\"more\":1}",
        "{\"do\":\"fly\",\"values\":{}}",
        "\u{0}",
    ] {
        let told: Value = serde_json::from_str(&answer(request)).expect("JSON");
        assert!(
            told["error"]
                .as_str()
                .is_some_and(|e| e.contains("request:1:") && e.contains("lab.md")),
            "{told}"
        );
    }
}
