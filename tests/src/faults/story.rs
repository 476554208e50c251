//! The drive that faults are put into: what happens in which order, and how it is replayed.

use super::firmware::Firmware;
use controller_core::{Counters, Micros, YawCounts};
use ground_truth::Report;
use host_sim::commands::ValveCommand;
use host_sim::core_setup::Setup;
use host_sim::generate::{Drive, drive};
use host_sim::machine::Machine;
use host_sim::orders::Order;
use host_sim::recording::{Event, Image, Input, Recording};
use host_sim::run::DEMO_MACHINE;
use host_sim::scenario::Scenario;
use host_sim::scene::Scene;
use host_sim::truth_valves::TrueSpread;
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;
use std::sync::OnceLock;

/// Which drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Base {
    /// Eight nozzles that serve their lanes.
    Lanes,
    /// The same with unseen ground sprayed.
    SpraysUnseen,
    /// The same with a direction input.
    Direction,
    /// The same, closed after the start until acknowledged.
    Acknowledged,
    /// Eight nozzles with fans that add up.
    Fans,
    /// Twenty-four lanes round a curve, with a yaw-rate sensor.
    Yaw,
    /// The same with a second wheel.
    TwoWheels,
}

impl Base {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Lanes,
        Self::SpraysUnseen,
        Self::Direction,
        Self::Acknowledged,
        Self::Fans,
        Self::Yaw,
        Self::TwoWheels,
    ];
}

/// Ten seconds at rest, then 3 m/s: 10 m straight on, 120° round 30 m from 17 s on, and 60 m
/// straight on from 41 s on.
const CURVE: &str = r#"scenario_format = 1
name = "a curve for faults"
seed = 43
machine = "machine.toml"
[motion]
start_speed_m_s = 0.0
[[motion.piece]]
duration_s = 10.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 3.0
acceleration_m_s2 = 1.0
[[motion.piece]]
duration_s = 48.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 3.0
acceleration_m_s2 = -1.0
[[motion.piece]]
duration_s = 3.0
acceleration_m_s2 = 0.0
[[motion.leg]]
length_m = 10.0
[[motion.leg]]
length_m = 5.0
to_radius_m = 30.0
[[motion.leg]]
turn_deg = 120.0
radius_m = 30.0
[[motion.leg]]
length_m = 5.0
to_radius_m = 0
[[motion.leg]]
length_m = 80.0
[boom]
behind_axle_m = 2.0
[field]
density_per_m2 = 0.2
size_mean_m = 0.06
size_sd_m = 0.02
size_min_m = 0.03
size_max_m = 0.1
[detector]
frame_rate_hz = 20.0
delay_mean_ms = 80.0
delay_sd_ms = 5.0
once = true
[wheel]
slots = 100
unevenness_percent = 0.0
stamp_jitter_us = 0.0
"#;

/// 300 m: 1.5 to 5 m/s, a stop of 4 s after 57 s and one at the end. Plants in every image
/// that shows them.
const SCENARIO: &str = r#"scenario_format = 1
name = "a drive for faults"
seed = 42
machine = "machine.toml"
[motion]
start_speed_m_s = 0.0
[[motion.piece]]
duration_s = 3.0
acceleration_m_s2 = 1.0
[[motion.piece]]
duration_s = 20.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 4.0
acceleration_m_s2 = 0.5
[[motion.piece]]
duration_s = 10.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 10.0
acceleration_m_s2 = -0.35
[[motion.piece]]
duration_s = 5.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 2.0
acceleration_m_s2 = -0.75
[[motion.piece]]
duration_s = 4.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 4.0
acceleration_m_s2 = 1.0
[[motion.piece]]
duration_s = 25.0
acceleration_m_s2 = 0.0
[[motion.piece]]
duration_s = 4.0
acceleration_m_s2 = -1.0
[[motion.piece]]
duration_s = 3.0
acceleration_m_s2 = 0.0
[field]
density_per_m2 = 0.3
size_mean_m = 0.08
size_sd_m = 0.03
size_min_m = 0.03
size_max_m = 0.15
[wheel]
slots = 100
unevenness_percent = 0.5
stamp_jitter_us = 10.0
[detector]
frame_rate_hz = 20.0
delay_mean_ms = 80.0
delay_sd_ms = 10.0
once = false
"#;

/// When the machine begins to stand in the middle of the drive, and for how long, µs.
pub const STANDS_US: (u64, u64) = (54_000_000, 58_000_000);

