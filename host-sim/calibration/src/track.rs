//! The track test: where the edges of patches came down at two or more speeds.
//!
//! An edge's error, positive where the spray came too late, is `a + b·v`: a in metres is an
//! offset of the machine's measures, b in seconds one of its delays. Only different speeds tell
//! them apart. Start and stop are told apart, since a valve opens and closes at its own pace.
//!
//! Each nozzle gets its own line, all of them one scatter: the machine's figures are the mean
//! of its nozzles', with Student's interval of the common scatter. An edge that lies off beyond
//! chance is left out and named (the deletion residual of R. D. Cook and S. Weisberg, "Residuals
//! and Influence in Regression", 1982, chapter 2, with Bonferroni's share of 0.1 %; from memory).

use std::io::Read;

use crate::estimate::student_t_at;
use crate::table::Table;
use crate::{Estimate, Refusal};

/// Speeds whose fastest is less than so many times the slowest are too close to tell.
pub const LEAST_RATIO: f64 = 1.5;
/// Share of tests without any outlier in which one is named nevertheless.
const OUTLIER_SHARE: f64 = 0.001;
/// The same of nozzles that differ from the others.
const DIFFERS_SHARE: f64 = 0.01;
/// Most of the edges that may be left out.
const MOST_LEFT_OUT: f64 = 0.1;

/// One strip: a mark on the ground, and the patch that was sprayed over it. Metres along
/// travel from any place of the strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strip {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Nozzle from the left, from 0.
    pub nozzle: usize,
    /// Speed over it, m/s.
    pub speed_m_s: f64,
    /// Near and far edge of what was to be sprayed.
    pub mark_m: (f64, f64),
    /// Where the patch begins, to half its density; none where it could not be read.
    pub start_m: Option<f64>,
    /// Where it ends.
    pub stop_m: Option<f64>,
}

/// Reads strips: `nozzle,speed_m_s,near_mm,far_mm,start_mm,stop_mm`, and `strip` for a name.
///
/// # Errors
/// What is missing or cannot be, by line.
pub fn read(from: impl Read) -> Result<Vec<Strip>, Refusal> {
    let needed = [
        "nozzle",
        "speed_m_s",
        "near_mm",
        "far_mm",
        "start_mm",
        "stop_mm",
    ];
    let table = Table::read(from, &needed, &["strip"])?;
    table
        .rows()
        .map(|row| {
            let place = |column| row.number(column, -1e6, 1e6).map(|x| x.map(|mm| mm * 1e-3));
            let mark = |column| row.needed(column, -1e6, 1e6).map(|mm| mm * 1e-3);
            let strip = Strip {
                line: row.line(),
                nozzle: row.count("nozzle", 191)?,
                speed_m_s: row.needed("speed_m_s", 0.05, 50.0)?,
                mark_m: (mark("near_mm")?, mark("far_mm")?),
                start_m: place("start_mm")?,
                stop_m: place("stop_mm")?,
            };
            if strip.mark_m.1 <= strip.mark_m.0 {
                return Err(Refusal::at(
                    row.line(),
                    "`far_mm` is not beyond `near_mm`",
                    "measure along travel: the machine comes to the near edge first",
                ));
            }
            if let (Some(start), Some(stop)) = (strip.start_m, strip.stop_m)
                && stop <= start
            {
                return Err(Refusal::at(
                    row.line(),
                    "`stop_mm` is not beyond `start_mm`",
                    "measure along travel: the patch starts where the machine came first",
                ));
            }
            Ok(strip)
        })
        .collect()
}

/// One edge of a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Its line in the file.
    pub line: usize,
    /// Its nozzle.
    pub nozzle: usize,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// How much too late, m.
    pub error_m: f64,
}

/// What the edges of one kind tell.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeFit {
    /// a: what is off at any speed, mm.
    pub offset: Estimate,
    /// b: what grows with speed, ms.
    pub delay: Estimate,
    /// Standard deviation of an edge about its line, mm.
    pub scatter_mm: f64,
    /// Each nozzle; empty where they were not each driven at speeds apart.
    pub nozzles: Vec<NozzleFit>,
    /// Lines of the file whose edge was left out.
    pub left_out: Vec<usize>,
}

/// One nozzle's line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NozzleFit {
    /// Which, from 0.
    pub nozzle: usize,
    /// a, mm.
    pub offset: Estimate,
    /// b, ms.
    pub delay: Estimate,
    /// It differs from the others beyond chance, and does not count in the machine's figures.
    pub differs: bool,
}

