//! The verb `calibrate nozzles`: the catch test.

use calibration::Estimate;
use calibration::catch::{self, Boom, Verdict};
use clap::Args;
use ground_truth::nozzle::{L_HA_PER_GPA, flow_l_min, rate_l_ha};

use super::report::Report;
use super::settings::{MachineText, Place, Setting, To};
use super::{nozzles_plot, open, refused};
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::machine_file::size_names;

/// What to measure from.
#[derive(Debug, Default, Args)]
pub struct Wish {
    /// Catches: nozzle,ml,seconds and perhaps pressure_kpa
    #[arg(value_name = "CATCH.csv", required = true)]
    pub file: String,
    /// Nozzle size as ISO 10625 names it; without it that of the machine file's table of spray
    #[arg(long, value_name = "SIZE")]
    pub size: Option<String>,
    /// Pressure during the catch, kPa, where the file does not tell it
    #[arg(long, value_name = "P", allow_negative_numbers = true)]
    pub pressure_kpa: Option<f64>,
    /// Speeds to tell the rate at, m/s
    #[arg(long, value_name = "V", allow_negative_numbers = true)]
    pub speed_m_s: Vec<f64>,
    /// Ground across that a nozzle is meant for, m; without it the machine file's
    #[arg(long, value_name = "W", allow_negative_numbers = true)]
    pub spacing_m: Option<f64>,
}

/// Measures; the figures, findings and lines for the machine file.
///
/// # Errors
/// What is wrong with the file or the wish.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    within("--pressure-kpa", wish.pressure_kpa, 10.0, 2000.0)?;
    within("--spacing-m", wish.spacing_m, 0.01, 10.0)?;
    for &speed in &wish.speed_m_s {
        within("--speed-m-s", Some(speed), 0.05, 50.0)?;
    }
    let told = machine.map(|m| &m.machine);
    let spray = told.and_then(|m| m.spray.as_ref());
    let size = wish.size.clone().or(spray.map(|s| s.size.clone()));
    if let Some(size) = &size
        && !matches!(flow_l_min(size, 300e3), Ok(Some(_)))
    {
        return Err(Error::Usage(format!(
            "`{size}` is no nozzle size\n  help: the sizes are {}",
            size_names()
        )));
    }
    let pressure = wish.pressure_kpa.or(spray.map(|s| s.pressure_pa / 1000.0));
    let refuse = |refusal| refused(&wish.file, refusal);
    let catches = catch::read(open(&wish.file)?).map_err(refuse)?;
    if let Some(machine) = told
        && let Some(wrong) = catches.iter().find(|c| c.nozzle >= machine.nozzles.len())
    {
        return Err(no_such_nozzle(
            &wish.file,
            wrong.line,
            wrong.nozzle,
            machine,
        ));
    }
    let nominal = size
        .as_deref()
        .map(|size| move |kpa: f64| flow_l_min(size, kpa * 1e3).ok().flatten());
    let nominal = nominal.as_ref().map(|of| of as &dyn Fn(f64) -> Option<f64>);
    let boom = catch::boom(&catches, pressure, nominal).map_err(refuse)?;
    let mut report = Report::of("nozzles");
    tell(&mut report, &boom, size.as_deref());
    rates(&mut report, &boom, wish, told)?;
    report.svg = Some(nozzles_plot::draw(&boom, size.as_deref()));
    if let (Some(spray), Some(kpa)) = (spray, boom.pressure_kpa)
        && (kpa / (spray.pressure_pa / 1000.0) - 1.0).abs() > 0.01
    {
        report.settings.push(Setting {
            place: Place::Table("spray"),
            key: "pressure_kpa",
            to: To::Number(kpa, 0),
        });
    }
    report.detail = serde_json::json!({
        "pressure_kpa": boom.pressure_kpa,
        "nominal_l_min": boom.nominal_l_min,
        "variation": boom.variation,
        "nozzles": boom.nozzles.iter().map(|n| serde_json::json!({
            "nozzle": n.nozzle,
            "off_mean": n.off_mean,
            "off_nominal": n.off_nominal,
            "verdict": word(n.verdict),
        })).collect::<Vec<_>>(),
    });
    Ok(report)
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Clean => "clean",
        Verdict::Replace => "replace",
        Verdict::Dry => "dry",
    }
}

