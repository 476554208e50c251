//! How many runs a study makes in a second: 100 m, 48 nozzles, 0.2 plants/m², with and without the
//! grid of doses, on one thread and on two.
//!
//! `cargo run --release -p host-sim --example study_speed [RUNS]`; a large
//! study is 10,000 runs. Memory is the peak of this process.

use std::time::Instant;

use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::study::plan::Plan;

const SCENARIO: &str = "scenario_format = 1\nname = \"speed\"\nseed = 1\nmachine = \"machine.toml\"\n[motion]\nstart_speed_m_s = 5.0\n[[motion.piece]]\nduration_s = 21.0\nacceleration_m_s2 = 0.0\n[field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n";

// A benchmark: the clock is what it is for.
#[allow(clippy::disallowed_methods)]
fn main() {
    let runs: u32 = std::env::args()
        .nth(1)
        .map_or(200, |n| n.parse().expect("a number of runs"));
    let folder = std::env::temp_dir().join(format!("study-speed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(folder.join(name), text).expect("written");
    let machine = DEMO_MACHINE.replace("nozzles = 8", "nozzles = 48").replace(
        "view_left_m = 2.2\nview_right_m = 2.2",
        "view_left_m = 12.2\nview_right_m = 12.2",
    );
    Machine::parse("machine.toml", &machine).expect("a sound machine");
    write("machine.toml", &machine);
    write("scenario.toml", SCENARIO);
    for (what, dose, runs) in [
        ("without grid", "", runs),
        (
            "with grid of 10 mm",
            "[dose]\nflow_l_min = 0.8\n",
            runs.div_ceil(4),
        ),
    ] {
        let study = format!(
            "study_format = 1\nname = \"speed\"\nmachine = \"machine.toml\"\nscenario = \"scenario.toml\"\nseeds = {runs}\n{dose}"
        );
        write("study.toml", &study);
        let plan = Plan::load(&folder.join("study.toml").display().to_string()).expect("a plan");
        let mut took = [0.0; 2];
        for threads in [1, 2] {
            let out = folder.join(format!("out-{threads}-{}", dose.len()));
            let pool = rayon_pool(threads);
            let began = Instant::now();
            pool.install(|| host_sim::study::run(&plan, &out, (1, 1)).map(drop))
                .expect("it runs");
            took[threads - 1] = began.elapsed().as_secs_f64();
            println!(
                "{what}, {threads} threads: {runs} runs in {:.1} s, {:.1} runs a second and core",
                took[threads - 1],
                f64::from(runs) / took[threads - 1] / threads as f64
            );
        }
        println!(
            "{what}: two threads are {:.2} times as fast",
            took[0] / took[1]
        );
    }
    if let Ok(status) = std::fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find(|l| l.starts_with("VmHWM"));
        println!("peak memory: {}", peak.unwrap_or("not told"));
    }
    std::fs::remove_dir_all(&folder).expect("the folder goes away");
}

fn rayon_pool(threads: usize) -> rayon::ThreadPool {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .expect("threads")
}
