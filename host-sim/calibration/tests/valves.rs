//! Valve delays from synthetic captures whose truth is known.

use calibration::capture::Watch;
use calibration::valves::{Kind, Measured, Pair, Setup, measure};
use ground_truth::bench_capture::{Answer, BenchRun};

fn setup(nozzles: u16) -> Setup {
    let watch = |text: String| Watch::parse(&text).expect("a channel");
    Setup {
        pairs: (0..nozzles)
            .map(|nozzle| Pair {
                nozzle,
                command: Some(watch(format!("command_{nozzle}"))),
                sense: watch(format!("sense_{nozzle}")),
            })
            .collect(),
        supply: None,
        debounce_s: 2e-3,
        longest_s: 0.25,
        lag_s: 0.0,
        slow_s: 5e-3,
    }
}

fn run(answers: &[Answer]) -> BenchRun {
    BenchRun {
        answers: answers.to_vec(),
        openings: 400,
        on_s: 0.06,
        pause_s: 0.06,
        sample_hz: 1e5,
        outliers: 0.0,
        missing: 0.0,
        bounces: 0,
        supply_falls_v: 0.0,
        seed: 1,
    }
}

fn measured(run: &BenchRun, setup: &Setup) -> Measured {
    let mut dump = Vec::new();
    run.write_vcd(&run.fire(), &mut dump)
        .expect("a vector takes all");
    measure(&dump[..], setup, &[]).expect("a sound capture")
}

/// Mean within 0.1 ms or one sample, spread within 10 %, over sampling rates, bounce, missing
/// answers and 5 % outliers.
#[test]
fn delays_and_spread_are_those_of_the_truth() {
    let answers = [
        Answer::plain(0.020, 0.015, 0.5e-3),
        Answer::plain(0.0082, 0.031, 1.2e-3),
    ];
    for (k, sample_hz) in [1e4, 5e4, 1e5, 1e6].into_iter().enumerate() {
        for (outliers, missing, bounces) in [(0.0, 0.0, 0), (0.05, 0.0, 3), (0.05, 0.04, 4)] {
            let run = BenchRun {
                sample_hz,
                outliers,
                missing,
                bounces,
                seed: 40 + k as u64,
                openings: 800,
                ..run(&answers)
            };
            let found = measured(&run, &setup(2));
            let least = (1.0 / sample_hz).max(0.1e-3) * 1e3;
            for (nozzle, answer) in found.nozzles.iter().zip(&answers) {
                for (side, truth) in [
                    (&nozzle.open, answer.open_s),
                    (&nozzle.close, answer.close_s),
                ] {
                    let (delay, spread) = (side.delay.expect("told"), side.spread.expect("told"));
                    assert!(
                        (delay.value - 1e3 * truth).abs() < least,
                        "{sample_hz} Hz: {delay} for {truth}"
                    );
                    let off = spread.value / (1e3 * answer.spread_s) - 1.0;
                    assert!(
                        off.abs() < 0.1,
                        "{sample_hz} Hz, outliers {outliers}: {spread} for {}",
                        answer.spread_s
                    );
                    assert!(delay.half_width < 0.2, "{delay}");
                    let share = side.outliers as f64 / 800.0;
                    assert!(
                        (share - outliers).abs() < 0.02,
                        "{share} outliers for {outliers}"
                    );
                }
                assert_eq!(nozzle.twice + nozzle.unasked + nozzle.missed_closes, 0);
            }
            let missed: u64 = found.nozzles.iter().map(|n| n.missed_opens).sum();
            assert_eq!(missed, run.fire().missing as u64);
            assert!(
                (found.step_s - 1.0 / sample_hz).abs() < 1e-12,
                "{}",
                found.step_s
            );
        }
    }
}

/// Below a sampling step the steps themselves are most of what spreads: they are taken out.
#[test]
fn a_spread_below_the_sampling_step_is_told() {
    let run = BenchRun {
        sample_hz: 1e4,
        openings: 4000,
        ..run(&[Answer::plain(0.0203, 0.0151, 0.06e-3)])
    };
    let side = &measured(&run, &setup(1)).nozzles[0].open;
    let (delay, spread) = (side.delay.expect("told"), side.spread.expect("told"));
    assert!((spread.value / 0.06 - 1.0).abs() < 0.1, "{spread}");
    assert!((delay.value - 20.3).abs() < 0.01, "{delay}");
    assert_eq!(side.outliers, 0);
}

