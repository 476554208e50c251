//! `host-sim calibrate`: captures and drives with a known truth, what is written into the machine
//! file, and what is refused.

mod common;

use std::collections::BTreeSet;
use std::ffi::OsString;

use common::{Demo, host_sim, messages};
use ground_truth::WheelSpec;
use ground_truth::bench_capture::{Answer, BenchRun};
use ground_truth::taped::TapedDrive;
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use serde_json::Value;

/// A fresh folder for one test.
struct Folder(Demo);

impl Folder {
    fn new(name: &str) -> Folder {
        Folder(Demo::new(name))
    }

    fn put(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        self.0.write(name, bytes.as_ref())
    }

    fn text(&self, name: &str) -> String {
        String::from_utf8(self.0.read(name)).expect("text")
    }

    fn names(&self) -> BTreeSet<OsString> {
        let all = std::fs::read_dir(self.0.path("")).expect("a folder");
        all.map(|f| f.expect("a file").file_name()).collect()
    }

    fn machine(&self) -> Machine {
        Machine::parse("machine.toml", &self.text("machine.toml")).expect("a whole machine")
    }
}

/// Runs a calibration; its JSON and status.
fn calibrate(args: &[&str]) -> (Value, Option<i32>) {
    let out = host_sim(&[&["calibrate"], args, &["--json"]].concat());
    let text = String::from_utf8_lossy(&out.stdout);
    let json =
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}\n{}", messages(&out)));
    (json, out.status.code())
}

/// What it says when it refuses; the status must be 2.
fn refused(args: &[&str]) -> String {
    let out = host_sim(&[&["calibrate"], args].concat());
    assert_eq!(
        out.status.code(),
        Some(2),
        "{args:?}: {}",
        String::from_utf8_lossy(&out.stdout)
    );
    messages(&out)
}

fn capture(answers: Vec<Answer>) -> (BenchRun, Vec<String>) {
    let pairs = (0..answers.len())
        .flat_map(|n| ["--pair".to_owned(), format!("{n}:command_{n}:sense_{n}")]);
    let pairs = pairs.collect();
    let run = BenchRun {
        answers,
        openings: 200,
        on_s: 0.06,
        pause_s: 0.06,
        sample_hz: 1e5,
        outliers: 0.05,
        missing: 0.0,
        bounces: 2,
        supply_falls_v: 0.0,
        seed: 8,
    };
    (run, pairs)
}

fn dump(run: &BenchRun) -> Vec<u8> {
    let mut dump = Vec::new();
    run.write_vcd(&run.fire(), &mut dump)
        .expect("a vector takes all");
    dump
}

fn with<'a>(args: &[&'a str], pairs: &'a [String]) -> Vec<&'a str> {
    args.iter()
        .copied()
        .chain(pairs.iter().map(String::as_str))
        .collect()
}

#[test]
fn delays_go_into_the_machine_file_and_nothing_else_changes() {
    let folder = Folder::new("calibrate-valves");
    let good = Answer::plain(0.0231, 0.0127, 3e-4);
    let mut answers = vec![good; 8];
    answers[3].open_s = 0.0262;
    let (run, pairs) = capture(answers);
    let capture = folder.put("run.vcd", dump(&run));
    // Odd blanks and comments of the user's own.
    let before = DEMO_MACHINE
        .replace(
            "open_delay_ms = ",
            "# measured in spring\n  open_delay_ms   =   ",
        )
        .replace("[patch]", "# of the patch\n[patch]");
    let before: String = before
        .lines()
        .map(|l| {
            if l.contains("open_delay_ms") {
                format!("{l} # by ear\n")
            } else {
                format!("{l}\n")
            }
        })
        .collect();
    let machine = folder.put("machine.toml", &before);
    let plot = folder.0.path("plot.svg");
    let args = ["valves", &capture, "--machine", &machine];
    let args = with(&args, &pairs);

    folder.put("plot.svg", "");
    let names = folder.names();
    // Without --write nothing happens to the file.
    let (told, status) = calibrate(&args);
    assert_eq!(
        (folder.text("machine.toml"), status),
        (before.clone(), Some(0))
    );
    assert_eq!(told.get("written"), None);

    let (told, status) = calibrate(&[&args[..], &["--write", "--plot", &plot]].concat());
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(told["written"]["changed"], true);
    let after = folder.text("machine.toml");
    let changed: Vec<&str> = after
        .lines()
        .filter(|l| !before.lines().any(|b| b == *l))
        .collect();
    assert_eq!(changed.len(), 3, "{changed:?}");
    assert!(
        changed[0].starts_with("  open_delay_ms   =   23.") && changed[0].ends_with("# by ear"),
        "{changed:?}"
    );
    let gone: Vec<&str> = before
        .lines()
        .filter(|l| !after.lines().any(|a| a == *l))
        .collect();
    assert_eq!(gone.len(), 2, "{gone:?}");
    let machine_now = folder.machine();
    for (n, nozzle) in machine_now.nozzles.iter().enumerate() {
        let open = if n == 3 { 0.0262 } else { 0.0231 };
        assert!(
            (nozzle.open_delay_s - open).abs() < 1e-4,
            "{n}: {}",
            nozzle.open_delay_s
        );
        assert!(
            (nozzle.close_delay_s - 0.0127).abs() < 1e-4,
            "{n}: {}",
            nozzle.close_delay_s
        );
    }
    assert!((machine_now.valves.close_delay_s - 0.0127).abs() < 1e-4);
    assert!(folder.text("plot.svg").contains("nozzle 7"));
    assert_eq!(folder.names(), names, "nothing is left beside the files");

    // Once more changes nothing.
    let (told, _) = calibrate(&[&args[..], &["--write"]].concat());
    assert_eq!(told["written"]["changed"], false);
    assert_eq!(folder.text("machine.toml"), after);
}

