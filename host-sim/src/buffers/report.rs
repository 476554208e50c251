//! What `buffers` says: as data, and as the table that a person reads.

use std::fmt::Write as _;

use ground_truth::buffers::Moves;
use serde::Serialize;

use super::file::Field;
use super::runs::Fared;
use crate::calibrate::report::Written;
use crate::machine::Patch;

/// Everything that `buffers` reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    /// Name of the machine.
    pub machine: String,
    /// The margin aside that the machine file has.
    pub lateral_margin_m: f64,
    /// The one with which a tenth of what may be missed is lost across.
    pub lateral_margin_needed_m: f64,
    /// The wanted share of hits.
    pub hits: f64,
    /// Drives at each speed.
    pub runs: u32,
    /// The plants reckoned with.
    pub field: Field,
    /// The errors reckoned with, by their keys.
    #[serde(serialize_with = "as_map")]
    pub errors: Vec<(&'static str, f64)>,
    /// The buffers worked out.
    pub worked_out: PatchKeys,
    /// `confirmed`, `corrected`, `out of reach` or `not driven`.
    pub verdict: &'static str,
    /// What the drives make of the buffers worked out: times so much; `null`: not driven, or out
    /// of reach.
    pub corrected_by: Option<f64>,
    /// The buffers to use.
    pub chosen: PatchKeys,
    /// Lead and trail of one who adds up the worst of each cause, at the fast speed.
    pub worst_case_sum_mm: f64,
    /// By how much the buffers worked out are shorter than that.
    pub shorter_than_worst_case_percent: f64,
    /// What each cause does at the fast speed, the largest first.
    pub causes: Vec<Line>,
    /// The slow and the fast speed.
    pub speeds: Vec<AtSpeed>,
    /// What `--write` did.
    pub written: Option<Written>,
}

/// The keys of `[patch]` that are worked out.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct PatchKeys {
    /// Before a plant.
    pub lead_m: f64,
    /// The same as a time of travel.
    pub lead_ms: f64,
    /// Behind it.
    pub trail_m: f64,
    /// The same as a time of travel.
    pub trail_ms: f64,
}

impl From<Patch> for PatchKeys {
    fn from(patch: Patch) -> Self {
        let to = |x: f64, unit: f64| (x / unit).round() * unit;
        Self {
            lead_m: to(patch.lead_m, 1e-3),
            lead_ms: to(1e3 * patch.lead_s, 0.1),
            trail_m: to(patch.trail_m, 1e-3),
            trail_ms: to(1e3 * patch.trail_s, 0.1),
        }
    }
}

/// One cause of error at the fast speed.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// The key of the budget that it comes from; `rounding` is the controller's own.
    pub key: &'static str,
    /// What it moves: `plant`; `starts`, `stops` or `all ends` of all nozzles over it; of each alone
    /// `nozzle`, `start`, `stop` or `ends`.
    pub moves: &'static str,
    /// One standard deviation on the ground.
    pub sd_mm: f64,
    /// Whether it swings to and fro.
    pub swings: bool,
    /// Its part of the sum of squares.
    pub share_percent: f64,
    /// By how much lead and trail together would be shorter for half of it.
    pub halved_shortens_mm: f64,
    /// How much of the sprayed product that would save.
    pub halved_saves_percent: f64,
}

/// The word for what a cause moves.
pub fn word(moves: Moves) -> &'static str {
    match moves {
        Moves::Plant => "plant",
        Moves::Nozzle => "nozzle",
        Moves::Start => "start",
        Moves::Stop => "stop",
        Moves::Ends => "ends",
        Moves::AllStarts => "starts",
        Moves::AllStops => "stops",
        Moves::AllEnds => "all ends",
    }
}

/// What it comes to at one speed.
#[derive(Debug, Clone, Serialize)]
pub struct AtSpeed {
    /// The speed.
    pub speed_m_s: f64,
    /// Lead that is needed.
    pub needed_lead_mm: f64,
    /// Trail that is needed.
    pub needed_trail_mm: f64,
    /// One standard deviation of an edge.
    pub edge_sd_mm: f64,
    /// Share of plants over which every nozzle opens that they need.
    pub across: f64,
    /// Hits with the buffers worked out.
    pub worked_hits: f64,
    /// What they save against spraying all, plants strewn at random.
    pub worked_saving: f64,
    /// The same in patches; `null` where no patchiness was given.
    pub worked_saving_in_patches: Option<f64>,
    /// What the drives gave.
    pub driven: Option<Driven>,
    /// Hits with the buffers that the machine file has.
    pub file_hits: f64,
    /// What the drives gave with them.
    pub file_driven: Option<Driven>,
    /// Up to which density three quarters of the product are saved.
    pub three_quarters_saved_up_to_per_m2: f64,
    /// Hits and saving for shorter and longer buffers; some of them were driven.
    pub curve: Vec<OnCurve>,
}

