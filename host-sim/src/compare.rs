//! The verb `compare`: two machine files on one recording, side by side.
//!
//! Each file drives its own fresh controller and is judged by its own margins and tolerances, so a
//! table shows what a change of settings does to the same drive. `formats/compare.md` is the
//! reference.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::Serialize;

use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;
use crate::recording::Recording;
use crate::replay::replay;
use crate::run::{self, Controlled};
use crate::scene::Scene;
use crate::summary::Summary;
use crate::truth::Truth;

/// What `compare` is asked to do; `-` as recording is standard input.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    /// The recording.
    pub recording: String,
    /// The two machine files.
    pub machines: [String; 2],
    /// The truth file, if the drive was simulated.
    pub truth: Option<String>,
}

/// Everything that `compare` reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Comparison {
    /// Name of the recording.
    pub name: String,
    /// `holds` when both do, else `broken`.
    pub verdict: &'static str,
    /// `truth` or `hindsight`.
    pub basis: &'static str,
    /// Paths of the two machine files.
    pub machines: [String; 2],
    /// Keys of the machine files that differ.
    pub settings: Vec<Setting>,
    /// Those of them that each result takes for true of the machine, each file its own.
    pub taken_for_true: Vec<String>,
    /// Results side by side.
    pub rows: Vec<Row>,
    /// The two results in full.
    pub results: [Summary; 2],
}

/// A key of the machine files that differs; `null` where a file leaves it out.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Setting {
    /// Its path, such as `patch.lead_m`.
    pub key: String,
    /// Value in each file.
    pub values: [Option<String>; 2],
}

/// One result of both.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Row {
    /// Name for people, with the unit.
    pub what: &'static str,
    /// Value of each.
    pub values: [f64; 2],
    /// Second less first.
    pub difference: f64,
    /// Decimal places worth showing.
    #[serde(skip)]
    places: usize,
}

/// Replays and judges a recording with both machine files.
pub fn compare_files(wish: &Wish) -> Result<Comparison> {
    let texts = [
        output::read_text(&wish.machines[0])?,
        output::read_text(&wish.machines[1])?,
    ];
    let machines = [
        Machine::parse(&wish.machines[0], &texts[0])?,
        Machine::parse(&wish.machines[1], &texts[1])?,
    ];
    let recording = Recording::load(&wish.recording)?;
    let truth = match &wish.truth {
        Some(path) => Some((path.as_str(), Truth::load(path)?)),
        None => None,
    };
    let one = |i: usize| -> Result<Summary> {
        let (file, machine) = (&wish.machines[i], &machines[i]);
        run::same_detectors(&wish.recording, &recording, file, machine)?;
        let scene = match &truth {
            Some((path, truth)) => Scene::from_truth(path, truth, machine, &recording)?,
            None => Scene::in_hindsight(&wish.recording, machine, &recording)?,
        };
        let replayed = replay(file, machine, &recording)?;
        Ok(run::judge(machine, &recording, &scene, &Controlled::Core(&replayed))?.1)
    };
    let results = [one(0)?, one(1)?];
    let settings = settings(&texts)?;
    let true_valves = truth.as_ref().is_some_and(|(_, t)| t.valves.is_some());
    Ok(Comparison {
        taken_for_true: settings
            .iter()
            .map(|s| s.key.clone())
            .filter(|key| taken_for_true(key, truth.is_some(), true_valves))
            .collect(),
        name: recording.name.clone(),
        verdict: if results.iter().all(Summary::holds) {
            "holds"
        } else {
            "broken"
        },
        basis: results[0].basis,
        machines: wish.machines.clone(),
        settings,
        rows: rows(&results),
        results,
    })
}

/// Whether a result depends on this key being true of the machine: the judge takes nozzles and
/// valves from the machine file, and wheel and detectors too where there is no truth.
fn taken_for_true(key: &str, truth: bool, true_valves: bool) -> bool {
    let in_table = |table: &str| {
        key.strip_prefix(table)
            .is_some_and(|rest| rest.starts_with(['.', '[']))
    };
    // A drive's own valves stand in for delays, but for no other key of a nozzle.
    let delay = in_table("valves") || key.ends_with("delay_ms");
    if delay {
        return !true_valves;
    }
    ["boom", "nozzle", "nozzles"].into_iter().any(in_table)
        || (!truth && ["wheel", "detector"].into_iter().any(in_table))
}

/// What differs between two machine files that were read before.
fn settings(texts: &[String; 2]) -> Result<Vec<Setting>> {
    let mut keys: BTreeMap<String, [Option<String>; 2]> = BTreeMap::new();
    for (i, text) in texts.iter().enumerate() {
        let table: toml::Table = text
            .parse()
            .map_err(|e: toml::de::Error| Error::Internal(e.to_string()))?;
        flatten("", &toml::Value::Table(table), &mut |key, value| {
            keys.entry(key).or_default()[i] = Some(value);
        });
    }
    Ok(keys
        .into_iter()
        .filter(|(_, values)| values[0] != values[1])
        .map(|(key, values)| Setting { key, values })
        .collect())
}

/// Hands every value below `value` to `put` with its path.
fn flatten(path: &str, value: &toml::Value, put: &mut impl FnMut(String, String)) {
    let under = |key: &str| match path {
        "" => key.to_owned(),
        _ => format!("{path}.{key}"),
    };
    match value {
        toml::Value::Table(table) => {
            for (key, value) in table {
                flatten(&under(key), value, put);
            }
        }
        toml::Value::Array(list) => {
            for (i, value) in list.iter().enumerate() {
                flatten(&format!("{path}[{i}]"), value, put);
            }
        }
        // 8 and 8.0 are the same setting.
        toml::Value::Integer(n) => put(path.to_owned(), n.to_string()),
        toml::Value::Float(x) => put(path.to_owned(), x.to_string()),
        other => put(path.to_owned(), other.to_string()),
    }
}