#[test]
fn listed_nozzles_get_their_own_keys() {
    let folder = Folder::new("calibrate-listed");
    let good = Answer::plain(0.02, 0.015, 2e-4);
    let (run, pairs) = capture(vec![
        good,
        Answer {
            close_s: 0.0191,
            ..good
        },
    ]);
    let capture = folder.put("run.vcd", dump(&run));
    let start = DEMO_MACHINE.find("[boom]").expect("the demo has one");
    let end = start + DEMO_MACHINE[start + 1..].find("\n[").expect("more tables") + 1;
    let listed = "[[nozzle]] # left\nx_m = 0.0\ny_m = -0.25\n\n[[nozzle]] # right\nx_m = 0.0\ny_m = 0.25\nclose_delay_ms = 11.5 # old\n";
    let text = format!("{}{listed}{}", &DEMO_MACHINE[..start], &DEMO_MACHINE[end..]);
    let text: String = text.split("[[section]]").next().expect("some").to_owned();
    let machine = folder.put("machine.toml", &text);
    let args = ["valves", &capture, "--machine", &machine, "--write"];
    let (_, status) = calibrate(&with(&args, &pairs));
    assert_eq!(status, Some(0));
    let now = folder.machine();
    assert!((now.nozzles[1].close_delay_s - 0.0191).abs() < 1e-4);
    assert!((now.nozzles[0].close_delay_s - 0.015).abs() < 1e-4);
    let after = folder.text("machine.toml");
    assert!(
        after.contains("[[nozzle]] # left") && after.contains("# old"),
        "{after}"
    );
}

