//! The camera's Python sender says byte for byte what the board understands.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;

use controller_core::link::{
    Captured, ClockFilter, Exchange, FrameReader, FromBoard, PlantKind, Received, SeenPlant,
    ToBoard,
};
use host_sim::bench::port::PortName;
use host_sim::bench::session::Session;
use host_sim::bench::upload::Description;
use host_sim::generate::drive;
use host_sim::machine::Machine;
use host_sim::over_link::whole_millimetres;
use host_sim::recording::{Input, Recording};
use host_sim::replay::replay;
use host_sim::run::{DEMO_MACHINE, DEMO_SCENARIO};
use host_sim::scenario::Scenario;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The interpreter of the environment that the script makes, which installs what is missing.
fn python() -> &'static str {
    static PYTHON: OnceLock<String> = OnceLock::new();
    PYTHON.get_or_init(make_python)
}

fn make_python() -> String {
    let script = root().join("scripts/python-env");
    let out = Command::new(&script).output().expect("the script runs");
    assert!(
        out.status.success(),
        "{} failed:\n{}",
        script.display(),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).expect("a path").trim().into()
}

fn run_python(args: &[&str], input: &str) -> Output {
    let mut child = Command::new(python())
        .args(args)
        .current_dir(root().join("hardware-notes/camera"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut stdin = child.stdin.take().expect("piped");
    stdin.write_all(input.as_bytes()).expect("python reads");
    drop(stdin);
    child.wait_with_output().expect("python ends")
}

const SEND: [&str; 4] = ["sender.py", "-", "--port=-", "--board-clock"];

/// The bytes that `LINK.md` shows under a name.
fn shown(name: &str) -> Vec<u8> {
    let page = std::fs::read_to_string(root().join("controller-core/LINK.md")).expect("there");
    let line = page
        .lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(": "));
    let bytes = line.expect("the page shows it").split(' ');
    bytes
        .map(|b| u8::from_str_radix(b, 16).expect("hexadecimal"))
        .collect()
}

#[test]
fn images_come_out_as_the_page_shows_them_and_the_board_reads_them() {
    let input = concat!(
        r#"{"detector": 0, "number": 300, "captured_us": 12345678, "error_us": 350, "seen_mm": [0, 800], "plants": [{"x_mm": 412, "y_mm": -730, "length_mm": 60, "width_mm": 45}, {"x_mm": 650, "y_mm": 20, "length_mm": 130, "width_mm": 150}]}"#,
        "\n",
        r#"{"detector": 0, "number": 300, "frame": 70000, "seen_mm": [0, 800], "plants": [{"x_mm": 412, "y_mm": -730, "length_mm": 60, "width_mm": 45}, {"x_mm": 650, "y_mm": 20, "length_mm": 130, "width_mm": 150, "id": 517, "row_us": -4200}]}"#,
        "\n",
        r#"{"detector": 3, "number": 70000, "captured_us": 86400000000, "seen_mm": [-400, 32767], "plants": []}"#,
        "\n",
    );
    let out = run_python(&SEND, input);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let mut reader: FrameReader<256> = FrameReader::new();
    let mut bodies = Vec::new();
    for &byte in &out.stdout {
        if let Received::Frame(frame) = reader.push(byte) {
            assert_eq!(usize::from(frame.sequence), bodies.len());
            bodies.push(frame.body.to_vec());
        }
    }
    assert_eq!(bodies.len(), 3, "{:?}", reader.counters());
    assert_eq!(bodies[0], shown("image"));
    assert_eq!(bodies[1], shown("image-full"));
    let (ToBoard::Image(head), rest) = ToBoard::read(&bodies[2]).expect("readable") else {
        panic!("no image")
    };
    assert_eq!((head.detector, head.number, head.to_mm), (3, 4464, 32767));
    assert_eq!(head.kind, PlantKind::Plain);
    let at = Captured::At {
        board_us: 86_400_000_000,
        error_us: 0,
    };
    assert_eq!(head.captured, at);
    let none: &[SeenPlant] = &[];
    assert_eq!(head.plants(rest).expect("readable"), none);
}

#[test]
fn bad_lines_are_refused_with_their_number() {
    let plants = format!(
        "[{}]",
        [r#"{"x_mm": 0, "y_mm": 0, "length_mm": 1, "width_mm": 1}"#; 65].join(",")
    );
    let many = format!(
        r#"{{"detector": 0, "number": 1, "frame": 1, "seen_mm": [0, 1], "plants": {plants}}}"#
    );
    for (line, word) in [
        ("no json", "line 1"),
        (r#"{"detector": 0}"#, "captured_us"),
        (
            r#"{"detector": 0, "number": 1, "frame": 1, "seen_mm": [0, 40000], "plants": []}"#,
            "40000 does not fit",
        ),
        (
            r#"{"detector": 0, "number": 1, "frame": -1, "seen_mm": [0, 1], "plants": []}"#,
            "-1 does not fit",
        ),
        (&many, "65 plants"),
    ] {
        let out = run_python(&SEND, line);
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(!out.status.success(), "{line}");
        assert!(said.contains(word) && said.contains("line 1"), "{said}");
        assert!(!said.contains("Traceback"), "{said}");
    }
}

#[test]
fn pongs_are_understood_and_the_clock_agrees_with_the_cores() {
    // Pongs as the board writes them, through the sender's own reading, and its clock.
    let program = "
import sys, sender
class Port:
    def __init__(self, data): self.data = data
    in_waiting = property(lambda self: len(self.data))
    def read(self, n): taken, self.data = self.data[:n], self.data[n:]; return taken
s = sender.Sender(Port(b''))
for line in sys.stdin:
    returned, frame = line.split(None, 1)
    s.port.data += bytes.fromhex(frame)
    s.listen(int(returned))
print(*s.clock.to_board(5_000_000))
";
    let mut filter: ClockFilter<16> = ClockFilter::new();
    let mut input = String::new();
    for k in 0..40_u64 {
        let (out, back) = (1000 + k * 7919 % 9000, 1000 + k * 6271 % 9000);
        let sent = 4_000_000 + k * 10_000;
        let received = sent + out + 77_000_000;
        let exchange = Exchange {
            sent,
            received,
            replied: received + 120,
            returned: sent + out + 120 + back,
        };
        assert!(filter.add(&exchange));
        let pong = controller_core::link::FromBoard::Pong {
            sent_us: sent,
            received_us: received,
            replied_us: received + 120,
        };
        let (mut body, mut line) = ([0; 64], [0; 80]);
        let body = pong.write(&mut body).expect("fits");
        let frame = controller_core::link::seal(k as u16, body, &mut line).expect("fits");
        let mut hex: String = frame.iter().map(|b| format!("{b:02x}")).collect();
        if k % 10 == 9 {
            // A damaged one in between must change nothing.
            hex.insert_str(2, "05ffeeddcc00");
        }
        input.push_str(&format!("{} {hex}\n", exchange.returned));
    }
    let out = run_python(&["-c", program], &input);
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let numbers: Vec<u64> = said
        .split_whitespace()
        .map(|n| n.parse().expect("a number"))
        .collect();
    let &[board, error] = numbers.as_slice() else {
        panic!("{said}")
    };
    // Both lie within their own bound of the truth, and the core's knows no worse.
    assert!(board.abs_diff(82_000_000) <= error + 1, "{board}, {error}");
    let core = filter.estimate().expect("exchanges were made");
    assert!(core.to_board(5_000_000).abs_diff(82_000_000) <= 1500);
    assert!(error < 2000, "{error}");
}

/// Not to become the test's own terminal (Linux).
const O_NOCTTY: i32 = 0o400;

/// An emulated board on a pseudo terminal, as a serial adapter would be; gone with this value.
struct OnTerminal {
    machine: Child,
    path: String,
    _plugged: std::fs::File,
}

impl Drop for OnTerminal {
    fn drop(&mut self) {
        let _gone = self.machine.kill();
        let _gone = self.machine.wait();
    }
}

impl OnTerminal {
    fn m4() -> Self {
        let elf = root().join("target/boards/emulated-m4");
        assert!(
            elf.is_file(),
            "{} is missing: run scripts/boards",
            elf.display()
        );
        let mut machine = Command::new("qemu-system-arm")
            .args([
                "-machine",
                "mps2-an386",
                "-display",
                "none",
                "-monitor",
                "none",
            ])
            .args(["-serial", "pty", "-kernel"])
            .arg(&elf)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("qemu-system-arm starts; scripts/boards installs it");
        // "char device redirected to /dev/pts/3 (label serial0)"
        let said = BufReader::new(machine.stdout.take().expect("piped"));
        let path = said.lines().map_while(Result::ok).find_map(|line| {
            let at = line.find("/dev/")?;
            line[at..].split_whitespace().next().map(str::to_owned)
        });
        let path = path.expect("the emulator names its terminal");
        // Kept open from one user of the terminal to the next: the emulator takes a terminal
        // that nobody holds for unplugged, and drops what is said meanwhile.
        let plugged = std::fs::File::options()
            .read(true)
            .write(true)
            .custom_flags(O_NOCTTY)
            .open(&path)
            .expect("the terminal opens");
        Self {
            machine,
            path,
            _plugged: plugged,
        }
    }
}

/// The demo's first 10 s in whole millimetres.
fn recorded() -> (Machine, Recording) {
    let machine = Machine::parse("machine.toml", DEMO_MACHINE).expect("sound");
    let scenario = Scenario::parse("scenario.toml", DEMO_SCENARIO).expect("sound");
    let drive = drive("scenario.toml", &scenario, &machine).expect("drives");
    let mut recording = drive.recording;
    let first = recording.events[0].t_us;
    recording.events.retain(|e| e.t_us < first + 10_000_000);
    whole_millimetres(&mut recording);
    (machine, recording)
}

/// The recording as the sender's JSON lines, with time running on behind it.
fn json_lines(recording: &Recording) -> String {
    let mm = |m: f64| (m * 1e3).round() as i64;
    let mut lines = String::new();
    for (number, event) in recording.events.iter().enumerate() {
        let t = event.t_us;
        match &event.input {
            Input::Pulse => lines.push_str(&format!("{{\"pulse_us\": {t}}}\n")),
            Input::Image(image) => {
                let plants = image.plants.iter().map(|p| {
                    let mut plant = serde_json::json!({
                        "x_mm": mm(p.x_m), "y_mm": mm(p.y_m),
                        "length_mm": mm(p.length_m), "width_mm": mm(p.width_m),
                    });
                    if let Some(id) = p.id {
                        plant["id"] = id.into();
                    }
                    plant
                });
                let line = serde_json::json!({
                    "detector": image.detector, "number": number, "captured_us": image.captured_us,
                    "seen_mm": [mm(image.seen.0), mm(image.seen.1)],
                    "plants": plants.collect::<Vec<_>>(),
                });
                lines.push_str(&format!("{{\"until_us\": {t}}}\n{line}\n"));
            }
            other => panic!("the demo has no {other:?}"),
        }
    }
    let last = recording.events[recording.events.len() - 1].t_us;
    lines.push_str(&format!("{{\"until_us\": {}}}\n", last + 5_000_000));
    lines
}

#[test]
fn an_emulated_board_gives_the_hosts_commands_for_what_python_sends() {
    let (machine, recording) = recorded();
    let run = replay("machine.toml", &machine, &recording).expect("replays");
    let want: Vec<_> = run
        .commands
        .iter()
        .map(|c| (c.t_us, c.nozzle, c.open))
        .collect();
    assert!(want.len() > 10, "no empty exercise: {}", want.len());

    let board = OnTerminal::m4();
    let name = PortName::parse(&board.path).expect("a path");
    let mut session = Session::open(&name, None).expect("it answers on its terminal");
    let file = root().join("host-sim/demo/machine.toml");
    let description = Description::load(&file.display().to_string()).expect("sound");
    description.send(&mut session).expect("taken");
    drop(session);

    let heard = std::env::temp_dir().join(format!("boom-heard-{}", std::process::id()));
    let heard_text = heard.display().to_string();
    let args = [
        "sender.py",
        "-",
        "--board-clock",
        "--port",
        &board.path,
        "--heard",
        &heard_text,
    ];
    let out = run_python(&args, &json_lines(&recording));
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = std::fs::read_to_string(&heard).expect("kept");
    std::fs::remove_file(&heard).expect("there");
    let mut got = Vec::new();
    for line in text.lines() {
        let bytes: Vec<u8> = (0..line.len() / 2)
            .map(|i| u8::from_str_radix(&line[2 * i..2 * i + 2], 16).expect("hexadecimal"))
            .collect();
        if let FromBoard::Commands(batch) = FromBoard::read(&bytes).expect("readable") {
            got.extend(batch.entries.iter().map(|c| {
                let at = batch.base_us.wrapping_add_signed(c.after_us.into());
                (at, c.what / 2, c.what % 2 == 1)
            }));
        }
    }
    assert_eq!(got, want);
}
