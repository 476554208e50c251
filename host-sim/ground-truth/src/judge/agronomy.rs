//! The verdict as an agronomist means it: by litres a hectare on the ground.
//!
//! Each plant has a smallest and a largest dose over its area. It is *full* where the smallest is
//! at least the wanted share of the wanted rate, *missed* where the largest is less than half of
//! that, and *partial* between. The field's mean is held against the most that the product's label
//! allows. Litres are held against a broadcast pass of the wanted rate; and, since a pass that
//! misses plants saves for the wrong reason, against a broadcast pass over only as large a part of
//! the ground as the share of plants that were hit: the *saving at equal share*.

use super::{Outcome, Report, Targets, Tolerance, Verdict, WhyMissed, reasons};
use crate::interval::wilson;
use crate::judge::{Command, MissedBy, TrueFan, TrueNozzle};

/// What doses are held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Rate where something is sprayed, in L/ha.
    pub l_ha: f64,
    /// Share of it that every point of a plant must get.
    pub share: f64,
    /// Most that the field may get on average, in L/ha, if the label says.
    pub label_max_l_ha: Option<f64>,
}

/// A share or a saving, with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// As found.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Share of plants with the full dose, and Wilson's interval of it. None without plants.
#[must_use]
pub fn hit_share(targets: &Targets) -> Option<Estimate> {
    let (low, high) = wilson(targets.full, targets.total)?;
    Some(Estimate {
        value: targets.full as f64 / targets.total as f64,
        low,
        high,
    })
}

/// Saving against a broadcast pass that hits the same share of plants: `1 − litres / (share ·
/// broadcast)`, its ends from those of the share. None where nothing was hit: then no pass is
/// small enough.
#[must_use]
pub fn saving_at_equal_share(share: Estimate, litres: f64, broadcast_l: f64) -> Option<Estimate> {
    let saving = |share: f64| 1.0 - litres / (share * broadcast_l);
    (share.value > 0.0 && broadcast_l > 0.0).then(|| Estimate {
        value: saving(share.value),
        low: saving(share.low),
        high: saving(share.high),
    })
}

impl Report {
    /// Judges the plants by what came down on them: `doses` are the smallest and the largest
    /// of each plant, in L/ha, none where it lies off the grid. What was judged before decides
    /// only which plants count, and why one was missed. `mean_l_ha` is the field's mean.
    pub fn judge_doses(
        &mut self,
        doses: &[Option<(f64, f64)>],
        wanted: &Wanted,
        mean_l_ha: f64,
        tolerance: &Tolerance,
    ) {
        let enough = wanted.share * wanted.l_ha;
        let mut targets = Targets::default();
        let mut missed_by = MissedBy::default();
        for (outcome, dose) in self.outcomes.iter_mut().zip(doses) {
            let (Some((least, most)), false) = (dose, *outcome == Outcome::Outside) else {
                *outcome = Outcome::Outside;
                continue;
            };
            *outcome = match *outcome {
                _ if *least >= enough => Outcome::Full,
                _ if *most >= 0.5 * enough => Outcome::Partial,
                Outcome::Missed(why) => Outcome::Missed(why),
                _ => Outcome::Missed(WhyMissed::Dose),
            };
            match *outcome {
                Outcome::Full => targets.full += 1,
                Outcome::Partial => targets.partial += 1,
                Outcome::Missed(why) => {
                    targets.missed += 1;
                    missed_by.add(why);
                }
                Outcome::Outside => {}
            }
        }
        targets.total = targets.full + targets.partial + targets.missed;
        self.outside = self.outcomes.len() - targets.total;
        (self.targets, self.missed_by) = (targets, missed_by);
        self.reasons = reasons(self, tolerance);
        if let Some(most) = wanted.label_max_l_ha
            && mean_l_ha > most
        {
            self.reasons.push(format!(
                "the field got {mean_l_ha:.1} L/ha on average, {most:.1} L/ha allowed by the label"
            ));
        }
        self.verdict = if self.reasons.is_empty() {
            Verdict::Holds
        } else {
            Verdict::Broken
        };
    }
}

