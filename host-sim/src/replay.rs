//! Driving the core from a recording: from event to event and deadline to deadline, never by
//! fixed ticks.
//!
//! Before an input is handed over the core is polled up to its stamp, as a firmware would. After
//! the last input time runs on until every valve is closed and a second has passed.

use controller_core::{Action, Counters, Micros, Poll, YawCounts};

use crate::commands::ValveCommand;
use crate::core_setup::{self, Core, Setup};
use crate::cycles::{CycleDuty, Cycles};
use crate::error::{Error, Result};
use crate::machine::{Machine, YawSource};
use crate::recording::{Direction, Input, Recording};

/// How long time runs on after the last input or command, µs.
const AFTER_US: u64 = 1_000_000;
/// How long it runs on for a valve that stays open, µs.
const LONGEST_AFTER_US: u64 = 60_000_000;
/// More polls than this at one instant mean that the core does not come to rest.
const MOST_POLLS: u32 = 1_000_000;

/// What came out of a replay.
#[derive(Debug, Clone)]
pub struct Replay {
    /// Commands in the order in which they were given out.
    pub commands: Vec<ValveCommand>,
    /// What switched valves were told, cycle by cycle; empty on a machine without a rate.
    pub duties: Vec<CycleDuty>,
    /// For each of them, the instant at which the core decided it, µs.
    pub decided_us: Vec<u64>,
    /// For each image in order, what became of it.
    pub images: Vec<ImageFate>,
    /// The core's own counters at the end.
    pub counters: Counters,
    /// What it made of turning, counted.
    pub yaw: YawCounts,
}

/// What the core made of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ImageFate {
    /// Taken; at least one plant was accepted, or there was none.
    Taken,
    /// Taken, but every plant in it lay beside the boom.
    AllOutside,
    /// Taken, but every plant in it came too late or beside the boom.
    TooLate,
    /// Refused as a whole.
    Refused,
}

/// Replays a recording through a fresh core; `machine_file` is the name shown in messages.
pub fn replay(machine_file: &str, machine: &Machine, recording: &Recording) -> Result<Replay> {
    let first = recording.events.first().map_or(0, |e| e.t_us);
    let setup = Setup::new(machine_file, machine)?;
    let mut run = Run {
        core: setup.core()?,
        at: first,
        next: first,
        commands: Vec::new(),
        decided_us: Vec::new(),
        open: vec![false; machine.nozzles.len()],
        cycles: (machine.rate.as_ref())
            .map(|rate| Cycles::new((rate.cycle_s * 1e6).round() as u64, machine.nozzles.len())),
    };
    let sections = machine.section_runs().len();
    let heading = machine.turning.map(|t| t.heading);
    let rate = heading == Some(YawSource::Rate);
    let second = matches!(heading, Some(YawSource::SecondWheel { .. }));
    let mut images = Vec::new();
    let mut plants = Vec::new();
    for event in &recording.events {
        run.poll_up_to(event.t_us)?;
        let now = Micros(event.t_us);
        match &event.input {
            // A refused pulse, direction or image is counted by the core, and the counters are reported.
            Input::Pulse => drop(run.core.handle_pulse(now)),
            // What the machine file does not name as its turning input is left alone.
            Input::WheelPulse(wheel) if *wheel == 1 && second => {
                let _counted = run.core.handle_second_pulse(now);
            }
            Input::Yaw(mdeg_s) if rate => {
                let _counted = run.core.handle_yaw_rate(now, core_setup::yaw(*mdeg_s));
            }
            Input::WheelPulse(_) | Input::Yaw(_) => {}
            // Without [rate] it means nothing to the core.
            Input::Pressure(kpa) => drop(run.core.handle_pressure(now, *kpa)),
            Input::Direction(direction) => drop(run.core.handle_direction(
                now,
                match direction {
                    Direction::Forward => controller_core::Direction::Forward,
                    Direction::Reverse => controller_core::Direction::Reverse,
                },
            )),
            Input::Image(image) => {
                plants.clear();
                plants.extend(image.plants.iter().map(core_setup::plant));
                let result = run
                    .core
                    .handle_image(now, &core_setup::image(image, &plants));
                images.push(match result {
                    Err(_) => ImageFate::Refused,
                    Ok(report) if plants.is_empty() || report.accepted > 0 => ImageFate::Taken,
                    Ok(report) if report.late > 0 => ImageFate::TooLate,
                    Ok(_) => ImageFate::AllOutside,
                });
            }
            Input::Order(order) => core_setup::order(&mut run.core, now, order, sections),
        }
        run.drain(event.t_us)?;
    }
    run.run_out(recording.events.last().map_or(first, |e| e.t_us))?;
    Ok(Replay {
        counters: *run.core.counters(),
        yaw: *run.core.yaw_counts(),
        commands: run.commands,
        duties: run.cycles.map(|c| c.duties).unwrap_or_default(),
        decided_us: run.decided_us,
        images,
    })
}

