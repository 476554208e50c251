//! The live firmware body on emulated processors: real interrupts of timer and UART, valves
//! read back from outside while it drives. The images come from `scripts/boards`.
//!
//! The test raises the wheel's interrupt and sets the wires; what the emulator lacks is said
//! in `hardware-notes/boards/README.md`. Every bound is on the board's own time, which goes by
//! its instructions and stands at every look: the same numbers on every computer, however busy.

#[path = "live/bus.rs"]
mod bus;
#[path = "live/coils.rs"]
mod coils;
mod live;
mod qemu;

use std::time::Duration;

use controller_core::link::{Bench, Captured, Refusal, ResetCause, SectionMode, ToBoard};
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use live::{Edge, Kind, LiveBoard, Look, Wire};

/// Between two wheel pulses, µs: 2 m/s with ten pulses a metre.
const PULSE_US: u64 = 50_000;
/// A look lies this near to a report: the valve's wire may be on either side of it, since it
/// changes some instructions before the stamp that is reported.
const NEAR_US: u64 = 200;
/// By so much two runs of the same drive may differ, µs: a microsecond or two a look, 970 µs
/// apart or closer, and the decisions that this brings to another instant of the grid.
const SAME_US: u64 = 10_000;
/// All eight valves.
const ALL: u32 = 0xFF;

/// Latest that a command is carried out after its instant, µs, where that was decided ahead:
/// the alarm's interrupt, held off by another's critical section, and its own with the flush.
/// The longest section is 579 instructions on the M0, 37 µs, and 1,418 on the M4, 45 µs
/// (`board_common::live`): two of them, and as much again for interrupts in between.
fn latest_ahead_us(kind: Kind) -> u64 {
    match kind {
        Kind::M0 => 4 * 37,
        Kind::M4 => 4 * 45,
    }
}

/// The same where it is decided to happen at once, at an instant of the grid: the round that
/// the instant falls into comes before the decision, at its longest an image's aiming.
fn latest_at_once_us(kind: Kind) -> u64 {
    match kind {
        Kind::M0 => 2_500,
        Kind::M4 => 600,
    }
}

/// A command for an instant of the decision grid is one to be carried out at once.
const GRID_US: u64 = 2_000;

/// The demo's boom with a coarse wheel, so that a look seldom falls on a pulse. The slack covers the board's longest round but a rare one:
/// a decision that waits for an image's aiming still comes before what it decides.
fn machine() -> Machine {
    Machine::parse("machine.toml", &text()).expect("a sound machine")
}

/// Its file.
fn text() -> String {
    let coarse = "pulses_per_m = 10\ndirection_input = true\n";
    let slack = "decision_period_ms = 2.0\nslack_ms = 2.0\n";
    let text = DEMO_MACHINE
        .replace("pulses_per_m = 50\nslots_per_turn = 100\n", coarse)
        .replace("decision_period_ms = 2.0\n", slack)
        .replace(
            "[[detector]]",
            "[[section]]\nnozzles = 4\n[[section]]\nnozzles = 4\n[[detector]]",
        );
    let has = text.contains(coarse) && text.contains(slack);
    assert!(has, "the demo's machine has changed");
    text
}

/// A board with the machine, acknowledged.
fn ready(kind: Kind) -> LiveBoard {
    let mut board = LiveBoard::start(kind);
    board.upload(&machine());
    board.acknowledge();
    board
}

/// Drives on at 2 m/s for a while, with `act` at every look.
fn drive(board: &mut LiveBoard, us: u64, mut act: impl FnMut(&mut LiveBoard, Look)) {
    let start = board.step(|_, _| ()).at_us;
    loop {
        let look = board.step(|board, look| {
            board.turn_wheel(look, PULSE_US);
            act(board, look);
        });
        if look.at_us >= start + us {
            return;
        }
    }
}

