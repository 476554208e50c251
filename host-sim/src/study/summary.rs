//! What a study comes to: a table by cell, what each key does, and the pictures. Rows are taken in
//! one by one and not kept.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use ground_truth::interval::Runs;
use serde::Serialize;
use toml::Value;

use super::parts::text;
use super::plan::Plan;
use super::row::{Row, place};
use crate::chart::{Chart, Look, Series};

/// Sums over rows.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sums {
    runs: u64,
    hits: Runs,
    saving: f64,
    starts: (f64, f64),
    stops: (f64, f64),
    worst_start_mm: f64,
    worst_stop_mm: f64,
}

impl Sums {
    fn add(&mut self, row: &Row) {
        let figure = |name: &str| row.figures.get(place(name)).copied().unwrap_or(f64::NAN);
        self.runs += 1;
        self.hits
            .add(figure("full") as usize, figure("plants") as usize);
        self.saving += figure("saving");
        for (sum, worst, n, rms, most) in [
            (
                &mut self.starts,
                &mut self.worst_start_mm,
                "starts",
                "start_rms_mm",
                "start_max_mm",
            ),
            (
                &mut self.stops,
                &mut self.worst_stop_mm,
                "stops",
                "stop_rms_mm",
                "stop_max_mm",
            ),
        ] {
            let (n, rms, most) = (figure(n), figure(rms), figure(most));
            if n > 0.0 {
                sum.0 += n;
                sum.1 += n * rms * rms;
                *worst = worst.max(most);
            }
        }
    }

    /// The figures.
    pub fn figures(&self) -> Figures {
        let rms = |(n, squares): (f64, f64)| if n > 0.0 { (squares / n).sqrt() } else { 0.0 };
        let (from, to) = self.hits.interval().unwrap_or((0.0, 1.0));
        Figures {
            runs: self.runs,
            plants: self.hits.cases(),
            hits: self.hits.share(),
            hits_from: from,
            hits_to: to,
            saving: self.saving / self.runs.max(1) as f64,
            start_rms_mm: rms(self.starts),
            stop_rms_mm: rms(self.stops),
            worst_start_mm: self.worst_start_mm,
            worst_stop_mm: self.worst_stop_mm,
        }
    }
}

/// What some runs come to.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Figures {
    /// Runs.
    pub runs: u64,
    /// Plants judged.
    pub plants: usize,
    /// Share with their full dose.
    pub hits: f64,
    /// The 95 % interval of that.
    pub hits_from: f64,
    /// Its upper end.
    pub hits_to: f64,
    /// Mean saving against spraying all.
    pub saving: f64,
    /// Root mean square of where spraying began, over all edges.
    pub start_rms_mm: f64,
    /// The same of where it ended.
    pub stop_rms_mm: f64,
    /// Largest error of a start.
    pub worst_start_mm: f64,
    /// Largest error of a stop.
    pub worst_stop_mm: f64,
}

/// All of a study.
pub struct Summary {
    /// By cell.
    pub cells: Vec<Sums>,
}

/// Groups of one key in its pictures, where cells are drawn at random.
const GROUPS: usize = 12;
/// Lines of the table that is printed.
const MOST_LINES: usize = 40;

impl Summary {
    /// An empty one.
    pub fn new(plan: &Plan) -> Summary {
        Summary {
            cells: vec![Sums::default(); plan.cells() as usize],
        }
    }

    /// Takes in a row.
    pub fn add(&mut self, row: &Row) {
        if let Some(cell) = self.cells.get_mut(row.cell as usize) {
            cell.add(row);
        }
    }

    /// Cells as CSV.
    pub fn csv(&self, plan: &Plan) -> String {
        let mut out = String::from("cell");
        for vary in &plan.vary {
            let _ = write!(out, ",{}", quoted(&vary.key));
        }
        out.push_str(",runs,plants,hits,hits_from,hits_to,saving,start_rms_mm,stop_rms_mm,worst_start_mm,worst_stop_mm\n");
        for (cell, sums) in self.cells.iter().enumerate() {
            let _ = write!(out, "{cell}");
            for value in plan.values(cell as u64) {
                let _ = write!(out, ",{}", quoted(&text(&value)));
            }
            let f = sums.figures();
            let _ = writeln!(
                out,
                ",{},{},{:.6},{:.6},{:.6},{:.6},{:.3},{:.3},{:.3},{:.3}",
                f.runs,
                f.plants,
                f.hits,
                f.hits_from,
                f.hits_to,
                f.saving,
                f.start_rms_mm,
                f.stop_rms_mm,
                f.worst_start_mm,
                f.worst_stop_mm
            );
        }
        out
    }