/// Sums of the edges of one line.
#[derive(Debug, Clone)]
struct Group {
    nozzle: usize,
    edges: Vec<Edge>,
}

/// A group's line.
#[derive(Debug, Clone, Copy)]
struct Line {
    n: f64,
    mean: f64,
    sxx: f64,
    a: f64,
    b: f64,
}

impl Group {
    fn line(&self) -> Line {
        let n = self.edges.len() as f64;
        let mean = self.edges.iter().map(|e| e.speed_m_s).sum::<f64>() / n;
        let error = self.edges.iter().map(|e| e.error_m).sum::<f64>() / n;
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for e in &self.edges {
            sxx += (e.speed_m_s - mean).powi(2);
            sxy += (e.speed_m_s - mean) * (e.error_m - error);
        }
        let b = sxy / sxx;
        Line {
            n,
            mean,
            sxx,
            a: error - b * mean,
            b,
        }
    }

    fn apart(&self) -> bool {
        let (low, high) = range(&self.edges);
        high >= LEAST_RATIO * low
    }
}

impl Line {
    fn left(&self, e: &Edge) -> f64 {
        e.error_m - self.a - self.b * e.speed_m_s
    }

    fn leverage(&self, e: &Edge) -> f64 {
        1.0 / self.n + (e.speed_m_s - self.mean).powi(2) / self.sxx
    }

    /// Variances of a and b, over that of an edge.
    fn variances(&self) -> (f64, f64) {
        (
            1.0 / self.n + self.mean * self.mean / self.sxx,
            1.0 / self.sxx,
        )
    }
}

fn range(edges: &[Edge]) -> (f64, f64) {
    edges.iter().fold((f64::INFINITY, 0.0), |(low, high), e| {
        (low.min(e.speed_m_s), high.max(e.speed_m_s))
    })
}

/// Fits edges of one kind; `kind` is its name in messages, such as `start`.
///
/// # Errors
/// Fewer than four edges, one speed only, or speeds too close to tell an offset from a delay.
pub fn fit(kind: &str, edges: &[Edge]) -> Result<EdgeFit, Refusal> {
    if edges.len() < 4 {
        return Err(Refusal::whole(
            format!("{} {kind} edges are too few", edges.len()),
            "read at least four: two strips at each of two speeds",
        ));
    }
    let (low, high) = range(edges);
    if high < LEAST_RATIO * low {
        return Err(Refusal::whole(
            match high - low < 0.02 * high {
                true => format!("the {kind} edges were all driven at one speed, {low:.2} m/s"),
                false => format!(
                    "the {kind} edges were driven at {low:.2} to {high:.2} m/s, too close to tell an offset from a delay"
                ),
            },
            format!(
                "drive some strips at {:.1} m/s or faster, or at {:.1} m/s or slower",
                LEAST_RATIO * low,
                high / LEAST_RATIO
            ),
        ));
    }
    let mut groups = groups(edges);
    let mut left_out = Vec::new();
    let most = (MOST_LEFT_OUT * edges.len() as f64) as usize;
    while left_out.len() < most {
        let Some((g, i)) = outlier(&groups) else {
            break;
        };
        left_out.push(groups[g].edges.remove(i).line);
        if !groups[g].apart() {
            // Without it this nozzle's speeds no longer lie apart.
            groups.remove(g);
        }
    }
    left_out.sort_unstable();
    Ok(summed(&groups, left_out))
}

/// By nozzle where each was driven at speeds apart, else all as one.
fn groups(edges: &[Edge]) -> Vec<Group> {
    let mut each: Vec<Group> = Vec::new();
    for &edge in edges {
        match each.iter_mut().find(|g| g.nozzle == edge.nozzle) {
            Some(group) => group.edges.push(edge),
            None => each.push(Group {
                nozzle: edge.nozzle,
                edges: vec![edge],
            }),
        }
    }
    each.sort_by_key(|g| g.nozzle);
    // A line takes two figures from each; two degrees of freedom are the least for a scatter.
    if each.iter().all(Group::apart) && edges.len() >= 2 * each.len() + 2 {
        return each;
    }
    let nozzle = edges.first().map_or(0, |e| e.nozzle);
    vec![Group {
        nozzle,
        edges: edges.to_vec(),
    }]
}

/// Sum of squares about the lines, and degrees of freedom.
fn scatter(groups: &[Group], lines: &[Line]) -> (f64, usize) {
    let mut squares = 0.0;
    let mut freedom = 0;
    for (group, line) in groups.iter().zip(lines) {
        squares += group
            .edges
            .iter()
            .map(|e| line.left(e).powi(2))
            .sum::<f64>();
        freedom += group.edges.len() - 2;
    }
    (squares, freedom)
}

