//! A live board that QEMU runs, with the hands of the test on its wires.
//!
//! The emulator's clock is the count of instructions (`-icount`), so what the board does takes
//! its own time and not this computer's. It is stopped for every look and every touch: time,
//! pins and interrupts of one look belong to one instant.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use controller_core::link::image::PlainPlant;
use controller_core::link::{
    Captured, FromBoard, ImageHead, Motion, PlantKind, Refusal, SeenPlant, ToBoard, Welcome,
};
use host_sim::core_setup::Setup;
use host_sim::link_host::LinkHost;
use host_sim::machine::Machine;

use crate::qemu::{Line, More, Qemu};

/// A look waits so long for bytes of the board before the next.
const LOOK: Duration = Duration::from_millis(1);
/// More looks than any test needs, some minutes: the board hangs.
const MOST_LOOKS: u32 = 200_000;

/// Which board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// `microbit`: 64 ns an instruction, as of a Cortex-M0 at 16 MHz that takes one cycle each.
    M0,
    /// `mps2-an386`: 16 ns an instruction, as at 62.5 MHz.
    M4,
}

/// A wire to the board.
#[derive(Clone, Copy, Debug)]
pub enum Wire {
    /// The machine goes back.
    Reverse,
    /// The supply is low.
    SupplyLow,
    /// The emergency stop is pressed.
    Stop,
    /// The acknowledge button is pressed.
    Acknowledge,
    /// No current flows into any valve.
    NoCurrent,
    /// The spot wire of section 0 is closed.
    Spot,
}

/// A command as the board reported it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// When it was to be carried out, µs.
    pub at_us: u64,
    /// How much later it was, µs.
    pub late_us: u64,
    /// Which valve.
    pub nozzle: u16,
    /// Opens.
    pub open: bool,
}

/// The valves' wires at an instant.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// Board's clock, µs.
    pub at_us: u64,
    /// A bit a valve.
    pub open: u32,
}

/// A live board.
pub struct LiveBoard {
    kind: Kind,
    link: LinkHost<Line>,
    hands: BufReader<UnixStream>,
    monitor: BufReader<UnixStream>,
    wires: u32,
    /// Every look so far.
    pub looks: Vec<Look>,
    /// Every command reported so far.
    pub edges: Vec<Edge>,
    /// The latest news.
    pub motion: Option<Motion>,
    welcome: Option<Welcome>,
    counters: Option<Box<controller_core::Counters>>,
    answers: HashMap<u16, Result<(), Refusal>>,
    _qemu: Qemu,
}

impl LiveBoard {
    /// Starts one.
    pub fn start(kind: Kind) -> Self {
        let (machine, image, clock) = match kind {
            Kind::M0 => ("microbit", "emulated-m0-live", "shift=6,sleep=on"),
            Kind::M4 => ("mps2-an386", "emulated-m4-live", "shift=4,sleep=on"),
        };
        let more = More {
            options: &["-accel", "tcg", "-icount", clock],
            sockets: &["-qtest", "-qmp"],
        };
        let (mut qemu, line) = Qemu::start(machine, image, LOOK, &more);
        let hands = BufReader::new(qemu.connect(1));
        let monitor = BufReader::new(qemu.connect(2));
        let mut board = Self {
            kind,
            link: LinkHost::new(line),
            hands,
            monitor,
            wires: 0,
            looks: Vec::new(),
            edges: Vec::new(),
            motion: None,
            welcome: None,
            counters: None,
            answers: HashMap::new(),
            _qemu: qemu,
        };
        // The monitor greets first.
        let mut greeting = String::new();
        board
            .monitor
            .read_line(&mut greeting)
            .expect("the monitor greets");
        board.monitor("qmp_capabilities");
        board
    }

    fn monitor(&mut self, command: &str) {
        let line = format!("{{\"execute\":\"{command}\"}}\n");
        let port = self.monitor.get_mut();
        port.write_all(line.as_bytes()).expect("the emulator lives");
        loop {
            let mut answer = String::new();
            let read = self.monitor.read_line(&mut answer);
            assert!(read.is_ok_and(|n| n > 0), "the emulator is gone");
            // Others are events.
            if answer.contains("\"return\"") {
                return;
            }
            assert!(!answer.contains("\"error\""), "{command}: {answer}");
        }
    }

