//! A 16-bit capture timer that counts on for ever.
//!
//! Hardware stamps a pulse in 16 bits; software counts the timer's overflows. Between the two
//! lies a race: when the pulse's interrupt runs, an overflow may have come before or after the
//! pulse, and its own interrupt may have run or not. So the *counter* is made whole first, by
//! the overflow flag: a small count with an overflow pending lies behind that overflow. Then
//! the pulse lies back from it by what the counter has moved since.
//!
//! Right as long as an overflow is served within half a turn of the timer (32.7 ms at 1 MHz)
//! and a pulse within one. Read `high`, then the counter, then the flag, with the overflow's
//! interrupt held off (a critical section, or the same priority).

/// The timer as a whole, in ticks. `high`: overflows counted by software; `pending`: an
/// overflow that software has not counted.
#[must_use]
pub const fn whole_ticks(high: u32, counter: u16, pending: bool) -> u64 {
    let behind = pending && counter < 0x8000;
    let high = widen(high).wrapping_add(if behind { 1 } else { 0 });
    (high << 16) | widen_16(counter)
}

/// The instant of a captured pulse, in ticks.
#[must_use]
pub const fn captured_ticks(high: u32, counter: u16, pending: bool, captured: u16) -> u64 {
    let since = widen_16(counter.wrapping_sub(captured));
    whole_ticks(high, counter, pending).wrapping_sub(since)
}

/// µs of a stamp for a timer of whole MHz; 0 MHz gives 0.
#[must_use]
pub const fn ticks_to_us(ticks: u64, mhz: u32) -> u64 {
    match ticks.checked_div(widen(mhz)) {
        Some(us) => us,
        None => 0,
    }
}

/// A 32-bit counter that is read at least once in each of its turns, made whole.
///
/// No overflow interrupt and so no race: a count below the last one lies behind one more
/// turn. At 1 MHz a turn lasts 71 minutes, at 100 MHz 42 s; a loop that ticks each
/// millisecond reads it often enough. Reads must not overtake one another: hold interrupts
/// off from reading the counter until [`Turns::whole`] has taken it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Turns {
    last: u32,
    high: u32,
}

impl Turns {
    /// In the counter's first turn.
    #[must_use]
    pub const fn new() -> Self {
        Self { last: 0, high: 0 }
    }

    /// The counter as read just now, in ticks since its first turn began.
    pub fn whole(&mut self, counter: u32) -> u64 {
        if counter < self.last {
            self.high = self.high.wrapping_add(1);
        }
        self.last = counter;
        (widen(self.high) << 32) | widen(counter)
    }
}

const fn widen(value: u32) -> u64 {
    let [a, b, c, d] = value.to_le_bytes();
    u64::from_le_bytes([a, b, c, d, 0, 0, 0, 0])
}

const fn widen_16(value: u16) -> u64 {
    let [a, b] = value.to_le_bytes();
    u64::from_le_bytes([a, b, 0, 0, 0, 0, 0, 0])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_stamp_of_two_turns_survives_the_race() {
        for pulse in 0x1_0000_u64..0x3_0000 {
            for late in [0, 1, 2, 3, 50, 0x1000, 0x7FFF, 0x8000, 0xFFFF] {
                let now = pulse + late;
                let overflows = now >> 16;
                let counter = (now & 0xFFFF) as u16;
                // The last overflow served or not; unserved no longer than half a turn.
                for served in [true, false] {
                    if !served && counter >= 0x8000 {
                        continue;
                    }
                    let high = (overflows - u64::from(!served)) as u32;
                    let captured = (pulse & 0xFFFF) as u16;
                    assert_eq!(whole_ticks(high, counter, !served), now);
                    let got = captured_ticks(high, counter, !served, captured);
                    assert_eq!(got, pulse, "{late} late, served: {served}");
                }
            }
        }
    }

    #[test]
    fn turns_are_counted_however_far_apart_the_reads_are_within_one() {
        for step in [1_u64, 999, 0x7FFF_FFFF, 0xFFFF_FFFF] {
            let mut turns = Turns::new();
            let from = 0xFFFF_FF00_u64;
            for k in 0..1000 {
                let now = from + k * step;
                assert_eq!(turns.whole(now as u32), now, "read {k}, {step} apart");
            }
        }
    }

    #[test]
    fn ticks_become_microseconds() {
        assert_eq!(whole_ticks(u32::MAX, 0xFFFF, true), (1 << 48) - 1);
        assert_eq!(whole_ticks(u32::MAX, 0, true), 1 << 48);
        assert_eq!(ticks_to_us(640, 64), 10);
        assert_eq!(ticks_to_us(640, 0), 0);
    }
}
