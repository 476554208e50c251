//! Doubtful numbers of a machine, each with its reason and a remedy. None of them fails.

use super::figures::{unseen_lanes, widest};
use super::link_budget::Budget;
use super::{Warning, Wish, sums};
use crate::machine::Machine;

/// A stop that takes longer than this to notice sprays what nobody wanted, s.
const SLOW_STOP_S: f64 = 0.5;
/// The speed is measured over at least so much ground, m; a longer pulse measures alone.
const SPEED_SPAN_M: f64 = 0.12;
/// Remembered places farther apart than this say little of what lies between, m.
const COARSE_HISTORY_M: f64 = 0.25;
/// Remembered pulses of the smallest size.
const SMALLEST_HISTORY: usize = 64;

/// All warnings.
pub fn all(machine: &Machine, wish: &Wish) -> Vec<Warning> {
    let mut list = Vec::new();
    let mut warn = |what: String, reason: String, remedy: String| {
        list.push(Warning {
            what,
            reason,
            remedy,
        });
    };
    look_ahead(machine, wish, &mut warn);
    sight(machine, wish, &mut warn);
    lanes(machine, &mut warn);
    doses(machine, &mut warn);
    travel(machine, &mut warn);
    valves(machine, &mut warn);
    throw(machine, &mut warn);
    super::rate::warnings(machine, &mut warn);
    list.extend(Budget::of(machine, wish).iter().flat_map(Budget::warnings));
    list
}

pub(super) type Warn<'a> = &'a mut dyn FnMut(String, String, String);

/// The throw that the file carries against the one that its `[spray]` makes.
fn throw(machine: &Machine, warn: Warn<'_>) {
    let Some(spray) = &machine.spray else { return };
    let speed = machine.wheel.max_speed_m_s;
    let worked_out = match crate::throw::of_machine(spray, speed) {
        Ok(throw_s) => throw_s,
        Err(e) => {
            return warn(
                "the throw can't be worked out from [spray]".into(),
                e.to_string(),
                "correct [spray]; `host-sim throw` tells what it would be".into(),
            );
        }
    };
    let off = |n: &crate::machine::Nozzle| (n.throw_s - worked_out) * speed;
    let worst = machine
        .nozzles
        .iter()
        .enumerate()
        .max_by(|a, b| off(a.1).abs().total_cmp(&off(b.1).abs()));
    if let Some((index, nozzle)) = worst
        && off(nozzle).abs() > machine.tolerance.edge_m
    {
        warn(
            format!(
                "throw_ms is {:.1} for nozzle {index}, but [spray] makes it {:.1}",
                nozzle.throw_s * 1e3,
                worked_out * 1e3
            ),
            format!(
                "at {speed:.2} m/s the spray lands {:.1} mm off where the controller takes it, and edge_mm is {:.1}",
                off(nozzle).abs() * 1e3,
                machine.tolerance.edge_m * 1e3
            ),
            "set throw_ms to what `host-sim throw` says, or correct [spray]; a measured throw beats both".into(),
        );
    }
}

fn look_ahead(machine: &Machine, wish: &Wish, warn: Warn<'_>) {
    let (age, fastest) = (wish.age_s(machine), machine.wheel.max_speed_m_s);
    let oldest = machine.timing.max_detection_age_s;
    if age > oldest {
        warn(
            format!("detections are {:.1} ms old", age * 1e3),
            format!(
                "the controller refuses images older than max_detection_age_ms = {:.1}",
                oldest * 1e3
            ),
            "raise max_detection_age_ms, or make the detector faster".into(),
        );
    }
    let Some(pair) = sums::tightest(machine, age) else {
        return;
    };
    let top = pair.top_speed(age);
    // A speed of 0 breaks the verdict, which says why.
    if top > 0.0 && top < fastest {
        warn(
            format!("look-ahead suffices up to {top:.2} m/s only, and the machine goes {fastest:.2} m/s"),
            format!(
                "from {top:.2} m/s on a plant at the near view edge, {:.1} ms old, comes too late",
                age * 1e3
            ),
            match wish.detection_age_ms {
                Some(_) => "mount the detector farther forward, make it faster, or drive slower",
                None => "give your detector's real age with --detection-age-ms; lower max_detection_age_ms to match",
            }
            .into(),
        );
    }
}

