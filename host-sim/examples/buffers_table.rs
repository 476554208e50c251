//! Buffers worked out against drives through the real core, on machines and stands that differ in
//! all that counts: does the share of hits that is worked out lie within the 95 % interval of the
//! drives, and how much shorter are the buffers than the worst of each cause added up?
//!
//! `cargo run --release -p host-sim --example buffers_table [DRIVES] [CASE]`
//!
//! `... buffers_table causes [DRIVES] [CASE]`: each cause of error alone, how far edges stray by it
//! as worked out and as driven, which tells the cause that is reckoned wrongly.

use host_sim::buffers::file::{Budget, Errors};
use host_sim::buffers::report::Report;
use host_sim::buffers::{Asked, work_out};
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;

const SCENARIO: &str = "scenario_format = 1\nname = \"buffers\"\nseed = 1\nmachine = \"machine.toml\"\n[motion]\nstart_speed_m_s = 1.0\n[[motion.piece]]\nduration_s = 10.0\nacceleration_m_s2 = 0.0\n[field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n";

struct Case {
    what: &'static str,
    hits: f64,
    /// Lines of the demo's machine file, and what they become.
    machine: &'static [(&'static str, &'static str)],
    budget: &'static str,
}

const CASES: [Case; 13] = [
    Case {
        what: "the demo's boom, usual errors",
        hits: 0.99,
        machine: &[],
        budget: "",
    },
    Case {
        what: "coarse, uneven wheel",
        hits: 0.99,
        machine: &[
            (
                "pulses_per_m = 50\nslots_per_turn = 100",
                "pulses_per_m = 8",
            ),
            ("creep_speed_m_s = 0.1", "creep_speed_m_s = 0.3"),
        ],
        budget: "[errors]\nwheel_unevenness_percent = 2.0\n",
    },
    Case {
        what: "48 nozzles, 0.25 m apart, four detectors",
        hits: 0.98,
        machine: &[
            (
                "nozzles = 8\nspacing_m = 0.5",
                "nozzles = 48\nspacing_m = 0.25",
            ),
            ("lane_width_m = 0.5", "lane_width_m = 0.25"),
            (
                "[[detector]]\nx_m = 1.2\ny_m = 0.0\nview_left_m = 2.2\nview_right_m = 2.2\nview_near_m = 0.0\nview_far_m = 0.8",
                "[[detector]]\nx_m = 1.2\ny_m = -4.5\nview_left_m = 1.6\nview_right_m = 1.5\nview_near_m = 0.0\nview_far_m = 0.8\n[[detector]]\nx_m = 1.2\ny_m = -1.5\nview_left_m = 1.5\nview_right_m = 1.5\nview_near_m = 0.0\nview_far_m = 0.8\n[[detector]]\nx_m = 1.2\ny_m = 1.5\nview_left_m = 1.5\nview_right_m = 1.5\nview_near_m = 0.0\nview_far_m = 0.8\n[[detector]]\nx_m = 1.2\ny_m = 4.5\nview_left_m = 1.5\nview_right_m = 1.6\nview_near_m = 0.0\nview_far_m = 0.8",
            ),
        ],
        budget: "",
    },
    Case {
        what: "camera far ahead, poor pulse length and slip",
        hits: 0.99,
        machine: &[("x_m = 1.2", "x_m = 3.5")],
        budget: "[errors]\nwheel_scale_percent = 1.0\nwheel_slip_percent = 2.0\nboom_whip_mm = 4.0\n",
    },
    Case {
        what: "slow valves that differ",
        hits: 0.99,
        machine: &[
            (
                "open_delay_ms = 20.0\nopen_rise_ms = 4.0",
                "open_delay_ms = 60.0\nopen_rise_ms = 20.0",
            ),
            (
                "close_delay_ms = 15.0\nclose_fall_ms = 4.0",
                "close_delay_ms = 45.0\nclose_fall_ms = 16.0",
            ),
        ],
        budget: "[errors]\nvalve_delay_ms = 3.0\nvalve_spread_ms = 3.0\nvalve_jitter_ms = 1.5\n",
    },
    Case {
        what: "nothing but a clock 3 ms off",
        hits: 0.95,
        machine: &[],
        budget: "[errors]\nvalve_delay_ms = 0.0\nvalve_spread_ms = 0.0\nvalve_jitter_ms = 0.0\nthrow_ms = 0.0\nfan_thickness_mm = 0.0\ncapture_time_ms = 3.0\ncapture_jitter_ms = 0.0\ncamera_place_mm = 0.0\ncamera_pitch_deg = 0.0\ndetection_place_mm = 0.0\ndetection_edge_mm = 0.0\nwheel_scale_percent = 0.0\nwheel_slip_percent = 0.0\nboom_whip_mm = 0.0\nboom_height_mm = 0.0\nboom_pitch_deg = 0.0\n",
    },
    Case {
        what: "poor detection of large plants",
        hits: 0.97,
        machine: &[],
        budget: "[field]\ndensity_per_m2 = 0.1\nsize_mean_m = 0.15\nsize_sd_m = 0.05\nsize_min_m = 0.05\nsize_max_m = 0.3\n[errors]\ndetection_place_mm = 15.0\ndetection_edge_mm = 15.0\n",
    },
    Case {
        what: "a boom that sways, whip 40 mm",
        hits: 0.9,
        machine: &[
            ("nozzles = 8", "nozzles = 16"),
            (
                "view_left_m = 2.2\nview_right_m = 2.2",
                "view_left_m = 4.2\nview_right_m = 4.2",
            ),
        ],
        budget: "[errors]\nboom_whip_mm = 40.0\nboom_pitch_deg = 1.0\n",
    },
    Case {
        what: "slow and careful: 0.5 to 2 m/s",
        hits: 0.99,
        machine: &[("max_speed_m_s = 8.0", "max_speed_m_s = 3.0")],
        budget: "[speeds]\nslow_m_s = 0.5\nfast_m_s = 2.0\n",
    },
    Case {
        what: "camera pitch and mount poorly known",
        hits: 0.99,
        machine: &[],
        budget: "[errors]\ncamera_place_mm = 20.0\ncamera_pitch_deg = 1.0\n",
    },
    Case {
        what: "fans of 110 degrees, doses summed",
        hits: 0.98,
        machine: &FANS,
        budget: "",
    },
    Case {
        what: "a patchy stand, shape 0.2 over 5 m",
        hits: 0.95,
        machine: &[],
        budget: PATCHY,
    },
    Case {
        what: "fans over that stand",
        hits: 0.95,
        machine: &FANS,
        budget: PATCHY,
    },
];

