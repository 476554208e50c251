//! `host-sim bench`: talks to a board over a serial port or a socket.
//!
//! [`port`] opens, [`session`] asks and listens, [`frame_log`] keeps the frames, [`words`] says
//! what a board's numbers mean; each verb has a file.

pub mod clock;
pub mod frame_log;
pub mod identify;
pub mod port;
pub mod replay;
pub mod session;
pub mod timing;
pub mod upload;
pub mod valves;
pub mod words;

use std::fmt::Write as _;

use clap::{Args, Subcommand};
use controller_core::link::{LinkCounters, ToBoard};
use controller_core::{BenchRequest, Counters, Span};
use serde::Serialize;

use crate::error::{Error, Result};
use crate::output::print;
use port::PortName;
use session::Session;
use valves::Hold;

/// What every bench verb takes.
#[derive(Debug, Args)]
pub struct BenchArgs {
    /// The board's port: PATH or PATH:BAUD (921600), unix:/path, or tcp:host:port
    #[arg(long, value_name = "PORT", global = true)]
    pub port: Option<String>,
    /// Keep every frame in both directions in this file
    #[arg(long, value_name = "FILE", global = true)]
    pub log: Option<String>,
    /// Print the result as one JSON object
    #[arg(long, global = true)]
    pub json: bool,
    /// What to do
    #[command(subcommand)]
    pub verb: BenchVerb,
}

/// What to do at the bench.
#[derive(Debug, Subcommand)]
pub enum BenchVerb {
    /// Who is at the far end, what machine does it run, how does it do
    Identify,
    /// Give the board a machine file; at standstill only
    Upload {
        /// The machine file
        #[arg(value_name = "MACHINE.toml")]
        machine: String,
    },
    /// Upload a machine and play a recording to a board that is told the time
    Replay {
        /// The recording; `-` is standard input
        #[arg(value_name = "RECORDING")]
        recording: String,
        /// The machine file
        #[arg(long, value_name = "MACHINE.toml")]
        machine: String,
        /// As fast as the board takes it, not in recorded time
        #[arg(long)]
        fast: bool,
        /// Want the very commands of the core in this process
        #[arg(long)]
        compare: bool,
        /// Write the commands that come back as CSV; `-` is standard output
        #[arg(long, value_name = "OUT.csv")]
        commands: Option<String>,
    },
    /// Open one nozzle once
    Click {
        /// Which, from 0
        #[arg(value_name = "NOZZLE")]
        nozzle: u16,
        /// How long, ms
        #[arg(long, value_name = "T", default_value_t = 60)]
        on_ms: u32,
    },
    /// Click one nozzle after the other
    Sweep {
        /// The first
        #[arg(long, value_name = "N", default_value_t = 0)]
        from: u16,
        /// The last; without it the machine's last
        #[arg(long, value_name = "N")]
        to: Option<u16>,
        /// How long each, ms
        #[arg(long, value_name = "T", default_value_t = 60)]
        on_ms: u32,
        /// Pause between two, ms
        #[arg(long, value_name = "T", default_value_t = 150)]
        pause_ms: u64,
    },
    /// Fire nozzles in an irregular pattern and list what was fired, for `calibrate valves`
    Timing(timing::Wish),
    /// Fill the plumbing: section after section open while this runs
    Prime {
        /// Each section's time, ms
        #[arg(long, value_name = "T", default_value_t = 2000)]
        on_ms: u32,
    },
    /// Open everything while this runs
    Flush {
        /// How long, ms
        #[arg(long, value_name = "T", default_value_t = 3000)]
        on_ms: u32,
    },
    /// Open and close everything in turn while this runs
    Rinse {
        /// Each opening, ms
        #[arg(long, value_name = "T", default_value_t = 500)]
        on_ms: u32,
        /// Each pause, ms
        #[arg(long, value_name = "T", default_value_t = 500)]
        off_ms: u32,
        /// How often
        #[arg(long, value_name = "N", default_value_t = 5)]
        times: u8,
    },
    /// Read the counters
    Counters {
        /// Those that are 0 too
        #[arg(long)]
        all: bool,
    },
    /// Compare the clocks
    Ping {
        /// How many times
        #[arg(long, value_name = "N", default_value_t = 50)]
        times: u32,
        /// Pause between two, ms
        #[arg(long, value_name = "T", default_value_t = 20)]
        every_ms: u64,
    },
    /// Close everything until acknowledged
    Stop,
    /// Allow spraying (again), after a look at the machine
    Acknowledge,
    /// Print a frame log readably
    Log {
        /// The log
        #[arg(value_name = "FILE")]
        file: String,
    },
}

