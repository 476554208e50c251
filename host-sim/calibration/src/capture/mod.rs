//! A logic analyser's captures: what changed when, on which channel.
//!
//! [`vcd`] reads value change dumps (IEEE 1364), [`csv`] tables with a time column, both as a
//! stream in fixed memory: they tell a [`Taker`] of each change and keep nothing. [`watch`] says
//! which channels are looked at and when one counts as on, [`debounce`] what counts as a change.

pub mod csv;
pub mod debounce;
pub mod vcd;
pub mod watch;

use std::io::{self, BufRead};

use crate::Refusal;
pub use watch::{Rule, Watch};

/// Takes what a capture tells. Times are in ticks of the capture, in order.
pub trait Taker {
    /// The capture begins; a tick is so many seconds.
    fn begin(&mut self, tick_s: f64);

    /// A watched channel is on or off from `at` on. Told at the start and on every change;
    /// `at_start` tells that it is the level with which the capture begins.
    fn level(&mut self, at: i64, watch: usize, on: bool, at_start: bool);

    /// A channel watched as a number has this value from `at` on.
    fn number(&mut self, at: i64, watch: usize, value: f64);
}

/// What is known of a capture once it is through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extent {
    /// Length of one tick, s.
    pub tick_s: f64,
    /// First and last time in the capture, ticks; none in a capture without a time.
    pub span: Option<(i64, i64)>,
    /// Ticks that divide all times in the capture: the analyser's sampling step, or the finest
    /// it may have. 0 where there are fewer than two times.
    pub step: i64,
    /// Changes of watched channels.
    pub changes: u64,
    /// Values that are neither 0 nor 1 on channels watched as levels (x and z); left out.
    pub unknown: u64,
}

/// Why a capture can't be read.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The system's reason.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// What is wrong with the file.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// The forms that a capture can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Value change dump.
    Vcd,
    /// Table.
    Csv,
}

/// Tells the form by the first byte that is no blank: a dump begins with `$`.
pub fn form(from: &mut impl BufRead) -> io::Result<Form> {
    let start = from.fill_buf()?;
    let first = start.iter().find(|b| !b.is_ascii_whitespace());
    Ok(match first {
        Some(b'$') => Form::Vcd,
        _ => Form::Csv,
    })
}

/// Reads a capture of either form to its end.
///
/// # Errors
/// What is wrong with the file, a watched channel that it lacks, or the system's reason.
pub fn read(
    mut from: impl BufRead,
    watches: &[Watch],
    to: &mut impl Taker,
) -> Result<Extent, CaptureError> {
    match form(&mut from)? {
        Form::Vcd => vcd::read(from, watches, to),
        Form::Csv => csv::read(from, watches, to),
    }
}

/// Length of the step that divides all of the times told so far.
#[derive(Debug, Clone, Copy, Default)]
struct Steps {
    first: Option<i64>,
    last: i64,
    step: i64,
}

impl Steps {
    /// Takes the next time; false where it lies before the last.
    #[inline]
    fn take(&mut self, at: i64) -> bool {
        match self.first {
            None => self.first = Some(at),
            Some(first) => {
                if at < self.last {
                    return false;
                }
                // Mostly the step divides already: one remainder a time.
                let off = at.wrapping_sub(first);
                if self.step == 0 || off % self.step != 0 {
                    self.step = divisor(self.step, off);
                }
            }
        }
        self.last = at;
        true
    }

    fn span(&self) -> Option<(i64, i64)> {
        self.first.map(|first| (first, self.last))
    }
}

/// Largest common divisor; that of 0 and b is b.
pub(crate) fn divisor(mut a: i64, mut b: i64) -> i64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a.wrapping_abs()
}

/// The channels of a capture in a sentence, so many at most.
fn listed(names: &[String]) -> String {
    const MOST: usize = 12;
    let shown: Vec<&str> = names.iter().take(MOST).map(String::as_str).collect();
    match names.len() {
        0 => "it has none".into(),
        n if n <= MOST => format!("it has {}", shown.join(", ")),
        n => format!("it has {} and {} more", shown.join(", "), n - MOST),
    }
}

/// The refusal of a channel that is not there.
fn no_channel(watch: &Watch, names: &[String]) -> Refusal {
    Refusal::whole(
        format!("channel {} is not in the capture", watch.name),
        format!(
            "name a channel of the capture ({}), or record that channel too",
            listed(names)
        ),
    )
}

/// The refusal of a clock that runs back.
fn runs_back(line: usize, at: &str, before: &str) -> Refusal {
    Refusal::at(
        line,
        format!("the time runs back: {at} after {before}"),
        "give one run a file, as the analyser wrote it; sort the rows of a table by time",
    )
}
