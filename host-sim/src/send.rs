//! `host-sim send`: what a camera's own sender does, as a reference.
//!
//! To a board with a clock go images alone, in recorded time, stamped by clock exchange. To a
//! board that is told the time go pulses, orders and times as well, stamped as recorded.

use std::io::BufRead;
use std::time::{Duration, Instant};

use clap::Args;
use controller_core::link::image::PlainPlant;
use controller_core::link::{Captured, ImageHead, PlantKind, Refusal, SeenPlant, ToBoard};
use serde::{Deserialize, Serialize};

use crate::bench::port::PortName;
use crate::bench::replay::Stream;
use crate::bench::session::Session;
use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::lines::Lines;
use crate::machine::Machine;
use crate::output;
use crate::output::print;
use crate::over_link::{Message, OverLink, whole_millimetres};
use crate::recording::{Input, Recording};

/// Clock exchange before the first image.
const SETTLE: Duration = Duration::from_secs(2);
/// Time between two pings.
const PING_EVERY: Duration = Duration::from_millis(100);

/// What to send.
#[derive(Debug, Args)]
pub struct SendArgs {
    /// A recording; `-` is JSON lines from standard input, as hardware-notes/camera takes them
    #[arg(value_name = "RECORDING")]
    pub from: String,
    /// The board's port: PATH or PATH:BAUD (921600), unix:/path, or tcp:host:port
    #[arg(long, value_name = "PORT")]
    pub port: String,
    /// The recording's machine file, for its orders of sections; needed with a recording
    #[arg(
        long,
        value_name = "MACHINE.toml",
        required_unless_present = "board_clock"
    )]
    pub machine: Option<String>,
    /// Stamps in JSON lines are the board's already
    #[arg(long)]
    pub board_clock: bool,
    /// To a board that is told the time: as fast as it takes it
    #[arg(long)]
    pub fast: bool,
    /// Write the commands that come back as CSV; `-` is standard output
    #[arg(long, value_name = "OUT.csv")]
    pub commands: Option<String>,
    /// Keep every frame in both directions in this file
    #[arg(long, value_name = "FILE")]
    pub log: Option<String>,
    /// Print the result as one JSON object
    #[arg(long)]
    pub json: bool,
}

/// What was sent.
#[derive(Debug, Clone, Serialize)]
struct Sent {
    /// Images.
    images: usize,
    /// Refusals, by their words, with how often.
    refused: Vec<(String, usize)>,
    /// Worst bound of a stamp's error, µs; none where stamps came with the images.
    worst_error_us: Option<u32>,
    /// Commands that came back.
    commands: usize,
}

impl Sent {
    fn table(&self) -> String {
        let mut out = format!(
            "{} images sent, {} commands came back\n",
            self.images, self.commands
        );
        if let Some(error) = self.worst_error_us {
            out.push_str(&format!(
                "stamps right to {error} us if both ways of the link take alike\n"
            ));
        }
        for (why, count) in &self.refused {
            out.push_str(&format!("refused {count} times: {why}\n"));
        }
        out
    }
}

/// Sends.
///
/// # Errors
/// What is wrong with a file or the board.
pub fn run(args: &SendArgs) -> Result<bool> {
    let name = PortName::parse(&args.port)?;
    let open = || Session::open(&name, args.log.as_deref());
    let (sent, commands) = if args.from == "-" {
        if !args.board_clock {
            return Err(Error::Usage(
                "stamps in JSON lines need a clock\n  help: give --board-clock, with captured_us in the board's µs or frame numbers of a strobe".into(),
            ));
        }
        json_lines(&mut open()?, std::io::stdin().lock())?
    } else {
        let Some(machine_file) = &args.machine else {
            return Err(Error::Usage(
                "a recording needs its machine\n  help: give --machine MACHINE.toml".into(),
            ));
        };
        let machine = Machine::parse(machine_file, &output::read_text(machine_file)?)?;
        let mut recording = Recording::load(&args.from)?;
        crate::run::same_detectors(&args.from, &recording, machine_file, &machine)?;
        whole_millimetres(&mut recording);
        let mut session = open()?;
        if session.welcome.told_time {
            told(&mut session, &machine, &recording, args.fast)?
        } else {
            live(&mut session, &machine, &recording)?
        }
    };
    if let Some(path) = &args.commands {
        let mut list: Vec<_> = commands
            .iter()
            .map(|&(t_us, nozzle, open)| ValveCommand {
                t_us,
                nozzle,
                open,
                short_by_m: 0.0,
            })
            .collect();
        list.sort_by_key(|c| c.t_us);
        output::to_path(path, |name, to| crate::commands::write(name, to, &list))?;
        if path == "-" {
            eprint!("{}", sent.table());
            return Ok(true);
        }
    }
    print(&sent, || sent.table(), args.json)?;
    Ok(true)
}

type Commands = Vec<(u64, u16, bool)>;

/// A whole recording, to a board that is told the time.
fn told(
    session: &mut Session,
    machine: &Machine,
    recording: &Recording,
    fast: bool,
) -> Result<(Sent, Commands)> {
    let mut stream = Stream::new(session);
    let mut feed = OverLink::new(machine);
    let (start, mut images) = (Instant::now(), 0);
    let first = recording.events.first().map_or(0, |e| e.t_us);
    for event in &recording.events {
        if !fast {
            stream.wait_until(start + Duration::from_micros(event.t_us - first))?;
        }
        // What does not fit the link the core would refuse too.
        let Ok(messages) = feed.told(event) else {
            continue;
        };
        images += usize::from(matches!(event.input, Input::Image(_)));
        for message in messages {
            stream.send(&message)?;
        }
        if event.input.is_pulse() {
            stream.confirm_pulses(event.t_us)?;
        }
    }
    let end = recording.events.last().map_or(0, |e| e.t_us) + 5_000_000;
    for message in feed.until(end) {
        stream.send(&message)?;
    }
    stream.settle()?;
    Ok(result(stream, images, None))
}