/// What drives gave.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Driven {
    /// Plants judged.
    pub plants: usize,
    /// Share of full ones.
    pub hits: f64,
    /// The 95 % interval of that share.
    pub hits_from: f64,
    /// Its upper end.
    pub hits_to: f64,
    /// What was saved against spraying all.
    pub saving: f64,
    /// How far starts strayed: one standard deviation, to be held against `edge_sd_mm`.
    pub start_sd_mm: f64,
    /// Their mean, positive too late.
    pub start_mean_mm: f64,
    /// How far stops strayed.
    pub stop_sd_mm: f64,
    /// Their mean.
    pub stop_mean_mm: f64,
}

impl Driven {
    /// Sums up.
    pub fn of(fared: &Fared) -> Self {
        Self {
            plants: fared.plants,
            hits: fared.share(),
            hits_from: fared.interval.0,
            hits_to: fared.interval.1,
            saving: fared.saving,
            start_sd_mm: 1e3 * fared.starts.sd(),
            start_mean_mm: 1e3 * fared.starts.mean(),
            stop_sd_mm: 1e3 * fared.stops.sd(),
            stop_mean_mm: 1e3 * fared.stops.mean(),
        }
    }

    /// Whether a share worked out lies within the interval.
    pub fn holds(&self, share: f64) -> bool {
        (self.hits_from..=self.hits_to).contains(&share)
    }
}

/// One point of the curve of hits against product saved.
#[derive(Debug, Clone, Serialize)]
pub struct OnCurve {
    /// Buffers as a multiple of those worked out.
    pub times: f64,
    /// Lead and trail together.
    pub sum_mm: f64,
    /// Hits worked out.
    pub worked_hits: f64,
    /// The same of plants strewn at random.
    pub worked_hits_at_random: f64,
    /// Saving worked out, plants strewn at random: exp(−λL).
    pub worked_saving: f64,
    /// The same in patches; `null` where no patchiness was given.
    pub worked_saving_in_patches: Option<f64>,
    /// What the drives gave.
    pub driven: Option<Driven>,
}

/// What the drives make of the buffers: 1 where they confirm them; else the least multiple at which
/// as many plants were hit as wanted, straight between the points of the curve. None: not driven,
/// or not reached by any.
pub fn correction(speeds: &[AtSpeed], wanted: f64) -> Option<f64> {
    if speeds.iter().any(|s| s.driven.is_none()) {
        return None;
    }
    let confirmed = |s: &AtSpeed| s.driven.is_some_and(|d| d.holds(s.worked_hits));
    if speeds.iter().all(confirmed) {
        return Some(1.0);
    }
    let reached = |s: &AtSpeed| -> Option<f64> {
        let points: Vec<(f64, f64)> = s
            .curve
            .iter()
            .filter_map(|p| Some((p.times, p.driven?.hits)))
            .collect();
        let after = points.iter().position(|p| p.1 >= wanted)?;
        let (b, before) = (
            points[after],
            after.checked_sub(1).and_then(|i| points.get(i)),
        );
        Some(match before {
            Some(a) if b.1 > a.1 => a.0 + (b.0 - a.0) * (wanted - a.1) / (b.1 - a.1),
            _ => b.0,
        })
    };
    let each: Option<Vec<f64>> = speeds.iter().map(reached).collect();
    // To the hundredth, upward.
    each.map(|all| (all.into_iter().fold(0.0, f64::max) * 100.0 - 1e-9).ceil() / 100.0)
}

/// The word for it.
pub fn verdict(speeds: &[AtSpeed], runs: u32, factor: Option<f64>) -> &'static str {
    let confirmed = |s: &AtSpeed| s.driven.is_some_and(|d| d.holds(s.worked_hits));
    match factor {
        _ if runs == 0 => "not driven",
        None => "out of reach",
        Some(_) if speeds.iter().all(confirmed) => "confirmed",
        Some(_) => "corrected",
    }
}

