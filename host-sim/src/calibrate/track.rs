//! The verb `calibrate track`: edges of patches on paper strips, at two speeds or more.
//!
//! An edge that comes too late by b seconds of travel at any speed is a delay that is longer than
//! the machine file says; one that lies too far on by a metres is a detector that tells plants too
//! far ahead. So delays grow by b, and the detector's `x_m` falls by a.

use calibration::Estimate;
use calibration::track::{self, Edge, EdgeFit, Strip};
use clap::Args;

use super::nozzles::{moved, no_such_nozzle};
use super::report::Report;
use super::settings::{MachineText, Place, Setting, To};
use super::track_plot::{self, Edges};
use super::{open, refused};
use crate::error::{Error, Result};
use crate::machine::Machine;

/// What to measure from.
#[derive(Debug, Default, Args)]
pub struct Wish {
    /// Strips: nozzle,speed_m_s,near_mm,far_mm,start_mm,stop_mm
    #[arg(value_name = "STRIPS.csv", required = true)]
    pub file: String,
    /// The detector under which the strips were driven, from 0; needed where there are several
    #[arg(long, value_name = "N")]
    pub detector: Option<usize>,
    /// The valves' delays were measured at the valves: what grows with speed goes into throw_ms
    #[arg(long)]
    pub delays_known: bool,
}

/// Measures; the figures, findings and lines for the machine file.
///
/// # Errors
/// What is wrong with the file, or that there is no machine file to measure against.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    let Some(text) = machine else {
        return Err(Error::Usage(
            "the track test needs the machine that drove over the strips\n  help: give --machine MACHINE.toml as it was during the test".into(),
        ));
    };
    let machine = &text.machine;
    let detector = detector(wish, machine)?;
    let refuse = |refusal| refused(&wish.file, refusal);
    let strips = track::read(open(&wish.file)?).map_err(refuse)?;
    if let Some(wrong) = strips.iter().find(|s| s.nozzle >= machine.nozzles.len()) {
        return Err(no_such_nozzle(
            &wish.file,
            wrong.line,
            wrong.nozzle,
            machine,
        ));
    }
    let (starts, stops) = (
        edges(&strips, machine, |e| e.0),
        edges(&strips, machine, |e| e.1),
    );
    let start = track::fit("start", &starts).map_err(refuse)?;
    let stop = track::fit("stop", &stops).map_err(refuse)?;
    // The middle of a patch and its length: what both ends have in common, and what not.
    let both = |f: fn(f64, f64) -> f64| {
        edges(&strips, machine, move |(start, stop)| {
            Some(f(start?, stop?))
        })
    };
    let whole = track::fit("whole patch", &both(|a, b| 0.5 * (a + b))).map_err(refuse)?;
    let longer = track::fit("whole patch", &both(|a, b| 0.5 * (b - a))).map_err(refuse)?;

    let mut report = Report::of("track");
    for (name, fit) in [("start", &start), ("stop", &stop)] {
        report.figure(format!("{name}, at any speed"), fit.offset);
        report.figure(format!("{name}, with speed"), fit.delay);
    }
    report.figure("whole patch, at any speed", whole.offset);
    report.note(
        "sign",
        "positive is too far on or too late; what goes with speed is a delay, the rest an offset",
    );
    report.note(
        "scatter",
        format!(
            "an edge lies {:.1} mm (start) and {:.1} mm (stop) about its line, one standard deviation",
            start.scatter_mm, stop.scatter_mm
        ),
    );
    let mut left_out: Vec<usize> = [&start, &stop]
        .iter()
        .flat_map(|f| f.left_out.clone())
        .collect();
    left_out.sort_unstable();
    for line in left_out {
        report.note(
            "outlier",
            format!("the edge on line {line} lies off beyond chance and is left out: read that strip again"),
        );
    }
    if !longer.offset.holds(0.0) {
        report.note(
            "length",
            format!(
                "at each end patches are {} longer than asked for at any speed: check the sizes that the detector reports, and that edges were read at half density",
                longer.offset
            ),
        );
    }
    offset(&mut report, machine, detector, &whole);
    delays(&mut report, text, wish, [&start, &stop], &whole);
    let mut nozzles = Vec::new();
    for (edge, fit) in [("start", &start), ("stop", &stop)] {
        nozzles.extend(fit.nozzles.iter().map(|n| {
            serde_json::json!({
                "edge": edge,
                "nozzle": n.nozzle,
                "offset_mm": n.offset.value,
                "delay_ms": n.delay.value,
                "differs": n.differs,
            })
        }));
    }
    report.detail = serde_json::json!({ "nozzles": nozzles });
    report.svg = Some(track_plot::draw([
        Edges {
            kind: "start",
            edges: &starts,
            fit: &start,
        },
        Edges {
            kind: "stop",
            edges: &stops,
            fit: &stop,
        },
    ]));
    Ok(report)
}