/// An image each 0.1 s with one plant, lane after lane.
fn plants() -> impl FnMut(&mut LiveBoard, Look) {
    let (mut due, mut count) = (0, 0_i16);
    move |board, look| {
        if look.at_us >= due {
            due = look.at_us + 100_000;
            let captured = Captured::At {
                board_us: look.at_us - 30_000,
                error_us: 100,
            };
            board.image(captured, &[-1750 + 500 * (count % 8)]);
            count += 1;
        }
    }
}

fn modes(board: &mut LiveBoard, mode: SectionMode) {
    for section in 0..2 {
        assert_eq!(board.ask(&ToBoard::Mode { section, mode }), Ok(()));
    }
}

/// Looks at a valve's wire that contradict the commands, taken to be carried out at `when`.
/// Looks within `near_us` of a command of that valve count for neither. Also how many looks
/// were compared.
fn contradictions(
    looks: &[Look],
    edges: &[Edge],
    near_us: u64,
    when: impl Fn(&Edge) -> u64,
) -> (usize, usize) {
    let (mut wrong, mut compared) = (0, 0);
    for nozzle in 0..8 {
        let own = edges.iter().filter(|e| e.nozzle == nozzle);
        let mut own: Vec<_> = own.map(|e| (when(e), e.open)).collect();
        own.sort_by_key(|e| e.0);
        for look in looks {
            let past = own.partition_point(|e| e.0 <= look.at_us);
            let near =
                |e: Option<&(u64, bool)>| e.is_some_and(|e| e.0.abs_diff(look.at_us) <= near_us);
            if near(own.get(past)) || (past > 0 && near(own.get(past - 1))) {
                continue;
            }
            compared += 1;
            let open = past > 0 && own[past - 1].1;
            wrong += usize::from(open != (look.open >> nozzle & 1 == 1));
        }
    }
    (wrong, compared)
}

/// Whole openings as reported, and how many of them a look saw.
fn openings(looks: &[Look], edges: &[Edge]) -> (usize, usize) {
    let (mut whole, mut seen) = (0, 0);
    for nozzle in 0..8 {
        let own: Vec<_> = edges.iter().filter(|e| e.nozzle == nozzle).collect();
        for pair in own.windows(2).filter(|p| p[0].open) {
            assert!(!pair[1].open, "opened twice: {pair:?}");
            whole += 1;
            let (from, to) = (
                pair[0].at_us + pair[0].late_us,
                pair[1].at_us + pair[1].late_us,
            );
            let sees = |l: &&Look| (from..to).contains(&l.at_us) && l.open >> nozzle & 1 == 1;
            seen += usize::from(looks.iter().find(sees).is_some());
        }
    }
    (whole, seen)
}

fn wires_and_reports_agree(kind: Kind) {
    let mut board = ready(kind);
    // What the board says of its valves' trial is true too, but it is no drive.
    let tried = board.edges.len();
    drive(&mut board, 5_000_000, plants());
    board.run_for(1_200_000);
    let (looks, edges) = (&board.looks, &board.edges);
    let (whole, seen) = openings(looks, &edges[tried..]);
    let (wrong, compared) = contradictions(looks, edges, NEAR_US, |e| e.at_us + e.late_us);
    let worst = |at_once: bool| {
        let own = edges[tried..].iter();
        let own = own.filter(|e| (e.at_us % GRID_US == 0) == at_once);
        own.map(|e| e.late_us).max().expect("some of each")
    };
    let (ahead, at_once) = (worst(false), worst(true));
    println!(
        "{kind:?}: {} commands; decided ahead {ahead} µs late at most, at once {at_once}; \
         {whole} openings, {seen} of them seen; {} looks, {compared} compared",
        edges.len() - tried,
        looks.len()
    );
    assert_eq!(wrong, 0, "looks that contradict the times reported");
    assert!(ahead <= latest_ahead_us(kind), "{ahead} µs late");
    assert!(at_once <= latest_at_once_us(kind), "{at_once} µs late");
    // Nor can they lie elsewhere than where they were scheduled.
    let near_us = latest_at_once_us(kind) + NEAR_US;
    let scheduled = contradictions(looks, edges, near_us, |e| e.at_us);
    assert_eq!(scheduled.0, 0, "looks that contradict the times scheduled");
    assert!(whole >= 30, "no empty exercise: {whole} openings");
    assert!(seen * 2 >= whole, "{seen} of {whole} openings were seen");
    // What the comparison is worth: reports 10 ms off must show.
    let shifted = contradictions(looks, edges, NEAR_US, |e| e.at_us + e.late_us + 10_000);
    assert!(shifted.0 > 0, "10 ms do not show");
    assert_eq!(board.welcome().reset, ResetCause::PowerOn, "it ran through");
    let counters = board.counters();
    assert_eq!(counters.time_backwards, 0);
    assert_eq!(counters.inputs_before_poll, 0);
    assert_eq!(counters.images_refused, 0);
}

