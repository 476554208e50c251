//! The page of a study.

use std::path::Path;

use super::page::Page;
use crate::error::{Error, Result};
use crate::output;
use crate::study::parts::{self, PART, text};
use crate::study::plan::Plan;
use crate::study::{Held, sum_up};

/// Cells listed.
const MOST_CELLS: usize = 1000;

/// Sums up a study's folder and makes its page.
pub fn html(folder: &Path) -> Result<String> {
    let held_file = folder.join("study.json").display().to_string();
    let plan = Plan::held(folder)?;
    let held: Held = serde_json::from_str(&output::read_text(&held_file)?).map_err(|e| {
        Error::file(
            &held_file,
            format!("this is no study folder: {e}"),
            "give a folder of `study`",
        )
    })?;
    if held.digest != plan.digest() {
        return Err(Error::file(
            &held_file,
            "the files beside it are not those that the study was made of, or it was made by another version of this program",
            "run the study again into another folder",
        ));
    }
    let all = plan.runs().div_ceil(PART);
    let rows = |p: u64| ((p + 1) * PART).min(plan.runs()) - p * PART;
    let missing = (0..all)
        .filter(|&p| !parts::whole(folder, p, rows(p)))
        .count();
    if missing > 0 {
        return Err(Error::file(
            &held_file,
            format!("{missing} of {all} parts of the study are missing"),
            "run `host-sim study` with the same file and --out again: finished parts are kept",
        ));
    }
    let summary = sum_up(&plan, folder, all, |_| Ok(()))?;
    let mut page = Page::new(&format!("Study: {}", plan.name));
    page.text(&format!(
        "{} cells with {} seeds each, {} runs. Each run is a simulated drive through the controller core, judged against the true ground.",
        plan.cells(),
        plan.seeds,
        plan.runs()
    ));
    page.section("figures", "Figures");
    let mut figures = String::from("<div class=\"pair\">");
    for chart in summary.charts(&plan) {
        figures.push_str(&format!("<figure>{}</figure>", chart.svg(480.0, 300.0)));
    }
    figures.push_str("</div>");
    page.raw(&figures);
    page.section("cells", "Cells");
    let mut head = vec!["cell"];
    head.extend(plan.vary.iter().map(|v| v.key.as_str()));
    head.extend([
        "runs",
        "plants",
        "hits, %",
        "95 % from, %",
        "to, %",
        "saved, %",
        "start RMS, mm",
        "stop RMS, mm",
        "worst start, mm",
        "worst stop, mm",
    ]);
    let rows: Vec<Vec<String>> = summary
        .cells
        .iter()
        .take(MOST_CELLS)
        .enumerate()
        .map(|(cell, sums)| {
            let f = sums.figures();
            let mut row = vec![cell.to_string()];
            row.extend(plan.values(cell as u64).iter().map(text));
            row.extend([f.runs.to_string(), f.plants.to_string()]);
            row.extend(
                [f.hits, f.hits_from, f.hits_to, f.saving].map(|x| format!("{:.2}", 100.0 * x)),
            );
            let mm = [
                f.start_rms_mm,
                f.stop_rms_mm,
                f.worst_start_mm,
                f.worst_stop_mm,
            ];
            row.extend(mm.map(|x| format!("{x:.2}")));
            row
        })
        .collect();
    page.table("What each cell came to", &head, &rows);
    if summary.cells.len() > MOST_CELLS {
        page.text(&format!(
            "The other {} cells stand in cells.csv.",
            summary.cells.len() - MOST_CELLS
        ));
    }
    page.section("files", "Files");
    page.text(&format!("Digest of the study: {}", plan.digest()));
    page.file("study.toml", &plan.text);
    page.file("machine.toml", &plan.machine_text);
    page.file("scenario.toml", &plan.scenario_text);
    Ok(page.finish())
}
