//! A board with an STM32F405 (Cortex-M4): sixteen valves on port D, the wheel on a capture
//! input of timer 2, the link on USART1. The README beside it has pins and wiring.
//!
//! Compile-checked only: it has never run on a real one. Clock tree, pins, UART and watchdog
//! come from the HAL; timer 2 is used by its registers (reference manual RM0090, from memory),
//! since capture and compare of one timer are needed together.

#![no_std]
#![no_main]

mod slots;
mod timer;

use board_common::live::{Hardware, Levels, Live, Shared};
use controller_core::drivers::MachineStore;
use controller_core::drivers::pins::{OpensOn, PinValves};
use controller_core::link::ResetCause;
use controller_core::{Micros, Span};
use core::panic::PanicInfo;
use cortex_m::peripheral::{NVIC, SCB};
use cortex_m_rt::entry;
use slots::Slots;
use stm32f4xx_hal::gpio::{AnyPin, Edge, Input, Output, Pull};
use stm32f4xx_hal::pac::{self, Interrupt, interrupt};
use stm32f4xx_hal::prelude::*;
use stm32f4xx_hal::rcc;
use stm32f4xx_hal::serial::{Tx, config};
use stm32f4xx_hal::watchdog::IndependentWatchdog;
use timer::Timer;

/// Valves on port D.
const VALVES: usize = 16;

/// The pin changes within the µs.
static SHARED: Shared<Timer, PinValves<AnyPin<Output>, VALVES>, 32, 512> = Shared::new(Span(1));

/// The HAL's start-up code can panic, in theory. A reset floats every pin, and the gates' own
/// resistors close the valves.
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    SCB::sys_reset()
}

struct Board {
    sender: Tx<pac::USART1>,
    reverse: AnyPin<Input>,
    supply_low: AnyPin<Input>,
    stop: AnyPin<Input>,
    acknowledge: AnyPin<Input>,
    lamp: AnyPin<Output>,
    buzzer: AnyPin<Output>,
    dog: IndependentWatchdog,
    cause: ResetCause,
}

impl Hardware for Board {
    type Sender = Tx<pac::USART1>;
    type Flash = Slots;

    fn sender(&mut self) -> &mut Self::Sender {
        &mut self.sender
    }
    fn resume_receiving(&mut self) {
        listen(true);
    }
    fn levels(&mut self) -> Levels {
        // Opto-isolated, to ground when closed. The stop wire and the supply's monitor are
        // closed while all is well, so that a broken wire stops.
        Levels {
            reverse: self.reverse.is_low(),
            supply_low: self.supply_low.is_high(),
            stop: self.stop.is_high(),
            acknowledge: self.acknowledge.is_low(),
            ..Levels::default()
        }
    }
    fn show(&mut self, lamp: bool, buzzer: bool) {
        self.lamp.set_state(lamp.into());
        self.buzzer.set_state(buzzer.into());
    }
    fn current_flows(&mut self) -> Option<bool> {
        None
    }
    fn pulses_can_come(&mut self) -> bool {
        NVIC::is_enabled(Interrupt::TIM2) && timer::is_alive()
    }
    fn feed(&mut self) {
        self.dog.feed();
    }
    fn sleep(&mut self) {
        cortex_m::asm::wfi();
    }
    fn reset_cause(&self) -> ResetCause {
        self.cause
    }
}

const RECEIVED: u16 = 1 << 5;

/// Whether a byte that has come raises the interrupt.
fn listen(on: bool) {
    critical_section::with(|_| {
        // SAFETY: the receiver's half of the port, which the HAL's sender does not touch.
        let port = unsafe { &*pac::USART1::ptr() };
        port.cr1().modify(|r, w| {
            let others = r.bits() & !RECEIVED;
            // SAFETY: one bit of the register changes.
            unsafe { w.bits(others | if on { RECEIVED } else { 0 }) }
        });
    });
}

#[interrupt]
fn USART1() {
    // SAFETY: as in `listen`.
    let port = unsafe { &*pac::USART1::ptr() };
    while port.sr().read().bits() & RECEIVED != 0 {
        if !SHARED.has_room() {
            listen(false);
            return;
        }
        SHARED.received((port.dr().read().bits() & 0xFF) as u8);
    }
}

#[interrupt]
fn TIM2() {
    if timer::struck() {
        SHARED.alarm();
    }
    if let Some(low) = timer::captured() {
        let now = SHARED.now().0;
        let since = (now as u32).wrapping_sub(low);
        SHARED.pulse_at(Micros(now.saturating_sub(u64::from(since))));
    }
}

