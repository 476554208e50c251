//! What a replay is judged against: the true world, or the world as the recording shows it in
//! hindsight.

use ground_truth::{
    Command, Ground, Hindsight, JudgeInput, Orders, Patch, Plant, Report, SeenGround, Solenoids,
    Supplied, SupplySpec, Tolerance, TrueFan, TrueNozzle, Turning, Valve, judge, judge_supplied,
};

use std::sync::Arc;

use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::generate::judged_stretch;
use crate::held::Held;
use crate::machine::Machine;
use crate::ordered::ordered;
use crate::recording::Recording;
use crate::replay::ImageFate;
use crate::truth::Truth;

/// Rounds in which valves and pressure are brought together: each moves an edge by a part of what
/// the one before moved the pressure.
const ROUNDS: usize = 3;

/// What the judgement rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The truth file of a simulated drive.
    Truth,
    /// The recording alone: ground from pulses both before and after each instant, plants as the
    /// detectors saw them. A plant that no detector saw cannot be missed on this basis.
    Hindsight,
}

/// Ground, nozzles and plants to judge commands against.
pub struct Scene {
    /// What it rests on.
    pub basis: Basis,
    /// Travel of the boom reference point.
    pub ground: Box<dyn Ground>,
    /// The recording's clock at second 0 of `ground`, µs.
    pub origin_us: u64,
    /// Plants on the ground.
    pub plants: Vec<Plant>,
    /// Nozzles as they are.
    pub nozzles: Vec<TrueNozzle>,
    /// Judged ground, m.
    pub judged_m: (f64, f64),
    /// For each image of the recording, the plants that it reports.
    sights: Vec<Vec<usize>>,
    patch: Patch,
    fan: Option<TrueFan>,
    faulty: Vec<usize>,
    /// What is held against the machine.
    pub tolerance: Tolerance,
    /// How the real valves stray, and the real supply.
    solenoids: Option<Solenoids>,
    /// The valves that stray, as they are rated.
    rated: Vec<Valve>,
    supply: Option<SupplySpec>,
    /// What was ordered, and the ground that each image covers; none when nothing was.
    orders: Option<(Orders, Vec<SeenGround>)>,
}

impl Scene {
    /// The scene of a simulated drive; `truth_file` is the name shown in messages.
    pub fn from_truth(
        truth_file: &str,
        truth: &Truth,
        machine: &Machine,
        recording: &Recording,
    ) -> Result<Scene> {
        let mismatch = |what: String| {
            Err(Error::file(
                truth_file,
                what,
                "give the recording and the truth of the same `host-sim generate`",
            ))
        };
        let images = recording.images().count();
        if truth.sights.len() != images {
            return mismatch(format!(
                "the truth tells of {} images, but the recording holds {images}",
                truth.sights.len()
            ));
        }
        for (i, ((_, image), sights)) in recording.images().zip(&truth.sights).enumerate() {
            let told = sights.len() + truth.false_alarms.get(i).copied().unwrap_or_default();
            if image.plants.len() != told {
                return mismatch(format!(
                    "image {i} reports {} plants, but the truth tells of {told}",
                    image.plants.len(),
                ));
            }
        }
        let ground = truth
            .motion()
            .map_err(|e| Error::file(truth_file, e.to_string(), "generate the scenario again"))?;
        let mut nozzles = nozzles(machine);
        if let Some(v) = truth.valves {
            for nozzle in &mut nozzles {
                nozzle.valve = valve(
                    v.open_delay_s,
                    v.close_delay_s,
                    v.open_rise_s,
                    v.close_fall_s,
                );
            }
        }
        let solenoids = truth.spread.map(|s| s.solenoids());
        let rated = nozzles.iter().map(|n| n.valve).collect();
        if let Some(stray) = &solenoids {
            for (index, nozzle) in nozzles.iter_mut().enumerate() {
                nozzle.valve = stray.valve(index, nozzle.valve);
            }
        }
        let ground: Box<dyn Ground> = match &truth.path {
            None => Box::new(ground),
            Some(path) => {
                let travel = path
                    .travel(ground)
                    .map_err(|e| Error::file(truth_file, e, "generate the scenario again"))?;
                Box::new(Turning::new(&Arc::new(travel), &nozzles, &truth.plants))
            }
        };
        let orders = ordered(machine, recording, ground.as_ref(), truth.clock_start_us);
        Ok(Scene {
            orders,
            solenoids,
            rated,
            supply: truth.supply.map(|s| s.spec()),
            basis: Basis::Truth,
            ground,
            origin_us: truth.clock_start_us,
            plants: truth.plants.clone(),
            nozzles,
            judged_m: truth.judged_m,
            sights: truth.sights.clone(),
            patch: patch(machine),
            fan: fan(machine),
            faulty: machine.faulty.clone(),
            tolerance: tolerance(machine),
        })
    }

