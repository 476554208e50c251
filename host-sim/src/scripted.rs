//! Orders that a scenario scripts: `[[order]]` tables, given at a time or at a place.

use controller_core::BenchRequest;
use serde::Deserialize;
use toml::Spanned;

use ground_truth::{Ground, Motion};

use crate::error::Result;
use crate::orders::{self, Order};
use crate::toml_read::{Number, Source};

/// How far before its near end keep-off ground is told of when nothing else is said, m.
const TOLD_AHEAD_M: f64 = 5.0;
/// How often a held button is reported, s: well inside what the bench state asks for.
const HOLD_EVERY_S: f64 = 0.2;
/// Farthest and longest of one scenario.
const FARTHEST_M: f64 = 1_000_000.0;
const LONGEST_S: f64 = 86_400.0;

/// One scripted order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScriptedOrder {
    /// When it is given.
    pub when: When,
    /// What is ordered; the ends of keep-off ground are places on the ground here.
    pub order: Order,
    /// For how long the button of a bench request is held, s.
    pub hold_s: f64,
}

/// When an order is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// So many seconds after the start.
    Time(f64),
    /// When the boom reference point first reaches this place, m.
    Place(f64),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawOrder {
    event: Spanned<String>,
    at_s: Option<Number>,
    at_m: Option<Number>,
    mode: Option<Spanned<String>>,
    section: Option<u64>,
    nozzles: Option<[u64; 2]>,
    from_m: Option<Number>,
    to_m: Option<Number>,
    ok: Option<bool>,
    ask: Option<String>,
    on_ms: Option<Number>,
    off_ms: Option<Number>,
    times: Option<u8>,
    nozzle: Option<u16>,
    hold_s: Option<Number>,
}

