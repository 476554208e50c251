//! The sender's clock against the board's, from pings and pongs with four stamps.
//!
//! An exchange gives `out = board − sender` when the ping came, too large by the way there,
//! and `back = board − sender` when the pong left, too small by the way back. What a busy
//! link adds is never negative, so over a window the least of `out` and the most of `back`
//! come from the quickest frames, and the offset lies between: exactly in the middle when
//! both ways have the same least delay. **A difference between the least delays stays as
//! half of it in the offset, and no exchange can show it**; the frame strobe
//! ([`super::strobe`]) is the remedy.
//!
//! The least each way is taken on its own. Taking whole exchanges of least round trip needs
//! two lucky ways at once: with 1 to 20 ms each way and 100 exchanges that is some 0.8 ms
//! RMS, this 0.3 ms. Drift comes from the older half of the window against the newer.
//!
//! **Bound:** `N` blocks of [`BLOCK`] exchanges, the oldest goes first. Everything is in
//! integers; an estimate works through the window a few times.

/// Exchanges in a block, of which the quickest each way are kept.
pub const BLOCK: u8 = 8;
/// Fractional bits of a drift.
const DRIFT_BITS: u32 = 32;
/// More drift than 200 ppm is no quartz; the estimate is held there. 2⁻³².
const MOST_DRIFT: i64 = 858_993;
/// Rounds in which drift and quickest exchanges settle on each other.
const ROUNDS: usize = 3;

/// Four stamps, µs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Exchange {
    /// Ping sent, sender's clock.
    pub sent: u64,
    /// Ping received, board's clock.
    pub received: u64,
    /// Pong sent, board's clock.
    pub replied: u64,
    /// Pong received, sender's clock.
    pub returned: u64,
}

/// What is known of the board's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ClockEstimate {
    /// Sender's instant at which the offset was worked out, µs.
    at: u64,
    /// Board minus sender then, µs.
    offset: i64,
    /// Its change a µs, 2⁻³².
    drift: i64,
    /// Half the least round trip left after the fit, µs.
    half_trip: u32,
}

impl ClockEstimate {
    /// A sender's instant in the board's clock, µs.
    #[must_use]
    pub fn to_board(&self, sender_us: u64) -> u64 {
        let since = difference(sender_us, self.at);
        let offset = self.offset.saturating_add(scaled(self.drift, since));
        sender_us.saturating_add_signed(offset)
    }

    /// How much faster the board's clock runs, parts in 10⁹.
    #[must_use]
    pub fn drift_ppb(&self) -> i64 {
        self.drift.saturating_mul(1_000_000_000) >> DRIFT_BITS
    }

    /// The error can't be larger than this, µs: as if all of the quickest round trip were
    /// one way. Goes into an image's stamp as its error.
    #[must_use]
    pub const fn error_us(&self) -> u32 {
        self.half_trip
    }
}

/// One way of one exchange: when, and board minus sender with the delay in it.
#[derive(Clone, Copy, Debug, Default)]
struct OneWay {
    /// Sender's clock, relative to the first exchange, µs.
    at: i64,
    /// Relative to the first exchange's, µs.
    value: i64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Block {
    out: OneWay,
    back: OneWay,
    filled: u8,
}

/// The quickest exchanges of a window.
#[derive(Clone, Copy, Debug)]
pub struct ClockFilter<const N: usize> {
    blocks: [Block; N],
    /// The block being filled, and how many hold anything.
    newest: usize,
    used: usize,
    first: Option<(u64, i64)>,
    last: i64,
    refused: u32,
}

impl<const N: usize> Default for ClockFilter<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> ClockFilter<N> {
    /// Without any exchange.
    #[must_use]
    pub const fn new() -> Self {
        const { assert!(N >= 4, "four blocks at least") };
        Self {
            blocks: [Block {
                out: OneWay { at: 0, value: 0 },
                back: OneWay { at: 0, value: 0 },
                filled: 0,
            }; N],
            newest: 0,
            used: 0,
            first: None,
            last: 0,
            refused: 0,
        }
    }

    /// Exchanges refused: stamps that run backwards, or a round trip below zero.
    #[must_use]
    pub const fn refused(&self) -> u32 {
        self.refused
    }

