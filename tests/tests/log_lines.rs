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
    let image = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/boards/logged-m4");
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
    // 20 mm in 4 ms is 5 m/s. A speed is known from the second pulse on, and decided upon at
    // the next instant of the grid, which the first poll (at 0) has laid: every 2 ms.
    let wanted: &[&str] = &[""];
    assert_eq!(lines, wanted);
}