#[test]
fn a_slow_and_a_stuck_valve_leave_with_status_1() {
    let folder = Folder::new("calibrate-slow");
    let good = Answer::plain(0.02, 0.015, 2e-4);
    let mut answers = vec![good; 5];
    answers[1].open_s = 0.031;
    answers[4].dead_from = Some(0);
    let (run, pairs) = capture(answers);
    let capture = folder.put("run.vcd", dump(&run));
    let out = host_sim(&with(&["calibrate", "valves", &capture], &pairs));
    assert_eq!(out.status.code(), Some(1), "{}", messages(&out));
    let text = String::from_utf8_lossy(&out.stdout);
    for words in [
        "fault: slow: nozzle 1 opens 31.",
        "fault: stuck shut: nozzle 4",
        "[valves]\n  open_delay_ms = 19.98",
        "note: outliers: nozzle 0 opens",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn a_figure_that_the_machine_cannot_have_leaves_its_file_alone() {
    let folder = Folder::new("calibrate-refused");
    // Below half of the demo's rise of some milliseconds.
    let (run, pairs) = capture(vec![Answer::plain(0.0012, 0.0012, 1e-4); 8]);
    let capture = folder.put("run.vcd", dump(&run));
    let machine = folder.put("machine.toml", DEMO_MACHINE);
    let said = refused(&with(
        &["valves", &capture, "--machine", &machine, "--write"],
        &pairs,
    ));
    assert!(said.contains("more than twice its delay"), "{said}");
    assert_eq!(folder.text("machine.toml"), DEMO_MACHINE);
}

#[test]
fn the_wheel_goes_into_the_machine_file() {
    let folder = Folder::new("calibrate-wheel");
    let drive = |seed: u64, scale: f64| TapedDrive {
        wheel: WheelSpec {
            pulse_length_m: 0.0512,
            slots: 30,
            unevenness: 0.01,
            stamp_jitter_s: 1e-5,
            seed: 4,
        },
        scale,
        distance_m: 100.0,
        speed_m_s: 2.0,
        wander: 0.08,
        stray: 0.0,
        seed,
    };
    let list = |name: &str, seed: u64, scale: f64| {
        let mut text = String::from("time_ms\n");
        drive(seed, scale)
            .pulses()
            .iter()
            .for_each(|t| text += &format!("{:.3}\n", 1e3 * t));
        folder.put(name, text)
    };
    let runs = [
        list("a.txt", 1, 1.0),
        list("b.txt", 2, 1.0),
        list("c.txt", 3, 1.0),
    ];
    let free = [list("d.txt", 5, 1.025), list("e.txt", 6, 1.025)];
    let per_metre = DEMO_MACHINE
        .lines()
        .find(|l| l.starts_with("pulses_per_m"))
        .expect("the demo's");
    let machine = folder.put("machine.toml", DEMO_MACHINE);
    let plot = folder.0.path("wheel.svg");
    let mut args = vec![
        "wheel",
        &runs[0],
        &runs[1],
        &runs[2],
        "--distance-m",
        "100",
        "--machine",
        &machine,
        "--write",
        "--plot",
        &plot,
    ];
    args.extend(["--unloaded", &free[0], "--unloaded", &free[1]]);
    let (told, status) = calibrate(&args);
    assert_eq!(status, Some(0), "{told}");
    let now = folder.machine().wheel;
    assert!((now.pulse.metres() / 0.0512 - 1.0).abs() < 4e-4, "{told}");
    assert!(
        folder.text("machine.toml").contains("slots_per_turn = 30"),
        "{told}"
    );
    assert!(folder.text("wheel.svg").contains("30 slots a turn"));
    let slip = told["figures"]
        .as_array()
        .expect("a list")
        .iter()
        .find(|f| f["name"] == "slip under load")
        .expect("told");
    assert!(
        (slip["value"].as_f64().expect("a number") - 2.44).abs() < 0.1,
        "{slip}"
    );

    // A file that has the length of a pulse keeps that key.
    folder.put(
        "machine.toml",
        DEMO_MACHINE.replace(per_metre, "pulse_length_m = 0.05 # taped"),
    );
    calibrate(&args);
    let after = folder.text("machine.toml");
    assert!(
        after.contains("pulse_length_m = 0.0511")
            && after.contains("# taped")
            && !after.contains("pulses_per_m"),
        "{after}"
    );
}

#[test]
fn what_cannot_be_used_is_named() {
    let folder = Folder::new("calibrate-bad");
    let (run, _) = capture(vec![Answer::plain(0.02, 0.015, 2e-4)]);
    let good = folder.put("good.vcd", dump(&run));
    let empty = folder.put("empty.csv", "");
    let one = folder.put("one.csv", "time_s,D0\n0,0\n1,1\n2,0\n");
    let back = folder.put("back.csv", "time_s,D0,D1\n0,0,0\n2,1,0\n1,0,1\n");
    let still = folder.put("still.csv", "time_s,D0,D1\n0,0,0\n2,0,0\n");
    let closes = folder.put("closes.csv", "time_s,D0,D1\n0,1,1\n1,0,1\n1.1,0,0\n");
    let short = folder.put("short.csv", "time_s,D0,D1\n0,0\n");
    let unit = folder.put("unit.csv", "time,D0,D1\n0,0,0\n");
    let wires = folder.put("wires.toml", "[[nozzle]]\nnozzle = 0\nsense = \"D1\"\n");
    let machine = folder.put("machine.toml", DEMO_MACHINE);
    let pulses = folder.put("pulses.txt", "time_s\n0\n2\n1\n");
    let head = "t_us,nozzle,action,short_by_mm\n";
    let closes_more = folder.put(
        "closes_more.csv",
        format!("{head}10,0,open,0\n20,0,close,0\n30,0,close,0\n"),
    );
    let closes_first = folder.put(
        "closes_first.csv",
        format!("{head}10,0,close,0\n20,0,open,0\n"),
    );
    let fired = |list: &'static str| {
        [
            "--pair",
            "0:sense_0",
            "--sync",
            "0:command_0",
            "--fired",
            list,
        ]
    };
    let closes_more = fired(closes_more.leak());
    let closes_first = fired(closes_first.leak());
    let pair = ["--pair", "0:D0:D1"];
    for (args, words) in [
        (
            vec!["valves", &good],
            vec!["no nozzle is named", "--pair 0:D0:D1"],
        ),
        (
            vec!["valves", "/nowhere.vcd", "--pair", "0:a:b"],
            vec!["cannot read /nowhere.vcd"],
        ),
        (
            vec!["valves", &good, "--pair", "0:D0:sense_0"],
            vec![
                "channel D0 is not in the capture",
                "it has command_0, sense_0",
            ],
        ),
        (
            vec!["valves", &good, "--pair", "0:sense_0"],
            vec!["names no nozzle and its wires", "NOZZLE:COMMAND:SENSE"],
        ),
        (
            vec!["valves", &good, "--pair", "0:a:b", "--pair", "0:c:d"],
            vec!["nozzle 0 is named twice"],
        ),
        (vec!["valves", &good, "--pair", "999:a:b"], vec!["at most"]),
        (
            vec!["valves", &good, "--pair", "9:a:b", "--machine", &machine],
            vec!["nozzle 9 is measured, but the machine has 8"],
        ),
        (
            vec!["valves", &good, "--wires", &wires],
            vec!["nozzle 0 has no command wire", "wires.toml:1"],
        ),
        (
            [&["valves", &good][..], &closes_more].concat(),
            vec!["nozzle 0 is told to close twice in a row", "at 0.000030 s"],
        ),
        (
            [&["valves", &good][..], &closes_first].concat(),
            vec!["nozzle 0 is told to close before it was told to open"],
        ),
        (
            vec!["valves", &empty, pair[0], pair[1]],
            vec!["the capture is empty", "time_s,D0,D1"],
        ),
        (
            vec!["valves", &one, pair[0], pair[1]],
            vec![
                "channel D1 is not in the capture",
                "record that channel too",
            ],
        ),
        (
            vec!["valves", &back, pair[0], pair[1]],
            vec!["back.csv:4", "runs back: 1 s after 2 s"],
        ),
        (
            vec!["valves", &still, pair[0], pair[1]],
            vec!["no command edge is in the capture", "fire the valves"],
        ),
        (
            vec!["valves", &closes, pair[0], pair[1]],
            vec!["commands to close and none to open"],
        ),
        (
            vec!["valves", &short, pair[0], pair[1]],
            vec!["short.csv:2", "3 cells"],
        ),
        (
            vec!["valves", &unit, pair[0], pair[1]],
            vec!["names no unit of time"],
        ),
        (
            vec!["valves", &good, pair[0], pair[1], "--longest-ms", "0"],
            vec!["--longest-ms is 0"],
        ),
        (
            vec!["wheel", &pulses, "--distance-m", "100"],
            vec!["pulses.txt:4", "runs back"],
        ),
        (
            vec!["wheel", &good, "--distance-m", "100"],
            vec!["no channel is named", "--channel"],
        ),
        (
            vec!["wheel", &good, "--distance-m", "100", "--channel", "w"],
            vec!["channel w is not"],
        ),
        (
            vec!["wheel", &good, "--distance-m", "0"],
            vec!["--distance-m is 0"],
        ),
        (
            vec![
                "wheel",
                &one,
                &one,
                "--distance-m",
                "9",
                "--distance-m",
                "9",
                "--distance-m",
                "9",
            ],
            vec!["3 distances are given for 2 runs"],
        ),
        (
            vec!["wheel", &one, "--distance-m", "9", "--channel", "D0"],
            vec!["1 pulses: too few"],
        ),
    ] {
        let said = refused(&args);
        for word in words {
            assert!(said.contains(word), "{args:?}: {said}");
        }
        assert!(said.contains("help:"), "{args:?}: {said}");
    }
}

/// The `n`-th block of the page that is fenced with `kind`.
fn example(kind: &str) -> &'static str {
    let page = include_str!("../formats/calibrate.md");
    let fence = format!("```{kind}\n");
    let start = page
        .find(&fence)
        .unwrap_or_else(|| panic!("no {kind} example"))
        + fence.len();
    &page[start..start + page[start..].find("```").expect("it ends")]
}

