//! Frames on a serial line: stuffed, checked, numbered, versioned.
//!
//! ```text
//! 0x00 | COBS( version u8 | sequence u16 LE | body | CRC-32 u32 LE ) | 0x00
//! ```
//!
//! The zero in front costs a byte and buys this: whatever was damaged before, even a
//! delimiter, the next good frame is read. CRC-32 is the catalogue's ISO-HDLC. A
//! damaged frame passes it with probability 2⁻³²; one burst of up to 32 bits within the
//! unstuffed bytes never does.
//!
//! **Bound:** a frame longer than the reader's `N` is dropped as a whole, up to the next
//! zero, and counted; nothing of it is acted on.

use super::cobs::{Decoder, Encoder};
use crate::counters::bump;
use crate::crc32::Crc32;

/// Version of the frame and of all messages in it.
pub const VERSION: u8 = 4;
/// Version and sequence before the body, CRC behind it.
pub const AROUND_BODY: usize = 7;
/// Most bytes from version to CRC: an image with 64 full plants and some room.
pub const MAX_FRAME: usize = 1280;
/// Most bytes of a sealed frame on the line: stuffing adds one in 254.
pub const MAX_ON_LINE: usize = MAX_FRAME + MAX_FRAME.div_ceil(254) + 2;

/// What a digest over a message and its own CRC comes to: the catalogue's residue, inverted.
const RESIDUE: u32 = !0xDEBB_20E3;

/// CRC-32 of some bytes; also the digest of a machine description.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = Crc32::new();
    crc.update(bytes);
    crc.finalize()
}

/// The frame did not fit into the buffer it was to be sealed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NoRoom;

/// Seals `body` into a frame, delimiters and all. Work goes with its length.
///
/// # Errors
/// [`NoRoom`] when `out` is too short; [`MAX_ON_LINE`] always suffices.
pub fn seal<'o>(sequence: u16, body: &[u8], out: &'o mut [u8]) -> Result<&'o [u8], NoRoom> {
    let len = {
        let (first, rest) = out.split_first_mut().ok_or(NoRoom)?;
        *first = 0;
        let mut cobs = Encoder::new(rest);
        let mut crc = Crc32::new();
        let [low, high] = sequence.to_le_bytes();
        for part in [&[VERSION, low, high][..], body] {
            for &byte in part {
                crc.byte(byte);
                cobs.push(byte);
            }
        }
        let trailer = crc.finalize().to_le_bytes();
        trailer.iter().for_each(|&byte| cobs.push(byte));
        cobs.finish().ok_or(NoRoom)?.len().saturating_add(1)
    };
    *out.get_mut(len).ok_or(NoRoom)? = 0;
    out.get(..len.saturating_add(1)).ok_or(NoRoom)
}

/// Why bytes between two zeros were no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum FrameFault {
    /// Stuffing that ends inside a block.
    Cobs,
    /// Shorter than the least frame, or longer than the reader holds.
    Length,
    /// The checksum does not fit.
    Crc,
    /// Of a version that is not known here.
    Version(u8),
}

/// Where a frame stands in the sender's numbering.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Order {
    /// The first of all, or the one after the last.
    Next,
    /// The same number again: answer it again, but don't act on it again.
    Repeat,
    /// So many were lost in between.
    Gap(u16),
    /// Out of order, or a sender that started anew.
    Back,
}

/// A good frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// The sender's number of it.
    pub sequence: u16,
    /// How that follows on the last.
    pub order: Order,
    /// The message.
    pub body: &'a [u8],
}

/// What a byte brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[must_use]
pub enum Received<'a> {
    /// More to come.
    Nothing,
    /// A good frame.
    Frame(Frame<'a>),
    /// Something that was none; counted.
    Refused(FrameFault),
}

/// What came over a link, counted. All saturate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LinkCounters {
    /// Good frames, repeats included.
    pub frames: u32,
    /// Refused: the checksum does not fit.
    pub bad_crc: u32,
    /// Refused: too short, or longer than the buffer.
    pub bad_length: u32,
    /// Refused: broken stuffing.
    pub bad_cobs: u32,
    /// Refused: another version.
    pub unknown_version: u32,
    /// Good frames that carried no known message.
    pub unreadable: u32,
    /// Frames with the number of the one before.
    pub repeats: u32,
    /// Frames that the numbering says are missing.
    pub lost: u32,
    /// Frames out of order, or starts of a sender.
    pub backwards: u32,
}

