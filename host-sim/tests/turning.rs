//! Drives over a path, from the scenario file to the judge.

use host_sim::generate::{Drive, drive};
use host_sim::machine::Machine;
use host_sim::recording::{Input, Recording};
use host_sim::run::{Controlled, DEMO_MACHINE, judge};
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;
use host_sim::truth::Truth;

use ground_truth::Report;

fn demo() -> Machine {
    Machine::parse("machine.toml", DEMO_MACHINE).expect("the demo's machine is right")
}

/// The text of a scenario: legs (more of `[motion]`) and further tables.
fn text(legs: &str, tables: &str, wheel: &str) -> String {
    format!(
        "scenario_format = 1\nname = \"turning\"\nseed = 3\nmachine = \"machine.toml\"\n\
         clock_start_us = 5000000\n\
         [motion]\nstart_speed_m_s = 4.0\n[[motion.piece]]\nduration_s = 30.0\n\
         acceleration_m_s2 = 0.0\n{legs}\n[field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\n\
         size_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.12\n[wheel]\nslots = 100\n\
         unevenness_percent = 0.0\nstamp_jitter_us = 0.0\n{wheel}\n[detector]\n\
         frame_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n{tables}\n"
    )
}

fn driven(machine: &Machine, text: &str) -> Drive {
    let scenario = Scenario::parse("test.toml", text).expect("the scenario is right");
    drive("test.toml", &scenario, machine).expect("it can be driven")
}

fn judged(machine: &Machine, drive: &Drive) -> Report {
    let scene = Scene::from_truth("truth.json", &drive.truth, machine, &drive.recording)
        .expect("they belong together");
    let run = host_sim::replay::replay("machine.toml", machine, &drive.recording).expect("runs");
    judge(machine, &drive.recording, &scene, &Controlled::Core(&run))
        .expect("it can be judged")
        .0
}

/// A number may come back from its file with another last digit.
fn same(read: &Truth, written: &Truth) {
    assert_eq!(
        (&read.sights, &read.false_alarms),
        (&written.sights, &written.false_alarms)
    );
    let (a, b) = (
        read.path.as_ref().expect("a path"),
        written.path.as_ref().expect("a path"),
    );
    assert_eq!(
        (a.legs.len(), a.whip.is_some()),
        (b.legs.len(), b.whip.is_some())
    );
    for (a, b) in a.legs.iter().zip(&b.legs) {
        assert!((a.length_m - b.length_m).abs() < 1e-9);
        assert!((a.from_per_m - b.from_per_m).abs() + (a.to_per_m - b.to_per_m).abs() < 1e-12);
    }
    assert!((a.behind_axle_m - b.behind_axle_m).abs() < 1e-9);
}

const STRAIGHT: &str = "[[motion.leg]]\nlength_m = 120.0\n";
const BEND: &str = "[[motion.leg]]\nlength_m = 20.0\n[[motion.leg]]\nlength_m = 6.0\n\
                    to_radius_m = 30.0\n[[motion.leg]]\nturn_deg = 60.0\nradius_m = 30.0\n\
                    [[motion.leg]]\nlength_m = 6.0\nto_radius_m = 0.0\n[[motion.leg]]\n\
                    length_m = 40.0\n";

