//! One nozzle, as the capture goes by: its wires debounced, its edges in order, answers paired.

use super::delays::Delays;
use super::verdict::Kind;
use super::{FiredOf, NozzleDelays, Pair, Setup};
use crate::capture::Rule;
use crate::capture::debounce::{Debounce, Settled};

/// Most times that are kept of what went wrong with one nozzle.
const MOST_TIMES: usize = 12;

/// Which of a nozzle's wires.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wire {
    Command,
    Sense,
}

/// A command that waits for its answer.
#[derive(Debug, Clone, Copy)]
struct Asked {
    at: i64,
    answered: bool,
    /// Of a command to close: the opening that it ends was seen.
    opened: bool,
    supply: Option<f64>,
}

pub(super) struct Nozzle<'a> {
    command: Debounce,
    sense: Debounce,
    fired: FiredOf<'a>,
    /// Changes that have settled while an earlier one of the other wire may still do so. Bounded:
    /// a wire settles after ten times the debounce at the latest, and each change takes one.
    queue: Vec<(Settled, Wire)>,
    longest: i64,
    tick_s: f64,
    supply: Option<f64>,
    asked_open: Option<Asked>,
    asked_close: Option<Asked>,
    open: Delays,
    close: Delays,
    pub(super) opens: u64,
    closes: u64,
    /// Closes without an open before them: the capture began while it was commanded on.
    pub(super) began_open: u64,
    missed_opens: u64,
    missed_closes: u64,
    twice: u64,
    unasked: u64,
    pub(super) sense_edges: u64,
    times: Vec<(Kind, f64)>,
}