fn sight(machine: &Machine, wish: &Wish, warn: Warn<'_>) {
    let fastest = machine.wheel.max_speed_m_s;
    let Some(fps) = wish.frame_rate_hz else {
        return;
    };
    let view = sums::shortest_view(machine);
    let rate = sums::overlap_rate(view, fps, fastest);
    if rate < 1.0 {
        warn(
            format!("sight gaps at {fastest:.2} m/s: the overlap rate is {rate:.2}"),
            format!(
                "{:.3} m after each image are seen by none; plants there are missed",
                fastest / fps - view
            ),
            format!(
                "stay below {:.2} m/s, or give {:.1} images a second or a longer view",
                view * fps,
                fastest / view
            ),
        );
    }
    let silence = machine.timing.detector_silence_s;
    if 1.0 / fps > silence {
        warn(
            format!("detector_silence_ms is {:.1}", silence * 1e3),
            format!(
                "an image comes every {:.1} ms, so a healthy detector counts as silent",
                1e3 / fps
            ),
            "give several times the interval between images".into(),
        );
    }
}

fn lanes(machine: &Machine, warn: Warn<'_>) {
    let unseen = unseen_lanes(machine);
    if let Some((first, _)) = unseen.first() {
        warn(
            format!(
                "{} of {} lanes are not fully covered by detectors, the first is nozzle {first}'s",
                unseen.len(),
                machine.nozzles.len()
            ),
            if machine.modes.spray_unseen {
                "a lane that no detector sees is sprayed all along in spot mode; of one that is seen in part the rest is never looked at"
            } else {
                "plants on unseen ground are never sprayed"
            }
            .into(),
            "widen view_left_m and view_right_m, or add a [[detector]]".into(),
        );
    }
    for (index, d) in machine.detectors.iter().enumerate() {
        let sees = |n| sums::covered(sums::lane(n), &[sums::view(d)]) > sums::HAIR_M;
        if !machine.nozzles.iter().any(sees) {
            warn(
                format!("detector {index} sees no lane"),
                "nothing that it reports can be sprayed".into(),
                "check its y_m, view_left_m and view_right_m; y is positive to the right".into(),
            );
        }
    }
    let apart = sums::between_lanes(machine);
    if let (count, Some((i, wide))) = widest(&apart, 1.0) {
        let margin = machine.patch.lateral_margin_m;
        warn(
            format!("{count} gaps between lanes, the widest {wide:.3} m after nozzle {i}"),
            match wide > 2.0 * margin {
                true => format!(
                    "a plant narrower than {:.3} m in there belongs to no nozzle",
                    wide - 2.0 * margin
                ),
                false => "lateral_margin_m reaches over it, but the ground in it gets no spray of its own".into(),
            },
            "set lane_width_m to the distance between nozzles".into(),
        );
    }
    if let (count, Some((i, wide))) = widest(&apart, -1.0) {
        warn(
            format!("{count} overlaps between lanes, the widest {wide:.3} m after nozzle {i}"),
            "a plant there opens both nozzles and gets a double dose".into(),
            "set lane_width_m to the distance between nozzles, unless the overlap is meant".into(),
        );
    }
}

fn doses(machine: &Machine, warn: Warn<'_>) {
    let sets = super::doses::all(machine);
    let wanted = machine.fan.map_or(0.0, |fan| fan.wanted_share);
    let short: Vec<_> = sets.iter().filter(|s| s.short).collect();
    let mut lanes: Vec<usize> = short.iter().map(|s| s.lane).collect();
    lanes.dedup();
    let worst = short.iter().map(|s| s.share).fold(f64::INFINITY, f64::min);
    if let Some(first) = lanes.first() {
        let count = sets.last().map_or(0, |s| s.lane + 1);
        let inner = lanes.iter().any(|&l| l != 0 && l + 1 != count);
        warn(
            format!(
                "in {} of {count} lanes, the first is nozzle {first}'s, not even the whole boom gives {wanted:.2} of the dose everywhere",
                lanes.len()
            ),
            format!("the worst point gets {worst:.3}; plants there get all that reaches them and stay short"),
            match inner {
                true => "raise the boom or lower wanted_share; under a faulty nozzle only a repair helps",
                false => "the ends of a boom have no neighbour: let passes overlap by a lane",
            }
            .into(),
        );
    }
}

