//! What a study varies: the study file, checked, and the cells that come of it.
//!
//! `formats/study.md` is the reference of the keys. A cell is the base machine and scenario with
//! some keys changed; cells are made when they are driven, and not kept.

use std::path::Path;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use toml::{Spanned, Table, Value};

use crate::core_setup::Setup;
use crate::error::{Error, Result};
use crate::generate;
use crate::machine::Machine;
use crate::output;
use crate::scenario::Scenario;
use crate::toml_read::{Number, Source};

/// Most cells of a study.
pub const MOST_CELLS: u64 = 100_000;
/// Most runs of a study.
pub const MOST_RUNS: u64 = 10_000_000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    #[serde(rename = "study_format")]
    _format: i64,
    name: String,
    machine: String,
    scenario: String,
    seeds: Spanned<i64>,
    first_seed: Option<Spanned<i64>>,
    draws: Option<Spanned<i64>>,
    draws_seed: Option<Spanned<i64>>,
    dose: Option<RawDose>,
    #[serde(default)]
    vary: Vec<Spanned<RawVary>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDose {
    flow_l_min: Number,
    cell_mm: Option<Number>,
    step_ms: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawVary {
    key: Spanned<String>,
    values: Option<Spanned<Vec<Spanned<Value>>>>,
    from: Option<Number>,
    to: Option<Number>,
    steps: Option<Spanned<i64>>,
}

/// One key that is varied.
#[derive(Debug, Clone)]
pub struct Vary {
    /// The key, from `machine.` or `scenario.` on.
    pub key: String,
    place: std::ops::Range<usize>,
    values: Vec<(Value, std::ops::Range<usize>)>,
    /// Drawn evenly between; without it, from the values.
    between: Option<(f64, f64)>,
}

/// The grid that spray is laid down on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoseGrid {
    /// Flow of an open nozzle, L/min.
    pub flow_l_min: f64,
    /// Size of a cell, mm.
    pub cell_mm: f64,
    /// Time step, ms.
    pub step_ms: f64,
}

/// A checked study.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Its file's name in messages.
    pub file: String,
    /// Text of the study file.
    pub text: String,
    /// What the user calls it.
    pub name: String,
    /// Text of the machine file.
    pub machine_text: String,
    /// Text of the scenario file.
    pub scenario_text: String,
    /// Seeds of each cell.
    pub seeds: u64,
    /// The first of them.
    pub first_seed: u64,
    /// Keys that are varied.
    pub vary: Vec<Vary>,
    /// Spray laid down on a grid, where it is asked for.
    pub dose: Option<DoseGrid>,
    draws: Option<(u64, u64)>,
    machine: Table,
    scenario: Table,
}

impl Plan {
    /// Reads a study file and what it names, and checks every cell before anything runs.
    pub fn load(file: &str) -> Result<Plan> {
        Self::read(file, None)
    }

    /// The study that a folder holds, with the files beside it there.
    pub fn held(folder: &Path) -> Result<Plan> {
        let at = |name: &str| folder.join(name).display().to_string();
        Self::read(
            &at("study.toml"),
            Some((at("machine.toml"), at("scenario.toml"))),
        )
    }

