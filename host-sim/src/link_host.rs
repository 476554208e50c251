//! The host's or camera's side of the serial link, over anything that reads and writes bytes.
//!
//! Messages and frames are the core's own (feature `link`); what is here numbers them, reads
//! them out of a byte stream, and keeps the clock exchange. `controller-core/LINK.md` is the
//! reference of the wire.

use std::io::{self, Read, Write};

use controller_core::Config;
use controller_core::link::{
    ClockFilter, Exchange, FrameReader, FromBoard, ImageHead, LinkCounters, MAX_FRAME, MAX_ON_LINE,
    Received, SeenPlant, ToBoard, image, machine, seal,
};

use crate::over_link::Message;

/// Bytes of a machine description sent in one piece: a quarter of the board's least buffer.
const PIECE: usize = 128;

/// Most bytes of a machine description.
const MACHINE: usize = 16 * 1024;

/// A message from the board with its number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// The board's number of the frame.
    pub sequence: u16,
    /// The message.
    pub message: FromBoard,
}

/// One end of a link.
pub struct LinkHost<P> {
    port: P,
    sequence: u16,
    reader: Box<FrameReader<MAX_FRAME>>,
    clock: ClockFilter<64>,
    /// Bytes read and not yet looked at.
    pending: Vec<u8>,
}

fn too_long(what: &str) -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidInput,
        format!("{what} does not fit into one frame"),
    )
}

impl<P: Read + Write> LinkHost<P> {
    /// Starts on a port whose reads return after a while without bytes (a read timeout).
    pub fn new(port: P) -> Self {
        Self {
            port,
            sequence: 0,
            reader: Box::default(),
            clock: ClockFilter::new(),
            pending: Vec::new(),
        }
    }

    /// Gives the port back.
    pub fn into_port(self) -> P {
        self.port
    }

    /// What came so far, counted.
    pub fn counters(&self) -> &LinkCounters {
        self.reader.counters()
    }

    /// Sends a message; its number, by which the board answers.
    pub fn send(&mut self, message: &ToBoard<'_>) -> io::Result<u16> {
        let mut body = [0; MAX_FRAME];
        let body = message.write(&mut body);
        self.send_body(body.ok_or_else(|| too_long("the message"))?)
    }

    /// Sends an image with its plants, at most 64.
    pub fn send_image(&mut self, head: &ImageHead, plants: &[SeenPlant]) -> io::Result<u16> {
        let mut body = [0; MAX_FRAME];
        let body = image::write(head, plants, &mut body);
        self.send_body(body.ok_or_else(|| too_long("the image"))?)
    }

    /// Sends a message of either kind.
    pub fn send_any(&mut self, message: &Message) -> io::Result<u16> {
        match message {
            Message::Plain(message) => self.send(message),
            Message::Image(head, plants) => self.send_image(head, plants),
        }
    }

    /// Sends a machine description: begin, pieces, end. The board answers each.
    pub fn send_machine(&mut self, config: &Config<'_>) -> io::Result<Vec<u16>> {
        let mut bytes = vec![0; MACHINE];
        let bytes = machine::write(config, &mut bytes);
        let bytes = bytes.ok_or_else(|| too_long("the machine description"))?;
        let mut numbers = vec![self.send(&ToBoard::MachineBegin {
            length: u16::try_from(bytes.len()).map_err(io::Error::other)?,
            digest: machine::digest(bytes),
        })?];
        for (piece, offset) in bytes.chunks(PIECE).zip((0..).step_by(PIECE)) {
            numbers.push(self.send(&ToBoard::MachinePiece {
                offset,
                bytes: piece,
            })?);
        }
        numbers.push(self.send(&ToBoard::MachineEnd)?);
        Ok(numbers)
    }

    fn send_body(&mut self, body: &[u8]) -> io::Result<u16> {
        let number = self.sequence;
        let mut line = [0; MAX_ON_LINE];
        let frame = seal(number, body, &mut line).map_err(|_| too_long("the message"))?;
        self.port.write_all(frame)?;
        self.port.flush()?;
        self.sequence = number.wrapping_add(1);
        Ok(number)
    }

    /// The next message from the board; `None` when the port has nothing more for now.
    /// Damaged frames are counted and passed over.
    pub fn receive(&mut self) -> io::Result<Option<Heard>> {
        loop {
            let mut taken = 0;
            let mut found = None;
            for &byte in &self.pending {
                taken += 1;
                if let Received::Frame(frame) = self.reader.push(byte) {
                    found = Some((frame.sequence, FromBoard::read(frame.body)));
                    break;
                }
            }
            self.pending.drain(..taken);
            match found {
                Some((sequence, Ok(message))) => return Ok(Some(Heard { sequence, message })),
                Some((_, Err(_))) => {
                    self.reader.count_unreadable();
                    continue;
                }
                None => {}
            }
            let mut bytes = [0; 512];
            match self.port.read(&mut bytes) {
                Ok(0) => return Ok(None),
                Ok(count) => self.pending.extend_from_slice(&bytes[..count]),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e)
                    if matches!(
                        e.kind(),
                        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut
                    ) =>
                {
                    return Ok(None);
                }
                Err(e) => return Err(e),
            }
        }
    }

    /// Sends a ping by the caller's own clock, µs.
    pub fn ping(&mut self, now_us: u64) -> io::Result<u16> {
        self.send(&ToBoard::Ping { sent_us: now_us })
    }

    /// Takes a pong that came at `now_us` into the clock; false when its stamps can't be.
    pub fn take_pong(&mut self, now_us: u64, pong: &FromBoard) -> bool {
        let FromBoard::Pong {
            sent_us,
            received_us,
            replied_us,
        } = *pong
        else {
            return false;
        };
        self.clock.add(&Exchange {
            sent: sent_us,
            received: received_us,
            replied: replied_us,
            returned: now_us,
        })
    }

    /// An instant of the caller's clock in the board's, with the most that it can be off, both
    /// in µs. `None` before the first exchange.
    pub fn board_time(&self, own_us: u64) -> Option<(u64, u32)> {
        let estimate = self.clock.estimate()?;
        Some((estimate.to_board(own_us), estimate.error_us()))
    }
}