fn machine(base: Base) -> Machine {
    let plain = DEMO_MACHINE.to_owned();
    let wide = plain
        .replace("nozzles = 8", "nozzles = 24")
        .replace("view_left_m = 2.2", "view_left_m = 12.0")
        .replace("view_right_m = 2.2", "view_right_m = 12.0");
    let text = match base {
        Base::Lanes => plain,
        Base::SpraysUnseen => plain + "\n[modes]\nunseen = \"spray\"\n",
        Base::Direction => plain.replace("[wheel]", "[wheel]\ndirection_input = true"),
        Base::Acknowledged => plain + "\n[modes]\nacknowledge_at_start = true\n",
        Base::Fans => plain.replace(
            "lane_width_m = 0.5",
            "fan_angle_deg = 110.0\nheight_m = 0.5",
        ),
        Base::Yaw => wide + "\n[turning]\nbehind_axle_m = 2.0\n",
        Base::TwoWheels => {
            wide + "\n[turning]\nbehind_axle_m = 2.0\nwheel_y_m = -0.9\nsecond_wheel_y_m = 0.9\nsecond_pulse_length_m = 0.02\n"
        }
    };
    Machine::parse("machine.toml", &text).expect("the demo's machine, changed")
}

/// The drive is the same for all; made once for each.
fn world(base: Base) -> &'static Drive {
    static WORLDS: [OnceLock<Drive>; Base::ALL.len()] =
        [const { OnceLock::new() }; Base::ALL.len()];
    WORLDS[base as usize].get_or_init(|| {
        let text = match base {
            Base::Yaw => {
                format!(
                    "{CURVE}[yaw_sensor]\nrate_hz = 50.0\nnoise_deg_s = 0.2\nbias_deg_s = 0.1\n"
                )
            }
            Base::TwoWheels => format!("{CURVE}y_m = -0.9\n[second_wheel]\ny_m = 0.9\n"),
            _ => SCENARIO.to_owned(),
        };
        let scenario = Scenario::parse("scenario.toml", &text).expect("a sound scenario");
        drive("scenario.toml", &scenario, &machine(base)).expect("drives")
    })
}

/// Something that the firmware is told, or that happens to it.
#[derive(Clone, Debug, PartialEq)]
pub enum Happening {
    /// An event of a recording.
    Told(Input),
    /// The valve's feedback calls a nozzle faulty.
    Faulty(u16),
    /// The firmware stands still until this instant: it does not poll, and what comes is lost.
    Stalls(u64),
    /// The firmware does not poll until this instant; interrupts keep what comes.
    Dozes(u64),
    /// The firmware starts anew; its pins fall to closed.
    Restarts,
}

/// One happening with its stamp, and for an image the plants that it really shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// When, µs.
    pub t_us: u64,
    /// What.
    pub what: Happening,
    /// Which plants, for an image.
    pub sights: Vec<usize>,
}

impl Item {
    /// The image of this item.
    pub fn image(&mut self) -> Option<&mut Image> {
        match &mut self.what {
            Happening::Told(Input::Image(image)) => Some(image),
            _ => None,
        }
    }

    /// Whether it is a wheel pulse.
    #[must_use]
    pub fn is_pulse(&self) -> bool {
        self.what == Happening::Told(Input::Pulse)
    }
}

/// How a valve betrays its commands.
#[derive(Clone, Copy, Debug)]
pub enum Betrayal {
    /// Never opens.
    StuckShut(u16),
    /// Open from this instant, µs.
    StuckOpen(u16, u64),
    /// Half flow so much later, s.
    SlowToOpen(u16, f64),
    /// Half flow at the end so much later, s.
    SlowToClose(u16, f64),
    /// Falls shut again soon after each opening, and opens anew.
    OpensTwice(u16),
}

/// A drive with room for faults.
pub struct Story {
    machine: Machine,
    drive: &'static Drive,
    /// In time order; kept so by [`Story::run`].
    pub items: Vec<Item>,
    /// What valves do.
    pub betrayals: Vec<Betrayal>,
    /// Polls come so much later than asked for, µs.
    pub polls_late_us: u64,
    /// How the real valves stray; none: they do not.
    pub spread: Option<TrueSpread>,
    /// For faults that choose.
    pub dice: Pcg64Mcg,
}

/// What came of a story.
pub struct Ran {
    /// The judge's report.
    pub report: Report,
    /// Commands of the core, at the instants at which they could be carried out.
    pub told: Vec<ValveCommand>,
    /// Commands that don't alternate or run backwards.
    pub malformed: usize,
    /// Counters at the end of each start of the core.
    pub counters: Vec<Counters>,
    /// What it made of turning, likewise.
    pub turned: Vec<YawCounts>,
}