impl Report {
    /// The table that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail, so the results say nothing.
        let _ = writeln!(
            out,
            "{}: {} of plants to be hit",
            self.machine,
            percent(self.hits)
        );
        let _ = writeln!(
            out,
            "plants: {} per m2, {:.0} mm ({:.0} to {:.0}){}",
            self.field.density_per_m2,
            1e3 * self.field.size_mean_m,
            1e3 * self.field.size_min_m,
            1e3 * self.field.size_max_m,
            self.field.patchiness_k.map_or(String::new(), |k| format!(
                ", in patches: shape {k} over squares of {} m",
                self.field.patchiness_square_m
            ))
        );
        let fast = self.speeds.last();
        let _ = writeln!(
            out,
            "\nerrors reckoned with, and what they do at {:.1} m/s; for half of one, lead and trail get shorter",
            fast.map_or(0.0, |s| s.speed_m_s)
        );
        let _ = writeln!(
            out,
            "{:<28}{:>8}{:>10}{:>9}{:>14}{:>13}",
            "", "value", "sd, mm", "part, %", "half: mm less", "% less spray"
        );
        for line in &self.causes {
            let value = self.errors.iter().find(|e| e.0 == line.key);
            let value = value.map_or(String::new(), |e| format!("{}", e.1));
            let _ = writeln!(
                out,
                "{:<28}{value:>8}{:>10.2}{:>9.1}{:>14.1}{:>13.2}",
                line.key,
                line.sd_mm,
                line.share_percent,
                line.halved_shortens_mm,
                line.halved_saves_percent
            );
        }
        let _ = writeln!(out, "\nbuffers worked out: {}", keys(&self.worked_out));
        if self.lateral_margin_m < self.lateral_margin_needed_m {
            let _ = writeln!(
                out,
                "caution: {} of plants are lost across at most, which no lead makes good; lateral_margin_m = {:.3} would lose a tenth of what may be missed, the file has {:.3}",
                percent(
                    self.speeds
                        .iter()
                        .fold(0.0, |w: f64, s| w.max(1.0 - s.across))
                ),
                self.lateral_margin_needed_m,
                self.lateral_margin_m
            );
        }
        for s in &self.speeds {
            let _ = writeln!(
                out,
                "at {:.1} m/s: needs lead {:.1} mm, trail {:.1} mm; hits {}, saved {}{}",
                s.speed_m_s,
                s.needed_lead_mm,
                s.needed_trail_mm,
                percent(s.worked_hits),
                percent(s.saving()),
                s.worked_saving_in_patches
                    .map_or(String::new(), |_| format!(
                        " (strewn at random {})",
                        percent(s.worked_saving)
                    ))
            );
            if let Some(d) = &s.driven {
                let _ = writeln!(
                    out,
                    "    driven: hits {} ({} to {}) of {} plants, saved {}; starts strayed by {:.1} mm, stops by {:.1}, {:.1} worked out",
                    percent(d.hits),
                    percent(d.hits_from),
                    percent(d.hits_to),
                    d.plants,
                    percent(d.saving),
                    d.start_sd_mm,
                    d.stop_sd_mm,
                    s.edge_sd_mm
                );
            }
            let file = s.file_driven.as_ref().map_or(String::new(), |d| {
                format!(", driven {}, saved {}", percent(d.hits), percent(d.saving))
            });
            let _ = writeln!(
                out,
                "    with the buffers in the file: hits {}{file}",
                percent(s.file_hits)
            );
        }
        let _ = writeln!(
            out,
            "adding up the worst of each cause would take {:.0} mm; this is {:.0} % shorter",
            self.worst_case_sum_mm, self.shorter_than_worst_case_percent
        );
        let _ = writeln!(
            out,
            "{}",
            match self.verdict {
                "confirmed" => "the drives confirm it".to_owned(),
                "corrected" => format!(
                    "the drives correct it: {:.2} times as much\nbuffers to use: {}",
                    self.corrected_by.unwrap_or(1.0),
                    keys(&self.chosen)
                ),
                "out of reach" =>
                    "the drives do not reach the wanted hits with twice as much either: look at what they miss with `generate` and `replay`"
                        .to_owned(),
                _ => "not driven: give --runs to confirm it".to_owned(),
            }
        );
        if let Some(s) = fast {
            let _ = writeln!(out, "{}", practice(s, &self.field));
        }
        if let Some(written) = &self.written {
            let _ = writeln!(
                out,
                "{}: {}",
                if written.changed {
                    "written"
                } else {
                    "unchanged"
                },
                written.file
            );
        }
        out
    }
}