/// Reads frames of at most `N` bytes (version to CRC) from single bytes. Constant work
/// a byte: the checksum is carried along.
pub struct FrameReader<const N: usize> {
    bytes: [u8; N],
    len: usize,
    /// Bytes from the line since the last zero, held at its end.
    taken: usize,
    cobs: Decoder,
    crc: Crc32,
    last: Option<u16>,
    counters: LinkCounters,
}

impl<const N: usize> Default for FrameReader<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> core::fmt::Debug for FrameReader<N> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("FrameReader")
            .field("len", &self.len)
            .field("counters", &self.counters)
            .finish_non_exhaustive()
    }
}

impl<const N: usize> FrameReader<N> {
    /// A reader between two frames.
    #[must_use]
    pub fn new() -> Self {
        const { assert!(N > AROUND_BODY, "no body fits") };
        Self {
            bytes: [0; N],
            len: 0,
            taken: 0,
            cobs: Decoder::default(),
            crc: Crc32::new(),
            last: None,
            counters: LinkCounters::default(),
        }
    }

    /// What came so far, counted.
    #[must_use]
    pub const fn counters(&self) -> &LinkCounters {
        &self.counters
    }

    /// To be told that a good frame's body was no known message.
    pub fn count_unreadable(&mut self) {
        bump(&mut self.counters.unreadable);
    }

