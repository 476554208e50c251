//! The verb `calibrate valves`: opening and closing delays from a logic analyser's captures.

use std::fs::File;
use std::io::BufReader;

use calibration::capture::{CaptureError, Watch};
use calibration::valves::fired::{Clock, SyncEdges, recognise};
use calibration::valves::{Measured, NozzleDelays, Pair, Setup, Side, measure as measure_delays};
use calibration::{Estimate, Moments, Refusal};
use clap::Args;
use serde::Deserialize;
use toml::Spanned;

use super::report::Report;
use super::settings::{MachineText, Place, Setting, To};
use super::{refused, valves_plot};
use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::machine::MOST_NOZZLES;
use crate::output::read_text;

/// Nozzles whose delays differ by less than this are told as one, ms: at 5 m/s 2.5 mm.
const ALIKE_MS: f64 = 0.5;
/// A drift or a voltage that moves the delay by this is worth a note, ms.
const NOTABLE_MS: f64 = 0.5;
/// A machine file whose figure is off by this and by the interval is worth a note, ms.
const OFF_MS: f64 = 0.5;

/// What to measure from.
#[derive(Debug, Args)]
pub struct Wish {
    /// The capture, as value change dump or as table
    #[arg(value_name = "CAPTURE", required = true)]
    pub capture: String,
    /// A nozzle's wires, NOZZLE:COMMAND:SENSE or, with --fired, NOZZLE:SENSE; once a nozzle. A
    /// wire is NAME, !NAME (on while 0), ~NAME (on while it changes), NAME>X or NAME<X
    #[arg(long, value_name = "N:COMMAND:SENSE")]
    pub pair: Vec<String>,
    /// A file with the wires of all nozzles instead
    #[arg(long, value_name = "WIRES.toml", conflicts_with = "pair")]
    pub wires: Option<String>,
    /// A channel with the supply's voltage
    #[arg(long, value_name = "NAME")]
    pub supply: Option<String>,
    /// What was fired, as `bench timing` writes it, where commands are not in the capture
    #[arg(long, value_name = "FIRED.csv", requires = "sync")]
    pub fired: Option<String>,
    /// The one command wire that is in the capture beside --fired
    #[arg(long, value_name = "N:COMMAND", requires = "fired")]
    pub sync: Option<String>,
    /// A level counts once it has held for so long, ms
    #[arg(long, value_name = "T", default_value_t = 2.0)]
    pub debounce_ms: f64,
    /// Longest delay that is looked for, ms
    #[arg(long, value_name = "T", default_value_t = 250.0)]
    pub longest_ms: f64,
    /// What the sensor itself is late by, ms; sound takes 2.9 ms a metre
    #[arg(long, value_name = "T", default_value_t = 0.0)]
    pub sense_lag_ms: f64,
    /// A nozzle is slow from so much above the middle of all, ms
    #[arg(long, value_name = "T", default_value_t = 5.0)]
    pub slow_ms: f64,
}

/// The wires of all nozzles, as a file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wires {
    supply: Option<String>,
    #[serde(default)]
    nozzle: Vec<Spanned<NozzleWires>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NozzleWires {
    nozzle: u16,
    command: Option<String>,
    sense: String,
}

/// Measures delays; a setting for each that the machine file can hold.
///
/// # Errors
/// What is wrong with the wish or a file.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    let setup = setup(wish)?;
    if let Some(told) = machine {
        let nozzles = told.machine.nozzles.len();
        if let Some(pair) = setup
            .pairs
            .iter()
            .find(|p| usize::from(p.nozzle) >= nozzles)
        {
            return Err(Error::Usage(format!(
                "nozzle {} is measured, but the machine has {nozzles}\n  help: nozzles count from 0 at the left",
                pair.nozzle
            )));
        }
    }
    let mut report = Report::of("valves");
    let fired = match (&wish.fired, &wish.sync) {
        (Some(list), Some(sync)) => laid_over(wish, &setup, list, sync, &mut report)?,
        _ => Vec::new(),
    };
    let fired: Vec<&[(i64, bool)]> = fired.iter().map(Vec::as_slice).collect();
    let found = measure_delays(open(&wish.capture)?, &setup, &fired)
        .map_err(|e| of_capture(&wish.capture, e))?;
    tell(&found, &mut report);
    settings(&found, machine, &mut report);
    report.svg = Some(valves_plot::draw(&found));
    report.detail = serde_json::to_value(&found).map_err(|e| Error::Internal(e.to_string()))?;
    Ok(report)
}

fn open(path: &str) -> Result<BufReader<File>> {
    let file = File::open(path).map_err(|e| Error::read(path, e))?;
    Ok(BufReader::with_capacity(256 * 1024, file))
}

