//! A board that QEMU runs, and the same drive through a core in this process.

use std::io::{self, Read, Write};
use std::os::unix::net::UnixStream;
use std::sync::mpsc;
use std::time::Duration;

use crate::qemu::{More, Qemu};
use controller_core::link::{FromBoard, Refusal, ToBoard};
use controller_core::{Action, Controller, Counters, Micros, Poll};
use host_sim::core_setup::{self, Setup};
use host_sim::link_host::LinkHost;
use host_sim::machine::Machine;
use host_sim::over_link::OverLink;
use host_sim::recording::{Direction, Input, Recording};

/// How long time runs on after the last input, µs.
const AFTER_US: u64 = 5_000_000;
/// A board that says nothing for so long has hung.
const SILENCE: Duration = Duration::from_secs(60);

/// What came out of a drive.
pub struct Played {
    /// Instant µs, nozzle, opens; in the order given out.
    pub commands: Vec<(u64, u16, bool)>,
    /// The core's counters at the end.
    pub counters: Counters,
    /// Inputs that were refused.
    pub refused: usize,
}

/// Drives a core of this size in this process.
pub fn in_process<const N: usize, const K: usize, const H: usize, const D: usize>(
    setup: &Setup,
    machine: &Machine,
    recording: &Recording,
) -> Played {
    let mut core: Box<Controller<'_, N, K, H, D>> =
        Box::new(Controller::new(&setup.config()).expect("the core takes it"));
    let mut commands = Vec::new();
    let mut drain = |core: &mut Controller<'_, N, K, H, D>, at: u64| {
        loop {
            match core.poll(Micros(at)) {
                Poll::Busy => {}
                Poll::Command(c) => commands.push((c.at.0, c.nozzle, c.action == Action::Open)),
                Poll::Idle { next } => return next.0,
            }
        }
    };
    let mut next = recording.events[0].t_us;
    let sections = machine.section_runs().len();
    for event in &recording.events {
        while next < event.t_us {
            next = drain(&mut core, next);
        }
        drain(&mut core, event.t_us);
        let now = Micros(event.t_us);
        match &event.input {
            Input::Pulse => {
                let _counted = core.handle_pulse(now);
            }
            Input::Image(image) => {
                let plants: Vec<_> = image.plants.iter().map(core_setup::plant).collect();
                let _counted = core.handle_image(now, &core_setup::image(image, &plants));
            }
            Input::Order(order) => core_setup::order(&mut core, now, order, sections),
            Input::Direction(direction) => {
                let direction = match direction {
                    Direction::Forward => controller_core::Direction::Forward,
                    Direction::Reverse => controller_core::Direction::Reverse,
                };
                let _counted = core.handle_direction(now, direction);
            }
            Input::Pressure(kpa) => {
                let _counted = core.handle_pressure(now, *kpa);
            }
            // The test takes recordings with what the machine names as its turning input only.
            Input::WheelPulse(_) => {
                let _counted = core.handle_second_pulse(now);
            }
            Input::Yaw(mdeg_s) => {
                let _counted = core.handle_yaw_rate(now, core_setup::yaw(*mdeg_s));
            }
        }
        next = drain(&mut core, event.t_us);
    }
    let end = recording.events[recording.events.len() - 1].t_us + AFTER_US;
    while next < end {
        next = drain(&mut core, next);
    }
    drain(&mut core, end);
    let counters = *core.counters();
    let refused = counters.pulses_refused
        + counters.images_refused
        + counters.orders_refused
        + counters.bench_refused
        + counters.directions_refused
        + core.yaw_counts().refused;
    Played {
        commands,
        counters,
        refused: refused as usize,
    }
}

/// Reads from the socket; writes go to a thread, so that neither end waits for the other.
struct Line {
    from: UnixStream,
    to: mpsc::Sender<Vec<u8>>,
}

impl Read for Line {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.from.read(bytes)
    }
}

