//! The way of one plant: from its image to the patch on the ground, instant by instant and place by
//! place.
//!
//! Times are ms after the image was truly taken, places are m ahead of the plant's middle.

use serde_json::{Value as Json, json};

use ground_truth::deposit::{Area, Boom, Deposit, lay_down};
use ground_truth::nozzle::rate_l_ha;
use ground_truth::{Command, EdgeKind, Outcome, Plant, Report};

use super::drive::{self, Driven};
use super::round;
use super::values::Values;
use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::scene;

/// Cells of the dose picture, m.
const CELL_M: f64 = 0.02;
/// Ground that it shows to each side of the plant along travel, m.
const ALONG_M: f64 = 0.7;
/// The same across.
const ACROSS_M: f64 = 0.8;
/// Time step of laying down, s.
const STEP_S: f64 = 0.002;
/// Points of a drawn line.
const POINTS: u32 = 48;

/// A valve's opening and closing, and where their spray came down.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Spray {
    /// The commands that caused it, as indices.
    commands: [usize; 2],
    /// Half flow, s.
    half_s: [f64; 2],
    /// Where it landed, m of ground.
    lands_m: [f64; 2],
}

/// The plant to show: the wish, or a lone one in the middle.
pub fn chosen(d: &Driven, values: &Values) -> Option<usize> {
    let judged = |i: usize| {
        d.report
            .outcomes
            .get(i)
            .is_some_and(|o| *o != Outcome::Outside)
    };
    if values.plant >= 0.0 {
        let wish = values.plant as usize;
        return judged(wish).then_some(wish);
    }
    let middle = 0.5 * (d.scene.judged_m.0 + d.scene.judged_m.1);
    let off = |i: usize| (d.scene.plants[i].x - middle).abs();
    let nearest = |list: Vec<usize>| list.into_iter().min_by(|&a, &b| off(a).total_cmp(&off(b)));
    // A patch that serves several plants is no plain tale.
    let crowd = |i: usize| {
        let near = |e: &&ground_truth::Edge| d.report.served[e.plants.clone()].contains(&i);
        d.report
            .edges
            .iter()
            .filter(near)
            .any(|e| e.plants.len() > 1)
    };
    let all: Vec<usize> = (0..d.scene.plants.len()).filter(|&i| judged(i)).collect();
    let alone = all.iter().copied().filter(|&i| !crowd(i)).collect();
    nearest(alone).or_else(|| nearest(all))
}

/// The nozzle whose way is drawn: of those that served the plant the one nearest to it.
fn nozzle(d: &Driven, plant: usize) -> Option<usize> {
    let y = d.scene.plants[plant].y;
    let off = |n: usize| (d.scene.nozzles[n].y - y).abs();
    let served = d
        .report
        .edges
        .iter()
        .filter(|e| d.report.served[e.plants.clone()].contains(&plant));
    served
        .map(|e| e.nozzle)
        .min_by(|&a, &b| off(a).total_cmp(&off(b)))
        .or_else(|| (0..d.scene.nozzles.len()).min_by(|&a, &b| off(a).total_cmp(&off(b))))
}

/// The spray of one nozzle that fell on the plant or nearest to it.
fn spray(d: &Driven, commands: &[ValveCommand], nozzle: usize, plant: &Plant) -> Option<Spray> {
    let n = &d.scene.nozzles[nozzle];
    let own: Vec<(usize, Command)> = d
        .scene
        .acted(commands)
        .into_iter()
        .enumerate()
        .filter(|(_, c)| c.nozzle == nozzle)
        .collect();
    let told: Vec<(f64, bool)> = own.iter().map(|(_, c)| (c.at_s, c.open)).collect();
    let flow = n.valve.flow(&told);
    let ground = d.scene.ground.as_ref();
    let lands = |t: f64| ground.lands(t, n.x, n.throw_s);
    let mut best: Option<(f64, Spray)> = None;
    for pair in flow.half_flow().windows(2) {
        let [open, close] = pair else { continue };
        if !open.opening || close.opening {
            continue;
        }
        let (from, to) = (lands(open.at_s), lands(close.at_s));
        let apart = (plant.near() - to).max(from - plant.far()).max(0.0);
        if best.is_none_or(|b| apart < b.0) {
            let spray = Spray {
                commands: [own[open.command].0, own[close.command].0],
                half_s: [open.at_s, close.at_s],
                lands_m: [from, to],
            };
            best = Some((apart, spray));
        }
    }
    // What fell a metre away was for somebody else.
    best.filter(|b| b.0 < 1.0).map(|b| b.1)
}

