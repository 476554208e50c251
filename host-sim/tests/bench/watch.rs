//! The watch, drawn from a scripted stream of messages, and line by line from a live board.

use crate::common::{Demo, messages};
use crate::emulator::Emulator;
use controller_core::Counters;
use controller_core::link::{
    CommandEntry, Commands, FromBoard, LinkCounters, Motion, ResetCause, SectionMode, SectionState,
    Welcome,
};
use host_sim::watch::state::Watched;
use host_sim::watch::{draw, plain};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn watched() -> Watched {
    let welcome = Welcome {
        machine_version: 1,
        machine_digest: Some(0xCBF4_3926),
        nozzles: 96,
        detectors: 8,
        plants: 64,
        frame_bytes: 1280,
        waits_for_acknowledge: false,
        told_time: false,
        reset: ResetCause::PowerOn,
    };
    Watched::new("/dev/ttyUSB0 at 921600 baud".into(), welcome)
}

fn motion(guard: u8, faults: u32) -> FromBoard {
    FromBoard::Motion(Motion {
        at_us: 61_500_000,
        speed_mm_s: 2840,
        distance_mm: 123_456,
        guard,
        open: 5,
        faults,
    })
}

fn section(section: u8, mode: SectionMode, open: u16, faulty: u16) -> FromBoard {
    FromBoard::Section(SectionState {
        section,
        mode,
        first: u16::from(section) * 24,
        count: 24,
        open,
        faulty,
        on_ms: 12_340,
    })
}

fn counters(plants: u32, late: u32, lost: u32) -> FromBoard {
    FromBoard::Counters {
        core: Counters {
            plants,
            late,
            ..Counters::default()
        },
        link: LinkCounters {
            lost,
            ..LinkCounters::default()
        },
    }
}

fn picture(watched: &Watched) -> String {
    let mut terminal = Terminal::new(TestBackend::new(90, 22)).expect("a terminal of memory");
    terminal
        .draw(|frame| draw::draw(frame, watched))
        .expect("draws");
    terminal.backend().to_string()
}

fn shows(text: &str, words: &[&str]) {
    for word in words {
        assert!(text.contains(word), "`{word}` is not in\n{text}");
    }
}

#[test]
fn a_stream_becomes_a_picture() {
    let mut watched = watched();
    shows(
        &picture(&watched),
        &["no news yet", "none changed", "q quit", "cbf43926"],
    );
    for message in [
        motion(3, 0),
        section(0, SectionMode::Spot, 5, 0),
        section(1, SectionMode::Off, 0, 2),
        counters(100, 0, 0),
        counters(140, 3, 7),
    ] {
        watched.take(900_000, &message).expect("known");
    }
    let mut batch = Commands::default();
    for _ in 0..4 {
        batch
            .entries
            .push(CommandEntry {
                what: 1,
                after_us: 0,
                late_us: 0,
            })
            .expect("fits");
    }
    watched
        .take(900_000, &FromBoard::Commands(batch))
        .expect("known");
    let here = LinkCounters {
        frames: 60,
        lost: 2,
        bad_crc: 1,
        ..LinkCounters::default()
    };
    watched.pass(2_000_000, &here, 3000);
    let text = picture(&watched);
    shows(
        &text,
        &[
            "/dev/ttyUSB0 at 921600 baud",
            "2.84 m/s",
            "123.46 m",
            "running",
            "5 valves",
            "spot",
            "5 of 24",
            "12.3 s",
            "2 faulty",
            "no faults",
            "30 frames/s, 1500 B/s",
            "2.0 commands/s",
            "2 lost, 1 damaged",
            "plants              +40 = 140",
            "late                +3 = 3",
            "lost                +7 = 7",
        ],
    );
    assert!(!text.contains("SILENT"), "{text}");
    // Five of 24 valves: a quarter of the bar, rounded up.
    assert_eq!(text.matches('█').count(), 5, "{text}");
    let line = plain::line(&watched);
    shows(
        &line,
        &[
            "2.84 m/s",
            "section 1 off 0 of 24",
            "core late +3",
            "2 lost",
        ],
    );

    watched.forget();
    watched
        .take(2_100_000, &motion(5, 1 << 2 | 1 << 17))
        .expect("known");
    watched.pass(4_200_000, &here, 3000);
    let text = picture(&watched);
    shows(
        &text,
        &[
            "emergency stop",
            "detector 2 is silent",
            "the supply is low",
            "none changed",
            "SILENT for 2 s",
        ],
    );
    assert_eq!(watched.rates.frames_hz, 0.0);
}

#[test]
fn a_small_terminal_breaks_nothing() {
    let mut watched = watched();
    for index in 0..64 {
        let state = section(index, SectionMode::Broadcast, 24, 0);
        watched.take(0, &state).expect("known");
    }
    for (width, height) in [(1, 1), (10, 3), (40, 12), (200, 90)] {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("memory");
        terminal
            .draw(|frame| draw::draw(frame, &watched))
            .expect("draws");
    }
}

#[test]
fn a_live_board_is_watched_line_by_line() {
    let demo = Demo::new("watch-live");
    let board = Emulator::m4();
    board.json(&["bench", "upload", &demo.path("machine.toml")]);
    // A line a second; news and counters are in the first for which they came in time.
    let words = ["never moved", "section 0 spot 0 of 8", "0 lost"];
    let mut text = String::new();
    for _ in 0..20 {
        let out = board.run(&["watch", "--for-s", "2"]);
        assert!(out.status.success(), "{}", messages(&out));
        text = String::from_utf8_lossy(&out.stdout).into_owned();
        if words.iter().all(|word| text.contains(word)) {
            return;
        }
    }
    shows(&text, &words);
}
