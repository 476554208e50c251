//! Reading `machine.toml`: keys, ranges, and what is left out.

use controller_core::boom::MAX_SLOTS;
use serde::Deserialize;
use toml::Spanned;

mod fans;
mod spray;

pub(crate) use spray::{class_names, size_names};
mod turning;

use crate::error::Result;
use crate::machine::{
    Detector, Link, MOST_DETECTORS, MOST_NOZZLES, Machine, Modes, Nozzle, Patch, PulseLength,
    Timing, Tolerance, Valves, Wheel,
};
use crate::orders::MOST_SECTIONS;
use crate::toml_read::{Number, Source};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    #[serde(rename = "machine_format")]
    _machine_format: i64,
    name: String,
    boom: Option<Spanned<RawBoom>>,
    #[serde(default)]
    nozzle: Vec<Spanned<RawNozzle>>,
    #[serde(default)]
    detector: Vec<Spanned<RawDetector>>,
    wheel: Spanned<RawWheel>,
    valves: Spanned<RawMachineValves>,
    nozzles: Spanned<RawNozzles>,
    patch: RawPatch,
    #[serde(default)]
    timing: RawTiming,
    #[serde(default)]
    section: Vec<Spanned<RawSection>>,
    #[serde(default)]
    modes: RawModes,
    #[serde(default)]
    tolerance: RawTolerance,
    link: Option<RawLink>,
    spray: Option<Spanned<spray::RawSpray>>,
    turning: Option<Spanned<turning::RawTurning>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLink {
    baud: Spanned<i64>,
    plants_per_m2: Number,
    reports_per_plant: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSection {
    nozzles: Spanned<i64>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawModes {
    unseen: Option<Spanned<String>>,
    keep_off_margin_m: Option<Number>,
    switch_quiet_ms: Option<Number>,
    acknowledge_at_start: Option<bool>,
    bench_on_cap_s: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBoom {
    nozzles: Spanned<i64>,
    spacing_m: Number,
    x_m: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawNozzle {
    x_m: Number,
    y_m: Number,
    lane_width_m: Option<Number>,
    open_delay_ms: Option<Number>,
    close_delay_ms: Option<Number>,
    throw_ms: Option<Number>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDetector {
    x_m: Number,
    y_m: Number,
    view_left_m: Number,
    view_right_m: Number,
    view_near_m: Number,
    view_far_m: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawWheel {
    pulse_length_m: Option<Number>,
    pulses_per_m: Option<Number>,
    max_speed_m_s: Number,
    creep_speed_m_s: Number,
    max_acceleration_m_s2: Number,
    slots_per_turn: Option<Spanned<i64>>,
    direction_input: Option<bool>,
}

/// The `[valves]` table of a machine: one figure for all, and one for each where they differ.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMachineValves {
    open_delay_ms: Number,
    open_rise_ms: Number,
    close_delay_ms: Number,
    close_fall_ms: Number,
    open_delay_of_each_ms: Option<Spanned<Vec<Number>>>,
    close_delay_of_each_ms: Option<Spanned<Vec<Number>>>,
}

/// The `[valves]` table; scenario files use it too, for valves that differ from the machine's.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawValves {
    open_delay_ms: Number,
    open_rise_ms: Number,
    close_delay_ms: Number,
    close_fall_ms: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawNozzles {
    lane_width_m: Option<Number>,
    fan_thickness_m: Option<Number>,
    throw_ms: Number,
    reach_width_m: Option<Number>,
    fan_angle_deg: Option<Number>,
    height_m: Option<Number>,
    pattern: Option<Spanned<String>>,
    thickness_deg: Option<Number>,
    twist_deg: Option<Number>,
    tilt_deg: Option<Number>,
    twin_deg: Option<Number>,
    wanted_share: Option<Number>,
    #[serde(default)]
    faulty: Vec<Spanned<i64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPatch {
    lead_m: Number,
    lead_ms: Number,
    trail_m: Number,
    trail_ms: Number,
    lateral_margin_m: Number,
    repeat_growth_m: Option<Number>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawTiming {
    decision_period_ms: Option<Number>,
    slack_ms: Option<Number>,
    shortest_on_ms: Option<Number>,
    shortest_off_ms: Option<Number>,
    poll_silence_ms: Option<Number>,
    detector_silence_ms: Option<Number>,
    max_detection_age_ms: Option<Number>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawTolerance {
    missed: Option<Spanned<i64>>,
    partial: Option<Spanned<i64>>,
    edge_share_percent: Option<Number>,
    edge_mm: Option<Number>,
}

/// Farthest that anything may be mounted from the boom reference point, m.
const FARTHEST_M: f64 = 30.0;

impl RawValves {
    pub(crate) fn check(&self, source: &Source<'_>) -> Result<Valves> {
        let ms = |key, number| source.within(key, number, 0.0, 250.0).map(|v| v * 1e-3);
        let valves = Valves {
            open_delay_s: ms("open_delay_ms", &self.open_delay_ms)?,
            open_rise_s: ms("open_rise_ms", &self.open_rise_ms)?,
            close_delay_s: ms("close_delay_ms", &self.close_delay_ms)?,
            close_fall_s: ms("close_fall_ms", &self.close_fall_ms)?,
        };
        for (key, delay, flank, number) in [
            (
                "open_rise_ms",
                valves.open_delay_s,
                valves.open_rise_s,
                &self.open_rise_ms,
            ),
            (
                "close_fall_ms",
                valves.close_delay_s,
                valves.close_fall_s,
                &self.close_fall_ms,
            ),
        ] {
            if flank > 2.0 * delay {
                return Err(source.at(
                    number.span(),
                    format!("`{key}` is more than twice its delay, so the flow would change before the command"),
                    "the delay is measured to half flow: give at least half the rise or fall as delay",
                ));
            }
        }
        Ok(valves)
    }
}

impl Machine {
    /// Reads and checks the text of a machine file; `file` is the name shown in messages.
    pub fn parse(file: &str, text: &str) -> Result<Machine> {
        let source = Source { file, text };
        let raw: Raw = source.parse("machine")?;
        let valves = raw.valves.get_ref().shared().check(&source)?;
        let fans = fans::read(&source, &raw)?;
        let throw_ms = &raw.nozzles.get_ref().throw_ms;
        let throw_s = source.within("throw_ms", throw_ms, 0.0, 250.0)? * 1e-3;
        let usual = Nozzle {
            x_m: 0.0,
            y_m: 0.0,
            lane_width_m: fans.lane_width_m,
            open_delay_s: valves.open_delay_s,
            close_delay_s: valves.close_delay_s,
            throw_s,
        };
        let mut nozzles = nozzles(&source, &raw, usual)?;
        own_delays(&source, &raw, &valves, &mut nozzles)?;
        for nozzle in &mut nozzles {
            nozzle.x_m += fans.ahead_m;
        }
        let timing = timing(&source, &raw.timing)?;
        Ok(Machine {
            faulty: fans::faulty(&source, &raw, nozzles.len())?,
            sections: sections(&source, &raw.section, nozzles.len())?,
            modes: modes(&source, &raw.modes, &timing)?,
            nozzles,
            detectors: detectors(&source, &raw.detector)?,
            wheel: wheel(&source, &raw.wheel)?,
            fan_thickness_m: fans.thickness_m,
            spray: spray::read(&source, &raw, &fans)?,
            fan: fans.fan,
            twist: fans.twist,
            twin_m: fans.twin_m,
            patch: Patch {
                lead_m: source.within("lead_m", &raw.patch.lead_m, 0.0, 10.0)?,
                lead_s: source.within("lead_ms", &raw.patch.lead_ms, 0.0, 250.0)? * 1e-3,
                trail_m: source.within("trail_m", &raw.patch.trail_m, 0.0, 10.0)?,
                trail_s: source.within("trail_ms", &raw.patch.trail_ms, 0.0, 250.0)? * 1e-3,
                lateral_margin_m: source.within(
                    "lateral_margin_m",
                    &raw.patch.lateral_margin_m,
                    0.0,
                    10.0,
                )?,
                repeat_growth_m: source.within_or(
                    "repeat_growth_m",
                    &raw.patch.repeat_growth_m,
                    0.0,
                    10.0,
                    0.2,
                )?,
            },
            timing,
            tolerance: tolerance(&source, &raw.tolerance)?,
            link: raw.link.as_ref().map(|l| link(&source, l)).transpose()?,
            turning: (raw.turning.as_ref())
                .map(|t| turning::read(&source, t))
                .transpose()?,
            valves,
            name: raw.name,
        })
    }
}

fn nozzles(source: &Source<'_>, raw: &Raw, usual: Nozzle) -> Result<Vec<Nozzle>> {
    match (&raw.boom, raw.nozzle.first()) {
        (Some(boom), None) => {
            let boom = boom.get_ref();
            let count = source.whole("nozzles", &boom.nozzles, 1, MOST_NOZZLES as i64)?;
            let spacing = source.within("spacing_m", &boom.spacing_m, 0.01, 10.0)?;
            let x_m = source.within_or("x_m", &boom.x_m, -FARTHEST_M, FARTHEST_M, 0.0)?;
            let y = |i: i64| (i as f64 - (count - 1) as f64 / 2.0) * spacing;
            if y(count - 1) > FARTHEST_M {
                return Err(source.at(
                    boom.spacing_m.span(),
                    format!("the boom would reach {:.1} m to each side", y(count - 1)),
                    format!("a boom reaches at most {FARTHEST_M} m to each side"),
                ));
            }
            Ok((0..count)
                .map(|i| Nozzle {
                    x_m,
                    y_m: y(i),
                    ..usual
                })
                .collect())
        }
        (None, Some(_)) => listed_nozzles(source, &raw.nozzle, usual),
        (Some(boom), Some(_)) => Err(source.at(
            boom.span(),
            "both [boom] and [[nozzle]] are given",
            "keep [boom] for an even boom, or list every [[nozzle]]",
        )),
        (None, None) => Err(source.at(
            0..0,
            "the machine has no nozzle",
            "add [boom] with nozzles and spacing_m, or list every [[nozzle]]",
        )),
    }
}

impl RawMachineValves {
    fn shared(&self) -> RawValves {
        RawValves {
            open_delay_ms: self.open_delay_ms.clone(),
            open_rise_ms: self.open_rise_ms.clone(),
            close_delay_ms: self.close_delay_ms.clone(),
            close_fall_ms: self.close_fall_ms.clone(),
        }
    }
}

/// The delays that `[valves]` tells of each nozzle of an even boom.
fn own_delays(
    source: &Source<'_>,
    raw: &Raw,
    valves: &Valves,
    nozzles: &mut [Nozzle],
) -> Result<()> {
    type Put = fn(&mut Nozzle, f64);
    let own = raw.valves.get_ref();
    let lists: [(_, _, _, Put); 2] = [
        (
            "open_delay_of_each_ms",
            &own.open_delay_of_each_ms,
            valves.open_rise_s,
            |n, s| n.open_delay_s = s,
        ),
        (
            "close_delay_of_each_ms",
            &own.close_delay_of_each_ms,
            valves.close_fall_s,
            |n, s| n.close_delay_s = s,
        ),
    ];
    for (key, list, flank_s, put) in lists {
        let Some(list) = list else { continue };
        if raw.boom.is_none() {
            return Err(source.at(
                list.span(),
                format!("both `{key}` and [[nozzle]] are given"),
                "write each nozzle's delay into its [[nozzle]]",
            ));
        }
        if list.get_ref().len() != nozzles.len() {
            let (got, want) = (list.get_ref().len(), nozzles.len());
            return Err(source.at(
                list.span(),
                format!("`{key}` has {got} numbers for {want} nozzles"),
                "give one number a nozzle, from left to right",
            ));
        }
        for (nozzle, number) in nozzles.iter_mut().zip(list.get_ref()) {
            let delay_s = source.within(key, number, 0.0, 250.0)? * 1e-3;
            if flank_s > 2.0 * delay_s {
                return Err(source.at(
                    number.span(),
                    format!("this delay of `{key}` is less than half the rise or fall, so the flow would change before the command"),
                    "the delay is measured to half flow: give at least half the rise or fall as delay",
                ));
            }
            put(nozzle, delay_s);
        }
    }
    Ok(())
}

fn listed_nozzles(
    source: &Source<'_>,
    raw: &[Spanned<RawNozzle>],
    usual: Nozzle,
) -> Result<Vec<Nozzle>> {
    if let Some(extra) = raw.get(MOST_NOZZLES) {
        return Err(source.at(
            extra.span(),
            format!("more than {MOST_NOZZLES} nozzles"),
            format!("list at most {MOST_NOZZLES}"),
        ));
    }
    let mut list: Vec<Nozzle> = Vec::with_capacity(raw.len());
    for spanned in raw {
        let n = spanned.get_ref();
        let y_m = source.within("y_m", &n.y_m, -FARTHEST_M, FARTHEST_M)?;
        if list.last().is_some_and(|last| last.y_m >= y_m) {
            return Err(source.at(
                n.y_m.span(),
                "this nozzle does not lie to the right of the one before it",
                "list nozzles from left (negative y_m) to right, each at its own place",
            ));
        }
        let ms = |key, number, default| {
            source
                .within_or(key, number, 0.0, 250.0, default * 1e3)
                .map(|v| v * 1e-3)
        };
        list.push(Nozzle {
            x_m: source.within("x_m", &n.x_m, -FARTHEST_M, FARTHEST_M)?,
            y_m,
            lane_width_m: source.within_or(
                "lane_width_m",
                &n.lane_width_m,
                0.01,
                10.0,
                usual.lane_width_m,
            )?,
            open_delay_s: ms("open_delay_ms", &n.open_delay_ms, usual.open_delay_s)?,
            close_delay_s: ms("close_delay_ms", &n.close_delay_ms, usual.close_delay_s)?,
            throw_s: ms("throw_ms", &n.throw_ms, usual.throw_s)?,
        });
    }
    Ok(list)
}

fn detectors(source: &Source<'_>, raw: &[Spanned<RawDetector>]) -> Result<Vec<Detector>> {
    if raw.is_empty() {
        return Err(source.at(
            0..0,
            "the machine has no detector",
            "add a [[detector]] table with its mount and view",
        ));
    }
    if let Some(extra) = raw.get(MOST_DETECTORS) {
        return Err(source.at(
            extra.span(),
            format!("more than {MOST_DETECTORS} detectors"),
            format!("list at most {MOST_DETECTORS}"),
        ));
    }
    raw.iter().map(|d| detector(source, d)).collect()
}

fn detector(source: &Source<'_>, raw: &Spanned<RawDetector>) -> Result<Detector> {
    let d = raw.get_ref();
    let mount = |key, number| source.within(key, number, -FARTHEST_M, FARTHEST_M);
    let detector = Detector {
        x_m: mount("x_m", &d.x_m)?,
        y_m: mount("y_m", &d.y_m)?,
        view_left_m: source.within("view_left_m", &d.view_left_m, 0.0, FARTHEST_M)?,
        view_right_m: source.within("view_right_m", &d.view_right_m, 0.0, FARTHEST_M)?,
        view_near_m: mount("view_near_m", &d.view_near_m)?,
        view_far_m: mount("view_far_m", &d.view_far_m)?,
    };
    if detector.view_far_m <= detector.view_near_m {
        return Err(source.at(
            d.view_far_m.span(),
            "`view_far_m` is not ahead of `view_near_m`",
            "both are measured forward from the mount: give the far end as the larger number",
        ));
    }
    if detector.view_left_m + detector.view_right_m <= 0.0 {
        return Err(source.at(
            raw.span(),
            "this detector sees a strip without width",
            "give view_left_m and view_right_m as distances to each side of the mount",
        ));
    }
    Ok(detector)
}

fn wheel(source: &Source<'_>, raw: &Spanned<RawWheel>) -> Result<Wheel> {
    let w = raw.get_ref();
    let pulse = match (&w.pulse_length_m, &w.pulses_per_m) {
        (Some(length), None) => {
            let metres = source.within("pulse_length_m", length, 0.001, 2.0)?;
            PulseLength::Nanometres((metres * 1e9).round() as u64)
        }
        (None, Some(per_m)) => {
            let per_m = source.within("pulses_per_m", per_m, 0.5, 1000.0)?;
            if per_m.fract() == 0.0 {
                PulseLength::Ratio {
                    um: 1_000_000,
                    pulses: per_m as u64,
                }
            } else {
                PulseLength::Ratio {
                    um: 1_000_000_000,
                    pulses: (per_m * 1000.0).round() as u64,
                }
            }
        }
        _ => {
            return Err(source.at(
                raw.span(),
                "[wheel] needs the ground of a pulse exactly once",
                "give either pulse_length_m or pulses_per_m",
            ));
        }
    };
    let max_speed_m_s = source.within("max_speed_m_s", &w.max_speed_m_s, 0.1, 50.0)?;
    let slots_per_turn = w
        .slots_per_turn
        .as_ref()
        .map_or(Ok(0), |n| source.whole("slots_per_turn", n, 0, MAX_SLOTS))?;
    Ok(Wheel {
        pulse,
        max_speed_m_s,
        creep_speed_m_s: source.within(
            "creep_speed_m_s",
            &w.creep_speed_m_s,
            0.01,
            max_speed_m_s,
        )?,
        max_acceleration_m_s2: source.within(
            "max_acceleration_m_s2",
            &w.max_acceleration_m_s2,
            0.01,
            50.0,
        )?,
        slots_per_turn,
        direction_input: w.direction_input.unwrap_or(false),
    })
}

fn timing(source: &Source<'_>, raw: &RawTiming) -> Result<Timing> {
    let ms = |key, number, low, high, default| {
        source
            .within_or(key, number, low, high, default)
            .map(|v| v * 1e-3)
    };
    Ok(Timing {
        decision_period_s: ms(
            "decision_period_ms",
            &raw.decision_period_ms,
            0.2,
            20.0,
            2.0,
        )?,
        slack_s: ms("slack_ms", &raw.slack_ms, 0.02, 20.0, 0.5)?,
        shortest_on_s: ms("shortest_on_ms", &raw.shortest_on_ms, 0.0, 1000.0, 20.0)?,
        shortest_off_s: ms("shortest_off_ms", &raw.shortest_off_ms, 0.0, 1000.0, 10.0)?,
        poll_silence_s: ms("poll_silence_ms", &raw.poll_silence_ms, 1.0, 1000.0, 100.0)?,
        detector_silence_s: ms(
            "detector_silence_ms",
            &raw.detector_silence_ms,
            1.0,
            60_000.0,
            1000.0,
        )?,
        max_detection_age_s: ms(
            "max_detection_age_ms",
            &raw.max_detection_age_ms,
            1.0,
            2000.0,
            800.0,
        )?,
    })
}

fn sections(source: &Source<'_>, raw: &[Spanned<RawSection>], nozzles: usize) -> Result<Vec<u16>> {
    if let Some(extra) = raw.get(MOST_SECTIONS) {
        return Err(source.at(
            extra.span(),
            format!("more than {MOST_SECTIONS} sections"),
            format!("list at most {MOST_SECTIONS}"),
        ));
    }
    let mut sections = Vec::with_capacity(raw.len());
    let mut sum = 0;
    for section in raw {
        let count: u16 = source.whole(
            "nozzles",
            &section.get_ref().nozzles,
            1,
            MOST_NOZZLES as u16,
        )?;
        sum += usize::from(count);
        sections.push(count);
    }
    match raw.last() {
        Some(last) if sum != nozzles => Err(source.at(
            last.span(),
            format!("the sections hold {sum} nozzles, but the boom has {nozzles}"),
            "list the sections from left to right so that each nozzle is in one",
        )),
        _ => Ok(sections),
    }
}

fn modes(source: &Source<'_>, raw: &RawModes, timing: &Timing) -> Result<Modes> {
    let spray_unseen = match &raw.unseen {
        None => false,
        Some(word) => match word.get_ref().as_str() {
            "spray" => true,
            "skip" => false,
            other => {
                return Err(source.at(
                    word.span(),
                    format!("unseen ground is to be `{other}`, which is not known"),
                    "write `spray` (it is sprayed in spot mode) or `skip` (it stays dry)",
                ));
            }
        },
    };
    Ok(Modes {
        spray_unseen,
        keep_off_margin_m: source.within_or(
            "keep_off_margin_m",
            &raw.keep_off_margin_m,
            0.0,
            10.0,
            0.02,
        )?,
        switch_quiet_s: source.within_or(
            "switch_quiet_ms",
            &raw.switch_quiet_ms,
            0.0,
            1000.0,
            30.0,
        )? * 1e-3,
        acknowledge_at_start: raw.acknowledge_at_start.unwrap_or(false),
        bench_on_cap_s: source.within_or(
            "bench_on_cap_s",
            &raw.bench_on_cap_s,
            timing.shortest_on_s,
            60.0,
            10.0,
        )?,
    })
}

fn tolerance(source: &Source<'_>, raw: &RawTolerance) -> Result<Tolerance> {
    let count = |key, number: &Option<Spanned<i64>>| {
        number
            .as_ref()
            .map_or(Ok(0), |n| source.whole(key, n, 0, 1_000_000_000))
            .map(|n: i64| n as usize)
    };
    Ok(Tolerance {
        missed: count("missed", &raw.missed)?,
        partial: count("partial", &raw.partial)?,
        edge_share: source.within_or(
            "edge_share_percent",
            &raw.edge_share_percent,
            0.0,
            100.0,
            99.9,
        )? / 100.0,
        edge_m: source.within_or("edge_mm", &raw.edge_mm, 0.1, 10_000.0, 25.0)? * 1e-3,
    })
}

fn link(source: &Source<'_>, raw: &RawLink) -> Result<Link> {
    let reports = raw.reports_per_plant.as_ref();
    Ok(Link {
        baud: source.whole("baud", &raw.baud, 1200, 1_000_000_000)?,
        plants_per_m2: source.within("plants_per_m2", &raw.plants_per_m2, 0.0, 1000.0)?,
        reports_per_plant: reports
            .map(|n| source.within("reports_per_plant", n, 1.0, 1000.0))
            .transpose()?,
    })
}