    /// Several touches at one go; the values that were read.
    fn touch(&mut self, commands: &[String]) -> Vec<u32> {
        let mut all = commands.join("\n");
        all.push('\n');
        let port = self.hands.get_mut();
        port.write_all(all.as_bytes()).expect("the emulator lives");
        let mut values = Vec::new();
        for command in commands {
            let mut answer = String::new();
            let read = self.hands.read_line(&mut answer);
            assert!(read.is_ok_and(|n| n > 0), "the emulator is gone");
            let answer = answer.trim();
            assert!(answer.starts_with("OK"), "{command}: {answer}");
            if let Some(value) = answer.strip_prefix("OK 0x") {
                values.push(u64::from_str_radix(value, 16).expect("hexadecimal") as u32);
            }
        }
        values
    }

    /// Writes a word of the board's memory or devices.
    pub fn poke(&mut self, address: u32, value: u32) {
        self.touch(&[format!("writel {address:#x} {value:#x}")]);
    }

    fn look_now(&mut self) -> Look {
        let (at_us, open) = match self.kind {
            Kind::M0 => {
                // Timer 0 takes its count into its fourth compare; the pins' outputs.
                let touches = [
                    "writel 0x4000804c 1",
                    "readl 0x4000854c",
                    "readl 0x50000504",
                ];
                let values = self.touch(&touches.map(str::to_owned));
                (u64::from(values[0]), values[1] & 0xFF)
            }
            Kind::M4 => {
                // Timer 0 counts down; the first word behind the shift registers.
                let touches = ["readl 0x40000004", "readl 0x21000000"];
                let values = self.touch(&touches.map(str::to_owned));
                (u64::from(u32::MAX - values[0]) / 25, values[1])
            }
        };
        let look = Look { at_us, open };
        self.looks.push(look);
        look
    }

    /// One look at the stopped board, at which `act` may touch it, and what it has said since.
    pub fn step(&mut self, act: impl FnOnce(&mut Self, Look)) -> Look {
        self.monitor("stop");
        let look = self.look_now();
        act(self, look);
        self.monitor("cont");
        self.hear();
        look
    }

    fn hear(&mut self) {
        while let Some(heard) = self.link.receive().expect("the emulator lives") {
            match heard.message {
                FromBoard::Commands(batch) => {
                    self.edges.extend(batch.entries.iter().map(|c| Edge {
                        at_us: batch.base_us.wrapping_add_signed(c.after_us.into()),
                        late_us: u64::from(c.late_us),
                        nozzle: c.what / 2,
                        open: c.what % 2 == 1,
                    }));
                }
                FromBoard::Answer { to, result } => {
                    self.answers.insert(to, result);
                }
                FromBoard::Motion(motion) => self.motion = Some(motion),
                FromBoard::Welcome(welcome) => self.welcome = Some(welcome),
                FromBoard::Counters { core, .. } => self.counters = Some(Box::new(core)),
                FromBoard::Pong { .. } | FromBoard::Section(_) => {}
                other => panic!("not asked for: {other:?}"),
            }
        }
    }

    /// Lets the board run on for a while of its own time.
    pub fn run_for(&mut self, us: u64) {
        let until = self.step(|_, _| ()).at_us + us;
        for _ in 0..MOST_LOOKS {
            if self.step(|_, _| ()).at_us >= until {
                return;
            }
        }
        panic!("the board's clock stands");
    }

    fn until<T>(&mut self, what: &str, mut found: impl FnMut(&mut Self) -> Option<T>) -> T {
        for _ in 0..MOST_LOOKS {
            if let Some(found) = found(self) {
                return found;
            }
            self.step(|_, _| ());
        }
        panic!("the board never said {what}");
    }

    /// Sends and waits for the answer.
    pub fn ask(&mut self, message: &ToBoard<'_>) -> Result<(), Refusal> {
        let number = self.link.send(message).expect("queued");
        self.until("what became of it", |board| board.answers.remove(&number))
    }

