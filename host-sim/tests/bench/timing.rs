//! The timing run on an emulated board, laid over a capture whose clock goes otherwise.

use host_sim::commands;
use host_sim::machine::Machine;

use crate::common::{Demo, host_sim, messages};
use crate::emulator::Emulator;

/// A dump as an analyser would record it beside the run: the command wire of nozzle 2 and the sense
/// of nozzles 0 to 3, on a clock that began 3.7 s after the board's and goes 90 ppm faster.
fn capture(list: &[commands::ValveCommand], delays: &[(f64, f64)]) -> String {
    let clock = |us: u64| (us as f64 * 1e-6 - 3.7) * (1.0 + 90e-6) + 20.0;
    let mut changes = Vec::new();
    for command in list {
        let at = clock(command.t_us);
        let nozzle = usize::from(command.nozzle);
        let (open, close) = delays[nozzle];
        let delay = if command.open { open } else { close };
        // In samples of 20 µs.
        let sample = |s: f64| (s * 5e4).ceil() as u64;
        let level = u8::from(command.open);
        changes.push((sample(at + delay), format!("{level}{nozzle}")));
        if nozzle == 2 {
            changes.push((sample(at), format!("{level}c")));
        }
    }
    changes.sort();
    let mut dump = String::from("$timescale 10 us $end\n$var wire 1 c sync $end\n");
    for nozzle in 0..4 {
        dump += &format!("$var wire 1 {nozzle} s{nozzle} $end\n");
    }
    dump += "$enddefinitions $end\n#0 0c 00 01 02 03\n";
    for (sample, change) in &changes {
        dump += &format!("#{} {change}\n", 2 * sample);
    }
    dump + &format!("#{}\n", 2 * changes.last().expect("changes").0 + 100_000)
}

/// How far the slope of a straight line through the edges of nozzle 2 scatters when each is read to
/// the next sample of 20 µs, one standard deviation: Draper & Smith, Applied Regression Analysis,
/// 1998, 1.4, of the deviation of an even spread, 20 µs / √12. How long the run took is the
/// emulator's affair, so the bound comes from the run itself.
fn rate_sd_ppm(list: &[commands::ValveCommand]) -> f64 {
    let own = list.iter().filter(|c| c.nozzle == 2);
    let times: Vec<f64> = own.map(|c| c.t_us as f64).collect();
    let mean = times.iter().sum::<f64>() / times.len() as f64;
    let spread: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
    1e6 * (20.0 / 12f64.sqrt()) / spread.sqrt()
}

#[test]
fn a_timing_run_is_found_in_a_capture_and_becomes_delays() {
    let demo = Demo::new("bench-timing");
    let machine = demo.path("machine.toml");
    let board = Emulator::m4();
    board.json(&["bench", "upload", &machine]);
    let list = demo.path("fired.csv");
    let args = [
        "bench",
        "timing",
        "--to",
        "3",
        "--times",
        "8",
        "--pause-ms",
        "40",
        "--out",
        &list,
    ];
    let fired = board.json(&args);
    assert_eq!(
        (&fired["shots"], &fired["end"]),
        (&32.into(), &"through".into()),
        "{fired}"
    );
    let fired = commands::load(&list, 8).expect("a command list");
    assert_eq!(fired.len(), 64);
    assert!(
        board
            .refused(&[
                "bench", "timing", "--to", "8", "--times", "1", "--from", "8", "--out", &list
            ])
            .contains("no such nozzle")
    );
    assert_eq!(
        commands::load(&list, 8).expect("still there").len(),
        64,
        "a refused run leaves the list"
    );

    let delays = [
        (0.0214, 0.0152),
        (0.0187, 0.0133),
        (0.0201, 0.0149),
        (0.0239, 0.0171),
    ];
    let dump = demo.write("run.vcd", capture(&fired, &delays).as_bytes());
    let args = [
        "calibrate",
        "valves",
        &dump,
        "--fired",
        &list,
        "--sync",
        "2:sync",
        "--machine",
        &machine,
    ];
    let pairs = [
        "--pair", "0:s0", "--pair", "1:s1", "--pair", "2:s2", "--pair", "3:s3", "--json",
    ];
    let out = host_sim(&[&args[..], &pairs[..], &["--write"]].concat());
    assert!(out.status.success(), "{}", messages(&out));
    let text = String::from_utf8(demo.read("machine.toml")).expect("text");
    let now = Machine::parse("machine.toml", &text).expect("a whole machine");
    for (nozzle, (open, close)) in delays.iter().enumerate() {
        let found = now.nozzles[nozzle];
        assert!(
            (found.open_delay_s - open).abs() < 0.05e-3,
            "{nozzle}: {} for {open}",
            found.open_delay_s
        );
        assert!(
            (found.close_delay_s - close).abs() < 0.05e-3,
            "{nozzle}: {} for {close}",
            found.close_delay_s
        );
    }
    let told: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let sync = told["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .find(|f| f["kind"] == "sync")
        .expect("told");
    let says = sync["says"].as_str().expect("words");
    assert!(says.contains("16 edges"), "{says}");
    let rate = says
        .split("goes ")
        .nth(1)
        .and_then(|s| s.split(" ppm").next());
    let rate: f64 = rate.and_then(|s| s.parse().ok()).expect("a rate");
    assert!(
        (rate - 90.0).abs() < 5.0 * rate_sd_ppm(&fired) + 0.05,
        "{says}"
    );

    // The list of another run is not found.
    let other: Vec<_> = fired
        .iter()
        .map(|c| commands::ValveCommand {
            t_us: c.t_us * 13 / 10,
            ..*c
        })
        .collect();
    let mut bytes = Vec::new();
    commands::write("other", &mut bytes, &other).expect("a vector takes all");
    let other = demo.write("other.csv", &bytes);
    let args = [
        "calibrate",
        "valves",
        &dump,
        "--fired",
        &other,
        "--sync",
        "2:sync",
    ];
    let out = host_sim(&[&args[..], &pairs[..]].concat());
    let said = messages(&out);
    assert!(
        out.status.code() == Some(2) && said.contains("not found on the capture's sync wire"),
        "{said}"
    );
}
