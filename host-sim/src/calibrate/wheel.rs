//! The verb `calibrate wheel`: pulses a metre, slots a turn, slip, from pulses over a taped distance.

use std::fs::File;
use std::io::BufReader;

use calibration::capture::{Form, Watch, form};
use calibration::wheel::slots::{find, offsets};
use calibration::wheel::{Run, Train, listed, pulses, pulses_per_m, slip};
use clap::Args;
use serde_json::json;

use super::report::Report;
use super::settings::{MachineText, Place, Setting, To};
use super::valves::of_capture;
use super::{refused, wheel_plot};
use crate::error::{Error, Result};

/// What to measure from.
#[derive(Debug, Args)]
pub struct Wish {
    /// The pulses of one drive each: a list of times, or a capture with --channel
    #[arg(value_name = "RUN", required = true)]
    pub runs: Vec<String>,
    /// The taped distance, m; once for all runs, or once a run in their order
    #[arg(long, value_name = "D", required = true)]
    pub distance_m: Vec<f64>,
    /// How far the tape may be off, m: half of its 95 % interval
    #[arg(long, value_name = "E", default_value_t = 0.05)]
    pub tape_m: f64,
    /// The wheel's channel in captures: NAME, or !NAME where the pulse is low
    #[arg(long, value_name = "NAME")]
    pub channel: Option<String>,
    /// In captures a level counts once it has held for so long, ms
    #[arg(long, value_name = "T", default_value_t = 0.2)]
    pub debounce_ms: f64,
    /// Runs with the tank empty, over the same distance: tells the slip of the others
    #[arg(long, value_name = "RUN")]
    pub unloaded: Vec<String>,
}

/// Measures the wheel.
///
/// # Errors
/// What is wrong with the wish or a file.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    let range = |option: &str, x: f64, low: f64, high: f64| match (low..=high).contains(&x) {
        true => Ok(x),
        false => Err(Error::Usage(format!(
            "{option} is {x}, which is outside {low} to {high}\n  help: the unit is the one at the end of the option"
        ))),
    };
    let tape_m = range("--tape-m", wish.tape_m, 0.0, 10.0)?;
    let debounce_s = 1e-3 * range("--debounce-ms", wish.debounce_ms, 0.0, 1000.0)?;
    for &distance in &wish.distance_m {
        range("--distance-m", distance, 1.0, 10_000.0)?;
    }
    let channel = (wish.channel.as_deref().map(Watch::parse).transpose())
        .map_err(|r| Error::Usage(format!("--channel: {}\n  help: {}", r.what, r.remedy)))?;
    let all = wish.runs.len() + wish.unloaded.len();
    let distances = match wish.distance_m.as_slice() {
        [one] => vec![*one; all],
        each if each.len() == all => each.to_vec(),
        each => {
            return Err(Error::Usage(format!(
                "{} distances are given for {all} runs\n  help: give --distance-m once for all, or once a run: first the runs, then the unloaded ones",
                each.len()
            )));
        }
    };
    let files = wish.runs.iter().chain(&wish.unloaded);
    let mut runs = Vec::new();
    for (file, &distance_m) in files.zip(&distances) {
        let times = read(file, channel.as_ref(), debounce_s)?;
        runs.push(Run { times, distance_m });
    }
    let unloaded = runs.split_off(wish.runs.len());
    let mut report = Report::of("wheel");
    let first = wish.runs.first().map_or("", String::as_str);
    let length = pulses_per_m(&runs, tape_m).map_err(|r| refused(first, r))?;
    for (file, run) in wish.runs.iter().zip(&runs) {
        let text = format!(
            "{file}: {} pulses over {} m, {:.3} a metre",
            run.times.len(),
            run.distance_m,
            run.times.len() as f64 / run.distance_m
        );
        report.note("run", text);
    }
    report.figure("the wheel gives", length);
    if length.half_width > 0.005 * length.value {
        report.note("wide", "the interval is wider than 0.5 %: 5 mm in a metre between detector and nozzle; drive longer or more runs");
    }
    if let Some(machine) = machine {
        let now = 1.0 / machine.machine.wheel.pulse.metres();
        if (now - length.value).abs() > length.half_width {
            report.note(
                "machine file",
                format!("it says {now:.4} pulses a metre, {length} is measured"),
            );
        }
    }
    if !unloaded.is_empty() {
        let name = wish.unloaded.first().map_or("", String::as_str);
        let free = pulses_per_m(&unloaded, tape_m).map_err(|r| refused(name, r))?;
        report.figure("unloaded it gives", free);
        // The same tape for both: its error cancels.
        let of = |runs: &[Run], name: &str| pulses_per_m(runs, 0.0).map_err(|r| refused(name, r));
        report.figure(
            "slip under load",
            slip(&of(&runs, first)?, &of(&unloaded, name)?).percent,
        );
    }
    // What the machine file calls it decides which of the two keys is written.
    let wheel = Place::Table("wheel");
    if machine.is_some_and(|m| m.has(wheel, "pulse_length_m")) {
        let metres = calibration::Estimate {
            value: 1.0 / length.value,
            half_width: length.half_width / (length.value * length.value),
            unit: "m",
            n: length.n,
        };
        report.figure("ground a pulse", metres);
        report
            .settings
            .push(Setting::figure(wheel, "pulse_length_m", &metres));
    } else {
        report
            .settings
            .push(Setting::figure(wheel, "pulses_per_m", &length));
    }
    slots(&runs, &mut report);
    Ok(report)
}

