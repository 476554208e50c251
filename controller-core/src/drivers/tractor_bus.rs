//! Speed and distance from the tractor bus: ISO 11783-7, PGN 65096 (from the wheels) and
//! 65097 (over ground, by radar or satellite). Eight bytes, ten times a second:
//!
//! | bytes | what | unit |
//! | --- | --- | --- |
//! | 1–2 | speed (SPN 1862, 1859) | mm/s, above 64,255 not available |
//! | 3–6 | distance (SPN 1863, 1860) | mm, runs from 4,211,081,215 on to 0 |
//! | 8, bits 1–2 | direction (SPN 1864, 1861) | 0 reverse, 1 forward, 2 error, 3 not available |
//!
//! Least significant byte first. Source: ISO 11783-7, as in the standard's public online
//! dictionary of parameter groups.

use embedded_can::{Frame, Id};

/// Greatest distance before it starts at 0 again, mm.
pub const MAX_DISTANCE_MM: u32 = 4_211_081_215;
/// Greatest speed, mm/s.
pub const MAX_SPEED_MM_S: u16 = 64_255;

/// Where speed and distance come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Source {
    /// PGN 65096: with slip in it, and exact at low speed.
    Wheel,
    /// PGN 65097: without slip, and coarse at low speed.
    Ground,
}

/// Which way the machine goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Heading {
    /// Backwards.
    Reverse,
    /// Forwards.
    Forward,
}

/// One message. What the sender marks as wrong or not available is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BusSpeed {
    /// Which of the two messages.
    pub source: Source,
    /// Address of the sender: more than one may send, stay with the first.
    pub sender: u8,
    /// mm/s.
    pub speed_mm_s: Option<u16>,
    /// mm since the sender started, wrapping behind [`MAX_DISTANCE_MM`].
    pub distance_mm: Option<u32>,
    /// Direction.
    pub heading: Option<Heading>,
}

/// Reads a frame. `None` when it is another message.
pub fn parse<F: Frame>(frame: &F) -> Option<BusSpeed> {
    let Id::Extended(id) = frame.id() else {
        return None;
    };
    // Priority 3 bits, reserved, data page, PDU format, PDU specific, sender. A format from
    // 240 on is for everybody, and the specific byte belongs to the parameter group.
    let [sender, specific, format, page] = id.as_raw().to_le_bytes();
    let group = (page & 3, format, specific);
    let source = match group {
        (0, 0xFE, 0x48) => Source::Wheel,
        (0, 0xFE, 0x49) => Source::Ground,
        _ => return None,
    };
    let &[s0, s1, d0, d1, d2, d3, _, state] = frame.data() else {
        return None;
    };
    let speed = u16::from_le_bytes([s0, s1]);
    let distance = u32::from_le_bytes([d0, d1, d2, d3]);
    Some(BusSpeed {
        source,
        sender,
        speed_mm_s: (speed <= MAX_SPEED_MM_S).then_some(speed),
        distance_mm: (distance <= MAX_DISTANCE_MM).then_some(distance),
        heading: match state & 3 {
            0 => Some(Heading::Reverse),
            1 => Some(Heading::Forward),
            _ => None,
        },
    })
}

/// mm driven from `before` to `after`, over the roll-over; at most half of the whole range,
/// `None` for what would be more (the sender started anew).
#[must_use]
pub fn driven_mm(before: u32, after: u32) -> Option<u32> {
    let range = u64::from(MAX_DISTANCE_MM).saturating_add(1);
    let gone = u64::from(after)
        .saturating_add(range)
        .saturating_sub(u64::from(before))
        .checked_rem(range)?;
    let half = range >> 1;
    (gone <= half).then(|| u32::try_from(gone).unwrap_or(u32::MAX))
}

#[cfg(test)]
#[path = "../../tests/frame/mod.rs"]
mod frame;

#[cfg(test)]
mod tests {
    use super::frame::Can;
    use super::*;
    use embedded_can::{ExtendedId, StandardId};

    fn frame(id: u32, data: &[u8]) -> Can {
        Can::new(ExtendedId::new(id).expect("29 bits"), data).expect("eight bytes")
    }

    #[test]
    fn the_standards_fields_are_read() {
        // Field layout: ISO 11783-7 PGN 65096; bytes worked out from it by hand.
        let wheel = frame(0x0CFE_4845, &[0x94, 0x26, 0x88, 0x13, 0, 0, 3, 0x14]);
        assert_eq!(
            parse(&wheel),
            Some(BusSpeed {
                source: Source::Wheel,
                sender: 0x45,
                speed_mm_s: Some(9876),
                distance_mm: Some(5000),
                heading: Some(Heading::Reverse),
            })
        );
        // PGN 65097, the same way.
        let ground = frame(0x0CFE_4945, &[0x0F, 0x27, 0x80, 0x38, 1, 0, 0xFF, 0xFD]);
        let read = parse(&ground).expect("the right message");
        assert_eq!(
            (read.source, read.speed_mm_s, read.distance_mm, read.heading),
            (
                Source::Ground,
                Some(9999),
                Some(80_000),
                Some(Heading::Forward)
            )
        );
    }

    #[test]
    fn what_is_not_available_is_none_and_others_are_left_alone() {
        let nothing = parse(&frame(0x0CFE_4845, &[0xFF; 8])).expect("the right message");
        assert_eq!(
            (nothing.speed_mm_s, nothing.distance_mm, nothing.heading),
            (None, None, None)
        );
        // 65,534 mm/s and 4,211,081,216 mm are beyond the valid range.
        let [a, b, c, d] = 4_211_081_216_u32.to_le_bytes();
        let beyond = parse(&frame(0x18FE_4880, &[0xFE, 0xFF, a, b, c, d, 0, 2])).expect("it");
        assert_eq!(
            (beyond.speed_mm_s, beyond.distance_mm, beyond.heading),
            (None, None, None)
        );
        for id in [0x0CFE_4745, 0x0CFF_4845, 0x0DFE_4845] {
            assert_eq!(parse(&frame(id, &[0; 8])), None, "{id:x}");
        }
        assert_eq!(parse(&frame(0x0CFE_4845, &[0; 7])), None);
        let short = Can::new(StandardId::new(0x48).expect("11 bits"), &[0; 8]).expect("it");
        assert_eq!(parse(&short), None);
    }

    #[test]
    fn distance_runs_over_its_end() {
        assert_eq!(driven_mm(5, 1005), Some(1000));
        assert_eq!(driven_mm(MAX_DISTANCE_MM, 0), Some(1));
        assert_eq!(driven_mm(MAX_DISTANCE_MM - 99, 400), Some(500));
        assert_eq!(driven_mm(1_000_000, 0), None, "started anew");
    }
}
