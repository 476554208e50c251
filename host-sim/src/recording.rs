//! Recordings: what the controller was told, line by line, in the order of its clock.
//!
//! JSON Lines; the first line is a header with the format's version. `formats/recording.md` is
//! the reference. Lengths on file are millimetres, instants are integer microseconds of the
//! controller's clock; in memory lengths are metres. What a line holds is in `text`.

mod text;

use std::io::{BufRead, Write};

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::lines::Lines;
use crate::orders::Order;
use text::{Header, event, header};

/// The newest version that this program reads and writes. It writes the oldest that can hold
/// the recording.
pub const VERSION: u64 = 3;
/// Highest pressure in a recording, kPa.
pub const HIGHEST_KPA: i64 = 5000;
/// Latest instant that a recording may hold, µs: over thirty years.
pub const LATEST_US: u64 = 1_000_000_000_000_000;

/// A whole recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recording {
    /// What it is called.
    pub name: String,
    /// Events in time order; equal stamps keep their order.
    pub events: Vec<Event>,
}

/// One input of the controller.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When the controller got it, µs.
    pub t_us: u64,
    /// What it got.
    pub input: Input,
}

/// What the controller got.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// One pulse of the wheel sensor.
    Pulse,
    /// One pulse of another wheel's sensor, from 1; version 2.
    WheelPulse(u8),
    /// How fast the machine turns, mdeg/s, positive to the right; version 2.
    Yaw(i32),
    /// The pressure at the nozzles, whole kPa; 0: the sensor tells none. Version 3.
    Pressure(u16),
    /// From here on the machine goes this way; forward at the start.
    Direction(Direction),
    /// One image of a detector.
    Image(Image),
    /// What the operator ordered.
    Order(Order),
}

impl Input {
    /// A pulse of any wheel.
    pub fn is_pulse(&self) -> bool {
        matches!(self, Self::Pulse | Self::WheelPulse(_))
    }
}

/// Which way the machine goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// Onward.
    Forward,
    /// Back.
    Reverse,
}

/// What a detector made of one image; lengths in m, relative to its mount at capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    /// Index of the detector in the machine file.
    pub detector: u8,
    /// When the picture was taken, µs, at or before its arrival.
    pub captured_us: u64,
    /// Stretch along travel that it saw, near end first.
    pub seen: (f64, f64),
    /// Plants found.
    pub plants: Vec<SeenPlant>,
}

/// A plant as a detector reports it, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeenPlant {
    /// Centre, forward of the mount.
    pub x_m: f64,
    /// Centre, right of the mount.
    pub y_m: f64,
    /// Along travel.
    pub length_m: f64,
    /// Across travel.
    pub width_m: f64,
    /// The detector's own number for the plant, the same in every image that shows it.
    pub id: Option<u16>,
}

impl Recording {
    /// Reads a recording; `file` is the name shown in messages.
    pub fn read(file: &str, mut from: impl BufRead) -> Result<Recording> {
        let mut lines = Lines::new(file);
        if !lines.next(&mut from)? {
            return Err(Error::file(
                file,
                "the recording is empty",
                "give a file that `host-sim generate` or a recorder wrote; its first line is a header",
            ));
        }
        let header = header(file, lines.text())?;
        let mut events: Vec<Event> = Vec::new();
        while lines.next(&mut from)? {
            let event = event(file, lines.number(), lines.text())?;
            if let needed = needs(&event.input)
                && header.recording_format < needed
            {
                let older = match needed {
                    2 => "version 1 has no second wheel and no yaw rate",
                    _ => "a version before 3 has no pressure",
                };
                return Err(Error::line(
                    file,
                    lines.number(),
                    None,
                    format!("a recording of {older}"),
                    format!("write \"recording_format\":{needed} in the header"),
                ));
            }
            if let Some(last) = events.last()
                && event.t_us < last.t_us
            {
                return Err(Error::line(
                    file,
                    lines.number(),
                    None,
                    format!(
                        "the clock runs backwards: t_us is {} after {}",
                        event.t_us, last.t_us
                    ),
                    "events must be in the order of their stamps: sort the lines by t_us, or look for two recordings in one file",
                ));
            }
            events.push(event);
        }
        let found = events.len() as u64;
        if let Some(said) = header.events
            && said != found
        {
            return Err(Error::line(
                file,
                lines.number(),
                None,
                format!("the header promises {said} events, but the file holds {found}"),
                "the file is cut off or was edited: copy it again, or remove `events` from its header",
            ));
        }
        if events.is_empty() {
            return Err(Error::line(
                file,
                1,
                None,
                "the recording holds a header but no event",
                "record at least the pulses of the wheel; nothing can be judged without them",
            ));
        }
        Ok(Recording {
            name: header.name,
            events,
        })
    }

    /// Reads a recording from the file at `path`, or from standard input for `-`.
    pub fn load(path: &str) -> Result<Recording> {
        if path == "-" {
            return Recording::read("standard input", std::io::stdin().lock());
        }
        let file = std::fs::File::open(path).map_err(|e| Error::read(path, e))?;
        Recording::read(path, std::io::BufReader::new(file))
    }

    /// Writes the recording; `path` is the name shown in messages.
    pub fn write(&self, path: &str, mut to: impl Write) -> Result<()> {
        let header = Header {
            recording_format: self.version(),
            name: self.name.clone(),
            events: Some(self.events.len() as u64),
        };
        let mut put = |text: serde_json::Result<String>| -> Result<()> {
            let text = text.map_err(|e| Error::write(path, e.into()))?;
            writeln!(to, "{text}").map_err(|e| Error::write(path, e))
        };
        put(serde_json::to_string(&header))?;
        for event in &self.events {
            put(text::of(event))?;
        }
        to.flush().map_err(|e| Error::write(path, e))
    }

    /// The oldest version that can hold this recording.
    pub fn version(&self) -> u64 {
        self.events
            .iter()
            .map(|e| needs(&e.input))
            .max()
            .unwrap_or(1)
    }

    /// Stamps of the pulses of the first wheel, µs.
    pub fn pulses(&self) -> impl Iterator<Item = u64> + '_ {
        self.events
            .iter()
            .filter(|e| matches!(e.input, Input::Pulse))
            .map(|e| e.t_us)
    }

    /// True when it holds what a machine tells that may turn.
    pub fn may_turn(&self) -> bool {
        let turns = |e: &Event| matches!(e.input, Input::WheelPulse(_) | Input::Yaw(_));
        self.events.iter().any(turns)
    }

    /// True when the machine ever goes back.
    pub fn goes_back(&self) -> bool {
        self.events
            .iter()
            .any(|e| e.input == Input::Direction(Direction::Reverse))
    }

    /// Images with the instants at which they arrived, µs.
    pub fn images(&self) -> impl Iterator<Item = (u64, &Image)> + '_ {
        self.events.iter().filter_map(|e| match &e.input {
            Input::Image(image) => Some((e.t_us, image)),
            _ => None,
        })
    }

    /// Orders with the instants at which they were given, µs.
    pub fn orders(&self) -> impl Iterator<Item = (u64, &Order)> + '_ {
        self.events.iter().filter_map(|e| match &e.input {
            Input::Order(order) => Some((e.t_us, order)),
            _ => None,
        })
    }
}

/// The version that brought this input.
fn needs(input: &Input) -> u64 {
    match input {
        Input::Pressure(_) => 3,
        Input::WheelPulse(_) | Input::Yaw(_) => 2,
        Input::Pulse | Input::Direction(_) | Input::Image(_) | Input::Order(_) => 1,
    }
}
