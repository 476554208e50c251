//! The figures of a check in the order in which they are printed, each with its sum.

use super::link_budget::Budget;
use super::sums::{self, HAIR_M, LookAhead};
use super::{Figure, Wish};
use crate::machine::{Machine, Nozzle};

/// Remembered pulses of the sizes that are reported.
const HISTORIES: [usize; 3] = [64, 128, 256];

/// All figures.
pub fn all(machine: &Machine, wish: &Wish) -> Vec<Figure> {
    let mut figures = vec![usable_speed(machine, wish)];
    figures.extend(look_ahead(machine, wish));
    figures.extend(sight(machine, wish));
    figures.extend(stop(machine));
    figures.push(lanes_seen(machine));
    figures.extend(lanes_apart(machine));
    figures.extend(doses(machine));
    figures.extend(throw(machine));
    figures.push(history(machine));
    figures.extend(patches(machine));
    figures.extend(super::rate::figures(machine));
    figures.extend(Budget::of(machine, wish).iter().flat_map(Budget::figures));
    figures
}

fn ms(seconds: f64) -> f64 {
    seconds * 1e3
}

/// The throw worked out from `[spray]`, at the machine's fastest.
fn throw(machine: &Machine) -> Option<Figure> {
    let spray = machine.spray.as_ref()?;
    let speed = machine.wheel.max_speed_m_s;
    let throw_s = crate::throw::of_machine(spray, speed).ok()?;
    Some(Figure {
        key: "throw_worked_out_ms",
        what: "throw worked out from [spray]",
        value: ms(throw_s),
        unit: "ms",
        sum: vec![format!(
            "drops of the {:.0}th percentile, {:.0} µm, from {:.2} m at {:.0} kPa and {speed:.2} m/s; `host-sim throw` tells more",
            spray.percentile,
            spray.drops.diameter(spray.percentile / 100.0) * 1e6,
            spray.height_m,
            spray.pressure_pa / 1e3
        )],
    })
}

/// The lowest of all limits on speed, and which it is.
fn usable_speed(machine: &Machine, wish: &Wish) -> Figure {
    let ahead = sums::tightest(machine, wish.age_s(machine));
    let ahead = ahead.map_or(0.0, |p| p.top_speed(wish.age_s(machine)));
    let mut limits = vec![
        ("look-ahead", ahead),
        ("max_speed_m_s", machine.wheel.max_speed_m_s),
    ];
    if let Some(fps) = wish.frame_rate_hz {
        limits.push(("sight gaps", sums::shortest_view(machine) * fps));
    }
    let words: Vec<_> = limits
        .iter()
        .map(|(what, v)| format!("{what} {v:.2} m/s"))
        .collect();
    let value = limits.iter().map(|l| l.1).fold(f64::INFINITY, f64::min);
    Figure {
        key: "usable_speed_m_s",
        what: "drive no faster than",
        value,
        unit: "m/s",
        sum: vec![format!("the lowest of: {}", words.join(", "))],
    }
}

fn look_ahead(machine: &Machine, wish: &Wish) -> Vec<Figure> {
    let age = wish.age_s(machine);
    let whose = match wish.detection_age_ms {
        Some(_) => "detection age",
        None => "oldest detection allowed",
    };
    let fastest = machine.wheel.max_speed_m_s;
    let Some(pair) = sums::tightest(machine, age) else {
        return vec![Figure {
            key: "top_speed_m_s",
            what: "top speed at which look-ahead suffices",
            value: 0.0,
            unit: "m/s",
            sum: vec!["no detector sees any part of a lane".into()],
        }];
    };
    let top = pair.top_speed(age);
    let mut sum = spelled(&pair);
    sum.push(format!(
        "{:.1} ms + {whose} {:.1} ms = {:.1} ms",
        ms(pair.time_s()),
        ms(age),
        ms(pair.time_s() + age)
    ));
    sum.push(match top > 0.0 {
        true => format!(
            "{:.3} m / {:.4} s = {top:.2} m/s; the machine's fastest is {fastest:.2} m/s",
            pair.ground_m(),
            pair.time_s() + age
        ),
        false => "no ground is left, so no speed is slow enough".into(),
    });
    let mut figures = vec![Figure {
        key: "top_speed_m_s",
        what: "top speed at which look-ahead suffices",
        value: top,
        unit: "m/s",
        sum,
    }];
    if let Some(pair) = sums::tightest_oldest(machine, fastest) {
        let oldest = pair.oldest(fastest);
        figures.push(Figure {
            key: "oldest_detection_at_fastest_ms",
            what: "oldest detection in time at the machine's fastest",
            value: ms(oldest),
            unit: "ms",
            sum: vec![format!(
                "nozzle {} through detector {}: {:.3} m / {fastest:.2} m/s - {:.1} ms on the way = {:.1} ms{}",
                pair.nozzle,
                pair.detector,
                pair.ground_m(),
                ms(pair.time_s()),
                ms(oldest),
                if oldest < 0.0 { ": even at once is too late" } else { "" }
            )],
        });
    }
    figures
}

