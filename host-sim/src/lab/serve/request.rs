//! Reading one request, and refusing all that the lab has no use for.

use std::io::{ErrorKind, Read};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Longest head, bytes.
const LONGEST_HEAD: usize = 16 * 1024;
/// Largest body, bytes: a recording of some hours.
const LARGEST_BODY: usize = 32 << 20;
/// How long a request may take to come in.
pub const LONGEST: Duration = Duration::from_secs(10);
/// How long its head may.
const LONGEST_FOR_HEAD: Duration = Duration::from_secs(5);

/// Why a request is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Status code and phrase.
    pub status: &'static str,
    /// More header lines.
    pub extra: &'static str,
    /// What is wrong, for a person.
    pub why: String,
}

fn refuse(status: &'static str, why: impl Into<String>) -> Refusal {
    Refusal {
        status,
        extra: "",
        why: why.into(),
    }
}

/// A request that the lab answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Only the head of the answer is wanted.
    pub head_only: bool,
    /// What is to be computed; none: the page is asked for.
    pub body: Option<String>,
}

/// What the head promises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Head {
    head_only: bool,
    /// Length of the body of what is to be computed.
    body: Option<usize>,
}

/// How long a request has taken so far.
pub struct Clock(Instant);

impl Clock {
    /// Starts with the connection.
    #[expect(
        clippy::disallowed_methods,
        reason = "a slow sender is slow by the clock on the wall"
    )]
    pub fn start() -> Clock {
        Clock(Instant::now())
    }

    /// What is left of `whole`; none when it is over.
    fn left(&self, whole: Duration) -> Option<Duration> {
        whole.checked_sub(self.0.elapsed()).filter(|d| !d.is_zero())
    }
}

impl Request {
    /// Reads a request; `Err(None)` where the sender hung up.
    pub fn read(
        stream: &mut TcpStream,
        clock: &mut Clock,
        port: u16,
    ) -> Result<Request, Option<Refusal>> {
        let mut bytes = Vec::new();
        let end = loop {
            let end = bytes.windows(4).position(|w| w == b"\r\n\r\n");
            if end.unwrap_or(bytes.len()) > LONGEST_HEAD {
                return Err(Some(refuse(
                    "431 Request Header Fields Too Large",
                    "the head is larger than 16 KiB",
                )));
            }
            if let Some(end) = end {
                break end;
            }
            more(stream, clock, LONGEST_FOR_HEAD, &mut bytes)?;
        };
        let head = bytes.get(..end).unwrap_or_default();
        let head = std::str::from_utf8(head)
            .map_err(|_| refuse("400 Bad Request", "the head is no text"))
            .and_then(|text| parse(text, port))?;
        let Some(length) = head.body else {
            return Ok(Request {
                head_only: head.head_only,
                body: None,
            });
        };
        bytes.drain(..end + 4);
        while bytes.len() < length {
            more(stream, clock, LONGEST, &mut bytes)?;
        }
        bytes.truncate(length);
        let body = String::from_utf8(bytes)
            .map_err(|_| refuse("400 Bad Request", "the body is not UTF-8 text"))?;
        Ok(Request {
            head_only: false,
            body: Some(body),
        })
    }
}

/// Reads what has come, waiting for some of it.
fn more(
    stream: &mut TcpStream,
    clock: &Clock,
    whole: Duration,
    to: &mut Vec<u8>,
) -> Result<(), Option<Refusal>> {
    let slow = || refuse("408 Request Timeout", "the request came too slowly");
    let left = clock.left(whole).ok_or_else(slow)?;
    let mut part = [0; 64 * 1024];
    let read = stream
        .set_read_timeout(Some(left))
        .and_then(|()| stream.read(&mut part));
    match read {
        Ok(0) => Err(None),
        Ok(count) => {
            to.extend_from_slice(part.get(..count).unwrap_or_default());
            Ok(())
        }
        Err(e) if e.kind() == ErrorKind::Interrupted => Ok(()),
        Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
            Err(Some(slow()))
        }
        Err(_) => Err(None),
    }
}

