//! A board with an RP2040 (Cortex-M0+): eight valves on pins 2 to 9, wheel and strobe on
//! pins, the link on UART0. The README beside it has pins and wiring.
//!
//! Compile-checked only: it has never run on a real one. Clocks, pins, timer, UART and
//! watchdog come from the HAL. One of the two cores is used.

#![no_std]
#![no_main]

mod slots;

use board_common::live::{Clock, Hardware, Levels, Live, Shared};
use controller_core::drivers::MachineStore;
use controller_core::drivers::pins::{OpensOn, PinValves};
use controller_core::link::ResetCause;
use controller_core::{Micros, Span};
use core::panic::PanicInfo;
use cortex_m::peripheral::{NVIC, SCB};
use cortex_m_rt::entry;
use embedded_hal::digital::{InputPin, OutputPin, PinState};
use rp2040_hal::clocks::{Clock as _, init_clocks_and_plls};
use rp2040_hal::fugit::{ExtU32, RateExtU32};
use rp2040_hal::gpio::bank0::{Gpio0, Gpio1};
use rp2040_hal::gpio::{
    DynPinId, FunctionSioInput, FunctionSioOutput, FunctionUart, Interrupt, Pin, Pins, PullDown,
    PullUp,
};
use rp2040_hal::pac::{self, Interrupt as Line, interrupt};
use rp2040_hal::sio::Sio;
use rp2040_hal::timer::{Alarm as _, Alarm0, Instant, Timer};
use rp2040_hal::uart::{DataBits, StopBits, UartConfig, UartPeripheral, Writer};
use rp2040_hal::watchdog::Watchdog;
use slots::Slots;

/// The second-stage boot loader, for the flash chip of the common small board.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_W25Q080;

const CRYSTAL_HZ: u32 = 12_000_000;
const VALVES: usize = 8;
const WHEEL: u8 = 10;
const STROBE: u8 = 11;

type Output = Pin<DynPinId, FunctionSioOutput, PullDown>;
type Input = Pin<DynPinId, FunctionSioInput, PullUp>;
type Wires = (
    Pin<Gpio0, FunctionUart, PullDown>,
    Pin<Gpio1, FunctionUart, PullDown>,
);

/// The pin changes within the µs.
static SHARED: Shared<Ticks, PinValves<Output, VALVES>, 16, 512> = Shared::new(Span(1));

/// The HAL's start-up code can panic, in theory. A reset floats every pin, and the gates' own
/// resistors close the valves.
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    SCB::sys_reset()
}

/// The timer, 64 bits of µs, and its first alarm.
struct Ticks(Timer, Alarm0);

impl Clock for Ticks {
    fn now(&mut self) -> Micros {
        Micros(self.0.get_counter().ticks())
    }

    fn alarm(&mut self, at: Micros) {
        // Half an hour at most, which no alarm is away: later ones would be refused.
        let farthest = self.now().plus(Span(1 << 30));
        let at = Instant::from_ticks(at.min(farthest).0);
        let scheduled = self.1.schedule_at(at);
        debug_assert!(scheduled.is_ok());
    }
}

struct Board {
    sender: Writer<pac::UART0, Wires>,
    reverse: Input,
    supply_low: Input,
    stop: Input,
    acknowledge: Input,
    lamp: Output,
    buzzer: Output,
    dog: Watchdog,
    cause: ResetCause,
}

/// True when a wire is closed to ground.
fn closed(pin: &mut Input) -> bool {
    pin.is_low().unwrap_or(false)
}

impl Hardware for Board {
    type Sender = Writer<pac::UART0, Wires>;
    type Flash = Slots;