/// The image from which the controller knew of the plant, as its index.
fn image(d: &Driven, plant: usize) -> Option<usize> {
    d.drive.truth.sights.iter().position(|s| s.contains(&plant))
}

/// Everything that the distance-time picture needs.
pub fn of(d: &Driven, values: &Values, index: usize) -> Result<Json> {
    let plant = d.scene.plants[index];
    let ground = d.scene.ground.as_ref();
    let nozzle = nozzle(d, index);
    let at = nozzle.and_then(|n| spray(d, &d.run.commands, n, &plant));
    let fixed_at = nozzle.and_then(|n| spray(d, &d.fixed, n, &plant));
    let image = image(d, index).and_then(|i| d.drive.recording.images().nth(i));
    // A machine whose camera never saw it still came by.
    let passes = ground.time_at(plant.x).unwrap_or(0.0);
    let told = image.map(|(_, i)| d.scene.seconds(i.captured_us));
    let taken = told.map(|t| t - values.clock_error_ms * 1e-3);
    let zero = taken.unwrap_or(passes - (values.camera_ahead_m + 0.3) / values.speed_m_s);
    let ms = |s: f64| round((s - zero) * 1e3, 3);
    let place = |x: f64| round(x - plant.x, 4);
    let x_of = |t: f64| ground.position(t) + nozzle.map_or(0.0, |n| d.scene.nozzles[n].x);
    let mut steps: Vec<Json> = Vec::new();
    if let (Some((arrives_us, _)), Some(told), Some(taken)) = (image, told, taken) {
        steps.push(json!({"step": "capture", "t_ms": ms(taken), "x_m": place(x_of(taken))}));
        if values.clock_error_ms != 0.0 {
            steps.push(json!({"step": "claimed", "t_ms": ms(told), "x_m": place(x_of(told))}));
        }
        let arrives = d.scene.seconds(arrives_us);
        steps.push(json!({"step": "message", "t_ms": ms(arrives), "x_m": place(x_of(arrives))}));
    }
    let mut end = passes;
    let mut short_mm = 0.0;
    if let Some(spray) = at {
        for (i, ends) in ["open", "close"].into_iter().enumerate() {
            let command = d.run.commands[spray.commands[i]];
            let decided = d.scene.seconds(d.run.decided_us[spray.commands[i]]);
            let at = d.scene.seconds(command.t_us);
            let half = spray.half_s[i];
            let lands = half + d.files.flight_s;
            for (step, t, x) in [
                ("decision", decided, x_of(decided)),
                ("command", at, x_of(at)),
                ("half flow", half, x_of(half)),
                ("landing", lands, spray.lands_m[i]),
            ] {
                steps.push(json!({"step": step, "end": ends, "t_ms": ms(t), "x_m": place(x)}));
            }
            end = end.max(lands);
            if i == 0 {
                short_mm = command.short_by_m * 1e3;
            }
        }
    }
    if let Some(spray) = fixed_at {
        end = end.max(spray.half_s[1] + d.files.flight_s);
    }
    let start = zero - 0.04;
    let end = end + 0.04;
    let line = |ahead: f64| -> Vec<[f64; 2]> {
        let step = (end - start) / f64::from(POINTS);
        let point = |i| start + step * f64::from(i);
        let here = |t: f64| ground.position(t) + ahead;
        (0..=POINTS)
            .map(|i| [ms(point(i)), place(here(point(i)))])
            .collect()
    };
    let detector = &d.files.machine.detectors[0];
    let ends = |s: Spray| {
        json!({
            "half_ms": s.half_s.map(ms),
            "lands_ms": s.half_s.map(|t| ms(t + d.files.flight_s)),
            "from_m": place(s.lands_m[0]),
            "to_m": place(s.lands_m[1]),
        })
    };
    let edge = |report: &Report, kind| {
        let own = |e: &&ground_truth::Edge| {
            Some(e.nozzle) == nozzle
                && e.kind == kind
                && report.served[e.plants.clone()].contains(&index)
        };
        report
            .edges
            .iter()
            .find(own)
            .map(|e| (e.wanted_x, e.error()))
    };
    let wanted = |kind| edge(&d.report, kind).map(|e| place(e.0));
    let off = |report, kind| edge(report, kind).map(|e| round(e.1 * 1e3, 2));
    Ok(json!({
        "plant": index,
        "nozzle": nozzle,
        "outcome": drive::outcome(d.report.outcomes[index]),
        "fixed_outcome": drive::outcome(d.fixed_report.outcomes[index]),
        "length_m": round(plant.length, 4),
        "width_m": round(plant.width, 4),
        "x_m": round(plant.x, 3),
        "y_m": round(plant.y, 3),
        "speed_m_s": round(ground.speed(passes), 3),
        "steps": steps,
        "boom": line(0.0),
        "view_near": line(detector.x_m + detector.view_near_m),
        "view_far": line(detector.x_m + detector.view_far_m),
        "wanted_m": [wanted(EdgeKind::Start), wanted(EdgeKind::Stop)],
        "start_error_mm": off(&d.report, EdgeKind::Start),
        "stop_error_mm": off(&d.report, EdgeKind::Stop),
        "fixed_start_error_mm": off(&d.fixed_report, EdgeKind::Start),
        "fixed_stop_error_mm": off(&d.fixed_report, EdgeKind::Stop),
        "too_late_mm": round(short_mm, 1),
        "patch": at.map(ends),
        "fixed_patch": fixed_at.map(ends),
        "dose": dose(d, values, &plant)?,
    }))
}

