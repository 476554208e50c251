//! Bad files and wishes: one message with file, line and remedy, and exit status 2.

mod common;

use common::{Demo, host_sim, messages};

/// Replays `recording` (as bytes) with the demo's machine file and returns the one message.
fn replay(demo: &Demo, recording: &[u8]) -> String {
    let path = demo.write("bad.jsonl", recording);
    let out = host_sim(&["replay", &path, "--machine", &demo.path("machine.toml")]);
    let text = messages(&out);
    assert_eq!(out.status.code(), Some(2), "{text}");
    assert!(out.stdout.is_empty());
    assert_eq!(text.matches("error").count(), 1, "one message only: {text}");
    assert!(
        text.contains("bad.jsonl") && text.contains("help: "),
        "{text}"
    );
    text
}

const HEADER: &str = "{\"recording_format\":1,\"name\":\"x\"}\n";

#[test]
fn recordings_that_are_no_recordings() {
    let demo = Demo::new("no-recordings");
    for (bytes, word) in [
        (&b""[..], "empty"),
        (b"\x7fELF\x02\x01\x01\x00\xff\xfe", "not text"),
        (b"\0\0\0\0\n", "zero byte"),
        (b"hello\n", "header"),
        (b"{\"event\":\"pulse\",\"t_us\":1}\n", "recording_format"),
        (
            b"{\"recording_format\":4,\"name\":\"x\",\"new\":1}\n",
            "version 4",
        ),
        (
            b"{\"recording_format\":\"1\",\"name\":\"x\"}\n",
            "version \"1\"",
        ),
        (HEADER.as_bytes(), "no event"),
        (b"\n", "blank"),
    ] {
        let text = replay(&demo, bytes);
        assert!(text.contains(word), "{word}: {text}");
    }
}

#[test]
fn bad_events_are_named_by_line() {
    let demo = Demo::new("bad-events");
    let image = |inner: &str| format!("{{\"event\":\"image\",\"t_us\":20,\"detector\":0,{inner}}}");
    let plant = |x: &str| {
        image(&format!(
            "\"captured_us\":10,\"seen_mm\":[0,800],\"plants\":[{{\"x_mm\":{x},\"y_mm\":0,\"length_mm\":1,\"width_mm\":1}}]"
        ))
    };
    for (line, word) in [
        ("{\"event\":\"pulse\",\"t_us\":5}".to_owned(), "backwards"),
        ("{\"event\":\"pulse\",\"t_us\":-5}".to_owned(), "integer"),
        ("{\"event\":\"pulse\",\"t_us\":NaN}".to_owned(), "no event"),
        (
            "{\"event\":\"pulse\",\"t_us\":99999999999999999}".to_owned(),
            "beyond",
        ),
        (
            "{\"event\":\"pulse\",\"t_us\":20,\"detector\":0}".to_owned(),
            "more than t_us",
        ),
        ("{\"event\":\"horn\",\"t_us\":20}".to_owned(), "horn"),
        (
            "{\"event\":\"pulse\",\"t_us\":20,\"wheel\":1}".to_owned(),
            "recording_format",
        ),
        (
            "{\"event\":\"pulse\",\"t_us\":20,\"wheel\":9}".to_owned(),
            "wheel 9",
        ),
        (
            "{\"event\":\"yaw\",\"t_us\":20,\"rate_mdeg_s\":100}".to_owned(),
            "version 1",
        ),
        (
            "{\"event\":\"yaw\",\"t_us\":20,\"rate_mdeg_s\":2000000}".to_owned(),
            "beyond",
        ),
        (
            "{\"event\":\"yaw\",\"t_us\":20,\"rate_mdeg_s\":1,\"wheel\":1}".to_owned(),
            "rate_mdeg_s",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20,\"kpa\":300}".to_owned(),
            "a version before 3 has no pressure",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20,\"kpa\":5001}".to_owned(),
            "5001 kPa is outside 0 to 5000",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20,\"kpa\":-1}".to_owned(),
            "-1 kPa",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20,\"kpa\":2.5}".to_owned(),
            "2.5",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20}".to_owned(),
            "t_us and kpa",
        ),
        (
            "{\"event\":\"pressure\",\"t_us\":20,\"kpa\":300,\"wheel\":1}".to_owned(),
            "t_us and kpa",
        ),
        (
            "{\"event\":\"pulse\",\"t_us\":20,\"kpa\":300}".to_owned(),
            "no pressure event",
        ),
        (
            "{\"event\":\"direction\",\"t_us\":20,\"direction\":\"reverse\",\"wheel\":1}"
                .to_owned(),
            "wheel",
        ),
        (
            "{\"event\":\"pulse\",\"t_us\":20,\"speed\":3}".to_owned(),
            "speed",
        ),
        (
            image("\"captured_us\":21,\"seen_mm\":[0,800],\"plants\":[]"),
            "captured",
        ),
        (
            image("\"captured_us\":10,\"seen_mm\":[800,0],\"plants\":[]"),
            "near",
        ),
        (image("\"captured_us\":10,\"plants\":[]"), "lacks"),
        (plant("NaN"), "no event"),
        (plant("1e999"), "no event"),
        (plant("1e9"), "no length"),
        (String::new(), "blank"),
    ] {
        let file = format!("{HEADER}{{\"event\":\"pulse\",\"t_us\":10}}\n{line}\n");
        let text = replay(&demo, file.as_bytes());
        assert!(
            text.contains("bad.jsonl:3") && text.contains(word),
            "{word}: {text}"
        );
    }
}

