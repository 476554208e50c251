//! Whole drives round a curve with orders: modes switched and ground kept off within it, and the
//! rate that comes down there. Each bound fails where the controller is not told that it turns.

use ground_truth::Report;
use host_sim::agronomy::{self, Fineness};
use host_sim::generate::{Drive, drive};
use host_sim::machine::Machine;
use host_sim::replay::replay;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;

const TURNING: &str = "[turning]\nbehind_axle_m = 2.0\n";

/// The demo's machine with a 12 m boom in four sections; `tables` are further ones.
fn machine(changes: &[(&str, &str)], tables: &str) -> Machine {
    let mut text = DEMO_MACHINE
        .replace("nozzles = 8", "nozzles = 24")
        .replace("view_left_m = 2.2", "view_left_m = 8.0")
        .replace("view_right_m = 2.2", "view_right_m = 8.0");
    for (old, new) in changes {
        assert!(text.contains(old), "the machine has {old}");
        text = text.replace(old, new);
    }
    let sections = "[[section]]\nnozzles = 6\n".repeat(4);
    Machine::parse("machine.toml", &format!("{text}\n{sections}{tables}"))
        .unwrap_or_else(|e| panic!("{e}"))
}

/// Eight seconds at rest, then 3 m/s: 10 m straight on, 150° of an arc of 15 m to the right, which
/// it goes round from 16 to 26 s, and straight on. The left tip goes 1.4 times as fast as the
/// middle there, the right one 0.6 times.
fn scenario(orders: &str) -> Scenario {
    let text = format!(
        "scenario_format = 1\nname = \"ordered turns\"\nseed = 17\nmachine = \"machine.toml\"\n\
         [motion]\nstart_speed_m_s = 0.0\n\
         [[motion.piece]]\nduration_s = 8.0\nacceleration_m_s2 = 0.0\n\
         [[motion.piece]]\nduration_s = 3.0\nacceleration_m_s2 = 1.0\n\
         [[motion.piece]]\nduration_s = 24.0\nacceleration_m_s2 = 0.0\n\
         [[motion.leg]]\nlength_m = 10.0\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = 15.0\n\
         [[motion.leg]]\nturn_deg = 150.0\nradius_m = 15.0\n\
         [[motion.leg]]\nlength_m = 5.0\nto_radius_m = 0\n\
         [[motion.leg]]\nlength_m = 60.0\n\
         [boom]\nbehind_axle_m = 2.0\n\
         [field]\ndensity_per_m2 = 0.3\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n\
         [wheel]\nslots = 100\nunevenness_percent = 0.0\nstamp_jitter_us = 0.0\n\
         [yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1\n\
         [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 5.0\nonce = true\n\
         {orders}"
    );
    Scenario::parse("scenario.toml", &text).unwrap_or_else(|e| panic!("{e}"))
}

fn scene(machine: &Machine, world: &Drive) -> Scene {
    Scene::from_truth("truth.json", &world.truth, machine, &world.recording)
        .expect("the drive's own truth fits")
}

fn judged(scenario: &Scenario, machine: &Machine) -> Report {
    let world = drive("scenario.toml", scenario, machine).expect("drives");
    let run = replay("machine.toml", machine, &world.recording).expect("replays");
    scene(machine, &world)
        .judge(&run.commands, Some(&run.images))
        .expect("judged")
}

