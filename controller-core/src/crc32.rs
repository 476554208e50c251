//! The one checksum of link and flash: CRC-32/ISO-HDLC.
//!
//! By half bytes: a table of 16 words costs 64 bytes of flash where one of 256 costs 1,024, and a
//! byte some ten instructions more.

/// The polynomial 0x04C11DB7, its bits in reverse order. Source: G. Cook, "Catalogue of
/// parametrised CRC algorithms", CRC-32/ISO-HDLC.
const POLYNOMIAL: u32 = 0xEDB8_8320;

/// What the four lowest bits of the remainder come to.
static STEPS: [u32; 16] = steps();

const fn steps() -> [u32; 16] {
    let mut table = [0; 16];
    let mut rest: &mut [u32] = &mut table;
    let mut value = 0_u32;
    while let [slot, behind @ ..] = rest {
        let mut step = value;
        let mut bit = 0;
        while bit < 4 {
            let odd = step & 1 == 1;
            step >>= 1;
            if odd {
                step ^= POLYNOMIAL;
            }
            bit = u32::saturating_add(bit, 1);
        }
        *slot = step;
        value = value.saturating_add(1);
        rest = behind;
    }
    table
}

/// A checksum under way.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Crc32(u32);

impl Crc32 {
    /// Of nothing yet.
    pub const fn new() -> Self {
        Self(u32::MAX)
    }

    /// Goes on with one byte.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn byte(&mut self, byte: u8) {
        let mut rest = self.0 ^ u32::from(byte);
        for _ in 0..2 {
            let low = usize::try_from(rest & 15).unwrap_or_default();
            rest = (rest >> 4) ^ STEPS.get(low).copied().unwrap_or_default();
        }
        self.0 = rest;
    }

    /// Goes on with some bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.byte(byte);
        }
    }

    /// What it comes to.
    pub const fn finalize(self) -> u32 {
        !self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crc::{CRC_32_ISO_HDLC, Crc};
    extern crate std;
    use std::vec::Vec;

    #[test]
    fn it_is_the_catalogues_checksum() {
        let other = Crc::<u32>::new(&CRC_32_ISO_HDLC);
        let bytes: Vec<u8> = (0..600_u32).map(|k| ((k * k) >> 3) as u8).collect();
        for from in 0..300 {
            let some = &bytes[from..from + from];
            let mut own = Crc32::new();
            own.update(some);
            assert_eq!(own.finalize(), other.checksum(some), "{from} bytes");
        }
    }
}
