//! One drive, many faults: what a thing that goes wrong may cost, and what must be counted.
//!
//! A [`Row`] puts its fault into a drive that is perfect without it. The commands of the core
//! are then judged against the true ground, and held against the row's bounds: plants lost,
//! ground sprayed, where patches begin, and for how long a valve stays open at rest. What is
//! lost must be counted by the core, unless the core can't know of it; then the row says so.
//!
//! Bounds on open valves are worked out here from the pulses, without the core.

mod detector;
mod firmware;
mod host;
pub mod plants;
mod stacked;
mod story;
mod turning;
mod valve;
mod wheel;

use controller_core::{Counters, YawCounts};
use ground_truth::{EdgeKind, Report};
use std::fmt;

pub use story::{Base, Happening, Item, Story};

/// A counter of the core, by name.
pub type Counted = (&'static str, fn(&Counters) -> u64);

/// A counter of turning, by name.
pub type Turned = (&'static str, fn(&YawCounts) -> u32);

/// One fault, and what it may do.
pub struct Row {
    /// What goes wrong.
    pub name: &'static str,
    /// On which drive.
    pub base: Base,
    /// Puts the fault into the drive.
    pub fault: fn(&mut Story),
    /// What limits the damage: the rule of the core that a build without must break.
    pub guard: &'static str,
    /// The bounds.
    pub bound: Bound,
}

/// What a fault may cost: what was measured and a margin, so that a guard taken out shows. The
/// margin is a tenth and 0.5 % of plants, 3 % of ground, 15 % and 3 mm of a start.
pub struct Bound {
    /// Most plants without their full dose, percent of all.
    pub lost: f64,
    /// Ground sprayed, as a multiple of the drive without the fault: at least, at most.
    pub sprayed: (f64, f64),
    /// Most that a patch may begin away from where it should, mm.
    pub start_mm: f64,
    /// Counters that must have gone up.
    pub counted: &'static [Counted],
    /// Counters of turning that must have gone up.
    pub turned: &'static [Turned],
    /// Counters that must stay at so much or less.
    pub most: &'static [(Counted, u64)],
    /// Why plants may be lost without the core counting anything.
    pub unknowable: Option<&'static str>,
}

impl Bound {
    /// The fault must not show at all.
    pub const NOTHING: Self = Self {
        lost: 0.0,
        sprayed: (0.995, 1.005),
        start_mm: 12.0,
        counted: &[],
        turned: &[],
        most: &[],
        unknowable: None,
    };
}

/// What a fault did.
#[derive(Clone, Debug)]
pub struct Effect {
    /// Plants judged.
    pub plants: usize,
    /// Of those, without their full dose, more than without the fault.
    pub lost: usize,
    /// Ground sprayed, as a multiple of the drive without the fault.
    pub sprayed: f64,
    /// Farthest that a patch of a sound valve began away from where it should, mm.
    pub start_mm: f64,
    /// Longest that a valve was open beyond what the silence of the wheel, an order or the end
    /// of the drive allows, s; not above 0 when all is well.
    pub open_at_rest_s: f64,
    /// Faults in the list of commands itself.
    pub malformed: usize,
    /// The core's counters, of all starts of it.
    pub counters: Vec<Counters>,
    /// What it made of turning, likewise.
    pub turned: Vec<YawCounts>,
}

impl Effect {
    fn count(&self, (_, of): &Counted) -> u64 {
        self.counters.iter().map(of).sum()
    }

    /// What of the bound is broken; empty when it holds.
    #[must_use]
    pub fn breaks(&self, bound: &Bound) -> Vec<String> {
        let mut broken = Vec::new();
        let lost = 100.0 * self.lost as f64 / self.plants as f64;
        if lost > bound.lost {
            broken.push(format!(
                "{lost:.1} % of plants lost, at most {}",
                bound.lost
            ));
        }
        if !(bound.sprayed.0..=bound.sprayed.1).contains(&self.sprayed) {
            broken.push(format!(
                "{:.3} of the ground sprayed, {} to {} allowed",
                self.sprayed, bound.sprayed.0, bound.sprayed.1
            ));
        }
        if self.start_mm > bound.start_mm {
            broken.push(format!(
                "a patch began {:.1} mm off, at most {}",
                self.start_mm, bound.start_mm
            ));
        }
        if self.open_at_rest_s > 1e6 {
            broken.push("a valve was never closed again".to_owned());
        } else if self.open_at_rest_s > 0.0 {
            broken.push(format!(
                "a valve was open {:.3} s beyond its bound",
                self.open_at_rest_s
            ));
        }
        if self.malformed > 0 {
            broken.push(format!("{} malformed commands", self.malformed));
        }
        for counted in bound.counted {
            if self.count(counted) == 0 {
                broken.push(format!("{} was not counted", counted.0));
            }
        }
        for (name, of) in bound.turned {
            if self.turned.iter().all(|counts| of(counts) == 0) {
                broken.push(format!("{name} was not counted"));
            }
        }
        for (counter, most) in bound.most {
            let counted = self.count(counter);
            if counted > *most {
                broken.push(format!("{counted} {}, at most {most}", counter.0));
            }
        }
        let counted = !(bound.counted.is_empty() && bound.turned.is_empty());
        if self.lost > 0 && !counted && bound.unknowable.is_none() {
            broken.push(format!("{} plants lost in silence", self.lost));
        }
        broken
    }
}

impl fmt::Display for Effect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let open = self.open_at_rest_s.max(0.0);
        write!(
            f,
            "{:4} of {:4} {:7.3} {:8.1} {open:6.3}",
            self.lost, self.plants, self.sprayed, self.start_mm
        )
    }
}