/// A capture's error as the program's.
pub(super) fn of_capture(path: &str, error: CaptureError) -> Error {
    match error {
        CaptureError::Io(source) => Error::read(path, source),
        CaptureError::Refused(refusal) => refused(path, refusal),
    }
}

/// A refusal of an option.
fn of_option(option: &str, refusal: &Refusal) -> Error {
    Error::Usage(format!(
        "{option}: {}\n  help: {}",
        refusal.what, refusal.remedy
    ))
}

fn setup(wish: &Wish) -> Result<Setup> {
    let ms = |option: &str, ms: f64, low: f64, high: f64| match (low..=high).contains(&ms) {
        true => Ok(ms * 1e-3),
        false => Err(Error::Usage(format!(
            "{option} is {ms}, which is outside {low} to {high}\n  help: give milliseconds"
        ))),
    };
    let (pairs, supply) = match &wish.wires {
        Some(path) => wires(path, wish.fired.is_some())?,
        None => {
            let each = wish.pair.iter().map(|p| pair(p, wish.fired.is_some()));
            (each.collect::<Result<Vec<Pair>>>()?, None)
        }
    };
    if pairs.is_empty() {
        return Err(Error::Usage(
            "no nozzle is named\n  help: say which channels belong to which nozzle, such as --pair 0:D0:D1, or give them all with --wires WIRES.toml".into(),
        ));
    }
    let mut numbers: Vec<u16> = pairs.iter().map(|p| p.nozzle).collect();
    numbers.sort_unstable();
    if let Some(twice) = numbers.windows(2).find(|n| n[0] == n[1]) {
        return Err(Error::Usage(format!(
            "nozzle {} is named twice\n  help: name each nozzle once",
            twice[0]
        )));
    }
    if numbers
        .last()
        .is_some_and(|&n| usize::from(n) >= MOST_NOZZLES)
    {
        return Err(Error::Usage(format!(
            "a boom has at most {MOST_NOZZLES} nozzles\n  help: nozzles count from 0 at the left"
        )));
    }
    let supply = wish.supply.as_deref().map(Watch::number).or(supply);
    Ok(Setup {
        pairs,
        supply,
        debounce_s: ms("--debounce-ms", wish.debounce_ms, 0.0, 1000.0)?,
        longest_s: ms("--longest-ms", wish.longest_ms, 1.0, 10_000.0)?,
        lag_s: ms("--sense-lag-ms", wish.sense_lag_ms, 0.0, 1000.0)?,
        slow_s: ms("--slow-ms", wish.slow_ms, 0.0, 1000.0)?,
    })
}

fn pair(text: &str, fired: bool) -> Result<Pair> {
    let form = match fired {
        true => "--pair is NOZZLE:SENSE beside --fired, such as 3:D1",
        false => "--pair is NOZZLE:COMMAND:SENSE, such as 0:D0:D1",
    };
    let wrong = || {
        Error::Usage(format!(
            "{text:?} names no nozzle and its wires\n  help: {form}"
        ))
    };
    let watch = |text: &str| Watch::parse(text).map_err(|r| of_option("--pair", &r));
    let parts: Vec<&str> = text.split(':').collect();
    let (nozzle, command, sense) = match (parts.as_slice(), fired) {
        ([n, sense], true) => (n, None, sense),
        ([n, command, sense], _) => (n, Some(watch(command)?), sense),
        _ => return Err(wrong()),
    };
    Ok(Pair {
        nozzle: nozzle.trim().parse().map_err(|_| wrong())?,
        command,
        sense: watch(sense)?,
    })
}

fn wires(path: &str, fired: bool) -> Result<(Vec<Pair>, Option<Watch>)> {
    let text = read_text(path)?;
    let help = "each nozzle is a table [[nozzle]] with nozzle, command and sense; see host-sim/formats/calibrate.md";
    let wires: Wires = toml::from_str(&text).map_err(|e| {
        let span = e.span().unwrap_or(0..0);
        Error::span(
            path,
            &text,
            span,
            e.message().trim().replace('\n', "; "),
            help,
        )
    })?;
    let mut pairs = Vec::new();
    for table in &wires.nozzle {
        let place = |what: String| Error::span(path, &text, table.span(), what, help);
        let watch = |text: &str| Watch::parse(text).map_err(|r| place(r.what));
        let nozzle = table.get_ref();
        if nozzle.command.is_none() && !fired {
            return Err(place(format!(
                "nozzle {} has no command wire",
                nozzle.nozzle
            )));
        }
        pairs.push(Pair {
            nozzle: nozzle.nozzle,
            command: nozzle.command.as_deref().map(watch).transpose()?,
            sense: watch(&nozzle.sense)?,
        });
    }
    Ok((pairs, wires.supply.as_deref().map(Watch::number)))
}

