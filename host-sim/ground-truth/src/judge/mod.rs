//! The judge: where the spray came down, and what that meant for each plant.
//!
//! Every command is turned into flow by its nozzle's true valve, and every
//! instant of half flow into a place on the ground:
//! `place = x(t) + nozzle.x + throw·v(t)`. An *edge* is right when that place
//! is the plant's edge less the whole lead, or plus the whole trail, at the
//! speed of that instant. A plant is *full* when every nozzle whose lane it
//! needs gives full flow with its whole fan over the whole plant, *partial*
//! when some half flow came down on it, and *missed* otherwise.
//!
//! **Fans.** Where the machine has fans, a plant's dose is summed over all nozzles that
//! reach it ([`TrueFan`]), as a share of the broadcast dose. It is full when every point
//! of the plant on the boom's ground gets the wanted share, missed when no point gets
//! half of that, and partial otherwise. A plant that was missed although a nozzle sprayed
//! there is missed by its dose. Edges are scored for the nozzles that sprayed over a
//! plant and without which some point of it would have got less; where others sprayed
//! there too, an end of theirs that no plant needed is not scored.
//!
//! **Turns.** Where the machine turns ([`crate::Turning`]), every nozzle has its own way,
//! and a plant its place and extent on each: edges and their errors are metres of the
//! nozzle's own way, across its fan. How far aside the controller was is told by
//! [`Report::sides`], from which nozzles it opened.
//!
//! **Litres.** Where flow and rate are known, [`agronomy`] judges each plant anew by what came
//! down on the ground ([`mod@crate::deposit`]), cycles of switched valves and pressure included.
//!
//! Work grows with `n·log n` in plants and commands; lists are sorted once and
//! swept.

mod across;
pub mod agronomy;
mod cover;
mod dose;
pub mod fan;
mod input;
mod lanes;
mod orders;
mod patches;
mod report;
mod spray;
mod unseen;

#[cfg(test)]
mod brute;
#[cfg(test)]
mod dose_tests;
#[cfg(test)]
mod orders_tests;
#[cfg(test)]
mod perfect;
#[cfg(test)]
mod supply_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod turning_orders_tests;
#[cfg(test)]
mod turning_tests;

pub use across::{Across, Side};
pub use fan::TrueFan;
pub use input::{Command, InputError, JudgeInput, Patch, Tolerance, TrueNozzle};
pub use orders::{KeepOff, ModeOrder, Ordered, Orders, OrdersKept, SeenGround};
pub use report::{
    Edge, EdgeKind, ErrorStats, MissedBy, Outcome, Problem, Report, SupplyReport, Targets, Verdict,
    WhyMissed,
};

use crate::{Supplied, SupplyError, SupplySpec};
use cover::World;
use dose::{Dose, Fans, Over};
use lanes::Lanes;
use patches::Scored;

/// Rounding that an edge may exceed its tolerance by, in metres.
const ROUNDING: f64 = 1e-9;
/// Problems that are spelt out in the reasons; the rest is counted.
const SPELT_OUT: usize = 5;

/// Judges a run.
///
/// An input that [`JudgeInput::check`] refuses is not judged: the verdict is
/// broken, the reason says why, and nothing is counted.
#[must_use]
pub fn judge(input: &JudgeInput<'_>) -> Report {
    judge_with(input, None).0
}

/// The same with a supply whose pressure falls as nozzles open. A dose takes the flow that
/// there was; where each nozzle serves its lane alone, flow counts as full from the
/// supply's own share on.
///
/// # Errors
/// Names the first number of the supply that is unusable.
pub fn judge_supplied(
    input: &JudgeInput<'_>,
    supply: &SupplySpec,
) -> Result<(Report, Supplied), SupplyError> {
    supply.check()?;
    let (report, supplied) = judge_with(input, Some(supply));
    // An input that is not judged still has a supply at rest.
    Ok((
        report,
        supplied.unwrap_or_else(|| supply.follow(std::iter::empty())),
    ))
}

