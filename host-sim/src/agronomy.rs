//! A drive in litres: its spray laid on a grid, the plants judged by the smallest dose on them, and
//! what valves and supply did for it. For `replay` with a rate, and for `dose`.

mod told;

use ground_truth::deposit::{
    Area, Boom, CELL_M, Deposit, Figures, GridError, MOST_BYTES, STEP_S, lay_down,
};
use ground_truth::judge::agronomy::{
    Estimate, ValveWork, Wanted, broadcast_cv, hit_share, saving_at_equal_share,
};
use ground_truth::{Command, Report, Supplied, TrueFan};
use serde::Serialize;

use crate::commands::ValveCommand;
use crate::cycles::{CycleDuty, wires};
use crate::machine::Machine;
use crate::scene::{self, Scene};

/// Share of the wanted rate that a plant must get where no fans say.
const USUAL_SHARE: f64 = 0.9;
/// Coarser cells say nothing of plants, m.
const COARSEST_M: f64 = 0.05;

/// Fewer plants hit than this tell the share of hits to no better than a factor of three and a half
/// (Wilson's interval for 10 of many: 0.54 to 1.84 times), and a saving that is divided by it to
/// none.
const FEWEST_HIT: usize = 10;

/// How finely spray is laid down.
#[derive(Debug, Clone, Copy)]
pub struct Fineness {
    /// Size of a cell, m.
    pub cell_m: f64,
    /// Time step, s.
    pub step_s: f64,
    /// Memory that the grid may take.
    pub most_bytes: u64,
}

/// Where the flow is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Flows {
    /// Flow of each nozzle, L/min.
    pub l_min: Vec<f64>,
    /// Pressure at which they hold, kPa, where it is known.
    pub kpa: Option<f64>,
}

/// Spray on the ground.
#[derive(Debug)]
pub struct Laid {
    /// By cell.
    pub deposit: Deposit,
    /// Commands as the valves acted on them, cycles not counted.
    commands: Vec<Command>,
    /// What the wires did.
    wires: Vec<Command>,
    supplied: Option<Supplied>,
    flows: Flows,
}

/// A value with its 95 % interval.
#[derive(Debug, Clone, Copy, Serialize, PartialEq)]
pub struct Interval {
    /// As found.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Everything in litres. Field names are keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Agronomy {
    /// Size of a cell, mm.
    pub cell_mm: f64,
    /// The rate wanted where something is sprayed.
    pub wanted_l_ha: f64,
    /// Share of it that every point of a plant must get.
    pub wanted_share: f64,
    /// Plants with at least that at their worst point.
    pub full: usize,
    /// Those with half of it at least at their best.
    pub partial: usize,
    /// The others.
    pub missed: usize,
    /// Full plants of all, with Wilson's interval; `null` without plants.
    pub hit_share: Option<Interval>,
    /// The smallest that a plant's worst point got, L/ha; `null` without plants.
    pub least_l_ha: Option<f64>,
    /// Ground with more than 1.5 times the rate wanted, %.
    pub over_percent: f64,
    /// Mean over the field, dry ground too.
    pub mean_l_ha: f64,
    /// Most that the label allows of that mean; `null` where it is not told.
    pub label_max_l_ha: Option<f64>,
    /// Litres on the judged ground.
    pub litres: f64,
    /// What a broadcast pass of it takes at the rate wanted.
    pub broadcast_l: f64,
    /// Saved against that, 0 to 1.
    pub saving: f64,
    /// Saved against a broadcast pass that hits the same share of plants; `null` where fewer than ten
    /// are hit.
    pub saving_at_equal_share: Option<Interval>,
    /// Times that valves were switched on, all nozzles together.
    pub valve_cycles: usize,
    /// The same of the nozzle with the most.
    pub valve_cycles_most: usize,
    /// Time with current, all nozzles together, s.
    pub on_time_s: f64,
    /// Mean share of the open time with current, %; `null` where nothing opened.
    pub duty_percent: Option<f64>,
    /// Mean pressure while nozzles flowed, kPa; `null` where it is not known.
    pub mean_kpa: Option<f64>,
    /// The lowest.
    pub lowest_kpa: Option<f64>,
    /// Variation across of a broadcast pass with this boom, %.
    pub broadcast_cv_percent: Option<f64>,
}

