//! The timing run: fires nozzles in a pattern whose gaps are irregular, and lists what was fired.
//!
//! A logic analyser records the sense of each nozzle and the command wire of one, the sync. The
//! list has the board's own times of all commands; `calibrate valves --fired` finds the pattern on
//! the sync wire and so brings them onto the capture's clock. No clock of this computer is in it.

use std::fmt::Write as _;
use std::path::Path;

use clap::Args;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::Serialize;

use super::ms;
use super::session::Session;
use super::valves::{Held, Hold, Shot};
use crate::commands::{self, ValveCommand};
use crate::error::{Error, Result};
use crate::machine::MOST_NOZZLES;
use crate::output;

/// Most shots of one run: at two a second more than an hour.
const MOST_SHOTS: usize = 10_000;

/// What to fire.
#[derive(Debug, Args)]
pub struct Wish {
    /// The first nozzle
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub from: u16,
    /// The last nozzle
    #[arg(long, value_name = "N")]
    pub to: u16,
    /// How often each
    #[arg(long, value_name = "N", default_value_t = 30)]
    pub times: u16,
    /// How long each, ms
    #[arg(long, value_name = "T", default_value_t = 60)]
    pub on_ms: u32,
    /// Shortest pause between two, ms; up to twice as much again is added at random
    #[arg(long, value_name = "T", default_value_t = 60)]
    pub pause_ms: u32,
    /// Another number gives other pauses
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Where the list of what was fired goes
    #[arg(long, value_name = "FIRED.csv")]
    pub out: String,
}

/// What was fired.
#[derive(Debug, Serialize)]
pub struct Fired {
    /// How the run went.
    #[serde(flatten)]
    pub held: Held,
    /// The list.
    pub list: String,
    /// Shots that were asked for.
    pub shots: usize,
}

/// The pattern: all nozzles in turn, so that each is spread over the whole run.
///
/// # Errors
/// A wish that fires nothing, or for too long.
pub fn shots(wish: &Wish) -> Result<Vec<Shot>> {
    if wish.to < wish.from || usize::from(wish.to) >= MOST_NOZZLES {
        return Err(Error::Usage(format!(
            "nozzles {} to {} can't be fired\n  help: give the first and the last, 0 to {}",
            wish.from,
            wish.to,
            MOST_NOZZLES - 1
        )));
    }
    let nozzles = usize::from(wish.to - wish.from) + 1;
    let count = nozzles * usize::from(wish.times);
    if count == 0 || count > MOST_SHOTS {
        return Err(Error::Usage(format!(
            "{count} shots are no timing run\n  help: give --times so that there are 1 to {MOST_SHOTS} in all"
        )));
    }
    if !(1..=10_000).contains(&wish.pause_ms) {
        return Err(Error::Usage(format!(
            "--pause-ms is {}, which is outside 1 to 10000\n  help: give milliseconds, longer than the slowest valve takes",
            wish.pause_ms
        )));
    }
    let on = ms(wish.on_ms)?;
    let mut rng = Pcg64Mcg::seed_from_u64(wish.seed);
    let mut shots = Vec::with_capacity(count);
    for _ in 0..wish.times {
        for nozzle in wish.from..=wish.to {
            let more = f64::from(wish.pause_ms) * 2.0 * rng.random::<f64>();
            shots.push(Shot {
                nozzle,
                on,
                pause_ms: u64::from(wish.pause_ms) + more as u64,
            });
        }
    }
    Ok(shots)
}

/// Fires the pattern and writes the list, of whatever was fired.
///
/// # Errors
/// A refusal, a board that is gone or does not tell its commands, or a list that can't be written.
pub fn fire(session: &mut Session, wish: &Wish, shots: &[Shot]) -> Result<Fired> {
    let held = Hold::new(session)?.pattern(shots)?;
    if held.openings.is_empty() {
        return Err(Error::board(
            "the board does not tell when it commanded its valves",
            "record the command wires themselves and give them to `calibrate valves`; a board tells its commands when its firmware is built with reports of them",
        ));
    }
    let list = list(&held);
    output::to_file(Path::new(&wish.out), |name, to| {
        commands::write(name, to, &list)
    })?;
    Ok(Fired {
        held,
        list: wish.out.clone(),
        shots: shots.len(),
    })
}

/// The openings as commands, in time order.
fn list(held: &Held) -> Vec<ValveCommand> {
    let mut list = Vec::with_capacity(2 * held.openings.len());
    for opening in &held.openings {
        let mut put = |t_us, open| {
            list.push(ValveCommand {
                t_us,
                nozzle: opening.nozzle,
                open,
                short_by_m: 0.0,
            });
        };
        put(opening.opened_us, true);
        if let Some(on_us) = opening.on_us {
            put(opening.opened_us + on_us, false);
        }
    }
    list.sort_by_key(|c| c.t_us);
    list
}

impl Fired {
    /// True when all was fired and closed again.
    pub fn holds(&self) -> bool {
        self.held.holds() && self.held.openings.len() == self.shots
    }

    /// For people.
    pub fn table(&self) -> String {
        let (fired, asked) = (self.held.openings.len(), self.shots);
        let mut out = format!("{fired} of {asked} shots fired; list: {}\n", self.list);
        if !self.holds() {
            let _infallible = writeln!(
                out,
                "WRONG: not all was fired and closed again: {:?}",
                self.held.end
            );
        }
        let _infallible = writeln!(
            out,
            "next: host-sim calibrate valves CAPTURE --fired {} --sync NOZZLE:COMMAND --pair NOZZLE:SENSE ...",
            self.list
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish() -> Wish {
        Wish {
            from: 2,
            to: 4,
            times: 40,
            on_ms: 60,
            pause_ms: 50,
            seed: 3,
            out: String::new(),
        }
    }

    #[test]
    fn pauses_are_irregular_and_each_nozzle_comes_as_often() {
        let all = shots(&wish()).expect("a pattern");
        assert_eq!(all.len(), 120);
        for nozzle in 2..=4 {
            assert_eq!(all.iter().filter(|s| s.nozzle == nozzle).count(), 40);
        }
        let mut pauses: Vec<u64> = all.iter().map(|s| s.pause_ms).collect();
        assert!(pauses.iter().all(|p| (50..=150).contains(p)));
        pauses.sort_unstable();
        pauses.dedup();
        assert!(pauses.len() > 50, "{}", pauses.len());
        assert_ne!(shots(&Wish { seed: 4, ..wish() }).expect("a pattern"), all);
    }

    #[test]
    fn what_fires_nothing_or_too_long_is_refused() {
        for bad in [
            Wish { to: 1, ..wish() },
            Wish { to: 500, ..wish() },
            Wish { times: 0, ..wish() },
            Wish {
                times: 9000,
                ..wish()
            },
            Wish {
                pause_ms: 0,
                ..wish()
            },
            Wish { on_ms: 0, ..wish() },
        ] {
            assert!(shots(&bad).unwrap_err().to_string().contains("help:"));
        }
    }
}
