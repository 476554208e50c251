//! The camera's Python sender says byte for byte what the board understands.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;

use controller_core::link::{
    Captured, ClockFilter, Exchange, FrameReader, PlantKind, Received, SeenPlant, ToBoard,
};

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

fn run(args: &[&str], input: &str) -> Output {
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
    let out = run(&SEND, input);
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
        let out = run(&SEND, line);
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
    let out = run(&["-c", program], &input);
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