impl Default for Fineness {
    fn default() -> Self {
        Self {
            cell_m: CELL_M,
            step_s: STEP_S,
            most_bytes: MOST_BYTES,
        }
    }
}

impl From<Estimate> for Interval {
    fn from(e: Estimate) -> Self {
        let round = |v: f64| (v * 1e6).round() / 1e6;
        Self {
            value: round(e.value),
            low: round(e.low),
            high: round(e.high),
        }
    }
}

/// The fan whose pattern is laid down; a nozzle without one wets its lane evenly.
#[must_use]
pub fn fan(machine: &Machine) -> TrueFan {
    let lane = machine.nozzles.iter().map(|n| n.lane_width_m);
    let half = 0.5 * lane.fold(0.0, f64::max);
    scene::fan(machine).unwrap_or(TrueFan {
        half_width_m: half,
        flat_half_m: half,
        spacing_m: 2.0 * half,
        wanted_share: USUAL_SHARE,
        twist: machine.twist,
        bow_height_m: 0.0,
    })
}

/// The flows of the machine file: of `[rate]`, else of `[spray]`.
#[must_use]
pub fn flows(machine: &Machine) -> Option<Flows> {
    if let Some(rate) = &machine.rate {
        return Some(Flows {
            l_min: rate.flows_l_min.clone(),
            kpa: Some(rate.pressure_kpa),
        });
    }
    machine.spray.as_ref().map(|s| Flows {
        l_min: vec![s.l_min; machine.nozzles.len()],
        kpa: Some(s.pressure_pa / 1e3),
    })
}

/// The finest usual grid that fits over the judged ground; none where none is fine enough.
#[must_use]
pub fn fitting(machine: &Machine, scene: &Scene) -> Option<Fineness> {
    let mut fine = Fineness::default();
    while fine.cell_m <= COARSEST_M {
        match dry(machine, scene, &fine) {
            Ok(_) => return Some(fine),
            Err(_) => fine.cell_m *= 1.25,
        }
    }
    None
}

/// The judged ground before anything came down: the stretch along straight travel, or what the
/// boom sweeps over a path.
fn dry(machine: &Machine, scene: &Scene, fine: &Fineness) -> Result<Deposit, GridError> {
    let (cell, most_bytes) = (fine.cell_m, fine.most_bytes);
    if let Some(turning) = scene.ground.turning() {
        return Deposit::under(turning, machine.lanes(), scene.judged_m, cell, most_bytes);
    }
    Deposit::new(Area {
        along: scene.judged_m,
        across: machine.lanes(),
        cell,
        most_bytes,
    })
}

/// Lays a drive's spray down: what the valves were told, in cycles where they are switched, as the
/// true valves and the true supply made of it.
///
/// # Errors
/// A grid that is too large, or a number out of its range.
pub fn lay(
    machine: &Machine,
    scene: &Scene,
    (commands, duties): (&[ValveCommand], &[CycleDuty]),
    flows: Flows,
    fine: &Fineness,
) -> Result<Laid, GridError> {
    let wires = match (&machine.rate, duties.is_empty()) {
        (Some(rate), false) => wires(commands, duties, rate.cycle_s),
        _ => commands.to_vec(),
    };
    let (told, wires) = (scene.acted(commands), scene.acted(&wires));
    let supplied = scene.supplied(&wires);
    // Flows are told at one pressure, the supply counts shares of its own.
    let root = match (&supplied, flows.kpa) {
        (Some(supplied), Some(kpa)) => (supplied.spec().nominal_kpa / kpa).sqrt(),
        _ => 1.0,
    };
    let at_nominal: Vec<f64> = flows.l_min.iter().map(|flow| flow * root).collect();
    let mut deposit = dry(machine, scene, fine)?;
    let boom = Boom {
        nozzles: &scene.nozzles,
        fan: fan(machine),
        twin_m: machine.twin_m,
        l_min: at_nominal.first().copied().unwrap_or(0.0),
        flows: &at_nominal,
        supplied: supplied.as_ref(),
    };
    let ground = scene.ground.as_ref();
    lay_down(
        &mut deposit,
        &boom,
        ground,
        &wires,
        ground.end(),
        fine.step_s,
    )?;
    Ok(Laid {
        deposit,
        commands: told,
        wires,
        supplied,
        flows,
    })
}

