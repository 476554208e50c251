//! The lab: values in, pictures' numbers out. Text goes in and comes out, nothing is kept, and no
//! file, clock or port is touched: so the same code answers behind the local server and inside a
//! page that computes by itself.
//!
//! * [`values`]: the one table of what can be set;
//! * [`texts`]: values as machine and scenario file;
//! * [`drive`]: the drive, judged: figures, ground strip, [`spread`] of errors, and the [`way`] of
//!   one plant;
//! * [`curve`]: hits against saving over buffers;
//! * [`timeline`]: a drive to scrub through, the lab's or a user's own;
//! * [`page`]: the page, for either way of computing;
//! * `serve`, `command`: the local server and its verb.
//!
//! `formats/lab.md` is the reference of requests and answers. Numbers are rounded to what they
//! mean (places to 0.1 mm, times to 1 µs), so that the last digits of a platform's sine don't show.

#[cfg(feature = "terminal")]
pub mod command;
pub mod curve;
pub mod drive;
pub mod page;
#[cfg(feature = "terminal")]
pub mod serve;
pub mod spread;
pub mod texts;
pub mod timeline;
pub mod values;
pub mod way;

use serde::Deserialize;
use serde_json::{Map, Value as Json, json};

use crate::error::{Error, Result};
use texts::Files;
use values::{TABLE, Values};

/// A request.
#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "lowercase", deny_unknown_fields)]
enum Request {
    /// The table of values.
    Table {},
    /// One drive.
    Drive { values: Map<String, Json> },
    /// Hits against saving.
    Curve { values: Map<String, Json> },
    /// The drive to scrub through.
    Timeline { values: Map<String, Json> },
    /// The drive's files.
    Files { values: Map<String, Json> },
    /// A user's drive to scrub through.
    Recording { machine: Named, recording: Named },
}

/// A file's name and text.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    name: String,
    text: String,
}

/// Answers a request, both JSON: an object with what was asked for, or one with `error`.
pub fn answer(request: &str) -> String {
    told(request)
        .unwrap_or_else(|error| failed(&error))
        .to_string()
}

/// Whether an answer is an error.
pub fn is_error(answer: &str) -> bool {
    answer.starts_with("{\"error\":")
}

fn told(request: &str) -> Result<Json> {
    let request: Request = serde_json::from_str(request).map_err(|e| {
        Error::line(
            "request",
            e.line().max(1),
            Some(e.column().max(1)),
            format!("this is no request: {e}"),
            "see host-sim/formats/lab.md",
        )
    })?;
    match request {
        Request::Table {} => Ok(json!({ "table": TABLE })),
        Request::Drive { values } => drive::answer(&Values::read(&values)?),
        Request::Curve { values } => curve::answer(&Values::read(&values)?),
        Request::Timeline { values } => timeline::of_values(&Values::read(&values)?),
        Request::Files { values } => files(&Values::read(&values)?),
        Request::Recording { machine, recording } => timeline::of_files(
            (&machine.name, &machine.text),
            (&recording.name, &recording.text),
        ),
    }
}

fn files(values: &Values) -> Result<Json> {
    let files = Files::of(values)?;
    let drive = crate::generate::drive("scenario.toml", &files.scenario, &files.machine)?;
    let text = |write: &dyn Fn(&mut Vec<u8>) -> Result<()>| -> Result<String> {
        let mut to = Vec::new();
        write(&mut to)?;
        String::from_utf8(to).map_err(|e| Error::Internal(e.to_string()))
    };
    Ok(json!({
        "machine.toml": files.machine_text,
        "scenario.toml": files.scenario_text,
        "recording.jsonl": text(&|to| drive.recording.write("recording.jsonl", to))?,
        "truth.json": text(&|to| drive.truth.write("truth.json", to))?,
    }))
}

fn failed(error: &Error) -> Json {
    let place = match error {
        Error::Input(e) => {
            json!({"file": e.file, "line": e.line, "column": e.column, "message": e.message, "remedy": e.remedy})
        }
        _ => Json::Null,
    };
    json!({ "error": error.to_string(), "place": place })
}

/// `value` to so many decimals, and never -0.
fn round(value: f64, places: i32) -> f64 {
    let scale = 10_f64.powi(places);
    let rounded = (value * scale).round() / scale;
    if rounded == 0.0 { 0.0 } else { rounded }
}
