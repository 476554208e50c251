//! Callers that the lab must turn away, and callers that it must not keep waiting.

use std::io::Write;
use std::net::TcpStream;
use std::thread;
use std::time::Duration;

use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde_json::json;

use crate::http::{Answer, ended, raw, request};
use crate::{here, served};

const DRIVE: &str = "{\"do\":\"drive\",\"values\":{}}";

fn compute(port: u16, body: &str) -> Answer {
    raw(port, &request("POST", port, "/compute", body))
}

#[track_caller]
fn works(port: u16) {
    let answer = compute(port, "{\"do\":\"table\"}");
    assert_eq!(answer.status, 200, "{}", answer.body);
}

#[test]
fn foreign_names_paths_and_kinds_are_refused() {
    let port = served();
    let ask = |head: &str, body: &str| {
        raw(
            port,
            format!("{}\r\n\r\n{body}", head.replace("PORT", &port.to_string())).as_bytes(),
        )
    };
    let page = ask("GET / HTTP/1.1\r\nHost: localhost:PORT", "");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("<title>"), "the page is there");
    let head = ask("HEAD / HTTP/1.1\r\nHost: localhost:PORT", "");
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    let json = "Content-Type: application/json";
    for (head, wanted, word) in [
        ("GET / HTTP/1.1\r\nHost: example.org".to_owned(), 403, "127.0.0.1"),
        ("GET / HTTP/1.1\r\nHost: example.org:PORT".into(), 403, "127.0.0.1"),
        (format!("POST /compute HTTP/1.1\r\nHost: localhost:PORT\r\nOrigin: http://example.org\r\n{json}\r\nContent-Length: 2"), 403, "elsewhere"),
        ("GET /secret HTTP/1.1\r\nHost: localhost:PORT".into(), 404, "only"),
        ("GET /../../etc/passwd HTTP/1.1\r\nHost: localhost:PORT".into(), 404, "only"),
        ("DELETE / HTTP/1.1\r\nHost: localhost:PORT".into(), 405, "method"),
        ("POST /compute HTTP/1.1\r\nHost: localhost:PORT\r\nContent-Type: text/plain\r\nContent-Length: 2".into(), 415, "json"),
        (format!("POST /compute HTTP/1.1\r\nHost: localhost:PORT\r\n{json}"), 411, "Content-Length"),
        (format!("POST /compute HTTP/1.1\r\nHost: localhost:PORT\r\n{json}\r\nContent-Length: 99999999999"), 413, "MiB"),
        (format!("GET / HTTP/1.1\r\nHost: localhost:PORT\r\nX: {}", "a".repeat(20_000)), 431, "16 KiB"),
    ] {
        let answer = ask(&head, "{}");
        assert_eq!(answer.status, wanted, "{}", answer.body);
        assert!(answer.body.contains(word), "{}", answer.body);
    }
    works(port);
}

#[test]
fn wrong_requests_are_told_what_is_wrong() {
    let port = served();
    for (body, word) in [
        ("", "this is no request"),
        ("{\"do\":\"drive\",\n\"values\":{", "request:2:"),
        ("{\"do\":\"fly\"}", "unknown variant"),
        (
            "{\"do\":\"drive\",\"values\":{\"speed_m_s\":99}}",
            "from 1 to 8 m/s",
        ),
        (
            "{\"do\":\"drive\",\"values\":{\"colour\":1}}",
            "there is no value `colour`",
        ),
        (
            "{\"do\":\"recording\",\"machine\":{\"name\":\"m.toml\",\"text\":\"machine_format = 1\\nname = 5\\n\"},\"recording\":{\"name\":\"r.jsonl\",\"text\":\"\"}}",
            "m.toml:2:8",
        ),
    ] {
        let answer = compute(port, body);
        assert_eq!(answer.status, 422, "{body}: {}", answer.body);
        assert!(answer.body.contains(word), "{body}: {}", answer.body);
    }
}

/// One that sends nothing, and one that sends a byte now and then, are let go; nobody else waits.
#[test]
fn slow_senders_are_let_go() {
    let port = served();
    let mut slow = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    let silent = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    slow.write_all(b"POST /compute HTTP/1.1\r\nHost: localhost:")
        .expect("sent");
    works(port);
    let mut drip = slow.try_clone().expect("a second handle");
    let dripping = thread::spawn(move || {
        // Each byte comes in time; all of them don't.
        for _ in 0..60 {
            if drip.write_all(b"1").is_err() {
                break;
            }
            thread::sleep(Duration::from_millis(200));
        }
    });
    assert_eq!(ended(silent).status, 408);
    assert_eq!(ended(slow).status, 408);
    dripping.join().expect("it ends");
    works(port);
}

#[test]
fn two_users_get_their_own_answers_at_once() {
    let port = served();
    let user = |speed: f64| {
        move || {
            let ask = json!({"do": "drive", "values": {"speed_m_s": speed}});
            for _ in 0..5 {
                let answer = compute(port, &ask.to_string());
                assert_eq!(answer.status, 200);
                let told: serde_json::Value = serde_json::from_str(&answer.body).expect("JSON");
                assert_eq!(told, here(&ask));
            }
        }
    };
    let users = [thread::spawn(user(3.0)), thread::spawn(user(6.0))];
    for user in users {
        user.join().expect("both are served");
    }
}

/// A thousand requests that are broken in some way: each is refused with a 4xx or dropped, and the
/// lab goes on.
#[test]
fn a_thousand_bad_requests() {
    let port = served();
    let mut rng = Pcg64Mcg::seed_from_u64(8017);
    let good = request("POST", port, "/compute", DRIVE);
    let mut refused = 0;
    for i in 0..1000 {
        let bytes = broken(&mut rng, &good, i % 5);
        let answer = raw(port, &bytes);
        let shown = String::from_utf8_lossy(&bytes);
        match answer.status {
            // Cut off: nobody is left to answer.
            0 => {}
            400..=499 | 505 => {
                refused += 1;
                assert!(!answer.body.is_empty(), "a refusal says why: {shown}");
            }
            // What was changed may not matter, such as a letter of the agent's name.
            200 => assert!(i % 5 == 1, "{shown}"),
            other => panic!("{other}: {shown}"),
        }
    }
    assert!(refused > 500, "only {refused} were refused in words");
    works(port);
}

/// Noise, a changed byte, a cut, a request for nothing, a value out of range.
fn broken(rng: &mut Pcg64Mcg, good: &[u8], kind: usize) -> Vec<u8> {
    let mut bytes = good.to_vec();
    match kind {
        0 => {
            let length = rng.random_range(1..400);
            bytes = (0..length).map(|_| (rng.next_u32() & 255) as u8).collect();
            bytes.extend_from_slice(b"\r\n\r\n");
        }
        1 => {
            let at = rng.random_range(0..bytes.len());
            bytes[at] = rng.random_range(33..127);
        }
        2 => bytes.truncate(rng.random_range(1..good.len())),
        3 => {
            let text =
                String::from_utf8_lossy(good).replace("/compute", &format!("/{}", rng.next_u32()));
            bytes = text.into_bytes();
        }
        _ => {
            let key = host_sim::lab::values::TABLE
                [rng.random_range(0..host_sim::lab::values::TABLE.len())]
            .key;
            let value = [-1e9, 1e9, 1e300][rng.random_range(0..3)];
            let text = String::from_utf8_lossy(good);
            let (head, _) = text.split_once("Content-Length").expect("it has one");
            let body = json!({"do": "drive", "values": {key: value}}).to_string();
            bytes = format!("{head}Content-Length: {}\r\n\r\n{body}", body.len()).into_bytes();
        }
    }
    bytes
}
