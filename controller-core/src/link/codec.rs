//! The postcard wire format for the few shapes that the link needs.
//!
//! Written out here and not derived, because it stands on the smallest processors: reading and
//! writing every message and the machine description takes some kilobytes less than derived
//! code does, and can't panic at any level of optimisation. A test holds every message against
//! the `postcard` crate itself.
//!
//! A reader or writer that ran out of bytes goes on with zeros and tells at the end: so a
//! message is a plain list of fields.

use heapless::Vec;

/// Writes fields into a buffer.
#[derive(Debug)]
pub struct Writer<'a> {
    out: &'a mut [u8],
    len: usize,
}

impl<'a> Writer<'a> {
    /// Starts at `out`'s beginning.
    #[must_use]
    pub fn new(out: &'a mut [u8]) -> Self {
        Self { out, len: 0 }
    }

    /// One byte.
    #[inline(never)]
    pub fn byte(&mut self, byte: u8) {
        if let Some(slot) = self.out.get_mut(self.len) {
            *slot = byte;
        }
        self.len = self.len.saturating_add(1);
    }

    /// A varint: 7 bits a byte, low first.
    #[inline(never)]
    pub fn varint(&mut self, value: u64) {
        let mut value = value;
        while value > 0x7F {
            let [low, ..] = value.to_le_bytes();
            self.byte(low | 0x80);
            value >>= 7;
        }
        let [low, ..] = value.to_le_bytes();
        self.byte(low);
    }

    /// A signed number: zig-zag, then varint.
    #[inline(never)]
    pub fn signed(&mut self, value: i64) {
        self.varint((value.wrapping_shl(1) ^ (value >> 63)).cast_unsigned());
    }

    /// What was written. `None` when it did not fit.
    #[must_use]
    pub fn finish(self) -> Option<&'a [u8]> {
        self.out.get(..self.len)
    }
}

/// Reads fields from bytes.
#[derive(Clone, Copy, Debug)]
pub struct Reader<'a> {
    rest: &'a [u8],
    bad: bool,
}

impl<'a> Reader<'a> {
    /// Starts at the first of `bytes`.
    #[must_use]
    pub fn new(bytes: &'a [u8]) -> Self {
        Self {
            rest: bytes,
            bad: false,
        }
    }

    /// Something can't be: the rest means nothing.
    pub fn refuse(&mut self) {
        self.bad = true;
    }

    /// One byte; 0 past the end.
    #[inline(never)]
    pub fn byte(&mut self) -> u8 {
        match self.rest.split_first() {
            Some((&byte, rest)) => {
                self.rest = rest;
                byte
            }
            None => {
                self.bad = true;
                0
            }
        }
    }

    /// A varint of so many bits.
    #[inline(never)]
    pub fn varint(&mut self, bits: u32) -> u64 {
        let mut value = 0_u64;
        let mut shift = 0_u32;
        while shift < bits {
            let byte = self.byte();
            let part = u64::from(byte & 0x7F);
            value |= part.wrapping_shl(shift);
            let room = bits.saturating_sub(shift);
            if room < 7 && part.wrapping_shr(room) != 0 {
                break;
            }
            if byte & 0x80 == 0 {
                return value;
            }
            shift = shift.saturating_add(7);
        }
        self.bad = true;
        0
    }

    /// A signed number of so many bits.
    #[inline(never)]
    pub fn signed(&mut self, bits: u32) -> i64 {
        let value = self.varint(bits);
        (value >> 1).cast_signed() ^ (value & 1).cast_signed().wrapping_neg()
    }

    /// So many bytes as they are.
    pub fn bytes(&mut self, len: usize) -> &'a [u8] {
        match self.rest.split_at_checked(len) {
            Some((bytes, rest)) => {
                self.rest = rest;
                bytes
            }
            None => {
                self.bad = true;
                &[]
            }
        }
    }

    /// What is left over. `None` when anything read was not there or can't be.
    #[must_use]
    pub fn rest(&self) -> Option<&'a [u8]> {
        (!self.bad).then_some(self.rest)
    }
}

