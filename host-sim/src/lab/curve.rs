//! Hits against saving: the same drive with other buffers around each plant.

use serde_json::{Value as Json, json};

use ground_truth::Report;

use super::round;
use super::texts::Files;
use super::values::Values;
use crate::baseline;
use crate::error::Result;
use crate::generate;
use crate::replay::replay;
use crate::scene::Scene;

/// Leads and trails that are tried, mm.
const TRIED_MM: [f64; 9] = [0.0, 10.0, 20.0, 40.0, 60.0, 90.0, 130.0, 180.0, 250.0];

fn point(mm: f64, report: &Report) -> Json {
    let plants = report.targets.total.max(1) as f64;
    json!([
        mm,
        round(100.0 * report.targets.full as f64 / plants, 2),
        round(100.0 * report.saving, 2),
    ])
}

/// For each buffer (lead and trail alike, their times left as they are): mm, plants with full dose
/// in percent, product saved in percent; of the core and of the fixed delay.
pub fn answer(values: &Values) -> Result<Json> {
    // The recording knows no buffers: one drive serves all of them, over the same judged ground.
    let base = Files::of(values)?;
    let drive = generate::drive("scenario.toml", &base.scenario, &base.machine)?;
    let (mut core, mut fixed) = (Vec::new(), Vec::new());
    for mm in TRIED_MM {
        let mut machine = base.machine.clone();
        machine.patch.lead_m = mm / 1e3;
        machine.patch.trail_m = mm / 1e3;
        let scene = Scene::from_truth("truth.json", &drive.truth, &machine, &drive.recording)?;
        let run = replay("machine.toml", &machine, &drive.recording)?;
        core.push(point(mm, &scene.judge(&run.commands, Some(&run.images))?));
        let list = baseline::fixed_delay(&machine, &drive.recording);
        fixed.push(point(mm, &scene.judge(&list, None)?));
    }
    Ok(json!({ "core": core, "fixed": fixed }))
}
