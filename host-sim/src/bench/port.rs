//! Where a board is: a serial port, or a socket to an emulated one.
//!
//! A thread reads and a thread writes, so that a board that talks while it is talked to never
//! waits for us to read and us for it, and so that bytes are there when they are asked for.

use std::fmt;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixStream;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use crate::error::{Error, Result};

/// Bits a second where none are given.
pub const BAUD: u32 = 921_600;
/// So many reads without a byte pass before it is looked whether anybody listens.
const IDLE_READS: u32 = 20;
/// A read gives up after so long without a byte.
const READ_WAIT: Duration = Duration::from_millis(10);

/// A port as the user names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortName {
    /// A serial port, a pseudo terminal too.
    Serial {
        /// Its device file.
        path: String,
        /// Bits a second.
        baud: u32,
    },
    /// A Unix socket.
    Unix(String),
    /// A TCP socket, as host:port.
    Tcp(String),
}

impl PortName {
    /// Reads `PATH[:BAUD]`, `unix:/path` or `tcp:host:port`.
    ///
    /// # Errors
    /// What is wrong with the name.
    pub fn parse(name: &str) -> Result<PortName> {
        let bad = |what: &str| {
            Err(Error::Usage(format!(
                "the port `{name}` {what}\n  help: write --port /dev/ttyUSB0:921600, unix:/path or tcp:host:port"
            )))
        };
        if let Some(path) = name.strip_prefix("unix:") {
            return if path.is_empty() {
                bad("names no socket")
            } else {
                Ok(PortName::Unix(path.into()))
            };
        }
        if let Some(at) = name.strip_prefix("tcp:") {
            return match at.rsplit_once(':') {
                Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => {
                    Ok(PortName::Tcp(at.into()))
                }
                _ => bad("has no host and port number"),
            };
        }
        let (path, baud) = match name.rsplit_once(':') {
            Some((path, baud)) => match baud.parse() {
                Ok(baud) if baud > 0 => (path, baud),
                _ => return bad("has no baud rate behind its colon"),
            },
            None => (name, BAUD),
        };
        if path.is_empty() {
            return bad("is empty");
        }
        Ok(PortName::Serial {
            path: path.into(),
            baud,
        })
    }

    /// Opens it.
    ///
    /// # Errors
    /// Why not, and what ports there are.
    pub fn open(&self) -> Result<Wire> {
        let opened = match self {
            PortName::Unix(path) => UnixStream::connect(path).and_then(|from| {
                from.set_read_timeout(Some(READ_WAIT))?;
                Ok(Wire::new(Box::new(from.try_clone()?), Box::new(from)))
            }),
            PortName::Tcp(at) => TcpStream::connect(at).and_then(|from| {
                from.set_read_timeout(Some(READ_WAIT))?;
                from.set_nodelay(true)?;
                Ok(Wire::new(Box::new(from.try_clone()?), Box::new(from)))
            }),
            PortName::Serial { path, baud } => serialport::new(path, *baud)
                .timeout(READ_WAIT)
                .open()
                .and_then(|from| Ok(Wire::new(Box::new(from.try_clone()?), Box::new(from))))
                .map_err(io::Error::from),
        };
        opened.map_err(|error| self.refuse(&error))
    }

    fn refuse(&self, error: &io::Error) -> Error {
        let help = match self {
            PortName::Serial { .. } => {
                let ports = serialport::available_ports().unwrap_or_default();
                let names: Vec<_> = ports.into_iter().map(|p| p.port_name).collect();
                if names.is_empty() {
                    "no serial port is there: plug the adapter in, or check its driver".to_owned()
                } else {
                    format!(
                        "ports here: {}; you may need to be in the group that owns them",
                        names.join(", ")
                    )
                }
            }
            PortName::Unix(_) | PortName::Tcp(_) => {
                "start the emulated board first, see hardware-notes/boards/README.md; it takes one visitor at a time".to_owned()
            }
        };
        Error::board(format!("cannot open {self}: {error}"), help)
    }
}

impl fmt::Display for PortName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PortName::Serial { path, baud } => write!(f, "{path} at {baud} baud"),
            PortName::Unix(path) => write!(f, "the socket {path}"),
            PortName::Tcp(at) => write!(f, "the socket {at}"),
        }
    }
}

/// An open port. A read waits for as long as was set, at first not at all.
pub struct Wire {
    from: mpsc::Receiver<io::Result<Vec<u8>>>,
    to: mpsc::Sender<Vec<u8>>,
    /// What came and was not read yet.
    kept: Vec<u8>,
    read: u64,
    wait: Duration,
}