/// What can stand on the wire.
pub trait Wire: Sized {
    /// Writes it.
    fn put(&self, to: &mut Writer<'_>);
    /// Reads it; anything where the reader has gone bad.
    fn take(from: &mut Reader<'_>) -> Self;
}

macro_rules! numbers {
    ($($type:ident $bits:literal $put:ident $take:ident),*) => {$(
        impl Wire for $type {
            #[cfg_attr(target_os = "none", inline(never))]
            fn put(&self, to: &mut Writer<'_>) {
                to.$put((*self).into());
            }
            #[cfg_attr(target_os = "none", inline(never))]
            fn take(from: &mut Reader<'_>) -> Self {
                // Of so many bits, so it fits.
                Self::try_from(from.$take($bits)).unwrap_or_default()
            }
        }
    )*};
}

numbers!(u16 16 varint varint, u32 32 varint varint, u64 64 varint varint,
    i16 16 signed signed, i32 32 signed signed, i64 64 signed signed);

impl Wire for u8 {
    fn put(&self, to: &mut Writer<'_>) {
        to.byte(*self);
    }
    fn take(from: &mut Reader<'_>) -> Self {
        from.byte()
    }
}

impl Wire for bool {
    fn put(&self, to: &mut Writer<'_>) {
        to.byte(u8::from(*self));
    }
    #[cfg_attr(target_os = "none", inline(never))]
    fn take(from: &mut Reader<'_>) -> Self {
        match from.byte() {
            0 => false,
            1 => true,
            _ => {
                from.refuse();
                false
            }
        }
    }
}

impl<T: Wire> Wire for Option<T> {
    fn put(&self, to: &mut Writer<'_>) {
        self.is_some().put(to);
        if let Some(value) = self {
            value.put(to);
        }
    }
    fn take(from: &mut Reader<'_>) -> Self {
        bool::take(from).then(|| T::take(from))
    }
}

/// A list: its length, then its items.
pub fn put_list<T: Wire>(list: &[T], to: &mut Writer<'_>) {
    to.varint(u64::try_from(list.len()).unwrap_or(u64::MAX));
    list.iter().for_each(|item| item.put(to));
}

impl<T: Wire, const N: usize> Wire for Vec<T, N> {
    fn put(&self, to: &mut Writer<'_>) {
        put_list(self, to);
    }
    fn take(from: &mut Reader<'_>) -> Self {
        let mut list = Self::new();
        for _ in 0..from.varint(32) {
            // A length that lies ends here, at the latest when the bytes do.
            if from.bad || list.push(T::take(from)).is_err() {
                from.refuse();
                break;
            }
        }
        list
    }
}

/// A struct as the list of its fields, in the order given.
macro_rules! wire_fields {
    ($($type:ty { $($field:ident),* $(,)? })*) => {$(
        impl $crate::link::codec::Wire for $type {
            fn put(&self, to: &mut $crate::link::codec::Writer<'_>) {
                $(self.$field.put(to);)*
            }
            fn take(from: &mut $crate::link::codec::Reader<'_>) -> Self {
                // Fields are read in this order: it is Rust's order of evaluation.
                Self { $($field: $crate::link::codec::Wire::take(from)),* }
            }
        }
    )*};
}

/// The same of a long struct of counters, whose neighbours of one type are written by a loop: a
/// call for each takes three times the flash.
macro_rules! wire_runs {
    ($($type:ty { $([$($field:ident),* $(,)?])* })*) => {$(
        impl $crate::link::codec::Wire for $type {
            fn put(&self, to: &mut $crate::link::codec::Writer<'_>) {
                $([$(self.$field),*].iter().for_each(|field| field.put(to));)*
            }
            fn take(from: &mut $crate::link::codec::Reader<'_>) -> Self {
                Self { $($($field: $crate::link::codec::Wire::take(from)),*),* }
            }
        }
    )*};
}

/// An enum without fields as the number of its variant.
macro_rules! wire_numbers {
    ($($type:ident { $($variant:ident = $number:literal),* $(,)? })*) => {$(
        impl $crate::link::codec::Wire for $type {
            fn put(&self, to: &mut $crate::link::codec::Writer<'_>) {
                to.byte(match self { $(Self::$variant => $number),* });
            }
            fn take(from: &mut $crate::link::codec::Reader<'_>) -> Self {
                match from.varint(32) {
                    $($number => Self::$variant,)*
                    _ => {
                        from.refuse();
                        Self::default()
                    }
                }
            }
        }
    )*};
}

pub(crate) use {wire_fields, wire_numbers, wire_runs};

/// Reads a whole value; `None` when it can't be read or bytes are left over.
#[must_use]
pub fn read_all<T: Wire>(bytes: &[u8]) -> Option<T> {
    let mut from = Reader::new(bytes);
    let value = T::take(&mut from);
    from.rest()?.is_empty().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn numbers_are_read_as_postcard_reads_them(bytes in prop::collection::vec(any::<u8>(), 0..12)) {
            macro_rules! same {
                ($($type:ty),*) => {$(
                    let theirs = postcard::take_from_bytes::<$type>(&bytes).ok();
                    let mut from = Reader::new(&bytes);
                    let ours = <$type as Wire>::take(&mut from);
                    prop_assert_eq!(from.rest().map(|rest| (ours, rest)), theirs);
                )*};
            }
            same!(u8, u16, u32, u64, i16, i32, i64, bool, Option<u16>, Option<i32>);
        }

        #[test]
        fn numbers_are_written_as_postcard_writes_them(a: u16, b: u32, c: u64, d: i16, e: i32, f: i64) {
            let mut out = [0; 64];
            let mut to = Writer::new(&mut out);
            a.put(&mut to);
            b.put(&mut to);
            c.put(&mut to);
            d.put(&mut to);
            e.put(&mut to);
            f.put(&mut to);
            let mut theirs = [0; 64];
            let theirs = postcard::to_slice(&(a, b, c, d, e, f), &mut theirs).expect("fits");
            prop_assert_eq!(to.finish(), Some(&*theirs));
        }
    }
}
