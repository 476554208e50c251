//! The example block of every format page parses, and says what the page says.

use host_sim::bench::frame_log;
use host_sim::commands;
use host_sim::machine::{Machine, PulseLength};
use host_sim::recording::{Input, Recording};
use host_sim::scenario::Scenario;
use host_sim::truth::Truth;

/// The first block of a page that is fenced with `kind`.
fn example<'a>(page: &'a str, kind: &str) -> &'a str {
    let fence = format!("```{kind}\n");
    let start = page.find(&fence).expect("the page has an example") + fence.len();
    let length = page[start..].find("```").expect("the example ends");
    &page[start..start + length]
}

#[test]
fn the_machine_page_holds() {
    let text = example(include_str!("../formats/machine.md"), "toml");
    let machine = Machine::parse("machine.md", text).expect("the example is right");
    assert_eq!(machine.nozzles.len(), 8);
    assert_eq!(
        machine.wheel.pulse,
        PulseLength::Ratio {
            um: 1_000_000,
            pulses: 130
        }
    );
    assert_eq!(machine.section_runs(), [(0, 3), (3, 8)]);
    assert!((machine.nozzles[0].y_m + 1.75).abs() < 1e-12);
    assert!((machine.patch.lead_s - 0.005).abs() < 1e-12);
    host_sim::core_setup::Setup::new("machine.md", &machine)
        .and_then(|setup| setup.core().map(drop))
        .expect("the core takes it");
}

#[test]
fn the_machine_page_has_a_rate() {
    let page = include_str!("../formats/machine.md");
    let rate = &page[page.find("## Rate").expect("a section")..];
    let text = format!("{}\n{}", example(page, "toml"), example(rate, "toml"));
    let machine = Machine::parse("machine.md", &text).expect("the example is right");
    let told = machine.rate.as_ref().expect("it has a rate");
    assert_eq!((told.l_ha, told.cycle_s, told.lowest), (40.0, 0.04, 0.2));
    assert_eq!((told.width_m, told.flows_l_min.len()), (0.5, 8));
    host_sim::core_setup::Setup::new("machine.md", &machine)
        .and_then(|setup| setup.core().map(drop))
        .expect("the core takes it");
}

#[test]
fn the_machine_page_turns() {
    let page = include_str!("../formats/machine.md");
    let turning = &page[page.find("## Turning").expect("a section")..];
    let text = format!("{}\n{}", example(page, "toml"), example(turning, "toml"));
    let machine = Machine::parse("machine.md", &text).expect("the example is right");
    let told = machine.turning.expect("it turns");
    assert_eq!(
        (told.behind_axle_m, told.wheel_y_m, told.silence_s),
        (2.0, -0.9, 0.2)
    );
    host_sim::core_setup::Setup::new("machine.md", &machine)
        .and_then(|setup| setup.core().map(drop))
        .expect("the core takes it");
    for (from, to, what) in [
        (
            "second_wheel_y_m = 0.9",
            "second_wheel_y_m = -0.8",
            "beside the first",
        ),
        ("second_wheel_y_m = 0.9\n", "", "only one of"),
        (
            "behind_axle_m = 2.0",
            "behind_axle_m = 31.0",
            "behind_axle_m",
        ),
    ] {
        let error = Machine::parse("machine.md", &text.replace(from, to)).expect_err(what);
        assert!(error.to_string().contains(what), "{error}");
    }
}