    fn sender(&mut self) -> &mut Self::Sender {
        &mut self.sender
    }
    fn resume_receiving(&mut self) {
        listen(true);
    }
    fn levels(&mut self) -> Levels {
        // The stop wire and the supply's monitor are closed while all is well, so that a
        // broken wire stops.
        Levels {
            reverse: closed(&mut self.reverse),
            supply_low: !closed(&mut self.supply_low),
            stop: !closed(&mut self.stop),
            acknowledge: closed(&mut self.acknowledge),
            ..Levels::default()
        }
    }
    fn show(&mut self, lamp: bool, buzzer: bool) {
        // Pins of the chip itself never fail.
        let Ok(()) = self.lamp.set_state(PinState::from(lamp));
        let Ok(()) = self.buzzer.set_state(PinState::from(buzzer));
    }
    fn current_flows(&mut self) -> Option<bool> {
        None
    }
    fn pulses_can_come(&mut self) -> bool {
        // SAFETY: reads a register.
        let ticks = unsafe { (*pac::WATCHDOG::ptr()).tick().read().running().bit_is_set() };
        ticks && NVIC::is_enabled(Line::IO_IRQ_BANK0) && NVIC::is_enabled(Line::TIMER_IRQ_0)
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

/// Bits of UART interrupts: bytes wait, or waited long.
const RECEIVED: u32 = 1 << 4 | 1 << 6;

/// Whether bytes that have come raise the interrupt.
fn listen(on: bool) {
    critical_section::with(|_| {
        // SAFETY: the receiver's interrupt mask, which the HAL's sender does not touch.
        let port = unsafe { &*pac::UART0::ptr() };
        // SAFETY: the mask of the two.
        unsafe {
            port.uartimsc()
                .write(|w| w.bits(if on { RECEIVED } else { 0 }))
        };
    });
}

#[interrupt]
fn UART0_IRQ() {
    // SAFETY: as in `listen`.
    let port = unsafe { &*pac::UART0::ptr() };
    while port.uartfr().read().rxfe().bit_is_clear() {
        if !SHARED.has_room() {
            listen(false);
            return;
        }
        SHARED.received((port.uartdr().read().bits() & 0xFF) as u8);
    }
}

#[interrupt]
fn TIMER_IRQ_0() {
    // SAFETY: the first alarm's flag alone: one that struck is cleared by a one, one that was
    // forced by clearing its bit. No other alarm is used.
    unsafe {
        let timer = &*pac::TIMER::ptr();
        timer.intf().write(|w| w.bits(0));
        timer.intr().write(|w| w.bits(1));
    }
    SHARED.alarm();
}

#[interrupt]
fn IO_IRQ_BANK0() {
    // SAFETY: flags of the edges are cleared by ones, and these are the only two pins with any.
    let bank = unsafe { &*pac::IO_BANK0::ptr() };
    // Four bits a pin, eight pins a register: the falling edge is the third.
    let falling = |pin: u8| 1_u32 << (4 * (pin % 8) + 2);
    let register = usize::from(WHEEL / 8);
    let flags = bank.intr(register).read().bits();
    // SAFETY: as above.
    unsafe {
        bank.intr(register)
            .write(|w| w.bits(falling(WHEEL) | falling(STROBE)));
    }
    if flags & falling(WHEEL) != 0 {
        SHARED.pulse();
    }
    if flags & falling(STROBE) != 0 {
        SHARED.strobe(0);
    }
}

/// From the watchdog's and the chip's own flags.
fn cause() -> ResetCause {
    // SAFETY: reads registers.
    let (dog, chip) = unsafe {
        (
            (*pac::WATCHDOG::ptr()).reason().read(),
            (*pac::VREG_AND_CHIP_RESET::ptr()).chip_reset().read(),
        )
    };
    if dog.timer().bit_is_set() {
        ResetCause::Watchdog
    } else if dog.force().bit_is_set() {
        ResetCause::Firmware
    } else if chip.had_por().bit_is_set() {
        ResetCause::PowerOn
    } else if chip.had_run().bit_is_set() {
        ResetCause::Pin
    } else {
        ResetCause::Unknown
    }
}

#[entry]
fn main() -> ! {
    let Some(mut dp) = pac::Peripherals::take() else {
        SCB::sys_reset()
    };
    let cause = cause();
    let sio = Sio::new(dp.SIO);
    let pins = Pins::new(dp.IO_BANK0, dp.PADS_BANK0, sio.gpio_bank0, &mut dp.RESETS);
    // Valves first.
    let outputs: [Output; VALVES] = [
        pins.gpio2.reconfigure().into_dyn_pin(),
        pins.gpio3.reconfigure().into_dyn_pin(),
        pins.gpio4.reconfigure().into_dyn_pin(),
        pins.gpio5.reconfigure().into_dyn_pin(),
        pins.gpio6.reconfigure().into_dyn_pin(),
        pins.gpio7.reconfigure().into_dyn_pin(),
        pins.gpio8.reconfigure().into_dyn_pin(),
        pins.gpio9.reconfigure().into_dyn_pin(),
    ];
    let Ok(valves) = PinValves::new(outputs, OpensOn::High);
    let mut dog = Watchdog::new(dp.WATCHDOG);
    let clocks = init_clocks_and_plls(
        CRYSTAL_HZ,
        dp.XOSC,
        dp.CLOCKS,
        dp.PLL_SYS,
        dp.PLL_USB,
        &mut dp.RESETS,
        &mut dog,
    );
    let Ok(clocks) = clocks else { SCB::sys_reset() };
    let mut timer = Timer::new(dp.TIMER, &mut dp.RESETS, &clocks);
    let Some(mut alarm) = timer.alarm_0() else {
        SCB::sys_reset()
    };
    alarm.enable_interrupt();
    SHARED.begin(Ticks(timer, alarm), valves);
    let wires: Wires = (pins.gpio0.reconfigure(), pins.gpio1.reconfigure());
    let speed = UartConfig::new(115_200.Hz(), DataBits::Eight, None, StopBits::One);
    let port = UartPeripheral::new(dp.UART0, wires, &mut dp.RESETS);
    let Ok(port) = port.enable(speed, clocks.peripheral_clock.freq()) else {
        SCB::sys_reset()
    };
    let (_receiver, sender) = port.split();
    let wheel: Input = pins.gpio10.reconfigure().into_dyn_pin();
    let strobe: Input = pins.gpio11.reconfigure().into_dyn_pin();
    wheel.set_interrupt_enabled(Interrupt::EdgeLow, true);
    strobe.set_interrupt_enabled(Interrupt::EdgeLow, true);
    dog.start(1000_u32.millis());
    let hardware = Board {
        sender,
        reverse: pins.gpio12.reconfigure().into_dyn_pin(),
        supply_low: pins.gpio13.reconfigure().into_dyn_pin(),
        stop: pins.gpio14.reconfigure().into_dyn_pin(),
        acknowledge: pins.gpio15.reconfigure().into_dyn_pin(),
        lamp: pins.gpio16.reconfigure().into_dyn_pin(),
        buzzer: pins.gpio17.reconfigure().into_dyn_pin(),
        dog,
        cause,
    };
    listen(true);
    for line in [Line::TIMER_IRQ_0, Line::UART0_IRQ, Line::IO_IRQ_BANK0] {
        // SAFETY: nothing is protected by masking: what interrupts share has critical sections.
        unsafe { NVIC::unmask(line) };
    }
    let store = MachineStore::new(Slots, 0, slots::SLOT).ok();
    let mut board: Live<'_, _, _, _, 16, 512, 1280, 4096, 1280, 4096, 1> =
        Live::new(&SHARED, hardware, store);
    board.run::<VALVES, 16, 128, 2>()
}