    /// The table that a person reads: the first cells.
    pub fn table(&self, plan: &Plan) -> String {
        let mut out = format!(
            "{}: {} cells, {} seeds each\n{:>6}  {:>8}{:>9}{:>20}{:>9}{:>11}{:>11}  cell\n",
            plan.name,
            plan.cells(),
            plan.seeds,
            "cell",
            "plants",
            "hits, %",
            "95 % interval",
            "saved, %",
            "starts, mm",
            "stops, mm"
        );
        for (cell, sums) in self.cells.iter().enumerate().take(MOST_LINES) {
            let f = sums.figures();
            let _ = writeln!(
                out,
                "{cell:>6}  {:>8}{:>9.2}{:>20}{:>9.2}{:>11.2}{:>11.2}  {}",
                f.plants,
                100.0 * f.hits,
                format!("{:.2} to {:.2}", 100.0 * f.hits_from, 100.0 * f.hits_to),
                100.0 * f.saving,
                f.start_rms_mm,
                f.stop_rms_mm,
                plan.told(cell as u64)
            );
        }
        if self.cells.len() > MOST_LINES {
            let _ = writeln!(
                out,
                "the other {} stand in cells.csv",
                self.cells.len() - MOST_LINES
            );
        }
        out
    }

    /// What each key does, others as they come: charts of hits, saving and errors against it, and
    /// hits against saving for all cells.
    pub fn charts(&self, plan: &Plan) -> Vec<Chart> {
        let mut charts = Vec::new();
        for (index, vary) in plan.vary.iter().enumerate() {
            let groups = self.groups(plan, index);
            let x = |g: &Group| g.at;
            let named = groups.iter().filter_map(|g| g.name.as_ref());
            let names: Vec<String> = named
                .enumerate()
                .map(|(i, n)| format!("{i}: {n}"))
                .collect();
            let label = if names.is_empty() {
                vary.key.clone()
            } else {
                format!("{} ({})", vary.key, names.join(", "))
            };
            let points = |y: fn(&Figures) -> f64| -> Vec<crate::chart::Point> {
                groups.iter().map(|g| (x(g), y(&g.figures), None)).collect()
            };
            let hits = groups.iter().map(|g| {
                let f = &g.figures;
                let interval = (100.0 * f.hits_from, 100.0 * f.hits_to);
                (x(g), 100.0 * f.hits, Some(interval))
            });
            let chart = |title: &str, y: &str, series: Vec<Series>| Chart {
                title: format!("{title} by {}", vary.key),
                told: tell(&groups, title),
                x: label.clone(),
                y: y.into(),
                y_range: None,
                series,
            };
            let one = |name: &str, look, points| Series {
                name: name.into(),
                look,
                points,
            };
            charts.push(chart(
                "Hits",
                "plants with their full dose, %",
                vec![one(
                    "hits, with 95 % interval",
                    Look::Squares,
                    hits.collect(),
                )],
            ));
            charts.push(chart(
                "Saved",
                "saved against spraying all, %",
                vec![one("saved", Look::Squares, points(|f| 100.0 * f.saving))],
            ));
            let largest = groups.iter().map(|g| &g.figures);
            let largest = largest.map(|f| f.start_rms_mm.max(f.stop_rms_mm));
            let largest = largest.fold(1e-3, f64::max);
            let mut errors = chart(
                "Errors",
                "root mean square, mm",
                vec![
                    one("starts", Look::Line, points(|f| f.start_rms_mm)),
                    one("stops", Look::Squares, points(|f| f.stop_rms_mm)),
                ],
            );
            errors.y_range = Some((0.0, 1.08 * largest));
            charts.push(errors);
        }
        let cells: Vec<crate::chart::Point> = self
            .cells
            .iter()
            .take(2000)
            .map(|c| {
                let f = c.figures();
                (100.0 * f.saving, 100.0 * f.hits, None)
            })
            .collect();
        charts.push(Chart {
            title: "Hits against product saved, a dot for each cell".into(),
            told: format!("{} cells", cells.len()),
            x: "saved against spraying all, %".into(),
            y: "plants with their full dose, %".into(),
            y_range: None,
            series: vec![Series {
                name: "cells".into(),
                look: Look::Dots,
                points: cells,
            }],
        });
        charts
    }