fn judge_with(input: &JudgeInput<'_>, supply: Option<&SupplySpec>) -> (Report, Option<Supplied>) {
    if let Err(error) = input.check() {
        return (unjudged(input, &error), None);
    }
    let nozzles = input.nozzles.len();
    let (lists, mut problems) = spray::by_nozzle(input.commands, nozzles);
    for &nozzle in input.faulty {
        let opened = lists.get(nozzle).and_then(|l| l.iter().find(|c| c.open));
        problems.extend(opened.map(|c| Problem::FaultyOpened {
            nozzle,
            at_s: c.at_s,
        }));
    }
    let flows: Vec<_> = lists
        .iter()
        .zip(input.nozzles)
        .map(|(list, nozzle)| spray::flow(nozzle, list))
        .collect();
    let supplied = supply.map(|s| s.follow(flows.iter()));
    let sprayed: Vec<_> = lists
        .iter()
        .zip(&flows)
        .enumerate()
        .map(|(n, (list, flow))| spray::spray(input, n, (list, flow), supplied.as_ref()))
        .collect();

    let zones: Option<Vec<_>> = input
        .orders
        .map(|orders| (0..nozzles).map(|n| orders.zones(input, n)).collect());
    let zone = |n: usize| zones.as_ref().and_then(|z| z.get(n));
    let held = |n: usize, plant: usize| {
        zone(n).is_some_and(|z| input.met(plant, n).is_some_and(|p| z.withholds(&p)))
    };
    let plants = match input.fan {
        Some(fan) => by_dose(input, &Fans::new(input, fan, &sprayed), &held),
        None => by_lane(input, &held),
    };

    let mut scored = Scored::default();
    let groups: Vec<_> = plants
        .asked
        .iter()
        .zip(&sprayed)
        .enumerate()
        .map(|(n, (asked, s))| patches::score(input, n, asked, &s.stretches, zone(n), &mut scored))
        .collect();

    let world = World {
        input,
        sprayed: &sprayed,
        groups: &groups,
    };
    let outcomes: Vec<Outcome> = plants
        .needs
        .iter()
        .enumerate()
        .map(|(index, needed)| match plants.doses.get(index) {
            _ if needed.is_empty() || !plants.judged[index] => Outcome::Outside,
            None => world.outcome(index, needed),
            Some(dose) if dose.full => Outcome::Full,
            Some(dose) if dose.some => Outcome::Partial,
            Some(_) => Outcome::Missed(world.why(index, needed)),
        })
        .collect();

    let sides = across::sides(input, &outcomes, &plants.needs, &sprayed);
    let kept = zones
        .as_ref()
        .map(|zones| orders::kept(input, zones, &sprayed, plants.withheld));
    let strips = sprayed.into_iter().map(|s| s.strips).collect();
    let mut report = assemble(input, outcomes, scored, strips, problems, kept);
    for (outcome, dose) in report.outcomes.iter().zip(&plants.doses) {
        if matches!(outcome, Outcome::Partial | Outcome::Missed(_)) {
            report.beyond_reach += usize::from(dose.beyond_reach);
            report.short_sets += usize::from(dose.short_set);
        }
    }
    (report.sets_counted, report.nozzles_beyond_smallest) = plants.sets;
    report.sides = sides;
    report.supply = supplied.as_ref().map(|s| SupplyReport {
        lowest_kpa: s.lowest_kpa(),
        rest_kpa: s.spec().settled_kpa(0.0),
        litres: s.litres(),
        most_open: s.most_open(),
    });
    report.reasons = reasons(&report, &input.tolerance);
    report.verdict = if report.reasons.is_empty() {
        Verdict::Holds
    } else {
        Verdict::Broken
    };
    (report, supplied)
}

/// Which nozzles the plants have to do with.
struct Plants {
    /// For each plant, the nozzles that can serve it.
    needs: Vec<Vec<usize>>,
    /// For each plant, whether it counts: it lies wholly in the judged stretch, and no
    /// order withheld spray from it.
    judged: Vec<bool>,
    /// Plants in the judged stretch from which an order withheld spray.
    withheld: usize,
    /// For each nozzle, the plants that it was asked to serve, and whether their edges
    /// are scored.
    asked: Vec<Vec<(usize, bool)>>,
    /// What each plant got; empty where lanes decide.
    doses: Vec<Dose>,
    /// Plants whose nozzles could be counted, and nozzles beyond the fewest.
    sets: (usize, usize),
}

/// Whether an order withholds a nozzle's spray from a plant.
type Held<'h> = &'h dyn Fn(usize, usize) -> bool;

