//! The core's log lines, from an image that QEMU runs to text on the host: written with
//! `defmt`, carried out by semihosting, and decoded with the image's own table.
//!
//! `scripts/boards` builds the image `logged-m4`, with `DEFMT_LOG=trace`: without it defmt
//! leaves the lines out, and this test fails.

use std::path::Path;
use std::process::{Command, Stdio};

use defmt_decoder::{DecodeError, Table};

/// Runs the image to its end: what it wrote, and whether it ended well.
fn run(image: &Path) -> (Vec<u8>, bool) {
    let output = Command::new("qemu-system-arm")
        .args(["-machine", "mps2-an386", "-display", "none"])
        .args(["-monitor", "none", "-serial", "null"])
        .args(["-semihosting-config", "enable=on,target=native"])
        .arg("-kernel")
        .arg(image)
        .stdin(Stdio::null())
        .output()
        .expect("qemu-system-arm runs: scripts/boards installs it");
    (output.stdout, output.status.success())
}

#[test]
fn the_cores_log_lines_are_read_on_the_host() {
    let image = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../target/boards/logged-m4");
    let elf = std::fs::read(&image)
        .unwrap_or_else(|error| panic!("{}: {error}; run scripts/boards", image.display()));
    let table = Table::parse(&elf)
        .expect("a table that this decoder reads")
        .expect("the image has a table of log lines");
    let (bytes, ended_well) = run(&image);
    assert!(ended_well, "the drive in the image did not go as meant");

    let mut decoder = table.new_stream_decoder();
    decoder.received(&bytes);
    let mut lines = Vec::new();
    loop {
        match decoder.decode() {
            Ok(frame) => {
                let level = frame.level().map_or("", |level| level.as_str());
                lines.push(format!("{level} {}", frame.display_message()));
            }
            Err(DecodeError::UnexpectedEof) => break,
            Err(DecodeError::Malformed) => panic!("malformed after {lines:#?}"),
        }
    }
    // By hand: a speed is known from the second pulse on, at 4 ms, and the next instant of the
    // grid of 2 ms decides. The last pulse came at 116 ms; 20 mm at 0.3 m/s take 66.7 ms, and
    // the instant after 182.7 ms is at 184: decided when the caller polls again, at 300.
    let wanted = [
        "info guard at 6000 us: Running",
        "warn image at 117000 us refused: CapturedInFuture",
        "warn image at 117000 us refused: UnknownDetector { detector: 7 }",
        "warn order at 117000 us refused: Moving",
        "warn pulse at 117000 us refused: TooSoon { after: Span(1000), shortest: Span(2000) }",
        "warn decided 116000 us late at 300000 us",
        "info guard at 184000 us: Stopped",
        "warn all closed at 301000 us: EmergencyStop",
        "info acknowledged at 2000000 us: Stopped",
        "info end of the drive, as meant: true",
    ];
    assert_eq!(lines, wanted);
}