struct Run<'a> {
    core: Box<Core<'a>>,
    /// The instant that time has come to, µs.
    at: u64,
    /// The core's next deadline, µs.
    next: u64,
    commands: Vec<ValveCommand>,
    /// For each command, when it was decided, µs.
    decided_us: Vec<u64>,
    /// For each nozzle, whether its last command was to open.
    open: Vec<bool>,
    /// Cycles of switched valves, on a machine with a rate.
    cycles: Option<Cycles>,
}

impl Run<'_> {
    /// Polls at every deadline before `t_us`, then at `t_us`.
    fn poll_up_to(&mut self, t_us: u64) -> Result<()> {
        while let instant = self.deadline()
            && instant < t_us
        {
            self.step(instant)?;
        }
        self.step(t_us)
    }

    /// The core's next deadline, or the beginning of a cycle before it.
    fn deadline(&self) -> u64 {
        let begins = self.cycles.as_ref().and_then(Cycles::next);
        begins.map_or(self.next, |at| at.min(self.next))
    }

    /// Polls, and begins the cycles that are due then.
    fn step(&mut self, t_us: u64) -> Result<()> {
        // A late command's cycle begins at once.
        let t_us = t_us.max(self.at);
        self.at = t_us;
        self.drain(t_us)?;
        let Self { core, cycles, .. } = self;
        if let Some(cycles) = cycles {
            cycles.begin(t_us, |nozzle, begins_us| {
                // The core knows all nozzles of its own machine, which has a rate.
                let cycle = core.cycle(Micros(t_us), Micros(begins_us), nozzle)?;
                Some((cycle.duty, u64::from(cycle.length.0)))
            });
        }
        Ok(())
    }

    /// Polls at one instant until the core has nothing more to say.
    fn drain(&mut self, t_us: u64) -> Result<()> {
        for _ in 0..MOST_POLLS {
            match self.core.poll(Micros(t_us)) {
                Poll::Busy => {}
                Poll::Command(c) => {
                    let open = c.action == Action::Open;
                    if let Some(state) = self.open.get_mut(usize::from(c.nozzle)) {
                        *state = open;
                    }
                    self.decided_us.push(t_us);
                    let command = ValveCommand {
                        t_us: c.at.0,
                        nozzle: c.nozzle,
                        open,
                        short_by_m: c.short_by.to_um() as f64 * 1e-6,
                    };
                    if let Some(cycles) = &mut self.cycles {
                        cycles.command(&command);
                    }
                    self.commands.push(command);
                }
                Poll::Idle { next } if next.0 > t_us => {
                    self.next = next.0;
                    return Ok(());
                }
                Poll::Idle { next } => {
                    return Err(Error::Internal(format!(
                        "the core asks to be polled at {} at {t_us} us",
                        next.0
                    )));
                }
            }
        }
        Err(Error::Internal(format!(
            "the core does not come to rest at {t_us} us"
        )))
    }

    /// Goes on after the last input until every valve is closed and a second has passed.
    fn run_out(&mut self, last: u64) -> Result<()> {
        let limit = last.saturating_add(LONGEST_AFTER_US);
        loop {
            let acted = self.commands.last().map_or(last, |c| c.t_us.max(last));
            let until = if self.open.contains(&true) {
                limit
            } else {
                limit.min(acted.saturating_add(AFTER_US))
            };
            let instant = self.deadline();
            if instant > until {
                return Ok(());
            }
            self.step(instant)?;
        }
    }
}