    /// One byte from the line.
    pub fn push(&mut self, byte: u8) -> Received<'_> {
        if byte != 0 {
            self.taken = self.taken.saturating_add(1);
            if let Some(plain) = self.cobs.push(byte) {
                if let Some(slot) = self.bytes.get_mut(self.len) {
                    *slot = plain;
                    self.crc.byte(plain);
                }
                // Held one past the end, which tells "too long".
                self.len = self.len.saturating_add(1).min(N.saturating_add(1));
            }
            return Received::Nothing;
        }
        let (len, taken, complete) = (self.len, self.taken, self.cobs.complete());
        (self.len, self.taken, self.cobs) = (0, 0, Decoder::default());
        let crc = core::mem::replace(&mut self.crc, Crc32::new()).finalize();
        if taken == 0 {
            return Received::Nothing;
        }
        let fault = if len > N || (complete && len < AROUND_BODY) {
            FrameFault::Length
        } else if !complete {
            FrameFault::Cobs
        } else if crc != RESIDUE {
            FrameFault::Crc
        } else {
            return self.take(len);
        };
        self.refuse(fault)
    }

    fn refuse(&mut self, fault: FrameFault) -> Received<'_> {
        bump(match fault {
            FrameFault::Cobs => &mut self.counters.bad_cobs,
            FrameFault::Length => &mut self.counters.bad_length,
            FrameFault::Crc => &mut self.counters.bad_crc,
            FrameFault::Version(_) => &mut self.counters.unknown_version,
        });
        Received::Refused(fault)
    }

    /// `len` bytes whose checksum fits.
    fn take(&mut self, len: usize) -> Received<'_> {
        let Some(&[version, low, high]) = self.bytes.first_chunk() else {
            return self.refuse(FrameFault::Length);
        };
        if version != VERSION {
            return self.refuse(FrameFault::Version(version));
        }
        let sequence = u16::from_le_bytes([low, high]);
        let order = self.order(sequence);
        let Some(body) = self.bytes.get(3..len.saturating_sub(4)) else {
            return Received::Refused(FrameFault::Length);
        };
        Received::Frame(Frame {
            sequence,
            order,
            body,
        })
    }

    fn order(&mut self, sequence: u16) -> Order {
        let counters = &mut self.counters;
        bump(&mut counters.frames);
        let Some(last) = self.last.replace(sequence) else {
            return Order::Next;
        };
        match sequence.wrapping_sub(last) {
            1 => Order::Next,
            0 => {
                bump(&mut counters.repeats);
                Order::Repeat
            }
            step if step < 1 << 15 => {
                let lost = step.saturating_sub(1);
                counters.lost = counters.lost.saturating_add(u32::from(lost));
                Order::Gap(lost)
            }
            _ => {
                bump(&mut counters.backwards);
                Order::Back
            }
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    fn sealed(sequence: u16, body: &[u8]) -> Vec<u8> {
        let mut out = [0; 256];
        seal(sequence, body, &mut out).expect("fits").to_vec()
    }

    /// Feeds bytes; the good bodies and the faults, in order.
    fn feed<const N: usize>(
        reader: &mut FrameReader<N>,
        bytes: &[u8],
    ) -> Vec<Result<(Vec<u8>, Order), FrameFault>> {
        let mut out = Vec::new();
        for &byte in bytes {
            match reader.push(byte) {
                Received::Nothing => {}
                Received::Frame(frame) => out.push(Ok((frame.body.to_vec(), frame.order))),
                Received::Refused(fault) => out.push(Err(fault)),
            }
        }
        out
    }

    #[test]
    fn the_catalogue_value_holds() {
        // "Catalogue of parametrised CRC algorithms", CRC-32/ISO-HDLC: check 0xCBF43926.
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
        // Its residue, found from the other side: any message and its own CRC.
        let mut whole = b"any message".to_vec();
        whole.extend(crc32(b"any message").to_le_bytes());
        assert_eq!(crc32(&whole), RESIDUE);
    }

    #[test]
    fn every_flip_of_a_bit_is_refused_and_the_next_frame_read() {
        let (one, two) = (sealed(1, b"\x00first\x00"), sealed(2, b"second"));
        for bit in 0..one.len() * 8 {
            let mut bytes = one.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            bytes.extend(&two);
            let mut reader: FrameReader<64> = FrameReader::new();
            let got = feed(&mut reader, &bytes);
            let good: Vec<_> = got
                .iter()
                .flatten()
                .map(|(body, _)| body.as_slice())
                .collect();
            // A flip in the leading zero does not touch the frame's meaning only if it
            // becomes part of it, so the frame is lost; a flip in the closing zero too,
            // but for the zero in front of the next.
            assert_eq!(good, [b"second"], "bit {bit}: {got:?}");
        }
    }

    #[test]
    fn faults_are_told_apart_and_counted() {
        let mut reader: FrameReader<16> = FrameReader::new();
        let mut wrong = sealed(0, b"abc");
        wrong[5] ^= 0x10;
        assert_eq!(feed(&mut reader, &wrong), [Err(FrameFault::Crc)]);
        assert_eq!(feed(&mut reader, &[0, 3, 1, 0]), [Err(FrameFault::Cobs)]);
        assert_eq!(
            feed(&mut reader, &[0, 3, 1, 1, 0]),
            [Err(FrameFault::Length)]
        );
        assert_eq!(
            feed(&mut reader, &sealed(0, b"ten bytes!")),
            [Err(FrameFault::Length)]
        );
        assert_eq!(
            feed(&mut reader, &sealed(0, b"nine byte")),
            [Ok((b"nine byte".to_vec(), Order::Next))]
        );
        let mut other = Vec::from([9, 0, 0]);
        other.extend(crc32(&other).to_le_bytes());
        let mut line = std::vec![0; 32];
        let mut encoder = Encoder::new(&mut line);
        other.iter().for_each(|&b| encoder.push(b));
        let mut line = encoder.finish().expect("fits").to_vec();
        line.push(0);
        assert_eq!(feed(&mut reader, &line), [Err(FrameFault::Version(9))]);
        let want = LinkCounters {
            frames: 1,
            bad_crc: 1,
            bad_length: 2,
            bad_cobs: 1,
            unknown_version: 1,
            ..LinkCounters::default()
        };
        assert_eq!(*reader.counters(), want);
    }

    #[test]
    fn numbers_tell_repeats_gaps_and_restarts() {
        let mut reader: FrameReader<16> = FrameReader::new();
        let mut orders = Vec::new();
        for sequence in [65534, 65535, 0, 0, 3, 2, 3] {
            for result in feed(&mut reader, &sealed(sequence, b"")) {
                orders.push(result.expect("good").1);
            }
        }
        use Order::{Back, Gap, Next, Repeat};
        assert_eq!(orders, [Next, Next, Next, Repeat, Gap(2), Back, Next]);
        let c = reader.counters();
        assert_eq!((c.frames, c.repeats, c.lost, c.backwards), (7, 1, 2, 1));
    }

    #[test]
    fn an_empty_line_is_no_fault_and_no_room_is_said() {
        let mut reader: FrameReader<16> = FrameReader::new();
        assert_eq!(feed(&mut reader, &[0; 9]), []);
        assert_eq!(*reader.counters(), LinkCounters::default());
        for room in 0..14 {
            let mut out = [0; 14];
            let sealed = seal(7, b"body", &mut out[..room]).is_ok();
            assert_eq!(sealed, room >= 14, "{room}");
        }
        let mut out = [0; MAX_ON_LINE];
        assert!(seal(7, &[1; MAX_FRAME - AROUND_BODY], &mut out).is_ok());
    }
}
