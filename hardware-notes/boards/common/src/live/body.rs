//! The main loop of a board with a clock.

use super::panel::Panel;
use super::station::Station;
use super::{Clock, Hardware, Outputs, Shared};
use crate::board::{Board, set_up};
use crate::driver::Driver;
use crate::site::Site;
use controller_core::drivers::MachineStore;
use controller_core::drivers::signals::signals;
use controller_core::drivers::watchdog::{Part, Watchdog};
use controller_core::link::MachineTable;
use controller_core::{Controller, GuardState, Micros, Span};

/// Wires are looked at and the watchdog is thought of at least so often.
const TICK: Span = Span::from_ms(1);
/// Commands carried out are reported at the latest after this.
const REPORT: Span = Span::from_ms(20);
/// Bytes of the link taken in a round: a board that is flooded still polls its controller.
const BYTES_A_ROUND: u16 = 64;
/// A cycle is asked for at most so long before it begins: some rounds.
const CYCLE_AHEAD: Span = Span::from_ms(3);
/// Cycles asked for in a round, so that it stays short.
const CYCLES_A_ROUND: u16 = 12;

/// A live board: `Q` commands and `B` received bytes wait at most, frames have at most `F`
/// bytes, machine descriptions `M`, messages from the board `O`, `T` bytes wait to be sent,
/// and the first `S` detectors have strobe wires.
pub struct Live<
    's,
    W: Hardware,
    C,
    V,
    const Q: usize,
    const B: usize,
    const F: usize,
    const M: usize,
    const O: usize,
    const T: usize,
    const S: usize,
> {
    board: Board<F, M, O>,
    station: Station<'s, W, C, V, Q, B, T, S>,
    watchdog: Watchdog,
    /// A wheel pulse stamped after the round began.
    held: Option<Micros>,
    report_due: Micros,
    wires_due: Micros,
}

impl<
    's,
    W: Hardware,
    C: Clock,
    V: Outputs,
    const Q: usize,
    const B: usize,
    const F: usize,
    const M: usize,
    const O: usize,
    const T: usize,
    const S: usize,
