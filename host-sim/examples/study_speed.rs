//! How many runs a study makes in a second: 100 m, 48 nozzles, 0.2 plants/m², with and without the
//! grid of doses; whether two threads are worth two; and whether a large study keeps its memory and
//! its bytes.
//!
//! `cargo run --release -p host-sim --example study_speed [RUNS]`: one thread, two threads, and two
//! processes of one thread each that share nothing. What two processes do not get, no program gets
//! on this machine.
//!
//! `cargo run --release -p host-sim --example study_speed large [RUNS]` (10,000): memory, a study
//! killed half-way and gone on with, and the same bytes for one thread and two.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use host_sim::study::parts::PART;
use host_sim::study::plan::Plan;

const SCENARIO: &str = "scenario_format = 1\nname = \"speed\"\nseed = 1\nmachine = \"machine.toml\"\n[motion]\nstart_speed_m_s = 5.0\n[[motion.piece]]\nduration_s = 21.0\nacceleration_m_s2 = 0.0\n[field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n";
/// A grid of 10 mm.
const GRID: &str = "[dose]\nflow_l_min = 0.8\n";
/// Rounds of the comparison; its middle counts.
const ROUNDS: usize = 5;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = args.iter().map(String::as_str).collect();
    let number = |text: &str| text.parse().expect("a number of runs");
    match words[..] {
        ["run", study, out, threads] => run(study, Path::new(out), number(threads)),
        ["large"] => Place::new().large(10_000),
        ["large", runs] => Place::new().large(number(runs)),
        [] => Place::new().scaling(200),
        [runs] => Place::new().scaling(number(runs)),
        _ => panic!("give nothing, RUNS, or large [RUNS]"),
    }
}

/// One study in a process of its own: what it took, and the most memory, on standard output.
// A benchmark: the clock is what it is for.
#[allow(clippy::disallowed_methods)]
fn run(study: &str, out: &Path, threads: usize) {
    let plan = Plan::load(study).expect("a plan");
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
    let pool = pool.build().expect("threads");
    let (began, worked) = (Instant::now(), own_s());
    let made = pool.install(|| host_sim::study::run(&plan, out, (1, 1)));
    let (took, worked) = (began.elapsed().as_secs_f64(), own_s() - worked);
    let made = made.expect("it runs");
    println!("{took} {worked} {} {} {}", peak_kib(), made.made, made.kept);
}

/// What a process told.
#[derive(Clone, Copy)]
struct Told {
    took_s: f64,
    /// Processor time, all threads together.
    worked_s: f64,
    peak_kib: f64,
    made: f64,
    kept: f64,
}

/// A folder with the files.
struct Place(PathBuf);

impl Place {
    fn new() -> Self {
        let name = format!("study-speed-{}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&folder).expect("a folder");
        let machine = DEMO_MACHINE.replace("nozzles = 8", "nozzles = 48").replace(
            "view_left_m = 2.2\nview_right_m = 2.2",
            "view_left_m = 12.2\nview_right_m = 12.2",
        );
        Machine::parse("machine.toml", &machine).expect("a sound machine");
        let place = Self(folder);
        place.write("machine.toml", &machine);
        place.write("scenario.toml", SCENARIO);
        place
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.0.join(name), text).expect("written");
    }

    /// The file of a study of so many runs.
    fn study(&self, runs: usize, dose: &str) -> String {
        let name = format!("study-{runs}-{}.toml", dose.len());
        let head = "study_format = 1\nname = \"speed\"\nmachine = \"machine.toml\"\nscenario = \"scenario.toml\"";
        self.write(&name, &format!("{head}\nseeds = {runs}\n{dose}"));
        self.0.join(name).display().to_string()
    }

    fn spawn(&self, study: &str, out: &Path, threads: usize) -> Child {
        let threads = threads.to_string();
        Command::new(std::env::current_exe().expect("this program"))
            .args(["run", study, &out.display().to_string(), &threads])
            .stdout(Stdio::piped())
            .spawn()
            .expect("it starts")
    }

