//! The verb `study`: the same bytes whatever the threads and shards, going on where it was stopped,
//! and refusals before anything runs.

mod common;

use std::path::Path;

use common::{Demo, host_sim, messages};
use host_sim::run::DEMO_SCENARIO;

/// A short drive with capture times 12 ms off, 48 mm here: a short lead leaves plants half dry.
fn scenario() -> String {
    let from = DEMO_SCENARIO.find("[[motion.piece]]").expect("pieces");
    let to = DEMO_SCENARIO.find("[field]").expect("a field");
    format!(
        "{}[[motion.piece]]\nduration_s = 5.0\nacceleration_m_s2 = 0.0\n\n{}",
        &DEMO_SCENARIO[..from],
        &DEMO_SCENARIO[to..]
    )
    .replace("start_speed_m_s = 2.0", "start_speed_m_s = 4.0")
        + "\n[images]\nclock_offset_ms = 12.0\n"
}

/// The demo's folder with a short scenario.
struct Place(Demo);

impl Place {
    fn new(name: &str) -> Place {
        let demo = Demo::new(name);
        demo.write("scenario.toml", scenario().as_bytes());
        Place(demo)
    }

    fn write(&self, name: &str, text: &str) -> String {
        self.0.write(name, text.as_bytes())
    }

    fn at(&self, name: &str) -> String {
        self.0.path(name)
    }

    fn text(&self, name: &str) -> String {
        String::from_utf8(self.0.read(name)).expect("text")
    }
}

const STUDY: &str = "study_format = 1\nname = \"short\"\nmachine = \"machine.toml\"\nscenario = \"scenario.toml\"\nseeds = 100\n";
const VARY: &str = "[[vary]]\nkey = \"machine.patch.lead_m\"\nfrom = 0.0\nto = 0.08\nsteps = 3\n[[vary]]\nkey = \"scenario.detector.once\"\nvalues = [true]\n";

/// Every file of a folder but those half written, by name.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut all: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|e| e.expect("an entry").path())
        .map(|p| {
            let name = p
                .file_name()
                .expect("a name")
                .to_string_lossy()
                .into_owned();
            (name, std::fs::read(&p).expect("a file"))
        })
        .collect();
    all.sort();
    all
}

fn run(study: &str, out: &str, more: &[&str]) -> String {
    let done = host_sim(&[&["study", study, "--out", out][..], more].concat());
    assert_eq!(done.status.code(), Some(0), "{}", messages(&done));
    // No terminal: no bar.
    assert_eq!(messages(&done), "");
    String::from_utf8(done.stdout).expect("text")
}

