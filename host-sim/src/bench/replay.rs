//! A recording played to a board that is told the time.

use std::time::{Duration, Instant};

use controller_core::link::{FromBoard, Refusal, ToBoard};
use serde::Serialize;

use super::session::Session;
use super::upload::Description;
use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::over_link::{Message, NotSent, OverLink, whole_millimetres};
use crate::recording::Recording;
use crate::replay::replay;
use crate::run::same_detectors;

/// Time runs on for so long after the last input, µs, as in a replay in this process.
const AFTER_US: u64 = 60_000_000;
/// A message's bytes, about: pulses and orders.
const A_MESSAGE: usize = 16;
/// A plant's bytes, about.
const A_PLANT: usize = 8;
/// A board that does not confirm for so long has gone.
const PATIENCE: Duration = Duration::from_secs(10);

/// What is to be played, and how.
pub struct Wish<'a> {
    /// The recording.
    pub recording: &'a str,
    /// The machine file.
    pub machine: &'a str,
    /// As fast as it goes.
    pub fast: bool,
    /// Want the commands of the core in this process.
    pub compare: bool,
}

/// Files read, and what the core in this process makes of them.
pub struct Prepared {
    description: Description,
    recording: Recording,
    fast: bool,
    want: Option<Vec<(u64, u16, bool)>>,
}

/// What came of it.
#[derive(Debug, Clone, Serialize)]
pub struct Played {
    /// The recording's name.
    pub name: String,
    /// Events sent.
    pub events: usize,
    /// Images with more plants than a message holds; the core refuses them too.
    pub images_too_large: usize,
    /// Refusals, by their words, with how often.
    pub refused: Vec<(String, usize)>,
    /// Commands that came back.
    pub commands: usize,
    /// With `--compare`: whether they are those of the core in this process.
    pub same: Option<bool>,
    /// The first that is not.
    pub first_difference: Option<String>,
    #[serde(skip)]
    list: Vec<(u64, u16, bool)>,
}

impl Prepared {
    /// Reads the files.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn load(wish: &Wish<'_>) -> Result<Prepared> {
        let description = Description::load(wish.machine)?;
        let mut recording = Recording::load(wish.recording)?;
        let machine = &description.machine;
        same_detectors(wish.recording, &recording, wish.machine, machine)?;
        whole_millimetres(&mut recording);
        let mut feed = OverLink::new(machine);
        for event in &recording.events {
            if feed.input(event.t_us, &event.input) == Err(NotSent::TooFar) {
                return Err(Error::file(
                    wish.recording,
                    format!(
                        "the event at {} us has a place beyond 32 m from its mount",
                        event.t_us
                    ),
                    "the link carries places up to 32.767 m and sizes up to 65.535 m",
                ));
            }
        }
        let want = match wish.compare {
            true => Some(in_process(wish.machine, machine, &recording)?),
            false => None,
        };
        Ok(Prepared {
            description,
            recording,
            fast: wish.fast,
            want,
        })
    }

    /// Uploads the machine and plays.
    ///
    /// # Errors
    /// The board refuses the machine, keeps its own time, or is gone.
    pub fn play(&self, session: &mut Session) -> Result<Played> {
        if !session.welcome.told_time {
            return Err(Error::board(
                "this board has a clock and a wheel of its own: a recording's time can't be told to it",
                "send the images alone with `host-sim send`, or use an emulated board that is told the time",
            ));
        }
        self.description.send(session)?;
        session.aside.clear();
        let mut stream = Stream::new(session);
        let mut feed = OverLink::new(&self.description.machine);
        let (mut events, mut images_too_large) = (0, 0);
        let start = Instant::now();
        let first = self.recording.events.first().map_or(0, |e| e.t_us);
        for event in &self.recording.events {
            if !self.fast {
                stream.wait_until(start + Duration::from_micros(event.t_us - first))?;
            }
            match feed.told(event) {
                Ok(messages) => {
                    events += 1;
                    for message in messages {
                        stream.send(&message)?;
                    }
                    if event.input.is_pulse() {
                        stream.confirm_pulses(event.t_us)?;
                    }
                }
                Err(_) => images_too_large += 1,
            }
        }
        let end = self.recording.events.last().map_or(0, |e| e.t_us) + AFTER_US;
        for message in feed.until(end) {
            stream.send(&message)?;
        }
        stream.settle()?;
        let Stream {
            commands, refused, ..
        } = stream;
        let (same, first_difference) = match &self.want {
            Some(want) => {
                let difference = difference(want, &commands);
                (Some(difference.is_none()), difference)
            }
            None => (None, None),
        };
        Ok(Played {
            name: self.recording.name.clone(),
            events,
            images_too_large,
            refused,
            commands: commands.len(),
            same,
            first_difference,
            list: commands,
        })
    }
}

