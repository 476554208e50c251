//! The result of a replay as plain data: what `--json` prints and the table shows.

use std::fmt::Write as _;

use serde::Serialize;

use controller_core::{Counters, YawCounts};
use ground_truth::{ErrorStats, Report, Verdict};

use crate::agronomy::{Agronomy, Interval};
use crate::scene::Basis;

/// Everything that a replay reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Summary {
    /// Name of the recording.
    pub name: String,
    /// `holds` or `broken`.
    pub verdict: &'static str,
    /// Why it is broken; empty when it holds.
    pub reasons: Vec<String>,
    /// `truth` or `hindsight`.
    pub basis: &'static str,
    /// `core`, or the file whose commands were judged instead.
    pub controller: String,
    /// How the plants fared.
    pub targets: Targets,
    /// Full plants of all, with Wilson's 95 % interval; `null` without plants.
    pub hit_share: Option<Interval>,
    /// Plants outside the judged ground or beside the boom.
    pub outside: usize,
    /// Why plants were missed.
    pub missed_by: MissedBy,
    /// Where spraying began, mm; positive is too late.
    pub start_error_mm: Stats,
    /// Where spraying ended, mm; positive is too late.
    pub stop_error_mm: Stats,
    /// Share of all edges within the tolerance.
    pub edges_within: f64,
    /// Sprayed share of the judged area.
    pub sprayed_fraction: f64,
    /// What is saved against spraying everything, 0 to 1.
    pub saving_vs_broadcast: f64,
    /// Commands given.
    pub commands: usize,
    /// Patches that served more than one plant.
    pub merged: usize,
    /// Openings that came too late for the whole patch.
    pub late: u64,
    /// Pulses, images, plants and orders that the core refused; `null` when it was not run.
    pub rejected: Option<u64>,
    /// Ground that no image covered, m²; `null` when the core was not run.
    pub unseen_m2: Option<f64>,
    /// Decisions taken too late; `null` when the core was not run.
    pub overruns: Option<u64>,
    /// What summing fans came to; `null` where each nozzle serves its lane alone.
    pub fans: Option<Fans>,
    /// Lost wheel pulses put back; `null` when the core was not run.
    pub pulses_bridged: Option<u64>,
    /// How often learned slot offsets stopped to fit; `null` when the core was not run.
    pub slot_drop_outs: Option<u64>,
    /// What the core made of turning, where it is told of it; else left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub turning: Option<Turns>,
    /// How the operator's orders were kept; `null` where nothing was ordered.
    pub orders: Option<OrdersKept>,
    /// How far aside spraying was, where the machine turns; else left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub across: Option<Across>,
    /// What the supply came to, where the truth tells of one; else left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<Supply>,
    /// The drive in litres, on a machine with a rate whose ground a grid covers; else left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub field: Option<Agronomy>,
    /// Duties told to switched valves, on a machine with a rate; else left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duties: Option<Duties>,
    /// Length of the judged ground, m.
    pub ground_m: f64,
    /// Simple controllers on the same recording.
    pub baselines: Baselines,
}

/// What the core made of turning.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Turns {
    /// Yaw rates or pulses of the second wheel taken.
    pub inputs: u32,
    /// Those refused.
    pub refused: u32,
    /// Times that it was taken to go straight because none came.
    pub silences: u32,
    /// Times that the yaw sensor froze: it is taken to go straight then too.
    pub frozen: u32,
    /// Plants refused because the boom does not come by them on the curve.
    pub plants_off_curve: u32,
    /// Closings because a nozzle's own way was slower than creep speed.
    pub slow_closes: u32,
    /// Patches given up because their nozzle ran back.
    pub ran_back: u32,
}

impl From<&YawCounts> for Turns {
    fn from(counts: &YawCounts) -> Self {
        Self {
            inputs: counts.inputs,
            refused: counts.refused,
            silences: counts.silences,
            frozen: counts.frozen,
            plants_off_curve: counts.plants_off_curve,
            slow_closes: counts.slow_closes,
            ran_back: counts.ran_back,
        }
    }
}