#[test]
fn a_table_says_the_same_as_a_dump() {
    let run = BenchRun {
        bounces: 2,
        outliers: 0.05,
        ..run(&[Answer::plain(0.02, 0.015, 5e-4); 3])
    };
    let truth = run.fire();
    let mut table = Vec::new();
    run.write_csv(&truth, &mut table)
        .expect("a vector takes all");
    let from_table = measure(&table[..], &setup(3), &[]).expect("sound");
    let from_dump = measured(&run, &setup(3));
    for (a, b) in from_table.nozzles.iter().zip(&from_dump.nozzles) {
        let off = a.open.delay.expect("told").value - b.open.delay.expect("told").value;
        assert!(off.abs() < 1e-9, "{off}");
        assert_eq!(
            (a.opens, a.open.outliers, a.spikes),
            (b.opens, b.open.outliers, b.spikes)
        );
    }
}

#[test]
fn each_fault_is_named_with_its_nozzle_and_time() {
    let good = Answer::plain(0.02, 0.015, 3e-4);
    let answers = [
        good,
        Answer {
            open_s: 0.029,
            ..good
        },
        Answer {
            dead_from: Some(0),
            ..good
        },
        Answer {
            dead_from: Some(390),
            ..good
        },
        Answer {
            twice: [Some(7), Some(50), None],
            ..good
        },
        good,
    ];
    let found = measured(&run(&answers), &setup(6));
    let of = |nozzle: u16| -> Vec<Kind> {
        found
            .faults
            .iter()
            .filter(|f| f.nozzle == nozzle)
            .map(|f| f.kind)
            .collect()
    };
    assert!(of(0).is_empty() && of(5).is_empty(), "{:?}", found.faults);
    assert_eq!(of(1), [Kind::Slow]);
    assert_eq!(of(2), [Kind::StuckShut]);
    assert_eq!(of(3), [Kind::Misses]);
    assert_eq!(of(4), [Kind::Twice]);
    assert_eq!(found.nozzles[3].missed_opens, 10);
    assert_eq!(found.nozzles[4].twice, 2);
    let (kind, at) = found.nozzles[4].times[0];
    let wanted = run(&answers).fire().commands[4][14].0;
    assert!(
        kind == Kind::Twice && (at - wanted - 0.032).abs() < 0.002,
        "{at} for {wanted}"
    );
}

#[test]
fn a_valve_that_stays_open_is_named() {
    let mut dump = String::from(
        "$timescale 1 ms $end $var wire 1 ! c $end $var wire 1 \" s $end $enddefinitions $end\n#0 0! 0\"\n",
    );
    for k in 0..6u32 {
        let at = 1000 * k + 100;
        dump += &format!("#{at} 1!\n");
        // From the fourth on it opens, and closes only with the fifth's end.
        if k != 4 {
            dump += &format!("#{} 1\"\n", at + 20);
        }
        dump += &format!("#{} 0!\n", at + 60);
        if k != 3 {
            dump += &format!("#{} 0\"\n", at + 75);
        }
    }
    dump += "#7000\n";
    let mut setup = setup(1);
    setup.pairs[0].command = Some(Watch::parse("c").expect("c"));
    setup.pairs[0].sense = Watch::parse("s").expect("s");
    let found = measure(dump.as_bytes(), &setup, &[]).expect("sound");
    let n = &found.nozzles[0];
    assert_eq!((n.opens, n.missed_opens, n.missed_closes), (6, 1, 1));
    assert_eq!(n.open.delay.expect("told").value, 20.0);
    assert_eq!(n.close.delay.expect("told").value, 15.0);
    assert!(
        found
            .faults
            .iter()
            .any(|f| f.kind == Kind::StuckOpen && f.says.contains("3.160")),
        "{:?}",
        found.faults
    );
}

#[test]
fn drift_and_supply_are_told() {
    let answers = [Answer {
        drift_s: 2e-3,
        ..Answer::plain(0.02, 0.015, 3e-4)
    }];
    let found = measured(&run(&answers), &setup(1));
    let drift = found.nozzles[0].open.drift.expect("told");
    assert!(
        (drift.value - 2.0).abs() < 0.15 && drift.half_width < 0.2,
        "{drift}"
    );
    assert!(found.nozzles[0].open.per_volt.is_none());
    let answers = [Answer {
        per_volt_s: 1.5e-3,
        ..Answer::plain(0.02, 0.015, 3e-4)
    }];
    let with = Setup {
        supply: Some(Watch::number("supply")),
        ..setup(1)
    };
    let run = BenchRun {
        supply_falls_v: 2.0,
        ..run(&answers)
    };
    let per_volt = measured(&run, &with).nozzles[0]
        .open
        .per_volt
        .expect("told");
    assert!((per_volt.value + 1.5).abs() < 0.15, "{per_volt}");
}

