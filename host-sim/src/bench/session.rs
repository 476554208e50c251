//! A conversation with a board: questions with answers, the clock, and clear words when
//! nothing answers.

use std::io;
use std::time::{Duration, Instant};

use controller_core::Counters;
use controller_core::link::cobs::Encoder;
use controller_core::link::{FromBoard, LinkCounters, Refusal, ToBoard, VERSION, Welcome, crc32};

use super::frame_log::FrameLog;
use super::port::{PortName, Wire};
use super::words;
use crate::error::{Error, Result};
use crate::link_host::LinkHost;
use crate::over_link::Message;

/// How often a question is asked before its silence counts.
const TRIES: u32 = 3;
/// How long each waits.
const PATIENCE: Duration = Duration::from_millis(800);
/// How long each waits at an emulator that has greeted: a busy computer may leave it standing.
const EMULATED: Duration = Duration::from_secs(6);
/// How long another version's answer is waited for before the next is tried.
const VERSION_WAIT: Duration = Duration::from_millis(120);
/// How long any version's answer is waited for in the end.
const LAST_WAIT: Duration = Duration::from_millis(800);
/// Most that a told time moves on at once: a busy computer must not cost a held button.
const LONGEST_TICK: Duration = Duration::from_millis(50);
/// Bytes on the way that any board's serial port is believed to buffer.
const AHEAD: usize = 512;
/// Versions up to so many above ours are tried on a silent board.
const VERSIONS_ABOVE: u8 = 4;

/// An open conversation.
pub struct Session {
    name: PortName,
    /// The link underneath.
    pub link: LinkHost<Wire>,
    start: Instant,
    /// Who the board is.
    pub welcome: Welcome,
    /// What came beside answers, oldest first.
    pub aside: Vec<FromBoard>,
    /// Round trips of the pings so far, µs.
    pub round_trips: Vec<u64>,
    /// For a board that is told the time: the latest that it was told, µs, and when.
    told: Option<(u64, Instant)>,
}

impl Session {
    /// Opens the port and greets the board.
    ///
    /// # Errors
    /// No port, no answer, or another version.
    pub fn open(name: &PortName, log: Option<&str>) -> Result<Session> {
        let mut link = LinkHost::new(name.open()?);
        if let Some(path) = log {
            link.set_tap(FrameLog::create(path, &name.to_string())?.tap());
        }
        let mut session = Session {
            name: name.clone(),
            link,
            start: Instant::now(),
            welcome: NOBODY,
            aside: Vec::new(),
            round_trips: Vec::new(),
            told: None,
        };
        session.greet()?;
        Ok(session)
    }

    /// Asks the board who it is.
    ///
    /// # Errors
    /// As [`Session::open`].
    pub fn greet(&mut self) -> Result<()> {
        let took = |message: &FromBoard| match message {
            FromBoard::Welcome(welcome) => Some(*welcome),
            _ => None,
        };
        match self.question(&ToBoard::Hello, took)? {
            Some(welcome) => self.welcome = welcome,
            None => return Err(self.silence()),
        }
        if self.welcome.told_time && self.told.is_none() {
            let now = self.board_now()?;
            self.told = Some((now, Instant::now()));
        }
        Ok(())
    }

    /// Most bytes that may be on their way unconfirmed: a serial port's far end must buffer
    /// them, an emulated one holds the sender back.
    pub fn most_ahead(&self) -> usize {
        match self.name {
            PortName::Serial { .. } => AHEAD,
            PortName::Unix(_) | PortName::Tcp(_) => 16 * AHEAD,
        }
    }

    /// Own clock since the start, µs.
    pub fn now_us(&self) -> u64 {
        self.start.elapsed().as_micros() as u64
    }

    fn lost(&self, error: &io::Error) -> Error {
        let what = match error.kind() {
            io::ErrorKind::UnexpectedEof | io::ErrorKind::BrokenPipe => {
                format!("the far end of {} is gone", self.name)
            }
            _ => format!("{} failed: {error}", self.name),
        };
        Error::board(what, "check plug and power, and start again")
    }

    /// Sends a message, not waiting for anything; its number.
    ///
    /// # Errors
    /// The port is gone.
    pub fn send(&mut self, message: &ToBoard<'_>) -> Result<u16> {
        self.link.send(message).map_err(|e| self.lost(&e))
    }

    /// Sends a message of either kind, not waiting for anything; its number.
    ///
    /// # Errors
    /// The port is gone.
    pub fn send_any(&mut self, message: &Message) -> Result<u16> {
        self.link.send_any(message).map_err(|e| self.lost(&e))
    }

