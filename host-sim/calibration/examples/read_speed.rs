//! How fast captures are read: MB/s from the page cache, and the memory that it takes.
//!
//! `cargo run --release -p calibration --example read_speed [DUMP.vcd]`; without a file one of
//! about 200 MB is made in the temporary folder and removed again.
#![allow(
    clippy::disallowed_methods,
    reason = "a speed is measured by the clock on the wall"
)]

use std::fs::File;
use std::io::{BufReader, BufWriter, Write};
use std::time::Instant;

use calibration::capture::{Extent, Taker, Watch, read};
use calibration::valves::{Pair, Setup, measure};
use ground_truth::bench_capture::{Answer, BenchRun};

struct Count(u64);

impl Taker for Count {
    fn begin(&mut self, _tick_s: f64) {}
    fn level(&mut self, _at: i64, _watch: usize, _on: bool, _at_start: bool) {
        self.0 += 1;
    }
    fn number(&mut self, _at: i64, _watch: usize, _value: f64) {}
}

/// Most memory so far, MiB.
fn memory() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status
        .lines()
        .find(|l| l.starts_with("VmHWM"))
        .unwrap_or("");
    let kib = line
        .split_whitespace()
        .nth(1)
        .and_then(|n| n.parse::<f64>().ok());
    kib.unwrap_or(f64::NAN) / 1024.0
}

/// Time of this process on a processor, s; other programs' load doesn't count in it.
fn busy() -> f64 {
    let text = std::fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
    let ns = text
        .split_whitespace()
        .next()
        .and_then(|n| n.parse::<f64>().ok());
    ns.unwrap_or(f64::NAN) * 1e-9
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let nozzles = 16;
    let given = std::env::args().nth(1);
    let made = std::env::temp_dir().join(format!("read-speed-{}.vcd", std::process::id()));
    let path = match &given {
        Some(path) => path.into(),
        None => {
            // Made by another process, so that this one's memory is that of reading.
            let me = std::env::current_exe()?;
            if std::env::var_os("MAKE_DUMP").is_none() {
                let status = std::process::Command::new(me)
                    .env("MAKE_DUMP", &made)
                    .status()?;
                if !status.success() {
                    return Err("the dump could not be made".into());
                }
            }
            made.clone()
        }
    };
    if let Some(to) = std::env::var_os("MAKE_DUMP") {
        let run = BenchRun {
            answers: vec![Answer::plain(0.02, 0.015, 5e-4); nozzles],
            openings: 100_000,
            on_s: 0.06,
            pause_s: 0.06,
            sample_hz: 1e6,
            outliers: 0.01,
            missing: 0.001,
            bounces: 1,
            supply_falls_v: 0.0,
            seed: 5,
        };
        let mut file = BufWriter::new(File::create(to)?);
        run.write_vcd(&run.fire(), &mut file)?;
        return Ok(file.flush()?);
    }
    let size = std::fs::metadata(&path)?.len() as f64 / 1e6;
    let watch = |text: String| Watch::parse(&text);
    let mut watches = Vec::new();
    let mut pairs = Vec::new();
    for n in 0..nozzles {
        let (command, sense) = (watch(format!("command_{n}"))?, watch(format!("sense_{n}"))?);
        watches.extend([command.clone(), sense.clone()]);
        pairs.push(Pair {
            nozzle: n as u16,
            command: Some(command),
            sense,
        });
    }
    let setup = Setup {
        pairs,
        supply: None,
        debounce_s: 2e-3,
        longest_s: 0.25,
        lag_s: 0.0,
        slow_s: 5e-3,
    };
    println!("{size:.0} MB, memory {:.1} MiB before", memory());
    for round in 0..3 {
        let mut count = Count(0);
        let (begun, start) = (busy(), Instant::now());
        let extent: Extent = read(
            BufReader::with_capacity(1 << 18, File::open(&path)?),
            &watches,
            &mut count,
        )?;
        let (read_s, read_wall_s) = (busy() - begun, start.elapsed().as_secs_f64());
        let (begun, start) = (busy(), Instant::now());
        let found = measure(
            BufReader::with_capacity(1 << 18, File::open(&path)?),
            &setup,
            &[],
        )?;
        let (both_s, both_wall_s) = (busy() - begun, start.elapsed().as_secs_f64());
        println!(
            "round {round}: read alone {:.0} MB/s ({:.1} M changes/s; {:.0} by the clock), read and measured {:.0} MB/s ({:.0} by the clock), {} openings, memory {:.1} MiB",
            size / read_s,
            extent.changes as f64 / read_s / 1e6,
            size / read_wall_s,
            size / both_s,
            size / both_wall_s,
            found.nozzles.iter().map(|n| n.opens).sum::<u64>(),
            memory()
        );
    }
    if given.is_none() {
        std::fs::remove_file(&path)?;
    }
    Ok(())
}
