//! How the live M4 drives its coils, by what its shift registers' outputs did: openings spread by
//! what the supply bears, peak and hold, and the cycles of a machine with a rate.

use controller_core::link::{Bench, Captured, SectionMode, ToBoard};
use host_sim::machine::Machine;

use crate::live::{Change, Kind, LiveBoard};
use crate::{PULSE_US, drive, latest_ahead_us, latest_at_once_us, modes, plants, ready};

/// As the board has them.
const MOST_OPENINGS: usize = 6;
const SLOT_US: u64 = 1_000;
const PEAK_US: u64 = 25_000;

/// The times at which a valve got its current, lost it, and what it lost.
struct Spell {
    from: u64,
    held: Option<u64>,
    to: u64,
}

/// Each whole time with current of a valve.
fn spells(changes: &[Change], nozzle: u32) -> Vec<Spell> {
    let (mut all, mut begun) = (Vec::new(), None);
    let mut was = (false, false);
    for change in changes {
        let now = (change.on >> nozzle & 1 == 1, change.full >> nozzle & 1 == 1);
        assert!(now.0 || !now.1, "full current without current: {change:?}");
        match (was, now) {
            ((false, _), (true, full)) => {
                assert!(full, "no peak: {change:?}");
                begun = Some((change.at_us, None));
            }
            ((true, true), (true, false)) => {
                begun = begun.map(|(from, _)| (from, Some(change.at_us)));
            }
            ((true, false), (true, true)) => panic!("a second peak: {change:?}"),
            ((true, _), (false, _)) => {
                let (from, held) = begun.take().expect("it began");
                let to = change.at_us;
                all.push(Spell { from, held, to });
            }
            _ => {}
        }
        was = now;
    }
    all
}

/// A row of plants across the whole boom would open all valves at one instant, decided ahead.
#[test]
fn more_openings_than_the_supply_bears_are_spread() {
    let mut board = ready(Kind::M4);
    board.changes();
    let said = board.edges.len();
    let row: Vec<_> = (0..8).map(|lane| -1750 + 500 * lane).collect();
    let mut due = board.step(|_, _| ()).at_us + 1_000_000;
    drive(&mut board, 4_000_000, |board, look| {
        if look.at_us >= due {
            due += 500_000;
            let (board_us, error_us) = (look.at_us - 30_000, 100);
            board.image(Captured::At { board_us, error_us }, &row);
        }
    });
    board.run_for(1_000_000);
    let changes = board.changes();
    let openings: Vec<_> = board.edges[said..].iter().filter(|e| e.open).collect();
    assert!(
        openings.len() >= 40,
        "no empty exercise: {}",
        openings.len()
    );
    let mut moved = 0;
    for together in openings.chunks(8) {
        let slot = |us: u64| us / SLOT_US;
        let most = together.iter().map(|e| slot(e.at_us)).map(|own| {
            let own = together.iter().filter(|e| slot(e.at_us) == own);
            own.count()
        });
        let most = most.max().expect("eight");
        assert!(most <= MOST_OPENINGS, "{together:?}");
        moved += 8 - most;
    }
    // The wires do as they were told.
    let (mut on, mut rises, mut late) = (0, Vec::new(), 0);
    for change in &changes {
        let fresh = change.on & !on;
        assert!(fresh.count_ones() as usize <= MOST_OPENINGS, "{change:?}");
        let fresh = (0..8_u16).filter(|nozzle| fresh >> nozzle & 1 == 1);
        rises.extend(fresh.map(|nozzle| (nozzle, change.at_us)));
        on = change.on;
    }
    assert_eq!(rises.len(), openings.len());
    for opening in &openings {
        let own = rises.iter().filter(|rise| rise.0 == opening.nozzle);
        let off = own.map(|rise| rise.1.abs_diff(opening.at_us)).min();
        late = late.max(off.expect("it opened"));
    }
    println!(
        "{} openings, {moved} moved, {late} µs late at most",
        openings.len()
    );
    assert!(late <= latest_ahead_us(Kind::M4), "{late} µs late");
}