impl<'a> Nozzle<'a> {
    pub(super) fn new(pair: &Pair, setup: &Setup, tick_s: f64, fired: FiredOf<'a>) -> Nozzle<'a> {
        let ticks = |s: f64| (s / tick_s).round().min(9e17) as i64;
        let wire = |rule: Rule| Debounce::new(ticks(setup.debounce_s), rule == Rule::Changing);
        Nozzle {
            command: wire(pair.command.as_ref().map_or(Rule::High, |c| c.rule)),
            sense: wire(pair.sense.rule),
            fired,
            queue: Vec::new(),
            longest: ticks(setup.longest_s),
            tick_s,
            supply: None,
            asked_open: None,
            asked_close: None,
            open: Delays::default(),
            close: Delays::default(),
            opens: 0,
            closes: 0,
            began_open: 0,
            missed_opens: 0,
            missed_closes: 0,
            twice: 0,
            unasked: 0,
            sense_edges: 0,
            times: Vec::new(),
        }
    }

    /// A wire changes.
    #[inline]
    pub(super) fn take(
        &mut self,
        at: i64,
        wire: Wire,
        on: bool,
        at_start: bool,
        supply: Option<f64>,
    ) {
        self.supply = supply;
        if at_start {
            match wire {
                Wire::Command => self.command.start(on),
                Wire::Sense => self.sense.start(on),
            }
            return;
        }
        self.settle(at);
        match wire {
            Wire::Command => self.command.take(at, on),
            Wire::Sense => self.sense.take(at, on),
        }
    }

    /// Brings both wires up to `now`, and hands on what nothing earlier can precede any more.
    #[inline]
    fn settle(&mut self, now: i64) {
        while let Some(change) = self.command.settle(now) {
            self.queue.push((change, Wire::Command));
        }
        while let Some(change) = self.sense.settle(now) {
            self.sense_edges += 1;
            self.queue.push((change, Wire::Sense));
        }
        if self.queue.is_empty() {
            return;
        }
        let horizon = self.command.horizon(now).min(self.sense.horizon(now));
        // Where both came at once the command is the cause.
        self.queue
            .sort_by_key(|(change, wire)| (change.at, *wire == Wire::Sense));
        let ready = self
            .queue
            .partition_point(|(change, _)| change.at < horizon);
        let mut queue = std::mem::take(&mut self.queue);
        for (change, wire) in queue.drain(..ready) {
            self.edge(change, wire);
        }
        self.queue = queue;
    }

    /// One edge, in order.
    fn edge(&mut self, change: Settled, wire: Wire) {
        match wire {
            Wire::Command => self.commanded(change),
            Wire::Sense => {
                while let Some((&(at, on), rest)) = self.fired.split_first() {
                    if at > change.at {
                        break;
                    }
                    self.fired = rest;
                    self.commanded(Settled { at, on });
                }
                self.sensed(change);
            }
        }
    }

    fn commanded(&mut self, change: Settled) {
        let new = Asked {
            at: change.at,
            answered: false,
            opened: false,
            supply: self.supply,
        };
        if change.on {
            self.opens += 1;
            self.open_is_over();
            self.asked_open = Some(new);
        } else if let Some(open) = self.asked_open {
            self.closes += 1;
            self.close_is_over();
            self.asked_close = Some(Asked {
                opened: open.answered,
                ..new
            });
        } else {
            self.began_open += 1;
        }
    }

    /// The last command to open gets no answer any more.
    fn open_is_over(&mut self) {
        if let Some(open) = self.asked_open.filter(|o| !o.answered) {
            self.missed_opens += 1;
            self.note(Kind::Misses, open.at);
        }
    }

    /// The last command to close gets no answer any more.
    fn close_is_over(&mut self) {
        if let Some(close) = self.asked_close.filter(|c| !c.answered && c.opened) {
            self.missed_closes += 1;
            self.note(Kind::StuckOpen, close.at);
        }
    }

    fn sensed(&mut self, change: Settled) {
        let (asked, within) = match change.on {
            true => (&mut self.asked_open, self.longest),
            false => (&mut self.asked_close, self.longest),
        };
        let answer = asked.as_mut().filter(|a| change.at - a.at <= within);
        match (change.on, answer) {
            (_, Some(asked)) if !asked.answered => {
                asked.answered = true;
                let (at, supply) = (asked.at, asked.supply);
                let ticks = change.at - at;
                if change.on {
                    self.open.push(at, ticks, supply, self.tick_s);
                    if let Some(close) = self.asked_close.as_mut().filter(|c| c.at > at) {
                        close.opened = true;
                    }
                } else {
                    self.close.push(at, ticks, supply, self.tick_s);
                }
            }
            (true, Some(_)) => {
                self.twice += 1;
                self.note(Kind::Twice, change.at);
            }
            (true, None) => {
                // Long after an opening that was answered it has opened again, or by itself.
                let open = self.asked_open.is_some_and(|o| o.answered);
                let told_on = open
                    && self
                        .asked_close
                        .is_none_or(|c| c.at < self.asked_open.map_or(0, |o| o.at));
                if told_on {
                    self.twice += 1;
                    self.note(Kind::Twice, change.at);
                } else {
                    self.unasked += 1;
                    self.note(Kind::Unasked, change.at);
                }
            }
            (false, _) => {}
        }
    }

    fn note(&mut self, kind: Kind, at: i64) {
        let of_kind = self.times.iter().filter(|(k, _)| *k == kind).count();
        if of_kind < MOST_TIMES {
            self.times.push((kind, at as f64 * self.tick_s));
        }
    }

    /// The capture ends at `last`.
    pub(super) fn finish(&mut self, last: i64, supply: Option<f64>) {
        self.supply = supply;
        self.settle(last);
        let rest = std::mem::take(&mut self.queue);
        for (change, wire) in rest {
            self.edge(change, wire);
        }
        while let Some((&(at, on), rest)) = self.fired.split_first() {
            self.fired = rest;
            if at <= last {
                self.commanded(Settled { at, on });
            }
        }
        // A command whose time to be answered goes beyond the end is not missed.
        if self.asked_open.is_some_and(|o| last - o.at > self.longest) {
            self.open_is_over();
        }
        if self.asked_close.is_some_and(|c| last - c.at > self.longest) {
            self.close_is_over();
        }
    }

    pub(super) fn end(self, nozzle: u16, step_s: f64, run_s: f64, lag_s: f64) -> NozzleDelays {
        NozzleDelays {
            nozzle,
            open: self.open.end(step_s, run_s, lag_s),
            close: self.close.end(step_s, run_s, lag_s),
            opens: self.opens,
            closes: self.closes,
            missed_opens: self.missed_opens,
            missed_closes: self.missed_closes,
            twice: self.twice,
            unasked: self.unasked,
            spikes: self.command.spikes + self.sense.spikes,
            times: self.times,
        }
    }
}