#[test]
fn files_that_are_cut_off_are_noticed_at_every_byte() {
    let demo = Demo::new("cut-off");
    let whole = demo.read("recording.jsonl");
    // Any cut leaves a broken last line or fewer events than the header promises.
    for cut in (1..whole.len())
        .step_by(whole.len() / 40)
        .chain([whole.len() - 2])
    {
        let text = replay(&demo, &whole[..cut]);
        assert!(
            text.contains("cut off") || text.contains("header"),
            "{cut}: {text}"
        );
    }
}

#[test]
fn machine_files_are_refused_with_line_column_and_remedy() {
    let demo = Demo::new("machine");
    let good = String::from_utf8(demo.read("machine.toml")).expect("text");
    for (old, new, words) in [
        ("spacing_m = 0.5", "spacing_m = -0.5", ["spacing_m", "0.01"]),
        ("spacing_m = 0.5", "spacing_m = nan", ["spacing_m", "NaN"]),
        (
            "spacing_m = 0.5",
            "spacing_m = 1e300",
            ["spacing_m", "outside"],
        ),
        (
            "spacing_m = 0.5",
            "spacing_mm = 500",
            ["spacing_mm", "unknown"],
        ),
        (
            "spacing_m = 0.5",
            "spacing_m = \"half\"",
            ["half", "invalid"],
        ),
        ("spacing_m = 0.5", "spacing_m =", ["spacing_m", "string"]),
        ("nozzles = 8", "nozzles = 0", ["nozzles", "192"]),
        ("nozzles = 8", "nozzles = 99999999999", ["nozzles", "192"]),
        (
            "pulses_per_m = 50",
            "pulses_per_m = 50\npulse_length_m = 0.02",
            ["pulse", "either"],
        ),
        (
            "slots_per_turn = 100",
            "slots_per_turn = 129",
            ["slots_per_turn", "128"],
        ),
        (
            "open_rise_ms = 4.0",
            "open_rise_ms = 50.0",
            ["open_rise_ms", "twice"],
        ),
        (
            "creep_speed_m_s = 0.1",
            "creep_speed_m_s = 9.0",
            ["creep_speed_m_s", "outside"],
        ),
        (
            "machine_format = 1",
            "machine_format = 3",
            ["version 3", "version 1"],
        ),
        ("machine_format = 1", "", ["machine_format", "missing"]),
        (
            "view_far_m = 0.8",
            "view_far_m = -1.0",
            ["view_far_m", "ahead"],
        ),
    ] {
        let text = good.replacen(old, new, 1);
        assert_ne!(text, good, "the demo's machine has {old}");
        let path = demo.write("bad.toml", text.as_bytes());
        let out = host_sim(&["replay", &demo.path("recording.jsonl"), "--machine", &path]);
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{new}: {shown}");
        assert!(
            shown.contains("bad.toml:") && shown.contains("help"),
            "{new}: {shown}"
        );
        for word in words {
            assert!(shown.contains(word), "{new} should name {word}: {shown}");
        }
    }
    for bytes in [&b""[..], b"\xff\xfe\x00"] {
        let path = demo.write("bad.toml", bytes);
        let out = host_sim(&["replay", &demo.path("recording.jsonl"), "--machine", &path]);
        assert_eq!(out.status.code(), Some(2), "{}", messages(&out));
        assert!(messages(&out).contains("bad.toml"));
    }
}