/// The edge that lies farthest off, where that is beyond chance: group and place in it.
fn outlier(groups: &[Group]) -> Option<(usize, usize)> {
    let lines: Vec<Line> = groups.iter().map(Group::line).collect();
    let (squares, freedom) = scatter(groups, &lines);
    if freedom < 3 {
        return None;
    }
    let count: usize = groups.iter().map(|g| g.edges.len()).sum();
    let limit = student_t_at(1.0 - OUTLIER_SHARE / (2.0 * count as f64), freedom - 1);
    let mut worst = (limit, None);
    for (g, (group, line)) in groups.iter().zip(&lines).enumerate() {
        for (i, edge) in group.edges.iter().enumerate() {
            let free = 1.0 - line.leverage(edge);
            if free <= 1e-9 {
                continue;
            }
            let left = line.left(edge);
            let rest = (squares - left * left / free).max(0.0) / (freedom - 1) as f64;
            let t = left.abs() / (rest * free).sqrt();
            if t > worst.0 {
                worst = (t, Some((g, i)));
            }
        }
    }
    worst.1
}

fn summed(groups: &[Group], left_out: Vec<usize>) -> EdgeFit {
    let lines: Vec<Line> = groups.iter().map(Group::line).collect();
    let (squares, freedom) = scatter(groups, &lines);
    let variance = squares / freedom as f64;
    let t = student_t_at(0.975, freedom);
    let differs = differing(&lines, variance, freedom);
    let n = groups.iter().map(|g| g.edges.len()).sum();
    let estimate = |value: f64, share: f64, unit, n| Estimate {
        value: value * 1e3,
        half_width: t * (variance * share).sqrt() * 1e3,
        unit,
        n,
    };
    let counted: Vec<&Line> = (lines.iter().zip(&differs))
        .filter(|(_, differs)| !**differs)
        .map(|(line, _)| line)
        .collect();
    let k = counted.len() as f64;
    let mean = |of: &dyn Fn(&Line) -> f64| counted.iter().map(|l| of(l)).sum::<f64>() / k;
    let nozzles = match groups {
        [one] if one.edges.iter().any(|e| e.nozzle != one.nozzle) => Vec::new(),
        _ => (groups.iter().zip(&lines).zip(&differs))
            .map(|((group, line), &differs)| {
                let (va, vb) = line.variances();
                let n = group.edges.len();
                NozzleFit {
                    nozzle: group.nozzle,
                    offset: estimate(line.a, va, "mm", n),
                    delay: estimate(line.b, vb, "ms", n),
                    differs,
                }
            })
            .collect(),
    };
    EdgeFit {
        offset: estimate(mean(&|l| l.a), mean(&|l| l.variances().0) / k, "mm", n),
        delay: estimate(mean(&|l| l.b), mean(&|l| l.variances().1) / k, "ms", n),
        scatter_mm: variance.sqrt() * 1e3,
        nozzles,
        left_out,
    }
}

/// Which lines differ from the mean of the rest beyond chance: the one that lies farthest off
/// first, as long as half of them stay.
fn differing(lines: &[Line], variance: f64, freedom: usize) -> Vec<bool> {
    let mut out = vec![false; lines.len()];
    let limit = student_t_at(1.0 - DIFFERS_SHARE / (4.0 * lines.len() as f64), freedom);
    while out.iter().filter(|o| !**o).count() * 2 > lines.len() + 1 {
        let mut worst = (limit, None);
        for (i, line) in lines.iter().enumerate().filter(|(i, _)| !out[*i]) {
            let rest: Vec<&Line> = (lines.iter().enumerate())
                .filter(|(j, _)| *j != i && !out[*j])
                .map(|(_, l)| l)
                .collect();
            let k = rest.len() as f64;
            let off = |of: &dyn Fn(&Line) -> (f64, f64)| {
                let (value, share) = of(line);
                let mean = rest.iter().map(|l| of(l).0).sum::<f64>() / k;
                let shares = rest.iter().map(|l| of(l).1).sum::<f64>() / (k * k);
                (value - mean).abs() / (variance * (share + shares)).sqrt()
            };
            let t = off(&|l| (l.a, l.variances().0)).max(off(&|l| (l.b, l.variances().1)));
            if t > worst.0 {
                worst = (t, Some(i));
            }
        }
        match worst.1 {
            Some(i) => out[i] = true,
            None => break,
        }
    }
    out
}

#[cfg(test)]
mod tests;
