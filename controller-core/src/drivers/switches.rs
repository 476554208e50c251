//! Section switches: up to 32 inputs, believed once they have been quiet.

use super::bump;
use crate::units::{Micros, Span};

/// Debounces 32 inputs. A change takes effect when its input has held the new level for
/// `quiet`; one that goes back before that was chatter, and is counted.
#[derive(Clone, Debug)]
pub struct Debounce {
    quiet: Span,
    settled: u32,
    last: u32,
    since: [Micros; 32],
    chatter: u32,
}

impl Debounce {
    /// All inputs off. `quiet`: 20 ms suits hand-operated switches, common practice, no
    /// source.
    #[must_use]
    pub const fn new(quiet: Span) -> Self {
        Self {
            quiet,
            settled: 0,
            last: 0,
            since: [Micros(0); 32],
            chatter: 0,
        }
    }

    /// Changes that went back before they had held.
    #[must_use]
    pub const fn chatter(&self) -> u32 {
        self.chatter
    }

    /// The inputs as believed.
    #[must_use]
    pub const fn settled(&self) -> u32 {
        self.settled
    }

    /// The inputs as read now. Returns those that changed, to be looked up in
    /// [`Self::settled`]. Call at least twice in the quiet time. Constant work.
    pub fn sample(&mut self, now: Micros, bits: u32) -> u32 {
        let mut changed = 0;
        let mut mask = 1_u32;
        for since in &mut self.since {
            let level = bits & mask;
            if level != self.last & mask {
                if level == self.settled & mask {
                    bump(&mut self.chatter);
                }
                *since = now;
            } else if level != self.settled & mask && now.since(*since) >= self.quiet {
                changed |= mask;
            }
            mask = mask.wrapping_shl(1);
        }
        self.last = bits;
        self.settled ^= changed;
        changed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_switch_that_chatters_takes_effect_once_it_is_quiet() {
        let mut inputs = Debounce::new(Span::from_ms(20));
        let mut took = 0;
        for ms in 0..100_u64 {
            let bit = match ms {
                0..10 => 0,
                10..30 => u32::from(ms % 3 != 0),
                _ => 1,
            };
            let changed = inputs.sample(Micros(ms * 1000), bit | 0x8000_0000);
            if changed & 1 != 0 {
                took = ms;
            }
        }
        assert_eq!(inputs.settled(), 0x8000_0001);
        // The last bounce ended at 28 ms, as seen by the samples.
        assert_eq!(took, 48, "28 ms and 20 ms of quiet");
        assert_eq!(inputs.chatter(), 6);
        assert_eq!(inputs.sample(Micros(200_000), 1), 0);
        assert_eq!(inputs.sample(Micros(219_999), 1), 0);
        assert_eq!(inputs.sample(Micros(220_000), 1), 0x8000_0000);
        assert_eq!(inputs.settled(), 1);
    }
}