    /// A study into a folder of its own, `count` processes at once.
    fn fresh(&self, study: &str, threads: usize, count: usize) -> Vec<Told> {
        let outs: Vec<PathBuf> = (0..count).map(|i| self.0.join(format!("o{i}"))).collect();
        let all: Vec<Child> = outs.iter().map(|o| self.spawn(study, o, threads)).collect();
        let told = all.into_iter().map(told).collect();
        for out in outs {
            std::fs::remove_dir_all(out).expect("the folder goes away");
        }
        told
    }

    /// One thread, two threads with twice the runs, two processes.
    #[allow(clippy::disallowed_methods)]
    fn scaling(&self, runs: usize) {
        for (what, dose, runs) in [
            ("without grid", "", runs),
            ("with grid of 10 mm", GRID, runs.div_ceil(25)),
        ] {
            let (one, twice) = (self.study(runs, dose), self.study(2 * runs, dose));
            let mut all: [Vec<Told>; 3] = Default::default();
            let (began, busy) = (Instant::now(), busy_s());
            for _ in 0..ROUNDS {
                all[0].extend(self.fresh(&one, 1, 1));
                all[1].extend(self.fresh(&twice, 2, 1));
                let pair = self.fresh(&one, 1, 2);
                let mean = |of: fn(&Told) -> f64| 0.5 * (of(&pair[0]) + of(&pair[1]));
                all[2].push(Told {
                    took_s: mean(|t| t.took_s),
                    worked_s: 2.0 * mean(|t| t.worked_s),
                    ..pair[0]
                });
            }
            let times = |other: &[Told]| {
                middle(
                    all[0]
                        .iter()
                        .zip(other)
                        .map(|(a, b)| 2.0 * a.took_s / b.took_s),
                )
            };
            let run_ms = |of: &[Told], runs: usize| {
                middle(of.iter().map(|t| 1e3 * t.worked_s / runs as f64))
            };
            println!(
                "{what}: {:.1} runs a second on one thread, {:.1} on two; peak memory {:.0} and {:.0} MiB",
                middle(all[0].iter().map(|t| runs as f64 / t.took_s)),
                middle(all[1].iter().map(|t| 2.0 * runs as f64 / t.took_s)),
                most(all[0].iter().map(|t| t.peak_kib)) / 1024.0,
                most(all[1].iter().map(|t| t.peak_kib)) / 1024.0
            );
            println!(
                "{what}: two threads are {:.2} times as fast as one; two processes: {:.2}, so the program loses {:.0} %",
                times(&all[1]),
                times(&all[2]),
                100.0 * (1.0 - times(&all[1]) / times(&all[2]))
            );
            println!(
                "{what}: processor time of a run {:.2} ms alone, {:.2} beside another thread, {:.2} beside another process",
                run_ms(&all[0], runs),
                run_ms(&all[1], 2 * runs),
                run_ms(&all[2], 2 * runs)
            );
            let ours: f64 = all.iter().flatten().map(|t| t.worked_s).sum();
            let cores = std::thread::available_parallelism().map_or(1, usize::from);
            let others = (busy_s() - busy - ours) / (began.elapsed().as_secs_f64() * cores as f64);
            println!(
                "{what}: other programs had {:.0} % of the {cores} processors meanwhile{}",
                100.0 * others.max(0.0),
                if others > 0.1 {
                    ": a busy computer, so look at the ratio"
                } else {
                    ""
                }
            );
        }
        self.away();
    }

