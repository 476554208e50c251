//! When a chattering wire counts as changed.
//!
//! A level counts once it has held for a while; the change is then dated to the first time at
//! which the wire left the old level, for contacts touch before they bounce. A wire that comes
//! back to the old level has not changed: a spike. One that chatters for ten times the while is
//! taken as it is then, so that nothing waits for it without end.

/// A wire that chatters for so many times the while is taken as it is.
const LONGEST: i64 = 10;

/// One wire.
#[derive(Debug, Clone, Copy)]
pub struct Debounce {
    hold: i64,
    changing: bool,
    stable: Option<bool>,
    raw: bool,
    /// When the wire left the stable level, if it did and has not settled.
    left: Option<i64>,
    last_change: i64,
    /// Spikes: came back to the old level.
    pub spikes: u64,
    /// Chattered longer than is waited for.
    pub chatters: u64,
}

/// A change that counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settled {
    /// When the wire left the old level, ticks.
    pub at: i64,
    /// The new level.
    pub on: bool,
}

impl Debounce {
    /// A wire that has to hold a level for `hold` ticks. With `changing` it counts as on from its
    /// first change until the last before it was quiet for `hold`.
    pub fn new(hold: i64, changing: bool) -> Debounce {
        Debounce {
            hold: hold.max(0),
            changing,
            stable: None,
            raw: false,
            left: None,
            last_change: 0,
            spikes: 0,
            chatters: 0,
        }
    }

    /// The level with which the capture begins.
    pub fn start(&mut self, on: bool) {
        self.raw = on;
        self.stable = Some(on && !self.changing);
    }

    /// The wire is at this level from `at` on. Settle up to `at` first.
    #[inline]
    pub fn take(&mut self, at: i64, on: bool) {
        let stable = match self.stable {
            Some(stable) => {
                if on == self.raw {
                    return;
                }
                stable
            }
            // Never heard of before: it came from the other level.
            None => !on && !self.changing,
        };
        self.stable = Some(stable);
        self.raw = on;
        self.left.get_or_insert(at);
        self.last_change = at;
    }

    /// What has settled by `now`; at most one change.
    #[inline]
    pub fn settle(&mut self, now: i64) -> Option<Settled> {
        if self.changing {
            return self.settle_changing(now);
        }
        let left = self.left?;
        let quiet = now.saturating_sub(self.last_change) >= self.hold;
        let chatters = now.saturating_sub(left) >= self.hold.saturating_mul(LONGEST).max(1);
        if !quiet && !chatters {
            return None;
        }
        self.chatters += u64::from(!quiet);
        self.left = None;
        if self.stable == Some(self.raw) {
            self.spikes += 1;
            return None;
        }
        self.stable = Some(self.raw);
        Some(Settled {
            at: left,
            on: self.raw,
        })
    }

    fn settle_changing(&mut self, now: i64) -> Option<Settled> {
        let first = self.left?;
        if self.stable == Some(false) && self.last_change >= first {
            self.stable = Some(true);
            return Some(Settled {
                at: first,
                on: true,
            });
        }
        if now.saturating_sub(self.last_change) < self.hold {
            return None;
        }
        self.left = None;
        self.stable = Some(false);
        Some(Settled {
            at: self.last_change,
            on: false,
        })
    }

    /// No change before this time can come any more, as far as this wire goes.
    #[inline]
    pub fn horizon(&self, now: i64) -> i64 {
        match (self.changing, self.left) {
            (true, Some(_)) if self.stable == Some(true) => self.last_change,
            (_, Some(left)) => left,
            (_, None) => now,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settled(
        mut wire: Debounce,
        start: bool,
        changes: &[(i64, bool)],
        end: i64,
    ) -> (Vec<(i64, bool)>, u64) {
        wire.start(start);
        let mut out = Vec::new();
        for &(at, on) in changes {
            while let Some(s) = wire.settle(at) {
                out.push((s.at, s.on));
            }
            wire.take(at, on);
        }
        while let Some(s) = wire.settle(end) {
            out.push((s.at, s.on));
        }
        (out, wire.spikes)
    }

    #[test]
    fn a_bounce_is_dated_to_its_first_touch_and_a_spike_is_none() {
        let changes = [
            (100, true),
            (102, false),
            (103, true),
            (300, false),
            (500, true),
            (501, false),
        ];
        let (out, spikes) = settled(Debounce::new(10, false), false, &changes, 900);
        assert_eq!((out, spikes), (vec![(100, true), (300, false)], 1));
    }

    #[test]
    fn a_wire_that_changes_is_on_while_it_does() {
        let mut changes = Vec::new();
        for k in 0..20 {
            changes.push((1000 + 5 * k, k % 2 == 0));
        }
        let (out, _) = settled(Debounce::new(10, true), false, &changes, 2000);
        assert_eq!(out, vec![(1000, true), (1095, false)]);
    }

    #[test]
    fn endless_chatter_is_taken_as_it_is() {
        let changes: Vec<(i64, bool)> = (0..100).map(|k| (k * 4, k % 2 == 0)).collect();
        let (out, _) = settled(Debounce::new(10, false), false, &changes, 395);
        assert!(!out.is_empty() && out.len() < 12, "{out:?}");
    }

    #[test]
    fn without_a_while_every_change_counts() {
        let changes = [(5, true), (6, false), (7, true)];
        let (out, _) = settled(Debounce::new(0, false), false, &changes, 8);
        assert_eq!(out, changes);
    }
}
