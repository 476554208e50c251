//! Wires to the board that are no pulses: direction, supply, stop, acknowledge, switches.

use controller_core::drivers::switches::Debounce;
use controller_core::{Controller, Direction, GuardState, Micros, Span};

/// Hand-operated buttons and the supply are believed once they were quiet for so long: common
/// practice, no source. An opening valve's inrush is over by then.
const QUIET: Span = Span::from_ms(20);
const SUPPLY_LOW: u32 = 1 << 0;
const ACKNOWLEDGE: u32 = 1 << 1;

/// The wires as they are at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Levels {
    /// Closed wires of spot, a bit a section.
    pub spot: u64,
    /// Closed wires of broadcast, a bit a section.
    pub broadcast: u64,
    /// The machine goes back.
    pub reverse: bool,
    /// The supply is low.
    pub supply_low: bool,
    /// The emergency stop is pressed. The wire itself cuts the valves' power; this tells.
    pub stop: bool,
    /// The acknowledge button is pressed.
    pub acknowledge: bool,
}

/// What was last told to the controller.
pub struct Panel {
    told: Levels,
    quiet: Debounce,
}

impl Panel {
    /// Nothing is pressed, the machine goes forward, the supply is sound, and no switch was
    /// ever moved: without switches the link sets the modes.
    pub fn new() -> Self {
        Self {
            told: Levels::default(),
            quiet: Debounce::new(QUIET),
        }
    }

    /// Tells the controller what has changed; to be called each ms. `stop`: opens that wait
    /// are void. Refusals are counted by the controller.
    pub fn tell<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        core: &mut Controller<'_, N, K, H, D>,
        now: Micros,
        levels: &Levels,
        acknowledge: bool,
        stop: impl FnOnce(),
    ) {
        let bit = |set: bool, bit: u32| if set { bit } else { 0 };
        let buttons = bit(levels.supply_low, SUPPLY_LOW) | bit(levels.acknowledge, ACKNOWLEDGE);
        let changed = self.quiet.sample(now, buttons);
        let settled = self.quiet.settled();
        let supply_low = settled & SUPPLY_LOW != 0;
        // Again after an acknowledgement while it is still pressed.
        let stops = levels.stop && core.guard_state() != GuardState::EmergencyStop;
        if stops || supply_low {
            stop();
        }
        if stops {
            let _counted = core.handle_emergency_stop(now);
        }
        if changed & SUPPLY_LOW != 0 {
            let _counted = core.handle_supply(now, !supply_low);
        }
        if levels.reverse != self.told.reverse {
            let direction = if levels.reverse {
                Direction::Reverse
            } else {
                Direction::Forward
            };
            let _counted = core.handle_direction(now, direction);
        }
        if (levels.spot, levels.broadcast) != (self.told.spot, self.told.broadcast) {
            let _counted = core.handle_switches(now, levels.spot, levels.broadcast);
        }
        if acknowledge && changed & settled & ACKNOWLEDGE != 0 {
            let _counted = core.acknowledge(now);
        }
        self.told = *levels;
    }
}
