//! The verb `buffers`: how long lead and trail must be for a wanted share of hits.
//!
//! [`causes`] turns the machine file and the error budget ([`mod@file`]) into causes of error; the
//! crate `ground-truth` works out hits and buffers from them; [`runs`] drives the real core through
//! the same errors and says whether that is right, or by how much it is not; [`report`] is the
//! result and [`picture`] its picture. `formats/buffers.md` is the reference.

pub mod causes;
pub mod file;
pub mod picture;
pub mod report;
pub mod runs;

use clap::Args;
use ground_truth::buffers::{Buffers, Cause, Neighbours, Spread, distance_and_time, worst_case};
use rayon::prelude::*;

use crate::calibrate::settings::{MachineText, Place, Setting, To};
use crate::error::{Error, Result};
use crate::machine::{Machine, Patch};
use crate::output;
use crate::scenario::{Plants, Scenario};
use causes::Reckoning;
use file::{Budget, Field};
use report::{AtSpeed, Line, OnCurve, Report};
use runs::{Fared, Runs, at_speed, scaled, upright};

/// What `buffers` is asked to do.
#[derive(Debug, Clone, PartialEq, Args)]
pub struct Wish {
    /// The machine file
    #[arg(value_name = "MACHINE.toml")]
    pub machine: String,
    /// The error budget; what it leaves out is as the format page says, and printed
    #[arg(long, value_name = "BUDGET.toml")]
    pub errors: Option<String>,
    /// Take plants, wheel, detector and speeds from this scenario
    #[arg(long, value_name = "SCENARIO.toml")]
    pub scenario: Option<String>,
    /// The share of plants that are to get their full dose
    #[arg(
        long,
        value_name = "H",
        default_value_t = 0.99,
        allow_negative_numbers = true
    )]
    pub hits: f64,
    /// Drives at each speed; 0 only works it out
    #[arg(long, value_name = "N", default_value_t = 100)]
    pub runs: u32,
    /// Seed of the drives
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub seed: u32,
    /// Set the buffers in the machine file; all else in it stays
    #[arg(long)]
    pub write: bool,
    /// Draw budget and curve
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<String>,
}

/// Buffers as multiples of those worked out, for the curve.
const CURVE: [f64; 10] = [0.0, 0.25, 0.5, 0.75, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0];
/// As many as lead and trail are asked to hit at most, where many are lost across.
const MOST_ALONG: f64 = 0.9995;
/// What may be lost across, of all that may be missed.
const ACROSS_PART: f64 = 0.1;
/// Points of the curve that is worked out, from none to twice as much; those of [`CURVE`] among them.
const CURVE_POINTS: u32 = 40;
/// No edge strays by so many standard deviations.
const FARTHEST_SDS: f64 = 8.0;
/// Most drives at each speed.
const MOST_RUNS: u32 = 100_000;

/// A scenario of which only field, wheel and detector are used.
const USUAL: &str = "scenario_format = 1\nname = \"buffers\"\nseed = 1\nmachine = \"machine.toml\"\n[motion]\nstart_speed_m_s = 1.0\n[[motion.piece]]\nduration_s = 10.0\nacceleration_m_s2 = 0.0\n[field]\ndensity_per_m2 = 0.2\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n[wheel]\nslots = 100\nunevenness_percent = 1.0\nstamp_jitter_us = 10.0\n[detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 10.0\n";

/// Works it out, drives, draws and writes as wished.
pub fn buffers(wish: &Wish) -> Result<Report> {
    if !(0.5..=0.9999).contains(&wish.hits) {
        return Err(Error::Usage(format!(
            "--hits is {}\n  help: give a share of plants from 0.5 to 0.9999, such as 0.99",
            wish.hits
        )));
    }
    if wish.runs > MOST_RUNS {
        return Err(Error::Usage(format!(
            "--runs is {}\n  help: give at most {MOST_RUNS}",
            wish.runs
        )));
    }
    let mut text = MachineText::load(&wish.machine)?;
    let machine = text.machine.clone();
    let budget = match &wish.errors {
        None => Budget::default(),
        Some(path) => Budget::parse(path, &output::read_text(path)?)?,
    };
    runs::check(&wish.machine, &machine, &budget.errors)?;
    let scenario = match &wish.scenario {
        None => Scenario::parse("buffers", USUAL)?,
        Some(path) => Scenario::parse(path, &output::read_text(path)?)?,
    };
    let told = wish.scenario.as_deref();
    let mut report = work_out(&Asked {
        file: &wish.machine,
        machine: &machine,
        budget: &budget,
        scenario: &scenario,
        scenario_file: told,
        hits: wish.hits,
        runs: wish.runs,
        seed: wish.seed.into(),
        curve: true,
    })?;
    if wish.write {
        for setting in settings(&report.chosen) {
            text.set(&setting)?;
        }
        report.written = Some(text.save()?);
    }
    if let Some(path) = &wish.plot {
        let svg = picture::draw(&report);
        output::to_path(path, |name, to| {
            to.write_all(svg.as_bytes())
                .map_err(|e| Error::write(name, e))
        })?;
    }
    Ok(report)
}