fn detector(wish: &Wish, machine: &Machine) -> Result<usize> {
    let most = machine.detectors.len();
    match wish.detector {
        Some(n) if n >= most => Err(Error::Usage(format!(
            "detector {n} does not exist\n  help: the machine has {most}, counted from 0"
        ))),
        Some(n) => Ok(n),
        None if most == 1 => Ok(0),
        None => Err(Error::Usage(format!(
            "the machine has {most} detectors\n  help: say with --detector which of them saw the marks; test one after the other"
        ))),
    }
}

/// Errors of both edges of each strip, of which `of` picks what is wanted, m.
fn edges(
    strips: &[Strip],
    machine: &Machine,
    of: impl Fn((Option<f64>, Option<f64>)) -> Option<f64>,
) -> Vec<Edge> {
    strips
        .iter()
        .filter_map(|s| {
            let (lead, trail) = wanted(machine, s.speed_m_s);
            let start = s.start_m.map(|at| at - (s.mark_m.0 - lead));
            let stop = s.stop_m.map(|at| at - (s.mark_m.1 + trail));
            of((start, stop)).map(|error_m| Edge {
                line: s.line,
                nozzle: s.nozzle,
                speed_m_s: s.speed_m_s,
                error_m,
            })
        })
        .collect()
}

/// The whole lead and trail at a speed, m: to half flow, as the controller plans them.
pub(crate) fn wanted(machine: &Machine, speed_m_s: f64) -> (f64, f64) {
    let (patch, valves, fan) = (&machine.patch, &machine.valves, machine.half_fan_m());
    (
        patch.lead_m + fan + (patch.lead_s + valves.open_rise_s / 2.0) * speed_m_s,
        patch.trail_m + fan + (patch.trail_s + valves.close_fall_s / 2.0) * speed_m_s,
    )
}

fn offset(report: &mut Report, machine: &Machine, detector: usize, whole: &EdgeFit) {
    if whole.offset.holds(0.0) {
        report.note("offset", "none that could be told from nothing: x_m stays");
        return;
    }
    let Some(mount) = machine.detectors.get(detector) else {
        return;
    };
    let new = moved(mount.x_m, &whole.offset.scaled(-1e-3, "m"));
    report.note(
        "offset",
        format!(
            "patches lie {} too far {}: detector {detector} tells plants too far {}, x_m from {:.4} to {:.4}",
            Estimate { value: whole.offset.value.abs(), ..whole.offset },
            if whole.offset.value > 0.0 { "on" } else { "back" },
            if whole.offset.value > 0.0 { "ahead" } else { "back" },
            mount.x_m,
            new.value
        ),
    );
    let place = Place::Entry("detector", detector);
    report.settings.push(Setting::figure(place, "x_m", &new));
}

/// One of the valves' delays: its key, and where a nozzle has it.
struct Delay {
    key: &'static str,
    each_key: &'static str,
    does: &'static str,
    of: fn(&crate::machine::Nozzle) -> f64,
    all: f64,
}