#[test]
fn a_coil_has_its_peak_and_is_then_held() {
    let mut board = ready(Kind::M4);
    board.changes();
    drive(&mut board, 4_000_000, plants());
    board.run_for(1_000_000);
    let changes = board.changes();
    let mut held = 0;
    for spell in (0..8).flat_map(|nozzle| spells(&changes, nozzle)) {
        let Some(at) = spell.held else {
            assert!(spell.to <= spell.from + PEAK_US + latest_ahead_us(Kind::M4));
            continue;
        };
        held += 1;
        let peak = at - spell.from;
        let late = peak.abs_diff(PEAK_US);
        assert!(late <= latest_ahead_us(Kind::M4), "a peak of {peak} µs");
    }
    println!("{held} times held");
    assert!(held >= 20, "no empty exercise: {held}");
}

/// 40 l/ha of nozzles that give 0.8 l/min at this pressure, at 25 Hz.
const RATE: &str = "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\nlowest_duty_percent = 20.0\n\
                    pressure_kpa = 300.0\nflow_l_min = 0.8\n";
const CYCLE_US: u64 = 40_000;

/// On-time in a cycle at a speed, µs: 40 l/ha on 0.5 m is 0.12 l/min for each m/s, of 0.8; the
/// valve opens 5 ms later than it closes.
fn on_us(m_s: f64) -> u64 {
    (0.12 * m_s / 0.8 * CYCLE_US as f64) as u64 + 5_000
}

/// Broadcast with a rate: the cycles of all valves once they have settled.
fn cycles(board: &mut LiveBoard, pulse_us: u64) -> Vec<Vec<Spell>> {
    let settled = board.step(|_, _| ()).at_us + 500_000;
    let start = board.step(|_, _| ()).at_us;
    while board
        .step(|board, look| board.turn_wheel(look, pulse_us))
        .at_us
        < start + 2_000_000
    {}
    let changes: Vec<_> = board.changes();
    let settled = |spell: &Spell| spell.from > settled;
    let of = |nozzle| {
        spells(&changes, nozzle)
            .into_iter()
            .filter(settled)
            .collect()
    };
    (0..8).map(of).collect()
}

#[test]
fn a_machine_with_a_rate_switches_its_valves() {
    let mut text = crate::text();
    text.push_str(RATE);
    let machine = Machine::parse("machine.toml", &text).expect("a sound machine");
    let mut board = LiveBoard::start(Kind::M4);
    board.upload(&machine);
    board.acknowledge();
    modes(&mut board, SectionMode::Broadcast);
    for pulse_us in [PULSE_US, PULSE_US * 4 / 3] {
        let wanted = on_us(100_000.0 / pulse_us as f64);
        let all = cycles(&mut board, pulse_us);
        let (mut least, mut most, mut off) = (u64::MAX, 0, 0);
        for (nozzle, own) in all.iter().enumerate() {
            assert!(own.len() > 30, "{} cycles", own.len());
            for spell in own {
                let on = spell.to - spell.from;
                (least, most) = (on.min(least), on.max(most));
                // Neighbours half a cycle apart, by the board's clock.
                let beat = spell.from + if nozzle % 2 == 0 { 0 } else { CYCLE_US / 2 };
                let beat = (beat + CYCLE_US / 2) % CYCLE_US;
                off = off.max(beat.abs_diff(CYCLE_US / 2));
            }
        }
        println!("{wanted} µs wanted, {least} to {most} given; {off} µs off the beat");
        // A thousandth of a cycle is 40 µs: the share is told in whole ones, rounded up, and the
        // speed known to some thousandths.
        let most_off = 100;
        assert!(least + most_off >= wanted && most <= wanted + most_off);
        assert!(off <= latest_ahead_us(Kind::M4), "{off} µs off the beat");
    }
    // Nothing at standstill.
    board.run_for(1_500_000);
    board.changes();
    board.run_for(500_000);
    assert_eq!(board.changes(), []);
    assert_eq!(board.looks[board.looks.len() - 1].open, 0);
    // A valve that is tried there has current all the while, though the rate asks for none.
    let click = Bench::Click {
        nozzle: 3,
        on_us: 200_000,
    };
    let (token, request) = (1, click);
    assert_eq!(board.ask(&ToBoard::Bench { token, request }), Ok(()));
    board.run_for(400_000);
    let clicked = spells(&board.changes(), 3);
    assert_eq!(clicked.len(), 1, "one opening");
    let on = clicked[0].to - clicked[0].from;
    let off = on.abs_diff(200_000);
    assert!(off <= latest_at_once_us(Kind::M4), "{on} µs");
}