#[test]
fn the_m0s_pins_change_when_it_says_so_and_when_it_was_to() {
    wires_and_reports_agree(Kind::M0);
}

#[test]
fn the_m4s_shift_registers_change_when_it_says_so_and_when_they_were_to() {
    wires_and_reports_agree(Kind::M4);
}

/// What the board did in a second, where the computer takes `pause` at some of the looks.
fn second(kind: Kind, pause: Duration) -> (Vec<Look>, Vec<Edge>) {
    let mut board = ready(kind);
    let (mut looked, mut plants) = (0, plants());
    drive(&mut board, 1_000_000, |board, look| {
        looked += 1;
        if looked % 50 == 0 {
            std::thread::sleep(pause);
        }
        plants(board, look);
    });
    (board.looks, board.edges)
}

/// However long the computer takes to look, its board does the same.
#[test]
fn a_computer_that_dawdles_changes_nothing() {
    for kind in [Kind::M0, Kind::M4] {
        let prompt = second(kind, Duration::ZERO);
        let late = second(kind, Duration::from_millis(30));
        assert!(prompt.1.len() > 20, "no empty exercise");
        // The second may end just before or after what a last row of plants brought was reported.
        let (a, b) = (prompt.1.len(), late.1.len());
        assert!(a.abs_diff(b) <= 8, "{kind:?}: {a} and {b} commands");
        for nozzle in 0..8 {
            let own = |edges: &[Edge]| {
                let own = edges.iter().filter(|e| e.nozzle == nozzle);
                own.map(|e| (e.at_us, e.open)).collect::<Vec<_>>()
            };
            for (a, b) in own(&prompt.1).into_iter().zip(own(&late.1)) {
                let same = a.1 == b.1 && a.0.abs_diff(b.0) <= SAME_US;
                assert!(same, "{kind:?}: nozzle {nozzle}: {a:?}, {b:?}");
            }
        }
        let most = |looks: &[Look]| looks.windows(2).map(|w| w[1].at_us - w[0].at_us).max();
        println!("{kind:?}: most between two looks, µs: {:?}", most(&late.0));
        assert!(most(&late.0).is_some_and(|us| us < 1_500), "it ran on");
    }
}

/// Closed at power-up without a machine; after a restart the description is there, and
/// nothing opens until a person acknowledges, at standstill.
fn restart(kind: Kind) {
    let mut board = LiveBoard::start(kind);
    let first = board.welcome();
    assert_eq!(first.reset, ResetCause::PowerOn);
    assert_eq!((first.machine_digest, first.told_time), (None, false));
    assert_eq!(board.ask(&ToBoard::Acknowledge), Err(Refusal::BadMachine));
    board.upload(&machine());
    let kept = board.welcome();
    assert!(kept.machine_digest.is_some() && kept.waits_for_acknowledge);
    board.acknowledge();
    assert!(!board.welcome().waits_for_acknowledge);
    board.reset();
    let again = board.welcome();
    assert_eq!(again.reset, ResetCause::Pin);
    assert_eq!(again.machine_digest, kept.machine_digest);
    assert!(again.waits_for_acknowledge);
    let click = ToBoard::Bench {
        token: 1,
        request: Bench::Click {
            nozzle: 0,
            on_us: 50_000,
        },
    };
    assert!(board.ask(&click).is_err(), "closed");
    // The trial of the valves is over, and everything that was said of it.
    board.run_for(300_000);
    let (said, looked) = (board.edges.len(), board.looks.len());
    modes(&mut board, SectionMode::Broadcast);
    drive(&mut board, 2_000_000, plants());
    assert_eq!(
        board.ask(&ToBoard::Acknowledge),
        Err(Refusal::NotAtStandstill)
    );
    assert_eq!(board.edges.len(), said, "no command");
    assert!(board.looks[looked..].iter().all(|l| l.open == 0));
    board.run_for(1_500_000);
    board.acknowledge();
    drive(&mut board, 1_000_000, |_, _| ());
    assert_eq!(board.looks[board.looks.len() - 1].open, ALL, "it sprays");
}