/// Duties told to switched valves, one a cycle.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Duties {
    /// All.
    pub told: u32,
    /// More than the rate wants, because the valve can't follow less.
    pub of_valve: u32,
    /// Whole, because the patch passes in fewer than three cycles or the cycle is cut: too much.
    pub of_short: u32,
    /// Whole, and less than the rate wants or perhaps so: too fast, or too little pressure.
    pub too_small: u32,
    /// Times that the pressure was not known.
    pub pressure_faults: u32,
}

impl From<&Counters> for Duties {
    fn from(counters: &Counters) -> Self {
        Self {
            told: counters.duties,
            of_valve: counters.duties_of_valve,
            of_short: counters.duties_of_short,
            too_small: counters.duties_too_small,
            pressure_faults: counters.pressure_faults,
        }
    }
}

/// How far aside spraying was, worked out from which nozzles opened over lone plants.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Across {
    /// Sides of plants that were looked at.
    pub sides: usize,
    /// At how many of them a wrong nozzle was the outermost.
    pub wrong: usize,
    /// Mean error, mm, positive to the right.
    pub mean_mm: f64,
    /// Root of its mean square, mm.
    pub rms_mm: f64,
}

/// What the supply came to.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Supply {
    /// Lowest pressure at the nozzles, kPa.
    pub lowest_kpa: f64,
    /// Pressure at rest, kPa.
    pub rest_kpa: f64,
    /// What all nozzles gave, L.
    pub litres: f64,
    /// Most nozzles open at once.
    pub most_open: f64,
}

/// How the operator's orders were kept.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct OrdersKept {
    /// Plants that were not to be sprayed, or lay where an order was just taking effect.
    pub withheld: usize,
    /// Longest stretch of spray on keep-off ground, mm.
    pub keep_off_wet_mm: f64,
    /// Longest stretch of spray by nozzles that were off or stopped, mm.
    pub off_wet_mm: f64,
    /// Longest bare stretch of broadcast or unseen ground, mm.
    pub bare_mm: f64,
}

/// How the plants fared.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Targets {
    /// Judged plants.
    pub total: usize,
    /// Full dose everywhere.
    pub full: usize,
    /// Some spray.
    pub partial: usize,
    /// None.
    pub missed: usize,
}

/// Why plants were missed; the counts add up to the missed ones.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct MissedBy {
    /// No detector reported it.
    pub not_seen: usize,
    /// The spray began behind it.
    pub late: usize,
    /// The spray ended before it.
    pub too_short: usize,
    /// Only other nozzles sprayed there.
    pub beside: usize,
    /// Seen, and no command was given.
    pub withheld: usize,
    /// Refused with a reason.
    pub refused: usize,
    /// The valve never opened.
    pub valve: usize,
    /// Less than half of the flow.
    pub dose: usize,
}

/// How the sets of nozzles fared where fans are summed.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Fans {
    /// Plants not full to which not even all healthy nozzles could have given their share.
    pub beyond_reach: usize,
    /// Plants not full over which too few nozzles sprayed, however right each was along travel.
    pub short_sets: usize,
    /// Plants that shared no spray with another, whose nozzles could be counted.
    pub sets_counted: usize,
    /// Nozzles opened over those beyond the fewest that would have done.
    pub nozzles_beyond_smallest: usize,
    /// Plants that the core called underdosed; `null` when it was not run.
    pub underdosed: Option<u64>,
    /// Plants that reached beyond the boom; `null` when the core was not run.
    pub clipped: Option<u64>,
}

/// Errors of one kind of edge.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Stats {
    /// How many edges.
    pub n: usize,
    /// Mean, with sign.
    pub mean: f64,
    /// Root of the mean square.
    pub rms: f64,
    /// Size that 99.9 % do not exceed.
    pub p99_9: f64,
    /// Largest size.
    pub max: f64,
}

/// The two simple controllers.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Baselines {
    /// Fixed delay from the speed at arrival.
    pub fixed_delay: Baseline,
    /// Counting whole pulses.
    pub whole_pulses: Baseline,
}

