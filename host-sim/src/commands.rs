//! Command lists: what the valves were told, as CSV.
//!
//! `formats/commands.md` is the reference. One command a row in time order:
//! `t_us,nozzle,action,short_by_mm`.

use std::io::{Read, Write};

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::recording::LATEST_US;

/// One command to one valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ValveCommand {
    /// When the valve is told, µs on the recording's clock.
    pub t_us: u64,
    /// Nozzle by index from the left, from 0.
    pub nozzle: u16,
    /// True: open; false: close.
    pub open: bool,
    /// Ground of the patch that could not be reached any more, m; 0 when on time.
    pub short_by_m: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    t_us: u64,
    nozzle: u16,
    action: Action,
    short_by_mm: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Action {
    Open,
    Close,
}

/// Writes commands as CSV; `path` is the name shown in messages.
pub fn write(path: &str, to: impl Write, commands: &[ValveCommand]) -> Result<()> {
    let mut writer = csv::Writer::from_writer(to);
    if commands.is_empty() {
        writer
            .write_record(["t_us", "nozzle", "action", "short_by_mm"])
            .map_err(|e| io(path, e))?;
    }
    for c in commands {
        let row = Row {
            t_us: c.t_us,
            nozzle: c.nozzle,
            action: if c.open { Action::Open } else { Action::Close },
            short_by_mm: (c.short_by_m * 1e6).round() / 1e3,
        };
        writer.serialize(row).map_err(|e| io(path, e))?;
    }
    writer.flush().map_err(|e| Error::write(path, e))
}

/// Reads a command list for a boom of `nozzles` nozzles.
pub fn load(path: &str, nozzles: usize) -> Result<Vec<ValveCommand>> {
    let file = std::fs::File::open(path).map_err(|e| Error::read(path, e))?;
    read(path, file, nozzles)
}

/// Reads CSV; `file` is the name shown in messages. Times may repeat but not run backwards.
pub fn read(file: &str, from: impl Read, nozzles: usize) -> Result<Vec<ValveCommand>> {
    let mut reader = csv::Reader::from_reader(from);
    let help = "the columns are t_us,nozzle,action,short_by_mm; see host-sim/formats/commands.md";
    let wrong_header = match reader.headers() {
        Ok(header)
            if header
                .iter()
                .eq(["t_us", "nozzle", "action", "short_by_mm"]) =>
        {
            None
        }
        Ok(header) if header.is_empty() => Some("the command list is empty".to_owned()),
        Ok(_) => Some("the first line does not name the columns of a command list".to_owned()),
        Err(e) => Some(plain(&e)),
    };
    if let Some(message) = wrong_header {
        return Err(Error::line(file, 1, None, message, help));
    }
    let mut commands: Vec<ValveCommand> = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        let line = reader.position().line() as usize;
        match reader.read_record(&mut record) {
            Ok(false) => return Ok(commands),
            Ok(true) => {}
            Err(e) => return Err(Error::line(file, line, None, plain(&e), help)),
        }
        let line = record.position().map_or(line, |p| p.line() as usize);
        let row: Row = record
            .deserialize(None)
            .map_err(|e| Error::line(file, line, None, plain(&e), help))?;
        let complain =
            |message: String, remedy: &str| Err(Error::line(file, line, None, message, remedy));
        if usize::from(row.nozzle) >= nozzles {
            return complain(
                format!("nozzle {} does not exist", row.nozzle),
                &format!("the machine has {nozzles} nozzles, counted from 0 at the left"),
            );
        }
        if row.t_us > LATEST_US {
            return complain(
                format!("t_us is {}, which is beyond {LATEST_US}", row.t_us),
                help,
            );
        }
        if !(0.0..=1e9).contains(&row.short_by_mm) {
            return complain(
                format!(
                    "short_by_mm is {}, which is no length of 0 or more",
                    row.short_by_mm
                ),
                "give 0 for a command on time",
            );
        }
        if let Some(last) = commands.last()
            && row.t_us < last.t_us
        {
            return complain(
                format!(
                    "the clock runs backwards: t_us is {} after {}",
                    row.t_us, last.t_us
                ),
                "sort the rows by t_us",
            );
        }
        commands.push(ValveCommand {
            t_us: row.t_us,
            nozzle: row.nozzle,
            open: matches!(row.action, Action::Open),
            short_by_m: row.short_by_mm * 1e-3,
        });
    }
}

fn io(path: &str, error: csv::Error) -> Error {
    match error.into_kind() {
        csv::ErrorKind::Io(e) => Error::write(path, e),
        other => Error::write(path, std::io::Error::other(format!("{other:?}"))),
    }
}

/// The reader's reason in plain words.
fn plain(error: &csv::Error) -> String {
    match error.kind() {
        csv::ErrorKind::Utf8 { .. } => "the line is not text".into(),
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => {
            format!("the line has {len} fields instead of {expected_len}")
        }
        csv::ErrorKind::Deserialize { err, .. } => {
            let names = ["t_us", "nozzle", "action", "short_by_mm"];
            let field = err
                .field()
                .and_then(|f| names.get(f as usize))
                .copied()
                .unwrap_or("the line");
            format!("`{field}` cannot be read: {}", err.kind())
        }
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(text: &str) -> Result<Vec<ValveCommand>> {
        read("c.csv", text.as_bytes(), 4)
    }

    #[test]
    fn a_list_survives_writing_and_reading() {
        let commands = [
            ValveCommand {
                t_us: 5,
                nozzle: 3,
                open: true,
                short_by_m: 0.0125,
            },
            ValveCommand {
                t_us: 5,
                nozzle: 3,
                open: false,
                short_by_m: 0.0,
            },
        ];
        let mut bytes = Vec::new();
        write("c.csv", &mut bytes, &commands).expect("a vector takes all");
        assert_eq!(
            read("c.csv", bytes.as_slice(), 4).expect("own output"),
            commands
        );
        let mut bytes = Vec::new();
        write("c.csv", &mut bytes, &[]).expect("a vector takes all");
        assert_eq!(read("c.csv", bytes.as_slice(), 4).expect("own output"), []);
    }

    #[test]
    fn wrong_rows_are_named_by_line() {
        let head = "t_us,nozzle,action,short_by_mm\n1,0,open,0\n";
        for (row, word) in [
            ("0,0,close,0", "backwards"),
            ("2,4,open,0", "nozzle 4"),
            ("2,1,half,0", "action"),
            ("2,1,open,NaN", "short_by_mm"),
            ("2,1,open", "fields"),
            ("-2,1,open,0", "t_us"),
        ] {
            let error = list(&format!("{head}{row}\n")).unwrap_err().to_string();
            assert!(
                error.contains("c.csv:3") && error.contains(word),
                "{row}: {error}"
            );
        }
        assert!(list("").unwrap_err().to_string().contains("empty"));
        assert!(list("a,b\n").is_err());
    }
}