#[test]
fn after_a_restart_the_m0_knows_its_machine_and_waits() {
    restart(Kind::M0);
}

#[test]
fn after_a_restart_the_m4_knows_its_machine_and_waits() {
    restart(Kind::M4);
}

/// A bench run lives by its holds: half a second after the last one everything closes.
#[test]
fn a_silent_host_closes_a_bench_run() {
    let mut board = ready(Kind::M0);
    let bench = |request| ToBoard::Bench { token: 7, request };
    assert_eq!(board.ask(&bench(Bench::Flush { on_us: 9_000_000 })), Ok(()));
    for _ in 0..5 {
        board.run_for(200_000);
        assert_eq!(board.looks[board.looks.len() - 1].open, ALL);
        assert_eq!(board.ask(&bench(Bench::Hold)), Ok(()));
    }
    let sent = board.step(|_, _| ()).at_us;
    assert_eq!(board.ask(&bench(Bench::Hold)), Ok(()));
    let answered = board.step(|_, _| ()).at_us;
    let looked = board.looks.len();
    board.run_for(700_000);
    // Half a second, one decision period, and how late a command may be.
    let closed = answered + 500_000 + 2_000 + latest_at_once_us(Kind::M0);
    for look in &board.looks[looked..] {
        if look.at_us < sent + 500_000 {
            assert_eq!(look.open, ALL, "still held at {}", look.at_us);
        } else if look.at_us > closed {
            assert_eq!(look.open, 0, "held until {answered}, now {}", look.at_us);
        }
    }
    let refused = board.ask(&bench(Bench::Hold));
    assert_eq!(refused, Err(Refusal::NoSuchRun), "it has ended");
}

/// The wheel's interrupt is masked while everything sprays: no pulse can come any more, so
/// the watchdog is not fed, and the board starts anew, closed, long before the guard would
/// have noticed at creep speed.
fn starve(kind: Kind) {
    let mut board = LiveBoard::start(kind);
    board.upload(&machine());
    board.acknowledge();
    modes(&mut board, SectionMode::Broadcast);
    drive(&mut board, 1_000_000, |_, _| ());
    assert_eq!(board.looks[board.looks.len() - 1].open, ALL);
    // The interrupt controller's clear-enable register.
    let masked = board.step(|board, _| board.poke(0xE000_E180, 1 << 6)).at_us;
    let looked = board.looks.len();
    while board.step(|_, _| ()).open != 0 {}
    // Its clock begins anew with it.
    let before = board.looks[looked..].iter();
    let before = before.take_while(|l| (masked..masked + 1_000_000).contains(&l.at_us));
    let last_open = before.filter(|l| l.open != 0).last();
    let last_open = last_open.expect("it sprayed").at_us;
    let us = last_open - masked;
    println!("{kind:?}: open for {us} µs without a watchdog's food");
    assert!((200_000..300_000).contains(&us), "{us} µs");
    let again = board.welcome();
    assert_eq!(again.reset, ResetCause::Watchdog);
    assert!(again.waits_for_acknowledge && again.machine_digest.is_some());
}