#[test]
fn the_machine_page_has_delays_of_each_nozzle() {
    let text = example(include_str!("../formats/machine.md"), "toml");
    let with = |line: &str| {
        text.replace(
            "close_fall_ms = 4.0\n",
            &format!("close_fall_ms = 4.0\n{line}\n"),
        )
    };
    let list = "open_delay_of_each_ms = [20.0, 21.5, 20, 20, 20, 20, 20, 30.25]";
    let machine = Machine::parse("machine.md", &with(list)).expect("right");
    let open: Vec<f64> = machine
        .nozzles
        .iter()
        .map(|n| 1e3 * n.open_delay_s)
        .collect();
    assert_eq!((open[1], open[2], open[7]), (21.5, 20.0, 30.25));
    assert!(
        machine
            .nozzles
            .iter()
            .all(|n| n.close_delay_s == machine.valves.close_delay_s)
    );
    for (line, words) in [
        (
            "open_delay_of_each_ms = [20.0, 21.5]",
            "has 2 numbers for 8 nozzles",
        ),
        (
            "close_delay_of_each_ms = [15, 15, 15, 15, 15, 15, 15, 251]",
            "outside 0 to 250",
        ),
        (
            "close_delay_of_each_ms = [15, 15, 1.9, 15, 15, 15, 15, 15]",
            "less than half the rise or fall",
        ),
        ("open_delay_of_each_ms = 20", "invalid type"),
    ] {
        let error = Machine::parse("machine.md", &with(line))
            .expect_err(words)
            .to_string();
        assert!(error.contains(words), "{error}");
    }
    let boom = "[boom]\nnozzles = 8\nspacing_m = 0.5\nx_m = 0.0\n";
    let listed =
        with("open_delay_of_each_ms = [20]").replace(boom, "[[nozzle]]\nx_m = 0.0\ny_m = 0.0\n");
    let error = Machine::parse("machine.md", &listed)
        .expect_err("both")
        .to_string();
    assert!(
        error.contains("both `open_delay_of_each_ms` and [[nozzle]] are given"),
        "{error}"
    );
}

#[test]
fn what_the_machine_page_says_of_left_out_tables_holds() {
    let text = example(include_str!("../formats/machine.md"), "toml");
    let short = &text[..text.find("[timing]").expect("the page shows it")];
    let machine =
        Machine::parse("machine.md", short).expect("timing, tolerance and link may be left out");
    let mut whole = Machine::parse("machine.md", text).expect("the example is right");
    assert_eq!(whole.link.take().map(|link| link.baud), Some(921_600));
    assert_eq!(machine, whole);
}

#[test]
fn the_scenario_page_holds() {
    let text = example(include_str!("../formats/scenario.md"), "toml");
    let scenario = Scenario::parse("scenario.md", text).expect("the example is right");
    assert_eq!((scenario.seed, scenario.pieces.len()), (7, 2));
    assert_eq!(scenario.orders.len(), 2);
    assert!(
        scenario
            .valves
            .is_some_and(|v| (v.open_delay_s - 0.021).abs() < 1e-12)
    );
}

#[test]
fn the_recording_page_holds_and_survives_writing() {
    let text = example(include_str!("../formats/recording.md"), "jsonl");
    let recording = Recording::read("recording.md", text.as_bytes()).expect("the example is right");
    assert_eq!(recording.pulses().collect::<Vec<_>>(), [9970, 19939, 88875]);
    let Input::Image(image) = &recording.events[2].input else {
        panic!("the third event is an image")
    };
    assert!((image.plants[0].y_m + 0.73).abs() < 1e-12);
    assert_eq!(recording.orders().count(), 3);
    let mut bytes = Vec::new();
    recording
        .write("memory", &mut bytes)
        .expect("a vector takes all");
    assert_eq!(String::from_utf8(bytes).expect("text"), text);
}

#[test]
fn the_recording_page_shows_a_machine_that_turns() {
    let text = example(include_str!("../formats/recording.md"), "jsonl-2");
    let recording = Recording::read("recording.md", text.as_bytes()).expect("the example is right");
    assert_eq!(recording.version(), 2);
    assert_eq!(recording.pulses().count(), 2);
    assert_eq!(recording.events[1].input, Input::WheelPulse(1));
    assert_eq!(recording.events[2].input, Input::Yaw(-1480));
    let mut bytes = Vec::new();
    recording
        .write("memory", &mut bytes)
        .expect("a vector takes all");
    assert_eq!(String::from_utf8(bytes).expect("text"), text);
}

#[test]
fn the_recording_page_shows_a_pressure_sensor() {
    let text = example(include_str!("../formats/recording.md"), "jsonl-3");
    let recording = Recording::read("recording.md", text.as_bytes()).expect("the example is right");
    assert_eq!(recording.version(), 3);
    assert!(!recording.may_turn());
    assert_eq!(recording.events[1].input, Input::Pressure(287));
    assert_eq!(recording.events[3].input, Input::Pressure(0));
    let mut bytes = Vec::new();
    recording
        .write("memory", &mut bytes)
        .expect("a vector takes all");
    assert_eq!(String::from_utf8(bytes).expect("text"), text);
}