/// Every nozzle serves its lane.
fn by_lane(input: &JudgeInput<'_>, held: Held<'_>) -> Plants {
    let lanes = Lanes::new(input);
    let mut needs = Vec::with_capacity(input.plants.len());
    let mut judged = Vec::with_capacity(input.plants.len());
    let mut withheld = 0;
    let mut asked: Vec<Vec<(usize, bool)>> = vec![Vec::new(); input.nozzles.len()];
    for index in 0..input.plants.len() {
        let abreast = input.abreast(index);
        let needed = abreast.map_or_else(Vec::new, |p| lanes.needed(&p));
        let spared = needed.iter().any(|&n| held(n, index));
        let inside = input.inside(index, &needed);
        withheld += usize::from(inside && spared);
        judged.push(inside && !spared);
        if input.seen[index] && !input.refused[index] {
            for &n in &needed {
                asked[n].push((index, judged[index]));
            }
            // Spray for it is no fault, and none of its edges is scored.
            let grazed = abreast.map_or_else(Vec::new, |p| lanes.grazed(&p, &needed));
            for n in grazed {
                asked[n].push((index, false));
            }
        }
        needs.push(needed);
    }
    Plants {
        needs,
        judged,
        withheld,
        asked,
        doses: Vec::new(),
        sets: (0, 0),
    }
}

/// Fans are summed.
fn by_dose(input: &JudgeInput<'_>, fans: &Fans<'_>, held: Held<'_>) -> Plants {
    let mut asked: Vec<Vec<(usize, bool)>> = vec![Vec::new(); input.nozzles.len()];
    let overs: Vec<Over> = (0..input.plants.len()).map(|i| fans.over(i)).collect();
    let doses: Vec<Dose> = (0..input.plants.len()).map(|i| fans.dose(i)).collect();
    let mut judged = Vec::with_capacity(input.plants.len());
    let mut withheld = 0;
    for (index, over) in overs.iter().enumerate() {
        let spared = over.reach.iter().any(|&n| held(n, index));
        let inside = input.inside(index, &over.reach);
        withheld += usize::from(inside && spared);
        judged.push(inside && !spared);
        if !input.seen[index] || input.refused[index] {
            continue;
        }
        for &n in &over.sprayed {
            let scored = over.needed.contains(&n) && judged[index];
            asked[n].push((index, scored));
        }
        if over.sprayed.is_empty() {
            // Sprays close to it may have been meant for it.
            for &n in &over.reach {
                asked[n].push((index, false));
            }
        }
    }
    let sets = fans.count_sets(&overs);
    let on_boom = |index: usize| input.abreast(index).and_then(|p| fans.across(&p, 0.0));
    let needs = overs
        .into_iter()
        .enumerate()
        .map(|(index, over)| match on_boom(index) {
            Some(_) => over.reach,
            None => Vec::new(),
        })
        .collect();
    Plants {
        needs,
        judged,
        withheld,
        asked,
        doses,
        sets,
    }
}

/// Counts, averages and decides.
fn assemble(
    input: &JudgeInput<'_>,
    outcomes: Vec<Outcome>,
    scored: Scored,
    strips: Vec<Vec<(f64, f64)>>,
    problems: Vec<Problem>,
    orders: Option<OrdersKept>,
) -> Report {
    let mut targets = Targets::default();
    let mut missed_by = MissedBy::default();
    let mut outside = 0;
    for outcome in &outcomes {
        match *outcome {
            Outcome::Full => targets.full += 1,
            Outcome::Partial => targets.partial += 1,
            Outcome::Missed(why) => {
                targets.missed += 1;
                missed_by.add(why);
            }
            Outcome::Outside => outside += 1,
        }
    }
    targets.total = outcomes.len() - outside;

    let errors = |kind: EdgeKind| -> Vec<f64> {
        scored
            .edges
            .iter()
            .filter(|e| e.kind == kind)
            .map(Edge::error)
            .collect()
    };
    let limit = input.tolerance.edge_m + ROUNDING;
    let within = scored
        .edges
        .iter()
        .filter(|e| e.error().abs() <= limit)
        .count();
    let edges_within = if scored.edges.is_empty() {
        1.0
    } else {
        within as f64 / scored.edges.len() as f64
    };
    let sprayed_fraction = fraction(input, &strips);
    Report {
        verdict: Verdict::Holds,
        reasons: Vec::new(),
        targets,
        outside,
        missed_by,
        outcomes,
        start: ErrorStats::of(&errors(EdgeKind::Start)),
        stop: ErrorStats::of(&errors(EdgeKind::Stop)),
        edges_within,
        supply: None,
        sides: Vec::new(),
        sprayed_fraction,
        saving: 1.0 - sprayed_fraction,
        merged: scored.merged,
        commands: input.commands.len(),
        edges: scored.edges,
        served: scored.served,
        strips,
        beyond_reach: 0,
        short_sets: 0,
        sets_counted: 0,
        nozzles_beyond_smallest: 0,
        problems,
        orders,
        ground_m: input.to_x - input.from_x,
    }
}

