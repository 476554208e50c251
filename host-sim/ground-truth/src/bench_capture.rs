//! What a logic analyser sees of valves fired at the bench, with the truth beside it.
//!
//! Each nozzle is opened and closed again and again with irregular gaps. The sense follows the
//! command by a normal delay; some delays are far off, some answers are missing, contacts bounce,
//! and all is held until the analyser's next sample. Written as a value change dump (IEEE 1364) or
//! a table.

use std::io::{self, Write};

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

/// How a nozzle answers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Answer {
    /// Mean from the command to open to the sense, s.
    pub open_s: f64,
    /// Mean from the command to close to the sense, s.
    pub close_s: f64,
    /// One standard deviation of both, s.
    pub spread_s: f64,
    /// Added to both over the whole run, linear, s.
    pub drift_s: f64,
    /// Added to both a volt of supply below 12 V, s/V.
    pub per_volt_s: f64,
    /// Never answers, from this opening on.
    pub dead_from: Option<usize>,
    /// Opens again within these openings.
    pub twice: [Option<usize>; 3],
}

impl Answer {
    /// One that only has delays and a spread.
    pub fn plain(open_s: f64, close_s: f64, spread_s: f64) -> Answer {
        Answer {
            open_s,
            close_s,
            spread_s,
            drift_s: 0.0,
            per_volt_s: 0.0,
            dead_from: None,
            twice: [None; 3],
        }
    }
}

/// A run at the bench.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchRun {
    /// The nozzles.
    pub answers: Vec<Answer>,
    /// Openings of each nozzle.
    pub openings: usize,
    /// Time a valve is commanded on, s.
    pub on_s: f64,
    /// Shortest pause; up to as much again is added at random, s.
    pub pause_s: f64,
    /// Samples a second of the analyser.
    pub sample_hz: f64,
    /// Share of delays that are off by 5 to 30 ms more.
    pub outliers: f64,
    /// Share of answers that are not in the capture.
    pub missing: f64,
    /// Bounces of every sense edge, each within 1 ms of it.
    pub bounces: usize,
    /// Supply falls linearly from 12 V by this over the run, V; 0: not recorded.
    pub supply_falls_v: f64,
    /// Equal seeds give equal runs.
    pub seed: u64,
}

/// What a run really was.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchTruth {
    /// All changes in order: sample, wire (2·nozzle its command, 2·nozzle + 1 its sense), level.
    pub changes: Vec<(u64, u32, bool)>,
    /// Exact times of the commands of each nozzle, s, and whether to open.
    pub commands: Vec<Vec<(f64, bool)>>,
    /// Delays that were drawn far off.
    pub outliers: usize,
    /// Answers left out.
    pub missing: usize,
    /// Length, s.
    pub length_s: f64,
}

