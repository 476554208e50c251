//! The frame log: every frame in both directions, as JSON lines. `formats/frames.md` is the
//! reference.

use std::cell::RefCell;
use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::rc::Rc;
use std::time::Instant;

use controller_core::link::{FromBoard, ToBoard, VERSION};
use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::lines::Lines;
use crate::link_host::{Passing, Tap};

/// The version that this program reads and writes.
pub const FORMAT: u64 = 1;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    frame_log_format: u64,
    link_version: u8,
    port: String,
}

/// One frame of a log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Since the log's beginning, host's µs.
    pub t_us: u64,
    /// Which way it went.
    pub way: Way,
    /// Its number; none where it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sequence: Option<u16>,
    /// Its body, hexadecimal; empty where it could not be read.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub body: String,
    /// Why it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
}

/// Which way a frame went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// To the board.
    ToBoard,
    /// From the board.
    FromBoard,
}

/// Keeps frames as they pass. A log that can't be written says so once and stops; what is
/// being done with the board goes on.
pub struct FrameLog {
    name: String,
    to: Rc<RefCell<Option<BufWriter<File>>>>,
    start: Instant,
}

impl FrameLog {
    /// Begins a log file.
    ///
    /// # Errors
    /// The file can't be made.
    pub fn create(path: &str, port: &str) -> Result<FrameLog> {
        let file = File::create(path).map_err(|e| Error::write(path, e))?;
        let mut to = BufWriter::new(file);
        let header = Header {
            frame_log_format: FORMAT,
            link_version: VERSION,
            port: port.to_owned(),
        };
        put(&mut to, &header).map_err(|e| Error::write(path, e))?;
        Ok(FrameLog {
            name: path.to_owned(),
            to: Rc::new(RefCell::new(Some(to))),
            start: Instant::now(),
        })
    }

    /// What gets the frames.
    pub fn tap(&self) -> Tap {
        let (to, name, start) = (Rc::clone(&self.to), self.name.clone(), self.start);
        Box::new(move |passing| {
            let entry = entry(start.elapsed().as_micros() as u64, passing);
            let mut to = to.borrow_mut();
            if let Some(file) = to.as_mut()
                && let Err(error) = put(file, &entry)
            {
                eprintln!("{}", Error::write(&name, error));
                *to = None;
            }
        })
    }
}

fn put(to: &mut BufWriter<File>, line: &impl Serialize) -> std::io::Result<()> {
    serde_json::to_writer(&mut *to, line)?;
    to.write_all(b"\n")?;
    // At once: the log matters most when something goes wrong.
    to.flush()
}

fn entry(t_us: u64, passing: Passing<'_>) -> Entry {
    let (way, sequence, body, refused) = match passing {
        Passing::Sent { sequence, body } => (Way::ToBoard, Some(sequence), body, None),
        Passing::Heard { sequence, body } => (Way::FromBoard, Some(sequence), body, None),
        Passing::Refused(fault) => (Way::FromBoard, None, &[][..], Some(format!("{fault:?}"))),
    };
    Entry {
        t_us,
        way,
        sequence,
        body: body.iter().map(|b| format!("{b:02x}")).collect(),
        refused,
    }
}

/// Reads a log; `file` is the name shown in messages.
///
/// # Errors
/// The first line that is none.
pub fn read(file: &str, mut from: impl BufRead) -> Result<Vec<Entry>> {
    let mut lines = Lines::new(file);
    let help = "give a file that --log wrote; see host-sim/formats/frames.md";
    let none = Error::file(file, "the frame log is empty", help);
    if !lines.next(&mut from)? {
        return Err(none);
    }
    let bad = |line: usize, e: &serde_json::Error| {
        let what = format!("this is no frame log: {e}");
        Error::line(file, line, Some(e.column()), what, help)
    };
    let header: Header = serde_json::from_str(lines.text()).map_err(|e| bad(1, &e))?;
    if (header.frame_log_format, header.link_version) != (FORMAT, VERSION) {
        let what = format!(
            "format {} of link version {} is not known",
            header.frame_log_format, header.link_version
        );
        let help = format!("this program reads format {FORMAT} of link version {VERSION}");
        return Err(Error::line(file, 1, None, what, help));
    }
    let mut entries = Vec::new();
    while lines.next(&mut from)? {
        entries.push(serde_json::from_str(lines.text()).map_err(|e| bad(lines.number(), &e))?);
    }
    Ok(entries)
}

/// Reads the log at a path.
///
/// # Errors
/// As [`read`].
pub fn load(path: &str) -> Result<Vec<Entry>> {
    let file = File::open(path).map_err(|e| Error::read(path, e))?;
    read(path, BufReader::new(file))
}

impl Entry {
    /// What was said, in words; the body where it is no known message.
    pub fn says(&self) -> String {
        if let Some(why) = &self.refused {
            return format!("not readable: {why}");
        }
        let digits: Vec<char> = self.body.chars().collect();
        let byte = |pair: &[char]| u8::from_str_radix(&pair.iter().collect::<String>(), 16).ok();
        let bytes: Option<Vec<u8>> = digits.chunks(2).map(byte).collect();
        let bytes = bytes.unwrap_or_default();
        let known = match self.way {
            Way::ToBoard => match ToBoard::read(&bytes) {
                Ok((ToBoard::Image(head), rest)) => head
                    .plants(rest)
                    .map(|plants| format!("{:?} {:?}", ToBoard::Image(head), plants.as_slice())),
                read => read.map(|(message, _)| format!("{message:?}")),
            },
            Way::FromBoard => FromBoard::read(&bytes).map(|message| format!("{message:?}")),
        };
        known.unwrap_or_else(|_| format!("unknown message {}", self.body))
    }

    /// The entry as a line for people.
    pub fn line(&self) -> String {
        let arrow = match self.way {
            Way::ToBoard => "->",
            Way::FromBoard => "<-",
        };
        let number = self.sequence.map_or("-".into(), |s| s.to_string());
        let t = self.t_us as f64 * 1e-6;
        format!("{t:>12.6} s {arrow} {number:>5}  {}", self.says())
    }
}