/// The sprayed share of the judged area, lane by lane.
fn fraction(input: &JudgeInput<'_>, strips: &[Vec<(f64, f64)>]) -> f64 {
    let (mut wet, mut all) = (0.0, 0.0);
    for (n, (nozzle, strips)) in input.nozzles.iter().zip(strips).enumerate() {
        let (from, to) = input.stretch(n);
        let length: f64 = strips
            .iter()
            .map(|s| (s.1.min(to) - s.0.max(from)).max(0.0))
            .sum();
        wet += length * nozzle.lane_width_m;
        all += (to - from).max(0.0) * nozzle.lane_width_m;
    }
    if all > 0.0 { wet / all } else { 0.0 }
}

/// What is out of tolerance, in words.
fn reasons(report: &Report, tolerance: &Tolerance) -> Vec<String> {
    let mut reasons = Vec::new();
    let Targets {
        total,
        partial,
        missed,
        ..
    } = report.targets;
    if missed > tolerance.missed {
        let m = &report.missed_by;
        let causes = [
            ("not seen", m.not_seen),
            ("late", m.late),
            ("too short", m.too_short),
            ("beside", m.beside),
            ("withheld", m.withheld),
            ("refused", m.refused),
            ("valve", m.valve),
            ("dose", m.dose),
        ];
        let causes: Vec<String> = causes
            .iter()
            .filter(|(_, n)| *n > 0)
            .map(|(cause, n)| format!("{cause} {n}"))
            .collect();
        reasons.push(format!(
            "{missed} of {total} plants missed ({}), {} allowed",
            causes.join(", "),
            tolerance.missed
        ));
    }
    if partial > tolerance.partial {
        reasons.push(format!(
            "{partial} of {total} plants got less than the full dose{}, {} allowed",
            match report.beyond_reach {
                0 => String::new(),
                some => format!(" (to {some} not even the whole boom could give it)"),
            },
            tolerance.partial
        ));
    }
    if report.edges_within < tolerance.edge_share {
        reasons.push(format!(
            "{:.3} % of {} edges lie within {:.1} mm, {:.3} % wanted; worst start {:+.1} mm, \
             worst stop {:+.1} mm",
            100.0 * report.edges_within,
            report.edges.len(),
            1000.0 * tolerance.edge_m,
            100.0 * tolerance.edge_share,
            1000.0 * report.start.worst,
            1000.0 * report.stop.worst
        ));
    }
    if let Some(kept) = &report.orders {
        reasons.extend(kept.reasons(tolerance.edge_m));
    }
    reasons.extend(
        report
            .problems
            .iter()
            .take(SPELT_OUT)
            .map(ToString::to_string),
    );
    if let Some(more @ 1..) = report.problems.len().checked_sub(SPELT_OUT) {
        reasons.push(format!("{more} more faults in the commands"));
    }
    reasons
}

/// The report on an input that can't be judged.
fn unjudged(input: &JudgeInput<'_>, error: &InputError) -> Report {
    Report {
        verdict: Verdict::Broken,
        reasons: vec![format!("not judged: {error}")],
        targets: Targets::default(),
        outside: 0,
        missed_by: MissedBy::default(),
        outcomes: Vec::new(),
        start: ErrorStats::default(),
        stop: ErrorStats::default(),
        edges_within: 0.0,
        supply: None,
        sides: Vec::new(),
        sprayed_fraction: 0.0,
        saving: 0.0,
        merged: 0,
        commands: input.commands.len(),
        edges: Vec::new(),
        served: Vec::new(),
        strips: vec![Vec::new(); input.nozzles.len()],
        beyond_reach: 0,
        short_sets: 0,
        sets_counted: 0,
        nozzles_beyond_smallest: 0,
        problems: Vec::new(),
        orders: None,
        ground_m: 0.0,
    }
}