/// The commands of the core in this process.
fn in_process(
    file: &str,
    machine: &crate::machine::Machine,
    recording: &Recording,
) -> Result<Vec<(u64, u16, bool)>> {
    let run = replay(file, machine, recording)?;
    let all = run.commands.iter().map(|c| (c.t_us, c.nozzle, c.open));
    Ok(all.collect())
}

fn difference(want: &[(u64, u16, bool)], got: &[(u64, u16, bool)]) -> Option<String> {
    let say = |c: Option<&(u64, u16, bool)>| match c {
        Some((t, nozzle, true)) => format!("nozzle {nozzle} opens at {t} us"),
        Some((t, nozzle, false)) => format!("nozzle {nozzle} closes at {t} us"),
        None => "nothing more".into(),
    };
    let most = want.len().max(got.len());
    (0..most).find(|&i| want.get(i) != got.get(i)).map(|i| {
        format!(
            "command {i}: the core here says {}, the board {}",
            say(want.get(i)),
            say(got.get(i))
        )
    })
}

/// Messages that go out with no more than so much on the way.
pub(crate) struct Stream<'s> {
    session: &'s mut Session,
    /// What will be answered, with the bytes sent up to it and since the one before.
    open: Vec<(u16, usize)>,
    /// Bytes sent since the last message that will be answered.
    loose: usize,
    /// Commands that came back.
    pub commands: Vec<(u64, u16, bool)>,
    /// Refusals and how often.
    pub refused: Vec<(String, usize)>,
    pinged: Option<Instant>,
}

impl<'s> Stream<'s> {
    pub fn new(session: &'s mut Session) -> Self {
        Self {
            session,
            open: Vec::new(),
            loose: 0,
            commands: Vec::new(),
            refused: Vec::new(),
            pinged: None,
        }
    }

    /// Sends when there is room on the way.
    pub fn send(&mut self, message: &Message) -> Result<()> {
        let (bytes, answered) = match message {
            Message::Image(_, plants) => (A_MESSAGE + plants.len() * A_PLANT, false),
            Message::Plain(ToBoard::Ping { .. }) => (A_MESSAGE, false),
            Message::Plain(message) => (A_MESSAGE, !message.is_frequent()),
        };
        let number = self.session.send_any(message)?;
        self.loose += bytes;
        if answered {
            self.open.push((number, std::mem::take(&mut self.loose)));
        }
        self.take(Duration::ZERO)?;
        let sent = Instant::now();
        while self.open.iter().map(|o| o.1).sum::<usize>() > self.session.most_ahead() {
            self.take(Duration::from_millis(20))?;
            if sent.elapsed() > PATIENCE {
                return Err(Error::board(
                    "the board stopped confirming what it is sent",
                    "frames may be lost on the way: look at `host-sim bench counters`, and at the baud rate",
                ));
            }
        }
        Ok(())
    }

    /// Pulses are not answered: an *until* of the same instant now and then is, and changes
    /// nothing.
    pub fn confirm_pulses(&mut self, at_us: u64) -> Result<()> {
        if self.loose < self.session.most_ahead() / 2 {
            return Ok(());
        }
        self.send(&Message::Plain(ToBoard::Until { at_us }))
    }