/// What is asked, read and checked.
pub struct Asked<'a> {
    /// The machine file's name in messages.
    pub file: &'a str,
    /// The machine.
    pub machine: &'a Machine,
    /// The error budget.
    pub budget: &'a Budget,
    /// Field, wheel, detector.
    pub scenario: &'a Scenario,
    /// The scenario's name in messages, where one was given.
    pub scenario_file: Option<&'a str>,
    /// The wanted share of hits.
    pub hits: f64,
    /// Drives at each speed; 0: none.
    pub runs: u32,
    /// Their seed.
    pub seed: u64,
    /// Whether the curve is driven too, and not only the buffers worked out and those of the file.
    pub curve: bool,
}

/// Works out buffers and drives, without files.
pub fn work_out(asked: &Asked<'_>) -> Result<Report> {
    let field = field(asked)?;
    let speeds = speeds(asked)?;
    let mut errors = asked.budget.errors;
    if asked.scenario_file.is_some() && !asked.budget.tells_unevenness {
        errors.wheel_unevenness_percent = 100.0 * asked.scenario.wheel.unevenness;
    }
    let machine = upright(asked.machine, errors.turn_radius_m > 0.0);
    let reckoning = Reckoning {
        machine: &machine,
        errors: &errors,
        field: &field,
        frame_rate_hz: asked.scenario.detector.frame_rate_hz,
    };
    let plain = |all: &[(&str, Cause)]| -> Vec<Cause> { all.iter().map(|c| c.1.clone()).collect() };
    let among = [speeds.0, speeds.1].map(|v| reckoning.neighbours(v));
    // What goes wrong across no lead makes good.
    let margin = machine.patch.lateral_margin_m;
    let across = [speeds.0, speeds.1].map(|v| reckoning.across(v, margin));
    let along = across.map(|a| (asked.hits / a).min(MOST_ALONG));
    // A boom that sways moves start and stop the more apart the longer the patch is, so it takes a
    // second round.
    let mut causes = [Vec::new(), Vec::new()];
    let mut summed = [None, None];
    let mut needs = [speeds.0, speeds.1].map(|v| at_speed(&machine.patch, v));
    for (i, v) in [speeds.0, speeds.1].into_iter().enumerate() {
        for _ in 0..2 {
            causes[i] = reckoning.causes(v, needs[i]);
            let errors = reckoning.summed(&plain(&causes[i]), v).among(among[i]);
            let need = errors.smallest(along[i]);
            needs[i] =
                need.ok_or_else(|| Error::Internal("no buffers reach the wanted hits".into()))?;
            summed[i] = Some(errors);
        }
    }
    let [Some(slow), Some(fast)] = summed else {
        return Err(Error::Internal("two speeds were summed up".into()));
    };
    let summed = [slow, fast];
    let strewn = [0, 1].map(|i| {
        let at_random = Neighbours {
            k: None,
            ..among[i]
        };
        summed[i].clone().among(at_random)
    });
    let patch = rounded(asked.machine.patch, speeds, (needs[0], needs[1]));
    let worst = worst_case(&plain(&causes[1]), asked.hits);
    let lines = budget_lines(&reckoning, &causes[1], along[1], speeds.1, needs[1]);
    let multiples: &[f64] = if asked.curve { &CURVE } else { &[1.0] };
    let candidates: Vec<Patch> = multiples
        .iter()
        .map(|&by| scaled(patch, by))
        .chain([asked.machine.patch])
        .collect();
    let mut fared: [Vec<Fared>; 2] = [Vec::new(), Vec::new()];
    if asked.runs > 0 {
        let runs = Runs {
            file: asked.file,
            reckoning,
            scenario: asked.scenario,
            count: asked.runs,
            seed: asked.seed,
            farthest_m: FARTHEST_SDS * summed[1].sd().max(summed[0].sd()),
        };
        fared = [
            runs.at(speeds.0, &candidates)?,
            runs.at(speeds.1, &candidates)?,
        ];
    }
    let curve = |i: usize, v: f64| -> Vec<OnCurve> {
        let spots = reckoning.spots(v);
        (0..=CURVE_POINTS)
            .map(|point| {
                let times = 2.0 * f64::from(point) / f64::from(CURVE_POINTS);
                let buffers = at_speed(&scaled(patch, times), v);
                let drove = multiples.iter().position(|c| (c - times).abs() < 1e-9);
                OnCurve {
                    times,
                    sum_mm: 1e3 * buffers.sum(),
                    worked_hits: across[i] * summed[i].hits(buffers),
                    worked_hits_at_random: across[i] * strewn[i].hits(buffers),
                    worked_saving: spots.saving(buffers),
                    worked_saving_in_patches: field
                        .patchiness_k
                        .map(|k| spots.saving_in_patches(buffers, k)),
                    driven: drove.and_then(|c| fared[i].get(c)).map(report::Driven::of),
                }
            })
            .collect()
    };
    let at = |i: usize, v: f64| -> AtSpeed {
        let buffers = at_speed(&patch, v);
        let spots = reckoning.spots(v);
        let ours = fared[i].get(multiples.iter().position(|&t| t == 1.0).unwrap_or(0));
        AtSpeed {
            speed_m_s: v,
            needed_lead_mm: 1e3 * needs[i].lead,
            needed_trail_mm: 1e3 * needs[i].trail,
            edge_sd_mm: 1e3 * summed[i].sd(),
            worked_hits: across[i] * summed[i].hits(buffers),
            worked_saving: spots.saving(buffers),
            worked_saving_in_patches: field
                .patchiness_k
                .map(|k| spots.saving_in_patches(buffers, k)),
            driven: ours.map(report::Driven::of),
            across: across[i],
            file_hits: across[i] * summed[i].hits(at_speed(&asked.machine.patch, v)),
            file_driven: fared[i].get(multiples.len()).map(report::Driven::of),
            three_quarters_saved_up_to_per_m2: three_quarters(&reckoning, v, buffers),
            curve: curve(i, v),
        }
    };
    let both = vec![at(0, speeds.0), at(1, speeds.1)];
    let factor = report::correction(&both, asked.hits);
    let chosen = match factor {
        Some(by) if by != 1.0 => ceil(scaled(patch, by)),
        _ => patch,
    };
    Ok(Report {
        machine: asked.machine.name.clone(),
        lateral_margin_m: margin,
        lateral_margin_needed_m: margin_needed(&reckoning, speeds, asked.hits),
        hits: asked.hits,
        runs: asked.runs,
        field,
        errors: errors.list(),
        worked_out: patch.into(),
        verdict: report::verdict(&both, asked.runs, factor),
        corrected_by: factor,
        chosen: chosen.into(),
        worst_case_sum_mm: 1e3 * worst.sum(),
        shorter_than_worst_case_percent: 100.0 * (1.0 - needs[1].sum() / worst.sum()),
        causes: lines,
        speeds: both,
        written: None,
    })
}

