//! The verb `lab` as a program: it says where it is, answers there, and refuses what it can't do.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Output, Stdio};

fn lab(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_host-sim"));
    command.arg("lab").args(args);
    command
}

fn ended(args: &[&str]) -> Output {
    lab(args).output().expect("it runs")
}

/// Ends the program when the test ends.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn it_says_where_it_is_and_answers_there() {
    let child = lab(&["--port", "0"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("it runs");
    let mut running = Running(child);
    let mut line = String::new();
    let out = running.0.stdout.take().expect("it is piped");
    BufReader::new(out)
        .read_line(&mut line)
        .expect("it says something");
    let address = line.split_whitespace().nth(1).expect("an address");
    let host = address.trim_start_matches("http://").trim_end_matches('/');
    assert!(
        host.starts_with("127.0.0.1:") && !host.ends_with(":0"),
        "{line}"
    );
    let mut stream = TcpStream::connect(host).expect("it listens");
    write!(stream, "GET / HTTP/1.1\r\nHost: {host}\r\n\r\n").expect("sent");
    let mut page = String::new();
    stream.read_to_string(&mut page).expect("text");
    assert!(
        page.starts_with("HTTP/1.1 200") && page.contains("One plant's way"),
        "{page:.200}"
    );
}

#[test]
fn what_can_not_be_done_is_told_with_a_remedy() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = taken.local_addr().expect("it is bound").port().to_string();
    let folder = std::env::temp_dir().join(format!("lab-command-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let path = |name: &str| folder.join(name).display().to_string();
    std::fs::write(path("no.wasm"), "text").expect("written");
    for (args, word) in [
        (vec!["--port", port.as_str()], "0 takes a free one"),
        (vec!["--module", "a.wasm"], "--write"),
        (
            vec!["--write", &path("a.html"), "--module", &path("none.wasm")],
            "none.wasm",
        ),
        (
            vec!["--write", &path("a.html"), "--module", &path("no.wasm")],
            "no WebAssembly module",
        ),
        (vec!["--port", "70000"], "70000"),
    ] {
        let output = ended(&args);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains(word), "{args:?}: {said}");
    }
    assert!(!folder.join("a.html").exists(), "nothing is written half");
    std::fs::remove_dir_all(&folder).expect("removed");
}