impl Wire {
    fn new(from: Box<dyn Read + Send>, mut out: Box<dyn Write + Send>) -> Self {
        let (to, queue) = mpsc::channel::<Vec<u8>>();
        // Ends with the sender, or when the far end is gone, which the next write tells.
        std::thread::spawn(move || {
            for bytes in queue {
                let written = write_all(&mut out, &bytes);
                if written.and_then(|()| out.flush()).is_err() {
                    return;
                }
            }
        });
        let (put, bytes) = mpsc::sync_channel(1024);
        std::thread::spawn(move || pump(from, &put));
        Self {
            from: bytes,
            to,
            kept: Vec::new(),
            read: 0,
            wait: Duration::ZERO,
        }
    }

    /// Bytes that came so far.
    pub fn bytes_read(&self) -> u64 {
        self.read
    }

    /// How long reads wait for a byte from now on.
    pub fn set_wait(&mut self, wait: Duration) {
        self.wait = wait;
    }
}

/// Reads until the port is gone or nobody listens any more.
fn pump(mut from: Box<dyn Read + Send>, put: &mpsc::SyncSender<io::Result<Vec<u8>>>) {
    let mut bytes = [0; 4096];
    let mut idle = 0_u32;
    loop {
        let came = match from.read(&mut bytes) {
            Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(count) => Ok(bytes[..count].to_vec()),
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::TimedOut
                        | io::ErrorKind::WouldBlock
                        | io::ErrorKind::Interrupted
                ) =>
            {
                // An empty piece now and then tells whether anybody still listens.
                idle = idle.wrapping_add(1);
                if !idle.is_multiple_of(IDLE_READS) {
                    continue;
                }
                Ok(Vec::new())
            }
            Err(e) => Err(e),
        };
        let gone = came.is_err();
        if put.send(came).is_err() || gone {
            return;
        }
    }
}

/// A serial port that is full times out; that is no failure.
fn write_all(out: &mut Box<dyn Write + Send>, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match out.write(bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(count) => bytes = &bytes[count..],
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::TimedOut
                        | io::ErrorKind::WouldBlock
                        | io::ErrorKind::Interrupted
                ) => {}
            Err(e) => return Err(e),
        }
    }
    Ok(())
}

impl Read for Wire {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let end = Instant::now() + self.wait;
        while self.kept.is_empty() {
            let left = end.saturating_duration_since(Instant::now());
            let came = if left.is_zero() {
                match self.from.try_recv() {
                    Ok(came) => came,
                    Err(mpsc::TryRecvError::Empty) => return Err(io::ErrorKind::WouldBlock.into()),
                    Err(mpsc::TryRecvError::Disconnected) => {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
            } else {
                match self.from.recv_timeout(left) {
                    Ok(came) => came,
                    Err(mpsc::RecvTimeoutError::Timeout) => {
                        return Err(io::ErrorKind::WouldBlock.into());
                    }
                    Err(mpsc::RecvTimeoutError::Disconnected) => {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
            };
            self.kept = came?;
            self.read += self.kept.len() as u64;
        }
        let count = bytes.len().min(self.kept.len());
        for (slot, byte) in bytes.iter_mut().zip(self.kept.drain(..count)) {
            *slot = byte;
        }
        Ok(count)
    }
}

impl Write for Wire {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to
            .send(bytes.to_vec())
            .map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_told_apart_and_bad_ones_refused() {
        let serial = |path: &str, baud| PortName::Serial {
            path: path.into(),
            baud,
        };
        for (name, want) in [
            ("/dev/ttyUSB0", serial("/dev/ttyUSB0", BAUD)),
            ("/dev/ttyS1:115200", serial("/dev/ttyS1", 115_200)),
            ("COM3", serial("COM3", BAUD)),
            ("unix:/tmp/board", PortName::Unix("/tmp/board".into())),
            ("tcp:[::1]:4000", PortName::Tcp("[::1]:4000".into())),
        ] {
            assert_eq!(PortName::parse(name).expect(name), want);
        }
        for name in [
            "",
            "unix:",
            "tcp:",
            "tcp:4000",
            "tcp:host:x",
            "/dev/x:",
            "/dev/x:0",
            "/dev/x:fast",
        ] {
            let error = PortName::parse(name).expect_err(name).to_string();
            assert!(error.contains("--port"), "{name}: {error}");
        }
    }
}