/// The margin aside with which a tenth of what may be missed is lost across, m, to the millimetre.
fn margin_needed(reckoning: &Reckoning<'_>, (slow, fast): (f64, f64), hits: f64) -> f64 {
    let enough = 1.0 - ACROSS_PART * (1.0 - hits);
    let holds = |mm: &u32| {
        [slow, fast]
            .iter()
            .all(|&v| reckoning.across(v, f64::from(*mm) * 1e-3) >= enough)
    };
    f64::from((0..=2000).find(holds).unwrap_or(2000)) * 1e-3
}

/// The field: the budget's, or the scenario's, or the usual one.
fn field(asked: &Asked<'_>) -> Result<Field> {
    if let Some(field) = asked.budget.field {
        return Ok(field);
    }
    match (&asked.scenario.plants, asked.scenario_file) {
        (Plants::Field(f), Some(_)) => Ok(Field {
            density_per_m2: f.density_per_m2.max(0.001),
            size_mean_m: f.size_mean_m,
            size_sd_m: f.size_sd_m,
            size_min_m: f.size_min_m,
            size_max_m: f.size_max_m,
            patchiness_k: f.clusters.map(|c| c.k),
            patchiness_square_m: f
                .clusters
                .map_or(Field::default().patchiness_square_m, |c| c.square_m),
        }),
        (Plants::Listed(_), Some(file)) => Err(Error::file(
            file,
            "this scenario lists its plants, and buffers need a field",
            "give a scenario with [field], or [field] in the budget",
        )),
        (_, None) => Ok(Field::default()),
    }
}

