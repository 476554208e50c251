//! The lines of a recording as text: a header, and an event each, with every number checked.

use serde::{Deserialize, Serialize};

use super::{Direction, Event, HIGHEST_KPA, Image, Input, LATEST_US, SeenPlant, VERSION};
use crate::error::{Error, Result};
use crate::orders;

/// Largest yaw rate in a recording, mdeg/s.
const FASTEST_YAW: i64 = 1_000_000;
/// Most wheels of a machine.
const MOST_WHEELS: u64 = 8;
/// Largest distance or size in an image, mm.
const LARGEST_MM: f64 = 100_000.0;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Header {
    pub recording_format: u64,
    pub name: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub events: Option<u64>,
}

#[derive(Deserialize)]
struct AnyVersion {
    recording_format: Option<serde_json::Value>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    event: Kind,
    t_us: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wheel: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rate_mdeg_s: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    kpa: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    direction: Option<Direction>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    detector: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    captured_us: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    seen_mm: Option<[f64; 2]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    plants: Option<Vec<LinePlant>>,
}

#[derive(Serialize, Deserialize, Clone, Copy, PartialEq)]
#[serde(rename_all = "lowercase")]
enum Kind {
    Pulse,
    Yaw,
    Pressure,
    Direction,
    Image,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LinePlant {
    x_mm: f64,
    y_mm: f64,
    length_mm: f64,
    width_mm: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    id: Option<u16>,
}

/// An event as its line.
pub(super) fn of(event: &Event) -> serde_json::Result<String> {
    let plain = Line::pulse(event.t_us);
    let line = match &event.input {
        Input::Pulse => plain,
        Input::WheelPulse(wheel) => Line {
            wheel: Some(u64::from(*wheel)),
            ..plain
        },
        Input::Yaw(rate) => Line {
            event: Kind::Yaw,
            rate_mdeg_s: Some(i64::from(*rate)),
            ..plain
        },
        Input::Pressure(kpa) => Line {
            event: Kind::Pressure,
            kpa: Some(i64::from(*kpa)),
            ..plain
        },
        Input::Direction(to) => Line {
            event: Kind::Direction,
            direction: Some(*to),
            ..plain
        },
        Input::Image(image) => Line::image(event.t_us, image),
        Input::Order(order) => {
            return serde_json::to_string(&orders::Line::of(event.t_us, order));
        }
    };
    serde_json::to_string(&line)
}

/// The first line.
pub(super) fn header(file: &str, text: &str) -> Result<Header> {
    let help = "the first line must be like {\"recording_format\":1,\"name\":\"...\"}; see host-sim/formats/recording.md";
    let any: AnyVersion = serde_json::from_str(text).map_err(|e| {
        Error::line(
            file,
            1,
            Some(e.column()),
            format!("this is no header: {}", reason(&e)),
            help,
        )
    })?;
    match any.recording_format {
        None => Err(Error::line(
            file,
            1,
            None,
            "the header does not name `recording_format`",
            help,
        )),
        Some(version) if !version.as_u64().is_some_and(|v| (1..=VERSION).contains(&v)) => {
            Err(Error::line(
                file,
                1,
                None,
                format!("version {version} of the recording format is not known"),
                "this program reads versions 1 to 3: convert the recording or use a newer program",
            ))
        }
        Some(_) => serde_json::from_str(text).map_err(|e| {
            Error::line(
                file,
                1,
                Some(e.column()),
                format!("bad header: {}", reason(&e)),
                help,
            )
        }),
    }
}

/// Any other line.
pub(super) fn event(file: &str, number: usize, text: &str) -> Result<Event> {
    let complain = |column: Option<usize>, message: String, remedy: &str| {
        Err(Error::line(file, number, column, message, remedy))
    };
    let line: Line = match serde_json::from_str(text) {
        Ok(line) => line,
        Err(e) => {
            if let Some(order) = order(text) {
                return order.or_else(|what| {
                    complain(
                        None,
                        what,
                        "see the orders in host-sim/formats/recording.md",
                    )
                });
            }
            return complain(
                Some(e.column()),
                format!("this is no event: {}", reason(&e)),
                "an event is one JSON object a line with finite numbers; see host-sim/formats/recording.md",
            );
        }
    };
    let t_us = line.t_us;
    if t_us > LATEST_US {
        return complain(
            None,
            format!("t_us is {t_us}, which is beyond {LATEST_US}"),
            "stamps are microseconds since the controller's start",
        );
    }
    let extra = line.detector.is_some()
        || line.captured_us.is_some()
        || line.seen_mm.is_some()
        || line.plants.is_some();
    if line.event == Kind::Yaw {
        let alone = !extra && line.direction.is_none() && line.wheel.is_none();
        return match line.rate_mdeg_s {
            Some(rate) if alone && rate.abs() <= FASTEST_YAW => Ok(Event {
                t_us,
                input: Input::Yaw(rate as i32),
            }),
            Some(rate) if alone => complain(
                None,
                format!("the yaw rate {rate} mdeg/s is beyond {FASTEST_YAW} either way"),
                "rate_mdeg_s are thousandths of a degree a second, positive to the right",
            ),
            _ => complain(
                None,
                "a yaw event has other keys than t_us and rate_mdeg_s".into(),
                "write it as {\"event\":\"yaw\",\"t_us\":0,\"rate_mdeg_s\":-1500}",
            ),
        };
    }
    if line.rate_mdeg_s.is_some() {
        return complain(
            None,
            "a rate_mdeg_s stands on a line that is no yaw event".into(),
            "remove that key; a yaw rate is an event of its own",
        );
    }
    if line.event == Kind::Pressure {
        let alone = !extra && line.direction.is_none() && line.wheel.is_none();
        return match line.kpa {
            Some(kpa) if alone && (0..=HIGHEST_KPA).contains(&kpa) => Ok(Event {
                t_us,
                input: Input::Pressure(kpa as u16),
            }),
            Some(kpa) if alone => complain(
                None,
                format!("the pressure {kpa} kPa is outside 0 to {HIGHEST_KPA}"),
                "kpa is the pressure at the nozzles in whole kilopascals, 0 where the sensor tells none",
            ),
            _ => complain(
                None,
                "a pressure event has other keys than t_us and kpa".into(),
                "write it as {\"event\":\"pressure\",\"t_us\":0,\"kpa\":300}",
            ),
        };
    }
    if line.kpa.is_some() {
        return complain(
            None,
            "a kpa stands on a line that is no pressure event".into(),
            "remove that key; a pressure is an event of its own",
        );
    }
    if line.wheel.is_some() && line.event != Kind::Pulse {
        return complain(
            None,
            "a wheel is named by an event that is no pulse".into(),
            "remove that key",
        );
    }
    if line.event == Kind::Pulse {
        if extra {
            return complain(
                None,
                "a pulse has more than t_us".into(),
                "remove the other keys of this pulse",
            );
        }
        if line.direction.is_some() {
            return complain(
                None,
                "a pulse has more than t_us".into(),
                "remove the other keys of this pulse; a turn is an event of its own",
            );
        }
        return match line.wheel {
            None | Some(0) => Ok(Event {
                t_us,
                input: Input::Pulse,
            }),
            Some(wheel) if wheel < MOST_WHEELS => Ok(Event {
                t_us,
                input: Input::WheelPulse(wheel as u8),
            }),
            Some(wheel) => complain(
                None,
                format!("wheel {wheel} cannot exist"),
                "wheels are counted from 0, at most 8 of them",
            ),
        };
    }
    if line.event == Kind::Direction {
        return match line.direction {
            Some(direction) if !extra => Ok(Event {
                t_us,
                input: Input::Direction(direction),
            }),
            _ => complain(
                None,
                "a direction event has other keys than t_us and direction".into(),
                "write it as {\"event\":\"direction\",\"t_us\":0,\"direction\":\"reverse\"}",
            ),
        };
    }
    if line.direction.is_some() {
        return complain(
            None,
            "an image has a direction".into(),
            "remove that key; a turn is an event of its own",
        );
    }
    let (Some(detector), Some(captured_us), Some(seen_mm), Some(plants)) =
        (line.detector, line.captured_us, line.seen_mm, line.plants)
    else {
        return complain(
            None,
            "an image lacks one of detector, captured_us, seen_mm, plants".into(),
            "add it; an image without plants has `\"plants\":[]`",
        );
    };
    if captured_us > t_us {
        return complain(
            None,
            format!("the image arrives at {t_us} but is captured at {captured_us}"),
            "captured_us must be at or before t_us: bring both to the controller's clock",
        );
    }
    let numbers = seen_mm.iter().chain(
        plants
            .iter()
            .flat_map(|p| [&p.x_mm, &p.y_mm, &p.length_mm, &p.width_mm]),
    );
    if let Some(wrong) = numbers
        .into_iter()
        .find(|n| !(n.is_finite() && n.abs() <= LARGEST_MM))
    {
        return complain(
            None,
            format!("{wrong} is no length within {LARGEST_MM} mm"),
            "lengths are millimetres from the detector's mount",
        );
    }
    if seen_mm[1] < seen_mm[0] {
        return complain(
            None,
            "the far end of seen_mm lies before its near end".into(),
            "write seen_mm as [near, far], measured forward from the mount",
        );
    }
    if plants.iter().any(|p| p.length_mm < 0.0 || p.width_mm < 0.0) {
        return complain(
            None,
            "a plant has a negative size".into(),
            "length_mm and width_mm are 0 or more",
        );
    }
    match u8::try_from(detector) {
        Err(_) => complain(
            None,
            format!("detector {detector} cannot exist"),
            "detectors are counted from 0 in the order of the machine file",
        ),
        Ok(detector) => Ok(Event {
            t_us,
            input: Input::Image(Image {
                detector,
                captured_us,
                seen: (seen_mm[0] * 1e-3, seen_mm[1] * 1e-3),
                plants: plants.iter().map(SeenPlant::from).collect(),
            }),
        }),
    }
}

#[derive(Deserialize)]
struct AnyEvent {
    event: String,
}

/// The order that a line gives, or what is wrong with it; `None` if the line is no order.
fn order(text: &str) -> Option<std::result::Result<Event, String>> {
    let any: AnyEvent = serde_json::from_str(text).ok()?;
    if !orders::EVENTS.contains(&any.event.as_str()) {
        return None;
    }
    let order = serde_json::from_str::<orders::Line>(text)
        .map_err(|e| format!("this is no {}: {}", any.event, reason(&e)))
        .and_then(|line| line.order());
    Some(order.and_then(|(t_us, order)| {
        if t_us > LATEST_US {
            return Err(format!("t_us is {t_us}, which is beyond {LATEST_US}"));
        }
        Ok(Event {
            t_us,
            input: Input::Order(order),
        })
    }))
}

/// The reader's reason without its own line and column, which count from this line only.
fn reason(error: &serde_json::Error) -> String {
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or(&text).to_owned()
}

/// Metres as millimetres with three decimals: 1 µm is finer than any detector.
fn mm(metres: f64) -> f64 {
    (metres * 1e6).round() / 1e3
}

impl From<&LinePlant> for SeenPlant {
    fn from(p: &LinePlant) -> SeenPlant {
        SeenPlant {
            x_m: p.x_mm * 1e-3,
            y_m: p.y_mm * 1e-3,
            length_m: p.length_mm * 1e-3,
            width_m: p.width_mm * 1e-3,
            id: p.id,
        }
    }
}

impl Line {
    fn pulse(t_us: u64) -> Line {
        Line {
            event: Kind::Pulse,
            t_us,
            wheel: None,
            rate_mdeg_s: None,
            kpa: None,
            direction: None,
            detector: None,
            captured_us: None,
            seen_mm: None,
            plants: None,
        }
    }

    fn image(t_us: u64, image: &Image) -> Line {
        Line {
            event: Kind::Image,
            detector: Some(image.detector.into()),
            captured_us: Some(image.captured_us),
            seen_mm: Some([mm(image.seen.0), mm(image.seen.1)]),
            plants: Some(
                image
                    .plants
                    .iter()
                    .map(|p| LinePlant {
                        x_mm: mm(p.x_m),
                        y_mm: mm(p.y_m),
                        length_mm: mm(p.length_m),
                        width_mm: mm(p.width_m),
                        id: p.id,
                    })
                    .collect(),
            ),
            ..Line::pulse(t_us)
        }
    }
}
