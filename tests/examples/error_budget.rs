//! What each imperfection of a machine does to where patches begin and end, one at a time,
//! beside the core's own error: steady 5 m/s, 20 mm wheel, images 80 ms old, plants seen 0.8 to
//! 1.6 m ahead. The world and the judge of `ground-truth`; the core has the numbers of the
//! machine file.
//!
//! `cargo run --release -p system-tests --example error_budget`

use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use system_tests::judged_as_told;

/// 1.5 km of straight driving, over a path so that the boom may sway.
const STRAIGHT: &str = r#"scenario_format = 1
name = "error budget"
seed = 11
machine = "machine.toml"
[motion]
start_speed_m_s = 5.0
[[motion.piece]]
duration_s = 300.0
acceleration_m_s2 = 0.0
[[motion.leg]]
length_m = 1500.0
[field]
density_per_m2 = 0.2
size_mean_m = 0.06
size_sd_m = 0.02
size_min_m = 0.03
size_max_m = 0.1
[wheel]
slots = 100
"#;
const SOUND_WHEEL: &str = "unevenness_percent = 1.0\nstamp_jitter_us = 10.0\n";
const DETECTOR: &str =
    "[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n";

struct Line {
    what: &'static str,
    /// Further keys of the wheel.
    wheel: &'static str,
    /// Further tables.
    tables: &'static str,
    /// What the core is told of the machine instead of what is.
    told: (&'static str, &'static str),
}

const NONE: Line = Line {
    what: "",
    wheel: "",
    tables: "",
    told: ("throw_ms", "throw_ms"),
};

fn lines() -> Vec<Line> {
    vec![
        Line {
            what: "the core alone, wheel slots uneven by 1 %",
            ..NONE
        },
        Line {
            what: "capture times 5 ms off",
            tables: "[images]\nclock_offset_ms = -5.0\n",
            ..NONE
        },
        Line {
            what: "capture times 1 ms off",
            tables: "[images]\nclock_offset_ms = -1.0\n",
            ..NONE
        },
        Line {
            what: "valves open and close 1 ms later than the file says",
            tables: "[valves]\nopen_delay_ms = 21.0\nopen_rise_ms = 4.0\nclose_delay_ms = 16.0\nclose_fall_ms = 4.0\n",
            ..NONE
        },
        Line {
            what: "valves differ by 1 ms, and each movement by 0.5 ms (one standard deviation)",
            tables: "[valve_spread]\nspread_ms = 1.0\njitter_ms = 0.5\n",
            ..NONE
        },
        Line {
            what: "pulse length 0.5 % wrong",
            wheel: "scale = 1.005\n",
            ..NONE
        },
        Line {
            what: "wheel slip that comes and goes by 1 %",
            wheel: "slip_percent = 1.0\n",
            ..NONE
        },
        Line {
            what: "boom pitches by 1 degree on rough ground (one standard deviation)",
            tables: "[boom]\npitch_sd_deg = 1.0\n",
            ..NONE
        },
        Line {
            what: "boom height varies by 50 mm",
            tables: "[boom]\nheight_sd_m = 0.05\n",
            ..NONE
        },
        Line {
            what: "boom swings 0.1 m at 0.7 Hz, at 12 m from its middle",
            tables: "[boom]\nwhip_m = 0.1\n",
            ..NONE
        },
        Line {
            what: "plants as high as half their size, cameras at 1 m",
            tables: "[camera]\nplant_height_share = 0.5\n",
            ..NONE
        },
        Line {
            what: "rows of an image read one after the other within 20 ms, not told",
            tables: "[camera]\nrolling_ms = 20.0\n",
            ..NONE
        },
        Line {
            what: "throw 5 ms wrong (nozzles 0.1 m higher)",
            told: ("throw_ms = 25.0", "throw_ms = 20.0"),
            ..NONE
        },
    ]
}

fn main() {
    println!(
        "steady 5 m/s; error of patch starts and ends: mean, RMS, largest, mm; plants not full"
    );
    for line in lines() {
        let text = [STRAIGHT, SOUND_WHEEL, line.wheel, DETECTOR, line.tables].concat();
        let scenario = Scenario::parse("scenario.toml", &text).expect(line.what);
        let world = Machine::parse("machine.toml", DEMO_MACHINE).expect("the demo's machine");
        let told = DEMO_MACHINE.replace(line.told.0, line.told.1);
        assert_eq!(
            told == DEMO_MACHINE,
            line.told.0 == line.told.1,
            "{}",
            line.what
        );
        let told = Machine::parse("machine.toml", &told).expect("changed");
        let drive = drive("scenario.toml", &scenario, &world).expect("drives");
        let report = judged_as_told(&drive, &told, &world);
        let row = |e: &ground_truth::ErrorStats| {
            format!(
                "{:+6.1} {:5.1} {:6.1}",
                1000.0 * e.mean,
                1000.0 * e.rms,
                1000.0 * e.max
            )
        };
        println!(
            "{}   {}   {:3} of {}   {}",
            row(&report.start),
            row(&report.stop),
            report.targets.total - report.targets.full,
            report.targets.total,
            line.what
        );
    }
}
