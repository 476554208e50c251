//! Whole drives with curves, from the world's path to the judge's report.

use ground_truth::{Edge, EdgeKind, Report};
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::replay::replay;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;

/// The demo's machine with a 24 m boom and one detector over all of it; `turning` is a table.
fn machine(turning: &str) -> Machine {
    let text = DEMO_MACHINE
        .replace("nozzles = 8", "nozzles = 48")
        .replace("view_left_m = 2.2", "view_left_m = 20.0")
        .replace("view_right_m = 2.2", "view_right_m = 20.0");
    Machine::parse("machine.toml", &format!("{text}\n{turning}\n"))
        .unwrap_or_else(|e| panic!("{e}"))
}

/// The same with 110° fans half a metre above the ground, whose doses are summed.
fn fans(turning: &str) -> Machine {
    let mut machine = machine(turning);
    let fanned = DEMO_MACHINE.replace(
        "lane_width_m = 0.5",
        "fan_angle_deg = 110.0\nheight_m = 0.5",
    );
    let fanned = Machine::parse("fans.toml", &fanned).unwrap_or_else(|e| panic!("{e}"));
    machine.fan = fanned.fan;
    machine
}

/// 12 m straight on, 200° of an arc and 40 m straight on.
fn scenario(seed: u64, radius: f64, sensors: &str) -> Scenario {
    let arc = 200.0_f64.to_radians() * radius.abs();
    let legs = format!(
        "[[motion.leg]]\nlength_m = 12.0\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = {radius:?}\n\
         [[motion.leg]]\nturn_deg = 200.0\nradius_m = {radius:?}\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = 0\n\
         [[motion.leg]]\nlength_m = 40.0\n"
    );
    over(seed, &legs, 12.0 + 10.0 + arc + 20.0, sensors)
}

/// Ten seconds at rest, then 3 m/s over legs of `way` m. `sensors` are tables.
fn over(seed: u64, legs: &str, way: f64, sensors: &str) -> Scenario {
    let seconds = way / 3.0;
    let text = format!(
        "scenario_format = 1\nname = \"curves\"\nseed = {seed}\nmachine = \"machine.toml\"\n\
         [motion]\nstart_speed_m_s = 0.0\n\
         [[motion.piece]]\nduration_s = 10.0\nacceleration_m_s2 = 0.0\n\
         [[motion.piece]]\nduration_s = 3.0\nacceleration_m_s2 = 1.0\n\
         [[motion.piece]]\nduration_s = {seconds:?}\nacceleration_m_s2 = 0.0\n\
         {legs}\
         [boom]\nbehind_axle_m = 2.0\n\
         [field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n\
         [wheel]\nslots = 100\nunevenness_percent = 0.0\nstamp_jitter_us = 0.0\n\
         {sensors}\n\
         [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 5.0\nonce = true\n"
    );
    Scenario::parse("scenario.toml", &text).unwrap_or_else(|e| panic!("{e}"))
}

/// A drive's judgement, and what it was judged against.
struct Judged {
    report: Report,
    scene: Scene,
}

fn judged(scenario: &Scenario, machine: &Machine) -> Judged {
    let world = drive("scenario.toml", scenario, machine).expect("the scenario drives");
    let run = replay("machine.toml", machine, &world.recording).expect("the recording replays");
    let scene = Scene::from_truth("truth.json", &world.truth, machine, &world.recording)
        .expect("the drive's own truth fits");
    let report = scene.judge(&run.commands, Some(&run.images));
    let report = report.expect("the judge takes its input");
    Judged { report, scene }
}

/// A plant that lies beside a lane by no more may be taken for one in it: the turn that the sensors
/// tell of is off by that much across. Two were so in all these drives, by 0.8 and 1.7 mm, and each
/// had grown together with the lane's own plant.
const ACROSS_M: f64 = 0.003;
/// A start earlier than this is another plant's, m.
const EARLY_M: f64 = 0.1;

/// Whether a spray that begins too early begins where a plant wants it that lies just beside the
/// lane.
fn is_a_neighbours(edge: &Edge, judged: &Judged) -> bool {
    let turning = judged.scene.ground.turning().expect("a path");
    let n = &judged.scene.nozzles[edge.nozzle];
    let margin = 0.03;
    let own = &judged.report.served[edge.plants.clone()];
    let met = |plant: usize| turning.met(plant, edge.nozzle);
    let near = own.iter().filter_map(|&p| met(p)).map(|m| m.near());
    let lead = near.fold(f64::INFINITY, f64::min) - edge.wanted_x;
    let mut others = (0..judged.scene.plants.len()).filter(|p| !own.contains(p));
    others.any(|plant| {
        let Some(met) = met(plant) else { return false };
        let beside = (met.y - n.y).abs() - 0.5 * (met.width + n.lane_width_m) - margin;
        (0.0..ACROSS_M).contains(&beside) && (met.near() - lead - edge.got_x).abs() < 0.015
    })
}

