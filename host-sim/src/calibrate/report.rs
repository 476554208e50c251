//! What a calibration prints: figures with their uncertainty, findings, lines for the machine file.

use std::fmt::Write as _;

use calibration::Estimate;
use serde::Serialize;

use super::settings::{Setting, lines};

/// The result of one calibration.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Report {
    /// What was measured, such as `valves`.
    pub measured: &'static str,
    /// The figures.
    pub figures: Vec<Figure>,
    /// What is at fault or worth a look.
    pub findings: Vec<Finding>,
    /// Lines for the machine file.
    #[serde(serialize_with = "settings_as_lines")]
    pub settings: Vec<Setting>,
    /// Anything more that the JSON form tells; null for most.
    #[serde(skip_serializing_if = "serde_json::Value::is_null")]
    pub detail: serde_json::Value,
    /// Whether the machine file was changed; none where it was not to be written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub written: Option<Written>,
    /// A whole SVG file.
    #[serde(skip)]
    pub svg: Option<String>,
}

/// What `--write` did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Written {
    /// The machine file.
    pub file: String,
    /// False where it held the same figures already.
    pub changed: bool,
}

/// One figure under a name.
#[derive(Debug, Clone, Serialize)]
pub struct Figure {
    /// Such as `nozzle 3 opens after`.
    pub name: String,
    /// Value, uncertainty, unit, samples.
    #[serde(flatten)]
    pub estimate: Estimate,
}

/// Something that the measurement found beside its figures.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// True where something is at fault: the program then leaves with status 1.
    pub fault: bool,
    /// One word that names the kind, such as `slow`.
    pub kind: &'static str,
    /// The whole sentence.
    pub says: String,
}

impl Report {
    /// An empty report of a measurement.
    pub fn of(measured: &'static str) -> Report {
        Report {
            measured,
            ..Report::default()
        }
    }

    /// Adds a figure.
    pub fn figure(&mut self, name: impl Into<String>, estimate: Estimate) {
        self.figures.push(Figure {
            name: name.into(),
            estimate,
        });
    }

    /// Adds something at fault.
    pub fn fault(&mut self, kind: &'static str, says: impl Into<String>) {
        self.findings.push(Finding {
            fault: true,
            kind,
            says: says.into(),
        });
    }

    /// Adds something worth a look that is no fault.
    pub fn note(&mut self, kind: &'static str, says: impl Into<String>) {
        self.findings.push(Finding {
            fault: false,
            kind,
            says: says.into(),
        });
    }

    /// True when nothing is at fault.
    pub fn holds(&self) -> bool {
        !self.findings.iter().any(|f| f.fault)
    }

    /// The report for people.
    pub fn table(&self) -> String {
        let mut out = format!("{}: value ± half of the 95 % interval\n", self.measured);
        let wide = self.figures.iter().map(|f| f.name.chars().count()).max();
        let wide = wide.unwrap_or(0);
        for figure in &self.figures {
            let (name, estimate) = (&figure.name, &figure.estimate);
            let samples = match estimate.n {
                0 => String::new(),
                n => format!("  (n = {n})"),
            };
            let _infallible = writeln!(out, "  {name:<wide$}  {estimate}{samples}");
        }
        for finding in &self.findings {
            let mark = if finding.fault { "fault" } else { "note" };
            let _infallible = writeln!(out, "{mark}: {}: {}", finding.kind, finding.says);
        }
        if !self.settings.is_empty() {
            out.push_str("for machine.toml:\n");
            for line in lines(&self.settings) {
                let _infallible = writeln!(out, "  {line}");
            }
        }
        if let Some(Written { file, changed }) = &self.written {
            let _infallible = match changed {
                true => writeln!(out, "written: {file}"),
                false => writeln!(out, "unchanged: {file} holds these figures already"),
            };
        }
        out
    }
}

fn settings_as_lines<S: serde::Serializer>(
    settings: &[Setting],
    to: S,
) -> std::result::Result<S::Ok, S::Error> {
    to.collect_seq(lines(settings))
}