#[test]
fn threads_shards_and_interruptions_give_the_same_bytes() {
    let place = Place::new("study-same");
    let study = place.write("study.toml", &format!("{STUDY}{VARY}"));
    let (one, two, three) = (place.at("one"), place.at("two"), place.at("three"));
    let said = run(&study, &one, &["--threads", "1"]);
    assert!(said.contains("2 of 2 parts made now, 0 kept"), "{said}");
    run(&study, &two, &["--threads", "4"]);
    let whole = files(Path::new(&one));
    assert_eq!(whole, files(Path::new(&two)));
    let names: Vec<&str> = whole.iter().map(|f| f.0.as_str()).collect();
    assert_eq!(
        names,
        [
            "cells.csv",
            "figures.svg",
            "machine.toml",
            "part-00000.parquet",
            "part-00001.parquet",
            "runs.csv",
            "scenario.toml",
            "study.json",
            "study.toml"
        ]
    );
    // By shards: the first alone makes its part and no tables.
    let said = run(&study, &three, &["--shard", "2/2"]);
    assert!(
        said.contains("1 of 2 parts made now") && said.contains("other shards"),
        "{said}"
    );
    assert!(!Path::new(&three).join("runs.csv").exists());
    run(&study, &three, &["--shard", "1/2"]);
    assert_eq!(whole, files(Path::new(&three)));
    // Interrupted: a part is gone, another cut short, a third half written. What is whole is kept.
    let at = |name: &str| Path::new(&two).join(name);
    std::fs::remove_file(at("runs.csv")).expect("there");
    let part = std::fs::read(at("part-00001.parquet")).expect("there");
    std::fs::write(at("part-00001.parquet"), &part[..part.len() / 2]).expect("cut");
    std::fs::write(at("part-00001.parquet.half"), b"PAR1").expect("written");
    let said = run(&study, &two, &[]);
    assert!(said.contains("1 of 2 parts made now, 1 kept"), "{said}");
    assert_eq!(whole, files(Path::new(&two)));
    // Rows: every cell with every seed, in order, and the values varied.
    let csv = String::from_utf8(whole[5].1.clone()).expect("text");
    let rows: Vec<Vec<&str>> = csv.lines().map(|l| l.split(',').collect()).collect();
    assert_eq!(rows.len(), 301);
    assert_eq!(
        &rows[0][..5],
        [
            "cell",
            "seed",
            "machine.patch.lead_m",
            "scenario.detector.once",
            "plants"
        ]
    );
    assert_eq!(&rows[1][..4], ["0", "1", "0", "true"]);
    assert_eq!(&rows[300][..4], ["2", "100", "0.08", "true"]);
    // The lead counts: without any plants stay half dry.
    let sum = |cell: &str, column: usize| -> usize {
        let own = rows[1..].iter().filter(|r| r[0] == cell);
        own.map(|r| r[column].parse::<usize>().expect("a count"))
            .sum()
    };
    assert_eq!(sum("0", 4), sum("2", 4), "the same plants");
    assert!(sum("0", 5) < sum("2", 5), "{} {}", sum("0", 5), sum("2", 5));
    // Another study does not go into the folder.
    let other = place.write("study.toml", &format!("{STUDY}first_seed = 2\n{VARY}"));
    let done = host_sim(&["study", &other, "--out", &one]);
    assert_eq!(done.status.code(), Some(2));
    assert!(
        messages(&done).contains("another study"),
        "{}",
        messages(&done)
    );
}

#[test]
fn a_run_of_a_study_is_the_run_of_generate_and_replay() {
    let place = Place::new("study-equals");
    let study = place.write(
        "study.toml",
        &STUDY.replace("seeds = 100", "seeds = 1\nfirst_seed = 20"),
    );
    run(&study, &place.at("out"), &[]);
    let drive = place.at("drive");
    let scenario = place.at("scenario.toml");
    assert_eq!(
        host_sim(&["generate", &scenario, "--out", &drive])
            .status
            .code(),
        Some(0)
    );
    let path = |name: &str| Path::new(&drive).join(name).display().to_string();
    let out = host_sim(&[
        "replay",
        &path("recording.jsonl"),
        "--machine",
        &path("machine.toml"),
        "--truth",
        &path("truth.json"),
        "--json",
    ]);
    let said: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let csv = place.text("out/runs.csv");
    let mut lines = csv.lines().map(|l| l.split(',').collect::<Vec<_>>());
    let (head, row) = (lines.next().expect("a head"), lines.next().expect("a row"));
    let of = |name: &str| -> f64 {
        let at = head.iter().position(|h| *h == name).expect(name);
        row[at].parse().expect("a number")
    };
    for (column, key) in [
        ("plants", &said["targets"]["total"]),
        ("full", &said["targets"]["full"]),
        ("commands", &said["commands"]),
        ("start_rms_mm", &said["start_error_mm"]["rms"]),
        ("stop_max_mm", &said["stop_error_mm"]["max"]),
        ("saving", &said["saving_vs_broadcast"]),
    ] {
        // The reader of JSON is off by the last bit of a float.
        let key = key.as_f64().expect(column);
        assert!(
            (of(column) - key).abs() <= 1e-12 * key.abs(),
            "{column}: {key}"
        );
    }
    assert!(of("plants") > 0.0);
}

