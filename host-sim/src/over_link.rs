//! A recording's events as messages of the serial link.
//!
//! The link carries whole millimetres: [`whole_millimetres`] rounds a recording to them, so
//! that a core in this process and one behind the link get the same numbers. A board that is
//! told the time gets *until* before everything that has no stamp of its own.

use controller_core::Over;
use controller_core::link::image::PlainPlant;
use controller_core::link::{Bench, Captured, ImageHead, PlantKind, SeenPlant, ToBoard};

use crate::core_setup;
use crate::machine::{Machine, YawSource};
use crate::orders::Order;
use crate::recording::{Direction, Event, Image, Input, Recording};

/// Farthest that one message moves a board's time on, µs; half of what the boards here take.
const LONGEST_STEP_US: u64 = 30_000_000;
/// Most plants in an image: the core refuses more, and so does the link.
const MOST_PLANTS: usize = controller_core::MAX_PLANTS_PER_IMAGE;
/// The token of every bench run of a recording: it holds one at a time.
const TOKEN: u16 = 1;

/// A message ready to be sent.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    /// One without plants.
    Plain(ToBoard<'static>),
    /// An image with its plants.
    Image(ImageHead, Vec<SeenPlant>),
}

/// Why an event can't go over the link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotSent {
    /// More plants than an image may hold; the core refuses it too.
    TooManyPlants,
    /// A place or size beyond what the link carries: 32 m from the mount, 65 m large.
    TooFar,
}

/// Rounds lengths to whole millimetres, which is what the link carries.
pub fn whole_millimetres(recording: &mut Recording) {
    let whole = |m: &mut f64| *m = (*m * 1e3).round() * 1e-3;
    for event in &mut recording.events {
        match &mut event.input {
            Input::Image(image) => {
                whole(&mut image.seen.0);
                whole(&mut image.seen.1);
                for p in &mut image.plants {
                    let all = [&mut p.x_m, &mut p.y_m, &mut p.length_m, &mut p.width_m];
                    all.into_iter().for_each(whole);
                }
            }
            Input::Order(Order::KeepOff { from_m, to_m, .. }) => {
                whole(from_m);
                whole(to_m);
            }
            Input::Order(_)
            | Input::Pulse
            | Input::Direction(_)
            | Input::WheelPulse(_)
            | Input::Yaw(_)
            | Input::Pressure(_) => {}
        }
    }
}

/// Turns events into messages, one after the other.
#[derive(Debug, Clone)]
pub struct OverLink {
    runs: Vec<(usize, usize)>,
    nozzles: u16,
    /// What the machine file names as its turning input.
    heading: Option<YawSource>,
    /// Latest instant said, µs.
    said_us: Option<u64>,
    /// Images so far, detector by detector.
    images: [u16; 256],
}

impl OverLink {
    /// Starts a recording of this machine.
    pub fn new(machine: &Machine) -> Self {
        Self {
            runs: machine.section_runs(),
            nozzles: machine.nozzles.len() as u16,
            heading: machine.turning.map(|turning| turning.heading),
            said_us: None,
            images: [0; 256],
        }
    }

    /// What an event comes to for a board that is told the time.
    pub fn told(&mut self, event: &Event) -> Result<Vec<Message>, NotSent> {
        let timeless = self.input(event.t_us, &event.input)?;
        let mut out = Vec::new();
        if timeless.is_empty() {
            return Ok(out);
        }
        self.steps(event.t_us, &mut out);
        if !event.input.is_pulse() {
            out.push(Message::Plain(ToBoard::Until { at_us: event.t_us }));
        }
        self.said_us = Some(event.t_us);
        out.extend(timeless);
        Ok(out)
    }

    /// Lets the time run on to an instant.
    pub fn until(&mut self, at_us: u64) -> Vec<Message> {
        let mut out = Vec::new();
        self.steps(at_us, &mut out);
        self.said_us = Some(at_us);
        out.push(Message::Plain(ToBoard::Until { at_us }));
        out
    }

    /// The steps that are needed lest one be too long.
    fn steps(&mut self, to_us: u64, out: &mut Vec<Message>) {
        let Some(mut said) = self.said_us else {
            return;
        };
        while to_us.saturating_sub(said) > LONGEST_STEP_US {
            said += LONGEST_STEP_US;
            out.push(Message::Plain(ToBoard::Until { at_us: said }));
        }
    }