/// The slow and the fast speed: the budget's, or the scenario's, or a third and four fifths of the
/// machine's fastest.
fn speeds(asked: &Asked<'_>) -> Result<(f64, f64)> {
    let wheel = &asked.machine.wheel;
    let (low, high) = (1.5 * wheel.creep_speed_m_s, 0.95 * wheel.max_speed_m_s);
    let within = |v: f64| v.clamp(low.min(high), high);
    if let Some((slow, fast)) = asked.budget.speeds {
        if slow < low || fast > high {
            return Err(Error::Usage(format!(
                "the budget asks for {slow} to {fast} m/s, but {} can be reckoned with from {low:.2} to {high:.2} m/s\n  help: change [speeds], or creep_speed_m_s and max_speed_m_s of the machine file",
                asked.file
            )));
        }
        return Ok((slow, fast));
    }
    if asked.scenario_file.is_some() {
        let mut v = asked.scenario.start_speed_m_s;
        let mut ends = (v, v);
        for piece in &asked.scenario.pieces {
            v += piece.duration_s * piece.acceleration;
            ends = (ends.0.min(v), ends.1.max(v));
        }
        let fast = within(ends.1);
        let slow = within(ends.0.max(0.2 * fast));
        if fast > slow {
            return Ok((slow, fast));
        }
        return Ok((within(0.6 * fast), fast.max(low * 1.01)));
    }
    let fast = within(0.8 * wheel.max_speed_m_s);
    Ok((within(0.33 * wheel.max_speed_m_s).min(0.9 * fast), fast))
}

/// Up to which density three quarters of the product are saved.
fn three_quarters(reckoning: &Reckoning<'_>, v: f64, buffers: Buffers) -> f64 {
    let spots = reckoning.spots(v);
    let wide = spots.per_m / reckoning.field.density_per_m2;
    spots.most_per_m(buffers, reckoning.field.patchiness_k, 0.75) / wide
}

/// The patch as distance and time, each rounded up: 1 mm and 0.1 ms.
fn rounded(
    usual: Patch,
    (slow, fast): (f64, f64),
    (at_slow, at_fast): (Buffers, Buffers),
) -> Patch {
    let (lead_m, lead_s) = distance_and_time((slow, at_slow.lead), (fast, at_fast.lead));
    let (trail_m, trail_s) = distance_and_time((slow, at_slow.trail), (fast, at_fast.trail));
    ceil(Patch {
        lead_m,
        lead_s,
        trail_m,
        trail_s,
        ..usual
    })
}

fn ceil(patch: Patch) -> Patch {
    let up = |x: f64, unit: f64| (x / unit - 1e-6).ceil().max(0.0) * unit;
    Patch {
        lead_m: up(patch.lead_m, 1e-3),
        lead_s: up(patch.lead_s, 1e-4),
        trail_m: up(patch.trail_m, 1e-3),
        trail_s: up(patch.trail_s, 1e-4),
        ..patch
    }
}

/// Each cause's part, and what half of it would buy.
fn budget_lines(
    reckoning: &Reckoning<'_>,
    causes: &[(&'static str, Cause)],
    hits: f64,
    v: f64,
    need: Buffers,
) -> Vec<Line> {
    let all: f64 = causes.iter().map(|(_, c)| c.spread.sd().powi(2)).sum();
    let among = reckoning.neighbours(v);
    let spots = among.spots;
    let saving = |buffers| match among.k {
        None => spots.saving(buffers),
        Some(k) => spots.saving_in_patches(buffers, k),
    };
    let sprayed = 1.0 - saving(need);
    let mut keys: Vec<&'static str> = causes.iter().map(|c| c.0).collect();
    keys.dedup();
    let mut lines: Vec<Line> = keys
        .par_iter()
        .map(|key| {
            let own = || causes.iter().filter(|c| c.0 == *key).map(|c| &c.1);
            let sd = own().map(|c| c.spread.sd().powi(2)).sum::<f64>().sqrt();
            let half: Vec<Cause> = causes
                .iter()
                .map(|(of, cause)| Cause {
                    moves: cause.moves,
                    spread: cause.spread.scaled(if of == key { 0.5 } else { 1.0 }),
                })
                .collect();
            // What is next to nothing buys nothing.
            let better = if sd * sd > 2e-4 * all {
                let summed = reckoning.summed(&half, v).among(among);
                summed.smallest(hits).unwrap_or(need)
            } else {
                need
            };
            Line {
                key,
                moves: own().next().map_or("", |c| report::word(c.moves)),
                sd_mm: 1e3 * sd,
                swings: own().any(|c| matches!(c.spread, Spread::Swing(_))),
                share_percent: if all > 0.0 {
                    100.0 * sd * sd / all
                } else {
                    0.0
                },
                halved_shortens_mm: 1e3 * (need.sum() - better.sum()).max(0.0),
                halved_saves_percent: 100.0 * (1.0 - (1.0 - saving(better)) / sprayed).max(0.0),
            }
        })
        .collect();
    lines.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
    lines
}

/// The patch keys of the machine file.
fn settings(patch: &report::PatchKeys) -> Vec<Setting> {
    [
        ("lead_m", patch.lead_m, 3),
        ("lead_ms", patch.lead_ms, 1),
        ("trail_m", patch.trail_m, 3),
        ("trail_ms", patch.trail_ms, 1),
    ]
    .into_iter()
    .map(|(key, value, decimals)| Setting {
        place: Place::Table("patch"),
        key,
        to: To::Number(value, decimals),
    })
    .collect()
}
