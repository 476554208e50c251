//! Valve delays from a capture: each nozzle's command edge against its sense edge.
//!
//! The sense is whatever tells that spray flows or stops: flow, pressure, sound or light. An
//! opening answers the latest command to open before it, a closing the latest to close; so a
//! command without an answer is a miss and does not shift the answers after it. All is done in one
//! pass; memory is by the nozzle, not by the edge ([`delays`] says what is kept).

pub mod delays;
pub mod fired;
mod nozzle;
mod verdict;

use std::io::BufRead;

use serde::Serialize;

use crate::Refusal;
use crate::capture::{self, CaptureError, Extent, Taker, Watch};
pub use delays::{Delay, Side};
use nozzle::{Nozzle, Wire};
pub use verdict::{Fault, Kind};

/// What belongs to one nozzle.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Its number, from 0 at the left.
    pub nozzle: u16,
    /// The wire of its command; none where the commands come from a list of what was fired.
    pub command: Option<Watch>,
    /// What tells that it sprays.
    pub sense: Watch,
}

/// How to measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The nozzles.
    pub pairs: Vec<Pair>,
    /// A channel with the supply's voltage.
    pub supply: Option<Watch>,
    /// A level counts once it has held for so long, s.
    pub debounce_s: f64,
    /// Longest time from a command to its answer, s.
    pub longest_s: f64,
    /// What the sense itself is late by, s: sound takes 2.9 ms a metre.
    pub lag_s: f64,
    /// A nozzle is slow from so much above the middle of all, s.
    pub slow_s: f64,
}

/// A command that was fired, where it is not in the capture: ticks and open or close, in order.
pub type FiredOf<'a> = &'a [(i64, bool)];

/// What came of one nozzle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NozzleDelays {
    /// Its number.
    pub nozzle: u16,
    /// From the command to open to the sense's begin.
    pub open: Side,
    /// From the command to close to the sense's end.
    pub close: Side,
    /// Commands to open.
    pub opens: u64,
    /// Commands to close.
    pub closes: u64,
    /// Commands to open without an answer.
    pub missed_opens: u64,
    /// Commands to close without an answer, though it was open.
    pub missed_closes: u64,
    /// Openings beyond the first for one command.
    pub twice: u64,
    /// Openings without a command.
    pub unasked: u64,
    /// Spikes on command and sense that were too short to count.
    pub spikes: u64,
    /// The first times at which something of this went wrong, s.
    pub times: Vec<(Kind, f64)>,
}

/// What came of a capture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// The nozzles, in the order of the pairs.
    pub nozzles: Vec<NozzleDelays>,
    /// What is at fault.
    pub faults: Vec<Fault>,
    /// Length of the capture, s.
    pub run_s: f64,
    /// The analyser's sampling step, or the finest it may have, s.
    pub step_s: f64,
    /// Changes of the channels looked at.
    pub changes: u64,
}

/// Measures delays from a capture, read to its end. `fired` has the commands of each pair that
/// has no command wire, on the capture's clock; empty where all have one.
///
/// # Errors
/// What is wrong with the capture, or that it shows no delay at all.
pub fn measure(
    from: impl BufRead,
    setup: &Setup,
    fired: &[FiredOf<'_>],
) -> Result<Measured, CaptureError> {
    let mut watches = Vec::new();
    let mut wires = Vec::new();
    for (index, pair) in setup.pairs.iter().enumerate() {
        if let Some(command) = &pair.command {
            watches.push(command.clone());
            wires.push((index, Wire::Command));
        }
        watches.push(pair.sense.clone());
        wires.push((index, Wire::Sense));
    }
    watches.extend(setup.supply.clone());
    let mut bench = Bench {
        nozzles: Vec::new(),
        wires,
        setup,
        fired,
        supply: None,
        tick_s: 1.0,
    };
    let extent = capture::read(from, &watches, &mut bench)?;
    Ok(bench.end(&extent)?)
}

/// All nozzles, as the capture goes by.
struct Bench<'a> {
    nozzles: Vec<Nozzle<'a>>,
    wires: Vec<(usize, Wire)>,
    setup: &'a Setup,
    fired: &'a [FiredOf<'a>],
    supply: Option<f64>,
    tick_s: f64,
}

impl Taker for Bench<'_> {
    fn begin(&mut self, tick_s: f64) {
        self.tick_s = tick_s;
        let make = |(index, pair): (usize, &Pair)| {
            let fired = self.fired.get(index).copied().unwrap_or_default();
            Nozzle::new(pair, self.setup, tick_s, fired)
        };
        self.nozzles = self.setup.pairs.iter().enumerate().map(make).collect();
    }

    #[inline]
    fn level(&mut self, at: i64, watch: usize, on: bool, at_start: bool) {
        let Some(&(index, wire)) = self.wires.get(watch) else {
            return;
        };
        if let Some(nozzle) = self.nozzles.get_mut(index) {
            nozzle.take(at, wire, on, at_start, self.supply);
        }
    }

    fn number(&mut self, _at: i64, _watch: usize, value: f64) {
        self.supply = Some(value);
    }
}

impl Bench<'_> {
    fn end(mut self, extent: &Extent) -> Result<Measured, Refusal> {
        let Some((first, last)) = extent.span else {
            return Err(Refusal::whole(
                "the capture holds no time at all",
                "record while the valves are fired",
            ));
        };
        let supply = self.supply;
        let run_s = (last - first) as f64 * extent.tick_s;
        let step_s = extent.step as f64 * extent.tick_s;
        for nozzle in &mut self.nozzles {
            nozzle.finish(last, supply);
        }
        self.look_for_edges()?;
        let ends = self.nozzles.into_iter().zip(&self.setup.pairs);
        let nozzles: Vec<NozzleDelays> = ends
            .map(|(nozzle, pair)| nozzle.end(pair.nozzle, step_s, run_s, self.setup.lag_s))
            .collect();
        Ok(Measured {
            faults: verdict::faults(&nozzles, self.setup.slow_s),
            nozzles,
            run_s,
            step_s,
            changes: extent.changes,
        })
    }

    /// A capture in which nothing was fired, or nothing answers anywhere, is no measurement.
    fn look_for_edges(&self) -> Result<(), Refusal> {
        let all = |text: fn(&Pair) -> String| {
            let list: Vec<String> = self.setup.pairs.iter().map(text).take(8).collect();
            list.join(", ")
        };
        if self.nozzles.iter().all(|n| n.opens == 0) {
            let closes: u64 = self.nozzles.iter().map(|n| n.began_open).sum();
            let names = all(|p| {
                p.command
                    .as_ref()
                    .map_or("the list".into(), |c| c.name.clone())
            });
            if closes > 0 {
                return Err(Refusal::whole(
                    format!("the capture has commands to close and none to open ({names})"),
                    "is the command on while low? Then name it with a ! in front (!NAME); else begin the capture before the first opening",
                ));
            }
            return Err(Refusal::whole(
                format!("no command edge is in the capture ({names})"),
                "fire the valves while the analyser records, and name the wires that their commands come by",
            ));
        }
        if self.nozzles.iter().all(|n| n.sense_edges == 0) {
            let names = all(|p| p.sense.name.clone());
            return Err(Refusal::whole(
                format!(
                    "no sense edge is in the capture ({names}): the commands have nothing to be held against"
                ),
                "record a flow, pressure, sound or light sensor beside the command; give an analogue one a limit (NAME>X)",
            ));
        }
        Ok(())
    }
}