#[test]
fn the_examples_of_the_format_page_are_read() {
    let folder = Folder::new("calibrate-page");
    let dump = folder.put("run.vcd", example("vcd"));
    let table = folder.put("run.csv", example("csv"));
    let wires = folder.put("wires.toml", example("toml"));
    let pulses = folder.put("pulses.txt", example("text"));
    let figures = |args: &[&str]| -> Vec<f64> {
        let (told, status) = calibrate(args);
        assert_eq!(status, Some(0), "{told}");
        told["figures"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|f| f["value"].as_f64())
            .collect()
    };
    let pair = ["--pair", "0:command_0:sense_0", "--supply", "supply"];
    for file in [&dump, &table] {
        let told = figures(&[&["valves", file], &pair[..]].concat());
        // Opens after 20.12 and 20.08 ms, closes after 14.96 and 15.04 ms.
        assert!(
            (told[0] - 20.10).abs() < 1e-9 && (told[2] - 15.00).abs() < 1e-9,
            "{told:?}"
        );
    }
    // The page's wires name channels that this dump has not: they are understood all the same.
    assert!(
        refused(&["valves", &dump, "--wires", &wires])
            .contains("channel port[3] is not in the capture")
    );
    let told = figures(&["wheel", &pulses, "--distance-m", "1"]);
    assert_eq!(told[0], 12.0);
}
