//! A machine with `[rate]` over the link: taken whole, and played as by the core here.

use crate::common::Demo;
use crate::emulator::Emulator;

const RATE: &str = "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\nlowest_duty_percent = 20.0\n\
                    pressure_kpa = 300.0\nflow_l_min = 0.8\n";

#[test]
fn a_machine_with_a_rate_is_uploaded_and_replayed() {
    let demo = Demo::new("bench-rate");
    let plain = demo.path("machine.toml");
    let text = String::from_utf8(demo.read("machine.toml")).expect("text");
    let rated = demo.write("rated.toml", format!("{text}{RATE}").as_bytes());
    let other = RATE.replace("flow_l_min = 0.8", "flow_l_min = 0.9");
    let other = demo.write("other.toml", format!("{text}{other}").as_bytes());
    let (short, _) = crate::short(&demo, 12);
    let board = Emulator::m4();

    // `upload` ends well only when the board runs what was sent, by its digest.
    let digests = [&plain, &rated, &other].map(|machine| {
        let done = board.json(&["bench", "upload", machine]);
        let runs = board.json(&["bench", "identify"]);
        assert_eq!(runs["machine_digest"], done["digest"]);
        assert!(
            runs["faults"].as_array().is_some_and(Vec::is_empty),
            "{runs}"
        );
        done["digest"].as_str().expect("hexadecimal").to_owned()
    });
    let [plain, rated_digest, other] = &digests;
    assert!(
        plain != rated_digest && rated_digest != other,
        "{digests:?}"
    );

    let args = [
        "bench",
        "replay",
        &short,
        "--machine",
        &rated,
        "--fast",
        "--compare",
    ];
    let played = board.json(&args);
    assert_eq!(played["same"], true, "{played}");
    assert!(played["commands"].as_u64() > Some(20), "{played}");
}
