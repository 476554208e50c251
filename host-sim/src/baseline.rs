//! Two simple controllers to compare with, in plain `f64` and independent of the core.
//!
//! Both know the machine file, get the same recording, and share the core's geometry of a patch;
//! they differ in how they keep time. Neither is a straw man: both compensate valve delays and
//! throw with the speed they know.
//!
//! * [`fixed_delay`]: when a message arrives it works out once, from the speed of the last pulse
//!   period, when each valve must act, taking every message to be as old as the average one.
//! * [`whole_pulses`]: counts pulses; the ground position is pulses times length, looked up at the
//!   capture time, and valves act only when a pulse comes.

use ground_truth::TrueFan;

use crate::commands::ValveCommand;
use crate::machine::{Machine, Nozzle};
use crate::recording::{Image, Input, Recording, SeenPlant};
use crate::scene::fan;

/// One plant on one nozzle, along travel.
#[derive(Debug, Clone, Copy)]
struct Target {
    /// Nearer edge of the plant, m.
    near: f64,
    /// Farther edge, m.
    far: f64,
}

/// The nozzles for a plant widened by the margin: the fewest whose fans give it its dose, or those
/// whose lanes it touches.
fn needed<'m>(
    machine: &'m Machine,
    image: &Image,
    plant: &SeenPlant,
) -> impl Iterator<Item = (usize, &'m Nozzle)> {
    let set = match fan(machine) {
        Some(fan) => by_dose(machine, &fan, image, plant),
        None => by_lane(machine, image, plant),
    };
    set.into_iter()
        .filter(|i| !machine.faulty.contains(i))
        .filter_map(|i| Some((i, machine.nozzles.get(i)?)))
}

fn by_dose(machine: &Machine, fan: &TrueFan, image: &Image, plant: &SeenPlant) -> Vec<usize> {
    let Some(mount) = machine.detectors.get(usize::from(image.detector)) else {
        return Vec::new();
    };
    let half = plant.width_m / 2.0 + machine.patch.lateral_margin_m;
    let (y, boom) = (plant.y_m + mount.y_m, machine.lanes());
    let (left, right) = ((y - half).max(boom.0), (y + half).min(boom.1));
    if left >= right {
        return Vec::new();
    }
    let healthy: Vec<usize> = (0..machine.nozzles.len())
        .filter(|i| !machine.faulty.contains(i))
        .collect();
    let mounts: Vec<f64> = healthy.iter().map(|&i| machine.nozzles[i].y_m).collect();
    match fan.smallest(&mounts, left, right) {
        Some(smallest) => smallest.set.iter().map(|&i| healthy[i]).collect(),
        // Too many to try every subset: all that reach it.
        None => healthy
            .into_iter()
            .filter(|&i| {
                let n = &machine.nozzles[i];
                n.y_m + fan.half_width_m > left && n.y_m - fan.half_width_m < right
            })
            .collect(),
    }
}

fn by_lane(machine: &Machine, image: &Image, plant: &SeenPlant) -> Vec<usize> {
    let mount = machine.detectors.get(usize::from(image.detector));
    let y = plant.y_m + mount.map_or(f64::NAN, |d| d.y_m);
    let half = plant.width_m / 2.0 + machine.patch.lateral_margin_m;
    machine
        .nozzles
        .iter()
        .enumerate()
        .filter(|(_, n)| (n.y_m - y).abs() < n.lane_width_m / 2.0 + half)
        .map(|(i, _)| i)
        .collect()
}

/// Ground before the plant at which half flow should land at speed `v`.
fn lead(machine: &Machine, v: f64) -> f64 {
    machine.patch.lead_m
        + machine.half_fan_m()
        + v * (machine.patch.lead_s + machine.valves.open_rise_s / 2.0)
}

/// Ground after the plant at which half flow should land at speed `v`.
fn trail(machine: &Machine, v: f64) -> f64 {
    machine.patch.trail_m
        + machine.half_fan_m()
        + v * (machine.patch.trail_s + machine.valves.close_fall_s / 2.0)
}

