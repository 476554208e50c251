//! The verb `study`: any key of machine or scenario varied over a grid or at random, each cell with
//! many seeds, in parallel, on file in parts.
//!
//! [`plan`] reads and checks, [`row`] makes one run, `crew` the threads that do, [`parts`] are the
//! files, [`summary`] what it comes to. Equal files give equal bytes, whatever the threads: rows are put in order before they
//! are written. Memory holds one part and sums by cell. `formats/study.md` is the reference.

mod crew;
pub mod parts;
pub mod plan;
pub mod row;
pub mod summary;

use std::path::{Path, PathBuf};

use clap::Args;
use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::output;
use crate::progress;
use parts::PART;
use plan::Plan;
use summary::Summary;

/// What `study` is asked to do.
#[derive(Debug, Clone, PartialEq, Args)]
pub struct Wish {
    /// The study file
    #[arg(value_name = "STUDY.toml")]
    pub study: String,
    /// Threads (as many as there are cores)
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Only every n-th part, from the i-th on: for several computers on one folder
    #[arg(long, value_name = "I/N")]
    pub shard: Option<String>,
    /// Folder for parts, tables and figures; what is finished in it is kept
    #[arg(long, value_name = "DIR", default_value = "study-out")]
    pub out: String,
}

/// What a folder holds; its file `study.json`.
#[derive(Debug, Clone, Serialize, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Held {
    /// Version of this file.
    pub study_folder_format: u32,
    /// Name of the study.
    pub name: String,
    /// SHA-256 of all that decides what comes out.
    pub digest: String,
    /// Cells.
    pub cells: u64,
    /// Runs.
    pub runs: u64,
    /// Runs of a part.
    pub runs_of_a_part: u64,
}

/// What came of it.
pub struct Outcome {
    /// Parts that were made now.
    pub made: u64,
    /// Parts that were there already.
    pub kept: u64,
    /// All parts of the study.
    pub parts: u64,
    /// The sums, once all parts are there.
    pub summary: Option<Summary>,
}

/// Runs a study; the text to be printed.
pub fn study(wish: &Wish) -> Result<String> {
    let shard = wish.shard.as_deref().map_or(Ok((1, 1)), shard)?;
    if wish.threads.is_some_and(|n| n == 0 || n > 1024) {
        return Err(Error::Usage(
            "--threads is out of range\n  help: give 1 to 1024".into(),
        ));
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(wish.threads.unwrap_or(0))
        .build()
        .map_err(|e| Error::Internal(e.to_string()))?;
    pool.install(|| {
        let plan = Plan::load(&wish.study)?;
        let folder = PathBuf::from(&wish.out);
        let outcome = run(&plan, &folder, shard)?;
        let mut text = format!(
            "{} of {} parts made now, {} kept, in {}\n",
            outcome.made, outcome.parts, outcome.kept, wish.out
        );
        match &outcome.summary {
            Some(summary) => text.push_str(&summary.table(&plan)),
            None => text.push_str("the other parts are missing: run the other shards\n"),
        }
        Ok(text)
    })
}

fn shard(text: &str) -> Result<(u64, u64)> {
    let wrong = || {
        Error::Usage(format!(
            "--shard is `{text}`\n  help: give two numbers such as 1/4, the first from 1 to the second"
        ))
    };
    let (i, n) = text.split_once('/').ok_or_else(wrong)?;
    let (i, n): (u64, u64) = (
        i.parse().map_err(|_| wrong())?,
        n.parse().map_err(|_| wrong())?,
    );
    if i == 0 || i > n {
        return Err(wrong());
    }
    Ok((i, n))
}

/// Makes the parts of one shard that are missing, and tables and figures once all are there.
pub fn run(plan: &Plan, folder: &Path, (shard, shards): (u64, u64)) -> Result<Outcome> {
    hold(plan, folder)?;
    let parts = plan.runs().div_ceil(PART);
    let runs = |part: u64| part * PART..((part + 1) * PART).min(plan.runs());
    let rows = |part: u64| runs(part).end - runs(part).start;
    let ours: Vec<u64> = (0..parts).filter(|p| p % shards == shard - 1).collect();
    let missing: Vec<u64> = ours
        .iter()
        .copied()
        .filter(|&p| !parts::whole(folder, p, rows(p)))
        .collect();
    let numeric = parts::numeric(plan);
    let bar = progress::bar("runs", missing.iter().map(|&p| rows(p)).sum());
    let todo: Vec<crew::Part> = missing.iter().map(|&part| (part, runs(part))).collect();
    crew::work(
        &todo,
        |kept: &mut row::Kept, run| {
            let row = row::row(plan, kept, run);
            bar.inc(1);
            row
        },
        |part, rows| parts::write(folder, part, plan, &numeric, rows),
    )?;
    bar.finish_and_clear();
    let all = (0..parts).all(|p| parts::whole(folder, p, rows(p)));
    Ok(Outcome {
        made: missing.len() as u64,
        kept: (ours.len() - missing.len()) as u64,
        parts,
        summary: if all {
            Some(finish(plan, folder, parts)?)
        } else {
            None
        },
    })
}

/// Puts the study's own files into the folder, or finds that it holds this study already.
fn hold(plan: &Plan, folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder).map_err(|e| Error::write(&folder.display().to_string(), e))?;
    let ours = Held {
        study_folder_format: 1,
        name: plan.name.clone(),
        digest: plan.digest(),
        cells: plan.cells(),
        runs: plan.runs(),
        runs_of_a_part: PART,
    };
    let at = folder.join("study.json");
    let name = at.display().to_string();
    if at.exists() {
        let text = output::read_text(&name)?;
        let held: Held = serde_json::from_str(&text).map_err(|e| {
            Error::file(
                &name,
                format!("this is no study folder: {e}"),
                "give another --out",
            )
        })?;
        if held != ours {
            return Err(Error::file(
                &name,
                format!(
                    "the folder holds another study, `{}`, or other files of it",
                    held.name
                ),
                "give another --out, or delete the folder",
            ));
        }
        return Ok(());
    }
    for (file, text) in [
        ("study.toml", &plan.text),
        ("machine.toml", &plan.machine_text),
        ("scenario.toml", &plan.scenario_text),
    ] {
        write_text(&folder.join(file), text)?;
    }
    let json = serde_json::to_string_pretty(&ours).map_err(|e| Error::Internal(e.to_string()))?;
    write_text(&at, &format!("{json}\n"))
}