/// Ground and times of a pair, in words and numbers.
fn spelled(p: &LookAhead) -> Vec<String> {
    vec![
        format!(
            "tightest: nozzle {} through detector {}, a plant at the near edge of the view",
            p.nozzle, p.detector
        ),
        format!(
            "mount {:.3} m + near view edge {:.3} m - nozzle {:.3} m = {:.3} m ahead of the nozzle",
            p.mount_m,
            p.view_near_m,
            p.nozzle_m,
            p.ahead_m()
        ),
        format!(
            "{:.3} m - lead {:.3} m - half the fan {:.3} m - wheel pulse {:.3} m = {:.3} m",
            p.ahead_m(),
            p.lead_m,
            p.half_fan_m,
            p.pulse_m,
            p.ground_m()
        ),
        format!(
            "lead {:.1} ms + half the rise {:.1} ms + throw {:.1} ms + open delay {:.1} ms + decision window {:.1} ms = {:.1} ms",
            ms(p.lead_s),
            ms(p.half_rise_s),
            ms(p.throw_s),
            ms(p.open_delay_s),
            ms(p.window_s),
            ms(p.time_s())
        ),
    ]
}

fn sight(machine: &Machine, wish: &Wish) -> Vec<Figure> {
    let view = sums::shortest_view(machine);
    let fastest = machine.wheel.max_speed_m_s;
    let source = "criterion: Sanchez & Zhang 2022, Applied Sciences 12(3):1260";
    let mut figures = vec![Figure {
        key: "frame_rate_needed_hz",
        what: "frame rate without sight gaps at the machine's fastest",
        value: fastest / view,
        unit: "Hz",
        sum: vec![format!(
            "{fastest:.2} m/s / shortest view along travel {view:.3} m = {:.1} Hz; {source}",
            fastest / view
        )],
    }];
    let Some(fps) = wish.frame_rate_hz else {
        return figures;
    };
    let rate = sums::overlap_rate(view, fps, fastest);
    let left = view - fastest / fps;
    figures.push(Figure {
        key: "overlap_rate",
        what: "overlap rate of the images at the machine's fastest",
        value: rate,
        unit: "",
        sum: vec![
            format!("view {view:.3} m x {fps:.2} Hz / {fastest:.2} m/s = {rate:.2}, to be 1 or more"),
            match left >= 0.0 {
                true => format!(
                    "view {view:.3} m - {:.3} m from image to image = {left:.3} m overlap; longer plants are cut at an image's edge",
                    fastest / fps
                ),
                false => format!(
                    "{:.3} m from image to image - view {view:.3} m = {:.3} m unseen after each image",
                    fastest / fps,
                    -left
                ),
            },
        ],
    });
    figures.push(Figure {
        key: "top_speed_sight_m_s",
        what: "top speed without sight gaps",
        value: view * fps,
        unit: "m/s",
        sum: vec![format!(
            "view {view:.3} m x {fps:.2} Hz = {:.2} m/s",
            view * fps
        )],
    });
    figures
}

fn stop(machine: &Machine) -> Vec<Figure> {
    let wheel = &machine.wheel;
    let wait = sums::pulse_wait(machine);
    let bound = sums::stop_bound(machine);
    let flow = |n: &Nozzle| n.close_delay_s;
    let close = machine.nozzles.iter().map(flow).fold(0.0, f64::max);
    let fall = machine.valves.close_fall_s / 2.0;
    vec![
        Figure {
            key: "stop_bound_ms",
            what: "longest from the last pulse to all told to close",
            value: ms(bound),
            unit: "ms",
            sum: vec![
                format!(
                    "pulse {:.4} m / creep speed {:.2} m/s = {:.1} ms; the controller refuses more than 1000 ms here",
                    wheel.pulse.metres(),
                    wheel.creep_speed_m_s,
                    ms(wait)
                ),
                format!(
                    "{:.1} ms + decision period {:.1} ms + command window {:.1} ms = {:.1} ms",
                    ms(wait),
                    ms(machine.timing.decision_period_s),
                    ms(sums::window(machine)),
                    ms(bound)
                ),
            ],
        },
        Figure {
            key: "stop_dry_ms",
            what: "longest from the last pulse to no flow",
            value: ms(bound + close + fall),
            unit: "ms",
            sum: vec![format!(
                "{:.1} ms + slowest close delay {:.1} ms + half the fall {:.1} ms = {:.1} ms",
                ms(bound),
                ms(close),
                ms(fall),
                ms(bound + close + fall)
            )],
        },
    ]
}