    fn read(file: &str, others: Option<(String, String)>) -> Result<Plan> {
        let text = output::read_text(file)?;
        let source = Source { file, text: &text };
        let raw: Raw = source.parse("study")?;
        let beside = |name: &str| {
            let folder = Path::new(file).parent().unwrap_or(Path::new(""));
            folder.join(name).display().to_string()
        };
        let (machine_file, scenario_file) =
            others.unwrap_or_else(|| (beside(&raw.machine), beside(&raw.scenario)));
        let machine_text = output::read_text(&machine_file)?;
        let scenario_text = output::read_text(&scenario_file)?;
        // The base itself must be sound, with messages at their own lines.
        let machine = Machine::parse(&machine_file, &machine_text)?;
        Setup::new(&machine_file, &machine)?.core().map(drop)?;
        Scenario::parse(&scenario_file, &scenario_text)?;
        let table = |file: &str, text: &str| {
            text.parse::<Table>()
                .map_err(|e| Error::file(file, e.message().to_owned(), "correct the file"))
        };
        let draws = match &raw.draws {
            None => None,
            Some(n) => {
                let seed = raw.draws_seed.as_ref();
                let seed = seed.map_or(Ok(1), |s| {
                    source.whole("draws_seed", s, 0u64, u64::MAX >> 1)
                })?;
                Some((source.whole("draws", n, 1u64, MOST_CELLS)?, seed))
            }
        };
        let mut vary: Vec<Vary> = Vec::new();
        for one in &raw.vary {
            let new = check_vary(&source, one, draws.is_some())?;
            if vary.iter().any(|v| v.key == new.key) {
                return Err(source.at(
                    new.place,
                    format!("`{}` is varied twice", new.key),
                    "keep one of the two",
                ));
            }
            vary.push(new);
        }
        let dose = raw
            .dose
            .as_ref()
            .map(|d| {
                Ok(DoseGrid {
                    flow_l_min: source.within("flow_l_min", &d.flow_l_min, 0.001, 100.0)?,
                    cell_mm: source.within_or("cell_mm", &d.cell_mm, 1.0, 500.0, 10.0)?,
                    step_ms: source.within_or("step_ms", &d.step_ms, 0.1, 100.0, 2.0)?,
                })
            })
            .transpose()?;
        let first_seed = raw.first_seed.as_ref();
        let plan = Plan {
            file: file.to_owned(),
            name: raw.name.clone(),
            machine: table(&machine_file, &machine_text)?,
            scenario: table(&scenario_file, &scenario_text)?,
            machine_text,
            scenario_text,
            seeds: source.whole("seeds", &raw.seeds, 1u64, MOST_RUNS)?,
            first_seed: first_seed.map_or(Ok(1), |n| {
                source.whole("first_seed", n, 0u64, u64::MAX >> 2)
            })?,
            vary,
            dose,
            draws,
            text: text.clone(),
        };
        let cells = plan
            .vary
            .iter()
            .try_fold(1u64, |n, v| n.checked_mul(v.values.len().max(1) as u64));
        let cells = if plan.draws.is_some() {
            Some(plan.cells())
        } else {
            cells
        };
        match cells {
            Some(n) if n <= MOST_CELLS && n.saturating_mul(plan.seeds) <= MOST_RUNS => {}
            _ => {
                return Err(source.at(
                    raw.seeds.span(),
                    format!("the study has more than {MOST_CELLS} cells or {MOST_RUNS} runs"),
                    "vary fewer values or keys, or give `draws` for cells drawn at random",
                ));
            }
        }
        plan.check(&source)?;
        Ok(plan)
    }

    /// How many cells there are.
    pub fn cells(&self) -> u64 {
        match self.draws {
            Some((draws, _)) => draws,
            None => self.vary.iter().map(|v| v.values.len() as u64).product(),
        }
    }

    /// How many runs there are.
    pub fn runs(&self) -> u64 {
        self.cells() * self.seeds
    }

    /// The value of each varied key in a cell: the last key runs fastest.
    pub fn values(&self, cell: u64) -> Vec<Value> {
        match self.draws {
            Some((_, seed)) => {
                let mut rng =
                    Pcg64Mcg::seed_from_u64(seed ^ cell.wrapping_mul(0x9e37_79b9_7f4a_7c15));
                let drawn = self.vary.iter().map(|v| {
                    let part: f64 = rng.random();
                    match v.between {
                        Some((from, to)) => Value::Float(from + part * (to - from)),
                        None => {
                            let index = (part * v.values.len() as f64) as usize;
                            let last = v.values.len().saturating_sub(1);
                            v.values[index.min(last)].0.clone()
                        }
                    }
                });
                drawn.collect()
            }
            None => {
                let mut rest = cell;
                let mut all: Vec<Value> = Vec::with_capacity(self.vary.len());
                for v in self.vary.iter().rev() {
                    let n = v.values.len() as u64;
                    all.push(v.values[(rest % n) as usize].0.clone());
                    rest /= n;
                }
                all.reverse();
                all
            }
        }
    }

