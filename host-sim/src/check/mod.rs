//! The verb `check`: what a machine file promises before anything is driven.
//!
//! Every figure carries the sum that it comes from, in words and numbers. Doubtful numbers are
//! [`Warning`]s with a reason and a remedy, and do not fail; a machine that the controller
//! refuses, or that can place nothing at any speed, does. `formats/check.md` is the reference.

use std::fmt::Write as _;

use serde::Serialize;

use crate::core_setup;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;

pub mod doses;
pub mod evenness;
mod figures;
pub mod link_budget;
mod rate;
pub mod sums;
mod warnings;

/// What `check` is asked to do.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Wish {
    /// Images a second of every detector, if known.
    pub frame_rate_hz: Option<f64>,
    /// From an image's capture to its arrival, ms; without it the oldest that the machine allows.
    pub detection_age_ms: Option<f64>,
}

/// A number and the sum that it comes from.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Figure {
    /// Name for programs.
    pub key: &'static str,
    /// Name for people.
    pub what: &'static str,
    /// The number.
    pub value: f64,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// The sum, line by line.
    pub sum: Vec<String>,
}

/// A doubtful number.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Warning {
    /// What is doubtful.
    pub what: String,
    /// Why.
    pub reason: String,
    /// What to do.
    pub remedy: String,
}

/// The controller in one of its sizes.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Size {
    /// Most nozzles.
    pub nozzles: usize,
    /// Most patches planned a nozzle.
    pub patches: usize,
    /// Remembered pulses.
    pub pulses: usize,
    /// Most detectors.
    pub detectors: usize,
    /// Memory, bytes.
    pub bytes: usize,
    /// Whether this machine fits in.
    pub fits: bool,
}

/// Everything that `check` reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Check {
    /// Name of the machine.
    pub name: String,
    /// `holds` or `broken`.
    pub verdict: &'static str,
    /// Why it is broken; empty when it holds.
    pub reasons: Vec<String>,
    /// Numbers and their sums.
    pub figures: Vec<Figure>,
    /// Which nozzles small plants get, lane by lane; empty where each nozzle serves its lane alone.
    pub doses: Vec<doses::DoseSet>,
    /// The controller's sizes.
    pub sizes: Vec<Size>,
    /// Doubtful numbers.
    pub warnings: Vec<Warning>,
}

impl Wish {
    /// Refuses what is no rate and no age.
    fn validate(&self) -> Result<()> {
        for (flag, value, low, high, unit) in [
            ("--frame-rate-hz", self.frame_rate_hz, 0.01, 10_000.0, "Hz"),
            (
                "--detection-age-ms",
                self.detection_age_ms,
                0.0,
                60_000.0,
                "ms",
            ),
        ] {
            if let Some(v) = value
                && !(low..=high).contains(&v)
            {
                return Err(Error::Usage(format!(
                    "{flag} is {v}\n  help: give {low} to {high} {unit}"
                )));
            }
        }
        Ok(())
    }

    /// Age of a detection to count with, s.
    fn age_s(&self, machine: &Machine) -> f64 {
        self.detection_age_ms
            .map_or(machine.timing.max_detection_age_s, |ms| ms * 1e-3)
    }
}

/// Reads a machine file and checks it.
pub fn check_file(path: &str, wish: &Wish) -> Result<Check> {
    wish.validate()?;
    let machine = Machine::parse(path, &output::read_text(path)?)?;
    check(path, &machine, wish)
}

/// Checks a machine; `file` is the name shown in messages.
pub fn check(file: &str, machine: &Machine, wish: &Wish) -> Result<Check> {
    wish.validate()?;
    let mut reasons = Vec::new();
    match core_setup::Setup::new(file, machine).and_then(|setup| setup.core().map(drop)) {
        Ok(_) => {}
        Err(Error::Input(refusal)) => reasons.push(refusal.message),
        Err(other) => return Err(other),
    }
    let age = wish.age_s(machine);
    match sums::tightest(machine, age) {
        None => reasons.push("no detector sees any part of a lane: mount one over the boom".into()),
        Some(pair) if pair.top_speed(age) <= 0.0 => reasons.push(format!(
            "the top speed is 0: detector {} sees the ground for nozzle {} too late at any speed; mount it farther forward or shorten the margins",
            pair.detector, pair.nozzle
        )),
        Some(_) => {}
    }
    Ok(Check {
        name: machine.name.clone(),
        verdict: if reasons.is_empty() {
            "holds"
        } else {
            "broken"
        },
        reasons,
        figures: figures::all(machine, wish),
        doses: doses::all(machine),
        sizes: sizes(machine),
        warnings: warnings::all(machine, wish),
    })
}

fn sizes(machine: &Machine) -> Vec<Size> {
    use controller_core::Controller;
    let size = |nozzles, patches, pulses, detectors, bytes| Size {
        nozzles,
        patches,
        pulses,
        detectors,
        bytes,
        fits: machine.nozzles.len() <= nozzles && machine.detectors.len() <= detectors,
    };
    vec![
        size(48, 8, 64, 4, size_of::<Controller<'_, 48, 8, 64, 4>>()),
        size(96, 8, 128, 8, size_of::<Controller<'_, 96, 8, 128, 8>>()),
        size(
            192,
            16,
            256,
            16,
            size_of::<Controller<'_, 192, 16, 256, 16>>(),
        ),
    ]
}

impl Check {
    /// True when the controller takes the machine and it can place something.
    pub fn holds(&self) -> bool {
        self.reasons.is_empty()
    }

    /// The text that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail, so the results say nothing.
        let _ = writeln!(out, "{}", self.name);
        for figure in &self.figures {
            let value = number(figure.value, figure.unit);
            let head = format!("{:<56}{value:>12} {}", figure.what, figure.unit);
            let _ = writeln!(out, "\n{}", head.trim_end());
            for line in &figure.sum {
                let _ = writeln!(out, "    {line}");
            }
        }
        for line in doses::lines(&self.doses) {
            let _ = writeln!(out, "{line}");
        }
        let _ = writeln!(out, "\nmemory of the controller");
        for s in &self.sizes {
            let _ = writeln!(
                out,
                "    {:>3} nozzles, {:>2} patches each, {:>3} pulses, {:>2} detectors{:>8} bytes  {}",
                s.nozzles,
                s.patches,
                s.pulses,
                s.detectors,
                s.bytes,
                if s.fits { "fits" } else { "too small" }
            );
        }
        let _ = writeln!(
            out,
            "    as laid out on this computer; with 32-bit addresses a little less"
        );
        let _ = writeln!(out);
        if self.warnings.is_empty() {
            let _ = writeln!(out, "no warnings");
        }
        for warning in &self.warnings {
            let _ = writeln!(
                out,
                "warning: {}\n    why: {}\n    help: {}",
                warning.what, warning.reason, warning.remedy
            );
        }
        let _ = match self.holds() {
            true => writeln!(out, "\nverdict: holds"),
            false => writeln!(out, "\nverdict: broken: {}", self.reasons.join("; ")),
        };
        out
    }
}

/// A number with as many places as its unit deserves.
fn number(value: f64, unit: &str) -> String {
    match unit {
        "m" => format!("{value:.3}"),
        "of broadcast" => format!("{value:.3}"),
        "m/s" | "" => format!("{value:.2}"),
        "lanes" | "places" => format!("{value:.0}"),
        _ => format!("{value:.1}"),
    }
}