#[test]
fn the_truth_page_holds_and_survives_writing() {
    let text = example(include_str!("../formats/truth.md"), "json");
    let truth = Truth::parse("truth.md", text).expect("the example is right");
    assert_eq!((truth.plants.len(), truth.sights.len()), (1, 2));
    let mut bytes = Vec::new();
    truth
        .write("memory", &mut bytes)
        .expect("a vector takes all");
    let again =
        Truth::parse("memory", &String::from_utf8(bytes).expect("text")).expect("own output");
    assert_eq!(again, truth);
}

#[test]
fn the_commands_page_holds_and_survives_writing() {
    let text = example(include_str!("../formats/commands.md"), "csv");
    let list = commands::read("commands.md", text.as_bytes(), 8).expect("the example is right");
    assert_eq!(list.len(), 4);
    assert!((list[2].short_by_m - 0.0125).abs() < 1e-12 && list[2].open);
    let mut bytes = Vec::new();
    commands::write("memory", &mut bytes, &list).expect("a vector takes all");
    assert_eq!(String::from_utf8(bytes).expect("text"), text);
}

#[test]
fn the_frame_log_page_holds() {
    let text = example(include_str!("../formats/frames.md"), "jsonl");
    let entries = frame_log::read("frames.md", text.as_bytes()).expect("the example is right");
    let says: Vec<_> = entries.iter().map(frame_log::Entry::line).collect();
    for (line, word) in says.iter().zip([
        "-> ",
        "told_time: true",
        "Click { nozzle: 3, on_us: 40000 }",
        "not readable: Crc",
    ]) {
        assert!(line.contains(word), "{line}");
    }
    assert_eq!(says.len(), 4);
    for (from, to, word) in [
        ("_format\":1", "_format\":2", "format 2"),
        ("link_version\":4", "link_version\":2", "link version 2"),
        ("to_board", "sideways", "frames.md:2"),
    ] {
        let other = text.replacen(from, to, 1);
        let error = frame_log::read("frames.md", other.as_bytes()).expect_err(word);
        assert!(error.to_string().contains(word), "{error}");
    }
}

#[test]
fn the_buffers_page_holds() {
    let page = include_str!("../formats/buffers.md");
    let budget = host_sim::buffers::file::Budget::parse("buffers.md", example(page, "toml"))
        .expect("the example is right");
    assert_eq!(budget.speeds, Some((2.0, 5.0)));
    assert_eq!(budget.field.and_then(|f| f.patchiness_k), Some(0.2));
    // What is left out is what the page says, and every key stands there.
    let usual = host_sim::buffers::file::Errors::default();
    assert_eq!(budget.errors, usual, "the example gives the usual values");
    for (key, value) in usual.list() {
        let row = page
            .lines()
            .find(|l| l.starts_with('|') && l.contains(&format!("`{key}`")));
        let last = row.expect(key).trim_end_matches(['|', ' ']);
        let last = last.rsplit('|').next().expect("a column");
        assert!(last.contains(&value.to_string()), "{key}: {value}, {last}");
    }
}

#[test]
fn the_study_page_holds() {
    let folder = std::path::PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("study-page");
    std::fs::create_dir_all(&folder).expect("a folder");
    let page = example(include_str!("../formats/study.md"), "toml");
    for (name, text) in [
        ("machine.toml", host_sim::run::DEMO_MACHINE),
        ("scenario.toml", host_sim::run::DEMO_SCENARIO),
        ("study.toml", page),
    ] {
        std::fs::write(folder.join(name), text).expect("written");
    }
    let file = folder.join("study.toml").display().to_string();
    let plan = host_sim::study::plan::Plan::load(&file).expect("the example is right");
    assert_eq!((plan.cells(), plan.runs()), (10, 200));
    assert_eq!(plan.dose.map(|d| d.cell_mm), Some(20.0));
    let (machine, scenario) = plan.cell(9).expect("the last cell");
    assert_eq!(
        (machine.patch.lead_m, scenario.start_speed_m_s),
        (0.08, 4.0)
    );
}

#[test]
fn the_lab_page_holds() {
    let page = include_str!("../formats/lab.md");
    let told = host_sim::lab::answer(example(page, "json"));
    assert!(!host_sim::lab::is_error(&told), "{told}");
    assert!(
        told.contains("\"clock_error_ms\":5.0"),
        "the values come back"
    );
}
