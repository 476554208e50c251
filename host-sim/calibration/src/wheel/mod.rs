//! The wheel: pulses a metre over a taped distance, slots a turn, slip.

pub mod slots;
pub mod spectrum;

use std::io::BufRead;

use serde::Serialize;

use crate::Refusal;
use crate::capture::debounce::Debounce;
use crate::capture::{self, CaptureError, Taker, Watch};
use crate::estimate::{Estimate, Moments, student_t};
pub use slots::{Offsets, Slots, Train};

/// Most pulses of one run: a kilometre at 1000 a metre.
pub const MOST_PULSES: usize = 1_000_000;

/// One drive over the distance.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Times of its pulses, s.
    pub times: Vec<f64>,
    /// The taped distance, m.
    pub distance_m: f64,
}

/// Collects the pulses of a capture's channel.
struct Pulses {
    wire: Debounce,
    hold_s: f64,
    tick_s: f64,
    times: Vec<f64>,
    too_many: bool,
}

impl Pulses {
    fn settle(&mut self, now: i64) {
        while let Some(change) = self.wire.settle(now) {
            if change.on && self.times.len() < MOST_PULSES {
                self.times.push(change.at as f64 * self.tick_s);
            } else if change.on {
                self.too_many = true;
            }
        }
    }
}

impl Taker for Pulses {
    fn begin(&mut self, tick_s: f64) {
        self.tick_s = tick_s;
        self.wire = Debounce::new((self.hold_s / tick_s).round().min(9e17) as i64, false);
    }

    fn level(&mut self, at: i64, _watch: usize, on: bool, at_start: bool) {
        if at_start {
            self.wire.start(on);
            return;
        }
        self.settle(at);
        self.wire.take(at, on);
    }

    fn number(&mut self, _at: i64, _watch: usize, _value: f64) {}
}

/// The times at which a channel of a capture comes on, s. A level counts once it has held for
/// `hold_s`.
///
/// # Errors
/// See [`capture::read`]; a channel without a pulse, or with more than a million.
pub fn pulses(from: impl BufRead, wheel: &Watch, hold_s: f64) -> Result<Vec<f64>, CaptureError> {
    let mut all = Pulses {
        wire: Debounce::new(0, false),
        hold_s,
        tick_s: 1.0,
        times: Vec::new(),
        too_many: false,
    };
    let extent = capture::read(from, std::slice::from_ref(wheel), &mut all)?;
    all.settle(
        extent
            .span
            .map_or(0, |(_, last)| last.saturating_add(i64::MAX / 4)),
    );
    if all.too_many {
        let what = format!("channel {} has more than a million pulses", wheel.name);
        return Err(Refusal::whole(what, "give one drive over the distance a file").into());
    }
    if all.times.is_empty() {
        return Err(Refusal::whole(
            format!("no pulse is on channel {}", wheel.name),
            "record the wheel sensor's wire from mark to mark; is it the right channel?",
        )
        .into());
    }
    Ok(all.times)
}