fn lanes_seen(machine: &Machine) -> Figure {
    let unseen = unseen_lanes(machine);
    let mut sum: Vec<String> = machine
        .detectors
        .iter()
        .enumerate()
        .map(|(i, d)| {
            let (left, right) = sums::view(d);
            format!("detector {i} sees from {left:.3} m to {right:.3} m across travel")
        })
        .collect();
    let (left, right) = machine.lanes();
    sum.push(format!(
        "{} lanes reach from {left:.3} m to {right:.3} m",
        machine.nozzles.len()
    ));
    for (nozzle, bare) in unseen.iter().take(8) {
        sum.push(format!("nozzle {nozzle}: {bare:.3} m of its lane unseen"));
    }
    if unseen.len() > 8 {
        sum.push(format!("and {} more", unseen.len() - 8));
    }
    Figure {
        key: "lanes_unseen",
        what: "lanes not fully covered by detectors",
        value: unseen.len() as f64,
        unit: "lanes",
        sum,
    }
}

/// Nozzles whose lanes are not seen in full, with the ground that is not, m.
pub fn unseen_lanes(machine: &Machine) -> Vec<(usize, f64)> {
    let views: Vec<_> = machine.detectors.iter().map(sums::view).collect();
    let bare = machine.nozzles.iter().map(|n| {
        let lane = sums::lane(n);
        lane.1 - lane.0 - sums::covered(lane, &views)
    });
    bare.enumerate().filter(|(_, m)| *m > HAIR_M).collect()
}

/// The widest of some stretches between lanes: how many, after which nozzle, m.
pub fn widest(apart: &[(usize, f64)], sign: f64) -> (usize, Option<(usize, f64)>) {
    let wide = apart.iter().filter(|(_, m)| m * sign > HAIR_M);
    let count = wide.clone().count();
    let most = wide.max_by(|a, b| (a.1 * sign).total_cmp(&(b.1 * sign)));
    (count, most.map(|&(i, m)| (i, m * sign)))
}

fn lanes_apart(machine: &Machine) -> Vec<Figure> {
    let apart = sums::between_lanes(machine);
    let one = |key, what, sign| {
        let (count, most) = widest(&apart, sign);
        Figure {
            key,
            what,
            value: count as f64,
            unit: "places",
            sum: most
                .map(|(i, wide)| {
                    format!(
                        "widest {wide:.3} m, between nozzles {i} and {}: right lane edge {:.3} m, left lane edge {:.3} m",
                        i + 1,
                        sums::lane(&machine.nozzles[i]).1,
                        sums::lane(&machine.nozzles[i + 1]).0
                    )
                })
                .into_iter()
                .collect(),
        }
    };
    vec![
        one("lane_gaps", "gaps between lanes", 1.0),
        one("lane_overlaps", "overlaps between lanes", -1.0),
    ]
}

/// What one nozzle alone gives, as a share of the broadcast dose.
fn doses(machine: &Machine) -> Vec<Figure> {
    let Some(fan) = crate::scene::fan(machine) else {
        return Vec::new();
    };
    let (half, flat) = (fan.half_width_m, fan.flat_half_m);
    let edge = fan.spacing_m / 2.0;
    let share = |key, what, u: f64, sum: String| Figure {
        key,
        what,
        value: fan.share(u),
        unit: "of broadcast",
        sum: vec![sum],
    };
    let slope = match half > flat {
        true => format!(
            "(half width {half:.4} m - {edge:.4} m) / slope {:.4} m",
            half - flat
        ),
        false => format!("even to {half:.4} m aside"),
    };
    vec![
        share(
            "dose_alone_below",
            "dose of one nozzle alone, right below it",
            0.0,
            format!(
                "spacing {:.4} m / (half width {half:.4} m + flat half {flat:.4} m) = {:.3}",
                fan.spacing_m,
                fan.share(0.0)
            ),
        ),
        share(
            "dose_alone_lane_edge",
            "dose of one nozzle alone, at its lane's edge",
            edge,
            format!(
                "{:.3} x {slope}, 0 to 1 = {:.3}",
                fan.share(0.0),
                fan.share(edge)
            ),
        ),
    ]
}