fn travel(machine: &Machine, warn: Warn<'_>) {
    let (wheel, pulse) = (&machine.wheel, machine.wheel.pulse.metres());
    let bound = sums::stop_bound(machine);
    if bound > SLOW_STOP_S {
        warn(
            format!("a stop is noticed after up to {:.1} ms", bound * 1e3),
            "until then open valves spray on one place".into(),
            "raise creep_speed_m_s, or take a sensor with more pulses a metre".into(),
        );
    }
    if pulse > SPEED_SPAN_M {
        warn(
            format!("a wheel pulse is {pulse:.3} m of ground"),
            format!(
                "speed is measured over {SPEED_SPAN_M:.2} m; with one pulse in that, slot unevenness goes straight into it"
            ),
            "take a sensor with more pulses a metre".into(),
        );
    }
    let step = sums::history_step(machine, SMALLEST_HISTORY);
    if step > COARSE_HISTORY_M {
        warn(
            format!("with {SMALLEST_HISTORY} remembered pulses places are kept {step:.3} m apart"),
            "in between they are interpolated, which braking makes inexact".into(),
            "lower max_detection_age_ms or max_speed_m_s, or build the controller with a longer history".into(),
        );
    }
    let reach = sums::history_reach(machine, SMALLEST_HISTORY, wheel.max_speed_m_s);
    if reach < machine.timing.max_detection_age_s {
        warn(
            format!("the history reaches back {:.1} ms only", reach * 1e3),
            format!(
                "images up to {:.1} ms old are allowed, but their place is no longer known",
                machine.timing.max_detection_age_s * 1e3
            ),
            "lower max_detection_age_ms, or build the controller with a longer history".into(),
        );
    }
    let timing = &machine.timing;
    if timing.poll_silence_s < 2.0 * timing.decision_period_s {
        warn(
            format!("poll_silence_ms is {:.1}", timing.poll_silence_s * 1e3),
            "one decision a little late already closes everything".into(),
            "give at least two decision periods".into(),
        );
    }
}

fn valves(machine: &Machine, warn: Warn<'_>) {
    let (fastest, timing) = (machine.wheel.max_speed_m_s, &machine.timing);
    let on = |n| sums::shortest_patch(machine, n, fastest);
    let shortest = machine.nozzles.iter().map(on).fold(f64::INFINITY, f64::min);
    if shortest < timing.shortest_on_s {
        warn(
            format!(
                "the shortest patch lasts {:.1} ms at {fastest:.2} m/s, less than shortest_on_ms = {:.1}",
                shortest * 1e3,
                timing.shortest_on_s * 1e3
            ),
            format!(
                "it is stretched, by up to {:.3} m of ground behind the plant",
                (timing.shortest_on_s - shortest) * fastest
            ),
            "lengthen lead_m or trail_m, or lower shortest_on_ms if the valve allows".into(),
        );
    }
    let (rise, fall) = (machine.valves.open_rise_s, machine.valves.close_fall_s);
    let opens = |n: &crate::machine::Nozzle| {
        timing.shortest_on_s + n.close_delay_s - fall / 2.0 - n.open_delay_s - rise / 2.0
    };
    let full = machine
        .nozzles
        .iter()
        .map(opens)
        .fold(f64::INFINITY, f64::min);
    if full < 0.0 {
        warn(
            format!("shortest_on_ms is {:.1}", timing.shortest_on_s * 1e3),
            format!(
                "a valve on for so long begins to close {:.1} ms before it is fully open",
                -full * 1e3
            ),
            "raise shortest_on_ms, so that every opening reaches full flow".into(),
        );
    }
    let patch = &machine.patch;
    let edge = machine.tolerance.edge_m;
    for (key, margin) in [("lead_m", patch.lead_m), ("trail_m", patch.trail_m)] {
        if margin < edge {
            warn(
                format!("{key} is {margin:.3}, less than the edge tolerance of {edge:.3} m"),
                "an edge that is still within the tolerance can leave part of the plant dry".into(),
                format!("give {key} at least the tolerance edge_mm"),
            );
        }
    }
}