/// Prints a judgement; returns the RMS of the starts at the outermost metre, m. Left out are starts
/// that are another plant's, each of which has to be shown.
fn say(name: &str, radius: f64, judged: &Judged) -> f64 {
    let report = &judged.report;
    let starts = report.edges.iter().filter(|e| e.kind == EdgeKind::Start);
    let (early, own): (Vec<&Edge>, Vec<&Edge>) = starts.partition(|e| e.error() < -EARLY_M);
    if !name.starts_with("blind") {
        for edge in &early {
            assert!(is_a_neighbours(edge, judged), "{name} {radius} m: {edge:?}");
        }
    }
    let early = early.len();
    let tips: Vec<f64> = own
        .iter()
        .filter(|e| e.nozzle < 2 || e.nozzle >= 46)
        .map(|e| e.error())
        .collect();
    let rms = (tips.iter().map(|e| e * e).sum::<f64>() / tips.len().max(1) as f64).sqrt();
    println!(
        "{name} {radius} m: sprayed {:.0} m2; of {} plants {} full, {} partial, {} missed {:?}; start {:.1} mm RMS, outermost metre {:.1} mm RMS ({} edges; {early} starts of all are a neighbour's)",
        report
            .strips
            .iter()
            .flatten()
            .map(|(from, to)| 0.5 * (to - from))
            .sum::<f64>(),
        report.targets.total,
        report.targets.full,
        report.targets.partial,
        report.targets.missed,
        report.missed_by,
        1e3 * report.start.rms,
        1e3 * rms,
        tips.len(),
    );
    rms
}

#[test]
fn plants_on_arcs_get_their_dose() {
    let yaw = "[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1";
    let told = machine("[turning]\nbehind_axle_m = 2.0");
    let blind = machine("");
    // On 15 m the boom comes by some plants seen just before the arc begins or ends otherwise
    // than foretold; the inner ones take up to five seconds from image to spray.
    for (radius, share) in [(-15.0, 0.93), (30.0, 0.995), (-60.0, 0.995)] {
        let scenario = scenario(7, radius, yaw);
        let driven = judged(&scenario, &told);
        let report = &driven.report;
        let tips = say("yaw rate", radius, &driven);
        let without = judged(&scenario, &blind);
        say("blind   ", radius, &without);
        assert_eq!(report.problems, []);
        let full = report.targets.full as f64 / report.targets.total as f64;
        assert!(full >= share, "{full} full at {radius} m");
        assert!(tips <= 0.015, "{tips} m at the tips on {radius} m");
        assert!(without.report.targets.full * 2 < report.targets.full);
    }
}

/// Curves that never hold: an S of ±20 m eased over 10 m each, and a headland turn of 14 m. Each
/// plant is seen once, some 2.5 m ahead.
#[test]
fn changing_curves_are_followed() {
    let yaw = "[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1";
    let told = machine("[turning]\nbehind_axle_m = 2.0");
    let ease = |length: f64, to: f64| {
        format!("[[motion.leg]]\nlength_m = {length:?}\nto_radius_m = {to:?}\n")
    };
    let straight = "[[motion.leg]]\nlength_m = 12.0\n";
    let s = [ease(10.0, 20.0), ease(20.0, -20.0)].concat().repeat(4);
    let s = format!("{straight}{s}{}{straight}", ease(10.0, 0.0));
    let turn = format!(
        "{straight}{}[[motion.leg]]\nturn_deg = 150.0\nradius_m = 14.0\n{}{straight}{straight}",
        ease(7.0, 14.0),
        ease(7.0, 0.0)
    );
    for (name, legs, way, share, most) in [
        ("S       ", s, 140.0, 0.99, 0.015),
        ("headland", turn, 76.0, 0.97, 0.015),
    ] {
        let driven = judged(&over(11, &legs, way, yaw), &told);
        let report = &driven.report;
        let tips = say(name, 0.0, &driven);
        assert_eq!(report.problems, []);
        let full = report.targets.full as f64 / report.targets.total as f64;
        assert!(full >= share, "{full} full, {name}");
        assert!(tips <= most, "{tips} m at the tips, {name}");
    }
}

/// The same from two wheels 1.8 m apart instead of the yaw rate.
#[test]
fn two_wheels_do_as_well() {
    let turning = "[turning]\nbehind_axle_m = 2.0\nwheel_y_m = -0.9\nsecond_wheel_y_m = 0.9\nsecond_pulse_length_m = 0.02";
    let told = machine(turning);
    for radius in [-30.0, 30.0] {
        // The wheel's place stands in its own table, which is open here.
        let scenario = scenario(8, radius, "y_m = -0.9\n[second_wheel]\ny_m = 0.9");
        let driven = judged(&scenario, &told);
        let report = &driven.report;
        let tips = say("2 wheels", radius, &driven);
        assert_eq!(report.problems, []);
        let full = report.targets.full as f64 / report.targets.total as f64;
        assert!(full >= 0.995, "{full} full at {radius} m");
        assert!(tips <= 0.015, "{tips} m at the tips on {radius} m");
    }
}

/// Summed doses on arcs: each nozzle meets a plant on its own way, and the set must still give it
/// its share everywhere. What the ends of the boom can't give is told apart.
#[test]
fn fans_add_up_to_the_dose_on_arcs() {
    let yaw = "[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1";
    let (told, blind) = (fans("[turning]\nbehind_axle_m = 2.0"), fans(""));
    for (radius, share) in [(-30.0, 0.99), (60.0, 0.99)] {
        let scenario = scenario(9, radius, yaw);
        let driven = judged(&scenario, &told);
        let report = &driven.report;
        let tips = say("fans    ", radius, &driven);
        let without = judged(&scenario, &blind);
        say("blind   ", radius, &without);
        println!(
            "beyond reach {}, too few nozzles {}, {} nozzles too many over {} lone plants",
            report.beyond_reach,
            report.short_sets,
            report.nozzles_beyond_smallest,
            report.sets_counted
        );
        assert_eq!(report.problems, []);
        let reached = (report.targets.total - report.beyond_reach) as f64;
        let full = report.targets.full as f64 / reached;
        assert!(full >= share, "{full} full at {radius} m");
        assert!(tips <= 0.015, "{tips} m at the tips on {radius} m");
        assert!(without.report.targets.full * 2 < report.targets.full);
    }
}