    /// Memory at a tenth and at all of it, a study killed and gone on with, equal bytes.
    fn large(&self, runs: usize) {
        for (what, dose, runs) in [
            ("without grid", "", runs),
            ("with grid of 10 mm", GRID, runs.div_ceil(100)),
        ] {
            for few in [runs.div_ceil(10), runs] {
                let study = self.study(few, dose);
                let told = self.fresh(&study, 2, 1)[0];
                println!(
                    "{what}: {few} runs on 2 threads, {:.1} a second, peak memory {:.1} MiB",
                    few as f64 / told.took_s,
                    told.peak_kib / 1024.0
                );
            }
            let study = self.study(runs, dose);
            let (whole, cut) = (self.0.join("whole"), self.0.join("cut"));
            let one = told(self.spawn(&study, &whole, 1));
            println!(
                "{what}: {runs} runs on 1 thread, {:.1} a second, peak memory {:.1} MiB",
                runs as f64 / one.took_s,
                one.peak_kib / 1024.0
            );
            let parts = (runs as u64).div_ceil(PART);
            if parts > 1 {
                let mut child = self.spawn(&study, &cut, 2);
                let there = |out: &Path| {
                    let names = files(out).into_iter();
                    names.filter(|f| f.0.ends_with(".parquet")).count() as u64
                };
                while there(&cut) < parts / 2 && child.try_wait().expect("asked").is_none() {
                    std::thread::sleep(Duration::from_millis(5));
                }
                child.kill().expect("it was running");
                child.wait().expect("it ended");
            }
            let went_on = told(self.spawn(&study, &cut, 2));
            println!(
                "{what}: killed with {} of {parts} parts whole, {} made when it was run again",
                went_on.kept, went_on.made
            );
            let same = files(&whole) == files(&cut);
            println!(
                "{what}: one thread, and two with the interruption: {} files, {}",
                files(&whole).len(),
                if same { "the same bytes" } else { "DIFFERENT" }
            );
            assert!(same, "the bytes differ");
            for out in [whole, cut] {
                std::fs::remove_dir_all(out).expect("the folder goes away");
            }
        }
        self.away();
    }

    fn away(&self) {
        std::fs::remove_dir_all(&self.0).expect("the folder goes away");
    }
}

/// What a process says once it is done.
fn told(child: Child) -> Told {
    let out = child.wait_with_output().expect("it ends");
    let text = String::from_utf8(out.stdout).expect("text");
    let all: Vec<f64> = text.split_whitespace().flat_map(str::parse).collect();
    let [took_s, worked_s, peak_kib, made, kept] = all[..] else {
        panic!("the process failed: {text}");
    };
    Told {
        took_s,
        worked_s,
        peak_kib,
        made,
        kept,
    }
}

/// Every whole file of a folder.
fn files(out: &Path) -> Vec<(String, Vec<u8>)> {
    let Ok(entries) = std::fs::read_dir(out) else {
        return Vec::new();
    };
    let mut all: Vec<(String, Vec<u8>)> = entries
        .flatten()
        .map(|e| (e.file_name().to_string_lossy().into_owned(), e.path()))
        .filter(|(name, _)| !name.contains(".half"))
        .filter_map(|(name, path)| Some((name, std::fs::read(path).ok()?)))
        .collect();
    all.sort();
    all
}

fn middle(all: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = all.collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

fn most(all: impl Iterator<Item = f64>) -> f64 {
    all.fold(0.0, f64::max)
}

/// Ticks of the kernel's counts of time.
const TICKS_S: f64 = 100.0;

/// Processor time of this process, where the system tells.
fn own_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name may hold blanks; behind its bracket user time is the 12th field, system time the 13th.
    let fields = text
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace();
    let both = fields.skip(11).take(2).flat_map(str::parse::<f64>);
    both.sum::<f64>() / TICKS_S
}

/// Processor time of all programs: all but idle and waiting for disks.
fn busy_s() -> f64 {
    let text = std::fs::read_to_string("/proc/stat").unwrap_or_default();
    let first = text.lines().next().unwrap_or_default().split_whitespace();
    let all: Vec<f64> = first.skip(1).take(8).flat_map(str::parse).collect();
    let busy = all.iter().enumerate().filter(|(i, _)| !matches!(i, 3 | 4));
    busy.map(|(_, ticks)| ticks).sum::<f64>() / TICKS_S
}

/// The most memory that this process held.
fn peak_kib() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with("VmHWM"));
    let number = line.and_then(|l| l.split_whitespace().nth(1));
    number.and_then(|n| n.parse().ok()).unwrap_or(0.0)
}