/// What the valves did.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ValveWork {
    /// Times that a valve was switched on, all nozzles together.
    pub cycles: usize,
    /// The same of the nozzle with the most.
    pub most_cycles: usize,
    /// Time that valves were open for a patch, all together, in seconds.
    pub open_s: f64,
    /// Time with current, all together, in seconds.
    pub on_s: f64,
}

impl ValveWork {
    /// Sums up the commands and what the wires did; both end at `end_s` at the latest.
    #[must_use]
    pub fn of(nozzles: usize, commands: &[Command], wires: &[Command], end_s: f64) -> Self {
        let (open, _) = on_times(nozzles, commands, end_s);
        let (on, switched) = on_times(nozzles, wires, end_s);
        Self {
            cycles: switched.iter().sum(),
            most_cycles: switched.iter().copied().max().unwrap_or(0),
            open_s: open.iter().sum(),
            on_s: on.iter().sum(),
        }
    }

    /// Mean share of the open time with current; none where nothing opened.
    #[must_use]
    pub fn duty(&self) -> Option<f64> {
        (self.open_s > 0.0).then(|| self.on_s / self.open_s)
    }
}

/// For each nozzle the seconds that it was on, and how often it was turned on.
fn on_times(nozzles: usize, commands: &[Command], end_s: f64) -> (Vec<f64>, Vec<usize>) {
    let (mut on, mut count) = (vec![0.0; nozzles], vec![0; nozzles]);
    let mut since: Vec<Option<f64>> = vec![None; nozzles];
    let mut order: Vec<&Command> = commands.iter().filter(|c| c.nozzle < nozzles).collect();
    order.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    for c in order {
        match (c.open, since[c.nozzle]) {
            (true, None) => {
                since[c.nozzle] = Some(c.at_s);
                count[c.nozzle] += 1;
            }
            (false, Some(begun)) => {
                on[c.nozzle] += c.at_s - begun;
                since[c.nozzle] = None;
            }
            _ => {}
        }
    }
    for (nozzle, begun) in since.iter().enumerate() {
        on[nozzle] += begun.map_or(0.0, |begun| (end_s - begun).max(0.0));
    }
    (on, count)
}

