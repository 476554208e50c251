//! A live board that QEMU runs, with the hands of the test on its wires.
//!
//! The board's time is the count of its instructions, and it runs only from one look to the next
//! ([`pace`]), at each of which the test may touch its wires. Bytes of the link go over one by
//! one at the pace of a baud rate, each given at a look and seen to have come before the board
//! runs on. So no time that a test sees depends on how quick or busy the computer is.

mod pace;

use std::collections::{HashMap, VecDeque};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;

use controller_core::link::image::PlainPlant;
use controller_core::link::{
    Captured, FromBoard, ImageHead, Motion, PlantKind, Refusal, SeenPlant, ToBoard, Welcome,
};
use host_sim::core_setup::Setup;
use host_sim::link_host::LinkHost;
use host_sim::machine::Machine;

use crate::qemu::{More, Qemu};
use pace::Pace;

/// Board's time between two looks, µs: no part of a decision period, so that looks fall anywhere
/// in it.
const LOOK_US: u64 = 970;
/// The next look is at least so far ahead, µs.
const AT_LEAST_US: u64 = 20;
/// Board's time from one byte of the link to the next, µs: 115,200 baud.
const BYTE_US: u64 = 87;
/// More looks than any test needs: the board hangs.
const MOST_LOOKS: u32 = 200_000;
/// More looks at a byte that was given to the emulator than any computer needs: it takes it in
/// the turn of its own loop in which it answers the look.
const MOST_TRIES: u32 = 1_000_000;
/// The interrupt controller's enabled interrupts, and the one that looks.
const ENABLED: u32 = 0xE000_E100;
const LOOKS: u32 = 1 << 10;

/// Which board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// `microbit`: 64 ns an instruction, as of a Cortex-M0 at 16 MHz that takes one cycle each.
    M0,
    /// `mps2-an386`: 32 ns an instruction, as at 31 MHz.
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
    /// The broadcast wire of section 0 is closed.
    Broadcast,
    /// The machine that begins next takes its speed from the tractor bus (M4).
    Bus,
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

/// The outputs of the M4's shift registers from an instant on: a bit a valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// Board's clock, µs.
    pub at_us: u64,
    /// Has current.
    pub on: u32,
    /// Has all of it.
    pub full: u32,
}

/// The valves' wires at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Board's clock, µs. 0 before it runs.
    pub at_us: u64,
    /// A bit a valve.
    pub open: u32,
}

/// What else a look found out.
struct Found {
    look: Look,
    /// The board was just started: nothing of it has run.
    fresh: bool,
    /// Its port takes a byte.
    takes_byte: bool,
    /// The timer that looks, where it counts up.
    count: u32,
}

/// The link's end here: what is written waits for the looks.
struct Port {
    stream: UnixStream,
    waits: VecDeque<u8>,
}

impl Read for Port {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.stream.read(bytes)
    }
}

