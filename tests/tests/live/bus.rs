//! The live M4 with its speed from the tractor bus, beside the same drive by a wheel: start
//! errors by the motion that the test itself makes.

use std::f64::consts::TAU;

use controller_core::drivers::tractor_bus::MAX_DISTANCE_MM;
use controller_core::link::{Captured, SectionMode};

use crate::live::{Kind, LiveBoard, Wire};
use crate::{ALL, machine, modes};

/// PGN 65097 of ISO 11783-7, priority 3, from address 0x45.
const GROUND_SPEED: u32 = 0x0CFE_4945;
const MESSAGE_US: u64 = 100_000;
/// The sender's distance runs over its end within the drive.
const BEGUN_MM: u32 = MAX_DISTANCE_MM - 5_000;
/// The machine's, as in `machine()`.
const PULSE_M: f64 = 0.1;
/// The worst that `bus_against_wheel` measured of one way of driving, where messages are neither old
/// nor held up, mm.
const WORST_MM: f64 = 17.75;
const RMS_MM: f64 = 2.72;

/// Travel, m, and speed, m/s, so many seconds after the start: to 2 m/s in two seconds, then up
/// and down by 0.4.
fn travel(t: f64) -> (f64, f64) {
    let up = t.clamp(0.0, 2.0);
    let on = (t - 2.0).max(0.0);
    let w = TAU / 6.0;
    let x = up * up / 2.0 + 2.0 * on + 0.4 / w * (1.0 - (w * on).cos());
    (x, up + 0.4 * (w * on).sin())
}

/// When so much was travelled, s.
fn when(x: f64) -> f64 {
    let (mut from, mut to) = (0.0, 1000.0);
    for _ in 0..60 {
        let middle = 0.5 * (from + to);
        *(if travel(middle).0 < x {
            &mut from
        } else {
            &mut to
        }) = middle;
    }
    to
}

/// Tells a board how it moves.
struct Mover {
    start_us: u64,
    bus: bool,
    told: u32,
}

impl Mover {
    /// When it is to tell next, µs.
    fn due(&self) -> u64 {
        if self.bus {
            self.start_us + MESSAGE_US * u64::from(self.told)
        } else {
            self.start_us + (when(PULSE_M * f64::from(self.told + 1)) * 1e6) as u64
        }
    }

    fn tell(&mut self, board: &mut LiveBoard, now_us: u64) {
        if now_us >= self.due() {
            self.told += 1;
            if self.bus {
                let (x, v) = travel((now_us - self.start_us) as f64 * 1e-6);
                let gone = (x * 1000.0) as u32;
                let distance =
                    (u64::from(BEGUN_MM) + u64::from(gone)) % (u64::from(MAX_DISTANCE_MM) + 1);
                let [s0, s1] = ((v * 1000.0).round() as u16).to_le_bytes();
                let [d0, d1, d2, d3] = (distance as u32).to_le_bytes();
                // Forwards.
                board.bus_frame(GROUND_SPEED, [s0, s1, d0, d1, d2, d3, 0xFF, 0xFD]);
            } else {
                board.pulse();
            }
        }
        board.look_at(self.due());
    }
}

fn board(bus: bool) -> LiveBoard {
    let mut board = LiveBoard::start(Kind::M4);
    board.step(|board, _| board.wire(Wire::Bus, bus));
    board.upload(&machine());
    board.acknowledge();
    board
}

/// Start errors of a plant each 0.25 s, lane after lane, mm.
fn errors(bus: bool) -> Vec<f64> {
    let mut board = board(bus);
    let said = board.edges.len();
    let start_us = board.step(|_, _| ()).at_us;
    let mut mover = Mover {
        start_us,
        bus,
        told: 0,
    };
    // Nozzle, and when its plant was captured.
    let mut seen: Vec<(u16, u64)> = Vec::new();
    let mut due = start_us + 3_000_000;
    while board
        .step(|board, look| {
            mover.tell(board, look.at_us);
            if look.at_us >= due {
                due += 250_000;
                let lane = seen.len() as u16 % 8;
                let board_us = look.at_us - 30_000;
                let error_us = 100;
                let captured = Captured::At { board_us, error_us };
                board.image(captured, &[-1750 + 500 * lane as i16]);
                seen.push((lane, board_us));
            }
        })
        .at_us
        < start_us + 11_500_000
    {}
    let mut openings = board.edges[said..].iter().filter(|e| e.open);
    let s = |us: u64| (us as f64 - start_us as f64) * 1e-6;
    let mut errors = Vec::new();
    for (lane, captured) in seen {
        let Some(opening) = openings.next() else {
            break;
        };
        assert_eq!(opening.nozzle, lane, "in the order in which they were seen");
        // 60 mm long, 0.4 m before the detector, which is 1.2 m ahead.
        let near = travel(s(captured)).0 + 1.6 - 0.03;
        let (x, v) = travel(s(opening.at_us) + 0.020);
        let lead = 0.06 + 0.005 * v + 0.5 * 0.04 + 0.5 * 0.004 * v;
        errors.push(1000.0 * (x + 0.025 * v - (near - lead)));
    }
    errors
}

fn rms(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
}

#[test]
fn speed_of_the_tractor_bus_places_as_a_wheel_does() {
    let [wheel, bus] = [false, true].map(errors);
    let largest = |errors: &[f64]| errors.iter().fold(0.0, |most: f64, e| most.max(e.abs()));
    for (name, errors) in [("wheel", &wheel), ("bus", &bus)] {
        let (n, rms, largest) = (errors.len(), rms(errors), largest(errors));
        println!("{name}: {n} plants, {rms:.2} mm RMS, {largest:.2} at most");
        assert!(n >= 30, "no empty exercise");
        assert!(rms <= RMS_MM && largest <= WORST_MM);
    }
}

/// Without messages it stands still, as far as it knows: closed.
#[test]
fn a_silent_tractor_bus_closes() {
    let mut board = board(true);
    let start_us = board.step(|_, _| ()).at_us;
    let mut mover = Mover {
        start_us,
        bus: true,
        told: 0,
    };
    modes(&mut board, SectionMode::Broadcast);
    let mut move_on = |board: &mut LiveBoard| {
        board.step(|board, look| mover.tell(board, look.at_us));
    };
    while board.looks[board.looks.len() - 1].at_us < start_us + 4_000_000 {
        move_on(&mut board);
    }
    let last = board.looks[board.looks.len() - 1];
    assert_eq!(last.open, ALL);
    // The wheel's input is not listened to any more.
    let silent_us = last.at_us;
    let looked = board.looks.len();
    // Carried on for 250 ms, and then a pulse at creep speed would take a second.
    while board.looks[board.looks.len() - 1].at_us < silent_us + 2_000_000 {
        board.step(|board, look| board.turn_wheel(look, 50_000));
    }
    for look in &board.looks[looked..] {
        let late = look.at_us > silent_us + 1_250_000 + 10_000;
        assert!(!late || look.open == 0, "{} µs", look.at_us - silent_us);
    }
}