/// Reads the head without its last line end.
fn parse(head: &str, port: u16) -> Result<Head, Refusal> {
    let bad = |why: &str| refuse("400 Bad Request", why);
    let mut lines = head.split("\r\n");
    let mut words = lines.next().unwrap_or_default().split(' ');
    let (Some(method), Some(target), Some(version), None) =
        (words.next(), words.next(), words.next(), words.next())
    else {
        return Err(bad("the first line must be like: GET / HTTP/1.1"));
    };
    if !matches!(version, "HTTP/1.1" | "HTTP/1.0") {
        return Err(refuse(
            "505 HTTP Version Not Supported",
            "HTTP/1.1 is spoken here",
        ));
    }
    let mut fields: [(&str, Option<&str>); 5] = [
        ("host", None),
        ("origin", None),
        ("content-length", None),
        ("content-type", None),
        ("transfer-encoding", None),
    ];
    for line in lines {
        let Some((name, value)) = line.split_once(':') else {
            return Err(bad("a header line has no colon"));
        };
        if name.is_empty() || name.contains([' ', '\t']) {
            return Err(bad("a header line has no name"));
        }
        let name = name.to_ascii_lowercase();
        if let Some(field) = fields.iter_mut().find(|f| f.0 == name)
            && field.1.replace(value.trim()).is_some()
        {
            return Err(bad("a header is given twice"));
        }
    }
    let [host, origin, length, kind, coding] = fields.map(|f| f.1);
    let Some(host) = host else {
        return Err(bad("the request names no host"));
    };
    if !own(host, port) {
        return Err(refuse(
            "403 Forbidden",
            format!("this lab answers to 127.0.0.1:{port} and localhost:{port} only"),
        ));
    }
    if origin.is_some_and(|o| !o.strip_prefix("http://").is_some_and(|h| own(h, port))) {
        return Err(refuse(
            "403 Forbidden",
            "a page from elsewhere may not use this lab",
        ));
    }
    let path = target.split('?').next().unwrap_or_default();
    let allowed = match path {
        "/" => ["GET", "HEAD"].as_slice(),
        "/compute" => &["POST"],
        _ => return Err(refuse("404 Not Found", "there is only / and /compute")),
    };
    if !allowed.contains(&method) {
        return Err(Refusal {
            extra: if path == "/" {
                "Allow: GET, HEAD\r\n"
            } else {
                "Allow: POST\r\n"
            },
            ..refuse("405 Method Not Allowed", "not by this method")
        });
    }
    if path == "/" {
        return Ok(Head {
            head_only: method == "HEAD",
            body: None,
        });
    }
    if kind.is_none_or(|k| k.split(';').next().map(str::trim) != Some("application/json")) {
        return Err(refuse(
            "415 Unsupported Media Type",
            "send application/json",
        ));
    }
    if coding.is_some() {
        return Err(refuse(
            "411 Length Required",
            "send the body in one piece, with its Content-Length",
        ));
    }
    let Some(length) = length else {
        return Err(refuse("411 Length Required", "Content-Length is missing"));
    };
    if length.is_empty() || !length.bytes().all(|b| b.is_ascii_digit()) {
        return Err(bad("Content-Length is no number"));
    }
    match length.parse::<usize>() {
        Ok(length) if length <= LARGEST_BODY => Ok(Head {
            head_only: false,
            body: Some(length),
        }),
        _ => Err(refuse("413 Content Too Large", "a request may hold 32 MiB")),
    }
}

/// Whether `host` is a name of the loopback address with this port.
fn own(host: &str, port: u16) -> bool {
    let Some((name, told)) = host.rsplit_once(':') else {
        return port == 80 && matches!(host, "127.0.0.1" | "localhost");
    };
    (name == "127.0.0.1" || name.eq_ignore_ascii_case("localhost")) && told == port.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(head: &str) -> &'static str {
        match parse(&head.replace('\n', "\r\n"), 8017) {
            Ok(_) => "200",
            Err(r) => r.status,
        }
    }

    #[test]
    fn page_and_computing_are_let_in() {
        let head = |text: &str| parse(&text.replace('\n', "\r\n"), 8017);
        let page = Head {
            head_only: false,
            body: None,
        };
        assert_eq!(head("GET / HTTP/1.1\nHost: 127.0.0.1:8017"), Ok(page));
        assert_eq!(head("GET /?a=1 HTTP/1.1\nHost: LOCALHOST:8017"), Ok(page));
        assert_eq!(
            head("HEAD / HTTP/1.0\nhost:localhost:8017").map(|h| h.head_only),
            Ok(true)
        );
        let compute = "POST /compute HTTP/1.1\nHost: localhost:8017\nOrigin: http://localhost:8017\n\
                       Content-Type: application/json; charset=utf-8\nContent-Length: 12";
        assert_eq!(head(compute).map(|h| h.body), Ok(Some(12)));
    }

    #[test]
    fn all_else_is_refused_with_its_status() {
        let compute =
            "POST /compute HTTP/1.1\nHost: localhost:8017\nContent-Type: application/json";
        for (head, wanted) in [
            ("", "400"),
            ("GET /", "400"),
            ("GET / HTTP/1.1", "400"),
            ("GET / HTTP/2", "505"),
            ("GET / HTTP/1.1\nHost 1", "400"),
            (
                "GET / HTTP/1.1\nHost: localhost:8017\nHost: localhost:8017",
                "400",
            ),
            ("GET / HTTP/1.1\nHost: example.org", "403"),
            ("GET / HTTP/1.1\nHost: example.org:8017", "403"),
            ("GET / HTTP/1.1\nHost: localhost:8018", "403"),
            (
                "GET / HTTP/1.1\nHost: localhost:8017\nOrigin: http://example.org",
                "403",
            ),
            ("GET / HTTP/1.1\nHost: localhost:8017\nOrigin: null", "403"),
            ("GET /a HTTP/1.1\nHost: localhost:8017", "404"),
            ("GET /../etc HTTP/1.1\nHost: localhost:8017", "404"),
            ("POST / HTTP/1.1\nHost: localhost:8017", "405"),
            ("GET /compute HTTP/1.1\nHost: localhost:8017", "405"),
            (
                "POST /compute HTTP/1.1\nHost: localhost:8017\nContent-Length: 2",
                "415",
            ),
            (compute, "411"),
            (&format!("{compute}\nTransfer-Encoding: chunked"), "411"),
            (&format!("{compute}\nContent-Length: -1"), "400"),
            (&format!("{compute}\nContent-Length: 33554433"), "413"),
            (
                &format!("{compute}\nContent-Length: 99999999999999999999999"),
                "413",
            ),
        ] {
            assert!(status(head).starts_with(wanted), "{head}: {}", status(head));
        }
    }
}
