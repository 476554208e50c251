//! The lab's local server: one page and one way to compute, for browsers on this computer alone.
//!
//! Plain HTTP/1.1 on the standard library, one request a connection and a thread each: what is
//! computed keeps a core busy anyway, and a web framework would bring some forty crates for two
//! paths. It listens on the loopback address only, and answers only to a loopback name, lest a
//! page from elsewhere reach it by a name of its own.

mod request;

use std::io::{ErrorKind, Read, Write};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use self::request::{Clock, Refusal, Request};
use super::{answer, is_error, page};
use crate::error::{Error, Result};

/// Requests that are worked on at once; more are told to come back.
const MOST_AT_ONCE: usize = 24;
/// Stack of a thread that computes, bytes: as large as a main thread's.
const STACK: usize = 8 << 20;
/// For how long a finished connection is listened to, so that a sender who is not done yet still
/// reads its answer.
const LINGER: Duration = Duration::from_millis(300);
/// How much of it is thrown away, bytes.
const LINGER_BYTES: u64 = 4 << 20;

/// A server that is bound to its port.
pub struct Server {
    listener: TcpListener,
    port: u16,
}

impl Server {
    /// Binds to a port of the loopback address; 0 takes a free one.
    pub fn bind(port: u16) -> Result<Server> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(|e| {
            Error::Usage(format!(
                "port {port} of 127.0.0.1 cannot be used: {e}\n  help: give another --port; 0 takes a free one"
            ))
        })?;
        let port = listener
            .local_addr()
            .map_err(|e| Error::Internal(format!("the port is not known: {e}")))?
            .port();
        Ok(Server { listener, port })
    }

    /// Where the page is.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/", self.port)
    }

    /// Answers until the program ends.
    pub fn run(self) -> Result<()> {
        let busy = Arc::new(AtomicUsize::new(0));
        let page: Arc<str> = page::served().into();
        loop {
            // Somebody who hung up, or too many open files: the next may do better.
            let Ok((stream, from)) = self.listener.accept() else {
                thread::sleep(Duration::from_millis(10));
                continue;
            };
            let place = Place::taken(&busy);
            let (page, port) = (Arc::clone(&page), self.port);
            let work = move || {
                let free = place.0 < MOST_AT_ONCE;
                serve(stream, from, &page, port, free);
                drop(place);
            };
            // Without a thread the connection is dropped, and the browser asks again.
            drop(thread::Builder::new().stack_size(STACK).spawn(work));
        }
    }
}

/// One of the requests that are worked on; counts itself in and out.
struct Place(usize, Arc<AtomicUsize>);

impl Place {
    fn taken(busy: &Arc<AtomicUsize>) -> Place {
        Place(busy.fetch_add(1, Ordering::SeqCst), Arc::clone(busy))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.1.fetch_sub(1, Ordering::SeqCst);
    }
}

/// What is sent back.
struct Reply {
    status: &'static str,
    kind: &'static str,
    extra: &'static str,
    body: Vec<u8>,
}

const HTML: &str = "text/html; charset=utf-8";
const JSON: &str = "application/json";
const TEXT: &str = "text/plain; charset=utf-8";

impl From<Refusal> for Reply {
    fn from(refusal: Refusal) -> Reply {
        Reply {
            status: refusal.status,
            kind: TEXT,
            extra: refusal.extra,
            body: format!("{}\n", refusal.why).into_bytes(),
        }
    }
}

fn serve(mut stream: TcpStream, from: SocketAddr, page: &str, port: u16, free: bool) {
    let mut bodyless = false;
    let reply = if !from.ip().is_loopback() {
        // Can't happen on a loopback socket.
        return;
    } else if free {
        let mut clock = Clock::start();
        match Request::read(&mut stream, &mut clock, port) {
            Ok(request) => {
                bodyless = request.head_only;
                handle(&request, page)
            }
            Err(Some(refusal)) => refusal.into(),
            // Hung up: nobody is left to answer.
            Err(None) => return,
        }
    } else {
        let why = "the lab is busy: try again in a moment";
        Refusal {
            status: "503 Service Unavailable",
            extra: "Retry-After: 1\r\n",
            why: why.into(),
        }
        .into()
    };
    // A browser that went away is no fault.
    drop(send(&mut stream, &reply, bodyless));
}

fn handle(request: &Request, page: &str) -> Reply {
    let Some(body) = &request.body else {
        return Reply {
            status: "200 OK",
            kind: HTML,
            extra: "",
            body: page.as_bytes().to_vec(),
        };
    };
    let computed = catch_unwind(AssertUnwindSafe(|| answer(body)));
    let Ok(text) = computed else {
        return Refusal {
            status: "500 Internal Server Error",
            extra: "",
            why: "the lab broke down over this request: please report it with its values".into(),
        }
        .into();
    };
    let status = if is_error(&text) {
        "422 Unprocessable Content"
    } else {
        "200 OK"
    };
    Reply {
        status,
        kind: JSON,
        extra: "",
        body: text.into_bytes(),
    }
}

fn send(stream: &mut TcpStream, reply: &Reply, bodyless: bool) -> std::io::Result<()> {
    let head = format!(
        "HTTP/1.1 {}\r\nContent-Type: {}\r\nContent-Length: {}\r\nConnection: close\r\n{}\
         Cache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\n\
         Referrer-Policy: no-referrer\r\nX-Frame-Options: DENY\r\n\r\n",
        reply.status,
        reply.kind,
        reply.body.len(),
        reply.extra,
    );
    stream.set_write_timeout(Some(request::LONGEST))?;
    stream.write_all(head.as_bytes())?;
    if !bodyless {
        stream.write_all(&reply.body)?;
    }
    stream.flush()?;
    stream.shutdown(Shutdown::Write)?;
    // What is still on its way is read, or the system would tear down the answer with it.
    stream.set_read_timeout(Some(LINGER))?;
    let mut rest = Read::take(&mut *stream, LINGER_BYTES);
    match std::io::copy(&mut rest, &mut std::io::sink()) {
        Err(e) if e.kind() != ErrorKind::WouldBlock => Err(e),
        _ => Ok(()),
    }
}