const FANS: [(&str, &str); 1] = [(
    "fan_thickness_m = 0.04",
    "fan_thickness_m = 0.04\nfan_angle_deg = 110.0\nheight_m = 0.5",
)];
const PATCHY: &str =
    "[field]\ndensity_per_m2 = 0.4\npatchiness_k = 0.2\npatchiness_square_m = 5.0\n";

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = args.iter().map(String::as_str).collect();
    let number = |text: &str| text.parse().expect("a number");
    match words[..] {
        [] => table(&CASES, 200),
        ["causes"] => CASES.iter().for_each(|case| causes(case, 50)),
        ["causes", drives] => CASES.iter().for_each(|case| causes(case, number(drives))),
        ["causes", drives, case] => causes(&CASES[number(case) as usize], number(drives)),
        [drives] => table(&CASES, number(drives)),
        [drives, case] => table(&CASES[number(case) as usize..][..1], number(drives)),
        _ => panic!("give nothing, DRIVES [CASE], or causes [DRIVES] [CASE]"),
    }
}

/// Works one case out and drives it, with its budget or what `change` makes of that.
fn report(case: &Case, drives: u32, curve: bool, change: impl Fn(&mut Errors)) -> Report {
    let mut text = DEMO_MACHINE.replace("lateral_margin_m = 0.03", "lateral_margin_m = 0.1");
    for (from, to) in case.machine {
        assert!(text.contains(from), "{}: {from}", case.what);
        text = text.replace(from, to);
    }
    let machine = Machine::parse("machine.toml", &text).expect(case.what);
    let budget = format!("buffers_format = 1\n{}", case.budget);
    let mut budget = Budget::parse("budget.toml", &budget).expect(case.what);
    change(&mut budget.errors);
    let scenario = Scenario::parse("scenario.toml", SCENARIO).expect("sound");
    work_out(&Asked {
        file: "machine.toml",
        machine: &machine,
        budget: &budget,
        scenario: &scenario,
        scenario_file: None,
        hits: case.hits,
        runs: drives,
        seed: 1,
        curve,
    })
    .expect(case.what)
}