    /// The next message, or `None` after so long without one. Pongs go into the clock and
    /// are handed out too.
    ///
    /// # Errors
    /// The port is gone.
    pub fn hear(&mut self, wait: Duration) -> Result<Option<FromBoard>> {
        let end = Instant::now() + wait;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            self.link.port_mut().set_wait(left);
            let heard = self.link.receive().map_err(|e| self.lost(&e))?;
            if let Some(heard) = heard {
                if let FromBoard::Pong { sent_us, .. } = heard.message {
                    let now = self.now_us();
                    if self.link.take_pong(now, &heard.message) {
                        self.round_trips.push(now.saturating_sub(sent_us));
                    }
                }
                return Ok(Some(heard.message));
            }
            if Instant::now() >= end {
                return Ok(None);
            }
        }
    }

    /// Takes everything that has come or comes within `wait` aside.
    ///
    /// # Errors
    /// The port is gone.
    pub fn listen(&mut self, wait: Duration) -> Result<()> {
        let end = Instant::now() + wait;
        while let Some(message) = self.hear(end.saturating_duration_since(Instant::now()))? {
            self.aside.push(message);
        }
        Ok(())
    }

    /// Asks until something fits; `None` when nothing does.
    fn question<T>(
        &mut self,
        message: &ToBoard<'_>,
        fits: impl Fn(&FromBoard) -> Option<T>,
    ) -> Result<Option<T>> {
        let number = self.send(message)?;
        self.answered(number, message, |_, heard| fits(heard))
    }

    fn patience(&self) -> Duration {
        match self.name {
            PortName::Unix(_) | PortName::Tcp(_) if self.welcome.nozzles > 0 => EMULATED,
            _ => PATIENCE,
        }
    }

    fn answered<T>(
        &mut self,
        number: u16,
        message: &ToBoard<'_>,
        fits: impl Fn(u16, &FromBoard) -> Option<T>,
    ) -> Result<Option<T>> {
        for tried in 0..TRIES {
            if tried > 0 {
                // Under its number: it is not carried out twice.
                self.link
                    .send_again(number, message)
                    .map_err(|e| self.lost(&e))?;
            }
            let end = Instant::now() + self.patience();
            while let Some(heard) = self.hear(end.saturating_duration_since(Instant::now()))? {
                if let Some(found) = fits(number, &heard) {
                    return Ok(Some(found));
                }
                self.aside.push(heard);
            }
        }
        Ok(None)
    }

    /// Asks for something to be done; what became of it.
    ///
    /// # Errors
    /// No answer. A refusal is an answer.
    pub fn ask(&mut self, message: &ToBoard<'_>) -> Result<std::result::Result<(), Refusal>> {
        let number = self.send(message)?;
        let fits = |number, heard: &FromBoard| match *heard {
            FromBoard::Answer { to, result } if to == number => Some(result),
            _ => None,
        };
        match self.answered(number, message, fits)? {
            Some(result) => Ok(result),
            None => Err(self.silence()),
        }
    }

    /// Asks for something that must be done.
    ///
    /// # Errors
    /// No answer, or a refusal; `what` is what was asked for.
    pub fn must(&mut self, what: &str, message: &ToBoard<'_>) -> Result<()> {
        self.ask(message)?.map_err(|refusal| refused(what, refusal))
    }

    /// The counters.
    ///
    /// # Errors
    /// No answer.
    pub fn counters(&mut self) -> Result<(Counters, LinkCounters)> {
        let fits = |heard: &FromBoard| match heard {
            FromBoard::Counters { core, link } => Some((*core, *link)),
            _ => None,
        };
        let found = self.question(&ToBoard::ReadCounters, fits)?;
        found.ok_or_else(|| self.silence())
    }

    /// The board's clock, µs, as its pong to a ping just now tells it.
    ///
    /// # Errors
    /// No answer.
    pub fn board_now(&mut self) -> Result<u64> {
        let sent = self.now_us();
        let fits = move |heard: &FromBoard| match *heard {
            FromBoard::Pong {
                sent_us,
                replied_us,
                ..
            } if sent_us == sent => Some(replied_us),
            _ => None,
        };
        let found = self.question(&ToBoard::Ping { sent_us: sent }, fits)?;
        found.ok_or_else(|| self.silence())
    }

    /// Tells a board that is told the time what time it is: it runs as ours does, but never
    /// jumps. Nothing to a board with a clock.
    ///
    /// # Errors
    /// No answer, or the board refuses the time.
    pub fn tick(&mut self) -> Result<()> {
        self.tick_within(u64::MAX)
    }

    /// The same, but not beyond an instant of the board's time, µs.
    fn tick_within(&mut self, end: u64) -> Result<()> {
        if let Some((told, since)) = self.told {
            let step = since.elapsed().min(LONGEST_TICK).as_micros() as u64;
            let at_us = (told + step).min(end.max(told));
            self.told = Some((at_us, Instant::now()));
            self.must("letting its time run", &ToBoard::Until { at_us })?;
        }
        Ok(())
    }

    /// Listens for so long by the board's time, and lets it run meanwhile: as long on a busy
    /// computer as on any other.
    ///
    /// # Errors
    /// As [`Session::tick`].
    pub fn pass(&mut self, time: Duration) -> Result<()> {
        if let Some((told, _)) = self.told {
            let end = told + time.as_micros() as u64;
            while let Some((told, _)) = self.told.filter(|told| told.0 < end) {
                let left = Duration::from_micros(end - told);
                self.listen(left.min(Duration::from_millis(10)))?;
                self.tick_within(end)?;
            }
            return Ok(());
        }
        let end = Instant::now() + time;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            self.listen(left.min(Duration::from_millis(10)))?;
            if left.is_zero() {
                return Ok(());
            }
        }
    }

    /// Starts a board's told time anew: it took another machine.
    pub fn new_time(&mut self) {
        if self.welcome.told_time {
            self.told = Some((0, Instant::now()));
        }
    }

    /// Why nothing was heard, as far as can be found out.
    fn silence(&mut self) -> Error {
        let port = self.name.to_string();
        if let Some(version) = self.find_version() {
            return Error::board(
                format!(
                    "the board on {port} speaks version {version} of the link, this program version {VERSION}"
                ),
                "flash firmware of this program's version, or use the program of the board's",
            );
        }
        let read = self.link.port_mut().bytes_read();
        let counters = *self.link.counters();
        let tried = format!(
            "asked {TRIES} times, {} ms each",
            self.patience().as_millis()
        );
        if read == 0 {
            let help = match &self.name {
                PortName::Serial { .. } => {
                    "is the board powered? Transmit goes to receive and the grounds are joined? Is this the right port and baud rate?"
                }
                _ => "does the emulated board run, and is nobody else connected to it?",
            };
            return Error::board(
                format!("nothing answers on {port}: no byte came ({tried})"),
                help,
            );
        }
        if counters.frames == 0 {
            let help = "is the baud rate right, and is it a boom controller at the far end?";
            return Error::board(
                format!("{read} bytes came on {port}, but no sound frame ({tried})"),
                help,
            );
        }
        let damaged = counters.bad_crc + counters.bad_cobs + counters.bad_length;
        Error::board(
            format!(
                "the board on {port} stopped answering ({tried}; {damaged} frames came damaged)"
            ),
            "with many damaged frames look at wiring and baud rate; with none the board may have hung: look at its watchdog",
        )
    }

    /// Greets in other versions until something answers in one.
    fn find_version(&mut self) -> Option<u8> {
        if let Some(version) = self.link.other_version() {
            return Some(version);
        }
        let versions = 1..=VERSION.saturating_add(VERSIONS_ABOVE);
        for version in versions.filter(|&v| v != VERSION) {
            let hello = hello_of(version);
            io::Write::write_all(self.link.port_mut(), &hello).ok()?;
            if let Some(version) = self.other_version_within(VERSION_WAIT) {
                return Some(version);
            }
        }
        self.other_version_within(LAST_WAIT)
    }

    fn other_version_within(&mut self, wait: Duration) -> Option<u8> {
        let end = Instant::now() + wait;
        while Instant::now() < end && self.link.other_version().is_none() {
            self.hear(Duration::from_millis(5)).ok()?;
        }
        self.link.other_version()
    }
}

/// A hello of another version: number 0, no fields, in every one.
fn hello_of(version: u8) -> Vec<u8> {
    let mut plain = vec![version, 0, 0, 0];
    plain.extend(crc32(&plain).to_le_bytes());
    let mut stuffed = [0; 16];
    let mut cobs = Encoder::new(&mut stuffed);
    plain.iter().for_each(|&byte| cobs.push(byte));
    let mut line = vec![0];
    line.extend_from_slice(cobs.finish().unwrap_or_default());
    line.push(0);
    line
}

const NOBODY: Welcome = Welcome {
    machine_version: 0,
    machine_digest: None,
    nozzles: 0,
    detectors: 0,
    plants: 0,
    frame_bytes: 0,
    waits_for_acknowledge: false,
    told_time: false,
    reset: controller_core::link::ResetCause::Unknown,
};

/// A refusal in words.
pub fn refused(what: &str, refusal: Refusal) -> Error {
    Error::board(
        format!("the board refused {what}: {refusal}"),
        words::remedy(refusal),
    )
}