/// Runs a bench verb; true when everything holds.
///
/// # Errors
/// What is wrong with a file, the wish or the board.
pub fn run(args: &BenchArgs) -> Result<bool> {
    if let BenchVerb::Log { file } = &args.verb {
        let entries = frame_log::load(file)?;
        print(&readable(&entries), || lines(&entries), args.json)?;
        return Ok(true);
    }
    // Files are looked at first: a bad one need not bother the board.
    match &args.verb {
        BenchVerb::Upload { machine } => {
            let machine = upload::Description::load(machine)?;
            let done = machine.send(&mut open(args)?)?;
            print(&done, || done.table(), args.json)?;
            return Ok(true);
        }
        BenchVerb::Replay {
            recording,
            machine,
            fast,
            compare,
            commands,
        } => {
            let wish = replay::Wish {
                recording,
                machine,
                fast: *fast,
                compare: *compare,
            };
            let prepared = replay::Prepared::load(&wish)?;
            let done = prepared.play(&mut open(args)?)?;
            let mut to_stdout = false;
            if let Some(path) = commands {
                to_stdout = path == "-";
                crate::output::to_path(path, |name, to| {
                    crate::commands::write(name, to, &done.sorted())
                })?;
            }
            if to_stdout && !args.json {
                eprint!("{}", done.table());
            } else if !to_stdout {
                print(&done, || done.table(), args.json)?;
            }
            return Ok(done.holds());
        }
        _ => {}
    }
    if let BenchVerb::Timing(wish) = &args.verb {
        let shots = timing::shots(wish)?;
        let fired = timing::fire(&mut open(args)?, wish, &shots)?;
        print(&fired, || fired.table(), args.json)?;
        return Ok(fired.holds());
    }
    let mut session = open(args)?;
    let held = match &args.verb {
        BenchVerb::Click { nozzle, on_ms } => {
            let request = BenchRequest::Click {
                nozzle: *nozzle,
                on: ms(*on_ms)?,
            };
            Some(Hold::new(&mut session)?.run(request)?)
        }
        BenchVerb::Prime { on_ms } => {
            let on = ms(*on_ms)?;
            Some(Hold::new(&mut session)?.run(BenchRequest::Prime { on })?)
        }
        BenchVerb::Flush { on_ms } => {
            let on = ms(*on_ms)?;
            Some(Hold::new(&mut session)?.run(BenchRequest::Flush { on })?)
        }
        BenchVerb::Rinse {
            on_ms,
            off_ms,
            times,
        } => {
            let (on, off, times) = (ms(*on_ms)?, ms(*off_ms)?, *times);
            Some(Hold::new(&mut session)?.run(BenchRequest::Rinse { on, off, times })?)
        }
        BenchVerb::Sweep {
            from,
            to,
            on_ms,
            pause_ms,
        } => {
            let on = ms(*on_ms)?;
            let last = to.unwrap_or(u16::MAX);
            Some(Hold::new(&mut session)?.sweep((*from, last), to.is_some(), on, *pause_ms)?)
        }
        _ => None,
    };
    if let Some(held) = held {
        print(&held, || held.table(), args.json)?;
        return Ok(held.holds());
    }
    match &args.verb {
        BenchVerb::Identify => {
            let found = identify::identify(&mut session)?;
            print(&found, || found.table(), args.json)?;
        }
        BenchVerb::Counters { all } => {
            let (core, link) = session.counters()?;
            let counted = Counted { core, link };
            let table = counted.table(*all)?;
            print(&counted, || table, args.json)?;
        }
        BenchVerb::Ping { times, every_ms } => {
            let found = clock::ping(&mut session, *times, *every_ms)?;
            print(&found, || found.table(), args.json)?;
        }
        BenchVerb::Stop => {
            session.must("the stop", &ToBoard::EmergencyStop)?;
            session.tick()?;
            let done = Done::of("everything is closed until acknowledged");
            print(&done, || done.table(), args.json)?;
        }
        BenchVerb::Acknowledge => {
            session.tick()?;
            session.must("the acknowledgement", &ToBoard::Acknowledge)?;
            session.tick()?;
            let done = Done::of("acknowledged: valves may open when the machine moves");
            print(&done, || done.table(), args.json)?;
        }
        _ => {}
    }
    Ok(true)
}

