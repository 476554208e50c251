//! Orders in files: each thing that can be wrong is named, with its place.

use host_sim::machine::Machine;
use host_sim::recording::Recording;
use host_sim::run::{DEMO_MACHINE, DEMO_SCENARIO};
use host_sim::scenario::Scenario;

#[track_caller]
fn says<T>(result: host_sim::error::Result<T>, wanted: &[&str]) {
    let text = match result {
        Ok(_) => panic!("it was taken; wanted {wanted:?}"),
        Err(error) => error.to_string(),
    };
    for part in wanted {
        assert!(text.contains(part), "`{part}` is not in: {text}");
    }
}

#[test]
fn machine_files_with_bad_sections_or_modes() {
    let machine = |more: &str| Machine::parse("m.toml", &format!("{DEMO_MACHINE}\n{more}"));
    let count = machine("").expect("the demo's").nozzles.len();
    let all = format!("[[section]]\nnozzles = {count}\n");
    assert_eq!(machine(&all).expect("sound").section_runs(), [(0, count)]);
    says(
        machine(&format!("{all}[[section]]\nnozzles = 1\n")),
        &["m.toml", &format!("hold {} nozzles", count + 1)],
    );
    says(machine("[[section]]\nnozzles = 0\n"), &["nozzles"]);
    says(
        machine(&"[[section]]\nnozzles = 1\n".repeat(65)),
        &["more than 64 sections"],
    );
    says(
        machine("[modes]\nunseen = \"wet\"\n"),
        &["`wet`", "spray", "skip"],
    );
    says(
        machine("[modes]\nkeep_off_margin_m = -1.0\n"),
        &["keep_off_margin_m"],
    );
    says(
        machine("[modes]\nbench_on_cap_s = 61.0\n"),
        &["bench_on_cap_s"],
    );
    says(machine("[modes]\nwet = 1\n"), &["wet"]);
}

#[test]
fn scenarios_with_bad_orders() {
    let with =
        |order: &str| Scenario::parse("s.toml", &format!("{DEMO_SCENARIO}\n[[order]]\n{order}\n"));
    with("event = \"mode\"\nmode = \"off\"\nat_m = 3.0").expect("sound");
    with("event = \"keep_off\"\nfrom_m = 3.0\nto_m = 4.0").expect("sound: told 5 m before");
    with("event = \"bench\"\nask = \"click\"\nnozzle = 3\non_ms = 50\nat_s = 1.0").expect("sound");
    says(
        with("event = \"halt\"\nat_s = 1.0"),
        &["s.toml", "`halt`", "emergency_stop"],
    );
    says(with("event = \"mode\"\nat_s = 1.0"), &["mode is missing"]);
    says(
        with("event = \"mode\"\nmode = \"on\"\nat_s = 1.0"),
        &["`on`", "broadcast"],
    );
    says(with("event = \"mode\"\nmode = \"off\""), &["at_s or at_m"]);
    says(
        with("event = \"mode\"\nmode = \"off\"\nat_s = 1.0\nat_m = 1.0"),
        &["at_s or at_m"],
    );
    says(
        with("event = \"mode\"\nmode = \"off\"\nsection = 64\nat_s = 1.0"),
        &["section 64"],
    );
    says(with("event = \"supply\"\nat_s = 1.0"), &["`ok`"]);
    says(
        with("event = \"supply\"\nok = true\nfrom_m = 1.0\nat_s = 1.0"),
        &["no key `from_m`"],
    );
    says(with("event = \"keep_off\"\nfrom_m = 3.0"), &["both ends"]);
    says(
        with("event = \"keep_off\"\nfrom_m = 3.0\nto_m = 2.0"),
        &["1000 m"],
    );
    says(
        with("event = \"keep_off\"\nfrom_m = 3.0\nto_m = 4.0\nsection = 1\nnozzles = [0, 1]"),
        &["section and nozzles"],
    );
    says(
        with("event = \"bench\"\nask = \"prime\"\nat_s = 1.0"),
        &["prime needs an on-time"],
    );
    says(
        with("event = \"bench\"\nask = \"dance\"\nat_s = 1.0"),
        &["`dance`", "flush"],
    );
}

#[test]
fn recordings_with_bad_orders() {
    let with = |line: &str| {
        let text = format!("{{\"recording_format\":1,\"name\":\"r\"}}\n{line}\n");
        Recording::read("r.jsonl", text.as_bytes())
    };
    with("{\"event\":\"acknowledge\",\"t_us\":5}").expect("sound");
    says(with("{\"event\":\"halt\",\"t_us\":5}"), &["r.jsonl", "2"]);
    says(
        with("{\"event\":\"mode\",\"t_us\":5}"),
        &["no mode", "missing field `mode`"],
    );
    says(
        with("{\"event\":\"mode\",\"t_us\":5,\"mode\":\"on\"}"),
        &["no mode", "`on`"],
    );
    says(
        with("{\"event\":\"acknowledge\",\"t_us\":5,\"ok\":true}"),
        &["acknowledge", "`ok`"],
    );
    let keep_off = |ends: &str| with(&format!("{{\"event\":\"keep_off\",\"t_us\":5,{ends}}}"));
    says(
        keep_off("\"from_mm\":5.0,\"to_mm\":5.0"),
        &["beyond from_mm"],
    );
    says(keep_off("\"from_mm\":5.0,\"to_mm\":2000001.0"), &["2 km"]);
    says(
        keep_off("\"nozzles\":[4,3],\"from_mm\":5.0,\"to_mm\":6.0"),
        &["nozzles 4 to 3"],
    );
    says(
        with("{\"event\":\"acknowledge\",\"t_us\":1000000000000001}"),
        &["beyond"],
    );
    says(
        with("{\"event\":\"switches\",\"t_us\":5,\"spot\":[64],\"broadcast\":[]}"),
        &["section 64"],
    );
}
