//! What interrupts and the main loop share. Every method holds interrupts off while it works.

use super::{Clock, Outputs};
use controller_core::drivers::pulse_capture::PulseCapture;
use controller_core::drivers::{CommandQueue, Pushed};
use controller_core::{Action, Command, Cycle, Length, Micros, Span};
use core::cell::RefCell;
use critical_section::Mutex;
use heapless::Deque;

/// Wheel pulses and strobe pulses that may wait for the main loop: 15 ms at 8 m/s and 130
/// pulses a metre.
const PULSES: usize = 16;
const STROBES: usize = 4;

/// A command carried out: when it was to be, and how much later it was. No larger than it
/// must be, for small memories.
#[derive(Clone, Copy)]
struct Done {
    at: Micros,
    late: Span,
    nozzle: u16,
    open: bool,
}

/// Queue of commands, outputs and clock, and the bytes and stamps that interrupts hand over:
/// at most `Q` commands (two a nozzle are enough whatever happens) and `B` bytes.
///
/// **Overflow:** a full queue gives up opens, never a close, and shows as a fault. A report
/// that finds no room is left out; the command was carried out all the same. Bytes have a way
/// to wait ([`Shared::has_room`]). A pulse that finds no room is counted as lost, and shows
/// as a fault.
pub struct Shared<C, V, const Q: usize, const B: usize> {
    state: Mutex<RefCell<State<C, V, Q, B>>>,
    pulses: PulseCapture<PULSES>,
}

struct State<C, V, const Q: usize, const B: usize> {
    /// Not there before [`Shared::begin`].
    parts: Option<(C, V)>,
    queue: CommandQueue<Q>,
    done: Deque<Done, Q>,
    bytes: Deque<u8, B>,
    strobes: Deque<(u8, Micros), STROBES>,
    /// The main loop wants to be woken then.
    wake: Micros,
    /// Something came since the main loop's round began.
    stirred: bool,
    /// The last flush of the valves failed.
    failed: bool,
}

impl<C: Clock, V: Outputs, const Q: usize, const B: usize> Shared<C, V, Q, B> {
    /// Fit for a `static`. `latch`: from a flush of the valves to the wires changing
    /// ([`Valves`](controller_core::drivers::Valves)); commands are carried out that much earlier. Up to the machine's slack,
    /// the controller decides early enough for it.
    #[must_use]
    pub const fn new(latch: Span) -> Self {
        Self {
            state: Mutex::new(RefCell::new(State {
                parts: None,
                queue: CommandQueue::new(latch),
                done: Deque::new(),
                bytes: Deque::new(),
                strobes: Deque::new(),
                wake: Micros(0),
                stirred: false,
                failed: false,
            })),
            pulses: PulseCapture::new(),
        }
    }

    fn with<R>(&self, act: impl FnOnce(&mut State<C, V, Q, B>) -> R) -> Option<R> {
        critical_section::with(|section| {
            // Never taken twice: nothing in here calls back.
            let mut state = self.state.borrow(section).try_borrow_mut().ok()?;
            Some(act(&mut state))
        })
    }

    /// Gives it clock and valves, before interrupts are enabled.
    pub fn begin(&self, clock: C, valves: V) {
        self.with(|state| state.parts = Some((clock, valves)));
    }

    /// The instant now.
    pub fn now(&self) -> Micros {
        self.with(State::now).unwrap_or_default()
    }

    /// From the alarm's interrupt: carries out what is due.
    pub fn alarm(&self) {
        self.with(|state| {
            state.stirred = true;
            state.strike();
        });
    }

    /// From the wheel's interrupt: a pulse, just now.
    pub fn pulse(&self) {
        let at = self.now();
        self.pulse_at(at);
    }

    /// From the wheel's interrupt: a pulse that a timer has stamped.
    pub fn pulse_at(&self, at: Micros) {
        self.pulses.push(at);
        self.with(|state| state.stirred = true);
    }

    /// From the strobe's interrupt: this detector's camera captures a frame just now.
    pub fn strobe(&self, detector: u8) {
        self.with(|state| {
            let at = state.now();
            state.stirred = true;
            // One too many is as if it was lost on the wire, which the numbering shows.
            let _kept = state.strobes.push_back((detector, at));
        });
    }

    /// True while there is room for a byte. Without, mask the interrupt and leave the byte;
    /// the main loop makes room and calls
    /// [`Hardware::resume_receiving`](super::Hardware::resume_receiving).
    pub fn has_room(&self) -> bool {
        self.with(|state| !state.bytes.is_full()).unwrap_or(false)
    }

    /// From the serial port's interrupt: a byte.
    pub fn received(&self, byte: u8) {
        self.with(|state| {
            state.stirred = true;
            // One too many damages its frame, which the checksum shows.
            let _kept = state.bytes.push_back(byte);
        });
    }

    /// From the main loop: the next byte.
    pub(super) fn byte(&self) -> Option<u8> {
        self.with(|state| state.bytes.pop_front()).flatten()
    }

    /// The oldest wheel pulse.
    pub(super) fn next_pulse(&self) -> Option<Micros> {
        self.pulses.pop()
    }

    /// Wheel pulses left out because the main loop did not come.
    pub(super) fn pulses_lost(&self) -> u32 {
        self.pulses.lost()
    }

    /// The oldest strobe pulse and its detector.
    pub(super) fn next_strobe(&self) -> Option<(u8, Micros)> {
        self.with(|state| state.strobes.pop_front()).flatten()
    }