#[test]
fn a_dead_pulse_path_starves_the_m0s_stand_in_for_a_watchdog() {
    starve(Kind::M0);
}

#[test]
fn a_dead_pulse_path_starves_the_m4s_watchdog() {
    starve(Kind::M4);
}

/// The guard's number of emergency stop, supply low, and going back, as `LINK.md` has them.
const STOPPED: u8 = 5;
const SUPPLY_LOW: u8 = 6;
const REVERSING: u8 = 4;

/// What a wire does while everything sprays: closed within the bound for as long as it drives
/// on, and the guard says why.
fn wire_closes(board: &mut LiveBoard, wire: Wire, within_us: u64, guard: u8) {
    drive(board, 1_500_000, |_, _| ());
    assert_eq!(board.looks[board.looks.len() - 1].open, ALL, "{wire:?}");
    let set = board.step(|board, _| board.wire(wire, true)).at_us;
    let looked = board.looks.len();
    drive(board, 500_000, |_, _| ());
    for look in &board.looks[looked..] {
        let late = look.at_us > set + within_us;
        assert!(!late || look.open == 0, "{wire:?}: {} µs", look.at_us - set);
    }
    let motion = board.motion.expect("news come");
    assert_eq!(motion.guard, guard, "{wire:?}");
}

fn wires(kind: Kind) {
    let mut board = ready(kind);
    modes(&mut board, SectionMode::Broadcast);
    assert_eq!(board.ask(&ToBoard::Report { every_ms: 50 }), Ok(()));
    // Looked at each ms, carried out as late as any command.
    let tick = 1_000 + latest_at_once_us(kind) + NEAR_US;
    wire_closes(&mut board, Wire::Stop, tick, STOPPED);
    let early = board.ask(&ToBoard::Acknowledge);
    assert_eq!(early, Err(Refusal::NotAtStandstill));
    board.run_for(1_500_000);
    // Acknowledged while it is still pressed: it stops again at once.
    assert_eq!(board.ask(&ToBoard::Acknowledge), Ok(()));
    board.run_for(100_000);
    assert_eq!(board.motion.expect("news come").guard, STOPPED);
    board.step(|board, _| board.wire(Wire::Stop, false));
    board.run_for(10_000);
    // By the button this time.
    board.step(|board, _| board.wire(Wire::Acknowledge, true));
    board.run_for(50_000);
    board.step(|board, _| board.wire(Wire::Acknowledge, false));
    // Believed after 20 ms.
    wire_closes(&mut board, Wire::SupplyLow, 20_000 + 2 * tick, SUPPLY_LOW);
    board.run_for(1_500_000);
    assert_eq!(board.ask(&ToBoard::Acknowledge), Err(Refusal::SupplyLow));
    board.step(|board, _| board.wire(Wire::SupplyLow, false));
    board.run_for(50_000);
    assert_eq!(board.ask(&ToBoard::Acknowledge), Ok(()));
    // Seen at the next decision.
    wire_closes(&mut board, Wire::Reverse, 2_000 + 2 * tick, REVERSING);
    board.step(|board, _| board.wire(Wire::Reverse, false));
    drive(&mut board, 3_000_000, |_, _| ());
    assert_eq!(
        board.looks[board.looks.len() - 1].open,
        ALL,
        "forward again"
    );
    // The first switch that is moved: from then on all of them count, as they stand.
    board.step(|board, _| board.wire(Wire::Broadcast, true));
    drive(&mut board, 500_000, |_, _| ());
    assert_eq!(board.looks[board.looks.len() - 1].open, 0x0F, "the switch");
    // Its own wires are its own affair.
    let supply = ToBoard::Supply { ok: true };
    assert_eq!(board.ask(&supply), Err(Refusal::NotSupported));
    let second = ToBoard::SecondPulse { at_us: 1 };
    assert_eq!(board.ask(&second), Err(Refusal::NotSupported));
    // A yaw sensor may hang on the link: it is the machine that has none. A pressure is taken,
    // so that the next answer is that of what follows.
    let yaw = ToBoard::YawRate { urad_s: 1000 };
    assert_eq!(board.ask(&yaw), Err(Refusal::NoTurningInput));
    let pressure = board.send(&ToBoard::Pressure { kpa: 250 });
    assert_eq!(board.ask(&supply), Err(Refusal::NotSupported));
    assert_eq!(board.answer(pressure), None);
}

