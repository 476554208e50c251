//! `host-sim bench` against an emulated board, and against ports where no sound board is.

#[path = "../common/mod.rs"]
mod common;
mod emulator;
mod rated;
mod timing;
mod tour;
mod watch;

use std::io::{Read, Write};
use std::os::unix::net::UnixListener;
use std::process::{Command, Stdio};
use std::time::Duration;

use common::{Demo, host_sim, messages};
use controller_core::link::cobs::Encoder;
use controller_core::link::{VERSION, crc32};
use emulator::Emulator;
use host_sim::machine::Machine;
use host_sim::over_link::whole_millimetres;
use host_sim::recording::Recording;
use host_sim::replay::replay;
use host_sim::run::DEMO_MACHINE;

/// The demo's first so many seconds, in a file.
fn short(demo: &Demo, seconds: u64) -> (String, Recording) {
    let mut recording = Recording::load(&demo.path("recording.jsonl")).expect("the demo's");
    let first = recording.events[0].t_us;
    recording
        .events
        .retain(|e| e.t_us < first + seconds * 1_000_000);
    let mut bytes = Vec::new();
    recording
        .write("short", &mut bytes)
        .expect("a vector takes all");
    (demo.write("short.jsonl", &bytes), recording)
}

/// What the core makes of it here, from whole millimetres.
fn in_process(mut recording: Recording) -> Vec<(u64, u16, bool)> {
    let machine = Machine::parse("machine.toml", DEMO_MACHINE).expect("sound");
    whole_millimetres(&mut recording);
    let run = replay("machine.toml", &machine, &recording).expect("replays");
    let mut all: Vec<_> = run
        .commands
        .iter()
        .map(|c| (c.t_us, c.nozzle, c.open))
        .collect();
    all.sort_by_key(|c| c.0);
    all
}

fn listed(path: &str) -> Vec<(u64, u16, bool)> {
    let list = host_sim::commands::load(path, 8).expect("a list");
    list.iter().map(|c| (c.t_us, c.nozzle, c.open)).collect()
}

#[test]
fn a_board_is_identified_given_a_machine_and_played_a_recording() {
    let demo = Demo::new("bench-replay");
    let (short, recording) = short(&demo, 30);
    let want = in_process(recording);
    assert!(want.len() > 60, "no empty exercise: {}", want.len());
    let (machine, log) = (demo.path("machine.toml"), demo.path("frames.jsonl"));
    let list = demo.path("came-back.csv");
    let board = Emulator::m4();

    let before = board.json(&["bench", "identify"]);
    assert_eq!(before["machine_digest"], serde_json::Value::Null);
    assert_eq!(
        (&before["nozzles"], &before["told_time"]),
        (&96.into(), &true.into())
    );
    assert_eq!(before["faults"][0], "no sound machine description");
    let said = board.refused(&["bench", "click", "0"]);
    assert!(said.contains("upload a machine first"), "{said}");

    let uploaded = board.json(&["bench", "upload", &machine]);
    let after = board.json(&["bench", "identify", "--log", &log]);
    assert_eq!(after["machine_digest"], uploaded["digest"]);
    assert!(after["faults"].as_array().is_some_and(Vec::is_empty));

    let args = ["bench", "replay", &short, "--machine", &machine, "--fast"];
    let played = board.json(&[&args[..], &["--compare", "--commands", &list]].concat());
    assert_eq!(played["same"], true);
    assert_eq!(played["first_difference"], serde_json::Value::Null);
    assert_eq!(listed(&list), want);

    // A camera's sender, to a board that runs the machine already: once more the same.
    board.json(&["bench", "upload", &machine]);
    let sent = demo.path("sent.csv");
    let args = [
        "send",
        &short,
        "--machine",
        &machine,
        "--fast",
        "--commands",
        &sent,
    ];
    let counts = board.json(&args);
    assert!(counts["images"].as_u64() > Some(100), "{counts}");
    assert_eq!(listed(&sent), want);

    let out = host_sim(&["bench", "log", &log]);
    let text = String::from_utf8_lossy(&out.stdout);
    assert!(out.status.success(), "{}", messages(&out));
    assert!(text.contains("-> ") && text.contains("Hello"), "{text}");
    assert!(
        text.contains("<- ") && text.contains("told_time: true"),
        "{text}"
    );
}

