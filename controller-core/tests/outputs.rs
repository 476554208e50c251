//! Valve outputs and the serial pump against ports that are watched and that fail.

mod frame;

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use controller_core::drivers::Valves;
use controller_core::drivers::can_valves::CanValves;
use controller_core::drivers::pins::{OpensOn, PinValves};
use controller_core::drivers::serial::{self, Outgoing, ReadRound};
use controller_core::drivers::shift_register::{ShiftError, ShiftRegister};
use controller_core::{Micros, Span};
use embedded_can::{ExtendedId, Frame, Id, StandardId};
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};
use embedded_hal_nb::nb;
use embedded_hal_nb::serial as port;
use frame::Can;

/// Everything that happened at the ports, in order.
type Log = Rc<RefCell<Vec<String>>>;

struct Pin {
    name: String,
    log: Log,
    broken: bool,
}

impl digital::ErrorType for Pin {
    type Error = digital::ErrorKind;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Self::Error> {
        self.level("low")
    }
    fn set_high(&mut self) -> Result<(), Self::Error> {
        self.level("high")
    }
}

impl Pin {
    fn level(&mut self, level: &str) -> Result<(), digital::ErrorKind> {
        if self.broken {
            return Err(digital::ErrorKind::Other);
        }
        self.log.borrow_mut().push(format!("{} {level}", self.name));
        Ok(())
    }
}

fn pin(name: impl Into<String>, log: &Log) -> Pin {
    Pin {
        name: name.into(),
        log: log.clone(),
        broken: false,
    }
}

fn taken(log: &Log) -> Vec<String> {
    log.borrow_mut().drain(..).collect()
}

#[test]
fn pins_switch_what_changed_and_closing_tries_them_all() {
    let log = Log::default();
    let pins = core::array::from_fn::<_, 3, _>(|i| pin(format!("p{i}"), &log));
    let mut valves = PinValves::new(pins, OpensOn::High).expect("pins work");
    assert_eq!(taken(&log), ["p0 low", "p1 low", "p2 low"]);
    for (nozzle, open) in [(2, true), (0, true), (1, false), (3, true), (0, false)] {
        valves.set(nozzle, open).expect("noted");
    }
    assert!(taken(&log).is_empty(), "only noted so far");
    valves.flush().expect("pins work");
    assert_eq!(taken(&log), ["p2 high"]);
    valves.flush().expect("pins work");
    assert!(taken(&log).is_empty());
    let [a, mut b, c] = valves.release();
    b.broken = true;
    let log_of = |v: [Pin; 3]| PinValves::new(v, OpensOn::Low).is_err();
    assert!(log_of([a, b, c]), "the broken pin is told");
    assert_eq!(
        taken(&log),
        ["p0 high", "p2 high"],
        "and the others are closed"
    );
}

struct Bus {
    log: Log,
    broken: Rc<RefCell<bool>>,
}

impl spi::ErrorType for Bus {
    type Error = spi::ErrorKind;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        if *self.broken.borrow() {
            return Err(spi::ErrorKind::Other);
        }
        for operation in operations {
            if let Operation::Write(bytes) = operation {
                self.log.borrow_mut().push(format!("{bytes:02x?}"));
            }
        }
        Ok(())
    }
}

#[test]
fn the_dead_man_is_fed_by_flushes_that_work_and_by_nothing_else() {
    let log = Log::default();
    let broken = Rc::new(RefCell::new(false));
    let bus = Bus {
        log: log.clone(),
        broken: broken.clone(),
    };
    let mut valves: ShiftRegister<_, _, 3> =
        ShiftRegister::new(bus, pin("dead-man", &log)).expect("the bus works");
    assert_eq!(taken(&log), ["[00, 00, 00]"]);
    for nozzle in [0, 9, 23, 24] {
        valves.set(nozzle, true).expect("noted");
    }
    valves.flush().expect("the bus works");
    // Valve 23 sits in the register that is farthest, whose byte goes first.
    assert_eq!(taken(&log), ["[80, 02, 01]", "dead-man high"]);
    valves.flush().expect("the bus works");
    assert_eq!(taken(&log), ["[80, 02, 01]", "dead-man low"]);
    *broken.borrow_mut() = true;
    assert_eq!(valves.flush(), Err(ShiftError::Bus(spi::ErrorKind::Other)));
    assert!(taken(&log).is_empty(), "a dead bus does not feed it");
    *broken.borrow_mut() = false;
    valves.close_all().expect("the bus works");
    assert_eq!(taken(&log), ["[00, 00, 00]"]);
}

