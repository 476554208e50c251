//! What the operator orders beside driving: modes, keep-off ground, stops, the bench state.
//!
//! Orders are events of a recording; `formats/recording.md` is the reference of their keys.
//! Lengths on file are millimetres and in memory metres; nozzles and sections count from 0.

use controller_core::{BenchRequest, Mode, Over, Span};
use serde::{Deserialize, Serialize};

/// Most sections that a machine file may list.
pub const MOST_SECTIONS: usize = 64;
/// Farthest that an end of keep-off ground may lie from the boom, mm.
const FARTHEST_MM: f64 = 2_000_000.0;

/// One order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Order {
    /// Sets the mode of a section, or of all.
    Mode {
        /// Which; `None` for all.
        section: Option<u8>,
        /// To what.
        mode: Mode,
    },
    /// The wires of all section switches, a bit a section.
    Switches {
        /// Closed wires of spot.
        spot: u64,
        /// Closed wires of broadcast.
        broadcast: u64,
    },
    /// Keeps ground dry, m ahead of the boom reference point at the order's stamp.
    KeepOff {
        /// For which nozzles.
        over: Over,
        /// Near end.
        from_m: f64,
        /// Far end.
        to_m: f64,
    },
    /// Closes everything until acknowledged.
    EmergencyStop,
    /// Releases what is latched; at standstill only.
    Acknowledge,
    /// The supply is sound, or low.
    Supply {
        /// Sound.
        ok: bool,
    },
    /// A request of the bench state.
    Bench(BenchRequest),
}

#[derive(Serialize, Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum ModeWord {
    Spot,
    Broadcast,
    Off,
}

#[derive(Serialize, Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum Ask {
    Prime,
    Flush,
    Rinse,
    Click,
    Hold,
    Release,
}

/// An order as a line of a recording.
#[derive(Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case", deny_unknown_fields)]
pub(crate) enum Line {
    Mode {
        t_us: u64,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        section: Option<u64>,
        mode: ModeWordLine,
    },
    Switches {
        t_us: u64,
        spot: Vec<u64>,
        broadcast: Vec<u64>,
    },
    KeepOff {
        t_us: u64,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        section: Option<u64>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        nozzles: Option<[u64; 2]>,
        from_mm: f64,
        to_mm: f64,
    },
    EmergencyStop {
        t_us: u64,
    },
    Acknowledge {
        t_us: u64,
    },
    Supply {
        t_us: u64,
        ok: bool,
    },
    Bench {
        t_us: u64,
        ask: AskLine,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        on_us: Option<u32>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        off_us: Option<u32>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        times: Option<u8>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        nozzle: Option<u16>,
    },
}

/// Hides the word's type from the rest of the program.
#[derive(Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct ModeWordLine(ModeWord);

/// The same for what is asked of the bench state.
#[derive(Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct AskLine(Ask);

/// The names of the events that are orders.
pub(crate) const EVENTS: [&str; 7] = [
    "mode",
    "switches",
    "keep_off",
    "emergency_stop",
    "acknowledge",
    "supply",
    "bench",
];

/// The mode that a word names.
pub(crate) fn mode(word: &str) -> Option<Mode> {
    Some(match word {
        "spot" => Mode::Spot,
        "broadcast" => Mode::Broadcast,
        "off" => Mode::Off,
        _ => return None,
    })
}

/// For which nozzles an order is: all, those of a section, or the first and last given.
pub(crate) fn over(section: Option<u64>, nozzles: Option<[u64; 2]>) -> Result<Over, String> {
    match (section, nozzles) {
        (None, None) => Ok(Over::Boom),
        (Some(section), None) => section_index(section).map(Over::Section),
        (None, Some([first, last])) => {
            let most = crate::machine::MOST_NOZZLES as u64;
            if first > last || last >= most {
                return Err(format!(
                    "nozzles {first} to {last} are no run of nozzles from 0 to {}",
                    most - 1
                ));
            }
            Ok(Over::Nozzles {
                first: first as u16,
                count: (last - first + 1) as u16,
            })
        }
        (Some(_), Some(_)) => Err("both section and nozzles are given".into()),
    }
}