impl BenchRun {
    /// Fires.
    pub fn fire(&self) -> BenchTruth {
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed);
        let length_s = 0.05 + self.openings as f64 * (self.on_s + 1.5 * self.pause_s);
        let mut truth = BenchTruth {
            changes: Vec::new(),
            commands: Vec::new(),
            outliers: 0,
            missing: 0,
            length_s,
        };
        for nozzle in 0..self.answers.len() {
            self.nozzle(nozzle, &mut rng, &mut truth);
        }
        truth.changes.sort_by_key(|c| c.0);
        truth
    }

    fn nozzle(&self, nozzle: usize, rng: &mut Pcg64Mcg, truth: &mut BenchTruth) {
        let answer = self.answers[nozzle];
        let normal = Normal::new(0.0, answer.spread_s.max(1e-12)).expect("a finite spread");
        let (command, sense) = (2 * nozzle as u32, 2 * nozzle as u32 + 1);
        let sample = |s: f64| (s * self.sample_hz).ceil() as u64;
        let mut commands = Vec::new();
        let mut at = 0.02 + 0.01 * rng.random::<f64>();
        for opening in 0..self.openings {
            let missing = rng.random::<f64>() < self.missing
                || answer.dead_from.is_some_and(|from| opening >= from);
            truth.missing += usize::from(missing);
            let mut last = 0.0;
            for (open, time, mean) in [
                (true, at, answer.open_s),
                (false, at + self.on_s, answer.close_s),
            ] {
                commands.push((time, open));
                truth.changes.push((sample(time), command, open));
                let gone = time / truth.length_s;
                let mut delay = mean
                    + normal.sample(rng)
                    + answer.drift_s * gone
                    + answer.per_volt_s * self.supply_falls_v * gone;
                if rng.random::<f64>() < self.outliers {
                    truth.outliers += 1;
                    delay += 0.005 + 0.025 * rng.random::<f64>();
                }
                if missing {
                    continue;
                }
                let edge = (time + delay.max(0.0)).max(last);
                last = edge + 2e-3;
                truth.changes.push((sample(edge), sense, open));
                for bounce in 0..self.bounces {
                    let step = 1e-3 / self.bounces as f64;
                    let off = edge + step * (bounce as f64 + 0.3);
                    truth.changes.push((sample(off), sense, !open));
                    truth.changes.push((sample(off + 0.4 * step), sense, open));
                }
                if open && answer.twice.contains(&Some(opening)) {
                    truth.changes.push((sample(edge + 0.006), sense, false));
                    truth.changes.push((sample(edge + 0.012), sense, true));
                }
            }
            at += self.on_s + self.pause_s * (1.0 + rng.random::<f64>());
        }
        truth.commands.push(commands);
    }

    /// Writes a run as a value change dump with channels `command_N` and `sense_N`, and `supply`.
    ///
    /// # Errors
    /// What `to` says.
    pub fn write_vcd(&self, truth: &BenchTruth, to: &mut impl Write) -> io::Result<()> {
        let ns = 1e9 / self.sample_hz;
        writeln!(to, "$timescale 1 ns $end\n$scope module bench $end")?;
        for nozzle in 0..self.answers.len() as u32 {
            writeln!(to, "$var wire 1 {} command_{nozzle} $end", id(2 * nozzle))?;
            writeln!(to, "$var wire 1 {} sense_{nozzle} $end", id(2 * nozzle + 1))?;
        }
        let supply = id(2 * self.answers.len() as u32);
        if self.supply_falls_v != 0.0 {
            writeln!(to, "$var real 64 {supply} supply $end")?;
        }
        writeln!(to, "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars")?;
        for wire in 0..2 * self.answers.len() as u32 {
            writeln!(to, "0{}", id(wire))?;
        }
        if self.supply_falls_v != 0.0 {
            writeln!(to, "r12 {supply}")?;
        }
        writeln!(to, "$end")?;
        let (mut now, mut told) = (0, 0u64);
        for &(sample, wire, level) in &truth.changes {
            if sample != now {
                now = sample;
                writeln!(to, "#{}", (sample as f64 * ns).round() as u64)?;
                let tenth = (sample as f64 / self.sample_hz * 10.0) as u64;
                if self.supply_falls_v != 0.0 && tenth != told {
                    told = tenth;
                    writeln!(to, "r{:.3} {supply}", self.supply_v(sample, truth))?;
                }
            }
            writeln!(to, "{}{}", u8::from(level), id(wire))?;
        }
        writeln!(
            to,
            "#{}",
            (truth.length_s.max(now as f64 / self.sample_hz) * 1e9).round() as u64 + 1_000_000_000
        )
    }

    /// Writes a run as a table with a row a change.
    ///
    /// # Errors
    /// What `to` says.
    pub fn write_csv(&self, truth: &BenchTruth, to: &mut impl Write) -> io::Result<()> {
        write!(to, "time_s")?;
        for nozzle in 0..self.answers.len() {
            write!(to, ",command_{nozzle},sense_{nozzle}")?;
        }
        writeln!(to, ",supply")?;
        let mut levels = vec![0; 2 * self.answers.len()];
        let mut row = |sample: u64, levels: &[u8]| {
            write!(to, "{:.9}", sample as f64 / self.sample_hz)?;
            for level in levels {
                write!(to, ",{level}")?;
            }
            writeln!(to, ",{:.3}", self.supply_v(sample, truth))
        };
        row(0, &levels)?;
        let mut changes = truth.changes.iter().peekable();
        while let Some(&(sample, wire, level)) = changes.next() {
            levels[wire as usize] = u8::from(level);
            if changes.peek().is_none_or(|c| c.0 != sample) {
                row(sample, &levels)?;
            }
        }
        row((self.sample_hz * (truth.length_s + 1.0)) as u64, &levels)
    }

    fn supply_v(&self, sample: u64, truth: &BenchTruth) -> f64 {
        12.0 - self.supply_falls_v * sample as f64 / self.sample_hz / truth.length_s
    }
}

/// The identifier of a wire in a dump: printable signs, the lowest first.
fn id(mut wire: u32) -> String {
    let mut out = String::new();
    loop {
        out.push(char::from(b'!' + (wire % 94) as u8));
        wire /= 94;
        if wire == 0 {
            return out;
        }
        wire -= 1;
    }
}