/// The commands of the list on the capture's clock, for each pair.
fn laid_over(
    wish: &Wish,
    setup: &Setup,
    list: &str,
    sync: &str,
    report: &mut Report,
) -> Result<Vec<Vec<(i64, bool)>>> {
    let (nozzle, wire) = sync.split_once(':').ok_or_else(|| {
        Error::Usage(format!(
            "{sync:?} is no sync\n  help: --sync is NOZZLE:COMMAND, such as 0:D0"
        ))
    })?;
    let nozzle: u16 = nozzle.trim().parse().map_err(|_| {
        Error::Usage(format!(
            "{nozzle:?} is no nozzle\n  help: --sync is NOZZLE:COMMAND, such as 0:D0"
        ))
    })?;
    let wire = Watch::parse(wire).map_err(|r| of_option("--sync", &r))?;
    let commands = crate::commands::load(list, MOST_NOZZLES)?;
    in_turns(list, &commands)?;
    let of = |nozzle: u16| -> Vec<(f64, bool)> {
        let own = commands.iter().filter(|c| c.nozzle == nozzle);
        own.map(|c| (c.t_us as f64 * 1e-6, c.open)).collect()
    };
    let (seen, tick_s) = SyncEdges::read(open(&wish.capture)?, &wire, setup.debounce_s)
        .map_err(|e| of_capture(&wish.capture, e))?;
    let clock: Clock =
        recognise(&of(nozzle), &seen.edges).map_err(|r| refused(&wish.capture, r))?;
    report.note(
        "sync",
        format!(
            "{} edges of nozzle {nozzle} recognised; the capture's clock goes {:+.1} ppm against the board's, edges agree to {:.0} µs (one standard deviation)",
            clock.matched,
            1e6 * (clock.rate - 1.0),
            1e6 * clock.residual_s
        ),
    );
    let ticks = |s: f64| (clock.capture_s(s) / tick_s).round() as i64;
    let each = setup.pairs.iter().map(|pair| match pair.command {
        Some(_) => Vec::new(),
        None => of(pair.nozzle)
            .into_iter()
            .map(|(s, open)| (ticks(s), open))
            .collect(),
    });
    let each: Vec<Vec<(i64, bool)>> = each.collect();
    for (pair, own) in setup.pairs.iter().zip(&each) {
        if pair.command.is_none() && own.is_empty() {
            return Err(Error::file(
                list,
                format!("nozzle {} was never fired", pair.nozzle),
                "measure the nozzles that the list has, or fire this one too",
            ));
        }
    }
    Ok(each)
}

/// Each nozzle must be told to open and to close in turns, or delays would be of nothing.
fn in_turns(list: &str, commands: &[ValveCommand]) -> Result<()> {
    let mut open = [None; MOST_NOZZLES];
    for command in commands {
        let Some(last) = open.get_mut(usize::from(command.nozzle)) else {
            continue;
        };
        let does = if command.open { "open" } else { "close" };
        let (nozzle, at) = (command.nozzle, command.t_us as f64 * 1e-6);
        let what = match *last {
            None if !command.open => "before it was told to open",
            Some(last) if last == command.open => "twice in a row",
            _ => {
                *last = Some(command.open);
                continue;
            }
        };
        return Err(Error::file(
            list,
            format!("nozzle {nozzle} is told to {does} {what}, at {at:.6} s"),
            "give the whole list of the run, from its first opening on",
        ));
    }
    Ok(())
}

fn tell(found: &Measured, report: &mut Report) {
    for n in &found.nozzles {
        for (does, side) in [("opens", &n.open), ("closes", &n.close)] {
            let mut tell = |what: String, figure: Option<Estimate>| {
                if let Some(figure) = figure {
                    report.figure(what, figure);
                }
            };
            tell(format!("nozzle {} {does} after", n.nozzle), side.delay);
            tell(format!("nozzle {} {does}, spread", n.nozzle), side.spread);
        }
    }
    for n in &found.nozzles {
        for (does, side) in [("opens", &n.open), ("closes", &n.close)] {
            notes(n.nozzle, does, side, report);
        }
    }
    for fault in &found.faults {
        report.fault(fault.kind.word(), fault.says.clone());
    }
}