impl Laid {
    /// Figures of the judged ground; none where it has no cells.
    #[must_use]
    pub fn figures(&self, wanted_l_ha: f64) -> Option<Figures> {
        let area = *self.deposit.area();
        self.deposit.figures(area.along, area.across, wanted_l_ha)
    }

    /// Judges the plants of `report` by their doses and tells everything in litres. None where
    /// the ground has no cells.
    pub fn judge(
        &self,
        machine: &Machine,
        scene: &Scene,
        wanted_l_ha: f64,
        report: &mut Report,
    ) -> Option<Agronomy> {
        let area = *self.deposit.area();
        let figures = self.figures(wanted_l_ha)?;
        let fan = fan(machine);
        let wanted = Wanted {
            l_ha: wanted_l_ha,
            share: fan.wanted_share,
            label_max_l_ha: machine.rate.as_ref().and_then(|r| r.label_max_l_ha),
        };
        let doses: Vec<_> = (scene.plants.iter())
            .map(|plant| self.deposit.extremes(plant))
            .collect();
        report.judge_doses(&doses, &wanted, figures.mean_l_ha, &scene.tolerance);
        let judged = report.outcomes.iter().zip(&doses);
        let least = judged
            .filter(|(outcome, _)| **outcome != ground_truth::Outcome::Outside)
            .filter_map(|(_, dose)| dose.map(|d| d.0))
            .min_by(f64::total_cmp);
        let ground_m2 = if scene.ground.turning().is_some() {
            figures.ground_m2
        } else {
            (area.along.1 - area.along.0) * (area.across.1 - area.across.0)
        };
        let broadcast_l = wanted_l_ha * ground_m2 / 10_000.0;
        let share = hit_share(&report.targets);
        let work = ValveWork::of(
            scene.nozzles.len(),
            &self.commands,
            &self.wires,
            scene.ground.end(),
        );
        let (mean_kpa, lowest_kpa) = self.pressures();
        let cv = broadcast_cv(
            &scene.nozzles,
            &fan,
            &self.flows.l_min,
            &machine.faulty,
            CELL_M,
        );
        Some(Agronomy {
            cell_mm: 1e3 * area.cell,
            wanted_l_ha,
            wanted_share: fan.wanted_share,
            full: report.targets.full,
            partial: report.targets.partial,
            missed: report.targets.missed,
            hit_share: share.map(Into::into),
            least_l_ha: least,
            over_percent: 100.0 * figures.over_share,
            mean_l_ha: figures.mean_l_ha,
            label_max_l_ha: wanted.label_max_l_ha,
            litres: figures.litres,
            broadcast_l,
            saving: 1.0 - figures.litres / broadcast_l,
            saving_at_equal_share: share
                .filter(|_| report.targets.full >= FEWEST_HIT)
                .and_then(|s| saving_at_equal_share(s, figures.litres, broadcast_l))
                .map(Into::into),
            valve_cycles: work.cycles,
            valve_cycles_most: work.most_cycles,
            on_time_s: work.on_s,
            duty_percent: work.duty().map(|d| 100.0 * d),
            mean_kpa,
            lowest_kpa,
            broadcast_cv_percent: cv.map(|cv| 100.0 * cv),
        })
    }

    /// Mean pressure over the times with current, and the lowest, kPa.
    fn pressures(&self) -> (Option<f64>, Option<f64>) {
        let Some(supplied) = &self.supplied else {
            return (self.flows.kpa, self.flows.kpa);
        };
        let (mut sum, mut time) = (0.0, 0.0);
        let mut since: Vec<Option<f64>> = vec![None; self.flows.l_min.len()];
        for c in &self.wires {
            let Some(begun) = since.get_mut(c.nozzle) else {
                continue;
            };
            match (c.open, *begun) {
                (true, None) => *begun = Some(c.at_s),
                (false, Some(from)) => {
                    sum += supplied.kpa(0.5 * (from + c.at_s)) * (c.at_s - from);
                    time += c.at_s - from;
                    *begun = None;
                }
                _ => {}
            }
        }
        let mean = (time > 0.0).then(|| sum / time);
        (mean, Some(supplied.lowest_kpa()))
    }
}