/// Checks one `[[order]]`.
pub(crate) fn order(source: &Source<'_>, raw: &Spanned<RawOrder>) -> Result<ScriptedOrder> {
    let r = raw.get_ref();
    let refuse = |what: String, help: &str| Err(source.at(raw.span(), what, help));
    let event = r.event.get_ref().as_str();
    let us = |key: &str, number: &Option<Number>| {
        number
            .as_ref()
            .map(|n| source.within(key, n, 0.0, 60_000.0))
            .transpose()
            .map(|ms| ms.map(|ms| (ms * 1e3).round() as u32))
    };
    // What each event may hold, so that a key in the wrong place is not passed over.
    let given = [
        ("mode", r.mode.is_some()),
        ("section", r.section.is_some()),
        ("nozzles", r.nozzles.is_some()),
        ("from_m", r.from_m.is_some()),
        ("to_m", r.to_m.is_some()),
        ("ok", r.ok.is_some()),
        ("ask", r.ask.is_some()),
        ("on_ms", r.on_ms.is_some()),
        ("off_ms", r.off_ms.is_some()),
        ("times", r.times.is_some()),
        ("nozzle", r.nozzle.is_some()),
        ("hold_s", r.hold_s.is_some()),
    ];
    let takes: &[&str] = match event {
        "mode" => &["mode", "section"],
        "keep_off" => &["section", "nozzles", "from_m", "to_m"],
        "emergency_stop" | "acknowledge" => &[],
        "supply" => &["ok"],
        "bench" => &["ask", "on_ms", "off_ms", "times", "nozzle", "hold_s"],
        _ => {
            return Err(source.at(
                r.event.span(),
                format!("the order `{event}` is not known"),
                "known orders: mode, keep_off, emergency_stop, acknowledge, supply, bench",
            ));
        }
    };
    if let Some((key, _)) = given.iter().find(|(key, is)| *is && !takes.contains(key)) {
        return refuse(
            format!("the order `{event}` has no key `{key}`"),
            "remove it; see host-sim/formats/scenario.md",
        );
    }
    let order = match event {
        "mode" => {
            let Some(word) = &r.mode else {
                return refuse(
                    "the mode is missing".into(),
                    "add `mode`: spot, broadcast or off",
                );
            };
            let Some(mode) = orders::mode(word.get_ref()) else {
                return Err(source.at(
                    word.span(),
                    format!("the mode `{}` is not known", word.get_ref()),
                    "write spot, broadcast or off",
                ));
            };
            match orders::over(r.section, None) {
                Ok(controller_core::Over::Section(s)) => Order::Mode {
                    section: Some(s),
                    mode,
                },
                Ok(_) => Order::Mode {
                    section: None,
                    mode,
                },
                Err(what) => return refuse(what, "sections count from 0, from left to right"),
            }
        }
        "keep_off" => {
            let (Some(from), Some(to)) = (&r.from_m, &r.to_m) else {
                return refuse(
                    "keep-off ground needs both ends".into(),
                    "add from_m and to_m, in m from where the drive starts",
                );
            };
            let from_m = source.within("from_m", from, -100.0, FARTHEST_M)?;
            let to_m = source.within("to_m", to, -100.0, FARTHEST_M)?;
            if to_m <= from_m || to_m - from_m > 1000.0 {
                return refuse(
                    "keep-off ground must be 0 to 1000 m long".into(),
                    "give to_m beyond from_m",
                );
            }
            match orders::over(r.section, r.nozzles) {
                Ok(over) => Order::KeepOff { over, from_m, to_m },
                Err(what) => {
                    return refuse(what, "give section, or nozzles = [first, last], or neither");
                }
            }
        }
        "emergency_stop" => Order::EmergencyStop,
        "acknowledge" => Order::Acknowledge,
        "supply" => match r.ok {
            Some(ok) => Order::Supply { ok },
            None => return refuse("`ok` is missing".into(), "write ok = true or ok = false"),
        },
        _ => {
            let (on, off) = (us("on_ms", &r.on_ms)?, us("off_ms", &r.off_ms)?);
            let ask = r.ask.as_deref().unwrap_or_default();
            match orders::bench(ask, on, off, r.times, r.nozzle) {
                Ok(request) => Order::Bench(request),
                Err(what) => return refuse(what, "see host-sim/formats/scenario.md"),
            }
        }
    };
    let place = |n: &Number| {
        source
            .within("at_m", n, -100.0, FARTHEST_M)
            .map(When::Place)
    };
    let when = match (&r.at_s, &r.at_m, order) {
        (Some(time), None, _) => When::Time(source.within("at_s", time, 0.0, LONGEST_S)?),
        (None, Some(at), _) => place(at)?,
        (None, None, Order::KeepOff { from_m, .. }) => When::Place(from_m - TOLD_AHEAD_M),
        _ => {
            return refuse(
                "it must be said when the order is given".into(),
                "give either at_s or at_m",
            );
        }
    };
    let hold_s = source.within_or("hold_s", &r.hold_s, 0.0, 600.0, 0.0)?;
    Ok(ScriptedOrder {
        when,
        order,
        hold_s,
    })
}

impl ScriptedOrder {
    /// The order on the given drive, with its seconds and those of the holds that follow.
    /// Empty when the drive never comes to the place.
    pub(crate) fn given(&self, motion: &Motion) -> Vec<(f64, Order)> {
        let at = match self.when {
            When::Time(at) => at,
            When::Place(x) if x <= motion.position(0.0) => 0.0,
            When::Place(x) => match motion.time_at(x) {
                Some(at) => at,
                None => return Vec::new(),
            },
        };
        if at > motion.duration() {
            return Vec::new();
        }
        // To the stamp, as on file.
        let at = (at * 1e6).round() * 1e-6;
        let order = match self.order {
            Order::KeepOff { over, from_m, to_m } => {
                let here = motion.position(at);
                let um = |m: f64| (m * 1e6).round() / 1e3 * 1e-3;
                Order::KeepOff {
                    over,
                    from_m: um(from_m - here),
                    to_m: um(to_m - here),
                }
            }
            order => order,
        };
        let holds = (self.hold_s / HOLD_EVERY_S).floor() as u32;
        let held = (1..=holds)
            .map(|k| at + f64::from(k) * HOLD_EVERY_S)
            .filter(|t| *t <= motion.duration());
        std::iter::once((at, order))
            .chain(held.map(|t| (t, Order::Bench(BenchRequest::Hold))))
            .collect()
    }
}