#[test]
fn valves_are_tried_at_rest_and_closed_when_let_go() {
    let demo = Demo::new("bench-valves");
    let machine = demo.path("machine.toml");
    let board = Emulator::m4();
    board.json(&["bench", "upload", &machine]);

    let out = board.run(&["bench", "click", "3"]);
    let said = messages(&out);
    assert!(
        said.contains("Clean water only") && said.contains("Ctrl-C"),
        "{said}"
    );
    let click = board.json(&["bench", "click", "3"]);
    assert_eq!(
        (&click["end"], &click["counted"]),
        (&"through".into(), &1.into())
    );
    assert_eq!(click["openings"][0]["nozzle"], 3);
    assert_eq!(click["openings"][0]["on_us"], 60_000, "{click}");
    let sweep = board.json(&["bench", "sweep", "--pause-ms", "20"]);
    let openings = sweep["openings"].as_array().expect("a list");
    let nozzles: Vec<_> = openings.iter().map(|o| o["nozzle"].as_u64()).collect();
    assert_eq!(nozzles, (0..8).map(Some).collect::<Vec<_>>());
    assert!(sweep["wrong"].as_array().is_some_and(Vec::is_empty));
    let rinse = [
        "bench", "rinse", "--on-ms", "80", "--off-ms", "60", "--times", "2",
    ];
    assert_eq!(board.json(&rinse)["counted"], 16);
    assert_eq!(
        board.json(&["bench", "prime", "--on-ms", "100"])["counted"],
        8
    );

    for (args, word) in [
        (&["bench", "click", "8"][..], "no such nozzle"),
        (
            &["bench", "flush", "--on-ms", "900000"][..],
            "bench_on_cap_s",
        ),
        (
            &["bench", "click", "0", "--on-ms", "1"][..],
            "shortest_on_ms",
        ),
        (&["bench", "rinse", "--times", "21"][..], "1 to 20"),
        (
            &["bench", "click", "0", "--on-ms", "0"][..],
            "no time for a valve",
        ),
    ] {
        let said = board.refused(args);
        assert!(
            said.contains(word) && said.contains("help:"),
            "{args:?}: {said}"
        );
    }

    board.json(&["bench", "stop"]);
    let said = board.refused(&["bench", "click", "0"]);
    assert!(said.contains("host-sim bench acknowledge"), "{said}");
    let stopped = board.json(&["bench", "identify"]);
    assert!(
        stopped["guard"]
            .as_str()
            .is_some_and(|g| g.contains("emergency"))
    );
    board.json(&["bench", "acknowledge"]);
    assert_eq!(board.json(&["bench", "click", "0"])["end"], "through");
    let counters = board.json(&["bench", "counters"]);
    assert_eq!(counters["core"]["emergency_stops"], 1);
    assert_eq!(
        board.json(&["bench", "ping", "--times", "5"])["answered"],
        5
    );
}