    /// The scene as the recording alone shows it; `file` is its name in messages.
    pub fn in_hindsight(file: &str, machine: &Machine, recording: &Recording) -> Result<Scene> {
        if recording.goes_back() {
            return Err(Error::file(
                file,
                "the machine goes back in this recording, and hindsight only knows the way on",
                "judge with --truth, or cut the recording before the first turn",
            ));
        }
        if recording.may_turn() {
            return Err(Error::file(
                file,
                "the machine may turn in this recording, and hindsight only knows straight ground",
                "judge with --truth",
            ));
        }
        let origin_us = recording.events.first().map_or(0, |e| e.t_us);
        let times = plausible_pulses(machine, recording, origin_us);
        let pulse_m = machine.wheel.pulse.metres();
        let ground = Hindsight::new(&times, pulse_m).map_err(|e| {
            Error::file(
                file,
                format!("the ground cannot be worked out from the pulses: {e}"),
                "record a longer drive, or judge with --truth",
            )
        })?;
        // Hindsight is made of five pulses at least.
        let first_last = [times.first(), times.last()].map(|t| t.copied().unwrap_or_default());
        let ground = Held::new(ground, first_last[0], first_last[1], pulse_m);
        let judged_m = judged_stretch(machine, &ground);
        if judged_m.1 <= judged_m.0 {
            return Err(Error::file(
                file,
                "the recording covers too little ground to judge anything",
                "record a longer drive: every plant must come into view and be passed by the whole boom",
            ));
        }
        let (plants, sights) = seen_plants(machine, recording, &ground, origin_us);
        let orders = ordered(machine, recording, &ground, origin_us);
        Ok(Scene {
            orders,
            solenoids: None,
            rated: Vec::new(),
            supply: None,
            basis: Basis::Hindsight,
            ground: Box::new(ground),
            origin_us,
            plants,
            nozzles: nozzles(machine),
            judged_m,
            sights,
            patch: patch(machine),
            fan: fan(machine),
            faulty: machine.faulty.clone(),
            tolerance: tolerance(machine),
        })
    }

    /// The same with the footprint of a moving fan as the bow that it is, from nozzles at a height
    /// (m): see [`TrueFan::flight`]. Where each nozzle serves its lane nothing changes.
    #[must_use]
    pub fn with_bow(mut self, height_m: f64) -> Self {
        if let Some(fan) = &mut self.fan {
            fan.bow_height_m = height_m;
        }
        self
    }

    /// Judges commands. `fates` tells what the controller made of each image, where it is known.
    pub fn judge(&self, commands: &[ValveCommand], fates: Option<&[ImageFate]>) -> Result<Report> {
        let mut seen = vec![false; self.plants.len()];
        let mut taken = vec![false; self.plants.len()];
        for (i, sights) in self.sights.iter().enumerate() {
            let fate = fates
                .and_then(|f| f.get(i))
                .copied()
                .unwrap_or(ImageFate::Taken);
            for &plant in sights {
                seen[plant] = true;
                // A plant that came too late is the judge's to find late.
                taken[plant] |= matches!(fate, ImageFate::Taken | ImageFate::TooLate);
            }
        }
        let refused: Vec<bool> = seen.iter().zip(&taken).map(|(&s, &t)| s && !t).collect();
        let commands = self.acted(commands);
        let orders = self.orders.as_ref().map(|(orders, seen)| {
            let mut orders = orders.clone();
            // Ground of a refused image stays unseen.
            let taken = seen
                .iter()
                .enumerate()
                .filter(|(i, _)| fates.and_then(|f| f.get(*i)) != Some(&ImageFate::Refused));
            orders.seen.extend(taken.map(|(_, s)| *s));
            orders
        });
        let input = JudgeInput {
            orders: orders.as_ref(),
            ground: self.ground.as_ref(),
            nozzles: &self.nozzles,
            patch: self.patch,
            plants: &self.plants,
            seen: &seen,
            refused: &refused,
            commands: &commands,
            from_x: self.judged_m.0,
            to_x: self.judged_m.1,
            tolerance: self.tolerance,
            fan: self.fan,
            faulty: &self.faulty,
        };
        input
            .check()
            .map_err(|e| Error::Internal(format!("the judge refuses its input: {e}")))?;
        match &self.supply {
            None => Ok(judge(&input)),
            Some(supply) => judge_supplied(&input, supply)
                .map(|judged| judged.0)
                .map_err(|e| Error::Internal(format!("the judge refuses the supply: {e}"))),
        }
    }