/// All rows.
#[must_use]
pub fn rows() -> Vec<Row> {
    let parts = [
        wheel::rows(),
        detector::rows(),
        valve::rows(),
        host::rows(),
        turning::rows(),
        stacked::rows(),
    ];
    parts.into_iter().flatten().collect()
}

/// A drive without any fault.
#[must_use]
pub fn clean(base: Base) -> Report {
    Story::new(base).run().report
}

/// Drives a row's story; `clean` is the same drive without the fault.
#[must_use]
pub fn effect(row: &Row, clean: &Report) -> Effect {
    let mut story = Story::new(row.base);
    (row.fault)(&mut story);
    let ran = story.run();
    let report = &ran.report;
    // A valve that does what it likes places its own edges; the others must not follow.
    let sound = |edge: &&ground_truth::Edge| !story.betrayed(edge.nozzle);
    let starts = (report.edges.iter().filter(sound)).filter(|e| e.kind == EdgeKind::Start);
    let lost = |report: &Report| report.targets.total - report.targets.full;
    Effect {
        plants: report.targets.total,
        lost: lost(report).saturating_sub(lost(clean)),
        sprayed: area(report) / area(clean),
        start_mm: starts.map(|e| 1000.0 * e.error().abs()).fold(0.0, f64::max),
        open_at_rest_s: story.open_at_rest(&ran.told),
        malformed: ran.malformed,
        counters: ran.counters,
        turned: ran.turned,
    }
}

/// Metres of lane at half flow.
fn area(report: &Report) -> f64 {
    let strips = report.strips.iter().flatten();
    // The sum of nothing is a negative zero.
    strips.map(|(from, to)| to - from).sum::<f64>() + 0.0
}

/// The matrix as a table: what each fault did, and what it may do.
#[must_use]
pub fn matrix() -> String {
    let mut table = String::from(
        "| fault | lost plants, % (most) | sprayed (bound) | farthest start, mm (most) | limited by |\n\
         |---|---|---|---|---|\n",
    );
    for row in rows() {
        let (effect, bound) = (effect(&row, &clean(row.base)), &row.bound);
        table += &format!(
            "| {} | {:.1} ({}) | {:.3} ({} to {}) | {:.0} ({}) | {} |\n",
            row.name,
            100.0 * effect.lost as f64 / effect.plants as f64,
            bound.lost,
            effect.sprayed,
            bound.sprayed.0,
            bound.sprayed.1,
            effect.start_mm,
            bound.start_mm,
            row.guard
        );
    }
    table
}
