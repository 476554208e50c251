//! Whether the serial link carries what the machine sees.
//!
//! Bytes are counted by writing messages of this machine's own size with the link's code, so
//! they can't drift from it. Ten bits a byte: start and stop bit. Both ways are worked out on
//! their own, as on a line that sends and receives at once.

use controller_core::MAX_PLANTS_PER_IMAGE;
use controller_core::link::image::{self, PlainPlant};
use controller_core::link::{
    Captured, CommandEntry, Commands, FromBoard, ImageHead, MAX_FRAME, MAX_ON_LINE, Motion,
    PlantKind, SeenPlant, ToBoard, seal,
};

use super::{Figure, Warning, Wish, sums};
use crate::machine::{Link, Machine};

/// Regular messages a second each way: pings and pongs, and news of speed and state.
const EXCHANGES_HZ: f64 = 10.0;
/// More than this share of a line leaves no room for a bad moment.
const FULL: f64 = 0.8;
/// Rates that serial ports offer, common practice, no source.
const RATES: [u32; 8] = [
    57_600, 115_200, 230_400, 460_800, 921_600, 1_500_000, 2_000_000, 3_000_000,
];
/// A plant of this size is reckoned with, mm.
const PLANT_MM: u16 = 150;

/// The budget of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    link: Link,
    /// Plants that pass below the boom, and reports of them, a second.
    plants_s: f64,
    reports_s: f64,
    reports_each: f64,
    /// Image messages a second, all detectors together.
    images_s: f64,
    plant_bytes: f64,
    head_bytes: f64,
    to_board: f64,
    from_board: f64,
    command_bytes: f64,
    width_m: f64,
    speed_m_s: f64,
}

/// Bytes on the line of a body.
fn framed(body: Option<&[u8]>) -> f64 {
    let mut line = [0; MAX_ON_LINE];
    let sealed = body.and_then(|body| seal(0, body, &mut line).ok());
    sealed.map_or(0.0, |frame| frame.len() as f64)
}

/// Bytes on the line of an image with so many plants, the farthest that the machine sees.
fn image_bytes(machine: &Machine, plants: usize) -> f64 {
    let mm = |m: f64| (m * 1e3).round() as i16;
    let far = machine.detectors.iter().map(|d| d.view_far_m);
    let side = machine
        .detectors
        .iter()
        .map(|d| d.view_left_m.max(d.view_right_m));
    let plant = SeenPlant {
        plain: PlainPlant {
            x_mm: mm(far.clone().fold(0.0, f64::max)),
            y_mm: mm(side.fold(0.0, f64::max)),
            length_mm: PLANT_MM,
            width_mm: PLANT_MM,
        },
        ..SeenPlant::default()
    };
    let head = ImageHead {
        detector: 0,
        number: u16::MAX,
        captured: Captured::At {
            // A day of work.
            board_us: 86_400_000_000,
            error_us: 5000,
        },
        from_mm: 0,
        to_mm: plant.plain.x_mm,
        kind: PlantKind::Plain,
        plants: 0,
    };
    let mut body = [0; MAX_FRAME];
    framed(image::write(&head, &vec![plant; plants], &mut body))
}

impl Budget {
    /// The budget, for a machine file with `[link]`.
    pub fn of(machine: &Machine, wish: &Wish) -> Option<Budget> {
        let link = machine.link?;
        let speed_m_s = machine.wheel.max_speed_m_s;
        let (left, right) = machine.lanes();
        let width_m = right - left;
        let plants_s = link.plants_per_m2 * width_m * speed_m_s;
        let view = sums::shortest_view(machine);
        let frame_rate = wish.frame_rate_hz.unwrap_or(speed_m_s / view);
        let seen = sums::overlap_rate(view, frame_rate, speed_m_s).max(1.0);
        let reports_each = link.reports_per_plant.unwrap_or(seen);
        let reports_s = plants_s * reports_each;
        // An image with more plants than a message holds is sent as several.
        let full = reports_s / MAX_PLANTS_PER_IMAGE as f64;
        let images_s = full.max(frame_rate * machine.detectors.len() as f64);
        let head_bytes = image_bytes(machine, 0);
        let many = 32;
        let plant_bytes = (image_bytes(machine, many) - head_bytes) / many as f64;
        let mut body = [0; MAX_FRAME];
        let us = 86_400_000_000;
        let ping = framed(ToBoard::Ping { sent_us: us }.write(&mut body));
        let pong = framed(
            FromBoard::Pong {
                sent_us: us,
                received_us: us,
                replied_us: us,
            }
            .write(&mut body),
        );
        let motion = framed(
            FromBoard::Motion(Motion {
                at_us: us,
                speed_mm_s: 8000,
                distance_mm: 1_000_000_000,
                guard: 3,
                open: 192,
                faults: u32::MAX,
            })
            .write(&mut body),
        );
        let mut commands = Commands {
            base_us: us,
            ..Commands::default()
        };
        while commands
            .entries
            .push(CommandEntry {
                what: machine.nozzles.len() as u16 * 2,
                after_us: 10_000,
                late_us: 100,
            })
            .is_ok()
        {}
        let a_batch = commands.entries.len() as f64;
        let command_bytes = framed(FromBoard::Commands(commands).write(&mut body)) / a_batch;
        Some(Budget {
            link,
            plants_s,
            reports_s,
            reports_each,
            images_s,
            plant_bytes,
            head_bytes,
            to_board: reports_s * plant_bytes + images_s * head_bytes + EXCHANGES_HZ * ping,
            // Each plant opens and closes one nozzle at least.
            from_board: plants_s * 2.0 * command_bytes + EXCHANGES_HZ * (pong + motion),
            command_bytes,
            width_m,
            speed_m_s,
        })
    }

