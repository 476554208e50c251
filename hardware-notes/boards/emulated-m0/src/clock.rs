//! The clock: timer 0 at 1 MHz, counting in 32 bits. Its first compare is the alarm, its
//! second takes the count for reading; the others are left to whoever watches from outside.
//! Registers after the nRF51 series reference manual, from memory, and proven by the tests.

use board_common::live;
use board_start::{Irq, Register};
use controller_core::Micros;
use controller_core::drivers::capture_timer::Turns;

/// Its interrupt.
pub const ALARM: Irq = Irq(8);

const fn at(offset: usize) -> Register {
    // SAFETY: a register of timer 0.
    unsafe { Register::new(0x4000_8000 + offset) }
}

const START: Register = at(0x000);
const CAPTURE_1: Register = at(0x044);
const STRUCK: Register = at(0x140);
const ENABLE_INTERRUPT: Register = at(0x304);
const BIT_MODE: Register = at(0x508);
const PRESCALER: Register = at(0x510);
const COMPARE_0: Register = at(0x540);
const COMPARE_1: Register = at(0x544);
const BITS_32: u32 = 3;
/// 16 MHz by two to the fourth.
const TO_1_MHZ: u32 = 4;
const ON_COMPARE_0: u32 = 1 << 16;

/// The clock of the board.
pub struct Clock(Turns);

impl Clock {
    /// Starts it.
    pub fn start() -> Self {
        BIT_MODE.write(BITS_32);
        PRESCALER.write(TO_1_MHZ);
        ENABLE_INTERRUPT.write(ON_COMPARE_0);
        START.write(1);
        ALARM.enable();
        Self(Turns::new())
    }
}

impl live::Clock for Clock {
    fn now(&mut self) -> Micros {
        CAPTURE_1.write(1);
        Micros(self.0.whole(COMPARE_1.read()))
    }

    fn alarm(&mut self, at: Micros) {
        COMPARE_0.write(at.0 as u32);
        // A count that was passed in the meantime would not be met for another 71 minutes.
        if self.now() >= at {
            ALARM.raise();
        }
    }
}

/// The alarm has struck: takes its event back.
pub fn struck() {
    STRUCK.write(0);
}

/// True while the clock runs and its alarm can interrupt, by the registers: the mode and the
/// prescaler that were set, and the interrupt. The timer has no register that says *started*.
pub fn is_alive() -> bool {
    BIT_MODE.read() == BITS_32 && PRESCALER.read() == TO_1_MHZ && ALARM.is_enabled()
}
