//! The lines for `machine.toml`, and how they get into it with its comments kept.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use calibration::Estimate;
use toml_edit::{Array, DocumentMut, Formatted, Item, Table, TableLike, Value};

use super::report::Written;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output::read_text;

/// Where in the machine file a figure belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// A table, such as `[valves]`.
    Table(&'static str),
    /// One of several tables, such as the third `[[nozzle]]`; counted from 0.
    Entry(&'static str, usize),
}

/// One key of the machine file and what it is to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// The table.
    pub place: Place,
    /// The key, as the machine file has it.
    pub key: &'static str,
    /// What it is to be.
    pub to: To,
}

/// What a key is to be.
#[derive(Debug, Clone, PartialEq)]
pub enum To {
    /// A number, written with so many decimals.
    Number(f64, usize),
    /// A whole number.
    Whole(i64),
    /// A list of numbers, written with so many decimals.
    List(Vec<f64>, usize),
    /// The key goes, where it is there: another one takes its place.
    Gone,
}

impl Setting {
    /// A figure, written to two digits of its uncertainty.
    pub fn figure(place: Place, key: &'static str, figure: &Estimate) -> Setting {
        Setting {
            place,
            key,
            to: To::Number(figure.value, figure.decimals()),
        }
    }

    fn value(&self) -> Option<Value> {
        match &self.to {
            To::Number(x, decimals) => Some(number(*x, *decimals)),
            To::Whole(n) => Some(Value::Integer(Formatted::new(*n))),
            To::List(all, decimals) => {
                let list: Array = all.iter().map(|&x| number(x, *decimals)).collect();
                Some(Value::Array(list))
            }
            To::Gone => None,
        }
    }
}

/// A number that is rounded and stays a number with a point.
fn number(x: f64, decimals: usize) -> Value {
    let rounded: f64 = format!("{x:.decimals$}").parse().unwrap_or(x);
    // -0.0 is a number that nobody wants to read.
    Value::Float(Formatted::new(rounded + 0.0))
}

/// The settings as lines of a machine file, each table named once where its lines follow on.
pub fn lines(settings: &[Setting]) -> Vec<String> {
    let mut out = Vec::new();
    let mut before = None;
    for setting in settings {
        if before != Some(setting.place) {
            out.push(match setting.place {
                Place::Table(name) => format!("[{name}]"),
                Place::Entry(name, index) => format!("[[{name}]]  # {name} {index}, from 0"),
            });
            before = Some(setting.place);
        }
        out.push(match setting.value() {
            Some(value) => format!("{} = {value}", setting.key),
            None => format!("# {} goes", setting.key),
        });
    }
    out
}

/// A machine file as its text, to be edited, and as what it says.
#[derive(Debug, Clone)]
pub struct MachineText {
    file: String,
    before: String,
    text: DocumentMut,
    /// What the file said before any setting.
    pub machine: Machine,
}

impl MachineText {
    /// Reads and checks a machine file.
    pub fn load(file: &str) -> Result<MachineText> {
        let before = read_text(file)?;
        let machine = Machine::parse(file, &before)?;
        let text = before.parse::<DocumentMut>().map_err(|e| {
            let span = e.span().unwrap_or(0..0);
            let help = "correct this place; host-sim/formats/machine.md shows a whole file";
            Error::span(file, &before, span, e.message().to_owned(), help)
        })?;
        Ok(MachineText {
            file: file.to_owned(),
            before,
            text,
            machine,
        })
    }

    /// True where the file has this key itself.
    pub fn has(&self, place: Place, key: &str) -> bool {
        match place {
            Place::Table(name) => (self.text.get(name))
                .and_then(Item::as_table_like)
                .is_some_and(|t| t.contains_key(key)),
            Place::Entry(name, index) => (self.text.get(name))
                .and_then(|item| entry(item, index))
                .is_some_and(|t| t.contains_key(key)),
        }
    }