#[test]
fn a_straight_leg_is_a_straight_drive() {
    let plain = driven(&demo(), &text("", "", ""));
    let legs = driven(
        &demo(),
        &text(STRAIGHT, "[boom]\nbehind_axle_m = 3.0\n", ""),
    );
    assert_eq!(plain.truth.path, None);
    assert_eq!(plain.recording.version(), 1);
    assert_eq!(plain.recording.events.len(), legs.recording.events.len());
    for (a, b) in plain.recording.events.iter().zip(&legs.recording.events) {
        assert!(a.t_us.abs_diff(b.t_us) <= 1, "{a:?} {b:?}");
        match (&a.input, &b.input) {
            (Input::Image(a), Input::Image(b)) => {
                assert_eq!(a.captured_us, b.captured_us);
                assert_eq!(a.plants.len(), b.plants.len());
                for (p, q) in a.plants.iter().zip(&b.plants) {
                    assert!((p.x_m - q.x_m).abs() < 2e-6 && (p.y_m - q.y_m).abs() < 2e-6);
                }
            }
            (a, b) => assert_eq!(a, b),
        }
    }
    let (a, b) = (judged(&demo(), &plain), judged(&demo(), &legs));
    assert_eq!((a.targets, a.edges.len()), (b.targets, b.edges.len()));
    assert!(a.targets.total > 60, "{:?}", a.targets);
    assert!((a.start.rms - b.start.rms).abs() < 1e-4);
    assert!((a.sprayed_fraction - b.sprayed_fraction).abs() < 1e-3);
    // The straight judge looks at no sides; here all of them must be right.
    let across = ground_truth::Across::of(&b.sides);
    assert!(across.sides > 20 && across.wrong == 0, "{across:?}");
}

#[test]
fn a_bend_shows_in_what_the_controller_is_told_and_in_what_it_misses() {
    let tables = "[boom]\nbehind_axle_m = 2.0\nwhip_m = 0.1\nwhip_arm_m = 2.0\nwhip_hz = 0.7\n\
                  [second_wheel]\ny_m = 0.9\n[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\n\
                  bias_deg_s = 0.1\n";
    let drive = driven(&demo(), &text(BEND, tables, "y_m = -0.9"));
    let recording = &drive.recording;
    assert_eq!(recording.version(), 2);
    // Round by 60° and its eases the left wheel goes farther by the angle times the track.
    let count = |input: &Input| {
        recording
            .events
            .iter()
            .filter(|e| e.input == *input)
            .count()
    };
    let (left, right) = (count(&Input::Pulse), count(&Input::WheelPulse(1)));
    let angle = 60.0_f64.to_radians() + 6.0 / 30.0;
    let want = angle * 1.8 * 50.0;
    assert!(
        (left as f64 - right as f64 - want).abs() <= 1.0,
        "{left} {right} {want}"
    );
    let rates: Vec<f64> = recording
        .events
        .iter()
        .filter_map(|e| match e.input {
            Input::Yaw(mdeg_s) => Some(f64::from(mdeg_s) * 1e-3),
            _ => None,
        })
        .collect();
    assert_eq!(rates.len(), 1500);
    // Their sum is the angle turned, and the bias over 30 s.
    let turned: f64 = rates.iter().sum::<f64>() * 0.02;
    assert!((turned - angle.to_degrees() - 3.0).abs() < 0.6, "{turned}");

    // Both files read back as they were written.
    let mut bytes = Vec::new();
    recording.write("memory", &mut bytes).expect("written");
    assert_eq!(
        &Recording::read("memory", bytes.as_slice()).expect("read"),
        recording
    );
    let mut bytes = Vec::new();
    drive.truth.write("memory", &mut bytes).expect("written");
    let read = Truth::parse("memory", std::str::from_utf8(&bytes).expect("text")).expect("read");
    same(&read, &drive.truth);

    // A core that knows no turn errs, most where the boom's ends are; the judge sees it.
    let report = judged(&demo(), &drive);
    assert!(report.targets.total > 60 && report.targets.full < report.targets.total);
    let worst = |outer: bool| {
        let ends = report
            .edges
            .iter()
            .filter(|e| outer != (2..6).contains(&e.nozzle));
        ends.map(|e| e.error().abs()).fold(0.0, f64::max)
    };
    assert!(
        worst(true) > worst(false) && worst(true) > 0.02,
        "{} {}",
        worst(true),
        worst(false)
    );
}