/// Opens the port that was named.
fn open(args: &BenchArgs) -> Result<Session> {
    let Some(port) = &args.port else {
        return Err(Error::Usage(
            "no port is given\n  help: name the board's port: --port /dev/ttyUSB0:921600, unix:/path or tcp:host:port".into(),
        ));
    };
    Session::open(&PortName::parse(port)?, args.log.as_deref())
}

pub(crate) fn ms(ms: u32) -> Result<Span> {
    match ms.checked_mul(1000) {
        Some(us) if us > 0 => Ok(Span(us)),
        _ => Err(Error::Usage(format!(
            "{ms} ms is no time for a valve\n  help: give 1 to 4294967 ms"
        ))),
    }
}

#[derive(Serialize)]
struct Done {
    done: &'static str,
}

impl Done {
    fn of(done: &'static str) -> Self {
        Self { done }
    }

    fn table(&self) -> String {
        format!("{}\n", self.done)
    }
}

#[derive(Serialize)]
struct Counted {
    core: Counters,
    link: LinkCounters,
}

impl Counted {
    /// The counters that are not 0, or all.
    fn table(&self, all: bool) -> Result<String> {
        let mut out = String::new();
        for (whose, name, value) in named(&self.core, &self.link)? {
            if all || value != 0 {
                let _infallible = writeln!(out, "{whose:<6}{name:<22}{value:>14}");
            }
        }
        if out.is_empty() {
            out.push_str("every counter is 0\n");
        }
        Ok(out)
    }
}

/// All counters as whose, name and value, in their order.
pub(crate) fn named(
    core: &Counters,
    link: &LinkCounters,
) -> Result<Vec<(&'static str, String, u64)>> {
    let mut out = Vec::new();
    for (whose, value) in [
        ("core", serde_json::to_value(core)),
        ("link", serde_json::to_value(link)),
    ] {
        let value = value.map_err(|e| Error::Internal(e.to_string()))?;
        for (name, count) in value.as_object().into_iter().flatten() {
            out.push((whose, name.clone(), count.as_u64().unwrap_or_default()));
        }
    }
    Ok(out)
}

#[derive(Serialize)]
struct Readable<'a> {
    #[serde(flatten)]
    entry: &'a frame_log::Entry,
    says: String,
}

fn readable(entries: &[frame_log::Entry]) -> Vec<Readable<'_>> {
    let says = |entry: &frame_log::Entry| entry.says();
    let all = entries.iter().map(|entry| Readable {
        entry,
        says: says(entry),
    });
    all.collect()
}

fn lines(entries: &[frame_log::Entry]) -> String {
    let all = entries.iter().map(|entry| format!("{}\n", entry.line()));
    all.collect()
}
