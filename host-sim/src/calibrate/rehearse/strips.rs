//! Paper strips as a boom really sprays them: plates on the ground, the true boom driven over
//! them by the controller with the numbers that it is told, and a ruler laid on what came down.

use std::fmt::Write as _;

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

use super::DRIVE;
use crate::error::Result;
use crate::generate;
use crate::machine::Machine;
use crate::replay::replay;
use crate::scenario::{ListedPlant, Plants, Scenario};
use crate::scene::Scene;

/// Plates under each nozzle at each speed.
const PLATES: usize = 4;
/// From plate to plate under a nozzle, m.
const APART_M: f64 = 4.0;
/// The first plate: the wheel's slots are learned by then.
const FIRST_M: f64 = 120.0;
/// A plate's length and width, m.
const PLATE_M: (f64, f64) = (0.10, 0.10);

/// How a strip is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ruler {
    /// What an edge is misread by, one standard deviation, m.
    pub sd_m: f64,
    /// Its seed.
    pub seed: u64,
}

/// What was read on one strip, m along travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Its nozzle.
    pub nozzle: usize,
    /// Speed as a stop-watch told it, m/s.
    pub speed_m_s: f64,
    /// The plate's edges.
    pub plate_m: (f64, f64),
    /// The patch's edges, to half density.
    pub patch_m: (f64, f64),
}

/// Drives the true boom over plates at each speed under a controller that is told `told`, and
/// reads what came down.
///
/// # Errors
/// A machine that the controller refuses.
pub fn drive(
    machine: &Machine,
    told: &Machine,
    speeds: &[f64],
    ruler: &Ruler,
) -> Result<Vec<Reading>> {
    let mut rng = Pcg64Mcg::seed_from_u64(ruler.seed);
    let mut readings = Vec::new();
    for (i, &speed) in speeds.iter().enumerate() {
        let mut scenario = Scenario::parse("drive.toml", DRIVE)?;
        let plates = plates(machine);
        let until = FIRST_M + APART_M * (PLATES + 3) as f64;
        scenario.seed = ruler.seed.wrapping_add(1 + i as u64);
        scenario.start_speed_m_s = speed;
        scenario.pieces.truncate(1);
        if let Some(piece) = scenario.pieces.first_mut() {
            piece.acceleration = 0.0;
            piece.duration_s = until / speed;
        }
        scenario.plants = Plants::Listed(plates.iter().map(|p| p.1).collect());
        let drive = generate::drive("strips", &scenario, machine)?;
        let scene = Scene::from_truth("strips", &drive.truth, machine, &drive.recording)?;
        let run = replay("machine.toml", told, &drive.recording)?;
        let report = scene.judge(&run.commands, Some(&run.images))?;
        for (nozzle, plate) in plates {
            // The paper under this plate shows the patch that lies nearest.
            let patch = report.strips.get(nozzle).and_then(|strips| {
                let away = |s: &(f64, f64)| (0.5 * (s.0 + s.1) - plate.x_m).abs();
                let nearest = strips.iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
                (away(nearest) < APART_M / 2.0).then_some(*nearest)
            });
            let Some(patch) = patch else { continue };
            let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
            readings.push(Reading {
                nozzle,
                speed_m_s: speed * (1.0 + 0.005 * normal()),
                plate_m: (plate.x_m - PLATE_M.0 / 2.0, plate.x_m + PLATE_M.0 / 2.0),
                patch_m: (
                    patch.0 + ruler.sd_m * normal(),
                    patch.1 + ruler.sd_m * normal(),
                ),
            });
        }
    }
    Ok(readings)
}

/// Plates under each nozzle, those of neighbours apart along travel.
fn plates(machine: &Machine) -> Vec<(usize, ListedPlant)> {
    let mut plates = Vec::new();
    let count = machine.nozzles.len() as f64;
    for k in 0..PLATES {
        for (nozzle, n) in machine.nozzles.iter().enumerate() {
            let x_m = FIRST_M + APART_M * (k as f64 + nozzle as f64 / count);
            plates.push((
                nozzle,
                ListedPlant {
                    x_m,
                    y_m: n.y_m,
                    length_m: PLATE_M.0,
                    width_m: PLATE_M.1,
                },
            ));
        }
    }
    plates
}

/// The readings as the file that `calibrate track` reads; each strip from 1 m before its plate.
pub fn table(readings: &[Reading]) -> String {
    let mut out = String::from("strip,nozzle,speed_m_s,near_mm,far_mm,start_mm,stop_mm\n");
    for (i, r) in readings.iter().enumerate() {
        let mm = |x: f64| (x - r.plate_m.0 + 1.0) * 1e3;
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{},{},{:.3},{:.0},{:.0},{:.0},{:.0}",
            i + 1,
            r.nozzle,
            r.speed_m_s,
            mm(r.plate_m.0),
            mm(r.plate_m.1),
            mm(r.patch_m.0),
            mm(r.patch_m.1)
        );
    }
    out
}