/// How a simple controller did.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Baseline {
    /// How the plants fared.
    pub targets: Targets,
    /// Where spraying began, mm.
    pub start_error_mm: Stats,
    /// Where spraying ended, mm.
    pub stop_error_mm: Stats,
    /// Sprayed share of the judged area.
    pub sprayed_fraction: f64,
}

impl Targets {
    fn of(report: &Report) -> Targets {
        let t = report.targets;
        Targets {
            total: t.total,
            full: t.full,
            partial: t.partial,
            missed: t.missed,
        }
    }
}

impl Stats {
    fn of(s: &ErrorStats) -> Stats {
        // To a tenth of a micrometre: more digits say nothing.
        let mm = |m: f64| (m * 1e7).round() / 1e4;
        Stats {
            n: s.n,
            mean: mm(s.mean),
            rms: mm(s.rms),
            p99_9: mm(s.p99_9),
            max: mm(s.max),
        }
    }
}

impl Fans {
    /// Sums up a judgement with summed doses; `counters` are the core's, if it was run.
    pub fn of(report: &Report, counters: Option<&Counters>) -> Fans {
        Fans {
            beyond_reach: report.beyond_reach,
            short_sets: report.short_sets,
            sets_counted: report.sets_counted,
            nozzles_beyond_smallest: report.nozzles_beyond_smallest,
            underdosed: counters.map(|c| u64::from(c.plants_underdosed)),
            clipped: counters.map(|c| u64::from(c.plants_clipped)),
        }
    }
}

impl Baseline {
    fn of(report: &Report) -> Baseline {
        Baseline {
            targets: Targets::of(report),
            start_error_mm: Stats::of(&report.start),
            stop_error_mm: Stats::of(&report.stop),
            sprayed_fraction: report.sprayed_fraction,
        }
    }
}

impl Basis {
    /// The word for it in reports.
    pub fn word(self) -> &'static str {
        match self {
            Basis::Truth => "truth",
            Basis::Hindsight => "hindsight",
        }
    }
}

impl Summary {
    /// Sums up the judgements. `counters` are the core's, if it was run; `late` counts commands
    /// that came short where it was not. The last argument is
    /// the reports of the simple controllers.
    pub fn new(
        name: &str,
        basis: Basis,
        controller: &str,
        report: &Report,
        counters: Option<&Counters>,
        late: u64,
        [fixed_delay, whole_pulses]: [&Report; 2],
    ) -> Summary {
        let m = report.missed_by;
        Summary {
            name: name.to_owned(),
            verdict: match report.verdict {
                Verdict::Holds => "holds",
                Verdict::Broken => "broken",
            },
            reasons: report.reasons.clone(),
            basis: basis.word(),
            controller: controller.to_owned(),
            targets: Targets::of(report),
            hit_share: ground_truth::judge::agronomy::hit_share(&report.targets).map(Into::into),
            outside: report.outside,
            missed_by: MissedBy {
                not_seen: m.not_seen,
                late: m.late,
                too_short: m.too_short,
                beside: m.beside,
                withheld: m.withheld,
                refused: m.refused,
                valve: m.valve,
                dose: m.dose,
            },
            start_error_mm: Stats::of(&report.start),
            stop_error_mm: Stats::of(&report.stop),
            edges_within: report.edges_within,
            sprayed_fraction: report.sprayed_fraction,
            saving_vs_broadcast: report.saving,
            commands: report.commands,
            merged: report.merged,
            late,
            rejected: counters.map(|c| {
                let inputs = [c.pulses_refused, c.images_refused, c.plants_refused];
                let orders = [c.orders_refused, c.bench_refused];
                inputs.into_iter().chain(orders).map(u64::from).sum()
            }),
            unseen_m2: counters.map(|c| c.unseen_mm2 as f64 * 1e-6),
            overruns: counters.map(|c| u64::from(c.overruns)),
            fans: None,
            pulses_bridged: counters.map(|c| u64::from(c.pulses_bridged)),
            slot_drop_outs: counters.map(|c| u64::from(c.slot_drop_outs)),
            turning: None,
            orders: report.orders.as_ref().map(|kept| {
                let mm = |m: f64| (m * 1e7).round() / 1e4;
                OrdersKept {
                    withheld: kept.withheld,
                    keep_off_wet_mm: mm(kept.kept_off_worst_m),
                    off_wet_mm: mm(kept.off_worst_m),
                    bare_mm: mm(kept.bare_worst_m),
                }
            }),
            across: (!report.sides.is_empty()).then(|| {
                let across = ground_truth::Across::of(&report.sides);
                Across {
                    sides: across.sides,
                    wrong: across.wrong,
                    mean_mm: (across.mean * 1e4).round() / 10.0,
                    rms_mm: (across.rms * 1e4).round() / 10.0,
                }
            }),
            supply: report.supply.map(|s| Supply {
                lowest_kpa: (s.lowest_kpa * 10.0).round() / 10.0,
                rest_kpa: (s.rest_kpa * 10.0).round() / 10.0,
                litres: (s.litres * 1e3).round() / 1e3,
                most_open: (s.most_open * 10.0).round() / 10.0,
            }),
            field: None,
            duties: None,
            ground_m: report.ground_m,
            baselines: Baselines {
                fixed_delay: Baseline::of(fixed_delay),
                whole_pulses: Baseline::of(whole_pulses),
            },
        }
    }