/// A section off, and all broadcast, for some seconds of the curve; ground kept off under the
/// whole boom, ordered 5 m before it. Not told of the turn, the controller counts the
/// middle's way: the left tip goes 7 m while the middle goes those 5, so 2 m of kept-off ground
/// are sprayed there.
#[test]
fn orders_within_a_curve_are_kept_by_each_nozzle() {
    let orders = "[[order]]\nevent = \"mode\"\nsection = 0\nmode = \"off\"\nat_s = 18.0\n\
        [[order]]\nevent = \"mode\"\nsection = 0\nmode = \"spot\"\nat_s = 21.0\n\
        [[order]]\nevent = \"mode\"\nmode = \"broadcast\"\nat_s = 21.5\n\
        [[order]]\nevent = \"mode\"\nmode = \"spot\"\nat_s = 25.0\n\
        [[order]]\nevent = \"keep_off\"\nnozzles = [0, 23]\nfrom_m = 39.0\nto_m = 42.0\n";
    let scenario = scenario(orders);
    let (told, blind) = (machine(&[], TURNING), machine(&[], ""));
    let report = judged(&scenario, &told);
    let kept = report.orders.expect("orders were given");
    println!("told : {:?} {kept:?}", report.targets);
    let without = judged(&scenario, &blind);
    let lost = without.orders.expect("orders were given");
    println!("blind: {:?} {lost:?}", without.targets);
    assert_eq!(report.problems, []);
    assert!(kept.kept_off_worst_m <= 1e-3, "{kept:?}");
    assert!(kept.off_worst_m <= 1e-3, "{kept:?}");
    assert!(kept.bare_worst_m <= 0.025, "{kept:?}");
    // 3 s of 3 m lanes at 4 m/s and the kept off ground, 0.3 plants/m².
    assert!(kept.withheld > 8, "{kept:?}");
    assert!(
        report.targets.full * 100 >= 99 * report.targets.total && report.targets.total > 100,
        "{:?}",
        report.targets
    );
    assert!(lost.kept_off_worst_m > 1.0, "{lost:?}");
    assert!(lost.kept_off_wet_m > 5.0, "{lost:?}");
}

/// Broadcast round the curve at 25 L/ha with switched valves: 5 m to the left of the middle a
/// nozzle goes 3·(1 + 5/15) = 4 m/s, 5 m to the right 2 m/s. Told of the turn, the controller
/// gives both their rate; not told, it gives both the middle's flow: 25 / (4/3) and 25 / (2/3) L/ha.
/// At 12.5 Hz the left one is on for 0.375 of 80 ms and 5 ms of delays: what is left is far from
/// the shortest time off, 20 ms. (At 25 Hz it would be just that, and half of its cycles full.)
#[test]
fn a_rate_is_held_round_a_curve() {
    let fans = [(
        "lane_width_m = 0.5\nfan_thickness_m = 0.04",
        "fan_angle_deg = 110.0\nheight_m = 0.5\nthickness_deg = 10.0",
    )];
    let rate = "[rate]\nrate_l_ha = 25.0\ncycle_hz = 12.5\nlowest_duty_percent = 10.0\npressure_kpa = 300.0\nflow_l_min = 0.8\n";
    let scenario = scenario("[[order]]\nevent = \"mode\"\nmode = \"broadcast\"\nat_s = 9.0\n");
    let rates = |tables: &str| -> (f64, f64) {
        let machine = machine(&fans, &format!("{rate}{tables}"));
        let world = drive("scenario.toml", &scenario, &machine).expect("drives");
        let run = replay("machine.toml", &machine, &world.recording).expect("replays");
        let scene = scene(&machine, &world);
        let flows = agronomy::flows(&machine).expect("the rate tells them");
        let fine = Fineness {
            cell_m: 0.04,
            ..Fineness::default()
        };
        let told = (run.commands.as_slice(), run.duties.as_slice());
        let laid = agronomy::lay(&machine, &scene, told, flows, &fine).expect("fits");
        let turning = scene.ground.turning().expect("it turns");
        // The mean along a nozzle's way, some seconds round the curve.
        let mean = |y: f64| {
            let count = 2000;
            let at = |i: i32| {
                let boom = turning
                    .travel()
                    .boom(18.0 + 6.0 * f64::from(i) / f64::from(count));
                let (x, y) = boom.place(0.0, y);
                laid.deposit.at(x, y).expect("on the grid")
            };
            (0..count).map(at).sum::<f64>() / f64::from(count)
        };
        // Over one lane, so that the pattern's ups and downs are out.
        let lane = |y: f64| {
            (0..5)
                .map(|i| mean(y + 0.1 * f64::from(i) - 0.2))
                .sum::<f64>()
                / 5.0
        };
        (lane(-5.0), lane(5.0))
    };
    let told = rates(TURNING);
    let blind = rates("");
    println!("left and right of a curve, L/ha: told {told:.1?}, not told {blind:.1?}");
    for value in [told.0, told.1] {
        assert!((value / 25.0 - 1.0).abs() < 0.05, "{told:?}");
    }
    for (value, by_hand) in [(blind.0, 18.75), (blind.1, 37.5)] {
        assert!((value / by_hand - 1.0).abs() < 0.06, "{blind:?}");
    }
}