#[test]
fn false_alarms_and_clocks_are_told_apart_from_plants() {
    let tables = "[camera]\nheight_m = 1.0\nrolling_ms = 10.0\nfalse_per_image = 0.2\n\
                  [images]\ndropped_percent = 2.0\nlate_percent = 5.0\nlate_ms = 200.0\n\
                  doubled_percent = 1.0\nclock_offset_ms = -3.0\n";
    let drive = driven(&demo(), &text("", tables, ""));
    let told: usize = drive.truth.false_alarms.iter().sum();
    assert!((60..180).contains(&told), "{told}");
    let first = drive.recording.images().next().expect("some").1.captured_us;
    assert_eq!(first, 5_000_000 - 3_000);
    let mut bytes = Vec::new();
    drive.truth.write("memory", &mut bytes).expect("written");
    let read = Truth::parse("memory", std::str::from_utf8(&bytes).expect("text")).expect("read");
    same(&read, &drive.truth);
    // What is sprayed for nothing costs, and 3 ms of clock and the rows show at 4 m/s.
    let report = judged(&demo(), &drive);
    assert!(
        report.start.n > 20 && report.start.mean.abs() > 0.002,
        "{:?}",
        report.start
    );
    let quiet = judged(&demo(), &driven(&demo(), &text(STRAIGHT, "", "")));
    assert!(report.sprayed_fraction > 1.5 * quiet.sprayed_fraction);
}

#[test]
fn slip_and_a_changing_radius_take_the_place_along() {
    // The rolling radius grows by 2 % over 120 m: half of it on average.
    let change = driven(&demo(), &text("", "", "radius_change_percent = 2.0"));
    let even = driven(&demo(), &text("", "", ""));
    let lost = even.recording.pulses().count() - change.recording.pulses().count();
    assert!((56..=62).contains(&lost), "{lost}");
    let slip = driven(&demo(), &text(BEND, "", "slip_percent = 2.0"));
    assert!(slip.recording.pulses().count().abs_diff(6000) < 30);
}

#[test]
fn valves_that_stray_and_a_weak_pump_show_in_the_judgement() {
    let even = judged(&demo(), &driven(&demo(), &text("", "", "")));
    assert_eq!(even.supply, None);
    let stray = "[valve_spread]\nspread_ms = 2.0\njitter_ms = 1.0\n";
    let stray = judged(&demo(), &driven(&demo(), &text("", stray, "")));
    // 2.24 ms at 4 m/s beside what there is anyway.
    let more = (stray.start.rms.powi(2) - even.start.rms.powi(2)).sqrt();
    assert!((0.005..0.013).contains(&more), "{more}");
    let weak = "[valve_spread]\nvoltage_percent = 80.0\nby_voltage = 1.0\n";
    let weak = judged(&demo(), &driven(&demo(), &text("", weak, "")));
    // Opening takes 20 % of 20 ms longer: 16 mm.
    let late = weak.start.mean - even.start.mean;
    assert!((late - 0.016).abs() < 0.001, "{late}");
    // One nozzle takes 1.2 L/min, and the hoses give up 100 kPa for two of them.
    let pump = "[supply]\nnominal_kpa = 300.0\nnozzle_l_min = 1.2\npump_kpa = 320.0\n\
                line_drop_kpa = 20.0\nlag_ms = 20.0\n";
    let drive = driven(&demo(), &text("", pump, ""));
    let starved = judged(&demo(), &drive);
    let supply = starved.supply.expect("told");
    assert!(
        supply.most_open >= 1.9 && supply.lowest_kpa < 260.0,
        "{supply:?}"
    );
    assert!(
        starved.targets.full < even.targets.full,
        "{:?}",
        starved.targets
    );
    // Valves that open slower as the pressure falls: most openings come at rest, at 320 of 300
    // kPa, so a fifteenth of 20 ms earlier, 5.3 mm; closings at less than 300, so earlier too.
    let leaning = format!("{pump}[valve_spread]\nby_pressure = 1.0\n");
    let leaning = judged(&demo(), &driven(&demo(), &text("", &leaning, "")));
    let sooner = starved.start.mean - leaning.start.mean;
    assert!((0.003..0.0056).contains(&sooner), "{sooner}");
    let sooner = starved.stop.mean - leaning.stop.mean;
    assert!((0.0003..0.006).contains(&sooner), "{sooner}");
    let mut bytes = Vec::new();
    drive.truth.write("memory", &mut bytes).expect("written");
    let read = Truth::parse("memory", std::str::from_utf8(&bytes).expect("text")).expect("read");
    assert_eq!(
        (read.supply, read.spread),
        (drive.truth.supply, drive.truth.spread)
    );
}