fn history(machine: &Machine) -> Figure {
    let fastest = machine.wheel.max_speed_m_s;
    let mut sum = vec![format!(
        "needed: oldest detection {:.1} ms at {fastest:.2} m/s = {:.3} m",
        ms(machine.timing.max_detection_age_s),
        fastest * machine.timing.max_detection_age_s
    )];
    for pulses in HISTORIES {
        let step = sums::history_step(machine, pulses);
        let reach = sums::history_reach(machine, pulses, fastest);
        sum.push(format!(
            "{pulses} remembered pulses, {step:.3} m apart: {} x {step:.3} m / {fastest:.2} m/s = {:.1} ms",
            pulses - 1,
            ms(reach)
        ));
    }
    let least = HISTORIES
        .map(|pulses| sums::history_reach(machine, pulses, fastest))
        .into_iter()
        .fold(f64::INFINITY, f64::min);
    Figure {
        key: "history_reach_ms",
        what: "history reaches back at the machine's fastest, at least",
        value: ms(least),
        unit: "ms",
        sum,
    }
}

fn patches(machine: &Machine) -> Vec<Figure> {
    let fastest = machine.wheel.max_speed_m_s;
    let (ground, time) = sums::margins(machine);
    let margins = format!(
        "lead {:.3} m + trail {:.3} m + fan {:.3} m = {ground:.3} m; lead {:.1} ms + trail {:.1} ms + half of rise and fall {:.1} ms = {:.1} ms",
        machine.patch.lead_m,
        machine.patch.trail_m,
        2.0 * machine.half_fan_m(),
        ms(machine.patch.lead_s),
        ms(machine.patch.trail_s),
        ms((machine.valves.open_rise_s + machine.valves.close_fall_s) / 2.0),
        ms(time)
    );
    let mut figures = Vec::new();
    let by_time = |a: &(usize, &Nozzle), b: &(usize, &Nozzle)| {
        let on = |n: &Nozzle| sums::shortest_patch(machine, n, fastest);
        on(a.1).total_cmp(&on(b.1))
    };
    if let Some((i, n)) = machine.nozzles.iter().enumerate().min_by(by_time) {
        let on = sums::shortest_patch(machine, n, fastest);
        figures.push(Figure {
            key: "shortest_patch_ms",
            what: "shortest patch's on-time at the machine's fastest",
            value: ms(on),
            unit: "ms",
            sum: vec![
                format!("a plant of no length: {margins}"),
                format!(
                    "nozzle {i}: {ground:.3} m / {fastest:.2} m/s + {:.1} ms + open delay {:.1} ms - close delay {:.1} ms = {:.1} ms, shortest on-time {:.1} ms",
                    ms(time),
                    ms(n.open_delay_s),
                    ms(n.close_delay_s),
                    ms(on),
                    ms(machine.timing.shortest_on_s)
                ),
            ],
        });
    }
    // The nozzle whose valve is slowest to shut and open again joins over the widest gap.
    let slow = |n: &Nozzle| n.open_delay_s - n.close_delay_s;
    let slowest = |a: &(usize, &Nozzle), b: &(usize, &Nozzle)| slow(b.1).total_cmp(&slow(a.1));
    if let Some((i, n)) = machine.nozzles.iter().enumerate().min_by(slowest) {
        for (key, what, speed) in [
            (
                "joining_gap_fastest_m",
                "plants nearer than this join, at the fastest",
                fastest,
            ),
            (
                "joining_gap_creep_m",
                "plants nearer than this join, at creep speed",
                machine.wheel.creep_speed_m_s,
            ),
        ] {
            let gap = sums::joining_gap(machine, n, speed);
            figures.push(Figure {
                key,
                what,
                value: gap,
                unit: "m",
                sum: vec![format!(
                    "nozzle {i}: margins {ground:.3} m + {speed:.2} m/s x (margins {:.1} ms + shortest off {:.1} ms + open delay {:.1} ms - close delay {:.1} ms) = {gap:.3} m{}",
                    ms(time),
                    ms(machine.timing.shortest_off_s),
                    ms(n.open_delay_s),
                    ms(n.close_delay_s),
                    // Patches that touch are one whatever the times say.
                    if gap > ground { "" } else { ", the margins alone" }
                )],
            });
        }
    }
    figures
}