fn result(stream: Stream<'_>, images: usize, worst: Option<u32>) -> (Sent, Commands) {
    let sent = Sent {
        images,
        refused: stream.refused,
        worst_error_us: worst,
        commands: stream.commands.len(),
    };
    (sent, stream.commands)
}

/// The images of a recording, as though they were taken now, to a board with a clock.
fn live(
    session: &mut Session,
    machine: &Machine,
    recording: &Recording,
) -> Result<(Sent, Commands)> {
    let mut stream = Stream::new(session);
    stream.exchange(SETTLE, PING_EVERY)?;
    let mut feed = OverLink::new(machine);
    let (mut images, mut worst) = (0, 0);
    let first = recording.events.first().map_or(0, |e| e.t_us);
    let (start, start_us) = (Instant::now(), stream.own_us());
    for (t_us, image) in recording.images() {
        let due = start + Duration::from_micros(t_us - first);
        let left = due.saturating_duration_since(Instant::now());
        stream.exchange(left, PING_EVERY)?;
        let own_us = (start_us + image.captured_us).saturating_sub(first);
        let Some((board_us, error_us)) = stream.board_time(own_us) else {
            return Err(Error::board(
                "the board has not answered any ping",
                "look at `host-sim bench ping`",
            ));
        };
        worst = worst.max(error_us);
        let error_us = u16::try_from(error_us).unwrap_or(u16::MAX);
        let Ok((head, plants)) = feed.image(image, error_us) else {
            continue;
        };
        let captured = Captured::At { board_us, error_us };
        stream.send(&Message::Image(ImageHead { captured, ..head }, plants))?;
        images += 1;
    }
    stream.exchange(Duration::from_secs(1), PING_EVERY)?;
    Ok(result(stream, images, Some(worst)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LinePlant {
    x_mm: i16,
    y_mm: i16,
    length_mm: u16,
    width_mm: u16,
    #[serde(default)]
    id: Option<u16>,
    #[serde(default)]
    row_us: Option<i32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ImageLine {
    detector: u8,
    number: u64,
    #[serde(default)]
    captured_us: Option<u64>,
    #[serde(default)]
    error_us: u16,
    #[serde(default)]
    frame: Option<u32>,
    seen_mm: [i16; 2],
    plants: Vec<LinePlant>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PulseLine {
    pulse_us: u64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UntilLine {
    until_us: u64,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum AnyLine {
    Image(ImageLine),
    Pulse(PulseLine),
    Until(UntilLine),
}

fn message(line: AnyLine) -> std::result::Result<Message, String> {
    let line = match line {
        AnyLine::Pulse(p) => return Ok(Message::Plain(ToBoard::Pulse { at_us: p.pulse_us })),
        AnyLine::Until(u) => return Ok(Message::Plain(ToBoard::Until { at_us: u.until_us })),
        AnyLine::Image(line) => line,
    };
    let captured = match (line.captured_us, line.frame) {
        (Some(board_us), None) => Captured::At {
            board_us,
            error_us: line.error_us,
        },
        (None, Some(frame)) => Captured::Frame(frame),
        _ => return Err("give one of captured_us and frame".into()),
    };
    let most = controller_core::MAX_PLANTS_PER_IMAGE;
    if line.plants.len() > most {
        return Err(format!("{}", Refusal::TooManyPlants));
    }
    let full = |p: &LinePlant| p.id.is_some() || p.row_us.is_some();
    let kind = if line.plants.iter().any(full) {
        PlantKind::Full
    } else {
        PlantKind::Plain
    };
    let plants = line.plants.iter().map(|p| SeenPlant {
        plain: PlainPlant {
            x_mm: p.x_mm,
            y_mm: p.y_mm,
            length_mm: p.length_mm,
            width_mm: p.width_mm,
        },
        id: p.id,
        row_us: p.row_us.unwrap_or_default(),
    });
    let head = ImageHead {
        detector: line.detector,
        number: line.number as u16,
        captured,
        from_mm: line.seen_mm[0],
        to_mm: line.seen_mm[1],
        kind,
        plants: 0,
    };
    Ok(Message::Image(head, plants.collect()))
}

/// JSON lines, sent as they come.
fn json_lines(session: &mut Session, mut from: impl BufRead) -> Result<(Sent, Commands)> {
    let file = "standard input";
    let help = "see hardware-notes/camera/README.md for the keys of a line";
    let told = session.welcome.told_time;
    let mut stream = Stream::new(session);
    let mut lines = Lines::new(file);
    let mut images = 0;
    while lines.next(&mut from)? {
        let bad = |what: String| Error::line(file, lines.number(), None, what, help);
        let line: AnyLine = serde_json::from_str(lines.text())
            .map_err(|e| bad(format!("this is no image, pulse or time: {e}")))?;
        let message = message(line).map_err(bad)?;
        images += usize::from(matches!(message, Message::Image(..)));
        stream.send(&message)?;
        if let (true, Message::Plain(ToBoard::Pulse { at_us })) = (told, &message) {
            stream.confirm_pulses(*at_us)?;
        }
    }
    stream.settle()?;
    Ok(result(stream, images, None))
}
