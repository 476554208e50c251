//! The program from end to end: equal bytes, files that survive, verdicts and exit states.

mod common;

use common::{Demo, host_sim, messages};
use serde_json::Value;

fn json(args: &[&str], status: i32) -> Value {
    let out = host_sim(args);
    assert_eq!(out.status.code(), Some(status), "{}", messages(&out));
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

#[test]
fn one_seed_gives_one_recording_and_another_seed_another() {
    let demo = Demo::new("seeds");
    let scenario = demo.write("scenario.toml", host_sim::run::DEMO_SCENARIO.as_bytes());
    let other = demo.write(
        "other.toml",
        host_sim::run::DEMO_SCENARIO
            .replace("seed = 20", "seed = 21")
            .as_bytes(),
    );
    for (scenario, folder) in [(&scenario, "a"), (&scenario, "b"), (&other, "c")] {
        let out = host_sim(&["generate", scenario, "--out", &demo.path(folder)]);
        assert_eq!(out.status.code(), Some(0), "{}", messages(&out));
    }
    for name in ["recording.jsonl", "truth.json", "machine.toml"] {
        assert_eq!(
            demo.read(&format!("a/{name}")),
            demo.read(&format!("b/{name}")),
            "{name}"
        );
        assert_eq!(
            demo.read(&format!("a/{name}")),
            demo.read(name),
            "the demo's {name}"
        );
    }
    assert_ne!(
        demo.read("a/recording.jsonl"),
        demo.read("c/recording.jsonl")
    );
}

/// The program that `scripts/demo` builds, with few crates, is the verb `demo`.
#[test]
fn the_small_demo_says_what_the_verb_says() {
    let demo = Demo::new("small-demo");
    let small = |args: &[&str]| {
        std::process::Command::new(env!("CARGO_BIN_EXE_demo"))
            .args(args)
            .output()
            .expect("the program starts")
    };
    for how in [&["--out"][..], &["--json", "--out"]] {
        let own = small(&[how, &[demo.path("a").as_str()]].concat());
        let verb = host_sim(&[&["demo"], how, &[demo.path("a").as_str()]].concat());
        assert!(own.status.success(), "{}", messages(&own));
        assert_eq!(own.stdout, verb.stdout);
    }
    for wrong in [&["--outt"][..], &["--out"]] {
        let out = small(wrong);
        assert_eq!(out.status.code(), Some(2));
        assert!(messages(&out).contains("usage: demo"), "{}", messages(&out));
    }
}

#[test]
fn files_say_the_same_as_memory_and_a_command_list_says_the_same_as_the_core() {
    let demo = Demo::new("same");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    let (csv, vcd) = (demo.path("out.csv"), demo.path("out.vcd"));
    let base = [
        "replay",
        &recording,
        "--machine",
        &machine,
        "--truth",
        &truth,
        "--json",
    ];
    let core = json(
        &[&base[..], &["--commands", &csv, "--vcd", &vcd]].concat(),
        0,
    );
    let out = host_sim(&["demo", "--json", "--out", &demo.path("again")]);
    assert_eq!(
        serde_json::from_slice::<Value>(&out.stdout).expect("one JSON object"),
        core
    );

    let file = json(&[&base[..], &["--judge-commands", &csv]].concat(), 0);
    for key in [
        "targets",
        "missed_by",
        "start_error_mm",
        "stop_error_mm",
        "sprayed_fraction",
        "commands",
        "baselines",
    ] {
        assert_eq!(core[key], file[key], "{key}");
    }
    assert!(file["rejected"].is_null() && core["rejected"].is_u64());

    // The waveforms hold as many edges a nozzle as there are commands.
    let waves = vcd::Parser::new(demo.read("out.vcd").as_slice())
        .map(|c| c.expect("right VCD"))
        .collect::<Vec<_>>();
    let header = vcd::Parser::new(demo.read("out.vcd").as_slice())
        .parse_header()
        .expect("a header");
    let nozzles: Vec<_> = (0..8)
        .map(|n| {
            header
                .find_var(&["boom", &format!("nozzle_{n}")])
                .expect("a wire")
                .code
        })
        .collect();
    let edges = waves
        .iter()
        .filter(|c| matches!(c, vcd::Command::ChangeScalar(id, _) if nozzles.contains(id)))
        .count();
    assert_eq!(
        edges as u64 - 8,
        core["commands"].as_u64().expect("a count")
    );
}

#[test]
fn the_json_object_holds_what_it_promises() {
    let demo = Demo::new("json");
    let r = json(&["demo", "--json", "--out", &demo.path("x")], 0);
    assert_eq!(
        (r["verdict"].as_str(), r["basis"].as_str()),
        (Some("holds"), Some("truth"))
    );
    let count = |v: &Value| v.as_u64().expect("a count");
    let t = &r["targets"];
    assert!(count(&t["total"]) > 100);
    assert_eq!(
        count(&t["total"]),
        count(&t["full"]) + count(&t["partial"]) + count(&t["missed"])
    );
    let because: u64 = r["missed_by"]
        .as_object()
        .expect("an object")
        .values()
        .map(count)
        .sum();
    assert_eq!(
        (because, r["missed_by"].as_object().map(|o| o.len())),
        (count(&t["missed"]), Some(8))
    );
    let whole = r["sprayed_fraction"].as_f64().expect("a share")
        + r["saving_vs_broadcast"].as_f64().expect("a share");
    assert!((whole - 1.0).abs() < 1e-9);
    for holder in [
        &r,
        &r["baselines"]["fixed_delay"],
        &r["baselines"]["whole_pulses"],
    ] {
        for edge in ["start_error_mm", "stop_error_mm"] {
            let s = |key: &str| holder[edge][key].as_f64().expect("a number");
            assert!(
                s("mean").abs() <= s("rms") && s("rms") <= s("max") && s("p99_9") <= s("max"),
                "{holder}"
            );
        }
        assert!(holder["targets"]["total"].is_u64());
    }
    for key in [
        "commands",
        "late",
        "merged",
        "rejected",
        "unseen_m2",
        "overruns",
        "ground_m",
    ] {
        assert!(r[key].is_number(), "{key}");
    }
    // The core keeps time better than either simple controller.
    let rms = |v: &Value| v["start_error_mm"]["rms"].as_f64().expect("a number");
    assert!(
        rms(&r) < rms(&r["baselines"]["whole_pulses"])
            && rms(&r) < rms(&r["baselines"]["fixed_delay"])
    );
}

#[test]
fn hindsight_finds_nearly_what_the_truth_says() {
    let demo = Demo::new("hindsight");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    let seen = json(&["replay", &recording, "--machine", &machine, "--json"], 0);
    let real = json(
        &[
            "replay",
            &recording,
            "--machine",
            &machine,
            "--truth",
            &truth,
            "--json",
        ],
        0,
    );
    assert_eq!(seen["basis"], "hindsight");
    for edge in ["start_error_mm", "stop_error_mm"] {
        let rms = |v: &Value| v[edge]["rms"].as_f64().expect("a number");
        assert!(
            (rms(&seen) - rms(&real)).abs() < 1.0,
            "{edge}: {} against {}",
            rms(&seen),
            rms(&real)
        );
    }
    let total = |v: &Value| v["targets"]["total"].as_i64().expect("a count");
    // A plant at the border of the judged ground may fall to either side.
    assert!((total(&seen) - total(&real)).abs() <= 2);
    let out = host_sim(&["replay", &recording, "--machine", &machine]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("hindsight"));
}

#[test]
fn planted_faults_break_the_verdict() {
    let demo = Demo::new("faults");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    let csv = demo.path("out.csv");
    let base = [
        "replay",
        &recording,
        "--machine",
        &machine,
        "--truth",
        &truth,
        "--json",
    ];
    json(&[&base[..], &["--commands", &csv]].concat(), 0);
    let list = String::from_utf8(demo.read("out.csv")).expect("text");
    let rows: Vec<&str> = list.lines().skip(1).collect();
    let judged = |name: &str, rows: &[String]| {
        let text = format!("t_us,nozzle,action,short_by_mm\n{}\n", rows.join("\n"));
        let path = demo.write(name, text.as_bytes());
        json(&[&base[..], &["--judge-commands", &path]].concat(), 1)
    };

    // 20 ms late throughout: the mean start error grows by 20 ms times a speed of 1.4 to 5 m/s.
    let late: Vec<String> = rows
        .iter()
        .map(|row| {
            let (t, rest) = row.split_once(',').expect("columns");
            format!("{},{rest}", t.parse::<u64>().expect("a stamp") + 20_000)
        })
        .collect();
    let r = judged("late.csv", &late);
    let mean = r["start_error_mm"]["mean"].as_f64().expect("a number");
    assert!((28.0..105.0).contains(&mean), "{mean}");

    // A mirrored boom sprays beside the plants.
    let mirrored: Vec<String> = rows
        .iter()
        .map(|row| {
            let columns: Vec<&str> = row.split(',').collect();
            format!(
                "{},{},{},{}",
                columns[0],
                7 - columns[1].parse::<u16>().expect("a nozzle"),
                columns[2],
                columns[3]
            )
        })
        .collect();
    let r = judged("mirrored.csv", &mirrored);
    assert!(r["targets"]["missed"].as_u64() > Some(100), "{r}");

    // A lost close is a fault of its own.
    let last = rows
        .iter()
        .rposition(|r| r.contains("close"))
        .expect("there is one");
    let lost: Vec<String> = rows
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != last)
        .map(|(_, r)| (*r).to_owned())
        .collect();
    let r = judged("lost.csv", &lost);
    assert!(
        r["reasons"].as_array().is_some_and(|a| a
            .iter()
            .any(|t| t.as_str().is_some_and(|t| t.contains("never closed")))),
        "{r}"
    );

    // No commands at all: every plant is missed, and withheld says why.
    let path = demo.write("none.csv", b"t_us,nozzle,action,short_by_mm\n");
    let r = json(&[&base[..], &["--judge-commands", &path]].concat(), 1);
    assert_eq!(r["targets"]["missed"], r["targets"]["total"]);
    assert_eq!(r["sprayed_fraction"].as_f64(), Some(0.0));
}