    /// The event itself, as it is said to any board, or nothing where the machine has no use for it; `t_us` is the board's.
    pub fn input(&mut self, t_us: u64, input: &Input) -> Result<Vec<Message>, NotSent> {
        Ok(match input {
            Input::Pulse => plain(ToBoard::Pulse { at_us: t_us }),
            Input::Direction(direction) => plain(ToBoard::Direction {
                reverse: *direction == Direction::Reverse,
            }),
            Input::Image(image) => {
                let (head, plants) = self.image(image, 0)?;
                vec![Message::Image(head, plants)]
            }
            Input::Order(order) => self.order(t_us, order),
            Input::Pressure(kpa) => plain(ToBoard::Pressure { kpa: *kpa }),
            Input::WheelPulse(1) if matches!(self.heading, Some(YawSource::SecondWheel { .. })) => {
                plain(ToBoard::SecondPulse { at_us: t_us })
            }
            Input::Yaw(mdeg_s) if self.heading == Some(YawSource::Rate) => {
                plain(ToBoard::YawRate {
                    urad_s: core_setup::yaw(*mdeg_s),
                })
            }
            // As in a replay: what the machine file does not name is left alone.
            Input::WheelPulse(_) | Input::Yaw(_) => Vec::new(),
        })
    }

    /// An image with the bound of its stamp's error, µs.
    pub fn image(
        &mut self,
        image: &Image,
        error_us: u16,
    ) -> Result<(ImageHead, Vec<SeenPlant>), NotSent> {
        if image.plants.len() > MOST_PLANTS {
            return Err(NotSent::TooManyPlants);
        }
        let place = |m: f64| number::<i16>(m).ok_or(NotSent::TooFar);
        let size = |m: f64| number::<u16>(m).ok_or(NotSent::TooFar);
        let mut plants = Vec::new();
        for p in &image.plants {
            plants.push(SeenPlant {
                plain: PlainPlant {
                    x_mm: place(p.x_m)?,
                    y_mm: place(p.y_m)?,
                    length_mm: size(p.length_m)?,
                    width_mm: size(p.width_m)?,
                },
                id: p.id,
                row_us: 0,
            });
        }
        let (from_mm, to_mm) = (place(image.seen.0)?, place(image.seen.1)?);
        let count = &mut self.images[usize::from(image.detector)];
        let number = *count;
        *count = count.wrapping_add(1);
        let head = ImageHead {
            detector: image.detector,
            number,
            captured: Captured::At {
                board_us: image.captured_us,
                error_us,
            },
            from_mm,
            to_mm,
            kind: if plants.iter().any(|p| p.id.is_some()) {
                PlantKind::Full
            } else {
                PlantKind::Plain
            },
            plants: 0,
        };
        Ok((head, plants))
    }

    fn order(&self, at_us: u64, order: &Order) -> Vec<Message> {
        match *order {
            Order::Mode { section, mode } => {
                let all = section.map_or(0..self.runs.len() as u8, |s| s..s.saturating_add(1));
                let said = |section| {
                    Message::Plain(ToBoard::Mode {
                        section,
                        mode: mode.into(),
                    })
                };
                all.map(said).collect()
            }
            Order::Switches { spot, broadcast } => plain(ToBoard::Switches { spot, broadcast }),
            Order::KeepOff { over, from_m, to_m } => {
                let (first, count) = self.nozzles(over);
                plain(ToBoard::KeepOff {
                    first,
                    count,
                    at_us,
                    from_mm: (from_m * 1e3).round() as i32,
                    to_mm: (to_m * 1e3).round() as i32,
                })
            }
            Order::EmergencyStop => plain(ToBoard::EmergencyStop),
            Order::Acknowledge => plain(ToBoard::Acknowledge),
            Order::Supply { ok } => plain(ToBoard::Supply { ok }),
            Order::Bench(request) => plain(ToBoard::Bench {
                token: TOKEN,
                request: Bench::from(request),
            }),
        }
    }

    /// First nozzle and how many; none at all, which the board refuses, for a section that
    /// the machine lacks.
    fn nozzles(&self, over: Over) -> (u16, u16) {
        match over {
            Over::Boom => (0, self.nozzles),
            Over::Nozzles { first, count } => (first, count),
            Over::Section(section) => self
                .runs
                .get(usize::from(section))
                .map_or((0, 0), |&(first, end)| (first as u16, (end - first) as u16)),
        }
    }
}

fn plain(message: ToBoard<'static>) -> Vec<Message> {
    vec![Message::Plain(message)]
}

/// Metres as whole millimetres, where they fit.
fn number<T: TryFrom<i64>>(m: f64) -> Option<T> {
    T::try_from((m * 1e3).round() as i64).ok()
}