/// Variation across travel of a broadcast pass with every nozzle that works, at a steady speed:
/// standard deviation over mean of the volume on strips of `cell` metres, where the pattern is
/// whole: as far inside the outermost nozzles as a fan reaches aside, or on all lanes where
/// nothing is left of that. `flows` are the nozzles' own; empty: all alike. None without nozzles.
#[must_use]
pub fn broadcast_cv(
    nozzles: &[TrueNozzle],
    fan: &TrueFan,
    flows: &[f64],
    faulty: &[usize],
    cell: f64,
) -> Option<f64> {
    let half = fan.half_width_m;
    let (first, last) = (nozzles.first()?, nozzles.last()?);
    let mut ends = (first.y + half, last.y - half);
    if ends.1 - ends.0 < cell {
        let lane = |n: &TrueNozzle| 0.5 * n.lane_width_m;
        ends = (first.y - lane(first), last.y + lane(last));
    }
    let count = ((ends.1 - ends.0) / cell).round().max(1.0);
    let strip = (ends.1 - ends.0) / count;
    let volumes: Vec<f64> = (0..count as usize)
        .map(|i| {
            let left = ends.0 + i as f64 * strip;
            (nozzles.iter().enumerate())
                .filter(|(n, _)| !faulty.contains(n))
                .map(|(n, nozzle)| {
                    let own = flows.get(n).copied().unwrap_or(1.0);
                    own * fan.volume(left - nozzle.y, left + strip - nozzle.y)
                })
                .sum()
        })
        .collect();
    let mean = volumes.iter().sum::<f64>() / count;
    let square = volumes.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count;
    (mean > 0.0).then(|| square.sqrt() / mean)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Valve;

    #[test]
    fn a_share_and_its_saving_by_hand() {
        let targets = Targets {
            total: 263,
            full: 81,
            partial: 100,
            missed: 82,
        };
        // Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 3.
        let share = hit_share(&targets).expect("plants");
        assert!((share.low - 0.2553).abs() < 6e-5 && (share.high - 0.3662).abs() < 6e-5);
        // 5 of 100 L, where a broadcast pass over 81/263 of the ground takes 30.8 L.
        let saving = saving_at_equal_share(share, 5.0, 100.0).expect("some were hit");
        assert!((saving.value - (1.0 - 5.0 * 263.0 / 8100.0)).abs() < 1e-12);
        assert!((saving.low - (1.0 - 0.05 / share.low)).abs() < 1e-12);
        assert!(saving.low < saving.value && saving.value < saving.high);
        let none = Estimate {
            value: 0.0,
            low: 0.0,
            high: 0.2,
        };
        assert_eq!(saving_at_equal_share(none, 5.0, 100.0), None);
        assert_eq!(hit_share(&Targets::default()), None);
    }

    fn command(nozzle: usize, open: bool, at_s: f64) -> Command {
        Command {
            nozzle,
            open,
            at_s,
            short_by_m: 0.0,
        }
    }

    #[test]
    fn valves_work_by_hand() {
        let commands = [
            command(0, true, 1.0),
            command(0, false, 2.0),
            command(1, true, 3.0),
        ];
        let wires = [
            command(0, true, 1.0),
            command(0, false, 1.25),
            command(0, true, 1.5),
            command(0, false, 1.75),
            command(1, true, 3.0),
        ];
        let work = ValveWork::of(2, &commands, &wires, 4.0);
        assert_eq!((work.cycles, work.most_cycles), (3, 2));
        assert_eq!(
            (work.open_s, work.on_s, work.duty()),
            (2.0, 1.5, Some(0.75))
        );
        assert_eq!(ValveWork::of(2, &[], &[], 4.0).duty(), None);
    }

    #[test]
    fn a_broadcast_pass_varies_by_what_its_nozzles_do() {
        let nozzles: Vec<TrueNozzle> = (0..8)
            .map(|i| TrueNozzle {
                x: 0.0,
                y: 0.5 * f64::from(i),
                lane_width_m: 0.5,
                throw_s: 0.0,
                thickness_m: 0.04,
                valve: Valve::default(),
            })
            .collect();
        let lanes = TrueFan {
            half_width_m: 0.25,
            flat_half_m: 0.25,
            spacing_m: 0.5,
            wanted_share: 0.9,
            twist: 0.0,
            bow_height_m: 0.0,
        };
        let cv = |fan: &TrueFan, flows: &[f64], faulty: &[usize]| {
            broadcast_cv(&nozzles, fan, flows, faulty, 0.01).expect("nozzles")
        };
        assert!(cv(&lanes, &[], &[]) < 1e-12);
        // Triangles as wide as twice the spacing add up to one height.
        let tapered = TrueFan {
            half_width_m: 0.5,
            flat_half_m: 0.0,
            ..lanes
        };
        assert!(cv(&tapered, &[], &[]) < 1e-9);
        // Of the six lanes inside (0.25 to 3.25 m) one is dry: √(1/6 · 5/6) / (5/6) = 0.4472.
        assert!((cv(&lanes, &[], &[3]) - 0.2_f64.sqrt()).abs() < 1e-9);
        // Every other nozzle a tenth weaker: 0.05 / 0.95.
        let flows = [1.0, 0.9, 1.0, 0.9, 1.0, 0.9, 1.0, 0.9];
        assert!((cv(&lanes, &flows, &[]) - 0.05 / 0.95).abs() < 1e-9);
    }
}