#[test]
fn standard_output_carries_a_file_and_may_be_closed() {
    let demo = Demo::new("stdout");
    let (recording, machine) = (demo.path("recording.jsonl"), demo.path("machine.toml"));
    let out = host_sim(&[
        "replay",
        &recording,
        "--machine",
        &machine,
        "--commands",
        "-",
    ]);
    assert_eq!(out.status.code(), Some(0));
    assert!(out.stdout.starts_with(b"t_us,nozzle,action,short_by_mm\n"));
    assert!(messages(&out).contains("verdict"));

    // A reader that goes away at once: the waveforms are far larger than a pipe holds.
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_host-sim"))
        .args(["replay", &recording, "--machine", &machine, "--vcd", "-"])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let out = child.wait_with_output().expect("it ends");
    assert_eq!(out.status.code(), Some(0), "{}", messages(&out));
    assert!(
        !messages(&out).contains("panic") && !messages(&out).contains("error"),
        "{}",
        messages(&out)
    );
}

#[test]
fn the_picture_is_whole_and_shows_every_plant() {
    let demo = Demo::new("picture");
    let svg = String::from_utf8(demo.read("strip.svg")).expect("text");
    assert!(svg.starts_with("<svg ") && svg.trim_end().ends_with("</svg>"));
    for tag in ["text", "g", "title"] {
        assert_eq!(
            svg.matches(&format!("<{tag}")).count(),
            svg.matches(&format!("</{tag}>")).count(),
            "{tag}"
        );
    }
    for word in [
        "plant, full dose",
        "plant, missed",
        "sprayed (half flow)",
        "50 m",
        "tolerance",
    ] {
        assert!(svg.contains(word), "{word}");
    }
    // The legend shows two ellipses; every judged plant is one too.
    let r = json(&["demo", "--json", "--out", &demo.path("x")], 0);
    assert!(
        svg.matches("<ellipse").count() as u64
            >= 2 + r["targets"]["full"].as_u64().expect("a count")
    );
}
