//! The clock: timer 0 counts down for ever at 25 MHz, timer 1 counts down to the alarm once.
//! Registers after Arm's Cortex-M System Design Kit manual (DDI 0479), APB timer; addresses,
//! interrupts and clock after the MPS2 application note AN386; from memory, and proven by the
//! tests.

use board_common::live;
use board_start::{Irq, Register};
use controller_core::Micros;
use controller_core::drivers::capture_timer::{Turns, ticks_to_us};

/// Timer 1's interrupt.
pub const ALARM: Irq = Irq(9);

const MHZ: u32 = 25;

const fn timer_0(offset: usize) -> Register {
    // SAFETY: a register of timer 0.
    unsafe { Register::new(0x4000_0000 + offset) }
}

const fn timer_1(offset: usize) -> Register {
    // SAFETY: a register of timer 1.
    unsafe { Register::new(0x4000_1000 + offset) }
}

const CONTROL: usize = 0x0;
const VALUE: usize = 0x4;
const RELOAD: usize = 0x8;
const INTERRUPT: usize = 0xC;
const ENABLED: u32 = 1 << 0;
const WITH_INTERRUPT: u32 = 1 << 3;

/// The clock of the board.
pub struct Clock(Turns);

impl Clock {
    /// Starts it.
    pub fn start() -> Self {
        timer_0(RELOAD).write(u32::MAX);
        timer_0(VALUE).write(u32::MAX);
        timer_0(CONTROL).write(ENABLED);
        timer_1(RELOAD).write(0);
        timer_1(CONTROL).write(ENABLED | WITH_INTERRUPT);
        ALARM.enable();
        Self(Turns::new())
    }
}

impl live::Clock for Clock {
    fn now(&mut self) -> Micros {
        let ticks = self.0.whole(u32::MAX - timer_0(VALUE).read());
        Micros(ticks_to_us(ticks, MHZ))
    }

    fn alarm(&mut self, at: Micros) {
        let wait = at.since(self.now()).0;
        if wait == 0 {
            ALARM.raise();
        } else {
            // A turn of the timer is 171 s, far more than any alarm is away.
            timer_1(VALUE).write(wait.saturating_mul(MHZ));
        }
    }
}

/// Timer 0 as it counts: down, at 25 MHz.
pub fn ticks() -> u32 {
    timer_0(VALUE).read()
}

/// The alarm has struck: takes its interrupt back.
pub fn struck() {
    timer_1(INTERRUPT).write(1);
}

/// True while clock and alarm run, by their registers.
pub fn is_alive() -> bool {
    timer_0(CONTROL).read() & ENABLED != 0
        && timer_1(CONTROL).read() == ENABLED | WITH_INTERRUPT
        && ALARM.is_enabled()
}
