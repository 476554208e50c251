//! Regular news: motion, and the state of every section.

use crate::site::Site;
use crate::voice::Voice;
use controller_core::link::message::guard_number;
use controller_core::link::{FromBoard, Motion, SectionMode, SectionState};
use controller_core::{Action, Command, Controller, GuardState, Micros, Mode, SectionConfig};

/// Detectors that have a bit in [`Motion::faults`].
const DETECTOR_BITS: u8 = 16;
const SUPPLY_LOW: u32 = 1 << 17;
/// Bit of [`Motion::faults`]: no sound machine description.
pub const NO_MACHINE: u32 = 1 << 18;
const NOZZLE_FAULTY: u32 = 1 << 20;

/// When news are due.
#[derive(Clone, Copy, Debug, Default)]
pub struct Rhythm {
    every_us: u32,
    due: Micros,
}

impl Rhythm {
    /// Every so many ms from now on, the first at once; never for 0.
    pub fn set(&mut self, now: Micros, every_ms: u16) {
        self.every_us = u32::from(every_ms).saturating_mul(1000);
        self.due = now;
    }

    /// True when news are due; then they are due again one step later. However much time
    /// went by, it is once.
    pub fn due(&mut self, now: Micros) -> bool {
        if self.every_us == 0 || now < self.due {
            return false;
        }
        self.due = Micros(now.0.saturating_add(u64::from(self.every_us)));
        true
    }
}

/// The sections of a machine, and for how long their valves were open: at most `N`.
pub struct Sections<'a, const N: usize> {
    runs: &'a [SectionConfig],
    /// Valve time, µs: an opening takes its instant off, a closing adds its own.
    on: [u64; N],
}

impl<'a, const N: usize> Sections<'a, N> {
    /// As in the machine description; none at all is one section of every nozzle.
    pub fn new(runs: &'a [SectionConfig]) -> Self {
        Self { runs, on: [0; N] }
    }

    fn count(&self) -> usize {
        self.runs.len().max(1)
    }

    fn run(&self, section: usize) -> (u16, u16) {
        let run = self.runs.get(section);
        run.map_or((0, u16::MAX), |run| (run.first, run.count))
    }

    fn of(&self, nozzle: u16) -> usize {
        let holds = |run: &SectionConfig| nozzle.wrapping_sub(run.first) < run.count;
        self.runs.iter().position(holds).unwrap_or_default()
    }

    /// Takes a command into the valve time.
    pub fn note(&mut self, command: &Command) {
        let section = self.of(command.nozzle);
        if let Some(on) = self.on.get_mut(section) {
            *on = match command.action {
                Action::Open => on.wrapping_sub(command.at.0),
                _ => on.wrapping_add(command.at.0),
            };
        }
    }

    fn state<const K: usize, const H: usize, const D: usize>(
        &self,
        core: &Controller<'_, N, K, H, D>,
        now: Micros,
        section: usize,
    ) -> SectionState {
        let (first, most) = self.run(section);
        let index = u8::try_from(section).unwrap_or(u8::MAX);
        let mode = core.mode(index).unwrap_or(Mode::Off);
        let mut state = SectionState {
            section: index,
            mode: SectionMode::from(mode),
            first,
            ..SectionState::default()
        };
        for offset in 0..most {
            let nozzle = first.saturating_add(offset);
            let Some(open) = core.is_open(nozzle) else {
                break;
            };
            state.count = state.count.saturating_add(1);
            state.open = state.open.saturating_add(u16::from(open));
            let faulty = core.nozzle_fault(nozzle) == Some(true);
            state.faulty = state.faulty.saturating_add(u16::from(faulty));
        }
        let still = u64::from(state.open).wrapping_mul(now.0);
        let on = self.on.get(section).copied().unwrap_or_default();
        // A command may lie ahead of now by a decision period: less than nothing is nothing.
        let on = on.wrapping_add(still).cast_signed().max(0).cast_unsigned();
        state.on_ms = u32::try_from(on / 1000).unwrap_or(u32::MAX);
        state
    }

    /// Sends motion and the state of every section.
    #[inline(never)]
    pub fn say<const K: usize, const H: usize, const D: usize, const O: usize>(
        &self,
        core: &Controller<'_, N, K, H, D>,
        now: Micros,
        site: &mut impl Site,
        voice: &mut Voice<O>,
    ) {
        let guard = core.guard_state();
        let mut faults = site.faults();
        for detector in 0..DETECTOR_BITS {
            if core.detector_silent(detector) == Some(true) {
                faults |= 1_u32.wrapping_shl(u32::from(detector));
            }
        }
        if guard == GuardState::SupplyLow {
            faults |= SUPPLY_LOW;
        }
        let nozzles = (0..u16::MAX).map_while(|nozzle| core.is_open(nozzle));
        let open = nozzles.filter(|&open| open).count();
        if (0..u16::MAX)
            .map_while(|nozzle| core.nozzle_fault(nozzle))
            .any(|fault| fault)
        {
            faults |= NOZZLE_FAULTY;
        }
        let motion = Motion {
            at_us: now.0,
            speed_mm_s: core.speed().to_mm_s(),
            distance_mm: core.distance().to_um() / 1000,
            guard: guard_number(guard),
            open: u16::try_from(open).unwrap_or(u16::MAX),
            faults,
        };
        voice.say(site, &FromBoard::Motion(motion));
        for section in 0..self.count() {
            let state = self.state(core, now, section);
            voice.say(site, &FromBoard::Section(state));
        }
    }
}

/// Sends the news of a board without a machine.
pub fn say_nothing_runs<const O: usize>(now: Micros, site: &mut impl Site, voice: &mut Voice<O>) {
    let motion = Motion {
        at_us: now.0,
        speed_mm_s: 0,
        distance_mm: 0,
        guard: guard_number(GuardState::NeverMoved),
        open: 0,
        faults: NO_MACHINE | site.faults(),
    };
    voice.say(site, &FromBoard::Motion(motion));
}