fn tell(report: &mut Report, boom: &Boom, size: Option<&str>) {
    for nozzle in &boom.nozzles {
        report.figure(format!("nozzle {}", nozzle.nozzle), nozzle.flow);
    }
    report.figure("mean of the nozzles", boom.mean);
    let at = boom
        .pressure_kpa
        .map_or(String::new(), |kpa| format!(" at {kpa:.0} kPa"));
    match (size, boom.nominal_l_min) {
        (Some(size), Some(new)) => report.note(
            "nominal",
            format!("a new nozzle of size {size} gives {new:.3} L/min{at}"),
        ),
        (Some(_), None) => report.note(
            "nominal",
            "without a pressure nothing can be told against new nozzles: write pressure_kpa into the file or give --pressure-kpa",
        ),
        _ => report.note(
            "nominal",
            "without a size nothing can be told against new nozzles: give --size or a machine file with [spray]",
        ),
    }
    report.note(
        "variation",
        format!(
            "the nozzles vary by {:.1} % (standard deviation over mean){at}",
            100.0 * boom.variation
        ),
    );
    for nozzle in &boom.nozzles {
        let against_new = nozzle.off_nominal.map_or(String::new(), |off| {
            format!(", {:+.1} % against a new one", 100.0 * off)
        });
        let off = format!(
            "nozzle {}: {:+.1} % against the mean{against_new}",
            nozzle.nozzle,
            100.0 * nozzle.off_mean
        );
        match nozzle.verdict {
            Verdict::Good => {}
            Verdict::Clean => report.fault(
                "clean",
                format!(
                    "{off}: clean it and its strainer; replace it if it still gives less than 90 %"
                ),
            ),
            Verdict::Replace => report.fault(
                "replace",
                format!("{off}: worn or of another size, replace it"),
            ),
            Verdict::Dry => report.fault(
                "dry",
                format!(
                    "nozzle {} gave nothing: look at valve, wire and strainer",
                    nozzle.nozzle
                ),
            ),
        }
        if nozzle.unsure {
            report.note(
                "unsure",
                format!(
                    "nozzle {}: its catches differ so much that it may lie on the other side of 10 %: catch it again",
                    nozzle.nozzle
                ),
            );
        }
    }
    let bad = boom
        .nozzles
        .iter()
        .filter(|n| n.verdict != Verdict::Good)
        .count();
    if bad * 2 > boom.nozzles.len()
        && let Some(new) = boom.nominal_l_min
    {
        report.note(
            "all",
            format!(
                "the mean lies {:+.1} % off new nozzles: check the gauge, the pressure at the boom and the size before replacing them all",
                100.0 * (boom.mean.value / new - 1.0)
            ),
        );
    }
}

fn rates(report: &mut Report, boom: &Boom, wish: &Wish, told: Option<&Machine>) -> Result<()> {
    let lanes = told.map(|m| {
        m.fan.map_or_else(
            || m.nozzles.iter().map(|n| n.lane_width_m).sum::<f64>() / m.nozzles.len() as f64,
            |fan| fan.spacing_m,
        )
    });
    let Some(spacing) = wish.spacing_m.or(lanes) else {
        return match wish.speed_m_s.is_empty() {
            true => Ok(()),
            false => Err(Error::Usage(
                "a rate needs the spacing of the nozzles\n  help: give --spacing-m or --machine"
                    .into(),
            )),
        };
    };
    for &speed in &wish.speed_m_s {
        let l_ha = rate_l_ha(boom.mean.value, spacing, speed);
        let rate = boom.mean.scaled(l_ha / boom.mean.value, "L/ha");
        let name = format!("rate at {speed} m/s and {spacing:.2} m");
        report.figure(name.clone(), rate);
        report.figure(name, rate.scaled(1.0 / L_HA_PER_GPA, "US gal/acre"));
    }
    Ok(())
}

/// Refuses a number of the command line that is outside its range.
pub(super) fn within(option: &str, value: Option<f64>, low: f64, high: f64) -> Result<()> {
    match value {
        Some(x) if !(low..=high).contains(&x) => Err(Error::Usage(format!(
            "{option} is {x}, which is outside {low} to {high}\n  help: give a number from {low} to {high}"
        ))),
        _ => Ok(()),
    }
}

/// A line of `file` that tells of a nozzle that the machine has not.
pub(super) fn no_such_nozzle(file: &str, line: usize, nozzle: usize, machine: &Machine) -> Error {
    Error::line(
        file,
        line,
        None,
        format!("nozzle {nozzle} does not exist"),
        format!(
            "the machine has {} nozzles, counted from 0 at the left",
            machine.nozzles.len()
        ),
    )
}

/// A figure of the machine with what was measured of it added.
pub(super) fn moved(told: f64, by: &Estimate) -> Estimate {
    Estimate {
        value: told + by.value,
        ..*by
    }
}