/// Where a file is written before it is put in its place. Shards that run at once on one folder
/// write the same file each under a name of its own.
fn aside(at: &Path) -> PathBuf {
    let mut aside = at.as_os_str().to_owned();
    aside.push(format!(".half-{}", std::process::id()));
    PathBuf::from(aside)
}

/// Writes a text beside its place and puts it there.
fn write_text(at: &Path, text: &str) -> Result<()> {
    let aside = aside(at);
    output::to_file(&aside, |name, to| {
        to.write_all(text.as_bytes())
            .map_err(|e| Error::write(name, e))
    })?;
    std::fs::rename(&aside, at).map_err(|e| Error::write(&at.display().to_string(), e))
}

/// Sums up all parts row by row; `rows` takes the text of each.
pub fn sum_up(
    plan: &Plan,
    folder: &Path,
    parts: u64,
    mut rows: impl FnMut(&[String]) -> Result<()>,
) -> Result<Summary> {
    let mut summary = Summary::new(plan);
    for part in 0..parts {
        parts::read(folder, part, plan.vary.len(), |texts, row| {
            summary.add(row);
            rows(texts)
        })?;
    }
    Ok(summary)
}

/// Tables and figures.
fn finish(plan: &Plan, folder: &Path, parts: u64) -> Result<Summary> {
    let mut summary = None;
    let csv = folder.join("runs.csv");
    let half = aside(&csv);
    output::to_file(&half, |name, to| {
        let mut head = vec!["cell".to_owned(), "seed".to_owned()];
        head.extend(plan.vary.iter().map(|v| summary::quoted(&v.key)));
        head.extend(
            row::columns(plan.dose.is_some())
                .iter()
                .map(|c| c.0.to_owned()),
        );
        let failed = |e| Error::write(name, e);
        writeln!(to, "{}", head.join(",")).map_err(failed)?;
        summary = Some(sum_up(plan, folder, parts, |texts| {
            let line: Vec<String> = texts.iter().map(|t| summary::quoted(t)).collect();
            writeln!(to, "{}", line.join(",")).map_err(failed)
        })?);
        Ok(())
    })?;
    std::fs::rename(&half, &csv).map_err(|e| Error::write(&csv.display().to_string(), e))?;
    let summary = summary.ok_or_else(|| Error::Internal("nothing was summed up".into()))?;
    write_text(&folder.join("cells.csv"), &summary.csv(plan))?;
    let svg = summary::picture(&summary.charts(plan));
    write_text(&folder.join("figures.svg"), &svg)?;
    Ok(summary)
}