fn section_index(section: u64) -> Result<u8, String> {
    if section < MOST_SECTIONS as u64 {
        Ok(section as u8)
    } else {
        Err(format!(
            "section {section} cannot exist: they count from 0 to {}",
            MOST_SECTIONS - 1
        ))
    }
}

/// What a bench request's words mean, or what is wrong with them.
pub(crate) fn bench(
    ask: &str,
    on: Option<u32>,
    off: Option<u32>,
    times: Option<u8>,
    nozzle: Option<u16>,
) -> Result<BenchRequest, String> {
    let (request, wanted) = match (ask, on, off, times, nozzle) {
        ("prime", Some(on), None, None, None) => (Some(BenchRequest::Prime { on: Span(on) }), ""),
        ("prime", ..) => (None, "an on-time and nothing else"),
        ("flush", Some(on), None, None, None) => (Some(BenchRequest::Flush { on: Span(on) }), ""),
        ("flush", ..) => (None, "an on-time and nothing else"),
        ("rinse", Some(on), Some(off), Some(times), None) => (
            Some(BenchRequest::Rinse {
                on: Span(on),
                off: Span(off),
                times,
            }),
            "",
        ),
        ("rinse", ..) => (None, "an on-time, an off-time and times"),
        ("click", Some(on), None, None, Some(nozzle)) => (
            Some(BenchRequest::Click {
                nozzle,
                on: Span(on),
            }),
            "",
        ),
        ("click", ..) => (None, "an on-time and a nozzle"),
        ("hold", None, None, None, None) => (Some(BenchRequest::Hold), ""),
        ("release", None, None, None, None) => (Some(BenchRequest::Release), ""),
        ("hold" | "release", ..) => (None, "nothing else"),
        _ => {
            return Err(format!(
                "`{ask}` is none of prime, flush, rinse, click, hold, release"
            ));
        }
    };
    request.ok_or_else(|| format!("{ask} needs {wanted}"))
}

impl Line {
    /// The order and its stamp, or what is wrong.
    pub(crate) fn order(&self) -> Result<(u64, Order), String> {
        Ok(match self {
            Line::Mode {
                t_us,
                section,
                mode,
            } => (
                *t_us,
                Order::Mode {
                    section: section.map(section_index).transpose()?,
                    mode: match mode.0 {
                        ModeWord::Spot => Mode::Spot,
                        ModeWord::Broadcast => Mode::Broadcast,
                        ModeWord::Off => Mode::Off,
                    },
                },
            ),
            Line::Switches {
                t_us,
                spot,
                broadcast,
            } => {
                let bits = |list: &[u64]| {
                    list.iter().try_fold(0u64, |bits, &section| {
                        section_index(section).map(|s| bits | 1 << s)
                    })
                };
                let (spot, broadcast) = (bits(spot)?, bits(broadcast)?);
                (*t_us, Order::Switches { spot, broadcast })
            }
            Line::KeepOff {
                t_us,
                section,
                nozzles,
                from_mm,
                to_mm,
            } => {
                for end in [from_mm, to_mm] {
                    if !(end.is_finite() && end.abs() <= FARTHEST_MM) {
                        return Err(format!("{end} mm is more than 2 km from the boom"));
                    }
                }
                if to_mm <= from_mm {
                    return Err("to_mm must lie beyond from_mm".into());
                }
                let order = Order::KeepOff {
                    over: over(*section, *nozzles)?,
                    from_m: from_mm * 1e-3,
                    to_m: to_mm * 1e-3,
                };
                (*t_us, order)
            }
            Line::EmergencyStop { t_us } => (*t_us, Order::EmergencyStop),
            Line::Acknowledge { t_us } => (*t_us, Order::Acknowledge),
            Line::Supply { t_us, ok } => (*t_us, Order::Supply { ok: *ok }),
            Line::Bench {
                t_us,
                ask,
                on_us,
                off_us,
                times,
                nozzle,
            } => {
                let word = match ask.0 {
                    Ask::Prime => "prime",
                    Ask::Flush => "flush",
                    Ask::Rinse => "rinse",
                    Ask::Click => "click",
                    Ask::Hold => "hold",
                    Ask::Release => "release",
                };
                let request = bench(word, *on_us, *off_us, *times, *nozzle)?;
                (*t_us, Order::Bench(request))
            }
        })
    }