    /// Cells by the value of one key.
    fn groups(&self, plan: &Plan, key: usize) -> Vec<Group> {
        let mut by_value: BTreeMap<Ordered, Sums> = BTreeMap::new();
        for (cell, sums) in self.cells.iter().enumerate() {
            if let Some(value) = plan.values(cell as u64).into_iter().nth(key) {
                by_value.entry(Ordered::of(&value)).or_default().merge(sums);
            }
        }
        let many = by_value.len() > 2 * GROUPS;
        if many && by_value.keys().all(|k| k.number.is_some()) {
            let ends = |it: Option<&Ordered>| it.and_then(|k| k.number).unwrap_or(0.0);
            let (low, high) = (
                ends(by_value.keys().next()),
                ends(by_value.keys().next_back()),
            );
            let wide = (high - low) / GROUPS as f64;
            let mut groups = vec![Sums::default(); GROUPS];
            for (value, sums) in &by_value {
                let at = ((value.number.unwrap_or(low) - low) / wide) as usize;
                groups[at.min(GROUPS - 1)].merge(sums);
            }
            return groups
                .iter()
                .enumerate()
                .filter(|(_, s)| s.runs > 0)
                .map(|(i, s)| Group {
                    at: low + (i as f64 + 0.5) * wide,
                    name: None,
                    figures: s.figures(),
                })
                .collect();
        }
        by_value
            .iter()
            .enumerate()
            .map(|(i, (value, sums))| Group {
                at: value.number.unwrap_or(i as f64),
                name: value.number.is_none().then(|| value.text.clone()),
                figures: sums.figures(),
            })
            .collect()
    }
}

impl Sums {
    fn merge(&mut self, other: &Sums) {
        self.runs += other.runs;
        self.hits.merge(&other.hits);
        self.saving += other.saving;
        self.starts = (
            self.starts.0 + other.starts.0,
            self.starts.1 + other.starts.1,
        );
        self.stops = (self.stops.0 + other.stops.0, self.stops.1 + other.stops.1);
        self.worst_start_mm = self.worst_start_mm.max(other.worst_start_mm);
        self.worst_stop_mm = self.worst_stop_mm.max(other.worst_stop_mm);
    }
}

/// Cells with one value of a key.
struct Group {
    at: f64,
    name: Option<String>,
    figures: Figures,
}

/// A value that can be put in order: numbers by size, others by their text.
struct Ordered {
    number: Option<f64>,
    text: String,
}

impl Ordered {
    fn of(value: &Value) -> Ordered {
        Ordered {
            number: match value {
                Value::Float(x) => Some(*x),
                Value::Integer(n) => Some(*n as f64),
                _ => None,
            },
            text: text(value),
        }
    }
}

impl Ord for Ordered {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        match (self.number, other.number) {
            (Some(a), Some(b)) => a.total_cmp(&b),
            (a, b) => a
                .is_none()
                .cmp(&b.is_none())
                .then_with(|| self.text.cmp(&other.text)),
        }
    }
}

impl PartialOrd for Ordered {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Ordered {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for Ordered {}

fn tell(groups: &[Group], what: &str) -> String {
    let all: Vec<String> = groups
        .iter()
        .take(24)
        .map(|g| {
            let f = &g.figures;
            let at = g.name.clone().unwrap_or_else(|| format!("{:.4}", g.at));
            match what {
                "Hits" => format!("{at}: {:.2} %", 100.0 * f.hits),
                "Saved" => format!("{at}: {:.2} %", 100.0 * f.saving),
                _ => format!("{at}: {:.2} and {:.2} mm", f.start_rms_mm, f.stop_rms_mm),
            }
        })
        .collect();
    all.join("; ")
}

/// All charts below one another as one SVG file.
pub fn picture(charts: &[Chart]) -> String {
    let (wide, high) = (560.0, 320.0);
    let rows = charts.len().div_ceil(2).max(1);
    let height = rows as f64 * high;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}\" height=\"{height}\" viewBox=\"0 0 {0} {height}\" font-family=\"sans-serif\" font-size=\"12\" fill=\"#222222\" role=\"img\">\n<title>What each varied key does</title>\n<rect width=\"{0}\" height=\"{height}\" fill=\"#FFFFFF\"/>\n",
        2.0 * wide
    );
    for (index, chart) in charts.iter().enumerate() {
        let (x, y) = ((index % 2) as f64 * wide, (index / 2) as f64 * high);
        let _ = writeln!(
            out,
            "<g transform=\"translate({x} {y})\"><desc>{}</desc>{}</g>",
            crate::strip::escape(&format!("{}. {}", chart.title, chart.told)),
            chart.group(wide, high)
        );
    }
    out.push_str("</svg>\n");
    out
}

/// A CSV field, quoted where it must be.
pub fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
