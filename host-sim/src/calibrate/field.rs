//! The verb `calibrate field`: the proof of work.

use calibration::estimate::normal_at;
use calibration::field;
use clap::Args;

use super::nozzles::{no_such_nozzle, within};
use super::report::Report;
use super::settings::MachineText;
use super::{field_plot, open, refused};
use crate::error::Result;

/// What to measure from.
#[derive(Debug, Default, Args)]
pub struct Wish {
    /// Strips: nozzle,speed_m_s,counted,hit and perhaps strip,size_mm,start_dry,stop_dry,beside,dry
    #[arg(value_name = "COUNTS.csv", required = true)]
    pub file: String,
    /// The least share of plants that is to be hit, percent
    #[arg(long, value_name = "P", allow_negative_numbers = true)]
    pub wanted_percent: Option<f64>,
}

/// Measures; the findings, and what to measure next. No line for the machine file: a count tells
/// where to look, not by how much.
///
/// # Errors
/// What is wrong with the file.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    within("--wanted-percent", wish.wanted_percent, 0.0, 100.0)?;
    let refuse = |refusal| refused(&wish.file, refusal);
    let strips = field::read(open(&wish.file)?).map_err(refuse)?;
    if let Some(text) = machine
        && let Some(wrong) = strips
            .iter()
            .find(|s| s.nozzle >= text.machine.nozzles.len())
    {
        return Err(no_such_nozzle(
            &wish.file,
            wrong.line,
            wrong.nozzle,
            &text.machine,
        ));
    }
    let sheet = field::sheet(&strips).map_err(refuse)?;
    let mut report = Report::of("field");
    let share = sheet.all.share().unwrap_or(0.0);
    let (low, high) = sheet.interval;
    report.note(
        "share",
        format!(
            "{} of {} plants hit: {:.1} %, 95 % interval {:.1} to {:.1} %",
            sheet.all.hits,
            sheet.all.n,
            100.0 * share,
            100.0 * low,
            100.0 * high
        ),
    );
    if sheet.dispersion > 2.0 {
        report.note(
            "strips",
            format!(
                "strips differ {:.1} times as much as chance has it (variance), and the interval is wider for it: count more strips rather than longer ones",
                sheet.dispersion
            ),
        );
    }
    if let Some(wanted) = wish.wanted_percent.map(|p| p / 100.0) {
        wanted_share(&mut report, wanted, (low, high), share, sheet.dispersion);
    }
    for (nozzle, count) in &sheet.nozzles {
        if let (Some(share), Some((low, high))) = (count.share(), count.interval(0.95)) {
            report.note(
                "nozzle",
                format!(
                    "nozzle {nozzle}: {} of {}, {:.0} % ({:.0} to {:.0} %)",
                    count.hits,
                    count.n,
                    100.0 * share,
                    100.0 * low,
                    100.0 * high
                ),
            );
        }
    }
    for pattern in &sheet.patterns {
        report.fault(
            "pattern",
            format!("{}; measure next: {}", pattern.says, pattern.next),
        );
    }
    match &sheet.silent {
        Some(why) => report.note("pattern", why.clone()),
        None if sheet.patterns.is_empty() => report.note(
            "pattern",
            "the misses have nothing in common that chance would not explain; sort them by start_dry, stop_dry, beside and dry, and by size_mm, and count more",
        ),
        None => {}
    }
    let wanted = wish.wanted_percent.map(|p| p / 100.0);
    report.svg = Some(field_plot::draw(&strips, &sheet, wanted));
    report.detail = serde_json::json!({
        "hits": sheet.all.hits,
        "counted": sheet.all.n,
        "share": share,
        "interval": [low, high],
        "dispersion": sheet.dispersion,
    });
    Ok(report)
}

fn wanted_share(
    report: &mut Report,
    wanted: f64,
    (low, high): (f64, f64),
    share: f64,
    dispersion: f64,
) {
    let percent = 100.0 * wanted;
    if high < wanted {
        report.fault(
            "wanted",
            format!("fewer than the {percent} % wanted are hit"),
        );
    } else if low >= wanted {
        report.note("wanted", format!("proven: at least {percent} % are hit"));
    } else if share <= wanted {
        report.fault(
            "wanted",
            format!("{percent} % are not proven, and the count lies below it"),
        );
    } else {
        // So many that the interval's lower end comes to what is wanted, by the normal form.
        let z = normal_at(0.975);
        let spread = (share * (1.0 - share)).max(1e-3) * dispersion.max(1.0);
        let n = (z / (share - wanted)).powi(2) * spread;
        report.fault(
            "wanted",
            format!("{percent} % are not proven yet: some {:.0} plants in all would, if as many of them are hit", n.ceil()),
        );
    }
}