/// Fixed delay from the speed at arrival.
pub fn fixed_delay(machine: &Machine, recording: &Recording) -> Vec<ValveCommand> {
    let delays: Vec<f64> = recording
        .images()
        .map(|(t, i)| (t - i.captured_us) as f64 * 1e-6)
        .collect();
    let mean_delay = if delays.is_empty() {
        0.0
    } else {
        delays.iter().sum::<f64>() / delays.len() as f64
    };
    let pulse = machine.wheel.pulse.metres();
    let mut spells: Vec<Vec<(f64, f64)>> = vec![Vec::new(); machine.nozzles.len()];
    let mut pulses = (None, None);
    for event in &recording.events {
        let image = match &event.input {
            Input::Pulse => {
                pulses = (pulses.1, Some(event.t_us));
                continue;
            }
            // Neither of the two knows of going back.
            Input::Direction(_) | Input::WheelPulse(_) | Input::Yaw(_) => continue,
            Input::Image(image) => image,
            // The simple controllers know no orders, and flow fully at any pressure.
            Input::Order(_) | Input::Pressure(_) => continue,
        };
        let (Some(before), Some(last)) = pulses else {
            continue;
        };
        let Some(mount) = machine.detectors.get(usize::from(image.detector)) else {
            continue;
        };
        let period = (last - before) as f64 * 1e-6;
        if period <= 0.0 {
            continue;
        }
        let v = pulse / period;
        let now = event.t_us as f64 * 1e-6;
        for plant in &image.plants {
            for (n, nozzle) in needed(machine, image, plant) {
                let centre = mount.x_m + plant.x_m - nozzle.x_m - nozzle.throw_s * v;
                let start = centre - plant.length_m / 2.0 - lead(machine, v);
                let stop = centre + plant.length_m / 2.0 + trail(machine, v);
                let open = now - mean_delay + start / v - nozzle.open_delay_s;
                let close = now - mean_delay + stop / v - nozzle.close_delay_s;
                if close > now {
                    spells[n].push((open.max(now), close));
                }
            }
        }
    }
    let mut commands = Vec::new();
    for (n, list) in spells.iter_mut().enumerate() {
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut merged: Vec<(f64, f64)> = Vec::with_capacity(list.len());
        for &(open, close) in list.iter() {
            match merged.last_mut() {
                Some(last) if open <= last.1 => last.1 = last.1.max(close),
                _ => merged.push((open, close)),
            }
        }
        for (open, close) in merged {
            commands.push(command(open, n, true));
            commands.push(command(close, n, false));
        }
    }
    commands.sort_by_key(|c| c.t_us);
    commands
}

/// Counting whole pulses.
pub fn whole_pulses(machine: &Machine, recording: &Recording) -> Vec<ValveCommand> {
    let pulse = machine.wheel.pulse.metres();
    let stamps: Vec<u64> = recording.pulses().collect();
    let mut targets: Vec<Vec<Target>> = vec![Vec::new(); machine.nozzles.len()];
    let mut open = vec![false; machine.nozzles.len()];
    let mut commands = Vec::new();
    let mut count = 0;
    for event in &recording.events {
        match &event.input {
            Input::Direction(_)
            | Input::Order(_)
            | Input::WheelPulse(_)
            | Input::Yaw(_)
            | Input::Pressure(_) => {}
            Input::Image(image) => {
                let Some(mount) = machine.detectors.get(usize::from(image.detector)) else {
                    continue;
                };
                // Only pulses already handed over: the future is not known here either.
                let counted = stamps
                    .partition_point(|&t| t <= image.captured_us)
                    .min(count);
                let captured = counted as f64 * pulse;
                for plant in &image.plants {
                    let centre = captured + mount.x_m + plant.x_m;
                    let (near, far) =
                        (centre - plant.length_m / 2.0, centre + plant.length_m / 2.0);
                    for (n, _) in needed(machine, image, plant) {
                        targets[n].push(Target { near, far });
                    }
                }
            }
            Input::Pulse => {
                count += 1;
                let last = if count >= 2 {
                    stamps[count - 1] - stamps[count - 2]
                } else {
                    0
                };
                if last == 0 {
                    continue;
                }
                let v = pulse / (last as f64 * 1e-6);
                let here = count as f64 * pulse;
                for (n, nozzle) in machine.nozzles.iter().enumerate() {
                    let list = &mut targets[n];
                    let at_open = here + nozzle.x_m + v * (nozzle.throw_s + nozzle.open_delay_s);
                    let at_close = here + nozzle.x_m + v * (nozzle.throw_s + nozzle.close_delay_s);
                    list.retain(|t| at_close < t.far + trail(machine, v));
                    let wanted = list.iter().any(|t| at_open >= t.near - lead(machine, v));
                    if wanted != open[n] {
                        open[n] = wanted;
                        commands.push(command(event.t_us as f64 * 1e-6, n, wanted));
                    }
                }
            }
        }
    }
    // The run is over: nothing stays open.
    let end = recording.events.last().map_or(0, |e| e.t_us) as f64 * 1e-6;
    commands.extend(
        (0..open.len())
            .filter(|&n| open[n])
            .map(|n| command(end, n, false)),
    );
    commands
}

fn command(at_s: f64, nozzle: usize, open: bool) -> ValveCommand {
    ValveCommand {
        t_us: (at_s.max(0.0) * 1e6).round() as u64,
        nozzle: nozzle as u16,
        open,
        short_by_m: 0.0,
    }
}