fn notes(nozzle: u16, does: &str, side: &Side, report: &mut Report) {
    let surely = |e: &Estimate| e.value.abs() > e.half_width && e.value.abs() > NOTABLE_MS;
    if let Some(drift) = side.drift.filter(surely) {
        report.note(
            "drift",
            format!("nozzle {nozzle} {does} {drift} later at the run's end than at its begin"),
        );
    }
    if let Some(volts) = side.per_volt.filter(surely) {
        report.note(
            "supply",
            format!("nozzle {nozzle} {does} {volts} of supply later"),
        );
    }
    if side.outliers > 0 {
        let shown: Vec<String> = (side.named.iter().take(6))
            .map(|d| format!("{:.1} ms at {:.3} s", 1e3 * d.delay_s, d.at_s))
            .collect();
        report.note(
            "outliers",
            format!(
                "nozzle {nozzle} {does}: {} left out, such as {}",
                side.outliers,
                shown.join(", ")
            ),
        );
    }
}

/// The lines for the machine file: boom-wide from the nozzles that are not slow, and a nozzle's own
/// where they differ.
fn settings(found: &Measured, machine: Option<&MachineText>, report: &mut Report) {
    type Get = fn(&NozzleDelays) -> &Side;
    let sides: [(&str, &str, &str, Get); 2] = [
        ("open", "open_delay_ms", "open_delay_of_each_ms", |n| {
            &n.open
        }),
        ("close", "close_delay_ms", "close_delay_of_each_ms", |n| {
            &n.close
        }),
    ];
    let slow = |n: &NozzleDelays| {
        let mut own = found.faults.iter().filter(|f| f.nozzle == n.nozzle);
        own.any(|f| f.kind == calibration::valves::Kind::Slow)
    };
    let mut singles = Vec::new();
    for (does, key, each_key, side) in sides {
        let told: Vec<(u16, Estimate)> = found
            .nozzles
            .iter()
            .filter_map(|n| side(n).delay.map(|d| (n.nozzle, d)))
            .filter(|(_, d)| d.half_width.is_finite())
            .collect();
        if told.len() < found.nozzles.len() {
            report.note(
                "too few",
                format!(
                    "not every nozzle {does}s twice or more in this capture: those have no figure"
                ),
            );
        }
        let sound: Moments = found
            .nozzles
            .iter()
            .filter(|n| !slow(n))
            .filter_map(|n| {
                side(n)
                    .delay
                    .filter(|d| d.half_width.is_finite())
                    .map(|d| d.value)
            })
            .collect();
        let Some(mean) = sound.mean("ms") else {
            continue;
        };
        // Between nozzles no narrower than the nozzles' own figures.
        let own = told.iter().map(|(_, d)| d.half_width).fold(0.0, f64::max);
        let boom = Estimate {
            half_width: if mean.n > 1 {
                mean.half_width.max(own / (mean.n as f64).sqrt())
            } else {
                own
            },
            ..mean
        };
        report.figure(format!("the boom {does}s after"), boom);
        if let Some(told) = machine {
            compare(told, does, &boom, report);
        }
        report
            .settings
            .push(Setting::figure(Place::Table("valves"), key, &boom));
        let differ = told
            .iter()
            .any(|(_, d)| (d.value - boom.value).abs() > ALIKE_MS.max(d.half_width));
        let decimals = told
            .iter()
            .map(|(_, d)| d.decimals())
            .max()
            .unwrap_or(2)
            .min(3);
        let Some(machine) = machine else {
            if differ {
                report.note("differ", format!("nozzles {does} at different times: with --machine their own delays go into the file"));
            }
            continue;
        };
        if machine.has_entries("nozzle") {
            singles.extend(told.iter().map(|(nozzle, d)| Setting {
                place: Place::Entry("nozzle", usize::from(*nozzle)),
                key,
                to: To::Number(d.value, decimals),
            }));
        } else if differ || machine.has(Place::Table("valves"), each_key) {
            let mut all = vec![boom.value; machine.machine.nozzles.len()];
            for (nozzle, d) in &told {
                if let Some(place) = all.get_mut(usize::from(*nozzle)) {
                    *place = d.value;
                }
            }
            if told.len() < all.len() {
                report.note("rest", format!("{} of {} nozzles were not measured: the list has the boom's figure for them", all.len() - told.len(), all.len()));
            }
            report.settings.push(Setting {
                place: Place::Table("valves"),
                key: each_key,
                to: To::List(all, decimals),
            });
        }
    }
    singles.sort_by_key(|s| match s.place {
        Place::Entry(_, index) => index,
        Place::Table(_) => 0,
    });
    report.settings.extend(singles);
}

/// Says so where the machine file is off by more than the measurement's uncertainty.
fn compare(told: &MachineText, does: &str, boom: &Estimate, report: &mut Report) {
    let valves = &told.machine.valves;
    let now = 1e3
        * match does {
            "open" => valves.open_delay_s,
            _ => valves.close_delay_s,
        };
    if (now - boom.value).abs() > boom.half_width.max(OFF_MS) {
        report.note(
            "machine file",
            format!("it says {now} ms for how the boom {does}s, {boom} is measured"),
        );
    }
}