impl AtSpeed {
    /// Saving worked out for the stand that is driven over.
    pub fn saving(&self) -> f64 {
        self.worked_saving_in_patches.unwrap_or(self.worked_saving)
    }
}

impl OnCurve {
    /// Saving worked out for the stand that is driven over.
    pub fn saving(&self) -> f64 {
        self.worked_saving_in_patches.unwrap_or(self.worked_saving)
    }
}

/// What is said of such machines, held against this one. Common practice, no source: hits near
/// those of broadcast spraying with some three quarters of the product saved.
pub fn practice(s: &AtSpeed, field: &Field) -> String {
    let saved = s.driven.map_or(s.saving(), |d| d.saving);
    format!(
        "three quarters saved is {} here: {} at {} plants per m2{}; it is true up to {:.2}",
        if saved >= 0.75 { "true" } else { "not true" },
        percent(saved),
        field.density_per_m2,
        if field.patchiness_k.is_some() {
            " in such patches"
        } else {
            ""
        },
        s.three_quarters_saved_up_to_per_m2
    )
}

fn percent(share: f64) -> String {
    format!("{:.2} %", 100.0 * share)
}

fn keys(p: &PatchKeys) -> String {
    format!(
        "lead_m = {:.3}, lead_ms = {:.1}, trail_m = {:.3}, trail_ms = {:.1}",
        p.lead_m, p.lead_ms, p.trail_m, p.trail_ms
    )
}

fn as_map<S: serde::Serializer>(
    all: &[(&'static str, f64)],
    to: S,
) -> std::result::Result<S::Ok, S::Error> {
    to.collect_map(all.iter().copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drives at one speed that gave these hits for these multiples, and `worked` was worked out.
    fn speed(points: &[(f64, f64)], worked: f64) -> AtSpeed {
        let driven = |hits: f64| Driven {
            plants: 1000,
            hits,
            hits_from: hits - 0.01,
            hits_to: hits + 0.01,
            saving: 0.9,
            start_sd_mm: 20.0,
            start_mean_mm: 0.0,
            stop_sd_mm: 20.0,
            stop_mean_mm: 0.0,
        };
        AtSpeed {
            speed_m_s: 5.0,
            needed_lead_mm: 50.0,
            needed_trail_mm: 50.0,
            edge_sd_mm: 20.0,
            across: 1.0,
            worked_hits: worked,
            worked_saving: 0.9,
            worked_saving_in_patches: None,
            driven: points.iter().find(|p| p.0 == 1.0).map(|p| driven(p.1)),
            file_hits: worked,
            file_driven: None,
            three_quarters_saved_up_to_per_m2: 1.0,
            curve: points
                .iter()
                .map(|&(times, hits)| OnCurve {
                    times,
                    sum_mm: 100.0 * times,
                    worked_hits: worked,
                    worked_hits_at_random: worked,
                    worked_saving: 0.9,
                    worked_saving_in_patches: None,
                    driven: Some(driven(hits)),
                })
                .collect(),
        }
    }

    #[test]
    fn the_drives_confirm_or_correct_in_between() {
        let right = speed(&[(0.0, 0.5), (1.0, 0.951), (2.0, 1.0)], 0.95);
        let short = speed(&[(0.0, 0.5), (1.0, 0.90), (1.5, 1.0)], 0.95);
        let long = speed(&[(0.0, 0.5), (0.5, 0.95), (1.0, 0.99)], 0.95);
        let never = speed(&[(0.0, 0.1), (1.0, 0.2), (2.0, 0.3)], 0.95);
        let both = |a: &AtSpeed, b: &AtSpeed| {
            let all = [a.clone(), b.clone()];
            let factor = correction(&all, 0.95);
            (factor, verdict(&all, 10, factor))
        };
        assert_eq!(both(&right, &right), (Some(1.0), "confirmed"));
        // Half-way from 1 to 1.5 by hand; the larger of both speeds counts.
        assert_eq!(both(&right, &short), (Some(1.25), "corrected"));
        assert_eq!(both(&long, &short), (Some(1.25), "corrected"));
        assert_eq!(both(&long, &long), (Some(0.5), "corrected"));
        assert_eq!(both(&right, &never), (None, "out of reach"));
        assert_eq!(verdict(std::slice::from_ref(&right), 0, None), "not driven");
    }
}