fn delays(
    report: &mut Report,
    text: &MachineText,
    wish: &Wish,
    fits: [&EdgeFit; 2],
    whole: &EdgeFit,
) {
    let valves = &text.machine.valves;
    if wish.delays_known {
        let usual = throw_ms(text);
        if !whole.delay.holds(0.0)
            && let Some(usual) = usual
        {
            let new = moved(usual, &whole.delay);
            report.note(
                "throw",
                format!(
                    "the spray flies on for {} longer than told: throw_ms from {usual:.2} to {:.2}",
                    whole.delay, new.value
                ),
            );
            report
                .settings
                .push(Setting::figure(Place::Table("nozzles"), "throw_ms", &new));
        }
        return;
    }
    let keys = [
        Delay {
            key: "open_delay_ms",
            each_key: "open_delay_of_each_ms",
            does: "open",
            of: |n| n.open_delay_s * 1e3,
            all: valves.open_delay_s * 1e3,
        },
        Delay {
            key: "close_delay_ms",
            each_key: "close_delay_of_each_ms",
            does: "close",
            of: |n| n.close_delay_s * 1e3,
            all: valves.close_delay_s * 1e3,
        },
    ];
    for (delay, fit) in keys.iter().zip(fits) {
        valve(report, text, delay, fit);
    }
}

/// `throw_ms` of all nozzles; none where they differ.
fn throw_ms(text: &MachineText) -> Option<f64> {
    let first = text.machine.nozzles.first()?.throw_s;
    let same = text.machine.nozzles.iter().all(|n| n.throw_s == first);
    same.then_some(first * 1e3)
}

fn valve(report: &mut Report, text: &MachineText, delay: &Delay, fit: &EdgeFit) {
    let key = delay.key;
    let moves = !fit.delay.holds(0.0);
    if moves {
        let new = moved(delay.all, &fit.delay);
        report.note(
            "delay",
            format!(
                "valves {} {} {} than told: {key} from {:.2} to {:.2}",
                delay.does,
                Estimate {
                    value: fit.delay.value.abs(),
                    ..fit.delay
                },
                if fit.delay.value > 0.0 {
                    "later"
                } else {
                    "sooner"
                },
                delay.all,
                new.value
            ),
        );
        report
            .settings
            .push(Setting::figure(Place::Table("valves"), key, &new));
    } else {
        report.note(
            "delay",
            format!("{key}: none that could be told from nothing: it stays"),
        );
    }
    let differs = |k: usize| fit.nozzles.iter().find(|n| n.nozzle == k && n.differs);
    // What each nozzle's own delay is to be, and whether it needs one of its own.
    let each: Vec<(Estimate, bool)> = (text.machine.nozzles.iter().enumerate())
        .map(|(k, nozzle)| {
            let told = (delay.of)(nozzle);
            match differs(k) {
                Some(n) => (moved(told, &n.delay), true),
                None if moves => (moved(told, &fit.delay), false),
                None => (
                    Estimate {
                        value: told,
                        ..fit.delay
                    },
                    false,
                ),
            }
        })
        .collect();
    for (k, (new, _)) in each.iter().enumerate() {
        if let Some(n) = differs(k) {
            report.fault(
                "differs",
                format!(
                    "nozzle {k} {}s {} later than it is told, the others {}: it gets {:.2} ms of its own; measure its valve (calibrate valves), or clean it",
                    delay.does, n.delay, fit.delay, new.value
                ),
            );
        }
    }
    let one_differs = each.iter().any(|(_, own)| *own);
    if text.has_entries("nozzle") {
        for (k, (new, own)) in each.iter().enumerate() {
            let place = Place::Entry("nozzle", k);
            if *own || (moves && text.has(place, key)) {
                report.settings.push(Setting::figure(place, key, new));
            }
        }
    } else if one_differs || (moves && text.has(Place::Table("valves"), delay.each_key)) {
        let all = each.iter().map(|(new, _)| new.value).collect();
        let to = To::List(all, fit.delay.decimals());
        report.settings.push(Setting {
            place: Place::Table("valves"),
            key: delay.each_key,
            to,
        });
    }
}