    /// Takes an exchange. False, and counted, when its stamps can't be.
    pub fn add(&mut self, exchange: &Exchange) -> bool {
        let whole = difference(exchange.returned, exchange.sent);
        let there = difference(exchange.replied, exchange.received);
        let (start, base) = *self
            .first
            .get_or_insert((exchange.sent, difference(exchange.received, exchange.sent)));
        let at = difference(exchange.sent, start);
        if there < 0 || whole < there || at < self.last {
            self.refused = self.refused.saturating_add(1);
            return false;
        }
        self.last = at;
        let out = OneWay {
            at,
            value: difference(exchange.received, exchange.sent).saturating_sub(base),
        };
        let back = OneWay {
            at: difference(exchange.returned, start),
            value: difference(exchange.replied, exchange.returned).saturating_sub(base),
        };
        let full = self
            .blocks
            .get(self.newest)
            .is_some_and(|block| block.filled >= BLOCK);
        if full {
            let next = self.newest.saturating_add(1);
            self.newest = if next >= N { 0 } else { next };
            if let Some(block) = self.blocks.get_mut(self.newest) {
                *block = Block::default();
            }
        }
        if let Some(block) = self.blocks.get_mut(self.newest) {
            if block.filled == 0 {
                (block.out, block.back) = (out, back);
                self.used = self.used.saturating_add(1).min(N);
            }
            if out.value < block.out.value {
                block.out = out;
            }
            if back.value > block.back.value {
                block.back = back;
            }
            block.filled = block.filled.saturating_add(1);
        }
        true
    }

    /// The blocks, oldest first.
    fn window(&self) -> impl Iterator<Item = &Block> {
        let (before, from) = self
            .blocks
            .split_at_checked(self.newest.saturating_add(1))
            .unwrap_or_default();
        from.iter().chain(before).filter(|block| block.filled > 0)
    }

    /// The offset now, `None` before there is any exchange.
    #[must_use]
    pub fn estimate(&self) -> Option<ClockEstimate> {
        let (start, base) = self.first?;
        let half = self.used >> 1;
        let mut drift = 0;
        // A window of one or two blocks says nothing of drift.
        if half >= 2 {
            let apart = self
                .middle(half, usize::MAX)
                .saturating_sub(self.middle(0, half))
                .max(1);
            for _ in 0..ROUNDS {
                let (old, _) = self.between(0, half, drift);
                let (new, _) = self.between(half, usize::MAX, drift);
                let more = (new.saturating_sub(old) << DRIFT_BITS)
                    .checked_div(apart)
                    .unwrap_or_default();
                drift = drift
                    .saturating_add(more)
                    .max(MOST_DRIFT.saturating_neg())
                    .min(MOST_DRIFT);
            }
        }
        let (offset, trip) = self.between(0, usize::MAX, drift);
        Some(ClockEstimate {
            at: start.saturating_add_signed(self.last),
            offset: base.saturating_add(offset),
            drift,
            half_trip: u32::try_from(trip.max(0) >> 1).unwrap_or(u32::MAX),
        })
    }

    /// Mean instant of some blocks, µs.
    fn middle(&self, from: usize, to: usize) -> i64 {
        let (mut sum, mut count) = (0_i64, 0_i64);
        for block in self.window().take(to).skip(from) {
            sum = sum.saturating_add(block.out.at);
            count = count.saturating_add(1);
        }
        sum.checked_div(count).unwrap_or_default()
    }

    /// Offset at the newest exchange from some blocks at a given drift, and the least
    /// round trip that is left.
    fn between(&self, from: usize, to: usize, drift: i64) -> (i64, i64) {
        let (mut low, mut high) = (i64::MAX, i64::MIN);
        for block in self.window().take(to).skip(from) {
            let at_end = |way: &OneWay| {
                let since = self.last.saturating_sub(way.at);
                way.value.saturating_add(scaled(drift, since))
            };
            low = low.min(at_end(&block.out));
            high = high.max(at_end(&block.back));
        }
        let middle = (low >> 1).saturating_add(high >> 1);
        (middle, low.saturating_sub(high))
    }
}

/// `a − b`, held at the ends.
fn difference(a: u64, b: u64) -> i64 {
    if a >= b {
        i64::try_from(a.saturating_sub(b)).unwrap_or(i64::MAX)
    } else {
        i64::try_from(b.saturating_sub(a))
            .unwrap_or(i64::MAX)
            .saturating_neg()
    }
}

/// Drift over a time, µs. Held; exact within ±1.2 hours.
fn scaled(drift: i64, us: i64) -> i64 {
    drift.saturating_mul(us) >> DRIFT_BITS
}
