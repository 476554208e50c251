//! `calibrate nozzles`, `track`, `detector` and `field`: the page's examples, what the program
//! prints and writes, and what it refuses.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use calibration::{catch, field, markers, strobe, track};

const PAGE: &str = include_str!("../formats/calibrate-ground.md");

/// The block of the page that is fenced with `kind`.
fn example(kind: &str) -> &'static str {
    let fence = format!("```{kind}\n");
    let start = PAGE.find(&fence).expect("the page has an example") + fence.len();
    let length = PAGE[start..].find("```").expect("the example ends");
    &PAGE[start..start + length]
}

struct Bench(PathBuf);

impl Bench {
    fn new(name: &str) -> Bench {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("ground-{name}"));
        let _none_yet = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).expect("a folder");
        let bench = Bench(folder);
        bench.write("machine.toml", host_sim::run::DEMO_MACHINE);
        bench
    }

    fn path(&self, file: &str) -> String {
        self.0.join(file).display().to_string()
    }

    fn write(&self, file: &str, text: &str) -> String {
        std::fs::write(self.0.join(file), text).expect("written");
        self.path(file)
    }

    fn read(&self, file: &str) -> String {
        std::fs::read_to_string(self.0.join(file)).expect("read")
    }

    fn calibrate(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_host-sim"))
            .arg("calibrate")
            .args(args)
            .output()
            .expect("it runs")
    }
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn the_pages_examples_are_read() {
    let caught = catch::read(example("csv-catch").as_bytes()).expect("catches");
    assert_eq!((caught.len(), caught[3].ml), (4, 310.0));
    let strips = track::read(example("csv-strips").as_bytes()).expect("strips");
    assert_eq!((strips.len(), strips[0].nozzle), (5, 3));
    let grid = markers::read(example("csv-markers").as_bytes()).expect("markers");
    assert!(markers::view(&grid).expect("a plane").mount.0.holds(1.2));
    let flashes = strobe::read(example("csv-strobe").as_bytes()).expect("flashes");
    assert!(strobe::clock(&flashes).expect("enough").drift.is_some());
    let counts = field::read(example("csv-counts").as_bytes()).expect("counts");
    assert_eq!(counts.iter().map(|c| c.counted).sum::<usize>(), 164);
}