#[test]
fn can_frames_go_out_when_changed_and_again_when_due() {
    let base = StandardId::new(0x120).expect("11 bits");
    let mut valves: CanValves<2> =
        CanValves::new(base.into(), Span::from_ms(50)).expect("in range");
    let ids = |valves: &mut CanValves<2>, now| {
        let mut ids = Vec::new();
        while let Some(frame) = valves.next_frame::<Can>(Micros(now)) {
            let Id::Standard(id) = frame.id() else {
                panic!("{frame:?}")
            };
            ids.push((id.as_raw() - 0x120, frame.data().to_vec()));
        }
        ids
    };
    assert_eq!(
        ids(&mut valves, 0),
        [(0, vec![0; 8]), (1, vec![0; 8])],
        "closed, at once"
    );
    valves.set(65, true);
    valves.set(200, true);
    valves.set(3, false);
    assert_eq!(
        ids(&mut valves, 10_000),
        [(1, vec![2, 0, 0, 0, 0, 0, 0, 0])]
    );
    assert_eq!(ids(&mut valves, 50_000), [(0, vec![0; 8])]);
    assert_eq!(
        ids(&mut valves, 60_000),
        [(1, vec![2, 0, 0, 0, 0, 0, 0, 0])]
    );
    valves.not_sent();
    assert_eq!(ids(&mut valves, 60_001).len(), 2);
    valves.close_all();
    assert_eq!(ids(&mut valves, 60_002), [(0, vec![0; 8]), (1, vec![0; 8])]);
    let last = ExtendedId::MAX;
    assert!(CanValves::<2>::new(last.into(), Span(1)).is_none());
    assert!(CanValves::<1>::new(last.into(), Span(1)).is_some());
}

/// A port that gives and takes what it is told to; `None` in the script means not yet.
#[derive(Default)]
struct Serial {
    gives: VecDeque<nb::Result<u8, port::ErrorKind>>,
    takes: VecDeque<nb::Result<(), port::ErrorKind>>,
    took: Vec<u8>,
}

impl port::ErrorType for Serial {
    type Error = port::ErrorKind;
}

impl port::Read<u8> for Serial {
    fn read(&mut self) -> nb::Result<u8, Self::Error> {
        self.gives.pop_front().unwrap_or(Err(nb::Error::WouldBlock))
    }
}

impl port::Write<u8> for Serial {
    fn write(&mut self, word: u8) -> nb::Result<(), Self::Error> {
        let answer = self.takes.pop_front().unwrap_or(Ok(()));
        if answer.is_ok() {
            self.took.push(word);
        }
        answer
    }
    fn flush(&mut self) -> nb::Result<(), Self::Error> {
        Ok(())
    }
}

#[test]
fn reading_is_bounded_and_errors_are_counted() {
    let mut port = Serial::default();
    let noise = Err(nb::Error::Other(port::ErrorKind::Overrun));
    port.gives = [Ok(1), noise, Ok(2), noise, Ok(3)].into();
    let mut got = Vec::new();
    let round = serial::read(&mut port, 4, |byte| got.push(byte));
    assert_eq!(
        (round, &got[..]),
        (
            ReadRound {
                bytes: 2,
                errors: 2
            },
            &[1, 2][..]
        )
    );
    let round = serial::read(&mut port, 4, |byte| got.push(byte));
    assert_eq!(
        (round, &got[..]),
        (
            ReadRound {
                bytes: 1,
                errors: 0
            },
            &[1, 2, 3][..]
        )
    );
}

#[test]
fn a_slow_port_loses_whole_frames_and_no_byte_of_one() {
    let mut out: Outgoing<8> = Outgoing::new();
    let mut port = Serial {
        takes: [
            Ok(()),
            Err(nb::Error::WouldBlock),
            Err(nb::Error::Other(port::ErrorKind::Other)),
        ]
        .into(),
        ..Serial::default()
    };
    assert!(out.push(&[1, 2, 3, 4, 5]));
    assert!(!out.push(&[6, 7, 8, 9]), "does not fit");
    assert!(out.push(&[10, 11, 12]));
    assert_eq!(out.dropped(), 1);
    assert_eq!(out.pump(&mut port, 100), Ok(false));
    assert_eq!(out.pump(&mut port, 100), Err(port::ErrorKind::Other));
    assert_eq!(out.pump(&mut port, 3), Ok(false), "bounded");
    assert_eq!(out.pump(&mut port, 100), Ok(true));
    assert_eq!(port.took, [1, 2, 3, 4, 5, 10, 11, 12]);
}