impl Story {
    /// The drive as it is without a fault.
    #[must_use]
    pub fn new(base: Base) -> Self {
        let drive = world(base);
        let mut sights = drive.truth.sights.iter();
        let items = drive.recording.events.iter().map(|event| Item {
            t_us: event.t_us,
            what: Happening::Told(event.input.clone()),
            sights: match event.input {
                Input::Image(_) => sights.next().cloned().unwrap_or_default(),
                _ => Vec::new(),
            },
        });
        let mut story = Self {
            machine: machine(base),
            drive,
            items: items.collect(),
            betrayals: Vec::new(),
            polls_late_us: 0,
            spread: None,
            dice: Pcg64Mcg::seed_from_u64(97),
        };
        if base == Base::Acknowledged {
            story.order(1, Order::Acknowledge);
        }
        story
    }

    /// Changes how the machine is described to the core and to the judge.
    pub fn machine(&mut self) -> &mut Machine {
        &mut self.machine
    }

    /// Adds a happening.
    pub fn add(&mut self, t_us: u64, what: Happening) {
        let sights = Vec::new();
        self.items.push(Item { t_us, what, sights });
    }

    /// Adds an order.
    pub fn order(&mut self, t_us: u64, order: Order) {
        self.add(t_us, Happening::Told(Input::Order(order)));
    }

    /// Whether a nozzle's valve does not do what it is told.
    #[must_use]
    pub fn betrayed(&self, nozzle: usize) -> bool {
        self.betrayals.iter().any(|betrayal| {
            let (Betrayal::StuckShut(n)
            | Betrayal::StuckOpen(n, _)
            | Betrayal::SlowToOpen(n, _)
            | Betrayal::SlowToClose(n, _)
            | Betrayal::OpensTwice(n)) = *betrayal;
            usize::from(n) == nozzle
        })
    }

    /// Replays the story and judges it.
    #[must_use]
    pub fn run(&mut self) -> Ran {
        // Stable: what has the same stamp keeps its order.
        self.items.sort_by_key(|item| item.t_us);
        let setup = Setup::new("machine.toml", &self.machine).expect("a sound machine");
        let mut firmware = Firmware::new(&setup, self.polls_late_us);
        firmware.heading = self.machine.turning.map(|turning| turning.heading);
        let first = self.items.first().map_or(0, |item| item.t_us);
        firmware.next = first;
        let mut heard = Vec::new();
        let mut sights = Vec::new();
        let mut deaf_until = 0;
        let mut dozes: Option<u64> = None;
        let mut kept = Vec::new();
        for item in &self.items {
            if item.t_us < deaf_until {
                continue;
            }
            if let Some(until) = dozes.take_if(|until| item.t_us >= *until) {
                firmware.wake(until, &kept);
                kept.clear();
            }
            match &item.what {
                Happening::Told(input) => {
                    if dozes.is_some() {
                        kept.push((item.t_us, input.clone()));
                    } else {
                        firmware.tell(item.t_us, input);
                    }
                    heard.push(Event {
                        t_us: item.t_us,
                        input: input.clone(),
                    });
                    if matches!(input, Input::Image(_)) {
                        sights.push(item.sights.clone());
                    }
                }
                Happening::Faulty(nozzle) => {
                    firmware.up_to(item.t_us);
                    let now = Micros(item.t_us);
                    let known = firmware.core.set_nozzle_fault(now, *nozzle, true);
                    known.expect("a nozzle of the boom");
                    firmware.drain(item.t_us);
                }
                Happening::Stalls(until) => {
                    firmware.up_to(item.t_us);
                    firmware.next = *until;
                    deaf_until = *until;
                }
                Happening::Dozes(until) => {
                    firmware.up_to(item.t_us);
                    dozes = Some(*until);
                }
                Happening::Restarts => firmware.restart(item.t_us, &setup),
            }
        }
        if let Some(until) = dozes {
            firmware.wake(until, &kept);
        }
        firmware.run_out(self.items.last().map_or(0, |item| item.t_us));
        let mut truth = self.drive.truth.clone();
        truth.sights = sights;
        truth.spread = self.spread;
        let recording = Recording {
            name: self.drive.recording.name.clone(),
            events: heard,
        };
        let mut scene = Scene::from_truth("truth.json", &truth, &self.machine, &recording)
            .expect("the story's own truth");
        let mut carried_out = firmware.told.clone();
        for betrayal in &self.betrayals {
            betray(*betrayal, &mut carried_out, &mut scene);
        }
        carried_out.sort_by_key(|c| c.t_us);
        firmware.count();
        Ran {
            report: scene
                .judge(&carried_out, Some(&firmware.fates))
                .expect("the judge takes its input"),
            malformed: malformed(&firmware.told),
            told: firmware.told,
            counters: firmware.counters,
            turned: firmware.turned,
        }
    }