#[interrupt]
fn EXTI0() {
    // SAFETY: takes the pending bit of line 0 back; written as 1, nothing else changes.
    unsafe { (*pac::EXTI::ptr()).pr().write(|w| w.bits(1)) };
    SHARED.strobe(0);
}

/// From the flags that the reset left, which are then cleared.
fn cause(rcc: &pac::RCC) -> ResetCause {
    let flags = rcc.csr().read().bits();
    rcc.csr().modify(|_, w| w.rmvf().set_bit());
    match flags {
        _ if flags & (1 << 29) != 0 => ResetCause::Watchdog,
        _ if flags & (1 << 28) != 0 => ResetCause::Firmware,
        _ if flags & (1 << 27) != 0 => ResetCause::PowerOn,
        _ if flags & (1 << 25) != 0 => ResetCause::LowVoltage,
        _ if flags & (1 << 26) != 0 => ResetCause::Pin,
        _ => ResetCause::Unknown,
    }
}

#[entry]
fn main() -> ! {
    let Some(mut dp) = pac::Peripherals::take() else {
        SCB::sys_reset()
    };
    let cause = cause(&dp.RCC);
    // 8 MHz crystal; timers of the slow bus then run at 84 MHz.
    let clocks = rcc::Config::hse(8.MHz()).sysclk(168.MHz()).pclk1(42.MHz());
    let mut rcc = dp.RCC.freeze(clocks);
    let mut syscfg = dp.SYSCFG.constrain(&mut rcc);
    let a = dp.GPIOA.split(&mut rcc);
    let b = dp.GPIOB.split(&mut rcc);
    let c = dp.GPIOC.split(&mut rcc);
    let d = dp.GPIOD.split(&mut rcc);
    // Valves first.
    let pins = [
        d.pd0.into_push_pull_output().erase(),
        d.pd1.into_push_pull_output().erase(),
        d.pd2.into_push_pull_output().erase(),
        d.pd3.into_push_pull_output().erase(),
        d.pd4.into_push_pull_output().erase(),
        d.pd5.into_push_pull_output().erase(),
        d.pd6.into_push_pull_output().erase(),
        d.pd7.into_push_pull_output().erase(),
        d.pd8.into_push_pull_output().erase(),
        d.pd9.into_push_pull_output().erase(),
        d.pd10.into_push_pull_output().erase(),
        d.pd11.into_push_pull_output().erase(),
        d.pd12.into_push_pull_output().erase(),
        d.pd13.into_push_pull_output().erase(),
        d.pd14.into_push_pull_output().erase(),
        d.pd15.into_push_pull_output().erase(),
    ];
    let Ok(valves) = PinValves::new(pins, OpensOn::High);
    let mut strobe = Input::new(a.pa0, Pull::Up);
    strobe.make_interrupt_source(&mut syscfg);
    strobe.trigger_on_edge(&mut dp.EXTI, Edge::Falling);
    strobe.enable_interrupt(&mut dp.EXTI);
    let _wheel = a.pa1.into_alternate::<1>().internal_pull_up(true);
    SHARED.begin(Timer::start(dp.TIM2, &mut rcc), valves);
    let speed = config::Config::default().baudrate(115_200.bps());
    let Ok(port) = dp.USART1.serial::<u8>((a.pa9, a.pa10), speed, &mut rcc) else {
        SCB::sys_reset()
    };
    let (sender, _receiver) = port.split();
    let mut dog = IndependentWatchdog::new(dp.IWDG);
    dog.start(1000.millis());
    let hardware = Board {
        sender,
        reverse: Input::new(c.pc0, Pull::Up).erase(),
        supply_low: Input::new(c.pc1, Pull::Up).erase(),
        stop: Input::new(c.pc2, Pull::Up).erase(),
        acknowledge: Input::new(c.pc3, Pull::Up).erase(),
        lamp: b.pb0.into_push_pull_output().erase(),
        buzzer: b.pb1.into_push_pull_output().erase(),
        dog,
        cause,
    };
    listen(true);
    for line in [Interrupt::TIM2, Interrupt::USART1, Interrupt::EXTI0] {
        // SAFETY: nothing is protected by masking: what interrupts share has critical sections.
        unsafe { NVIC::unmask(line) };
    }
    let store = MachineStore::new(Slots::new(dp.FLASH), 0, slots::SLOT).ok();
    let mut board: Live<'_, _, _, _, 32, 512, 1280, 4096, 1280, 4096, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<VALVES, 16, 256, 4>()
}
