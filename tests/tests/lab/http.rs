//! A little HTTP over plain sockets: to speak to a browser's driver, and to misbehave.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// A proxy that only listens: whoever sends something outside through it is caught.
pub struct Proxy {
    port: u16,
    seen: Arc<Mutex<Vec<String>>>,
}

impl Proxy {
    /// Begins to listen.
    pub fn listen() -> Proxy {
        let proxy = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = proxy.local_addr().expect("it is bound").port();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let notes = Arc::clone(&seen);
        thread::spawn(move || {
            for stream in proxy.incoming().map_while(Result::ok) {
                let mut line = String::new();
                let _ = BufReader::new(stream).read_line(&mut line);
                notes.lock().expect("nobody panicked").push(line);
            }
        });
        Proxy { port, seen }
    }

    /// The browser's argument for it. Only the loopback goes without.
    pub fn argument(&self) -> String {
        format!("--proxy-server=127.0.0.1:{}", self.port)
    }

    /// Requests with this word in their first line.
    pub fn asked(&self, word: &str) -> Vec<String> {
        let seen = self.seen.lock().expect("nobody panicked");
        seen.iter().filter(|l| l.contains(word)).cloned().collect()
    }
}

/// Status and body of an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Status code; 0 where nothing came back.
    pub status: u16,
    /// The body.
    pub body: String,
}

/// Sends bytes as they are, and reads until the other side ends.
pub fn raw(port: u16, request: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("somebody listens");
    stream
        .set_read_timeout(Some(Duration::from_secs(120)))
        .expect("a timeout");
    // The other side may have refused before all was sent.
    let _ = stream.write_all(request);
    let _ = stream.shutdown(Shutdown::Write);
    ended(stream)
}

/// Reads an answer until the other side ends.
pub fn ended(mut stream: TcpStream) -> Answer {
    let mut all = Vec::new();
    let _ = stream.read_to_end(&mut all);
    split(&all)
}

fn split(all: &[u8]) -> Answer {
    let text = String::from_utf8_lossy(all);
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head
        .split(' ')
        .nth(1)
        .and_then(|s| s.parse().ok())
        .unwrap_or(0);
    Answer {
        status,
        body: body.to_owned(),
    }
}

/// A whole request with a JSON body.
pub fn request(method: &str, port: u16, path: &str, body: &str) -> Vec<u8> {
    format!(
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .into_bytes()
}

/// Sends one request to a server that may keep the connection, and reads its answer by the
/// length that it promises.
pub fn ask(method: &str, port: u16, path: &str, body: &str) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the driver listens");
    stream
        .set_read_timeout(Some(Duration::from_secs(120)))
        .expect("a timeout");
    stream
        .write_all(&request(method, port, path, body))
        .expect("the driver takes it");
    let mut all = Vec::new();
    let mut part = [0; 65536];
    loop {
        let read = stream.read(&mut part).expect("the driver answers");
        all.extend_from_slice(&part[..read]);
        let text = String::from_utf8_lossy(&all);
        let whole = text.split_once("\r\n\r\n").is_some_and(|(head, _)| {
            let start = head.len() + 4;
            let length = head
                .lines()
                .find_map(|l| {
                    l.to_ascii_lowercase()
                        .strip_prefix("content-length:")
                        .map(str::trim)
                        .map(str::to_owned)
                })
                .and_then(|l| l.parse::<usize>().ok());
            length.is_some_and(|length| all.len() >= start + length)
        });
        if whole || read == 0 {
            return split(&all);
        }
    }
}