#[test]
fn ctrl_c_lets_go_and_closes() {
    let demo = Demo::new("bench-interrupt");
    let board = Emulator::m4();
    board.json(&["bench", "upload", &demo.path("machine.toml")]);
    let (log, port) = (demo.path("frames.jsonl"), board.port());
    let child = Command::new(env!("CARGO_BIN_EXE_host-sim"))
        .args([
            "bench", "flush", "--on-ms", "9000", "--json", "--port", &port, "--log", &log,
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    // Until valves are told to open.
    let opened = || {
        let text = match std::path::Path::new(&log).exists() {
            true => String::from_utf8_lossy(&demo.read("frames.jsonl")).into_owned(),
            false => String::new(),
        };
        text.lines()
            .any(|l| l.contains("from_board") && l.contains("\"body\":\"04"))
    };
    let mut looks = 0;
    while !opened() {
        looks += 1;
        assert!(looks < 3000, "nothing opened");
        std::thread::sleep(Duration::from_millis(10));
    }
    let interrupt = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .expect("kill runs");
    assert!(interrupt.success());
    let out = child.wait_with_output().expect("it ends");
    let held: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(held["end"], "released", "{held}");
    assert!(out.status.success());
    let openings = held["openings"].as_array().expect("a list");
    assert_eq!(openings.len(), 8);
    for opening in openings {
        let on = opening["on_us"].as_u64().expect("closed");
        assert!(on < 9_000_000, "{opening}");
    }
}

#[test]
fn a_moving_machine_refuses() {
    let demo = Demo::new("bench-moving");
    let board = Emulator::m4();
    board.json(&["bench", "upload", &demo.path("machine.toml")]);
    let mut child = Command::new(env!("CARGO_BIN_EXE_host-sim"))
        .args(["send", "-", "--board-clock", "--port", &board.port()])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut lines = String::new();
    for k in 1..=200 {
        lines.push_str(&format!("{{\"pulse_us\": {}}}\n", k * 10_000));
    }
    let mut stdin = child.stdin.take().expect("piped");
    stdin.write_all(lines.as_bytes()).expect("it reads");
    drop(stdin);
    assert!(child.wait().expect("it ends").success());
    let said = board.refused(&["bench", "click", "0"]);
    assert!(
        said.contains("only at standstill") && said.contains("stop the machine"),
        "{said}"
    );
    let said = board.refused(&["bench", "upload", &demo.path("machine.toml")]);
    assert!(said.contains("only at standstill"), "{said}");
    // When its time has run on it stands, and is seen to.
    let mut text = String::new();
    let stands = (0..20).any(|_| {
        let out = board.run(&["watch", "--plain", "--for-s", "2"]);
        text = String::from_utf8_lossy(&out.stdout).into_owned();
        text.contains("0.00 m/s, 3.98 m, closed: stands")
    });
    assert!(stands, "{text}");
}

/// A far end that says `line` whenever it hears `when`, for one visitor.
fn far_end(when: Option<Vec<u8>>, line: Vec<u8>) -> String {
    let path = emulator::socket();
    let listener = UnixListener::bind(&path).expect("a fresh path");
    let port = format!("unix:{}", path.display());
    std::thread::spawn(move || {
        let (mut visitor, _) = listener.accept().expect("a visitor");
        let _gone = std::fs::remove_file(&path);
        let mut heard = Vec::new();
        let mut bytes = [0; 256];
        while let Ok(count @ 1..) = visitor.read(&mut bytes) {
            heard.extend_from_slice(&bytes[..count]);
            let fits = match &when {
                None => true,
                Some(when) => heard.windows(when.len()).any(|w| w == when),
            };
            if fits && visitor.write_all(&line).is_err() {
                return;
            }
        }
    });
    port
}

/// A sound frame of some version with number 0 and this body.
fn frame_of(version: u8, body: &[u8]) -> Vec<u8> {
    let mut plain = vec![version, 0, 0];
    plain.extend_from_slice(body);
    plain.extend(crc32(&plain).to_le_bytes());
    let mut stuffed = [0; 64];
    let mut cobs = Encoder::new(&mut stuffed);
    plain.iter().for_each(|&byte| cobs.push(byte));
    let stuffed = cobs.finish().expect("fits");
    [&[0], stuffed, &[0]].concat()
}

#[test]
fn what_does_not_answer_is_told_apart() {
    let identify = |port: &str| {
        let out = host_sim(&["bench", "identify", "--port", port]);
        assert_eq!(out.status.code(), Some(2), "{}", messages(&out));
        messages(&out)
    };
    let newer = VERSION + 1;
    let speaks = format!("speaks version {newer}");
    let program = format!("this program version {VERSION}");
    for (port, words) in [
        (
            far_end(None, Vec::new()),
            ["nothing answers", "asked 3 times"],
        ),
        (
            far_end(None, b"\x55\x00noise\x00".to_vec()),
            ["no sound frame", "baud rate"],
        ),
        (
            far_end(Some(frame_of(newer, &[0])), frame_of(newer, &[0, 9, 9])),
            [speaks.as_str(), program.as_str()],
        ),
        (
            // An old board says nothing to our hello, but answers its own version's.
            far_end(Some(frame_of(2, &[0])), frame_of(2, &[0, 1, 0])),
            ["speaks version 2", "flash firmware"],
        ),
        (
            "unix:/nowhere/board".into(),
            ["cannot open", "emulated board"],
        ),
        ("/dev/no-such-port:9600".into(), ["at 9600 baud", "help:"]),
        ("tcp:here".into(), ["host and port", "--port"]),
    ] {
        let said = identify(&port);
        for word in words {
            assert!(said.contains(word), "{port}: {said}");
        }
    }
    let out = host_sim(&["bench", "identify"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(messages(&out).contains("no port is given"));
    let out = host_sim(&[
        "bench",
        "upload",
        "/nowhere.toml",
        "--port",
        "unix:/nowhere",
    ]);
    assert!(
        messages(&out).contains("/nowhere.toml"),
        "{}",
        messages(&out)
    );
}
