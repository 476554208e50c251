//! Consistent overhead byte stuffing: takes every zero out of a frame, so that a
//! zero always means "a frame ends here" and a reader that lost its place finds it
//! again at the next one. S. Cheshire and M. Baker, "Consistent Overhead Byte
//! Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.
//!
//! Both ways work a byte at a time and can't panic.

/// Writes stuffed bytes into a buffer. Bytes past its end are dropped, and
/// [`Encoder::finish`] then says so.
#[derive(Debug)]
pub struct Encoder<'a> {
    out: &'a mut [u8],
    len: usize,
    /// Where the open block's length byte will stand; none after a full block.
    open: Option<usize>,
    code: u8,
}

impl<'a> Encoder<'a> {
    /// Starts at `out`'s beginning.
    #[must_use]
    pub fn new(out: &'a mut [u8]) -> Self {
        let (len, open, code) = (1, Some(0), 1);
        Self {
            out,
            len,
            open,
            code,
        }
    }

    fn put(&mut self, at: usize, byte: u8) {
        if let Some(slot) = self.out.get_mut(at) {
            *slot = byte;
        }
    }

    /// The open block's place; opens one where none is.
    fn block(&mut self) -> usize {
        let here = self.len;
        *self.open.get_or_insert_with(|| {
            (self.len, self.code) = (here.saturating_add(1), 1);
            here
        })
    }

    /// One byte of the frame.
    pub fn push(&mut self, byte: u8) {
        let block = self.block();
        if byte != 0 {
            self.put(self.len, byte);
            self.len = self.len.saturating_add(1);
            self.code = self.code.saturating_add(1);
        }
        if byte == 0 || self.code == u8::MAX {
            self.put(block, self.code);
            self.open = None;
        }
        if byte == 0 {
            self.block();
        }
    }

    /// The stuffed bytes without a delimiter. `None` when they did not fit.
    #[must_use]
    pub fn finish(mut self) -> Option<&'a [u8]> {
        if let Some(block) = self.open {
            self.put(block, self.code);
        }
        self.out.get(..self.len)
    }
}

/// Takes the stuffing out again, one byte in, at most one byte out.
#[derive(Clone, Copy, Debug, Default)]
pub struct Decoder {
    left: u8,
    zero_due: bool,
}

impl Decoder {
    /// One byte from the line, never the delimiter.
    pub fn push(&mut self, byte: u8) -> Option<u8> {
        if self.left > 0 {
            self.left = self.left.saturating_sub(1);
            return Some(byte);
        }
        let zero = self.zero_due.then_some(0);
        self.left = byte.saturating_sub(1);
        self.zero_due = byte != u8::MAX;
        zero
    }

    /// True where a frame may end: the last block is complete.
    #[must_use]
    pub const fn complete(&self) -> bool {
        self.left == 0
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn stuffed(data: &[u8]) -> Vec<u8> {
        let mut out = [0; 1200];
        let mut encoder = Encoder::new(&mut out);
        data.iter().for_each(|&b| encoder.push(b));
        encoder.finish().expect("fits").to_vec()
    }

    fn unstuffed(data: &[u8]) -> Option<Vec<u8>> {
        let mut decoder = Decoder::default();
        let out = data.iter().filter_map(|&b| decoder.push(b)).collect();
        decoder.complete().then_some(out)
    }

    /// `from..=to` as bytes.
    fn run(from: u8, to: u8) -> Vec<u8> {
        (from..=to).collect()
    }

    #[test]
    fn published_vectors_hold() {
        // The header in Cheshire & Baker 1999, figure 3; the others are the table of
        // Wikipedia's article on COBS (read 2026-11).
        let cases: [(Vec<u8>, Vec<u8>); 9] = [
            (
                [0x45, 0, 0, 0x2C, 0x4C, 0x79, 0, 0, 0x40, 6, 0x4F, 0x37].to_vec(),
                [2, 0x45, 1, 4, 0x2C, 0x4C, 0x79, 1, 5, 0x40, 6, 0x4F, 0x37].to_vec(),
            ),
            ([0].to_vec(), [1, 1].to_vec()),
            ([0, 0].to_vec(), [1, 1, 1].to_vec()),
            ([0, 0x11, 0].to_vec(), [1, 2, 0x11, 1].to_vec()),
            (
                [0x11, 0x22, 0, 0x33].to_vec(),
                [3, 0x11, 0x22, 2, 0x33].to_vec(),
            ),
            (run(1, 254), [&[255], &run(1, 254)[..]].concat()),
            (
                [&[0], &run(1, 254)[..]].concat(),
                [&[1, 255], &run(1, 254)[..]].concat(),
            ),
            (run(1, 255), [&[255], &run(1, 254)[..], &[2, 255]].concat()),
            (
                [&run(2, 255)[..], &[0]].concat(),
                [&[255], &run(2, 255)[..], &[1, 1]].concat(),
            ),
        ];
        for (plain, coded) in cases {
            assert_eq!(stuffed(&plain), coded);
            assert_eq!(unstuffed(&coded).as_ref(), Some(&plain));
        }
    }

    #[test]
    fn what_does_not_fit_is_said() {
        for room in 0..6 {
            let mut out = [0; 6];
            let mut encoder = Encoder::new(&mut out[..room]);
            [7, 0, 7, 7].iter().for_each(|&b| encoder.push(b));
            assert_eq!(encoder.finish().is_some(), room >= 5, "{room}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        #[test]
        fn agrees_with_the_cobs_crate(
            data in prop::collection::vec(prop_oneof![2 => Just(0u8), 8 => any::<u8>()], 0..1000),
            dense in any::<bool>(),
        ) {
            let data: Vec<u8> = if dense { data.iter().map(|b| b | 1).collect() } else { data };
            let theirs = cobs::encode_vec(&data);
            prop_assert_eq!(&stuffed(&data), &theirs);
            prop_assert_eq!(unstuffed(&theirs), Some(data));
        }
    }
}