    /// Commands on the clock of the scene's ground.
    pub fn told(&self, commands: &[ValveCommand]) -> Vec<Command> {
        commands
            .iter()
            .map(|c| Command {
                nozzle: usize::from(c.nozzle),
                open: c.open,
                at_s: self.seconds(c.t_us),
                short_by_m: c.short_by_m,
            })
            .collect()
    }

    /// Commands on that clock as the true valves act on them: under the pressure that there is
    /// at each, where the truth tells of a supply and of valves that depend on it.
    pub fn acted(&self, commands: &[ValveCommand]) -> Vec<Command> {
        let told = self.told(commands);
        let Some(stray) = &self.solenoids else {
            return told;
        };
        let mut acted = stray.act(&told);
        if stray.by_pressure > 0.0 {
            for _ in 0..ROUNDS {
                let Some(supplied) = self.supplied(&acted) else {
                    break;
                };
                let nominal = supplied.spec().nominal_kpa;
                acted = stray.act_under(&told, &self.rated, |t| supplied.kpa(t) / nominal);
            }
        }
        acted
    }

    /// The pressure that follows from what the valves do; none without a supply.
    pub fn supplied(&self, acted: &[Command]) -> Option<Supplied> {
        let spec = self.supply.as_ref()?;
        let mut own: Vec<Vec<(f64, bool)>> = vec![Vec::new(); self.nozzles.len()];
        for c in acted {
            if let Some(list) = own.get_mut(c.nozzle) {
                list.push((c.at_s, c.open));
            }
        }
        let flows: Vec<_> = (self.nozzles.iter().zip(&own))
            .map(|(nozzle, told)| nozzle.valve.flow(told))
            .collect();
        Some(spec.follow(flows.iter()))
    }

    /// Seconds of the scene's ground at an instant of the recording's clock.
    pub fn seconds(&self, t_us: u64) -> f64 {
        if t_us >= self.origin_us {
            (t_us - self.origin_us) as f64 * 1e-6
        } else {
            -((self.origin_us - t_us) as f64 * 1e-6)
        }
    }
}

/// Stamps of the pulses in seconds after the origin, without those that follow another faster than
/// half of what the machine's fastest speed allows: contact bounce is no ground.
fn plausible_pulses(machine: &Machine, recording: &Recording, origin_us: u64) -> Vec<f64> {
    let shortest = 0.5 * machine.wheel.pulse.metres() / machine.wheel.max_speed_m_s;
    let mut times: Vec<f64> = Vec::new();
    for t_us in recording.pulses() {
        let t = (t_us - origin_us) as f64 * 1e-6;
        if times.last().is_none_or(|last| t - last >= shortest) {
            times.push(t);
        }
    }
    times
}

