//! `host-sim watch`: a live board in the terminal, or line by line where there is none.

pub mod draw;
pub mod plain;
pub mod state;

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use clap::Args;
use controller_core::link::ToBoard;
use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};

use crate::bench::port::PortName;
use crate::bench::session::Session;
use crate::error::{Error, Result};
use state::Watched;

/// Time between two pictures.
const PICTURE: Duration = Duration::from_millis(100);
/// Time between two lines and two readings of the counters.
const SECOND: Duration = Duration::from_secs(1);
/// Longest that keys wait.
const LISTEN: Duration = Duration::from_millis(20);

/// What to watch.
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// The board's port: PATH or PATH:BAUD (921600), unix:/path, or tcp:host:port
    #[arg(long, value_name = "PORT")]
    pub port: String,
    /// A line a second instead of a picture; so it is where there is no terminal
    #[arg(long)]
    pub plain: bool,
    /// Time between two pieces of news from the board, ms
    #[arg(long, value_name = "T", default_value_t = 200, value_parser = clap::value_parser!(u16).range(20..))]
    pub every_ms: u16,
    /// Stop after so long, s
    #[arg(long, value_name = "T")]
    pub for_s: Option<u32>,
    /// Keep every frame in both directions in this file
    #[arg(long, value_name = "FILE")]
    pub log: Option<String>,
}

/// Watches until told to stop.
///
/// # Errors
/// The board does not answer, or the port is gone.
pub fn run(args: &WatchArgs) -> Result<bool> {
    let name = PortName::parse(&args.port)?;
    let mut session = Session::open(&name, args.log.as_deref())?;
    let every_ms = args.every_ms;
    session.must("its news", &ToBoard::Report { every_ms })?;
    let watched = Watched::new(name.to_string(), session.welcome);
    let end = args
        .for_s
        .map(|s| Instant::now() + Duration::from_secs(s.into()));
    let mut watch = Watch {
        session,
        watched,
        end,
        asked: None,
    };
    if args.plain || !std::io::stdout().is_terminal() {
        watch.lines()?;
    } else {
        let terminal = ratatui::try_init().map_err(|e| Error::write("the terminal", e))?;
        let result = watch.pictures(terminal);
        ratatui::restore();
        result?;
    }
    let quiet = ToBoard::Report { every_ms: 0 };
    watch.session.must("to stop its news", &quiet)?;
    Ok(true)
}

struct Watch {
    session: Session,
    watched: Watched,
    end: Option<Instant>,
    /// When the counters were last asked for.
    asked: Option<Instant>,
}

impl Watch {
    fn over(&self) -> bool {
        self.end.is_some_and(|end| Instant::now() >= end)
    }

    /// Listens for a moment and takes what came.
    fn listen(&mut self) -> Result<()> {
        if self.asked.is_none_or(|at| at.elapsed() >= SECOND) {
            self.asked = Some(Instant::now());
            self.session.send(&ToBoard::ReadCounters)?;
        }
        self.session.tick()?;
        self.session.listen(LISTEN)?;
        let now_us = self.session.now_us();
        for message in std::mem::take(&mut self.session.aside) {
            self.watched.take(now_us, &message)?;
        }
        let here = *self.session.link.counters();
        let bytes = self.session.link.port_mut().bytes_read();
        self.watched.pass(now_us, &here, bytes);
        Ok(())
    }

    fn lines(&mut self) -> Result<()> {
        let mut next = Instant::now() + SECOND;
        while !self.over() {
            self.listen()?;
            if Instant::now() < next {
                continue;
            }
            next += SECOND;
            let mut to = std::io::stdout().lock();
            writeln!(to, "{}", plain::line(&self.watched))
                .and_then(|()| to.flush())
                .map_err(|e| Error::write("standard output", e))?;
        }
        Ok(())
    }

    fn pictures(&mut self, mut terminal: DefaultTerminal) -> Result<()> {
        let broken = |e| Error::write("the terminal", e);
        let mut next = Instant::now();
        while !self.over() {
            self.listen()?;
            while event::poll(Duration::ZERO).map_err(broken)? {
                let Event::Key(key) = event::read().map_err(broken)? else {
                    continue;
                };
                if key.kind == KeyEventKind::Release {
                    continue;
                }
                let control = key.modifiers.contains(KeyModifiers::CONTROL);
                match key.code {
                    KeyCode::Char('q') | KeyCode::Esc => return Ok(()),
                    KeyCode::Char('c') if control => return Ok(()),
                    KeyCode::Char('s') => self.session.must("the stop", &ToBoard::EmergencyStop)?,
                    KeyCode::Char('r') => self.watched.forget(),
                    _ => {}
                }
            }
            if Instant::now() >= next {
                next = Instant::now() + PICTURE;
                terminal
                    .draw(|frame| draw::draw(frame, &self.watched))
                    .map_err(broken)?;
            }
        }
        Ok(())
    }
}
