//! The verb `compare`: two settings on one recording, their differences, and refusals.

mod common;

use common::{Demo, host_sim, messages};
use serde_json::Value;

/// The demo's machine with one change, in the demo's folder.
fn changed(demo: &Demo, name: &str, old: &str, new: &str) -> String {
    let good = String::from_utf8(demo.read("machine.toml")).expect("text");
    let text = good.replacen(old, new, 1);
    assert_ne!(text, good, "the demo has {old}");
    demo.write(name, text.as_bytes())
}

#[track_caller]
fn json(args: &[&str], status: i32) -> Value {
    let out = host_sim(args);
    assert_eq!(out.status.code(), Some(status), "{}", messages(&out));
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

#[test]
fn a_machine_against_itself_differs_in_nothing_and_is_its_replay() {
    let demo = Demo::new("compare-same");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    for basis in [&["--truth", truth.as_str()][..], &[]] {
        let pair = [
            "compare",
            &recording,
            "--machine",
            &machine,
            "--machine",
            &machine,
            "--json",
        ];
        let one = ["replay", &recording, "--machine", &machine, "--json"];
        let both = json(&[&pair[..], basis].concat(), 0);
        let alone = json(&[&one[..], basis].concat(), 0);
        assert_eq!(both["verdict"], "holds");
        assert_eq!(both["settings"], Value::Array(vec![]));
        assert_eq!(both["results"][0], alone);
        assert_eq!(both["results"][1], alone);
        let rows = both["rows"].as_array().expect("a list");
        assert!(rows.len() > 15);
        assert!(rows.iter().all(|r| r["difference"] == 0.0));
    }
}

#[test]
fn wider_margins_spray_more_and_the_table_says_so() {
    let demo = Demo::new("compare-wider");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    let wide = changed(&demo, "wide.toml", "lead_m = 0.06", "lead_m = 0.16");
    let args = [
        "compare",
        &recording,
        "--machine",
        &machine,
        "--machine",
        &wide,
        "--truth",
        &truth,
    ];
    let both = json(&[&args[..], &["--json"]].concat(), 0);
    assert_eq!(both["settings"][0]["key"], "patch.lead_m");
    assert_eq!(
        both["settings"][0]["values"],
        serde_json::json!(["0.06", "0.16"])
    );
    let sprayed = both["rows"]
        .as_array()
        .expect("a list")
        .iter()
        .find(|r| r["what"] == "area sprayed, %")
        .expect("a row");
    let [a, b, d] = [
        &sprayed["values"][0],
        &sprayed["values"][1],
        &sprayed["difference"],
    ]
    .map(|v| v.as_f64().expect("a number"));
    assert!(b > a + 0.1 && (d - (b - a)).abs() < 1e-9, "{sprayed}");
    let fraction = both["results"][0]["sprayed_fraction"].as_f64();
    assert!(fraction.is_some_and(|f| (f * 100.0 - a).abs() < 1e-9));

    let out = host_sim(&args);
    let text = String::from_utf8_lossy(&out.stdout);
    for words in [
        "patch.lead_m",
        "wide.toml",
        "B - A",
        "missed, plants",
        "verdict: holds",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
}

#[test]
fn one_broken_machine_breaks_the_pair_whichever_comes_first() {
    let demo = Demo::new("compare-broken");
    let (recording, machine, truth) = (
        demo.path("recording.jsonl"),
        demo.path("machine.toml"),
        demo.path("truth.json"),
    );
    let strict = changed(&demo, "strict.toml", "edge_mm = 25.0", "edge_mm = 0.1");
    for [a, b] in [[&machine, &strict], [&strict, &machine]] {
        let args = [
            "compare",
            &recording,
            "--machine",
            a,
            "--machine",
            b,
            "--truth",
            &truth,
        ];
        let out = host_sim(&args);
        assert_eq!(out.status.code(), Some(1), "{}", messages(&out));
        let text = String::from_utf8_lossy(&out.stdout);
        assert!(
            text.contains("verdict: broken") && text.contains(": holds"),
            "{text}"
        );
    }
}

#[test]
fn bad_wishes_and_files_are_refused() {
    let demo = Demo::new("compare-bad");
    let (recording, machine) = (demo.path("recording.jsonl"), demo.path("machine.toml"));
    let bad = changed(&demo, "bad.toml", "nozzles = 8", "nozzles = 0");
    let refused = changed(
        &demo,
        "refused.toml",
        "[timing]",
        "[timing]\nslack_ms = 3.0",
    );
    let broken = demo.write("broken.jsonl", b"hello\n");
    let truth = demo.write("truth-3.json", br#"{"truth_format":3}"#);
    let m = machine.as_str();
    for (args, word) in [
        (
            vec![recording.as_str(), "--machine", m],
            "two machine files, but got 1",
        ),
        (
            vec![&recording, "--machine", m, "--machine", m, "--machine", m],
            "got 3",
        ),
        (vec![&recording], "--machine"),
        (vec!["--machine", m, "--machine", m], "RECORDING"),
        (
            vec![&recording, "--machine", m, "--machine", &bad],
            "bad.toml:6",
        ),
        (
            vec![&recording, "--machine", m, "--machine", &refused],
            "refused.toml",
        ),
        (
            vec![&recording, "--machine", m, "--machine", "/no/such"],
            "/no/such",
        ),
        (
            vec![&broken, "--machine", m, "--machine", m],
            "broken.jsonl:1",
        ),
        (
            vec![
                &recording,
                "--machine",
                m,
                "--machine",
                m,
                "--truth",
                &truth,
            ],
            "version 3",
        ),
    ] {
        let out = host_sim(&[&["compare"], &args[..]].concat());
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{args:?}: {shown}");
        assert!(shown.contains(word), "{args:?}: {shown}");
        assert!(out.stdout.is_empty(), "{args:?}");
    }
}

#[test]
fn what_each_file_claims_of_the_machine_itself_is_noted() {
    let demo = Demo::new("compare-claims");
    let (recording, machine) = (demo.path("recording.jsonl"), demo.path("machine.toml"));
    let truth = demo.path("truth.json");
    let margin = changed(&demo, "margin.toml", "lead_m = 0.06", "lead_m = 0.08");
    let valve = changed(
        &demo,
        "valve.toml",
        "open_delay_ms = 20.0",
        "open_delay_ms = 25.0",
    );
    let pulse = changed(
        &demo,
        "pulse.toml",
        "pulses_per_m = 50",
        "pulses_per_m = 51",
    );
    let claims = |other: &str, basis: &[&str]| {
        let args = [
            "compare",
            &recording,
            "--machine",
            &machine,
            "--machine",
            other,
        ];
        let out = host_sim(&[&args[..], basis].concat());
        String::from_utf8_lossy(&out.stdout).contains("note: ")
    };
    assert!(!claims(&margin, &[]));
    assert!(claims(&valve, &[]) && claims(&valve, &["--truth", &truth]));
    // The true ground tells of a wrong wheel; a recording alone cannot.
    assert!(claims(&pulse, &[]) && !claims(&pulse, &["--truth", &truth]));
}