    /// The machine and scenario of a cell.
    pub fn cell(&self, cell: u64) -> Result<(Machine, Scenario)> {
        self.with(&self.values(cell))
    }

    fn with(&self, values: &[Value]) -> Result<(Machine, Scenario)> {
        let (mut machine, mut scenario) = (self.machine.clone(), self.scenario.clone());
        for (vary, value) in self.vary.iter().zip(values) {
            let (table, path) = match vary.key.split_once('.') {
                Some(("machine", path)) => (&mut machine, path),
                Some((_, path)) => (&mut scenario, path),
                None => continue,
            };
            put(table, path, value).map_err(|what| {
                Error::file(
                    &self.file,
                    what,
                    "give a key of the machine or scenario file",
                )
            })?;
        }
        let text =
            |table: &Table| toml::to_string(table).map_err(|e| Error::Internal(e.to_string()));
        Ok((
            Machine::parse("machine", &text(&machine)?)?,
            Scenario::parse("scenario", &text(&scenario)?)?,
        ))
    }

    /// Refuses what no run could be made of, at its place in the study file.
    fn check(&self, source: &Source<'_>) -> Result<()> {
        // Each value by itself first, so that the message stands where the fault is.
        let base: Vec<Option<Value>> = self
            .vary
            .iter()
            .map(|v| v.values.first().map(|x| x.0.clone()))
            .collect();
        for (index, vary) in self.vary.iter().enumerate() {
            for (value, place) in &vary.values {
                let mut one = self.clone();
                one.vary = vec![self.vary[index].clone()];
                if let Err(error) = one.with(std::slice::from_ref(value)).and_then(sound) {
                    // With others' first values it may be right: checked as whole cells below.
                    let all: Vec<Value> = base
                        .iter()
                        .enumerate()
                        .filter_map(|(i, b)| {
                            if i == index {
                                Some(value.clone())
                            } else {
                                b.clone()
                            }
                        })
                        .collect();
                    if all.len() == self.vary.len() && self.with(&all).and_then(sound).is_ok() {
                        continue;
                    }
                    let (what, help) = words(error);
                    let unknown = what.contains("unknown field") || what.contains("is not there");
                    let place = if unknown { &vary.place } else { place };
                    return Err(source.at(
                        place.clone(),
                        format!("`{}` = {value}: {what}", vary.key),
                        help,
                    ));
                }
            }
        }
        let wrong = (0..self.cells())
            .into_par_iter()
            .find_map_first(|cell| Some((cell, self.cell(cell).and_then(sound).err()?)));
        if let Some((cell, error)) = wrong {
            let (what, help) = words(error);
            let place = self.vary.last().map_or(0..0, |v| v.place.clone());
            return Err(source.at(
                place,
                format!("cell {cell}, {}: {what}", self.told(cell)),
                help,
            ));
        }
        Ok(())
    }

    /// A cell's keys and values in words.
    pub fn told(&self, cell: u64) -> String {
        let all = self.vary.iter().zip(self.values(cell));
        let all: Vec<String> = all.map(|(v, x)| format!("{} = {x}", v.key)).collect();
        if all.is_empty() {
            return "nothing varied".into();
        }
        all.join(", ")
    }

    /// SHA-256 of all that decides what comes out.
    pub fn digest(&self) -> String {
        let mut hash = Sha256::new();
        for text in [&self.text, &self.machine_text, &self.scenario_text] {
            hash.update((text.len() as u64).to_le_bytes());
            hash.update(text.as_bytes());
        }
        hash.update(env!("CARGO_PKG_VERSION"));
        hex(&hash.finalize())
    }
}

/// Bytes as hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Whether the core takes the machine and the world can be driven, without driving it.
fn sound((machine, scenario): (Machine, Scenario)) -> Result<()> {
    Setup::new("machine", &machine)?.core().map(drop)?;
    generate::check("scenario", &scenario, &machine)
}

/// Message and remedy of an error.
fn words(error: Error) -> (String, String) {
    match error {
        Error::Input(e) => (e.message, e.remedy),
        other => (other.to_string(), "change the value".into()),
    }
}

