//! What a watched board has said, folded into what is to be shown.

use std::collections::BTreeMap;

use controller_core::link::{FromBoard, LinkCounters, Motion, SectionState, Welcome};

use crate::bench::named;
use crate::error::Result;

/// The board is called silent after so long without a frame, µs.
const SILENT_US: u64 = 2_000_000;
/// Rates are taken over so long, µs.
const RATE_US: u64 = 1_000_000;

/// A counter: whose it is, its name, its value.
pub type Counter = (&'static str, String, u64);

/// Counts at one instant, for rates.
#[derive(Debug, Clone, Copy, Default)]
struct Mark {
    at_us: u64,
    frames: u32,
    bytes: u64,
    commands: u64,
}

/// What came a second.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rates {
    /// Frames from the board, 1/s.
    pub frames_hz: f64,
    /// Bytes from the board, 1/s.
    pub bytes_hz: f64,
    /// Valve commands, 1/s.
    pub commands_hz: f64,
}

/// Everything known of the board.
#[derive(Debug, Clone)]
pub struct Watched {
    /// Where it is.
    pub port: String,
    /// Who it is.
    pub welcome: Welcome,
    /// Latest news of motion.
    pub motion: Option<Motion>,
    /// Latest state of each section.
    pub sections: BTreeMap<u8, SectionState>,
    /// What this end counted of the link.
    pub here: LinkCounters,
    /// Present rates.
    pub rates: Rates,
    /// Own clock, µs.
    pub now_us: u64,
    heard_us: u64,
    commands: u64,
    mark: Mark,
    counters: Vec<Counter>,
    base: Option<Vec<Counter>>,
}

impl Watched {
    /// Nothing heard yet but who it is.
    pub fn new(port: String, welcome: Welcome) -> Self {
        Self {
            port,
            welcome,
            motion: None,
            sections: BTreeMap::new(),
            here: LinkCounters::default(),
            rates: Rates::default(),
            now_us: 0,
            heard_us: 0,
            commands: 0,
            mark: Mark::default(),
            counters: Vec::new(),
            base: None,
        }
    }

    /// Takes a message that came at this instant of our clock.
    ///
    /// # Errors
    /// Never for what a board can say.
    pub fn take(&mut self, now_us: u64, message: &FromBoard) -> Result<()> {
        self.heard_us = now_us;
        match message {
            FromBoard::Motion(motion) => self.motion = Some(*motion),
            FromBoard::Section(state) => {
                self.sections.insert(state.section, *state);
            }
            FromBoard::Commands(batch) => self.commands += batch.entries.len() as u64,
            FromBoard::Counters { core, link } => {
                self.counters = named(core, link)?;
                self.base.get_or_insert_with(|| self.counters.clone());
            }
            FromBoard::Welcome(welcome) => self.welcome = *welcome,
            _ => {}
        }
        Ok(())
    }

    /// Lets time go on to this instant; `here` and `bytes` are what this end counted.
    pub fn pass(&mut self, now_us: u64, here: &LinkCounters, bytes: u64) {
        self.now_us = now_us;
        self.here = *here;
        let span = now_us.saturating_sub(self.mark.at_us);
        if span < RATE_US {
            return;
        }
        let mark = Mark {
            at_us: now_us,
            frames: here.frames,
            bytes,
            commands: self.commands,
        };
        let hz = |count: u64| count as f64 * 1e6 / span as f64;
        self.rates = Rates {
            frames_hz: hz(u64::from(mark.frames.saturating_sub(self.mark.frames))),
            bytes_hz: hz(mark.bytes.saturating_sub(self.mark.bytes)),
            commands_hz: hz(mark.commands.saturating_sub(self.mark.commands)),
        };
        self.mark = mark;
    }

    /// For how long nothing was heard, s, where that is too long.
    pub fn silent_s(&self) -> Option<f64> {
        let silence = self.now_us.saturating_sub(self.heard_us);
        (silence > SILENT_US).then_some(silence as f64 * 1e-6)
    }

    /// Counters that changed since the watch began or was told to forget: with the change.
    pub fn changed(&self) -> Vec<(Counter, u64)> {
        let base = self.base.as_deref().unwrap_or_default();
        let pairs = self.counters.iter().zip(base);
        pairs
            .filter(|(now, then)| now.2 != then.2)
            .map(|(now, then)| (now.clone(), now.2.saturating_sub(then.2)))
            .collect()
    }

    /// Counts changes from now on.
    pub fn forget(&mut self) {
        self.base = (!self.counters.is_empty()).then(|| self.counters.clone());
    }
}