    /// The line of an order.
    pub(crate) fn of(t_us: u64, order: &Order) -> Line {
        let bits = |bits: u64| (0..64).filter(|s| bits >> s & 1 == 1).collect();
        match *order {
            Order::Mode { section, mode } => Line::Mode {
                t_us,
                section: section.map(u64::from),
                mode: ModeWordLine(match mode {
                    Mode::Spot => ModeWord::Spot,
                    Mode::Broadcast => ModeWord::Broadcast,
                    Mode::Off => ModeWord::Off,
                }),
            },
            Order::Switches { spot, broadcast } => Line::Switches {
                t_us,
                spot: bits(spot),
                broadcast: bits(broadcast),
            },
            Order::KeepOff { over, from_m, to_m } => {
                let (section, nozzles) = match over {
                    Over::Boom => (None, None),
                    Over::Section(s) => (Some(u64::from(s)), None),
                    Over::Nozzles { first, count } => {
                        let first = u64::from(first);
                        let last = first + u64::from(count).saturating_sub(1);
                        (None, Some([first, last]))
                    }
                };
                let mm = |m: f64| (m * 1e6).round() / 1e3;
                Line::KeepOff {
                    t_us,
                    section,
                    nozzles,
                    from_mm: mm(from_m),
                    to_mm: mm(to_m),
                }
            }
            Order::EmergencyStop => Line::EmergencyStop { t_us },
            Order::Acknowledge => Line::Acknowledge { t_us },
            Order::Supply { ok } => Line::Supply { t_us, ok },
            Order::Bench(request) => {
                let (ask, on, off, times, nozzle) = match request {
                    BenchRequest::Prime { on } => (Ask::Prime, Some(on), None, None, None),
                    BenchRequest::Flush { on } => (Ask::Flush, Some(on), None, None, None),
                    BenchRequest::Rinse { on, off, times } => {
                        (Ask::Rinse, Some(on), Some(off), Some(times), None)
                    }
                    BenchRequest::Click { nozzle, on } => {
                        (Ask::Click, Some(on), None, None, Some(nozzle))
                    }
                    BenchRequest::Hold => (Ask::Hold, None, None, None, None),
                    BenchRequest::Release => (Ask::Release, None, None, None, None),
                };
                Line::Bench {
                    t_us,
                    ask: AskLine(ask),
                    on_us: on.map(|s| s.0),
                    off_us: off.map(|s| s.0),
                    times,
                    nozzle,
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_order_survives_its_line() {
        let on = Span(60_000);
        for order in [
            Order::Mode {
                section: Some(3),
                mode: Mode::Broadcast,
            },
            Order::Mode {
                section: None,
                mode: Mode::Off,
            },
            Order::Switches {
                spot: 0b101,
                broadcast: 1 << 63,
            },
            Order::KeepOff {
                over: Over::Boom,
                from_m: 1.25,
                to_m: 3.5,
            },
            Order::KeepOff {
                over: Over::Section(2),
                from_m: -1.0,
                to_m: 3.5,
            },
            Order::KeepOff {
                over: Over::Nozzles { first: 3, count: 2 },
                from_m: 0.0,
                to_m: 1.0,
            },
            Order::EmergencyStop,
            Order::Acknowledge,
            Order::Supply { ok: false },
            Order::Bench(BenchRequest::Prime { on }),
            Order::Bench(BenchRequest::Flush { on }),
            Order::Bench(BenchRequest::Rinse {
                on,
                off: Span(7),
                times: 3,
            }),
            Order::Bench(BenchRequest::Click { nozzle: 9, on }),
            Order::Bench(BenchRequest::Hold),
            Order::Bench(BenchRequest::Release),
        ] {
            let text = serde_json::to_string(&Line::of(77, &order)).expect("plain data");
            let back: Line = serde_json::from_str(&text).expect("its own line");
            assert_eq!(back.order(), Ok((77, order)), "{text}");
            assert!(
                EVENTS
                    .iter()
                    .any(|e| text.contains(&format!("\"event\":\"{e}\"")))
            );
        }
    }
}