#[test]
fn scenarios_are_refused_before_anything_is_written() {
    let demo = Demo::new("scenario");
    demo.write("machine.toml", &demo.read("machine.toml"));
    let good = host_sim::run::DEMO_SCENARIO;
    for (old, new, word) in [
        (
            "acceleration_m_s2 = -1.0",
            "acceleration_m_s2 = -9.0",
            "outside 0 to 50",
        ),
        (
            "machine = \"machine.toml\"",
            "machine = \"nowhere.toml\"",
            "nowhere.toml",
        ),
        ("slots = 100", "slots = 0", "slots"),
        (
            "density_per_m2 = 0.15",
            "density_per_m2 = inf",
            "density_per_m2",
        ),
        ("seed = 20", "seed = -1", "seed"),
        (
            "[detector]",
            "[pressure_sensor]\nrate_hz = 10.0\n[detector]",
            "no supply to read",
        ),
        (
            "[detector]",
            "[pressure_sensor]\nrate_hz = 0.0\n[supply]\nnominal_kpa = 300.0\nnozzle_l_min = 0.8\npump_kpa = 400.0\n[detector]",
            "rate_hz",
        ),
        ("duration_s = 30.0", "duration_s = 1e9", "duration_s"),
        (
            "[motion]\nstart_speed_m_s = 2.0",
            "[motion]\nprofile = \"no_such\"",
            "profile",
        ),
    ] {
        let text = good.replacen(old, new, 1);
        assert_ne!(text, good, "the demo's scenario has {old}");
        let path = demo.write("bad.toml", text.as_bytes());
        let out = host_sim(&["generate", &path, "--out", &demo.path("never")]);
        let shown = messages(&out);
        assert_eq!(out.status.code(), Some(2), "{new}: {shown}");
        assert!(
            shown.contains(word) && shown.contains("help"),
            "{new}: {shown}"
        );
        assert!(!std::path::Path::new(&demo.path("never")).exists());
    }
}