impl Write for Line {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to.send(bytes.to_vec()).map_err(io::Error::other)?;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The line to an emulator that waits for it. A read ends after `patience` without bytes.
fn connect(qemu: &mut Qemu, patience: Duration) -> Line {
    let stream = qemu.connect(0);
    stream
        .set_read_timeout(Some(patience))
        .expect("a socket takes a timeout");
    let mut out = stream.try_clone().expect("a socket can be shared");
    let (to, queue) = mpsc::channel::<Vec<u8>>();
    // Ends with the sender, or when the emulator is gone.
    std::thread::spawn(move || queue.iter().try_for_each(|bytes| out.write_all(&bytes)));
    Line { from: stream, to }
}

/// A board that QEMU runs; gone with this value.
pub struct Emulated {
    _qemu: Qemu,
    link: LinkHost<Line>,
}

impl Emulated {
    /// A Cortex-M4.
    pub fn m4() -> Self {
        Self::start("mps2-an386", "emulated-m4")
    }

    /// A Cortex-M0.
    pub fn m0() -> Self {
        Self::start("microbit", "emulated-m0")
    }

    fn start(machine: &str, image: &str) -> Self {
        let mut qemu = Qemu::launch(machine, image, &More::default());
        let line = connect(&mut qemu, SILENCE);
        Self {
            _qemu: qemu,
            link: LinkHost::new(line),
        }
    }

    fn send(&mut self, message: ToBoard<'_>) -> u16 {
        self.link.send(&message).expect("queued")
    }

    fn hear(&mut self) -> FromBoard {
        let heard = self.link.receive().expect("the emulator lives");
        heard.expect("the board went silent").message
    }

    /// Uploads a machine.
    pub fn upload(&mut self, setup: &Setup) {
        let numbers = self.link.send_machine(&setup.config()).expect("queued");
        for number in numbers {
            let done = FromBoard::Answer {
                to: number,
                result: Ok(()),
            };
            assert_eq!(self.hear(), done, "the upload");
        }
    }

    /// Offers a machine: how the board answers its end.
    pub fn offer(&mut self, setup: &Setup) -> Result<(), Refusal> {
        let numbers = self.link.send_machine(&setup.config()).expect("queued");
        let mut last = Ok(());
        for number in numbers {
            match self.hear() {
                FromBoard::Answer { to, result } if to == number => last = result,
                other => panic!("not asked for: {other:?}"),
            }
        }
        last
    }

    /// Says what is not answered.
    pub fn say(&mut self, message: ToBoard<'_>) {
        self.send(message);
    }

    /// Asks for something: what came before the answer, and the answer.
    pub fn ask(&mut self, message: ToBoard<'_>) -> (Vec<FromBoard>, Result<(), Refusal>) {
        let number = self.send(message);
        let mut before = Vec::new();
        loop {
            match self.hear() {
                FromBoard::Answer { to, result } if to == number => return (before, result),
                other => before.push(other),
            }
        }
    }

    /// Uploads the machine, then drives the recording and reads the counters.
    pub fn play(&mut self, setup: &Setup, machine: &Machine, recording: &Recording) -> Played {
        self.upload(setup);
        let mut feed = OverLink::new(machine);
        for event in &recording.events {
            for message in feed.told(event).expect("fits the link") {
                self.link.send_any(&message).expect("queued");
            }
        }
        let end = recording.events[recording.events.len() - 1].t_us + AFTER_US;
        self.send(ToBoard::Until { at_us: end });
        self.send(ToBoard::ReadCounters);
        let mut commands = Vec::new();
        let mut refused = 0;
        loop {
            match self.hear() {
                FromBoard::Commands(batch) => commands.extend(batch.entries.iter().map(|c| {
                    let at = batch.base_us.wrapping_add_signed(c.after_us.into());
                    (at, c.what / 2, c.what % 2 == 1)
                })),
                FromBoard::Answer { result, .. } => refused += usize::from(result.is_err()),
                FromBoard::Counters { core, link } => {
                    assert_eq!((link.lost, link.unreadable, link.bad_crc), (0, 0, 0));
                    return Played {
                        commands,
                        counters: core,
                        refused,
                    };
                }
                other => panic!("not asked for: {other:?}"),
            }
        }
    }
}
