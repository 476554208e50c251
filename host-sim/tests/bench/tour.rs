//! The README's tour for the bench, run as it stands there.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::common::Demo;
use crate::emulator;

/// The fenced commands that begin with this.
const FIRST: &str = "scripts/boards; scripts/demo";

/// What the README's fence holds.
fn commands(readme: &str) -> &str {
    let from = readme.find(FIRST).expect("the README has the tour");
    let length = readme[from..].find("\n```").expect("the fence ends");
    &readme[from..from + length]
}

/// In a folder that looks like the repository's root to these commands: the program is this
/// build's, the firmware and the demo's files are there already, so that the two scripts of the
/// first line and the build of the second have nothing to do. The socket is one of its own. A terminal is around them, and a
/// `q` is typed every other second.
#[test]
fn the_readmes_tour_runs_as_it_is_written() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let root = root.canonicalize().expect("the repository");
    let readme = fs::read_to_string(root.join("README.md")).expect("there");
    let tour = commands(&readme);
    let demo = Demo::new("bench-tour");
    let here = Path::new(&demo.path("tour")).to_owned();
    for folder in ["target/release", "scripts", "host-sim"] {
        fs::create_dir_all(here.join(folder)).expect("a fresh folder");
    }
    let link = |to: &Path, name: &str| symlink(to, here.join(name)).expect("a link");
    let program = env!("CARGO_BIN_EXE_host-sim");
    link(Path::new(program), "target/release/host-sim");
    link(&root.join("target/boards"), "target/boards");
    link(&root.join("host-sim/demo"), "host-sim/demo");
    let files = demo.path("machine.toml");
    let files = Path::new(&files).parent().expect("a folder").to_owned();
    link(&files, "demo-out");
    link(Path::new("/bin/true"), "scripts/boards");
    link(Path::new("/bin/true"), "scripts/demo");
    let socket = emulator::socket();
    assert!(tour.contains("/tmp/board"), "{tour}");
    let text = tour.replace("/tmp/board", &socket.display().to_string());
    // Ends with the emulator, and at the first command that fails.
    let text = format!(
        "set -e\ncargo() {{ [ \"$*\" = 'build --release -p host-sim' ]; }}\nstty rows 24 cols 100\ntrap 'kill $(jobs -p) 2>/dev/null || true' EXIT\n{text}\n"
    );
    fs::write(here.join("tour.sh"), text).expect("written");

    let typing = "(while sleep 2; do printf q; done) | script -qec 'bash tour.sh' said";
    let out = Command::new("bash")
        .args(["-c", &format!("{typing}; exit ${{PIPESTATUS[1]}}")])
        .current_dir(&here)
        .env("TERM", "xterm")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .status()
        .expect("bash starts");
    let said = fs::read(here.join("said")).expect("kept");
    let said = String::from_utf8_lossy(&said);
    assert!(out.success(), "{out}: {said}");
    for words in [
        // Upload, sweep, replay, and the screen that the watch takes.
        "digest",
        "clicks of nozzles 0 to 7",
        "the same commands as the core in this process",
        "\u{1b}[?1049h",
    ] {
        assert!(said.contains(words), "`{words}` is not in\n{said}");
    }
    let _none = fs::remove_file(&socket);
}
