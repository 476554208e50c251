//! The verb `check`: verdicts, exit states, warnings and refusals, as a builder meets them.

mod common;

use common::{Demo, host_sim, messages};
use serde_json::Value;

/// Writes the demo's machine with changes and returns its path.
fn machine(demo: &Demo, name: &str, changes: &[(&str, &str)]) -> String {
    let mut text = String::from_utf8(demo.read("machine.toml")).expect("text");
    for (old, new) in changes {
        assert!(text.contains(old), "the demo's machine has {old}");
        text = text.replace(old, new);
    }
    demo.write(&format!("check-{name}.toml"), text.as_bytes())
}

/// Checks a machine and returns the JSON object.
#[track_caller]
fn check(path: &str, wishes: &[&str], status: i32) -> Value {
    let out = host_sim(&[&["check", path, "--json"], wishes].concat());
    assert_eq!(out.status.code(), Some(status), "{}", messages(&out));
    assert!(messages(&out).is_empty());
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

fn figure(result: &Value, key: &str) -> f64 {
    let figures = result["figures"].as_array().expect("a list");
    let found = figures.iter().find(|f| f["key"] == key);
    found.unwrap_or_else(|| panic!("no figure {key}"))["value"]
        .as_f64()
        .expect("a number")
}

fn warned(result: &Value, word: &str) -> bool {
    result["warnings"]
        .as_array()
        .expect("a list")
        .iter()
        .any(|w| w["what"].as_str().is_some_and(|t| t.contains(word)))
}

#[test]
fn a_sound_machine_holds_without_a_warning() {
    let demo = Demo::new("check-sound");
    let path = machine(
        &demo,
        "sound",
        &[("max_speed_m_s = 8.0", "max_speed_m_s = 4.0")],
    );
    let wishes = ["--frame-rate-hz", "20", "--detection-age-ms", "110"];
    let result = check(&path, &wishes, 0);
    assert_eq!(result["verdict"], "holds");
    assert_eq!(result["warnings"], Value::Array(vec![]));
    // 1.1 m / (54.5 ms + 110 ms).
    let top = figure(&result, "top_speed_m_s");
    assert!((top - 1.1 / 0.1645).abs() < 1e-9, "{top}");
    // The lowest of that, the fastest 4 m/s, and 0.8 m x 20 Hz = 16 m/s.
    assert_eq!(figure(&result, "usable_speed_m_s"), 4.0);
    // 0.8 m x 20 Hz / 4 m/s.
    assert!((figure(&result, "overlap_rate") - 4.0).abs() < 1e-9);
    assert_eq!(figure(&result, "lanes_unseen"), 0.0);
    let sizes = result["sizes"].as_array().expect("a list");
    assert_eq!(sizes.len(), 3);
    assert!(sizes.iter().all(|s| s["fits"] == true));
    let bytes: Vec<_> = sizes.iter().map(|s| s["bytes"].as_u64()).collect();
    assert!(
        bytes.is_sorted() && bytes[0] > Some(48 * 8 * 8),
        "{bytes:?}"
    );
}

#[test]
fn every_sum_is_printed_in_words_and_numbers() {
    let demo = Demo::new("check-words");
    let path = machine(&demo, "words", &[]);
    let out = host_sim(&["check", &path, "--detection-age-ms", "165.5"]);
    let text = String::from_utf8_lossy(&out.stdout);
    for words in [
        "1.200 m - lead 0.060 m - half the fan 0.020 m - wheel pulse 0.020 m = 1.100 m",
        "1.100 m / 0.2200 s = 5.00 m/s",
        "pulse 0.0200 m / creep speed 0.10 m/s = 200.0 ms",
        "8.00 m/s / shortest view along travel 0.800 m = 10.0 Hz",
        "verdict: holds",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
}

#[test]
fn doubtful_numbers_warn_and_do_not_fail() {
    let demo = Demo::new("check-doubtful");
    for (name, change, word) in [
        (
            "narrow",
            ("view_left_m = 2.2", "view_left_m = 1.6"),
            "1 of 8 lanes",
        ),
        (
            "gaps",
            ("lane_width_m = 0.5", "lane_width_m = 0.4"),
            "7 gaps",
        ),
        (
            "overlaps",
            ("lane_width_m = 0.5", "lane_width_m = 0.6"),
            "7 overlaps",
        ),
        (
            "slow-stop",
            ("creep_speed_m_s = 0.1", "creep_speed_m_s = 0.03"),
            "a stop",
        ),
        (
            "long-on",
            ("shortest_on_ms = 20.0", "shortest_on_ms = 60.0"),
            "shortest patch",
        ),
        (
            "slow-valve",
            ("open_delay_ms = 20.0", "open_delay_ms = 60.0"),
            "shortest_on_ms is",
        ),
        ("lead", ("lead_m = 0.06", "lead_m = 0.01"), "lead_m"),
        (
            "pulse",
            (
                "pulses_per_m = 50\nslots_per_turn = 100\nmax_speed_m_s = 8.0\ncreep_speed_m_s = 0.1",
                "pulses_per_m = 5\nslots_per_turn = 100\nmax_speed_m_s = 8.0\ncreep_speed_m_s = 0.3",
            ),
            "wheel pulse",
        ),
        (
            "poll",
            ("[timing]", "[timing]\npoll_silence_ms = 3.0"),
            "poll_silence_ms",
        ),
        (
            "age",
            ("[timing]", "[timing]\nmax_detection_age_ms = 90.0"),
            "100.0 ms old",
        ),
        (
            "history",
            ("[timing]", "[timing]\nmax_detection_age_ms = 2000.0"),
            "remembered",
        ),
        (
            "silence",
            ("[timing]", "[timing]\ndetector_silence_ms = 40.0"),
            "detector_silence_ms",
        ),
        (
            "fast",
            ("max_speed_m_s = 8.0", "max_speed_m_s = 20.0"),
            "overlap rate is 0.80",
        ),
    ] {
        let wishes = ["--frame-rate-hz", "20", "--detection-age-ms", "100"];
        assert!(
            !warned(&check(&machine(&demo, "plain", &[]), &wishes, 0), word),
            "{word}"
        );
        let result = check(&machine(&demo, name, &[change]), &wishes, 0);
        assert!(warned(&result, word), "{name}: {:?}", result["warnings"]);
        for w in result["warnings"].as_array().expect("a list") {
            assert!(w["reason"].as_str().is_some_and(|t| t.len() > 10));
            assert!(w["remedy"].as_str().is_some_and(|t| t.len() > 10));
        }
    }
}

#[test]
fn what_cannot_work_is_broken() {
    let demo = Demo::new("check-broken");
    for (name, change, word) in [
        ("behind", ("x_m = 1.2", "x_m = -0.2"), "top speed is 0"),
        ("beside", ("y_m = 0.0", "y_m = 20.0"), "no detector sees"),
        (
            "creep",
            ("creep_speed_m_s = 0.1", "creep_speed_m_s = 0.01"),
            "one pulse a second",
        ),
        ("slack", ("[timing]", "[timing]\nslack_ms = 3.0"), "slack"),
        (
            "on",
            ("shortest_on_ms = 20.0", "shortest_on_ms = 1.0"),
            "shortest on-time",
        ),
    ] {
        let path = machine(&demo, name, &[change]);
        let result = check(&path, &[], 1);
        assert_eq!(result["verdict"], "broken");
        let reasons = result["reasons"].to_string();
        assert!(reasons.contains(word), "{name}: {reasons}");
        let out = host_sim(&["check", &path]);
        assert_eq!(out.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&out.stdout).contains("verdict: broken"));
    }
}

#[test]
fn the_largest_boom_fits_only_the_largest_controller() {
    let demo = Demo::new("check-large");
    let path = machine(
        &demo,
        "large",
        &[
            ("nozzles = 8", "nozzles = 192"),
            ("spacing_m = 0.5", "spacing_m = 0.25"),
        ],
    );
    let result = check(&path, &[], 0);
    let fits: Vec<_> = result["sizes"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|s| s["fits"] == true)
        .collect();
    assert_eq!(fits, [false, false, true]);
}

#[test]
fn bad_files_and_wishes_are_refused() {
    let demo = Demo::new("check-refused");
    let good = machine(&demo, "good", &[]);
    let bad = machine(&demo, "bad", &[("nozzles = 8", "nozzles = 0")]);
    let bytes = demo.write("check-bytes.toml", b"\xff\xfe\x00");
    let empty = demo.write("check-empty.toml", b"");
    for (args, word) in [
        (vec!["check", bad.as_str()], "check-bad.toml:6"),
        (vec!["check", &bytes], "not text"),
        (vec!["check", &empty], "check-empty.toml"),
        (vec!["check", "/no/such/file"], "/no/such/file"),
        (vec!["check", "/"], "/"),
        (vec!["check"], "MACHINE.toml"),
        (
            vec!["check", &good, "--frame-rate-hz", "0"],
            "--frame-rate-hz",
        ),
        (
            vec!["check", &good, "--frame-rate-hz", "-5"],
            "--frame-rate-hz",
        ),
        (
            vec!["check", &good, "--frame-rate-hz", "NaN"],
            "--frame-rate-hz",
        ),
        (
            vec!["check", &good, "--frame-rate-hz", "inf"],
            "--frame-rate-hz",
        ),
        (
            vec!["check", &good, "--frame-rate-hz", "many"],
            "--frame-rate-hz",
        ),
        (
            vec!["check", &good, "--detection-age-ms", "-1"],
            "--detection-age-ms",
        ),
        (
            vec!["check", &good, "--detection-age-ms", "1e99"],
            "--detection-age-ms",
        ),
    ] {
        let out = host_sim(&args);
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{args:?}: {shown}");
        assert!(shown.contains(word), "{args:?}: {shown}");
        assert!(out.stdout.is_empty(), "{args:?}");
    }
}

/// 110° fans at 0.5 m height and spacing, worked out in the judge's own tests.
#[test]
fn doses_are_told_lane_by_lane() {
    let demo = Demo::new("check-doses");
    let fans = (
        "lane_width_m = 0.5",
        "fan_angle_deg = 110.0\nheight_m = 0.5",
    );
    let path = machine(&demo, "fans", &[fans]);
    let result = check(&path, &[], 0);
    assert!((figure(&result, "dose_alone_below") - 0.7002).abs() < 5e-5);
    assert!((figure(&result, "dose_alone_lane_edge") - 0.4551).abs() < 5e-5);
    let sets = result["doses"].as_array().expect("a list");
    assert_eq!(sets.len(), 24);
    let set = |lane: u64, place: &str| {
        let found = sets
            .iter()
            .find(|s| s["lane"] == lane && s["place"] == place);
        found.unwrap_or_else(|| panic!("no {place} of lane {lane}"))
    };
    // Between two nozzles both, 0.910; below one and 40 mm to each side all three.
    let between = set(3, "right edge");
    assert_eq!(between["nozzles"], serde_json::json!([3, 4]));
    assert!((between["share"].as_f64().expect("a number") - 0.9101).abs() < 5e-5);
    assert_eq!(set(3, "middle")["nozzles"], serde_json::json!([2, 3, 4]));
    assert_eq!(between["short"], false);
    // The end of the boom has no neighbour.
    let end = set(7, "right edge");
    assert_eq!(end["short"], true);
    assert!((end["share"].as_f64().expect("a number") - 0.4551).abs() < 5e-5);
    assert!(warned(&result, "in 2 of 8 lanes"));
    // A faulty nozzle in the middle leaves its lane short.
    let faulty = ("throw_ms = 25.0", "throw_ms = 25.0\nfaulty = [4]");
    let result = check(&machine(&demo, "faulty", &[fans, faulty]), &[], 0);
    assert!(
        warned(&result, "in 5 of 8 lanes"),
        "{:?}",
        result["warnings"]
    );
    // Without fans nothing is said of doses.
    let result = check(&machine(&demo, "lanes", &[]), &[], 0);
    assert_eq!(result["doses"], Value::Array(vec![]));
    let out = host_sim(&["check", &path]);
    let text = String::from_utf8_lossy(&out.stdout);
    assert!(text.contains("lanes 1 to 6    middle"), "{text}");
}