/// Pulse times as a table of one column, `time_s`, `time_ms` or `time_us`.
///
/// # Errors
/// The head, a line that is no time, times that run back, or no pulse.
pub fn listed(from: impl BufRead) -> Result<Vec<f64>, CaptureError> {
    let mut times: Vec<f64> = Vec::new();
    let mut unit = None;
    for (index, line) in from.lines().enumerate() {
        let (line, number) = (line?, index + 1);
        let text = line.trim_start_matches('\u{feff}').trim();
        if text.is_empty() {
            continue;
        }
        let Some(unit) = unit else {
            unit = Some(match text.trim_matches('"') {
                "time_s" => 1.0,
                "time_ms" => 1e-3,
                "time_us" => 1e-6,
                _ => {
                    let help = "the first line is time_s, time_ms or time_us, then one pulse a line; for a capture name the wheel's channel with --channel";
                    return Err(Refusal::at(
                        number,
                        format!("{text:?} is no head of a list of pulses"),
                        help,
                    )
                    .into());
                }
            });
            continue;
        };
        let time = text
            .parse::<f64>()
            .ok()
            .filter(|t| t.is_finite())
            .map(|t| t * unit);
        let Some(time) = time else {
            return Err(Refusal::at(
                number,
                format!("{text:?} is no time"),
                "write one time a line",
            )
            .into());
        };
        if times.last().is_some_and(|last| time < *last) {
            let what = format!(
                "the time runs back: {time} s after {} s",
                times[times.len() - 1]
            );
            return Err(Refusal::at(
                number,
                what,
                "give one drive a file, in the order in which the pulses came",
            )
            .into());
        }
        if times.len() >= MOST_PULSES {
            return Err(Refusal::at(
                number,
                "more than a million pulses",
                "give one drive over the distance a file",
            )
            .into());
        }
        times.push(time);
    }
    match times.is_empty() {
        true => Err(Refusal::whole(
            "the list has no pulse",
            "write the time of each pulse between the marks, one a line",
        )
        .into()),
        false => Ok(times),
    }
}

/// Pulses a metre over several runs: all pulses over all metres. The interval is Student's over
/// the runs, and never narrower than the counting itself allows (the first and the last pulse may
/// each lie anywhere within a pulse of its mark) and the tape (`tape_m`, half of its 95 %
/// interval for each run).
///
/// # Errors
/// No run, a run of fewer than ten pulses or no distance.
pub fn pulses_per_m(runs: &[Run], tape_m: f64) -> Result<Estimate, Refusal> {
    let mut each = Moments::default();
    let (mut pulses, mut metres) = (0.0, 0.0);
    for (index, run) in runs.iter().enumerate() {
        let number = index + 1;
        if !(run.distance_m > 0.0 && run.distance_m.is_finite()) {
            return Err(Refusal::whole(
                format!("run {number} has no distance"),
                "give the taped distance in metres",
            ));
        }
        if run.times.len() < 10 {
            return Err(Refusal::whole(
                format!(
                    "run {number} has {} pulses: too few to tell",
                    run.times.len()
                ),
                "drive a longer distance, 50 m and more",
            ));
        }
        pulses += run.times.len() as f64;
        metres += run.distance_m;
        each.push(run.times.len() as f64 / run.distance_m);
    }
    if runs.is_empty() {
        return Err(Refusal::whole(
            "no run is given",
            "drive over the taped distance and give its pulses",
        ));
    }
    let n = runs.len() as f64;
    let value = pulses / metres;
    // Two ends, each even over one pulse: variance 1/6.
    let counting = 1.96 * (n / 6.0).sqrt() / metres;
    // A tape that is wrong is wrong in every run.
    let tape = value * tape_m * n / metres;
    let over_runs = match each.sd() {
        Some(sd) => student_t(runs.len() - 1) * sd / n.sqrt(),
        None => 0.0,
    };
    Ok(Estimate {
        value,
        half_width: (over_runs.max(counting).powi(2) + tape * tape).sqrt(),
        unit: "pulses/m",
        n: runs.len(),
    })
}

/// What loading the machine changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Slip {
    /// Share by which the wheel travels less a pulse under load, percent; positive: it turns more
    /// often for the same ground, as a driven wheel does.
    pub percent: Estimate,
}

/// Slip between loaded and unloaded runs: 1 − unloaded over loaded pulses a metre, which is one
/// less the actual over the no-slip distance a turn.
pub fn slip(loaded: &Estimate, unloaded: &Estimate) -> Slip {
    let ratio = unloaded.value / loaded.value;
    let relative = (loaded.half_width / loaded.value).hypot(unloaded.half_width / unloaded.value);
    Slip {
        percent: Estimate {
            value: 100.0 * (1.0 - ratio),
            half_width: 100.0 * ratio * relative,
            unit: "%",
            n: loaded.n + unloaded.n,
        },
    }
}
