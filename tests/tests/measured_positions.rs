//! Positions that nobody here made: 126 young pines mapped in a window of 10 m by 10 m.
//!
//! Van Lieshout M.N.M., Penttinen A., data set `finpines` (x, y in m, diameter at breast
//! height in cm, height in m); in Debian's r-cran-spatstat.data. `scripts/fixtures`
//! fetches it.

use ground_truth::Verdict;
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::{ListedPlant, Plants, Scenario};
use system_tests::judged;

/// (x, y, size), the window moved to 0..10 along and -5..5 across.
fn trees() -> Vec<(f64, f64, f64)> {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../target/fixtures/finpines.txt"
    );
    let text = std::fs::read_to_string(path)
        .unwrap_or_else(|e| panic!("{path}: {e}; run scripts/fixtures, or scripts/test once"));
    text.lines()
        .skip(1)
        .filter(|line| !line.trim().is_empty())
        .map(|line| {
            let n: Vec<f64> = line
                .split_whitespace()
                .map(|word| word.parse().expect("a number"))
                .collect();
            // Saplings below breast height have diameter 0: taken as 10 mm.
            (n[0] + 5.0, n[1] + 3.0, (n[2] * 0.01).max(0.01))
        })
        .collect()
}

/// Tiled along travel to 200 m under a boom of 10 m: every tree full, while the machine
/// speeds up and slows down.
#[test]
fn every_tree_of_a_mapped_stand_gets_its_dose() {
    let trees = trees();
    assert_eq!(trees.len(), 126);
    let text = DEMO_MACHINE
        .replace("nozzles = 8", "nozzles = 20")
        .replace("= 2.2", "= 5.2");
    let machine = Machine::parse("machine.toml", &text).expect("the demo's, wider");
    let mut scenario = Scenario::parse(
        "scenario.toml",
        "scenario_format = 1\nname = \"mapped stand\"\nseed = 5\nmachine = \"machine.toml\"\n\
         [motion]\nstart_speed_m_s = 3.0\n\
         [[motion.piece]]\nduration_s = 10.0\nacceleration_m_s2 = 0.2\n\
         [[motion.piece]]\nduration_s = 20.0\nacceleration_m_s2 = 0.0\n\
         [[motion.piece]]\nduration_s = 10.0\nacceleration_m_s2 = -0.3\n\
         [[motion.piece]]\nduration_s = 30.0\nacceleration_m_s2 = 0.0\n\
         [[plant]]\nx_m = 10.0\ny_m = 0.0\nlength_m = 0.1\nwidth_m = 0.1\n\
         [wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n\
         [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 15.0\nonce = true\n",
    )
    .expect("the scenario");
    let tiles = (0..20).map(|tile| 10.0 + 10.0 * f64::from(tile));
    scenario.plants = Plants::Listed(
        tiles
            .flat_map(|start| {
                trees.iter().map(move |&(x, y, size)| ListedPlant {
                    x_m: start + x,
                    y_m: y,
                    length_m: size,
                    width_m: size,
                })
            })
            .collect(),
    );
    let report = judged(&scenario, &machine);
    println!(
        "mapped stand: {} plants full of {}, {:.1} % sprayed, start rms {:.2} largest {:.2} mm",
        report.targets.full,
        report.targets.total,
        report.sprayed_fraction * 100.0,
        report.start.rms * 1e3,
        report.start.max * 1e3
    );
    assert_eq!(report.targets.total, 126 * 20);
    assert_eq!(
        report.targets.full, report.targets.total,
        "{:?}",
        report.reasons
    );
    assert_eq!(report.verdict, Verdict::Holds, "{:?}", report.reasons);
}