    /// True when every tolerance holds.
    pub fn holds(&self) -> bool {
        self.verdict == "holds"
    }

    /// The table that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        let mut line = |text: String| {
            out.push_str(text.trim_end());
            out.push('\n');
        };
        let who = if self.controller == "core" {
            "controller"
        } else {
            "command file"
        };
        line(format!(
            "{}: {:.1} m of ground, {} plants judged",
            self.name, self.ground_m, self.targets.total
        ));
        if self.basis == "hindsight" {
            line("judged in hindsight from the recording alone: plants that no detector saw are not counted".into());
        } else {
            line("judged against the true ground and the true plants".into());
        }
        line(String::new());
        line(format!(
            "{:<28}{:>14}{:>14}{:>14}",
            "", who, "fixed delay", "whole pulses"
        ));
        let b = &self.baselines;
        let (f, w) = (&b.fixed_delay, &b.whole_pulses);
        let mut row = |what: &str, a: String, b: String, c: String| {
            line(format!("{what:<28}{a:>14}{b:>14}{c:>14}"));
        };
        let int = |n: usize| n.to_string();
        row(
            "full dose, plants",
            int(self.targets.full),
            int(f.targets.full),
            int(w.targets.full),
        );
        row(
            "sprayed in part, plants",
            int(self.targets.partial),
            int(f.targets.partial),
            int(w.targets.partial),
        );
        row(
            "missed, plants",
            int(self.targets.missed),
            int(f.targets.missed),
            int(w.targets.missed),
        );
        for (what, a, b, c) in [
            (
                "start error",
                &self.start_error_mm,
                &f.start_error_mm,
                &w.start_error_mm,
            ),
            (
                "stop error",
                &self.stop_error_mm,
                &f.stop_error_mm,
                &w.stop_error_mm,
            ),
        ] {
            let mm = |v: f64| format!("{v:.1}");
            row(
                &format!("{what}, mean, mm"),
                mm(a.mean),
                mm(b.mean),
                mm(c.mean),
            );
            row(&format!("{what}, rms, mm"), mm(a.rms), mm(b.rms), mm(c.rms));
            row(
                &format!("{what}, 99.9 %, mm"),
                mm(a.p99_9),
                mm(b.p99_9),
                mm(c.p99_9),
            );
            row(
                &format!("{what}, largest, mm"),
                mm(a.max),
                mm(b.max),
                mm(c.max),
            );
        }
        let share = |v: f64| format!("{:.1} %", v * 100.0);
        row(
            "area sprayed",
            share(self.sprayed_fraction),
            share(f.sprayed_fraction),
            share(w.sprayed_fraction),
        );
        line(String::new());
        line(format!(
            "saving against broadcast {}; {} commands, {} late; {} patches serve several plants",
            share(self.saving_vs_broadcast),
            self.commands,
            self.late,
            self.merged
        ));
        if let (Some(rejected), Some(unseen), Some(overruns)) =
            (self.rejected, self.unseen_m2, self.overruns)
        {
            line(format!(
                "{rejected} inputs refused, {unseen:.1} m2 unseen, {overruns} overruns"
            ));
        }
        if let Some(f) = &self.fans {
            line(format!(
                "fans summed: {} plants not full for want of nozzles, {} of them beyond the whole boom's reach; {} nozzles too many over {} single plants",
                f.short_sets, f.beyond_reach, f.nozzles_beyond_smallest, f.sets_counted
            ));
        }
        if let (Some(bridged), Some(drop_outs)) = (self.pulses_bridged, self.slot_drop_outs)
            && bridged + drop_outs > 0
        {
            line(format!(
                "{bridged} lost pulses put back; learned slots went out of use {drop_outs} times"
            ));
        }
        if let Some(t) = &self.turning {
            line(format!(
                "turning: {} inputs, {} refused, {} silences, {} freezes; {} plants off the curve, {} closings of slow nozzles, {} patches given up by nozzles that ran back",
                t.inputs,
                t.refused,
                t.silences,
                t.frozen,
                t.plants_off_curve,
                t.slow_closes,
                t.ran_back
            ));
        }
        if let Some(a) = &self.across {
            line(format!(
                "across: {:.1} mm RMS, {:+.1} mm on average; a wrong nozzle at {} of {} sides of lone plants",
                a.rms_mm, a.mean_mm, a.wrong, a.sides
            ));
        }
        if let Some(s) = &self.supply {
            line(format!(
                "supply: {:.0} kPa at rest, {:.0} kPa at the lowest; {:.2} L given, at most {:.0} nozzles open",
                s.rest_kpa, s.lowest_kpa, s.litres, s.most_open
            ));
        }
        if let Some(d) = &self.duties {
            line(format!(
                "duties: {} told; {} raised to what the valve can follow and {} whole for short patches, both too much; {} whole and too little; {} pressure faults",
                d.told, d.of_valve, d.of_short, d.too_small, d.pressure_faults
            ));
        }
        if let Some(field) = &self.field {
            field.lines().lines().for_each(|text| line(text.into()));
        } else if let Some(hit) = &self.hit_share {
            line(format!(
                "plants hit: {:.1} %, 95 % interval {:.1} to {:.1}",
                100.0 * hit.value,
                100.0 * hit.low,
                100.0 * hit.high
            ));
        }
        if let Some(kept) = &self.orders {
            line(format!(
                "{} plants withheld on order; longest stretch of spray on keep-off ground {:.1} mm, \
                 by nozzles that were off {:.1} mm; of broadcast or unseen ground bare {:.1} mm",
                kept.withheld, kept.keep_off_wet_mm, kept.off_wet_mm, kept.bare_mm
            ));
        }
        if self.targets.missed > 0 {
            line(format!("missed because {}", self.missed_by.words()));
        }
        line(match self.holds() {
            true => "verdict: holds".into(),
            false => format!("verdict: broken: {}", self.reasons.join("; ")),
        });
        out
    }
}

impl MissedBy {
    fn words(&self) -> String {
        let mut words = String::new();
        for (count, what) in [
            (self.not_seen, "not seen"),
            (self.late, "late"),
            (self.too_short, "too short"),
            (self.beside, "beside"),
            (self.withheld, "withheld"),
            (self.refused, "refused"),
            (self.valve, "the valve did not open"),
            (self.dose, "the dose was too small"),
        ] {
            if count > 0 {
                // Writing to a String cannot fail.
                let _ = write!(
                    words,
                    "{}{what}: {count}",
                    if words.is_empty() { "" } else { ", " }
                );
            }
        }
        words
    }
}
