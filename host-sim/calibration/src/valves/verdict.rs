//! What is at fault with a nozzle, judged by its counts and against the others.

use serde::Serialize;

use super::NozzleDelays;
use crate::estimate::median;

/// Kinds of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Opens or closes much later than the middle of all nozzles.
    Slow,
    /// Never opens, or its sense is dead.
    StuckShut,
    /// Stays open after commands to close.
    StuckOpen,
    /// Some commands to open have no answer.
    Misses,
    /// Opens again within one command.
    Twice,
    /// Opens without a command.
    Unasked,
}

impl Kind {
    /// In one word or two.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Slow => "slow",
            Kind::StuckShut => "stuck shut",
            Kind::StuckOpen => "stuck open",
            Kind::Misses => "misses",
            Kind::Twice => "opens twice",
            Kind::Unasked => "opens unasked",
        }
    }
}

/// One fault of one nozzle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    /// The nozzle's number.
    pub nozzle: u16,
    /// What kind.
    pub kind: Kind,
    /// The whole sentence.
    pub says: String,
}

/// The faults of all nozzles, by nozzle.
pub(super) fn faults(nozzles: &[NozzleDelays], slow_s: f64) -> Vec<Fault> {
    let mut faults = Vec::new();
    let mut fault = |nozzle: u16, kind, says: String| faults.push(Fault { nozzle, kind, says });
    let middle = |side: fn(&NozzleDelays) -> Option<f64>| {
        let mut all: Vec<f64> = nozzles.iter().filter_map(side).collect();
        // Two nozzles can't tell which of them is slow.
        (all.len() >= 3).then(|| median(&mut all)).flatten()
    };
    let open = |n: &NozzleDelays| n.open.delay.map(|d| d.value);
    let close = |n: &NozzleDelays| n.close.delay.map(|d| d.value);
    let middles = (middle(open), middle(close));
    for n in nozzles {
        let times = |kind: Kind| {
            let at: Vec<String> = (n.times.iter().filter(|(k, _)| *k == kind))
                .map(|(_, s)| format!("{s:.3}"))
                .collect();
            at.join(", ")
        };
        if n.opens >= 3 && n.missed_opens == n.opens {
            let says = format!(
                "nozzle {} answers none of {} commands to open: it stays shut, or its sense is dead",
                n.nozzle, n.opens
            );
            fault(n.nozzle, Kind::StuckShut, says);
            continue;
        }
        let sides = [
            ("opens", open(n), middles.0),
            ("closes", close(n), middles.1),
        ];
        for (does, own, middle) in sides {
            if let (Some(own), Some(middle)) = (own, middle)
                && own - middle > 1e3 * slow_s
            {
                let says = format!(
                    "nozzle {} {does} {own:.1} ms after the command, the middle of all is {middle:.1} ms",
                    n.nozzle
                );
                fault(n.nozzle, Kind::Slow, says);
            }
        }
        if n.missed_closes > 0 {
            let says = format!(
                "nozzle {} stays open after {} of {} commands to close (at {} s)",
                n.nozzle,
                n.missed_closes,
                n.closes,
                times(Kind::StuckOpen)
            );
            fault(n.nozzle, Kind::StuckOpen, says);
        }
        if n.missed_opens > 0 {
            let says = format!(
                "nozzle {} misses {} of {} commands to open (at {} s)",
                n.nozzle,
                n.missed_opens,
                n.opens,
                times(Kind::Misses)
            );
            fault(n.nozzle, Kind::Misses, says);
        }
        if n.twice > 0 {
            let says = format!(
                "nozzle {} opens again within one command {} times (at {} s)",
                n.nozzle,
                n.twice,
                times(Kind::Twice)
            );
            fault(n.nozzle, Kind::Twice, says);
        }
        if n.unasked > 0 {
            let says = format!(
                "nozzle {} opens {} times without a command (at {} s)",
                n.nozzle,
                n.unasked,
                times(Kind::Unasked)
            );
            fault(n.nozzle, Kind::Unasked, says);
        }
    }
    faults
}