#[test]
fn a_sound_sensor_and_its_lag() {
    let mut dump = String::from(
        "$timescale 100 us $end $var wire 1 ! c $end $var wire 1 \" mic $end $enddefinitions $end\n#0 0! 0\"\n",
    );
    for k in 0..20u32 {
        let at = 10_000 * k + 1000;
        let mut lines = vec![(at, "1!".to_owned()), (at + 800, "0!".to_owned())];
        // Noise from 21.0 ms after the one to 16.3 ms after the other, a change every 0.3 ms.
        lines.extend((0..=251).map(|j| (at + 210 + 3 * j, format!("{}\"", (j + 1) % 2))));
        lines.sort();
        for (t, line) in lines {
            dump += &format!("#{t} {line}\n");
        }
    }
    dump += "#300000\n";
    let mut setup = setup(1);
    setup.pairs[0].command = Some(Watch::parse("c").expect("c"));
    setup.pairs[0].sense = Watch::parse("~mic").expect("mic");
    setup.lag_s = 1e-3;
    let found = measure(dump.as_bytes(), &setup, &[]).expect("sound");
    assert_eq!(found.nozzles[0].open.delay.expect("told").value, 20.0);
    assert!((found.nozzles[0].close.delay.expect("told").value - 15.3).abs() < 1e-9);
    assert!(found.faults.is_empty(), "{:?}", found.faults);
}

#[test]
fn what_is_no_measurement_is_refused_with_what_is_missing() {
    let head = "$timescale 1 ms $end $var wire 1 ! command_0 $end $var wire 1 \" sense_0 $end $enddefinitions $end\n";
    let refusal = |dump: &str| {
        measure(dump.as_bytes(), &setup(1), &[])
            .unwrap_err()
            .to_string()
    };
    let no_commands = refusal(&format!("{head}#0 0! 0\" #9 1\" #50 0\" #900\n"));
    assert!(
        no_commands.contains("no command edge") && no_commands.contains("command_0"),
        "{no_commands}"
    );
    let no_sense = refusal(&format!("{head}#0 0! 0\" #9 1! #50 0! #900\n"));
    assert!(
        no_sense.contains("no sense edge") && no_sense.contains("sense_0"),
        "{no_sense}"
    );
    let only_closes = refusal(&format!("{head}#0 1! 0\" #9 0! #50 1\" #900\n"));
    assert!(
        only_closes.contains("none to open") && only_closes.contains("!NAME"),
        "{only_closes}"
    );
    let one = "$timescale 1 ms $end $var wire 1 ! command_0 $end $enddefinitions $end\n#0 0!\n";
    let one = refusal(one);
    assert!(
        one.contains("sense_0 is not in the capture") && one.contains("command_0"),
        "{one}"
    );
    let back = refusal(&format!("{head}#0 0! 0\"\n#9 1!\n#8 0!\n"));
    assert!(back.contains("runs back: #8 after #9"), "{back}");
    assert!(refusal(head).contains("no time"), "{}", refusal(head));
}

/// A dump by a writer that is not ours: `data/make.py` has its truth.
#[test]
fn a_dump_of_another_writer_tells_its_delays() {
    let watch = |text| Watch::parse(text).expect("a channel");
    let pair = |nozzle, sense| Pair {
        nozzle,
        command: Some(watch("bench.board.command")),
        sense: watch(sense),
    };
    let setup = Setup {
        pairs: vec![pair(0, "flow[1]"), pair(1, "bench.sensors.flow[3]")],
        supply: Some(Watch::number("supply")),
        ..setup(0)
    };
    let dump = include_bytes!("data/bench.vcd");
    let found = measure(&dump[..], &setup, &[]).expect("sound");
    for (nozzle, open, close) in [(0, 20.1, 15.2), (1, 23.7, 17.9)] {
        let n = &found.nozzles[nozzle];
        assert_eq!((n.opens, n.missed_opens, n.twice + n.unasked), (10, 0, 0));
        let told = |e: Option<calibration::Estimate>| e.expect("told").value;
        assert!(
            (told(n.open.delay) - open).abs() < 1e-9,
            "{:?}",
            n.open.delay
        );
        assert!(
            (told(n.close.delay) - close).abs() < 1e-9,
            "{:?}",
            n.close.delay
        );
    }
    assert!(found.faults.is_empty(), "{:?}", found.faults);
}