fn read(file: &str, channel: Option<&Watch>, debounce_s: f64) -> Result<Vec<f64>> {
    let open = File::open(file).map_err(|e| Error::read(file, e))?;
    let mut from = BufReader::with_capacity(256 * 1024, open);
    let dump = form(&mut from).map_err(|e| Error::read(file, e))? == Form::Vcd;
    match channel {
        Some(channel) => pulses(from, channel, debounce_s),
        None if dump => {
            return Err(Error::file(
                file,
                "this is a capture, and no channel is named",
                "name the wheel's channel: --channel NAME",
            ));
        }
        None => listed(from),
    }
    .map_err(|e| of_capture(file, e))
}

/// Slots a turn and where they sit.
fn slots(runs: &[Run], report: &mut Report) {
    let trains: Vec<Train> = runs.iter().map(|r| Train::of(&r.times)).collect();
    let (lost, surplus) = trains
        .iter()
        .fold((0, 0), |n, t| (n.0 + t.lost, n.1 + t.surplus));
    if lost + surplus > 0 {
        report.note("pulses", format!("{lost} seem to be missing and {surplus} too many: they shift the count; look at sensor, gap and wiring"));
    }
    let Some(found) = find(&trains) else {
        report.note("slots", "no number of slots from 2 to 128 stands out: the wheel is too even or the runs too short (four turns and more)");
        report.svg = Some(wheel_plot::draw(&trains, None));
        return;
    };
    let longest = trains.iter().max_by_key(|t| t.logs.len());
    let places = longest.and_then(|train| offsets(train, found.a_turn));
    report.note(
        "slots",
        format!(
            "{} slots a turn; the next best, {}, is behind by {:.0} (12 and more is sure)",
            found.a_turn, found.next, found.ahead_of_next
        ),
    );
    report.svg = Some(wheel_plot::draw(
        &trains,
        places.as_ref().map(|p| (found.a_turn, p)),
    ));
    if let Some(places) = &places {
        let percent = calibration::Estimate {
            value: 100.0 * places.unevenness,
            half_width: 100.0 * places.half_width,
            unit: "% of a pulse",
            n: found.a_turn,
        };
        report.figure("slots sit off their even place by", percent);
    }
    report.detail = json!({ "slots": found, "offsets": places, "lost": lost, "surplus": surplus });
    report.settings.push(Setting {
        place: Place::Table("wheel"),
        key: "slots_per_turn",
        to: To::Whole(found.a_turn as i64),
    });
}