impl Write for Port {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.waits.extend(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Several touches at one go; the values that were read.
fn touch(hands: &mut BufReader<UnixStream>, commands: &[String]) -> Vec<u32> {
    let mut all = commands.join("\n");
    all.push('\n');
    let port = hands.get_mut();
    port.write_all(all.as_bytes()).expect("the emulator lives");
    let mut values = Vec::new();
    for command in commands {
        let mut answer = String::new();
        let read = hands.read_line(&mut answer);
        assert!(read.is_ok_and(|n| n > 0), "the emulator is gone");
        let answer = answer.trim();
        assert!(answer.starts_with("OK"), "{command}: {answer}");
        if let Some(value) = answer.strip_prefix("OK 0x") {
            values.push(u64::from_str_radix(value, 16).expect("hexadecimal") as u32);
        }
    }
    values
}

/// A live board.
pub struct LiveBoard {
    kind: Kind,
    link: LinkHost<Port>,
    hands: BufReader<UnixStream>,
    monitor: BufReader<UnixStream>,
    pace: Pace,
    wires: u32,
    changes_read: u32,
    byte_due: u64,
    pulse_due: u64,
    /// A look is wanted at this instant of the board's clock, µs.
    wanted: Option<u64>,
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
            Kind::M0 => ("microbit", "emulated-m0-live", "shift=6,sleep=off"),
            Kind::M4 => ("mps2-an386", "emulated-m4-live", "shift=5,sleep=off"),
        };
        let mut options = vec!["-accel", "tcg", "-icount", clock, "-S"];
        options.extend(["-qtest-log", "/dev/null"]);
        options.extend(pace::OPTIONS);
        let more = More {
            options: &options,
            sockets: &["-qtest", "-qmp", "-gdb"],
        };
        let mut qemu = Qemu::launch(machine, image, &more);
        let stream = qemu.connect(0);
        stream.set_nonblocking(true).expect("a socket");
        let mut hands = BufReader::new(qemu.connect(1));
        let monitor = BufReader::new(qemu.connect(2));
        // The second word of the table of vectors.
        let reset = touch(&mut hands, &["readl 0x4".into()])[0];
        let pace = Pace::new(qemu.connect(3), reset);
        let mut board = Self {
            kind,
            link: LinkHost::new(Port {
                stream,
                waits: VecDeque::new(),
            }),
            hands,
            monitor,
            pace,
            wires: 0,
            changes_read: 0,
            byte_due: 0,
            pulse_due: 0,
            wanted: None,
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
        board.monitor("qmp_capabilities", "\"return\"");
        board
    }

    /// Says something to the monitor and waits for a line with `until` in it. Others are events.
    fn monitor(&mut self, command: &str, until: &str) {
        let line = format!("{{\"execute\":\"{command}\"}}\n");
        let port = self.monitor.get_mut();
        port.write_all(line.as_bytes()).expect("the emulator lives");
        loop {
            let mut answer = String::new();
            let read = self.monitor.read_line(&mut answer);
            assert!(read.is_ok_and(|n| n > 0), "the emulator is gone");
            assert!(!answer.contains("\"error\""), "{command}: {answer}");
            if answer.contains(until) {
                return;
            }
        }
    }

    fn touch(&mut self, commands: &[String]) -> Vec<u32> {
        touch(&mut self.hands, commands)
    }

    /// Writes a word of the board's memory or devices.
    pub fn poke(&mut self, address: u32, value: u32) {
        self.write(&[(address, value)]);
    }

    fn write(&mut self, words: &[(u32, u32)]) {
        let all = words
            .iter()
            .map(|(at, value)| format!("writel {at:#x} {value:#x}"));
        self.touch(&all.collect::<Vec<_>>());
    }

    /// Writes words, then reads others, all at one go.
    fn read(&mut self, first: &[(u32, u32)], from: &[u32]) -> Vec<u32> {
        let writes = first
            .iter()
            .map(|(at, value)| format!("writel {at:#x} {value:#x}"));
        let reads = from.iter().map(|at| format!("readl {at:#x}"));
        self.touch(&writes.chain(reads).collect::<Vec<_>>())
    }

    fn look_now(&mut self) -> Found {
        match self.kind {
            Kind::M0 => {
                // Timer 0 takes its count into its fourth compare, timer 2 into its second.
                let captures = [(0x4000_804C, 1), (0x4000_A044, 1)];
                // The pins' outputs; the port's interrupt and its byte.
                let from = [
                    ENABLED,
                    0x4000_854C,
                    0x5000_0504,
                    0x4000_A544,
                    0x4000_2304,
                    0x4000_2108,
                ];
                let values = self.read(&captures, &from);
                Found {
                    look: Look {
                        at_us: u64::from(values[1]),
                        open: values[2] & 0xFF,
                    },
                    fresh: values[0] & LOOKS == 0,
                    takes_byte: values[4] & 1 << 2 != 0 && values[5] == 0,
                    count: values[3],
                }
            }
            Kind::M4 => {
                // Timer 0 counts down once it is enabled; the first word behind the shift
                // registers; the port's control and state.
                let from = [
                    ENABLED,
                    0x4000_0000,
                    0x4000_0004,
                    0x2100_0000,
                    0x4000_4008,
                    0x4000_4004,
                ];
                let values = self.read(&[], &from);
                let runs = values[1] & 1 == 1;
                let at_us = if runs { (u32::MAX - values[2]) / 25 } else { 0 };
                Found {
                    look: Look {
                        at_us: at_us.into(),
                        open: values[3],
                    },
                    fresh: values[0] & LOOKS == 0,
                    takes_byte: values[4] & 1 << 3 != 0 && values[5] & 1 << 1 == 0,
                    count: 0,
                }
            }
        }
    }

    /// The next look is so far ahead: the timer that the firmware leaves alone.
    fn look_in(&mut self, us: u64, found: &Found) {
        let us = us as u32;
        // The system timer, of 16 ticks, ran for the stop only.
        self.write(&[(0xE000_E010, 0), (0xE000_E014, 15)]);
        match self.kind {
            Kind::M0 => {
                if found.fresh {
                    // 32 bits, 1 MHz, interrupt on the first compare, started.
                    self.write(&[
                        (0x4000_A508, 3),
                        (0x4000_A510, 4),
                        (0x4000_A304, 1 << 16),
                        (0x4000_A000, 1),
                        (ENABLED, LOOKS),
                    ]);
                }
                // The events taken back, and the compare: twice, since the emulator sets its own
                // timer by the compares as they were before a write.
                let due = found.count.wrapping_add(us);
                self.write(&[
                    (0x4000_A140, 0),
                    (0x4000_A144, 0),
                    (0x4000_A540, due),
                    (0x4000_A540, due),
                ]);
            }
            Kind::M4 => {
                // Its interrupt taken back, and its load.
                self.write(&[(0x4000_200C, 1), (0x4000_2000, 25 * us)]);
                if found.fresh {
                    // The dual timer's first: 32 bits, 25 MHz, again and again, with interrupt.
                    self.write(&[(0x4000_2008, 0xE2), (ENABLED, LOOKS)]);
                }
            }
        }
    }

    /// Gives the next byte of the link, if one waits and the port takes it: before the board
    /// runs on it has it.
    fn give_byte(&mut self, found: &Found) {
        let now = found.look.at_us;
        if self.byte_due > now + BYTE_US {
            // The clock began anew.
            self.byte_due = now;
        }
        if now < self.byte_due {
            return;
        }
        if !found.takes_byte {
            // The board has a byte's time to take the one before.
            self.byte_due = now + BYTE_US;
            return;
        }
        let port = self.link.port_mut();
        let Some(byte) = port.waits.pop_front() else {
            return;
        };
        port.stream.write_all(&[byte]).expect("the emulator lives");
        self.byte_due = now + BYTE_US;
        let has_come = |values: &[u32], kind| match kind {
            Kind::M0 => values[0] != 0,
            Kind::M4 => values[0] & 1 << 1 != 0,
        };
        let state = match self.kind {
            Kind::M0 => 0x4000_2108,
            Kind::M4 => 0x4000_4004,
        };
        for _ in 0..MOST_TRIES {
            if has_come(&self.read(&[], &[state]), self.kind) {
                return;
            }
        }
        panic!("the board's port does not take a byte");
    }

    /// One look at the stopped board, at which `act` may touch it; then it runs to the next,
    /// and what it has said is heard.
    pub fn step(&mut self, act: impl FnOnce(&mut Self, Look)) -> Look {
        let found = self.look_now();
        let look = found.look;
        self.looks.push(look);
        act(self, look);
        self.give_byte(&found);
        let mut next = look.at_us + LOOK_US;
        if !self.link.port_mut().waits.is_empty() {
            next = next.min(self.byte_due);
        }
        if let Some(wanted) = self.wanted.filter(|&wanted| wanted > look.at_us) {
            next = next.min(wanted);
        }
        self.look_in(next.saturating_sub(look.at_us).max(AT_LEAST_US), &found);
        if found.fresh {
            self.pace.start();
        } else {
            self.pace.go_on();
        }
        self.hear();
        look
    }

    /// Looks at this instant of the board's clock too, µs.
    pub fn look_at(&mut self, us: u64) {
        self.wanted = Some(us);
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
        self.look_at(until);
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

    /// The wheel's input sees a pulse, if it is time for one: every so many µs while this is
    /// asked for at every look.
    pub fn turn_wheel(&mut self, look: Look, every_us: u64) {
        if self.pulse_due > look.at_us + every_us {
            // The clock began anew.
            self.pulse_due = look.at_us;
        }
        if look.at_us >= self.pulse_due {
            self.interrupt(6);
            self.pulse_due = look.at_us + every_us;
        }
        self.look_at(self.pulse_due);
    }

    /// The wheel's input sees a pulse now.
    pub fn pulse(&mut self) {
        self.interrupt(6);
    }

    /// A frame of the tractor bus comes into the M4's mailbox.
    pub fn bus_frame(&mut self, id: u32, bytes: [u8; 8]) {
        let word = |at: usize| u32::from_le_bytes([0, 1, 2, 3].map(|n| bytes[at + n]));
        self.write(&[
            (0x2100_0040, id),
            (0x2100_0044, 8),
            (0x2100_0048, word(0)),
            (0x2100_004C, word(4)),
        ]);
        self.interrupt(14);
    }

    /// What the outputs of the M4's shift registers did since this was asked last.
    pub fn changes(&mut self) -> Vec<Change> {
        let count = self.read(&[], &[0x2100_0050])[0];
        let new = count - self.changes_read;
        assert!(new <= 4096, "{new} changes: ask more often");
        let entry = |n: u32| 0x2100_1000 + 16 * (n % 4096);
        let from = (self.changes_read..count).flat_map(|n| [0, 4, 8].map(|word| entry(n) + word));
        let from: Vec<_> = from.collect();
        self.changes_read = count;
        if from.is_empty() {
            return Vec::new();
        }
        let words = self.read(&[], &from);
        let change = |words: &[u32]| Change {
            at_us: u64::from((u32::MAX - words[0]) / 25),
            on: words[1],
            full: words[2],
        };
        words.chunks_exact(3).map(change).collect()
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
                    Wire::Broadcast => 13,
                    Wire::Bus => panic!("this board has no bus"),
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
                    Wire::Bus => 5,
                    Wire::Broadcast => return self.poke(0x2100_0030, u32::from(on)),
                };
                self.wires = self.wires & !(1 << bit) | u32::from(on) << bit;
                self.poke(0x2100_0020, self.wires);
            }
        }
    }

    /// Starts the board anew, as its reset pin does.
    pub fn reset(&mut self) {
        self.monitor("system_reset", "\"RESET\"");
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