/// Sets a key in a table; `path` goes down by dots, through tables that may be new, and into lists
/// of tables by number or by `*` for all of them.
fn put(table: &mut Table, path: &str, value: &Value) -> std::result::Result<(), String> {
    let Some((first, rest)) = path.split_once('.') else {
        table.insert(path.to_owned(), value.clone());
        return Ok(());
    };
    let list = rest.split('.').next().unwrap_or_default();
    let by_number = list == "*" || list.chars().all(|c| c.is_ascii_digit());
    let entry = match table.get_mut(first) {
        Some(entry) => entry,
        None if by_number => return Err(format!("`{first}` is not there, so it has no `{list}`")),
        None => table
            .entry(first.to_owned())
            .or_insert(Value::Table(Table::new())),
    };
    match entry {
        Value::Table(inner) => put(inner, rest, value),
        Value::Array(all) => {
            let Some((number, key)) = rest.split_once('.') else {
                return Err(format!(
                    "`{first}` is a list: give a number or `*`, and a key"
                ));
            };
            let chosen = |index: usize| number == "*" || number.parse() == Ok(index);
            let mut any = false;
            for (_, item) in all.iter_mut().enumerate().filter(|(i, _)| chosen(*i)) {
                let Value::Table(inner) = item else {
                    return Err(format!("`{first}` holds no tables"));
                };
                put(inner, key, value)?;
                any = true;
            }
            if any {
                Ok(())
            } else {
                Err(format!(
                    "`{first}.{number}` is not there: the list has {}",
                    all.len()
                ))
            }
        }
        _ => Err(format!("`{first}` is a value, not a table")),
    }
}

fn check_vary(source: &Source<'_>, raw: &Spanned<RawVary>, drawn: bool) -> Result<Vary> {
    let v = raw.get_ref();
    let key = v.key.get_ref().clone();
    let place = v.key.span();
    let empty = key.split('.').any(str::is_empty);
    if empty || !(key.starts_with("machine.") || key.starts_with("scenario.")) {
        return Err(source.at(
            place,
            format!("`{key}` is no key of the machine or the scenario"),
            "begin it with `machine.` or `scenario.`, such as `machine.patch.lead_m`",
        ));
    }
    if matches!(
        key.as_str(),
        "scenario.seed"
            | "scenario.machine"
            | "scenario.scenario_format"
            | "machine.machine_format"
    ) {
        return Err(source.at(
            place,
            format!("`{key}` can't be varied"),
            "seeds are counted by `seeds` and `first_seed`",
        ));
    }
    let mut values = Vec::new();
    let mut between = None;
    match (&v.values, &v.from, &v.to) {
        (Some(all), None, None) => {
            if all.get_ref().is_empty() || v.steps.is_some() {
                return Err(source.at(
                    all.span(),
                    "`values` is empty, or `steps` stands beside it",
                    "list the values, or give `from`, `to` and `steps`",
                ));
            }
            for value in all.get_ref() {
                values.push((value.get_ref().clone(), value.span()));
            }
        }
        (None, Some(from), Some(to)) => {
            let (low, high) = (
                source.within("from", from, -1e12, 1e12)?,
                source.within("to", to, -1e12, 1e12)?,
            );
            let steps = match &v.steps {
                Some(n) => source.whole("steps", n, 2u64, 10_000)?,
                None if drawn => {
                    between = Some((low, high));
                    2
                }
                None => {
                    return Err(source.at(
                        raw.span(),
                        "`steps` is missing",
                        "give how many values to take from `from` to `to`, both counted",
                    ));
                }
            };
            for i in 0..steps {
                let part = i as f64 / (steps - 1) as f64;
                let place = if i == 0 { from.span() } else { to.span() };
                // To nine digits: 0.30000000000000004 helps nobody.
                let value: f64 = format!("{:.9e}", low + part * (high - low))
                    .parse()
                    .unwrap_or(low);
                values.push((Value::Float(value), place));
            }
        }
        _ => {
            return Err(source.at(
                raw.span(),
                "what the key is to be is missing, or told twice",
                "give `values`, or `from` and `to` with `steps`",
            ));
        }
    }
    Ok(Vary {
        key,
        place,
        values,
        between,
    })
}
