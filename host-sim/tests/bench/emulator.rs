//! An emulated board on a socket, and the program to talk to it.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// Looks at the emulator's socket, 20 ms apart.
const MOST_LOOKS: u32 = 3000;
/// Greetings until the emulator is up, some seconds each where it is not.
const MOST_GREETINGS: u32 = 60;

/// A Cortex-M4 that QEMU runs; gone with this value.
pub struct Emulator {
    machine: Child,
    socket: PathBuf,
}

impl Drop for Emulator {
    fn drop(&mut self) {
        let _gone = self.machine.kill();
        let _gone = self.machine.wait();
        let _gone = std::fs::remove_file(&self.socket);
    }
}

/// A socket path that no other test has.
pub fn socket() -> PathBuf {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let number = COUNT.fetch_add(1, Ordering::Relaxed);
    let socket = format!("boom-bench-{}-{number}", std::process::id());
    let socket = std::env::temp_dir().join(socket);
    let _none = std::fs::remove_file(&socket);
    socket
}

impl Emulator {
    /// Starts the board that `scripts/boards` built; it is up.
    pub fn m4() -> Self {
        let elf = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/boards/emulated-m4");
        assert!(
            elf.is_file(),
            "{} is missing: run scripts/boards",
            elf.display()
        );
        let socket = socket();
        let mut machine = Command::new("qemu-system-arm")
            .args([
                "-machine",
                "mps2-an386",
                "-display",
                "none",
                "-monitor",
                "none",
            ])
            .arg("-serial")
            .arg(format!("unix:{},server=on,wait=on", socket.display()))
            .arg("-kernel")
            .arg(&elf)
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("qemu-system-arm starts; scripts/boards installs it");
        let mut looks = 0;
        while !socket.exists() {
            let ended = machine.try_wait().expect("the emulator can be asked");
            assert!(
                looks < MOST_LOOKS && ended.is_none(),
                "no emulator: {ended:?}"
            );
            looks += 1;
            std::thread::sleep(Duration::from_millis(20));
        }
        let board = Self { machine, socket };
        let up = (0..MOST_GREETINGS).any(|_| board.run(&["bench", "identify"]).status.success());
        assert!(up, "the emulated board never answered");
        board
    }

    /// The port as the program takes it.
    pub fn port(&self) -> String {
        format!("unix:{}", self.socket.display())
    }

    /// Runs a verb on this board.
    pub fn run(&self, args: &[&str]) -> Output {
        let mut all = args.to_vec();
        let port = self.port();
        all.extend(["--port", &port]);
        crate::common::host_sim(&all)
    }

    /// Runs a verb that must hold; its JSON.
    pub fn json(&self, args: &[&str]) -> serde_json::Value {
        let out = self.run(&[args, &["--json"]].concat());
        assert!(
            out.status.success(),
            "{args:?}: {}\n{}",
            String::from_utf8_lossy(&out.stderr),
            String::from_utf8_lossy(&out.stdout)
        );
        serde_json::from_slice(&out.stdout).expect("one JSON object")
    }

    /// Runs a verb that must be refused with status 2; what it says.
    pub fn refused(&self, args: &[&str]) -> String {
        let out = self.run(args);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{args:?}: {said}");
        said
    }
}