#[test]
fn scenarios_that_make_no_sense_are_refused_once_and_in_place() {
    let jump =
        "[[motion.leg]]\nlength_m = 20.0\n[[motion.leg]]\nturn_deg = 90.0\nradius_m = 15.0\n";
    let both = "[[motion.leg]]\nlength_m = 20.0\nradius_m = 15.0\nto_radius_m = 10.0\n";
    for (legs, tables, wheel, word) in [
        (jump, "", "", "the path jumps at this leg"),
        (both, "", "", "both radius_m and to_radius_m"),
        (
            "[[motion.leg]]\nradius_m = 15.0\n",
            "",
            "",
            "length_m and turn_deg",
        ),
        ("[[motion.leg]]\nturn_deg = 15.0\n", "", "", "straight leg"),
        (
            "[[motion.leg]]\nlength_m = 5.0\nradius_m = 0.2\n",
            "",
            "",
            "no machine turns",
        ),
        ("", "[yaw_sensor]\nrate_hz = 50.0\n", "", "over a path"),
        ("", "[second_wheel]\ny_m = 1.0\n", "", "over a path"),
        ("", "", "y_m = 0.5", "over a path"),
        ("", "[boom]\nwhip_m = 4.0\n", "", "whip_m"),
        ("", "[boom]\nwip_m = 0.4\n", "", "unknown field"),
        (
            "",
            "[boom]\nshortest_wave_m = 5.0\nlongest_wave_m = 2.0\n",
            "",
            "longest wave",
        ),
        ("", "[camera]\nsize_half_m = 0.03\n", "", "spread"),
        ("", "[valve_spread]\njitter_ms = -1.0\n", "", "jitter_ms"),
        (
            "",
            "[supply]\nnominal_kpa = -3.0\nnozzle_l_min = 1.0\npump_kpa = 300.0\n",
            "",
            "nominal_kpa",
        ),
        ("", "[images]\nlate_percent = 101.0\n", "", "late_percent"),
    ] {
        let error = Scenario::parse("test.toml", &text(legs, tables, wheel))
            .map(|_| ())
            .expect_err(word)
            .to_string();
        assert!(
            error.contains(word) && error.contains("test.toml:"),
            "{word}: {error}"
        );
    }
    // Going back over a path is found when it is driven.
    let back =
        text(STRAIGHT, "", "").replace("acceleration_m_s2 = 0.0", "acceleration_m_s2 = -0.2");
    let back = back.replace("start_speed_m_s", "reverse = true\nstart_speed_m_s");
    let machine = DEMO_MACHINE.replace("[wheel]\n", "[wheel]\ndirection_input = true\n");
    let machine = Machine::parse("machine.toml", &machine).expect("a machine");
    let scenario = Scenario::parse("test.toml", &back).expect("the scenario is right");
    let error = drive("test.toml", &scenario, &machine)
        .expect_err("refused")
        .to_string();
    assert!(error.contains("over a path it only goes on"), "{error}");
    // What cannot be judged says so.
    let bend = driven(&demo(), &text(BEND, "[yaw_sensor]\nrate_hz = 9.0\n", ""));
    let hindsight = Scene::in_hindsight("r.jsonl", &demo(), &bend.recording).err();
    assert!(hindsight.expect("refused").to_string().contains("--truth"));
    let unseen = format!("{DEMO_MACHINE}\n[modes]\nunseen = \"spray\"\n");
    let unseen = Machine::parse("machine.toml", &unseen).expect("a machine");
    let judged = Scene::from_truth("t.json", &bend.truth, &unseen, &bend.recording);
    assert!(judged.is_ok(), "unseen ground is judged in a curve, too");
}