fn rows(results: &[Summary; 2]) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut row = |what, places, of: &dyn Fn(&Summary) -> f64| {
        let values = [of(&results[0]), of(&results[1])];
        rows.push(Row {
            what,
            values,
            difference: values[1] - values[0],
            places,
        });
    };
    row("judged, plants", 0, &|s| s.targets.total as f64);
    row("full dose, plants", 0, &|s| s.targets.full as f64);
    row("sprayed in part, plants", 0, &|s| s.targets.partial as f64);
    row("missed, plants", 0, &|s| s.targets.missed as f64);
    row("start error, mean, mm", 1, &|s| s.start_error_mm.mean);
    row("start error, rms, mm", 1, &|s| s.start_error_mm.rms);
    row("start error, 99.9 %, mm", 1, &|s| s.start_error_mm.p99_9);
    row("start error, largest, mm", 1, &|s| s.start_error_mm.max);
    row("stop error, mean, mm", 1, &|s| s.stop_error_mm.mean);
    row("stop error, rms, mm", 1, &|s| s.stop_error_mm.rms);
    row("stop error, 99.9 %, mm", 1, &|s| s.stop_error_mm.p99_9);
    row("stop error, largest, mm", 1, &|s| s.stop_error_mm.max);
    row("edges within tolerance, %", 2, &|s| s.edges_within * 100.0);
    row("area sprayed, %", 2, &|s| s.sprayed_fraction * 100.0);
    row("saving against broadcast, %", 2, &|s| {
        s.saving_vs_broadcast * 100.0
    });
    row("commands", 0, &|s| s.commands as f64);
    row("openings too late", 0, &|s| s.late as f64);
    row("patches for several plants", 0, &|s| s.merged as f64);
    row("inputs refused", 0, &|s| s.rejected.unwrap_or(0) as f64);
    rows
}

impl Comparison {
    /// True when every tolerance holds with both machine files.
    pub fn holds(&self) -> bool {
        self.results.iter().all(Summary::holds)
    }

    /// The table that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail, so the results say nothing.
        let _ = writeln!(
            out,
            "{}: {}",
            self.name,
            match self.basis {
                "truth" => "judged against the true ground and the true plants",
                _ => "judged in hindsight from the recording alone",
            }
        );
        let _ = writeln!(out, "A: {}\nB: {}\n", self.machines[0], self.machines[1]);
        if self.settings.is_empty() {
            let _ = writeln!(out, "the two machine files hold the same settings");
        } else {
            let _ = writeln!(out, "{:<32}{:>12}{:>12}", "settings that differ", "A", "B");
        }
        for s in &self.settings {
            let shown = |i: usize| s.values[i].as_deref().unwrap_or("-");
            let _ = writeln!(out, "{:<32}{:>12}{:>12}", s.key, shown(0), shown(1));
        }
        if !self.taken_for_true.is_empty() {
            let _ = writeln!(
                out,
                "note: each result takes its own file's {} for true of the machine, so it says nothing of a wrong value",
                self.taken_for_true.join(", ")
            );
        }
        let _ = writeln!(
            out,
            "\n{:<32}{:>12}{:>12}{:>12}",
            "results", "A", "B", "B - A"
        );
        for row in &self.rows {
            let p = row.places;
            let [a, b] = row.values.map(|v| fixed(v, p, false));
            let _ = writeln!(
                out,
                "{:<32}{a:>12}{b:>12}{:>12}",
                row.what,
                fixed(row.difference, p, true)
            );
        }
        let _ = writeln!(out);
        for (name, result) in ["A", "B"].iter().zip(&self.results) {
            let _ = match result.holds() {
                true => writeln!(out, "{name}: holds"),
                false => writeln!(out, "{name}: broken: {}", result.reasons.join("; ")),
            };
        }
        let _ = writeln!(out, "verdict: {}", self.verdict);
        out
    }
}

/// A number with so many places, never `-0`, and with its sign if `signed`.
fn fixed(value: f64, places: usize, signed: bool) -> String {
    let shown = format!("{value:.places$}");
    let nothing = !shown.contains(|c: char| ('1'..='9').contains(&c));
    match (nothing, signed && value > 0.0) {
        (true, _) => shown.trim_start_matches('-').to_owned(),
        (false, true) => format!("+{shown}"),
        (false, false) => shown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_settings_that_differ_are_told() {
        let texts = [
            "name = \"a\"\n[patch]\nlead_m = 0.05\n[[detector]]\nx_m = 1\n",
            "name = \"a\"\n[patch]\nlead_m = 0.06\ntrail_m = 0.1\n[[detector]]\nx_m = 1.0\n",
        ]
        .map(str::to_owned);
        let found: Vec<_> = settings(&texts)
            .expect("both are TOML")
            .into_iter()
            .map(|s| (s.key, s.values))
            .collect();
        let some = |t: &str| Some(t.to_owned());
        assert_eq!(
            found,
            [
                ("patch.lead_m".to_owned(), [some("0.05"), some("0.06")]),
                ("patch.trail_m".to_owned(), [None, some("0.1")]),
            ]
        );
    }

    #[test]
    fn differences_show_a_sign_and_no_negative_nothing() {
        assert_eq!(fixed(-0.04, 1, true), "0.0");
        assert_eq!(fixed(0.0, 0, true), "0");
        assert_eq!(fixed(1.26, 1, true), "+1.3");
        assert_eq!(fixed(1.26, 1, false), "1.3");
        assert_eq!(fixed(-2.0, 0, true), "-2");
    }
}