    fn line_bytes(&self) -> f64 {
        f64::from(self.link.baud) / 10.0
    }

    /// Share of the line that is used, to the board and from it.
    pub fn shares(&self) -> (f64, f64) {
        (
            self.to_board / self.line_bytes(),
            self.from_board / self.line_bytes(),
        )
    }

    /// The figures, with their sums.
    pub fn figures(&self) -> Vec<Figure> {
        let line = self.line_bytes();
        let (to, from) = self.shares();
        let percent = |key, what, value: f64, sum| Figure {
            key,
            what,
            value: value * 100.0,
            unit: "%",
            sum,
        };
        let an_image = self.head_bytes + self.reports_s / self.images_s * self.plant_bytes;
        vec![
            Figure {
                key: "link_reports_s",
                what: "reports of plants a second at the machine's fastest",
                value: self.reports_s,
                unit: "1/s",
                sum: vec![format!(
                    "{:.2} plants/m2 x {:.2} m x {:.2} m/s = {:.0} plants/s, each reported {:.1} times",
                    self.link.plants_per_m2,
                    self.width_m,
                    self.speed_m_s,
                    self.plants_s,
                    self.reports_each
                )],
            },
            percent(
                "link_to_board_percent",
                "of the link to the board used",
                to,
                vec![
                    format!(
                        "{:.0} reports/s x {:.1} bytes + {:.1} images/s x {:.0} bytes + pings = {:.0} bytes/s",
                        self.reports_s,
                        self.plant_bytes,
                        self.images_s,
                        self.head_bytes,
                        self.to_board
                    ),
                    format!("{} baud / 10 bits = {line:.0} bytes/s", self.link.baud),
                ],
            ),
            percent(
                "link_from_board_percent",
                "of the link from the board used, with commands reported",
                from,
                vec![format!(
                    "{:.0} plants/s x 2 commands x {:.1} bytes + pongs and news = {:.0} bytes/s; reports of commands that find no room are left out whole and counted",
                    self.plants_s, self.command_bytes, self.from_board
                )],
            ),
            Figure {
                key: "link_image_ms",
                what: "an image's time on the line",
                value: an_image / line * 1e3,
                unit: "ms",
                sum: vec![format!(
                    "{an_image:.0} bytes / {line:.0} bytes/s; part of the detection's age"
                )],
            },
        ]
    }

    /// What is doubtful.
    pub fn warnings(&self) -> Vec<Warning> {
        let mut list = Vec::new();
        let (to, from) = self.shares();
        let rate = |bytes: f64| {
            let bits = bytes * 10.0 / FULL;
            RATES.iter().find(|&&rate| f64::from(rate) >= bits)
        };
        let faster = |bytes: f64| match rate(bytes) {
            Some(rate) => format!("raise baud to {rate}"),
            None => "no usual serial rate suffices".into(),
        };
        if to > FULL {
            list.push(Warning {
                what: format!(
                    "the link to the board {}: {:.0} reports of plants a second take {:.0} % of {} baud",
                    if to > 1.0 { "does not fit" } else { "is nearly full" },
                    self.reports_s,
                    to * 100.0,
                    self.link.baud
                ),
                reason: match to > 1.0 {
                    true => "images queue up until they are too old and are refused: plants are missed".into(),
                    false => "a burst of plants comes late".to_string(),
                },
                remedy: format!(
                    "{}, or go over USB or CAN FD; or send less: merge plants that one nozzle serves, report each plant once (reports_per_plant = 1), lower the frame rate, or send stretches a nozzle instead of plants",
                    faster(self.to_board)
                ),
            });
        }
        if from > FULL {
            list.push(Warning {
                what: format!(
                    "reports of all commands take {:.0} % of the link from the board",
                    from * 100.0
                ),
                reason: "some are left out, whole and counted; spraying does not depend on them"
                    .into(),
                remedy: format!("{}, or do without them", faster(self.from_board)),
            });
        }
        list
    }
}