> Live<'s, W, C, V, Q, B, F, M, O, T, S>
{
    /// A board whose interrupts are served by `shared`. Without a `store` every machine is
    /// refused as not stored.
    pub fn new(
        shared: &'s Shared<C, V, Q, B>,
        hardware: W,
        store: Option<MachineStore<W::Flash>>,
    ) -> Self {
        Self {
            board: Board::new(),
            station: Station::<W, C, V, Q, B, T, S>::new(shared, hardware, store),
            watchdog: Watchdog::new(),
            held: None,
            report_due: Micros(0),
            wires_due: Micros(0),
        }
    }

    /// Takes the machine description that was kept.
    #[inline(never)]
    fn load(&mut self) {
        let mut bytes = [0; M];
        if let Some(machine) = self.station.kept(&mut bytes) {
            self.board.preload(machine);
        }
    }

    /// Runs for ever: for at most `N` nozzles with `K` patches each, `H` remembered pulses,
    /// `D` detectors.
    pub fn run<const N: usize, const K: usize, const H: usize, const D: usize>(&mut self) -> ! {
        self.load();
        // The frame that asked for the machine now built; answered when it is.
        let mut asked = None;
        loop {
            asked = Some(self.run_table::<N, K, H, D>(asked));
        }
    }

    /// Serves with the machine that is there, or none, until there is another.
    #[inline(never)]
    fn run_table<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        asked: Option<u16>,
    ) -> u16 {
        match &self.board.table::<N, D>() {
            Some(table) => self.run_machine::<N, K, H, D>(table, asked),
            None => {
                self.station.begin(None);
                self.board.begin(&mut self.station, asked, false);
                self.serve::<N, K, H, D>(&mut None)
            }
        }
    }

    // One controller on the stack, written where it stays: a second would not fit on a small
    // one.
    #[inline(never)]
    fn run_machine<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        table: &MachineTable<N, D>,
        asked: Option<u16>,
    ) -> u16 {
        let mut core = Controller::<'_, N, K, H, D>::blank();
        let ready = set_up(&mut core, table, true);
        let config = table.config();
        let mut driver = ready.ok().map(|()| Driver::new(&mut core, config.sections));
        self.station.begin(driver.is_some().then_some(&config));
        self.board.begin(&mut self.station, asked, driver.is_some());
        self.serve(&mut driver)
    }

    /// Serves until a new machine is there: the number of the frame that said so.
    // Kept apart, so that its stack and that of building a controller don't add up.
    #[inline(never)]
    fn serve<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
    ) -> u16 {
        let mut panel = Panel::new();
        loop {
            let now = self.station.shared.round();
            self.pulses(driver, now);
            self.board.advance(&mut self.station, driver, now);
            self.cycles(driver, now);
            self.wires(driver, &mut panel, now);
            self.station.carry();
            if let Some(asked) = self.bytes(driver) {
                return asked;
            }
            self.speak(driver, now);
            self.care(driver, now);
        }
    }

    /// The next cycles of open valves, shortly before they begin.
    fn cycles<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        now: Micros,
    ) {
        let (true, Some(driver)) = (V::CYCLES, driver) else {
            return;
        };
        let shared = self.station.shared;
        let mut from = 0;
        for _ in 0..CYCLES_A_ROUND {
            let Some((nozzle, begins)) = shared.wants(from, now.plus(CYCLE_AHEAD)) else {
                break;
            };
            from = nozzle.saturating_add(1);
            // One that is about to be closed keeps its last cycle till then.
            if driver.core.is_open(nozzle) == Some(true)
                // By the speed of now: at an instant ahead a pulse may seem overdue that is not.
                && let Some(cycle) = driver.cycle(now, begins, nozzle)
            {
                shared.tell(nozzle, cycle);
            }
        }
    }

    /// Wheel pulses up to now, or those made of the tractor bus's messages, each after polling up to
    /// its stamp. The ones after now wait: an interrupt may have stamped them since.
    fn pulses<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        now: Micros,
    ) {
        while let Some(at) = self
            .held
            .take()
            .or_else(|| self.station.hardware.bus_pulse(now))
            .or_else(|| self.station.shared.next_pulse())
        {
            if at > now {
                self.held = Some(at);
                break;
            }
            self.board.advance(&mut self.station, driver, at);
            self.board.input(&mut self.station, driver, |core, at| {
                let _noted = core.note_pulse(at);
            });
        }
        if self.station.hardware.pulses_can_come() {
            self.watchdog.report(Part::Pulses);
        }
    }

    fn wires<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        panel: &mut Panel,
        now: Micros,
    ) {
        if now >= self.wires_due {
            self.wires_due = now.plus(TICK);
            let levels = self.station.hardware.levels();
            let shared = self.station.shared;
            let may_acknowledge = !self.station.tries_valves();
            self.board.input(&mut self.station, driver, |core, now| {
                panel.tell(core, now, &levels, may_acknowledge, || shared.void_opens());
            });
        }
        if let Some(dead) = self.station.try_valves(now) {
            self.board.input(&mut self.station, driver, |core, now| {
                for (word, first) in dead.iter().zip((0_u16..).step_by(32)) {
                    for bit in 0..32 {
                        if word >> bit & 1 == 1 {
                            let _known = core.set_nozzle_fault(now, first + bit, true);
                        }
                    }
                }
            });
        }
    }

    /// Bytes of the link.
    fn bytes<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
    ) -> Option<u16> {
        let mut asked = None;
        let mut taken = 0;
        while taken < BYTES_A_ROUND && asked.is_none() {
            let Some(byte) = self.station.shared.byte() else {
                break;
            };
            asked = self.board.take_byte(&mut self.station, driver, byte);
            taken += 1;
        }
        if taken > 0 {
            self.station.hardware.resume_receiving();
        }
        asked
    }

    /// What was carried out, and regular news.
    fn speak<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        now: Micros,
    ) {
        while let Some((command, done)) = self.station.shared.next_done() {
            self.board.carried_out(&mut self.station, &command, done);
        }
        let due = now >= self.report_due;
        if due {
            self.report_due = now.plus(REPORT);
        }
        self.board.speak(&mut self.station, driver, due);
    }

    /// Watchdog, lamp, sleep.
    fn care<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
        now: Micros,
    ) {
        let next = driver.as_ref().map(Driver::next);
        // Without a machine there is no grid, and nothing opens.
        if next.is_none_or(|next| next.is_some_and(|next| next > now)) {
            self.watchdog.report(Part::Grid);
        }
        if self.station.shared.refresh() {
            self.watchdog.report(Part::Output);
        }
        if self.watchdog.may_feed() {
            self.station.hardware.feed();
        }
        let guard = driver.as_ref().map(|d| d.core.guard_state());
        let guard = guard.unwrap_or(GuardState::NeverMoved);
        let fault = driver.is_none() || self.station.has_fault();
        let shown = signals(guard, fault);
        let hardware = &mut self.station.hardware;
        hardware.show(shown.lamp.is_on(now), shown.buzzer.is_on(now));
        if !self.station.sends() && self.held.is_none() {
            let wake = now.plus(TICK);
            let wake = next.flatten().map_or(wake, |next| wake.min(next));
            let hardware = &mut self.station.hardware;
            self.station.shared.sleep_until(wake, || hardware.sleep());
        }
    }
}