    /// A round of the main loop begins: what comes from here on keeps it awake.
    pub(super) fn round(&self) -> Micros {
        self.with(|state| {
            state.stirred = false;
            state.now()
        })
        .unwrap_or_default()
    }

    /// Sleeps until something comes or until an instant.
    pub(super) fn sleep_until(&self, wake: Micros, sleep: impl FnOnce()) {
        self.with(|state| {
            state.wake = wake;
            state.strike();
            // Held off, an interrupt still ends the sleep, and runs after this.
            if !state.stirred && state.now() < wake {
                sleep();
            }
        });
    }

    /// Queues a command; one that is due already is carried out at once. `first`: an opening's
    /// first cycle, where the outputs drive cycles.
    pub(super) fn push(&self, command: Command, first: Option<Cycle>) {
        self.with(|state| {
            if let (Some((_, outputs)), Some(first)) = (&mut state.parts, first) {
                outputs.tell(command.nozzle, first);
            }
            state.push(command);
            state.strike();
        });
    }

    /// Closes a valve before its queued close. False when that was carried out already.
    pub(super) fn close_early(&self, close: Command) -> bool {
        self.with(|state| {
            let before = state.queue.voided();
            state.push(close);
            state.strike();
            state.queue.voided() != before
        })
        .unwrap_or(false)
    }

    /// Opens that wait are void.
    pub(super) fn void_opens(&self) {
        self.with(|state| state.queue.void_opens());
    }

    /// The first valve from `from` on whose next cycle begins by `until` and was not asked for.
    pub(super) fn wants(&self, from: u16, until: Micros) -> Option<(u16, Micros)> {
        self.with(|state| state.parts.as_mut()?.1.wants(from, until))
            .flatten()
    }

    /// That cycle.
    pub(super) fn tell(&self, nozzle: u16, cycle: Cycle) {
        self.with(|state| {
            if let Some((_, outputs)) = &mut state.parts {
                outputs.tell(nozzle, cycle);
            }
        });
    }

    /// Everything that waits is void and every valve closed: another machine begins, `cycle` that
    /// of its rate.
    pub(super) fn clear(&self, cycle: Option<Span>) {
        self.with(|state| {
            while state.queue.pop_due(Micros(u64::MAX)).is_some() {}
            if let Some((_, outputs)) = &mut state.parts {
                state.failed = !outputs.begin(cycle);
            }
        });
    }

    /// Flushes the valves again, for the registers and the dead-man behind them. True when
    /// that worked, and the flush before it.
    pub(super) fn refresh(&self) -> bool {
        self.with(|state| {
            let before = !state.failed;
            state.flush(0);
            before && !state.failed
        })
        .unwrap_or(false)
    }

    /// The oldest command carried out.
    pub(super) fn next_done(&self) -> Option<(Command, Micros)> {
        let done = self.with(|state| state.done.pop_front()).flatten()?;
        let command = Command {
            nozzle: done.nozzle,
            action: if done.open {
                Action::Open
            } else {
                Action::Close
            },
            at: done.at,
            short_by: Length::default(),
        };
        Some((command, done.at.plus(done.late)))
    }

    /// Opens given up because the queue was full.
    pub(super) fn opens_dropped(&self) -> u32 {
        self.with(|state| state.queue.opens_dropped())
            .unwrap_or_default()
    }
}

impl<C: Clock, V: Outputs, const Q: usize, const B: usize> State<C, V, Q, B> {
    fn now(&mut self) -> Micros {
        self.parts
            .as_mut()
            .map_or_else(Micros::default, |(clock, _)| clock.now())
    }

    fn push(&mut self, command: Command) {
        if let Pushed::CloseNow(_) = self.queue.push(command) {
            let now = self.now();
            let reports = usize::from(self.carry_out(now, command));
            self.flush(reports);
        }
    }

    /// Carries out all that is due in one flush, and sets the alarm for what comes next.
    fn strike(&mut self) {
        let now = self.now();
        let (mut due, mut reports) = (false, 0);
        while let Some(command) = self.queue.pop_due(now) {
            due = true;
            reports += usize::from(self.carry_out(now, command));
        }
        if let Some((_, outputs)) = &mut self.parts {
            due |= outputs.turn(now);
        }
        if due {
            self.flush(reports);
        }
        let wake = Some(self.wake).filter(|&wake| wake > now);
        let Some((clock, outputs)) = &mut self.parts else {
            return;
        };
        let turn = outputs.next_turn();
        let next = [self.queue.next_due(), wake, turn].into_iter().flatten();
        if let Some(next) = next.min() {
            clock.alarm(next);
        }
    }

    /// Sets a valve. True when there was room to report it.
    fn carry_out(&mut self, now: Micros, command: Command) -> bool {
        let Some((_, outputs)) = &mut self.parts else {
            return false;
        };
        self.failed |= !outputs.carry_out(now, &command);
        let done = Done {
            at: command.at,
            late: Span(0),
            nozzle: command.nozzle,
            open: command.action == Action::Open,
        };
        self.done.push_back(done).is_ok()
    }

    /// Flushes the valves; the latest so many reports were carried out by that.
    fn flush(&mut self, reports: usize) {
        if let Some((clock, outputs)) = &mut self.parts {
            self.failed = !outputs.flush();
            let at = clock.now();
            for done in self.done.iter_mut().rev().take(reports) {
                done.late = at.since(done.at);
            }
        }
    }
}
