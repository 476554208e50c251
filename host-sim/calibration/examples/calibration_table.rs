//! How well figures are found from synthetic captures and drives whose truth is known.
//!
//! `cargo run --release -p calibration --example calibration_table`

use calibration::capture::Watch;
use calibration::valves::{Pair, Setup, measure};
use calibration::wheel::slots::{find, offsets};
use calibration::wheel::{Run, Train, pulses_per_m};
use ground_truth::WheelSpec;
use ground_truth::bench_capture::{Answer, BenchRun};
use ground_truth::taped::TapedDrive;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Outcome<()> {
    valves()?;
    slots();
    length()?;
    Ok(())
}

fn valves() -> Outcome<()> {
    const SEEDS: u64 = 25;
    println!(
        "valve delays: 4 nozzles, 1000 openings each, spread 0.2 to 0.8 ms, {SEEDS} seeded captures a row, 200 figures"
    );
    println!(
        "sampled at, Hz  5 % outliers, bounce, 2 % missing  worst mean off, ms  worst spread off  means within their interval"
    );
    for sample_hz in [1e4, 2.5e4, 1e5, 1e6] {
        for dirty in [false, true] {
            let (mut worst, mut worst_spread) = (0.0f64, 0.0f64);
            let (mut held, mut all) = (0, 0);
            for seed in 0..SEEDS {
                let answers: Vec<Answer> = (0..4u64)
                    .map(|k| {
                        let x = (seed * 4 + k) as f64;
                        let (open, close) = (
                            0.006 + 0.0213 * (x * 0.37).fract(),
                            0.005 + 0.0307 * (x * 0.61).fract(),
                        );
                        Answer::plain(open, close, 0.2e-3 + 0.6e-3 * (x * 0.23).fract())
                    })
                    .collect();
                let run = BenchRun {
                    answers: answers.clone(),
                    openings: 1000,
                    on_s: 0.06,
                    pause_s: 0.06,
                    sample_hz,
                    outliers: if dirty { 0.05 } else { 0.0 },
                    missing: if dirty { 0.02 } else { 0.0 },
                    bounces: if dirty { 3 } else { 0 },
                    supply_falls_v: 0.0,
                    seed,
                };
                let mut dump = Vec::new();
                run.write_vcd(&run.fire(), &mut dump)?;
                let pair = |nozzle: u16| -> Outcome<Pair> {
                    Ok(Pair {
                        nozzle,
                        command: Some(Watch::parse(&format!("command_{nozzle}"))?),
                        sense: Watch::parse(&format!("sense_{nozzle}"))?,
                    })
                };
                let setup = Setup {
                    pairs: (0..4).map(pair).collect::<Outcome<Vec<Pair>>>()?,
                    supply: None,
                    debounce_s: 2e-3,
                    longest_s: 0.25,
                    lag_s: 0.0,
                    slow_s: 1.0,
                };
                let found = measure(&dump[..], &setup, &[])?;
                for (nozzle, answer) in found.nozzles.iter().zip(&answers) {
                    for (side, truth) in [
                        (&nozzle.open, answer.open_s),
                        (&nozzle.close, answer.close_s),
                    ] {
                        let (Some(delay), Some(spread)) = (side.delay, side.spread) else {
                            return Err("a side without a figure".into());
                        };
                        worst = worst.max((delay.value - 1e3 * truth).abs());
                        worst_spread =
                            worst_spread.max((spread.value / (1e3 * answer.spread_s) - 1.0).abs());
                        held += u32::from(delay.holds(1e3 * truth));
                        all += 1;
                    }
                }
            }
            println!(
                "{sample_hz:>14}  {:<33}  {worst:>18.3}  {:>15.1}%  {:>10.1} %",
                if dirty { "yes" } else { "no" },
                100.0 * worst_spread,
                100.0 * f64::from(held) / f64::from(all)
            );
        }
    }
    Ok(())
}

fn drive(wheel: u64, unevenness: f64, stray: f64, distance_m: f64) -> TapedDrive {
    TapedDrive {
        wheel: WheelSpec {
            pulse_length_m: 0.02 + 0.03 * ((wheel * 7) % 5) as f64,
            slots: 3 + (wheel * 37 % 98) as u32,
            unevenness,
            stamp_jitter_s: 10e-6,
            seed: wheel,
        },
        scale: 1.0,
        distance_m,
        speed_m_s: 1.0 + (wheel % 4) as f64,
        wander: 0.1,
        stray,
        seed: wheel + 77,
    }
}