    /// Listens until then.
    pub fn wait_until(&mut self, then: Instant) -> Result<()> {
        loop {
            let left = then.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(());
            }
            self.take(left.min(Duration::from_millis(10)))?;
        }
    }

    /// Exchanges clocks for so long.
    pub fn exchange(&mut self, time: Duration, every: Duration) -> Result<()> {
        let end = Instant::now() + time;
        loop {
            if self.pinged.is_none_or(|at| at.elapsed() >= every) {
                self.pinged = Some(Instant::now());
                let sent_us = self.session.now_us();
                self.session.send(&ToBoard::Ping { sent_us })?;
            }
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(());
            }
            self.take(left.min(Duration::from_millis(5)))?;
        }
    }

    /// Own clock, µs.
    pub fn own_us(&self) -> u64 {
        self.session.now_us()
    }

    /// An instant of the own clock in the board's, with the most that it can be off, µs.
    pub fn board_time(&self, own_us: u64) -> Option<(u64, u32)> {
        self.session.link.board_time(own_us)
    }

    /// Waits for every answer.
    pub fn settle(&mut self) -> Result<()> {
        let sent = Instant::now();
        while !self.open.is_empty() {
            self.take(Duration::from_millis(20))?;
            if sent.elapsed() > 6 * PATIENCE {
                return Err(Error::board(
                    format!("{} messages were never answered", self.open.len()),
                    "frames may be lost on the way: look at `host-sim bench counters`, and at the baud rate",
                ));
            }
        }
        // What is never answered must have arrived too before the port is closed.
        self.session.board_now().map(drop)
    }

    /// Takes what has come; waits so long for the first.
    fn take(&mut self, wait: Duration) -> Result<()> {
        let mut wait = wait;
        while let Some(message) = self.session.hear(wait)? {
            wait = Duration::ZERO;
            match message {
                FromBoard::Commands(batch) => self.commands.extend(batch.entries.iter().map(|c| {
                    let at = batch.base_us.wrapping_add_signed(c.after_us.into());
                    (at, c.what / 2, c.what % 2 == 1)
                })),
                FromBoard::Answer { to, result } => {
                    self.open.retain(|o| o.0 != to);
                    if let Err(refusal) = result {
                        self.count(refusal);
                    }
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn count(&mut self, refusal: Refusal) {
        let words = refusal.to_string();
        match self.refused.iter_mut().find(|r| r.0 == words) {
            Some(known) => known.1 += 1,
            None => self.refused.push((words, 1)),
        }
    }
}

impl Played {
    /// True unless a comparison was wanted and failed.
    pub fn holds(&self) -> bool {
        self.same != Some(false)
    }

    /// The commands in time order, as a list file holds them. How much of a patch was out of
    /// reach does not come over the link.
    pub fn sorted(&self) -> Vec<ValveCommand> {
        let mut list: Vec<_> = self
            .list
            .iter()
            .map(|&(t_us, nozzle, open)| ValveCommand {
                t_us,
                nozzle,
                open,
                short_by_m: 0.0,
            })
            .collect();
        list.sort_by_key(|c| c.t_us);
        list
    }

    /// For people.
    pub fn table(&self) -> String {
        let mut out = format!(
            "{}: {} events played, {} commands came back\n",
            self.name, self.events, self.commands
        );
        if self.images_too_large > 0 {
            out.push_str(&format!(
                "{} images have more plants than a message holds; the core refuses them too\n",
                self.images_too_large
            ));
        }
        for (why, count) in &self.refused {
            out.push_str(&format!("refused {count} times: {why}\n"));
        }
        match (&self.same, &self.first_difference) {
            (Some(true), _) => out.push_str("the same commands as the core in this process\n"),
            (_, Some(difference)) => {
                out.push_str(&format!(
                    "NOT the commands of the core in this process\n{difference}\n"
                ));
            }
            _ => {}
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_difference_is_told() {
        let want = [(5, 1, true), (9, 1, false)];
        assert_eq!(difference(&want, &want), None);
        for (got, words) in [
            (&[(5, 1, true), (10, 1, false)][..], "closes at 10 us"),
            (&[(5, 1, true)][..], "nothing more"),
            (&[(5, 2, true), (9, 1, false)][..], "nozzle 2 opens"),
        ] {
            let told = difference(&want, got).expect("they differ");
            assert!(told.contains(words), "{told}");
        }
        assert!(difference(&want, &[want[0], want[1], (11, 0, true)]).is_some());
    }
}