    /// Sends without waiting; the number by which it is answered.
    pub fn send(&mut self, message: &ToBoard<'_>) -> u16 {
        self.link.send(message).expect("queued")
    }

    /// The answer to a frame, if it has come.
    pub fn answer(&mut self, number: u16) -> Option<Result<(), Refusal>> {
        self.answers.remove(&number)
    }

    /// Who the board is.
    pub fn welcome(&mut self) -> Welcome {
        self.welcome = None;
        self.send(&ToBoard::Hello);
        self.until("welcome", |board| board.welcome.take())
    }

    /// The controller's counters.
    pub fn counters(&mut self) -> controller_core::Counters {
        self.send(&ToBoard::ReadCounters);
        *self.until("its counters", |board| board.counters.take())
    }

    /// Uploads a machine.
    pub fn upload(&mut self, machine: &Machine) {
        let setup = Setup::new("machine.toml", machine).expect("sound");
        let numbers = self.link.send_machine(&setup.config()).expect("queued");
        for number in numbers {
            let result = self.until("done", |board| board.answers.remove(&number));
            assert_eq!(result, Ok(()), "the upload");
        }
    }

    /// Acknowledges as soon as the board is ready for it.
    pub fn acknowledge(&mut self) {
        for _ in 0..MOST_LOOKS {
            match self.ask(&ToBoard::Acknowledge) {
                // It tries its valves first.
                Err(Refusal::Busy) => {}
                done => return assert_eq!(done, Ok(())),
            }
        }
        panic!("the board tries its valves for ever");
    }

    fn interrupt(&mut self, number: u32) {
        let soc = match self.kind {
            Kind::M0 => "/machine/nrf51/armv6m",
            Kind::M4 => "/machine/armv7m",
        };
        let line = |level| format!("set_irq_in {soc} unnamed-gpio-in {number} {level}");
        self.touch(&[line(1), line(0)]);
    }

    /// The wheel's input sees a pulse.
    pub fn pulse(&mut self) {
        self.interrupt(6);
    }

    /// The strobe's input sees a pulse.
    pub fn strobe(&mut self) {
        self.interrupt(match self.kind {
            Kind::M0 => 20,
            Kind::M4 => 7,
        });
    }

    /// Sets a wire.
    pub fn wire(&mut self, wire: Wire, on: bool) {
        match self.kind {
            Kind::M0 => {
                let pin = match wire {
                    Wire::Reverse => 8,
                    Wire::SupplyLow => 9,
                    Wire::Stop => 10,
                    Wire::Acknowledge => 11,
                    Wire::NoCurrent => 16,
                    Wire::Spot => 12,
                };
                let level = u32::from(on);
                let line = format!("set_irq_in /machine/nrf51 unnamed-gpio-in {pin} {level}");
                self.touch(&[line]);
            }
            Kind::M4 => {
                let bit = match wire {
                    Wire::Reverse => 0,
                    Wire::SupplyLow => 1,
                    Wire::Stop => 2,
                    Wire::Acknowledge => 3,
                    Wire::NoCurrent => 4,
                    Wire::Spot => return self.poke(0x2100_0028, u32::from(on)),
                };
                self.wires = self.wires & !(1 << bit) | u32::from(on) << bit;
                self.poke(0x2100_0020, self.wires);
            }
        }
    }

    /// Starts the board anew, as its reset pin does.
    pub fn reset(&mut self) {
        self.monitor("system_reset");
    }

    /// An image of the demo's detector, of the stretch from 0 to 0.8 m before it, with a plant
    /// of 60 mm in its middle at each of the places across, in mm.
    pub fn image(&mut self, captured: Captured, places: &[i16]) -> u16 {
        let plants: Vec<_> = places
            .iter()
            .map(|&y_mm| SeenPlant {
                plain: PlainPlant {
                    x_mm: 400,
                    y_mm,
                    length_mm: 60,
                    width_mm: 60,
                },
                id: None,
                row_us: 0,
            })
            .collect();
        let head = ImageHead {
            detector: 0,
            number: 0,
            captured,
            from_mm: 0,
            to_mm: 800,
            kind: PlantKind::Plain,
            plants: 0,
        };
        self.link.send_image(&head, &plants).expect("queued")
    }
}