fn slots() {
    const RUNS: u64 = 1000;
    println!(
        "\nslots a turn: {RUNS} wheels a row with 3 to 100 slots, 0.02 to 0.14 m a pulse, 1 to 4 m/s ± 10 %, stamps ± 10 µs, one drive each of 400 m"
    );
    println!(
        "unevenness  stray  found and right  found and wrong  not found  offsets off, RMS of the middle and of the worst of 20 wheels, share of a pulse"
    );
    for (unevenness, stray) in [
        (0.003, 0.0),
        (0.003, 0.003),
        (0.01, 0.003),
        (0.03, 0.0),
        (0.0, 0.003),
    ] {
        let (mut right, mut wrong, mut none) = (0, 0, 0);
        let mut all_off = Vec::new();
        for wheel in 0..RUNS {
            let drive = drive(wheel, unevenness, stray, 400.0);
            let train = Train::of(&drive.pulses());
            match find(std::slice::from_ref(&train)) {
                Some(found) if found.a_turn == drive.wheel.slots as usize => right += 1,
                Some(_) => wrong += 1,
                None => none += 1,
            }
            if let (Some(found), Ok(true_wheel)) = (
                offsets(&train, drive.wheel.slots as usize),
                ground_truth::Wheel::new(drive.wheel),
            ) {
                let n = u64::from(drive.wheel.slots);
                let truth: Vec<f64> = (n..2 * n)
                    .map(|k| true_wheel.pulse_at(k) / drive.wheel.pulse_length_m - k as f64)
                    .collect();
                let off = |turn: usize| -> f64 {
                    let each = found.shares.iter().enumerate();
                    each.map(|(k, s)| (s - truth[(k + turn) % truth.len()]).powi(2))
                        .sum()
                };
                let squares = (0..truth.len()).map(off).fold(f64::MAX, f64::min);
                all_off.push((squares / truth.len() as f64).sqrt());
            }
        }
        all_off.sort_by(f64::total_cmp);
        let at = |share: f64| {
            all_off
                .get((share * all_off.len() as f64) as usize)
                .copied()
                .unwrap_or(f64::NAN)
        };
        println!(
            "{:>9.1}%  {:>4.1}%  {:>14.1}%  {:>14.1}%  {:>8.1}%  {:>8.4} {:>8.4}",
            100.0 * unevenness,
            100.0 * stray,
            100.0 * f64::from(right) / RUNS as f64,
            100.0 * f64::from(wrong) / RUNS as f64,
            100.0 * f64::from(none) / RUNS as f64,
            at(0.5),
            at(0.95)
        );
    }
}

fn length() -> Outcome<()> {
    const WHEELS: u64 = 500;
    println!("\npulses a metre: {WHEELS} wheels with 4 runs of 100 m each, tape ± 2 cm");
    let (mut held, mut worst, mut width) = (0, 0.0f64, 0.0);
    for wheel in 0..WHEELS {
        let tape = 0.01 * (2.0 * (wheel as f64 * 0.618).fract() - 1.0) * 1.7;
        let mut runs = Vec::new();
        for k in 0..4 {
            let d = TapedDrive {
                seed: wheel * 9 + k,
                ..drive(wheel, 0.01, 0.0, 100.0 + tape)
            };
            runs.push(Run {
                times: d.pulses(),
                distance_m: 100.0,
            });
        }
        let truth = 1.0 / drive(wheel, 0.0, 0.0, 1.0).wheel.pulse_length_m;
        let found = pulses_per_m(&runs, 0.02)?;
        held += u32::from(found.holds(truth));
        worst = worst.max((found.value / truth - 1.0).abs());
        width += found.half_width / truth / WHEELS as f64;
    }
    println!(
        "within the interval {:.1} %, worst off {:.3} %, mean half width {:.3} %",
        100.0 * f64::from(held) / WHEELS as f64,
        100.0 * worst,
        100.0 * width
    );
    Ok(())
}
