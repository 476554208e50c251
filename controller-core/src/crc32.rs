//! The one checksum of link and flash: CRC-32/ISO-HDLC, with one table for both.

use crc::{CRC_32_ISO_HDLC, Crc, Digest, Table};

/// A checksum under way.
pub(crate) type Crc32 = Digest<'static, u32, Table<1>>;

pub(crate) static CRC: Crc<u32, Table<1>> = Crc::<u32, Table<1>>::new(&CRC_32_ISO_HDLC);