    /// Longest that a valve is told to be open where none may be: later after the last pulse
    /// than a standstill takes to be noticed, or after a stop; s, beyond the bound.
    #[must_use]
    pub fn open_at_rest(&self, told: &[ValveCommand]) -> f64 {
        let wheel = &self.machine.wheel;
        let timing = &self.machine.timing;
        // One pulse length at creep speed, a decision instant, and its window; polls come late.
        let notice_s = wheel.pulse.metres() / wheel.creep_speed_m_s
            + 2.0 * timing.decision_period_s
            + timing.slack_s
            + self.polls_late_us as f64 * 1e-6;
        let notice = (notice_s * 1e6) as u64;
        // Stretches of time in which everything is to be closed.
        let mut closed: Vec<(u64, u64)> = Vec::new();
        let mut items: Vec<&Item> = self.items.iter().collect();
        items.sort_by_key(|item| item.t_us);
        let mut last = None;
        let mut latched = None;
        for item in &items {
            let t = item.t_us;
            match &item.what {
                Happening::Told(Input::Pulse) => {
                    if let Some(last) = last
                        && t > last + notice
                    {
                        closed.push((last + notice, t));
                    }
                    last = Some(t);
                }
                Happening::Told(Input::Order(
                    Order::EmergencyStop | Order::Supply { ok: false },
                )) => {
                    let reaction = self.polls_late_us + 1000;
                    latched.get_or_insert(t + reaction);
                }
                Happening::Told(Input::Order(Order::Acknowledge)) => {
                    closed.extend(latched.take().map(|from| (from, t)));
                }
                Happening::Stalls(until) | Happening::Dozes(until) => {
                    // Nobody closes a valve while the firmware stands still; at its end it must.
                    last = last.map(|last: u64| last.max(until.saturating_sub(notice)));
                }
                _ => {}
            }
        }
        closed.extend(last.map(|last| (last + notice, u64::MAX)));
        closed.extend(latched.map(|from| (from, u64::MAX)));
        let mut worst: f64 = -1.0;
        let mut since = vec![None; self.machine.nozzles.len()];
        for command in told {
            let since = &mut since[usize::from(command.nozzle)];
            if command.open {
                *since = Some(command.t_us);
            } else if let Some(begun) = since.take() {
                worst = worst.max(overlap(begun, command.t_us, &closed));
            }
        }
        for begun in since.into_iter().flatten() {
            worst = worst.max(overlap(begun, u64::MAX, &closed));
        }
        worst
    }
}

fn overlap(from: u64, to: u64, closed: &[(u64, u64)]) -> f64 {
    let most = closed
        .iter()
        .map(|&(a, b)| b.min(to).saturating_sub(a.max(from)))
        .max();
    most.unwrap_or(0) as f64 * 1e-6
}

/// Commands of a nozzle that repeat its state or run backwards.
fn malformed(told: &[ValveCommand]) -> usize {
    let mut last: Vec<(bool, u64)> = vec![(false, 0); 256];
    let mut wrong = 0;
    for command in told {
        let (open, at) = &mut last[usize::from(command.nozzle)];
        wrong += usize::from(*open == command.open || *at > command.t_us);
        (*open, *at) = (command.open, command.t_us);
    }
    wrong + last.iter().filter(|(open, _)| *open).count()
}

fn betray(betrayal: Betrayal, commands: &mut Vec<ValveCommand>, scene: &mut Scene) {
    let at = |t_us, nozzle, open| ValveCommand {
        t_us,
        nozzle,
        open,
        short_by_m: 0.0,
    };
    match betrayal {
        Betrayal::StuckShut(nozzle) => commands.retain(|c| c.nozzle != nozzle),
        Betrayal::StuckOpen(nozzle, from) => {
            commands.retain(|c| c.nozzle != nozzle || c.t_us < from);
            let open = commands.iter().rev().find(|c| c.nozzle == nozzle);
            if !open.is_some_and(|c| c.open) {
                commands.push(at(from, nozzle, true));
            }
            let end = commands.iter().map(|c| c.t_us).max().unwrap_or(from);
            commands.push(at(end, nozzle, false));
        }
        Betrayal::SlowToOpen(nozzle, late_s) => {
            scene.nozzles[usize::from(nozzle)].valve.open_delay_s += late_s;
        }
        Betrayal::SlowToClose(nozzle, late_s) => {
            scene.nozzles[usize::from(nozzle)].valve.close_delay_s += late_s;
        }
        Betrayal::OpensTwice(nozzle) => {
            let opens: Vec<u64> = commands
                .iter()
                .filter(|c| c.nozzle == nozzle && c.open)
                .map(|c| c.t_us)
                .collect();
            for t in opens {
                let closes = commands
                    .iter()
                    .filter(|c| c.nozzle == nozzle && !c.open && c.t_us > t)
                    .map(|c| c.t_us)
                    .min();
                if closes.is_some_and(|closes| closes > t + 60_000) {
                    commands.push(at(t + 25_000, nozzle, false));
                    commands.push(at(t + 50_000, nozzle, true));
                }
            }
        }
    }
}
