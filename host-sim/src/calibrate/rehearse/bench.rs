//! What a builder writes down of the true boom, one measurement a file: the wheel over a taped
//! way, every valve under a logic analyser, paper strips.

use std::fmt::Write as _;
use std::path::Path;

use ground_truth::bench_capture::{Answer, BenchRun};

use super::{DRIVE, World, load, shown, strips, write};
use crate::calibrate::{CalibrateVerb, track, valves, wheel};
use crate::error::{Error, Result};
use crate::generate;
use crate::output;
use crate::scenario::{Plants, Scenario};

/// Makes the files of one measurement and says which verb reads them: the world, the machine
/// file as it stands, the folder, the seed.
type Measure = fn(&World, &Path, &Path, u64) -> Result<CalibrateVerb>;

/// The steps, in the order in which a builder takes them: a wrong wheel looks like an offset, a
/// slow valve like all of them.
pub(super) const STEPS: [(&str, Measure); 3] = [
    ("wheel", by_wheel),
    ("valves", by_valves),
    ("track", by_track),
];

/// The taped way, m.
const TAPED_M: f64 = 100.0;
/// Speed over it, m/s.
const TAPED_M_S: f64 = 2.0;
/// From the start to the first mark, m.
const FIRST_MARK_M: f64 = 5.0;
/// How often it is driven.
const TAPED_RUNS: u64 = 3;
/// How far a valve's answers stray, one standard deviation, s.
const VALVE_SPREAD_S: f64 = 0.0003;
/// What an edge on paper is misread by, one standard deviation, m.
const RULER_SD_M: f64 = 0.002;

/// The pulses between two marks, several times.
fn by_wheel(world: &World, _: &Path, folder: &Path, seed: u64) -> Result<CalibrateVerb> {
    let mut runs = Vec::new();
    for run in 0..TAPED_RUNS {
        let mut scenario = Scenario::parse("drive.toml", DRIVE)?;
        scenario.seed = seed.wrapping_mul(100).wrapping_add(run);
        scenario.start_speed_m_s = TAPED_M_S;
        scenario.pieces.truncate(1);
        if let Some(piece) = scenario.pieces.first_mut() {
            piece.acceleration = 0.0;
            piece.duration_s = (TAPED_M + 3.0 * FIRST_MARK_M) / TAPED_M_S;
        }
        scenario.plants = Plants::Listed(Vec::new());
        let drive = generate::drive("taped way", &scenario, &world.machine)?;
        let mut text = String::from("time_us\n");
        for t_us in drive.recording.pulses() {
            let place = TAPED_M_S * (t_us - drive.truth.clock_start_us) as f64 * 1e-6;
            if (FIRST_MARK_M..FIRST_MARK_M + TAPED_M).contains(&place) {
                // Writing to a String cannot fail.
                let _ = writeln!(text, "{t_us}");
            }
        }
        let file = folder.join(format!("wheel-{run}.csv"));
        write(&file, &text)?;
        runs.push(shown(&file));
    }
    Ok(CalibrateVerb::Wheel(wheel::Wish {
        runs,
        distance_m: vec![TAPED_M],
        tape_m: 0.02,
        channel: None,
        debounce_ms: 0.2,
        unloaded: Vec::new(),
    }))
}

/// A capture of every valve, fired at the bench; one delay in fifty lies far off.
fn by_valves(world: &World, _: &Path, folder: &Path, seed: u64) -> Result<CalibrateVerb> {
    let file = folder.join("capture.vcd");
    let run = BenchRun {
        answers: (world.machine.nozzles.iter())
            .map(|n| Answer::plain(n.open_delay_s, n.close_delay_s, VALVE_SPREAD_S))
            .collect(),
        openings: 60,
        on_s: 0.15,
        pause_s: 0.15,
        sample_hz: 1e5,
        outliers: 0.02,
        missing: 0.0,
        bounces: 2,
        supply_falls_v: 0.0,
        seed,
    };
    output::to_file(&file, |name, mut to| {
        run.write_vcd(&run.fire(), &mut to)
            .map_err(|e| Error::write(name, e))
    })?;
    Ok(CalibrateVerb::Valves(valves::Wish {
        capture: shown(&file),
        pair: (0..world.machine.nozzles.len())
            .map(|n| format!("{n}:command_{n}:sense_{n}"))
            .collect(),
        wires: None,
        supply: None,
        fired: None,
        sync: None,
        debounce_ms: 2.0,
        longest_ms: 250.0,
        sense_lag_ms: 0.0,
        slow_ms: 5.0,
    }))
}

/// Strips that the boom sprays with the numbers that it has by now.
fn by_track(world: &World, machine: &Path, folder: &Path, seed: u64) -> Result<CalibrateVerb> {
    let file = folder.join("strips.csv");
    let ruler = strips::Ruler {
        sd_m: RULER_SD_M,
        seed,
    };
    let strips = strips::drive(&world.machine, &load(machine)?, &[1.0, 4.0], &ruler)?;
    write(&file, &strips::table(&strips))?;
    Ok(CalibrateVerb::Track(track::Wish {
        file: shown(&file),
        // The valves were measured before: what is left with speed is the spray's.
        delays_known: true,
        ..track::Wish::default()
    }))
}
