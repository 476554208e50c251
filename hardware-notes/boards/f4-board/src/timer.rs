//! Timer 2, 32 bits at 1 MHz: the clock, the alarm by compare channel 1, the wheel by capture
//! channel 2. Registers after reference manual RM0090, from memory.

use board_common::live::Clock;
use controller_core::Micros;
use controller_core::drivers::capture_timer::Turns;
use stm32f4xx_hal::pac::{self, TIM2};
use stm32f4xx_hal::rcc::{Enable, Rcc, Reset};

/// 84 MHz to 1 MHz.
const PRESCALE: u32 = 84 - 1;
const CHANNEL_1: u32 = 1 << 1;
const CHANNEL_2: u32 = 1 << 2;
/// Channel 2 captures its own pin, after eight equal samples of the divided clock.
const CAPTURE_OWN_PIN: u32 = 0b01 << 8 | 0b1011 << 12;
/// Channel 2 on, falling edges.
const CAPTURE_FALLING: u32 = 0b11 << 4;

fn registers() -> &'static pac::tim2::RegisterBlock {
    // SAFETY: only this module uses timer 2, and each access is one whole register.
    unsafe { &*TIM2::ptr() }
}

/// The clock of the board.
pub struct Timer(Turns);

impl Timer {
    /// Starts it. Takes the timer, so that nobody else does.
    pub fn start(_: TIM2, rcc: &mut Rcc) -> Self {
        TIM2::enable(rcc);
        TIM2::reset(rcc);
        let timer = registers();
        // SAFETY: values of the registers' fields, in the manual's order: off while it is set.
        unsafe {
            timer.psc().write(|w| w.bits(PRESCALE));
            timer.arr().write(|w| w.bits(u32::MAX));
            timer.egr().write(|w| w.bits(1));
            timer.ccmr1_input().write(|w| w.bits(CAPTURE_OWN_PIN));
            timer.ccer().write(|w| w.bits(CAPTURE_FALLING));
            timer.sr().write(|w| w.bits(0));
            timer.dier().write(|w| w.bits(CHANNEL_1 | CHANNEL_2));
            timer.cr1().write(|w| w.bits(1));
        }
        Self(Turns::new())
    }
}

impl Clock for Timer {
    fn now(&mut self) -> Micros {
        Micros(self.0.whole(registers().cnt().read().bits()))
    }

    fn alarm(&mut self, at: Micros) {
        let low = at.0 as u32;
        // SAFETY: whole registers. A turn lasts 71 minutes, far more than any alarm is away.
        unsafe { registers().ccr1().write(|w| w.bits(low)) };
        if self.now() >= at {
            // SAFETY: raises channel 1's event by hand.
            unsafe { registers().egr().write(|w| w.bits(CHANNEL_1)) };
        }
    }
}

fn took(flag: u32) -> bool {
    let set = registers().sr().read().bits() & flag != 0;
    if set {
        // SAFETY: flags are cleared by 0 and kept by 1.
        unsafe { registers().sr().write(|w| w.bits(!flag)) };
    }
    set
}

/// True when the alarm has struck; takes it back.
pub fn struck() -> bool {
    took(CHANNEL_1)
}

/// The low half of the instant of a wheel pulse, if one was captured.
pub fn captured() -> Option<u32> {
    // Reading the capture clears its flag.
    (registers().sr().read().bits() & CHANNEL_2 != 0).then(|| registers().ccr2().read().bits())
}

/// True while clock, capture and alarm run, by their registers.
pub fn is_alive() -> bool {
    registers().cr1().read().bits() & 1 != 0
        && registers().dier().read().bits() == CHANNEL_1 | CHANNEL_2
        && registers().ccer().read().bits() == CAPTURE_FALLING
}
