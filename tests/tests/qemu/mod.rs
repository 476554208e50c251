//! QEMU with one of the boards' images, and its serial line on a socket.

use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// Tries to reach a socket of the emulator, 20 ms apart.
const MOST_TRIES: u32 = 1500;

/// An emulator that runs; gone with this value.
pub struct Qemu {
    child: Child,
    sockets: Vec<PathBuf>,
}

impl Drop for Qemu {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _gone = self.child.wait();
        for socket in &self.sockets {
            let _gone = std::fs::remove_file(socket);
        }
    }
}

impl Qemu {
    /// Starts a machine with an image of `scripts/boards` that waits for its serial line to be connected: socket 0. `more` may name
    /// further ones, which [`connect`](Self::connect) reaches too.
    pub fn launch(machine: &str, image: &str, more: &More) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let elf = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../target/boards")
            .join(image);
        assert!(
            elf.is_file(),
            "{} is missing: run scripts/boards",
            elf.display()
        );
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let socket = |name: &str| {
            let name = format!("boom-board-{}-{number}{name}", std::process::id());
            let path = std::env::temp_dir().join(name);
            let _none = std::fs::remove_file(&path);
            path
        };
        let mut sockets = vec![socket("")];
        let mut command = Command::new("qemu-system-arm");
        command
            .args(["-machine", machine, "-display", "none", "-monitor", "none"])
            .arg("-serial")
            .arg(format!("unix:{},server=on,wait=on", sockets[0].display()))
            .arg("-kernel")
            .arg(&elf)
            .args(more.options)
            .stdin(Stdio::null());
        for name in more.sockets {
            let path = socket(name);
            command
                .arg(name)
                .arg(format!("unix:{},server=on,wait=off", path.display()));
            sockets.push(path);
        }
        let child = command
            .spawn()
            .expect("qemu-system-arm starts; scripts/boards installs it");
        Self { child, sockets }
    }

    /// Reaches a socket: 0 is the line, then those that were asked for.
    pub fn connect(&mut self, number: usize) -> UnixStream {
        let mut tries = 0;
        loop {
            match UnixStream::connect(&self.sockets[number]) {
                Ok(stream) => return stream,
                Err(error) => {
                    let ended = self.child.try_wait().expect("the emulator can be asked");
                    let patient = tries < MOST_TRIES && ended.is_none();
                    assert!(patient, "no emulator on its socket: {error}, {ended:?}");
                    tries += 1;
                    std::thread::sleep(Duration::from_millis(20));
                }
            }
        }
    }
}

/// What else the emulator is started with.
#[derive(Default)]
pub struct More<'a> {
    /// Options as they are.
    pub options: &'a [&'a str],
    /// Options whose value is a socket.
    pub sockets: &'a [&'a str],
}