/// By hand: (402 + 398 + 455 + 310) / 4 = 391.25 ml in 30 s are 0.7825 L/min; at 2 m/s and 0.5 m
/// 0.7825 / 60 / (0.5 · 2) · 10,000 = 130.4 L/ha, and / 9.353956 = 13.94 US gal/acre. Nozzle 2
/// gives 16.3 % more than the mean, nozzle 3 20.8 % less.
#[test]
fn a_catch_test_tells_rate_and_what_to_do() {
    let bench = Bench::new("catch");
    let file = bench.write("catch.csv", example("csv-catch"));
    let run = bench.calibrate(&[
        "nozzles",
        &file,
        "--size",
        "02",
        "--speed-m-s",
        "2",
        "--spacing-m",
        "0.5",
    ]);
    let text = out(&run);
    assert_eq!(run.status.code(), Some(1), "{text}{}", err(&run));
    for words in [
        "replace: nozzle 2: +16.3 %",
        "clean: nozzle 3: -20.8 %",
        "L/ha",
        "US gal/acre",
        "gives 0.800 L/min at 300 kPa",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let run = bench.calibrate(&[
        "nozzles",
        &file,
        "--size",
        "02",
        "--speed-m-s",
        "2",
        "--spacing-m",
        "0.5",
        "--json",
    ]);
    let json: serde_json::Value = serde_json::from_str(&out(&run)).expect("JSON");
    let rate = |unit: &str| {
        let figures = json["figures"].as_array().expect("figures");
        let found = figures.iter().find(|f| f["unit"] == unit);
        found.and_then(|f| f["value"].as_f64()).expect("a rate")
    };
    assert!((rate("L/ha") - 130.4167).abs() < 1e-3, "{json}");
    assert!((rate("US gal/acre") - 13.9424).abs() < 1e-3, "{json}");
}

#[test]
fn a_grid_writes_the_mount_and_keeps_the_comments() {
    let bench = Bench::new("grid");
    let file = bench.write(
        "markers.csv",
        &example("csv-markers").replace("1300", "1340"),
    );
    let machine = bench.path("machine.toml");
    let shifted = bench.write("shifted.csv", &{
        let mut rows: Vec<String> = Vec::new();
        for (i, line) in example("csv-markers").lines().enumerate() {
            let mut fields: Vec<String> = line.split(',').map(str::to_owned).collect();
            if i > 0 {
                let x: f64 = fields[2].parse().expect("x");
                fields[2] = format!("{}", x + 80.0);
            }
            rows.push(fields.join(","));
        }
        rows.join("\n")
    });
    let run = bench.calibrate(&[
        "detector",
        "--markers",
        &shifted,
        "--machine",
        &machine,
        "--write",
    ]);
    assert_eq!(run.status.code(), Some(0), "{}{}", out(&run), err(&run));
    let text = bench.read("machine.toml");
    let told = host_sim::machine::Machine::parse("machine.toml", &text).expect("whole");
    assert!((told.detectors[0].x_m - 1.28).abs() < 0.002, "{text}");
    assert!(text.starts_with("# An invented boom"), "{text}");
    // One row of the grid 40 mm off is no shift: it is a plane seen wrongly, or a wrong row.
    let run = bench.calibrate(&["detector", "--markers", &file]);
    assert_eq!(run.status.code(), Some(1), "{}", out(&run));
}

#[test]
fn late_stamps_are_a_fault_and_their_age_sets_the_limit() {
    let bench = Bench::new("strobe");
    let machine = bench.path("machine.toml");
    let rows: Vec<String> = (0..20_u64)
        .map(|i| {
            let t = 1_000_000 * (i + 1);
            format!("{t},{},{}", t + 3000 + i % 3 * 50, t + 900_000 + i * 1000)
        })
        .collect();
    let file = bench.write(
        "strobe.csv",
        &format!("flash_us,captured_us,arrived_us\n{}\n", rows.join("\n")),
    );
    let run = bench.calibrate(&[
        "detector",
        "--strobe",
        &file,
        "--machine",
        &machine,
        "--write",
    ]);
    let text = out(&run);
    assert_eq!(run.status.code(), Some(1), "{text}{}", err(&run));
    assert!(
        text.contains("fault: stamp") && text.contains("too late"),
        "{text}"
    );
    assert!(text.contains("fault: age"), "{text}");
    let told = host_sim::machine::Machine::parse("m", &bench.read("machine.toml")).expect("whole");
    assert!(
        told.timing.max_detection_age_s >= 0.919,
        "{:?}",
        told.timing
    );
}

#[test]
fn a_field_count_says_what_to_measure_next() {
    let bench = Bench::new("field");
    let file = bench.write("counts.csv", example("csv-counts"));
    let run = bench.calibrate(&["field", &file, "--wanted-percent", "95"]);
    let text = out(&run);
    assert_eq!(run.status.code(), Some(1), "{text}{}", err(&run));
    // 144 of 164; the start stays dry at speed.
    for words in [
        "144 of 164 plants hit: 87.8 %",
        "above (fast)",
        "the more the faster",
        "calibrate track",
        "95 % are not proven",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

/// Every kind of measurement draws what it measured: as many marks as there are samples, and those
/// that are left out by another shape.
#[test]
fn each_measurement_is_drawn() {
    let bench = Bench::new("plots");
    let plot = |args: &[&str]| {
        let file = bench.path("plot.svg");
        let run = bench.calibrate(&[args, &["--plot", &file]].concat());
        assert_ne!(run.status.code(), Some(2), "{}", err(&run));
        let svg = bench.read("plot.svg");
        assert!(
            svg.starts_with("<svg ") && svg.ends_with("</svg>\n"),
            "{svg}"
        );
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        svg
    };
    let cross = "l10 10m0 -10l-10 10";
    let dot = "r=\"3.4\"";

    // Two pass, one gives too much, one too little; each shape stands in the legend once.
    let file = bench.write("catch.csv", example("csv-catch"));
    let svg = plot(&["nozzles", &file, "--size", "02"]);
    assert_eq!(
        (svg.matches(dot).count(), svg.matches(cross).count()),
        (3, 2)
    );
    for words in [
        "at 300 kPa",
        "new nozzle of size 02, 0.800 L/min",
        "mean, 0.782 L/min",
    ] {
        assert!(svg.contains(words), "{words}: {svg}");
    }

    // Two nozzles at two speeds, twenty-four strips, of which one start is read wrongly.
    let mut strips = String::from("nozzle,speed_m_s,near_mm,far_mm,start_mm,stop_mm\n");
    for i in 0..24 {
        let (nozzle, fast) = (i % 2, i / 2 % 2);
        let off = [0, 3, -3, 2, -2, 1][i / 4];
        let wrong = if i == 9 { 200 } else { 0 };
        let (v, start) = ([1.0, 4.0][fast], 940 + off + 30 * fast as i32 + wrong);
        strips += &format!("{nozzle},{v},1000,1100,{start},{}\n", 1180 - off);
    }
    let strips = bench.write("strips.csv", &strips);
    let svg = plot(&["track", &strips, "--machine", &bench.path("machine.toml")]);
    // The edges of both panels with their legends, and in two panels two nozzles and the legend.
    assert_eq!(
        svg.matches(dot).count(),
        (23 + 1) + (24 + 1) + 2 * (2 + 1),
        "{svg}"
    );
    assert_eq!(
        svg.matches(cross).count(),
        2,
        "the wrong one, and its legend"
    );

    // Three panels of eight markers, of which one was measured wrongly.
    let markers = example("csv-markers").replace("1900,400", "1600,400");
    let (markers, strobe) = (
        bench.write("markers.csv", &markers),
        bench.write("strobe.csv", example("csv-strobe")),
    );
    let svg = plot(&["detector", "--markers", &markers, "--strobe", &strobe]);
    assert_eq!(svg.matches("class=\"marker\"").count(), 3 * 7);
    assert_eq!(svg.matches("class=\"left-out\"").count(), 3);
    assert_eq!(svg.matches(dot).count(), 2 * (5 + 1));

    // Two nozzles and two speeds; the misses by their kind.
    let file = bench.write("counts.csv", example("csv-counts"));
    let svg = plot(&["field", &file, "--wanted-percent", "95"]);
    assert_eq!(svg.matches(dot).count(), 2 * (2 + 1));
    for words in [
        "Wanted: 95.0 %",
        "the 20 plants",
        "came first: 17",
        "no patch near: 2",
    ] {
        assert!(svg.contains(words), "{words}: {svg}");
    }
}

#[test]
fn what_a_measurement_cannot_tell_is_refused_with_what_is_missing() {
    let bench = Bench::new("refused");
    let machine = bench.path("machine.toml");
    let before = bench.read("machine.toml");
    let strips = "nozzle,speed_m_s,near_mm,far_mm,start_mm,stop_mm\n";
    let one_speed = bench.write(
        "one.csv",
        &format!("{strips}{}", "0,2.0,1000,1100,960,1200\n".repeat(6)),
    );
    let backwards = bench.write("back.csv", &format!("{strips}0,2.0,1100,1000,960,1200\n"));
    let ninth = bench.write("ninth.csv", &format!("{strips}8,2.0,1000,1100,960,1200\n"));
    let negative = bench.write("negative.csv", "nozzle,ml,seconds\n0,-5,30\n1,5,30\n");
    let missing = bench.write("missing.csv", "nozzle,ml\n0,5\n");
    let few = bench.write(
        "few.csv",
        "marker,ground_x_mm,ground_y_mm,seen_x_mm,seen_y_mm\na,1,2,3,4\n",
    );
    let line: String = (0..9)
        .map(|i| {
            format!(
                "m{i},{},{},{},{}\n",
                1000 + 100 * i,
                50 * i,
                100 * i,
                50 * i
            )
        })
        .collect();
    let line = bench.write(
        "line.csv",
        &format!("marker,ground_x_mm,ground_y_mm,seen_x_mm,seen_y_mm\n{line}"),
    );
    let more = bench.write("more.csv", "nozzle,speed_m_s,counted,hit\n0,2,10,12\n");
    let empty = bench.write("empty.csv", "");
    for (args, words) in [
        (
            vec!["track", &one_speed, "--machine", &machine, "--write"],
            "all driven at one speed, 2.00 m/s",
        ),
        (vec!["track", &one_speed], "--machine"),
        (
            vec!["track", &backwards, "--machine", &machine],
            "back.csv:2",
        ),
        (
            vec!["track", &ninth, "--machine", &machine],
            "nozzle 8 does not exist",
        ),
        (vec!["nozzles", &negative], "below 0"),
        (vec!["nozzles", &missing], "`seconds` is missing"),
        (vec!["nozzles", &negative, "--size", "7"], "no nozzle size"),
        (vec!["nozzles", &empty], "empty"),
        (vec!["nozzles", "/no/such.csv"], "/no/such.csv"),
        (vec!["detector"], "--markers"),
        (vec!["detector", "--markers", &few], "5 more"),
        (vec!["detector", "--markers", &line], "on one line"),
        (vec!["detector", "--strobe", &empty], "empty"),
        (vec!["field", &more], "12 plants hit, but only 10 counted"),
        (
            vec!["field", &more, "--wanted-percent", "101"],
            "--wanted-percent",
        ),
        (vec!["rehearse", "--machine", &machine], "of its own"),
    ] {
        let run = bench.calibrate(&args);
        let text = err(&run);
        assert_eq!(run.status.code(), Some(2), "{args:?}: {text}{}", out(&run));
        assert!(
            text.contains(words) && out(&run).is_empty(),
            "{words}: {text}"
        );
        assert!(!text.contains("panicked"), "{text}");
    }
    assert_eq!(
        bench.read("machine.toml"),
        before,
        "a refused test writes nothing"
    );
}
