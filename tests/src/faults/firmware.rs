//! What stands around the core in a story: it polls when it should, or later, and hands over what
//! it is told.

use controller_core::{Action, Counters, Micros, Poll, YawCounts};
use host_sim::commands::ValveCommand;
use host_sim::core_setup::{self, Core, Setup};
use host_sim::machine::YawSource;
use host_sim::recording::{Direction, Input};
use host_sim::replay::ImageFate;

/// A firmware that does what it should around the core.
pub(super) struct Firmware<'a> {
    pub(super) core: Box<Core<'a>>,
    /// When it polls next.
    pub(super) next: u64,
    late: u64,
    /// The instant that it has come to.
    now: u64,
    pub(super) told: Vec<ValveCommand>,
    pub(super) fates: Vec<ImageFate>,
    pub(super) counters: Vec<Counters>,
    pub(super) turned: Vec<YawCounts>,
    sections: usize,
    /// From where the heading is known.
    pub(super) heading: Option<YawSource>,
}

impl<'a> Firmware<'a> {
    pub(super) fn new(setup: &'a Setup, late: u64) -> Self {
        Self {
            core: setup.core().expect("the core takes it"),
            next: 0,
            late,
            now: 0,
            told: Vec::new(),
            fates: Vec::new(),
            counters: Vec::new(),
            turned: Vec::new(),
            sections: 1,
            heading: None,
        }
    }

    /// Keeps the counters of this start.
    pub(super) fn count(&mut self) {
        self.counters.push(*self.core.counters());
        self.turned.push(*self.core.yaw_counts());
    }

    pub(super) fn up_to(&mut self, t_us: u64) {
        while self.next.saturating_add(self.late) < t_us {
            self.drain(self.next.saturating_add(self.late));
        }
        self.drain(t_us);
    }

    /// Time does not run back, whatever stamps come.
    pub(super) fn drain(&mut self, t_us: u64) {
        self.now = self.now.max(t_us);
        for _ in 0..1_000_000 {
            match self.core.poll(Micros(t_us)) {
                Poll::Busy => {}
                Poll::Command(c) => {
                    let open = c.action == Action::Open;
                    self.told.push(ValveCommand {
                        t_us: c.at.0.max(self.now),
                        nozzle: c.nozzle,
                        open,
                        short_by_m: c.short_by.to_um() as f64 * 1e-6,
                    });
                }
                Poll::Idle { next } => {
                    self.next = next.0.max(t_us + 1);
                    return;
                }
            }
        }
        panic!("the core does not come to rest at {t_us} µs");
    }

    pub(super) fn tell(&mut self, t_us: u64, input: &Input) {
        self.up_to(t_us);
        self.hand(t_us, input);
        self.drain(t_us);
    }

    /// Hands over what interrupts kept meanwhile, with its own stamps, and polls at last.
    pub(super) fn wake(&mut self, t_us: u64, kept: &[(u64, Input)]) {
        for (stamp, input) in kept {
            self.hand(*stamp, input);
        }
        self.drain(t_us);
    }

    fn hand(&mut self, t_us: u64, input: &Input) {
        let now = Micros(t_us);
        match input {
            // What is refused the core counts.
            Input::Pulse => {
                let _counted = self.core.handle_pulse(now);
            }
            Input::Direction(direction) => {
                let direction = match direction {
                    Direction::Forward => controller_core::Direction::Forward,
                    Direction::Reverse => controller_core::Direction::Reverse,
                };
                let _counted = self.core.handle_direction(now, direction);
            }
            Input::Order(order) => core_setup::order(&mut self.core, now, order, self.sections),
            Input::WheelPulse(1) if matches!(self.heading, Some(YawSource::SecondWheel { .. })) => {
                let _counted = self.core.handle_second_pulse(now);
            }
            Input::Yaw(mdeg_s) if self.heading == Some(YawSource::Rate) => {
                let _counted = self.core.handle_yaw_rate(now, core_setup::yaw(*mdeg_s));
            }
            Input::WheelPulse(_) | Input::Yaw(_) | Input::Pressure(_) => {
                unreachable!("nothing tells of it")
            }
            Input::Image(image) => {
                let plants: Vec<_> = image.plants.iter().map(core_setup::plant).collect();
                let image = core_setup::image(image, &plants);
                self.fates.push(match self.core.handle_image(now, &image) {
                    Err(_) => ImageFate::Refused,
                    Ok(report) if plants.is_empty() || report.accepted > 0 => ImageFate::Taken,
                    Ok(report) if report.late > 0 => ImageFate::TooLate,
                    Ok(_) => ImageFate::AllOutside,
                });
            }
        }
    }

    pub(super) fn restart(&mut self, t_us: u64, setup: &'a Setup) {
        self.up_to(t_us);
        // What was decided for later goes with the memory.
        self.told.retain(|c| c.t_us <= t_us);
        for nozzle in 0..256 {
            let last = self.told.iter().rev().find(|c| c.nozzle == nozzle);
            if last.is_some_and(|c| c.open) {
                self.told.push(ValveCommand {
                    t_us,
                    nozzle,
                    open: false,
                    short_by_m: 0.0,
                });
            }
        }
        self.count();
        self.core = setup.core().expect("the core takes it");
        self.next = t_us;
    }

    pub(super) fn run_out(&mut self, last: u64) {
        while self.next <= last + 3_000_000 {
            self.drain(self.next.saturating_add(self.late));
        }
    }
}