/// Each cause of a case alone: one standard deviation of an edge worked out, and driven.
fn causes(case: &Case, drives: u32) {
    println!(
        "{}: each cause alone, mm that an edge strays by: worked out; starts and stops driven (their mean)",
        case.what
    );
    let whole = report(case, 0, false, |_| {});
    let keys = whole.errors.iter().filter(|e| e.0 != "camera_height_m");
    for &(key, value) in keys.filter(|e| e.1 > 0.0) {
        let alone = report(case, drives, false, |errors| {
            for (other, _) in whole.errors.iter().filter(|e| e.0 != "camera_height_m") {
                if *other != key
                    && let Some(e) = errors.get_mut(other)
                {
                    *e = 0.0;
                }
            }
        });
        print!("  {key:<26}{value:>6}");
        for s in &alone.speeds {
            let d = s.driven.expect("driven");
            print!(
                "  {:.1} m/s: {:6.2}; {:6.2} ({:+6.2}) {:6.2} ({:+6.2})",
                s.speed_m_s,
                s.edge_sd_mm,
                d.start_sd_mm,
                d.start_mean_mm,
                d.stop_sd_mm,
                d.stop_mean_mm
            );
        }
        println!();
    }
}

fn table(cases: &[Case], drives: u32) {
    println!(
        "share of hits in percent: worked out, driven (95 % interval), at the slow and the fast speed"
    );
    let (mut inside, mut all) = (0, 0);
    let mut shorter = Vec::new();
    for case in cases {
        let report = report(case, drives, true, |_| {});
        print!("{:<48}", case.what);
        for s in &report.speeds {
            let d = s.driven.expect("driven");
            let holds = d.holds(s.worked_hits);
            inside += u32::from(holds);
            all += 1;
            print!(
                "  {:.1} m/s: {:6.2}, {:6.2} ({:5.2} to {:6.2}){}",
                s.speed_m_s,
                100.0 * s.worked_hits,
                100.0 * d.hits,
                100.0 * d.hits_from,
                100.0 * d.hits_to,
                if holds { "  " } else { " !" }
            );
        }
        let fast = report.speeds.last().expect("two speeds");
        println!(
            "  {:.0} mm against {:.0}: {:.0} % shorter; saved {:.3} worked out, {:.3} driven; three quarters up to {:.2} plants/m2; {}{}",
            fast.needed_lead_mm + fast.needed_trail_mm,
            report.worst_case_sum_mm,
            report.shorter_than_worst_case_percent,
            fast.saving(),
            fast.driven.expect("driven").saving,
            fast.three_quarters_saved_up_to_per_m2,
            report.verdict,
            report
                .corrected_by
                .map_or(String::new(), |by| format!(" by {by:.2}"))
        );
        shorter.push(report.shorter_than_worst_case_percent);
    }
    shorter.sort_by(f64::total_cmp);
    println!(
        "within the interval: {inside} of {all}; shorter than the worst case: {:.0} to {:.0} %, middle {:.0} %",
        shorter[0],
        shorter[shorter.len() - 1],
        shorter[shorter.len() / 2]
    );
}