/// The dose around a plant, in percent of the broadcast dose, by rows along travel.
fn dose(d: &Driven, values: &Values, plant: &Plant) -> Result<Json> {
    let machine = &d.files.machine;
    let (Some(fan), Some(spray)) = (scene::fan(machine), &machine.spray) else {
        return Ok(Json::Null);
    };
    let refused = |e: ground_truth::deposit::GridError| Error::Internal(e.to_string());
    let half = 0.5 * plant.length;
    let area = Area {
        along: (plant.x - half - ALONG_M, plant.x + half + ALONG_M),
        across: (plant.y - ACROSS_M, plant.y + ACROSS_M),
        cell: CELL_M,
        most_bytes: 1 << 20,
    };
    let mut deposit = Deposit::new(area).map_err(refused)?;
    let boom = Boom {
        nozzles: &d.scene.nozzles,
        fan,
        twin_m: machine.twin_m,
        l_min: spray.l_min,
        flows: &[],
        supplied: None,
    };
    let commands = near(d, area.along);
    let ground = d.scene.ground.as_ref();
    lay_down(&mut deposit, &boom, ground, &commands, ground.end(), STEP_S).map_err(refused)?;
    let whole = rate_l_ha(spray.l_min, fan.spacing_m, values.speed_m_s);
    let (rows, columns) = deposit.counts();
    let cell = |r, c| round(100.0 * deposit.l_ha(r, c) / whole, 0) as u32;
    let cells: Vec<Vec<u32>> = (0..rows)
        .map(|r| (0..columns).map(|c| cell(r, c)).collect())
        .collect();
    Ok(json!({
        "cell_m": CELL_M,
        "from_m": round(area.along.0 - plant.x, 4),
        "left_m": round(area.across.0 - plant.y, 4),
        "percent": cells,
        "least_percent": deposit.least(plant).map(|l| round(100.0 * l / whole, 0)),
        "wanted_percent": round(100.0 * fan.wanted_share, 0),
    }))
}

/// The commands whose spray comes down on a stretch, whole openings only.
fn near(d: &Driven, (from, to): (f64, f64)) -> Vec<Command> {
    let all = d.scene.acted(&d.run.commands);
    let ground = d.scene.ground.as_ref();
    let mut kept = Vec::new();
    let mut opened: Vec<Option<Command>> = vec![None; d.scene.nozzles.len()];
    for command in all {
        let slot = &mut opened[command.nozzle];
        if command.open {
            *slot = Some(command);
        } else if let Some(open) = slot.take()
            && ground.position(open.at_s) < to + 1.0
            && ground.position(command.at_s) > from - 2.0
        {
            kept.push(open);
            kept.push(command);
        }
    }
    kept
}