#[test]
fn wrong_pairs_and_wishes_are_refused() {
    let demo = Demo::new("wishes");
    let (recording, machine) = (demo.path("recording.jsonl"), demo.path("machine.toml"));
    let truth = demo.write("other-truth.json", br#"{"truth_format":1,"name":"x","clock_start_us":0,"start_speed_m_s":1.0,"motion":[],"judged_m":[0,1],"plants":[],"sights":[]}"#);
    let newer = demo.write("newer.json", br#"{"truth_format":3}"#);
    let cases: [(Vec<&str>, &str); 6] = [
        (
            vec![
                "replay",
                &recording,
                "--machine",
                &machine,
                "--truth",
                &truth,
            ],
            "images",
        ),
        (
            vec![
                "replay",
                &recording,
                "--machine",
                &machine,
                "--truth",
                &newer,
            ],
            "version 3",
        ),
        (
            vec![
                "replay",
                &recording,
                "--machine",
                &machine,
                "--json",
                "--commands",
                "-",
            ],
            "standard output",
        ),
        (vec!["replay", &recording], "--machine"),
        (
            vec!["replay", "/no/such/file", "--machine", &machine],
            "/no/such/file",
        ),
        (vec!["fly"], "fly"),
    ];
    for (args, word) in cases {
        let out = host_sim(&args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(
            messages(&out).contains(word),
            "{args:?}: {}",
            messages(&out)
        );
    }
}

/// The `[nozzles]` table with these keys in place of the demo's lane width.
fn nozzles(keys: &str) -> host_sim::error::Result<host_sim::machine::Machine> {
    let text = host_sim::run::DEMO_MACHINE.replace("lane_width_m = 0.5", keys);
    host_sim::machine::Machine::parse("machine.toml", &text)
}

#[test]
fn fans_that_make_no_sense_are_named_by_key() {
    for (keys, word) in [
        ("", "neither `lane_width_m` nor `fan_angle_deg`"),
        ("fan_angle_deg = 110.0", "without `height_m`"),
        (
            "fan_angle_deg = 170.0\nheight_m = 0.5",
            "`fan_angle_deg` is 170",
        ),
        (
            "fan_angle_deg = 160.0\nheight_m = 3.0",
            "to each side on the ground",
        ),
        ("fan_angle_deg = 110.0\nheight_m = 9.0", "`height_m` is 9"),
        (
            "fan_angle_deg = 110.0\nheight_m = 0.5\npattern = \"round\"",
            "\"round\"",
        ),
        (
            "fan_angle_deg = 110.0\nheight_m = 0.5\nwanted_share = 1.2",
            "`wanted_share` is 1.2",
        ),
        (
            "fan_angle_deg = 110.0\nheight_m = 0.5\nreach_width_m = 0.7",
            "both `reach_width_m`",
        ),
        (
            "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 5.0",
            "both `fan_thickness_m`",
        ),
        (
            "fan_angle_deg = 110.0\nheight_m = 0.5\ntwist_deg = 60.0",
            "`twist_deg` is 60",
        ),
        (
            "lane_width_m = 0.5\nwanted_share = 0.9",
            "goes with `fan_angle_deg`",
        ),
        (
            "lane_width_m = 0.5\npattern = \"even\"",
            "goes with `fan_angle_deg`",
        ),
        (
            "lane_width_m = 0.5\nreach_width_m = 0.4",
            "less than the lane",
        ),
        ("lane_width_m = 0.5\nfaulty = [8]", "`faulty` is 8"),
        ("lane_width_m = 0.5\nfaulty = [-1]", "`faulty` is -1"),
    ] {
        let text = nozzles(keys).expect_err(keys).to_string();
        assert!(
            text.contains(word) && text.contains("machine.toml:3"),
            "{keys}: {text}"
        );
        assert!(text.contains("help: "), "{text}");
    }
    let text = host_sim::run::DEMO_MACHINE.replace("fan_thickness_m = 0.04", "thickness_deg = 5.0");
    let error = host_sim::machine::Machine::parse("machine.toml", &text).expect_err("no height");
    assert!(error.to_string().contains("without `height_m`"), "{error}");
}

/// 2 · 0.5 m · tan 55° = 1.4281 m on the ground; a 5° thickness 2 · 0.5 m · tan 2.5° = 43.7 mm.
#[test]
fn fans_on_the_ground_follow_from_angle_and_height() {
    let m = nozzles("fan_angle_deg = 110.0\nheight_m = 0.5\ntwist_deg = 6.0\nfaulty = [3, 1, 3]")
        .expect("sound");
    let fan = m.fan.expect("fans");
    assert!((fan.half_width_m - 0.714_074).abs() < 1e-6 && fan.flat_half_m == 0.0);
    assert_eq!(
        (fan.spacing_m, fan.wanted_share, m.faulty),
        (0.5, 0.9, vec![1, 3])
    );
    assert!((m.twist - 0.105_104).abs() < 1e-6);
    let text = host_sim::run::DEMO_MACHINE
        .replace(
            "lane_width_m = 0.5",
            "height_m = 0.5\nfan_angle_deg = 110.0\npattern = \"even\"",
        )
        .replace("fan_thickness_m = 0.04", "thickness_deg = 5.0");
    let m = host_sim::machine::Machine::parse("machine.toml", &text).expect("sound");
    assert!((m.fan_thickness_m - 0.043_661).abs() < 1e-6);
    assert_eq!(m.fan.map(|f| f.flat_half_m), m.fan.map(|f| f.half_width_m));
    // A reach as wide as the lane is the lane form; a wider one is even over all of it.
    assert_eq!(
        nozzles("lane_width_m = 0.5\nreach_width_m = 0.5")
            .expect("sound")
            .fan,
        None
    );
    let fan = nozzles("lane_width_m = 0.5\nreach_width_m = 0.8")
        .expect("sound")
        .fan
        .expect("fans");
    assert_eq!(
        (
            fan.half_width_m,
            fan.flat_half_m,
            fan.spacing_m,
            fan.wanted_share
        ),
        (0.4, 0.4, 0.8, 1.0)
    );
}