    /// Sets a key, or puts it at the end of its table; the comments about it stay.
    ///
    /// # Errors
    /// A table that the machine file lacks and that can't be begun by one key.
    pub fn set(&mut self, setting: &Setting) -> Result<()> {
        let missing = |what: String| {
            let help = "give the machine file that was measured; host-sim/formats/machine.md lists all tables";
            Error::file(&self.file, format!("{what} is not in the file"), help)
        };
        let table: &mut dyn TableLike = match setting.place {
            Place::Table(name) => {
                let absent = self.text.get(name).is_none();
                if absent && setting.to == To::Gone {
                    return Ok(());
                }
                let item = self.text.entry(name).or_insert(Item::Table(Table::new()));
                item.as_table_like_mut()
                    .ok_or_else(|| missing(format!("the table [{name}]")))?
            }
            Place::Entry(name, index) => (self.text.get_mut(name))
                .and_then(|item| entry_mut(item, index))
                .ok_or_else(|| missing(format!("[[{name}]] number {index}")))?,
        };
        let Some(value) = setting.value() else {
            table.remove(setting.key);
            return Ok(());
        };
        match table.get_mut(setting.key).and_then(Item::as_value_mut) {
            // The blanks before and the comment behind belong to the old value: they stay.
            Some(old) if same(old, &value) => {}
            Some(old) => {
                let decor = old.decor().clone();
                *old = value;
                *old.decor_mut() = decor;
            }
            None => {
                table.insert(setting.key, Item::Value(value));
            }
        }
        Ok(())
    }

    /// Whether the file as it would now be written is a whole machine; the machine.
    pub fn check(&self) -> Result<Machine> {
        Machine::parse(&self.file, &self.text.to_string())
    }

    /// Writes the file beside the old one and puts it in its place once it is whole.
    pub fn save(&self) -> Result<Written> {
        self.check()?;
        let after = self.text.to_string();
        let changed = after != self.before;
        if changed {
            replace(&self.file, &after).map_err(|e| Error::write(&self.file, e))?;
        }
        Ok(Written {
            file: self.file.clone(),
            changed,
        })
    }
}

/// True where both say the same number or list, however it is written.
fn same(old: &Value, new: &Value) -> bool {
    let plain = |v: &Value| match v {
        Value::Integer(n) => Some(*n.value() as f64),
        Value::Float(x) => Some(*x.value()),
        _ => None,
    };
    match (old, new) {
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b.iter()).all(|(a, b)| same(a, b))
        }
        _ => plain(old).is_some() && plain(old) == plain(new),
    }
}

fn entry(item: &Item, index: usize) -> Option<&dyn TableLike> {
    match item {
        Item::ArrayOfTables(all) => all.get(index).map(|t| t as &dyn TableLike),
        Item::Value(Value::Array(all)) => {
            let inline = all.get(index)?.as_inline_table()?;
            Some(inline as &dyn TableLike)
        }
        _ => None,
    }
}

fn entry_mut(item: &mut Item, index: usize) -> Option<&mut dyn TableLike> {
    match item {
        Item::ArrayOfTables(all) => all.get_mut(index).map(|t| t as &mut dyn TableLike),
        Item::Value(Value::Array(all)) => {
            let inline = all.get_mut(index)?.as_inline_table_mut()?;
            Some(inline as &mut dyn TableLike)
        }
        _ => None,
    }
}

/// Puts `text` where `file` is, by way of a new file beside it: whoever stops us half-way finds
/// the old file whole. Follows a link to the file itself, and keeps its permissions.
fn replace(file: &str, text: &str) -> std::io::Result<()> {
    let target: PathBuf = std::fs::canonicalize(Path::new(file))?;
    let mut name = target.file_name().unwrap_or_default().to_owned();
    name.push(format!(".new-{}", std::process::id()));
    let aside = target.with_file_name(name);
    let written = write_aside(&aside, &target, text);
    if written.is_err() {
        // Nothing worth telling beside the first error, should this fail too.
        let _left_behind = std::fs::remove_file(&aside);
    }
    written
}

fn write_aside(aside: &Path, target: &Path, text: &str) -> std::io::Result<()> {
    let mut to = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(aside)?;
    to.write_all(text.as_bytes())?;
    to.set_permissions(std::fs::metadata(target)?.permissions())?;
    to.sync_all()?;
    std::fs::rename(aside, target)
}