/// Places what the detectors saw on the ground, and takes overlapping sights of different images
/// for one plant, as large as all of them together.
fn seen_plants(
    machine: &Machine,
    recording: &Recording,
    ground: &dyn Ground,
    origin_us: u64,
) -> (Vec<Plant>, Vec<Vec<usize>>) {
    let pulse = machine.wheel.pulse.metres();
    let mut merged: Vec<(Plant, usize)> = Vec::new();
    let mut sights = Vec::new();
    // Only plants this near behind can still be seen again.
    let reach = machine
        .detectors
        .iter()
        .map(|d| d.view_far_m - d.view_near_m)
        .fold(0.0, f64::max)
        + 10.0;
    let mut first = 0;
    for (index, (_, image)) in recording.images().enumerate() {
        let mut own = Vec::with_capacity(image.plants.len());
        if let Some(mount) = machine.detectors.get(usize::from(image.detector)) {
            let captured = if image.captured_us >= origin_us {
                (image.captured_us - origin_us) as f64 * 1e-6
            } else {
                -((origin_us - image.captured_us) as f64 * 1e-6)
            };
            let x = ground.position(captured) + mount.x_m;
            while merged.get(first).is_some_and(|(p, _)| p.x < x - reach) {
                first += 1;
            }
            for s in &image.plants {
                let new = Plant {
                    x: x + s.x_m,
                    y: mount.y_m + s.y_m,
                    length: s.length_m,
                    width: s.width_m,
                };
                let again = (first..merged.len())
                    .filter(|&i| merged[i].1 != index && same(&merged[i].0, &new, pulse))
                    .min_by(|&a, &b| {
                        distance(&merged[a].0, &new).total_cmp(&distance(&merged[b].0, &new))
                    });
                let place = match again {
                    Some(i) => {
                        merged[i] = (hull(&merged[i].0, &new), index);
                        i
                    }
                    None => {
                        merged.push((new, index));
                        merged.len() - 1
                    }
                };
                own.push(place);
            }
        }
        sights.push(own);
    }
    (merged.into_iter().map(|(p, _)| p).collect(), sights)
}

/// Whether two sights are of one plant: each centre lies within the other's outline, or closer
/// than 2 cm. Along travel one pulse length is added, since a machine that stands is known to be
/// within it only.
fn same(a: &Plant, b: &Plant, pulse: f64) -> bool {
    let along = (a.length.min(b.length) / 2.0).max(0.02) + pulse;
    let across = (a.width.min(b.width) / 2.0).max(0.02);
    (a.x - b.x).abs() <= along && (a.y - b.y).abs() <= across
}

fn distance(a: &Plant, b: &Plant) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// The smallest rectangle around two plants.
fn hull(a: &Plant, b: &Plant) -> Plant {
    let span = |a: f64, al: f64, b: f64, bl: f64| {
        let low = (a - al / 2.0).min(b - bl / 2.0);
        let high = (a + al / 2.0).max(b + bl / 2.0);
        ((low + high) / 2.0, high - low)
    };
    let (x, length) = span(a.x, a.length, b.x, b.length);
    let (y, width) = span(a.y, a.width, b.y, b.width);
    Plant {
        x,
        y,
        length,
        width,
    }
}

fn nozzles(machine: &Machine) -> Vec<TrueNozzle> {
    let rise = machine.valves;
    machine
        .nozzles
        .iter()
        .map(|n| TrueNozzle {
            x: n.x_m,
            y: n.y_m,
            lane_width_m: n.lane_width_m,
            throw_s: n.throw_s,
            thickness_m: machine.fan_thickness_m,
            valve: valve(
                n.open_delay_s,
                n.close_delay_s,
                rise.open_rise_s,
                rise.close_fall_s,
            ),
        })
        .collect()
}

fn valve(open_delay_s: f64, close_delay_s: f64, open_rise_s: f64, close_fall_s: f64) -> Valve {
    Valve {
        open_delay_s,
        close_delay_s,
        open_rise_s,
        close_fall_s,
    }
}

/// The machine's fans as the judge takes them, where doses are summed.
pub fn fan(machine: &Machine) -> Option<TrueFan> {
    machine.fan.map(|fan| TrueFan {
        half_width_m: fan.half_width_m,
        flat_half_m: fan.flat_half_m,
        spacing_m: fan.spacing_m,
        wanted_share: fan.wanted_share,
        twist: machine.twist,
        bow_height_m: 0.0,
    })
}

fn patch(machine: &Machine) -> Patch {
    let p = machine.patch;
    Patch {
        lead_m: p.lead_m,
        lead_s: p.lead_s,
        trail_m: p.trail_m,
        trail_s: p.trail_s,
        lateral_margin_m: p.lateral_margin_m,
        twist_m: machine.twist_m(),
    }
}

fn tolerance(machine: &Machine) -> Tolerance {
    let t = machine.tolerance;
    Tolerance {
        missed: t.missed,
        partial: t.partial,
        edge_share: t.edge_share,
        edge_m: t.edge_m,
    }
}