#[test]
fn draws_are_within_their_ends_and_repeat() {
    let place = Place::new("study-draws");
    let text = format!("{STUDY}draws = 40\n[dose]\nflow_l_min = 0.8\ncell_mm = 50.0\n[[vary]]\nkey = \"machine.patch.lead_m\"\nfrom = 0.0\nto = 0.05\n[[vary]]\nkey = \"machine.detector.*.view_far_m\"\nvalues = [0.6, 0.8]\n").replace("seeds = 100", "seeds = 1");
    let study = place.write("study.toml", &text);
    for out in ["a", "b"] {
        run(
            &study,
            &place.at(out),
            &["--threads", if out == "a" { "1" } else { "3" }],
        );
    }
    assert_eq!(
        files(Path::new(&place.at("a"))),
        files(Path::new(&place.at("b")))
    );
    let csv = place.text("a/runs.csv");
    assert!(
        csv.lines()
            .next()
            .expect("a head")
            .ends_with("litres,mean_l_ha,over_percent,dry_percent")
    );
    let drawn: Vec<f64> = csv
        .lines()
        .skip(1)
        .map(|l| {
            l.split(',')
                .nth(2)
                .expect("a value")
                .parse()
                .expect("a number")
        })
        .collect();
    assert_eq!(drawn.len(), 40);
    assert!(drawn.iter().all(|x| (0.0..=0.05).contains(x)));
    let (low, high) = drawn
        .iter()
        .fold((1.0_f64, 0.0_f64), |(l, h), x| (l.min(*x), h.max(*x)));
    assert!(low < 0.01 && high > 0.04, "{low} {high}");
}

#[test]
fn what_no_run_can_be_made_of_is_refused_first() {
    let place = Place::new("study-bad");
    for (more, words) in [
        (
            "[[vary]]\nkey = \"machine.patch.leed_m\"\nvalues = [0.1]\n",
            &["leed_m", ":7:7"][..],
        ),
        (
            "[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = [0.1, 11.0]\n",
            &["lead_m", "outside", ":8:16"],
        ),
        (
            "[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = [\"x\"]\n",
            &["lead_m", ":8:11"],
        ),
        (
            "[[vary]]\nkey = \"lead_m\"\nvalues = [0.1]\n",
            &["begin it with", ":7:7"],
        ),
        (
            "[[vary]]\nkey = \"machine.detector.4.x_m\"\nvalues = [0.1]\n",
            &["is not there", ":7:7"],
        ),
        (
            "[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = []\n",
            &["empty", ":8:10"],
        ),
        (
            "[[vary]]\nkey = \"machine.patch.lead_m\"\nfrom = 0.0\nto = 0.1\n",
            &["steps"],
        ),
        (
            "[[vary]]\nkey = \"scenario.seed\"\nvalues = [1]\n",
            &["seeds"],
        ),
        (
            "[[vary]]\nkey = \"scenario.motion.piece.0.duration_s\"\nvalues = [0.1]\n",
            &["too short", ":8:11"],
        ),
        (
            "[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = [0.1]\n[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = [0.1]\n",
            &["twice", ":10:7"],
        ),
        (
            "[[vary]]\nkey = \"machine.boom.nozzles\"\nfrom = 1\nto = 2\nsteps = 9000\n[[vary]]\nkey = \"machine.patch.lead_m\"\nfrom = 0.0\nto = 1.0\nsteps = 9000\n",
            &["cells"],
        ),
        ("surprise = 1\n", &["surprise", ":6:1"]),
    ] {
        let study = place.write("study.toml", &format!("{STUDY}{more}"));
        let out = place.at("out");
        let done = host_sim(&["study", &study, "--out", &out]);
        let said = messages(&done);
        assert_eq!(done.status.code(), Some(2), "{more}: {said}");
        for word in words {
            assert!(said.contains(word), "{more}: {word}: {said}");
        }
        assert!(!Path::new(&out).exists(), "{more}: nothing is made");
    }
    let study = place.write("study.toml", STUDY);
    for (args, words) in [
        (&["--shard", "3/2"][..], "--shard"),
        (&["--shard", "x"], "--shard"),
        (&["--threads", "0"], "--threads"),
    ] {
        let done = host_sim(&[&["study", &study, "--out", &place.at("none")][..], args].concat());
        assert_eq!(done.status.code(), Some(2));
        assert!(messages(&done).contains(words), "{}", messages(&done));
    }
}