#[test]
fn the_m0_obeys_its_wires() {
    wires(Kind::M0);
}

#[test]
fn the_m4_obeys_its_wires() {
    wires(Kind::M4);
}

/// Each valve is given current for 2 ms, alone, before anything may open; without current it
/// is called faulty, and stays closed.
#[test]
fn valves_without_current_are_found_at_start() {
    let mut board = LiveBoard::start(Kind::M0);
    board.step(|board, _| board.wire(Wire::NoCurrent, true));
    board.upload(&machine());
    board.acknowledge();
    assert_eq!(board.ask(&ToBoard::Report { every_ms: 50 }), Ok(()));
    board.run_for(100_000);
    let faults = board.motion.expect("news come").faults;
    assert_eq!(faults, 1 << 16 | 1 << 20, "without current, and so faulty");
    assert!(board.looks.iter().all(|l| l.open.count_ones() <= 1));
    let (whole, _) = openings(&board.looks, &board.edges);
    assert!(whole >= 8, "each valve once: {whole}");
    let (wrong, _) = contradictions(&board.looks, &board.edges, NEAR_US, |e| e.at_us + e.late_us);
    assert_eq!(wrong, 0);
    for (index, on) in board.edges.iter().enumerate().filter(|e| e.1.open) {
        let off = board.edges[index..].iter();
        let off = off.clone().find(|e| e.nozzle == on.nozzle && !e.open);
        let on_us = off.expect("closed again").at_us - on.at_us;
        assert!((2_000..=2_500).contains(&on_us), "{on:?}: {on_us} µs");
    }
    let said = board.edges.len();
    modes(&mut board, SectionMode::Broadcast);
    drive(&mut board, 1_500_000, |_, _| ());
    assert_eq!(board.edges.len(), said, "a faulty nozzle stays closed");
}

/// Images that name their frame are placed by the strobe's stamp, without any clock of the
/// camera; a frame that was never strobed is refused.
#[test]
fn a_strobed_frame_needs_no_clock() {
    let mut board = ready(Kind::M0);
    let said = board.edges.len();
    let mut frame = 0;
    let (mut due, mut waits) = (0, None);
    let (mut placed, mut unknown) = (0_u64, None);
    drive(&mut board, 6_000_000, |board, look| {
        if look.at_us >= due {
            due = look.at_us + 250_000;
            frame += 1;
            board.strobe();
            let strobe = ToBoard::Strobe { detector: 0, frame };
            waits = Some((frame, board.send(&strobe)));
        }
        // Only a number that the board has taken.
        if let Some((strobed, number)) = waits
            && let Some(taken) = board.answer(number)
        {
            waits = None;
            assert_eq!(taken, Ok(()), "frame {strobed}");
            // Plants of different lanes, so that their patches stay apart.
            let lane = if strobed % 2 == 0 { 250 } else { 750 };
            board.image(Captured::Frame(strobed), &[lane]);
            placed += 1;
            unknown = Some(board.image(Captured::Frame(strobed + 1), &[250]));
        }
    });
    board.run_for(1_500_000);
    assert!(
        placed >= 20 && placed == u64::from(frame),
        "{placed} of {frame} frames"
    );
    let unknown = unknown.and_then(|number| board.answer(number));
    assert_eq!(unknown, Some(Err(Refusal::UnknownFrame)));
    assert_eq!(placed, u64::from(board.counters().images));
    let (whole, _) = openings(&board.looks, &board.edges[said..]);
    assert!(whole >= 20, "{whole} openings");
    let own = |e: &Edge| e.nozzle == 4 || e.nozzle == 5;
    assert!(board.edges[said..].iter().all(own), "the plants' lanes");
}
