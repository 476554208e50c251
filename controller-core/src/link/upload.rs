//! A machine description in pieces: begin, pieces in order, end.
//!
//! **Bound:** at most `N` bytes; a longer one is refused at its beginning. A piece that was
//! sent again (its answer got lost) is taken as done; any other that does not follow on is
//! refused, and what came so far stays.

use super::frame::crc32;
use super::message::Refusal;

/// Collects the pieces.
#[derive(Clone, Copy, Debug)]
pub struct Upload<const N: usize> {
    bytes: [u8; N],
    len: usize,
    /// Length and digest that were announced.
    wanted: Option<(usize, u32)>,
}

impl<const N: usize> Default for Upload<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> Upload<N> {
    /// None begun.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            bytes: [0; N],
            len: 0,
            wanted: None,
        }
    }

    /// Starts anew; what was there is dropped.
    ///
    /// # Errors
    /// [`Refusal::TooLarge`].
    pub fn begin(&mut self, length: u16, digest: u32) -> Result<(), Refusal> {
        let length = usize::from(length);
        self.len = 0;
        self.wanted = (length <= N).then_some((length, digest));
        self.wanted.map(|_| ()).ok_or(Refusal::TooLarge)
    }

    /// One piece. Work goes with its length.
    ///
    /// # Errors
    /// [`Refusal::PieceOutOfOrder`], [`Refusal::TooLarge`].
    pub fn piece(&mut self, offset: u16, bytes: &[u8]) -> Result<(), Refusal> {
        let (length, _) = self.wanted.ok_or(Refusal::PieceOutOfOrder)?;
        let offset = usize::from(offset);
        let end = offset.saturating_add(bytes.len());
        if end > length {
            return Err(Refusal::TooLarge);
        }
        let same = self.bytes.get(offset..end) == Some(bytes);
        if end <= self.len && same {
            return Ok(());
        }
        if offset != self.len {
            return Err(Refusal::PieceOutOfOrder);
        }
        let room = self.bytes.get_mut(offset..end).ok_or(Refusal::TooLarge)?;
        for (slot, byte) in room.iter_mut().zip(bytes) {
            *slot = *byte;
        }
        self.len = end;
        Ok(())
    }

    /// The whole, once it is complete and has the digest announced. Stays for a repeat.
    ///
    /// # Errors
    /// [`Refusal::PieceOutOfOrder`] when pieces are missing, [`Refusal::WrongDigest`].
    pub fn end(&self) -> Result<&[u8], Refusal> {
        let (length, digest) = self.wanted.ok_or(Refusal::PieceOutOfOrder)?;
        if self.len != length {
            return Err(Refusal::PieceOutOfOrder);
        }
        let whole = self.bytes.get(..length).ok_or(Refusal::TooLarge)?;
        if crc32(whole) == digest {
            Ok(whole)
        } else {
            Err(Refusal::WrongDigest)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_in_order_make_the_whole() {
        let whole = [7, 1, 0, 9, 9];
        let mut upload: Upload<8> = Upload::new();
        assert_eq!(upload.piece(0, &whole), Err(Refusal::PieceOutOfOrder));
        assert_eq!(upload.begin(9, 0), Err(Refusal::TooLarge));
        assert_eq!(upload.begin(5, crc32(&whole)), Ok(()));
        assert_eq!(upload.piece(0, &whole[..2]), Ok(()));
        assert_eq!(upload.piece(0, &whole[..2]), Ok(()), "sent again");
        assert_eq!(upload.piece(0, &[8]), Err(Refusal::PieceOutOfOrder));
        assert_eq!(upload.piece(3, &whole[3..]), Err(Refusal::PieceOutOfOrder));
        assert_eq!(upload.end(), Err(Refusal::PieceOutOfOrder));
        assert_eq!(upload.piece(2, &[0, 9, 9, 9]), Err(Refusal::TooLarge));
        assert_eq!(upload.piece(2, &whole[2..]), Ok(()));
        assert_eq!(upload.end(), Ok(&whole[..]));
        assert_eq!(upload.end(), Ok(&whole[..]), "asked again");
        assert_eq!(upload.begin(1, 5), Ok(()));
        assert_eq!(upload.piece(0, &[1]), Ok(()));
        assert_eq!(upload.end(), Err(Refusal::WrongDigest));
    }
}
