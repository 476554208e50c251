//! What lies over the plan, for the whole boom: sections and their modes, what was seen,
//! and keep-off ground. Hands out one nozzle's share of it as [`Wanted`].

use crate::boom::{Config, NozzleConfig, UnseenPolicy};
use crate::counters::{Counters, bump};
use crate::ground_plan::{Interval, ahead};
use crate::keep_off::{Joining, KeepOffs, Over, Stretch};
use crate::sections::{Mode, OrderError, SectionConfig, Sections};
use crate::sight::{Covering, Seen};
use crate::turning::{Heading, Side};
use crate::units::{COUNTS_PER_MM, Length};
use crate::wanted::{Lines, Sight, Wanted};
use heapless::Vec;

/// Keep-off ground is widened by this beside what is configured: what rounding can do.
const ROUNDING: i32 = 2;
/// Keep-off ground is forgotten when the rearmost nozzle is so far past it.
const PAST: i32 = 1000 * COUNTS_PER_MM;

/// What is known of each nozzle, without a byte between.
#[derive(Clone, Copy, Debug, Default)]
struct Share {
    seen_by: u16,
    any: bool,
    section: u8,
}

/// The layers of a boom with at most `N` nozzles and `D` detectors.
#[derive(Clone, Debug)]
pub(crate) struct Layers<const N: usize, const D: usize> {
    pub sections: Sections,
    /// Each nozzle's section, and who looks at it.
    shares: [Share; N],
    seen: Vec<Seen, D>,
    spray_unseen: bool,
    shrink: (i32, i32),
    keep_offs: KeepOffs,
    widen: i32,
    /// The rearmost nozzle, from the reference point.
    rear: i32,
    /// Of the counted wheel, right of the reference point.
    wheel_y: Length,
    /// The heading with which the boom comes by what is decided now.
    pub heading: Heading,
    /// What was seen is forgotten so far behind the rearmost nozzle: margins reach back.
    lag: i32,
    nozzles: u16,
    /// Which detector, or the keep-off list, is next to be told what was passed.
    turn: usize,
}

impl<const N: usize, const D: usize> Layers<N, D> {
    /// Not set up yet. All zero, so that a part of the controller is cleared where it lies.
    pub const BLANK: Self = Self {
        sections: Sections::NONE,
        shares: [Share {
            seen_by: 0,
            any: false,
            section: 0,
        }; N],
        seen: Vec::new(),
        spray_unseen: false,
        shrink: (0, 0),
        keep_offs: KeepOffs::NONE,
        widen: 0,
        rear: 0,
        wheel_y: Length::from_bits(0),
        heading: Heading::START,
        lag: 0,
        nozzles: 0,
        turn: 0,
    };

    /// For a machine that is checked.
    pub fn set_up(&mut self, config: &Config<'_>) {
        for (index, section) in (0_u8..).zip(config.sections) {
            let own = self.shares.iter_mut().skip(usize::from(section.first));
            for share in own.take(usize::from(section.count)) {
                share.section = index;
            }
        }
        let rear = config.nozzles.iter().map(|n| n.x.bits()).min();
        self.rear = rear.unwrap_or_default();
        self.spray_unseen = config.modes.unseen == UnseenPolicy::Spray;
        let patch = &config.patch;
        self.shrink = (
            patch.trail.plus(patch.edge_extra).bits(),
            patch.lead.plus(patch.edge_extra).bits(),
        );
        self.lag = if self.spray_unseen { self.shrink.0 } else { 0 };
        let wheel_y = config.turning.map_or(Length::default(), |t| t.wheel_y);
        self.wheel_y = wheel_y;
        let mark = self.rear.saturating_sub(self.lag);
        for detector in config.detectors {
            let side = Side::of(detector.y, wheel_y);
            let pushed = self.seen.push(Seen::from(mark, side));
            debug_assert!(pushed.is_ok(), "no more than were checked");
        }
        if self.spray_unseen {
            for (share, nozzle) in self.shares.iter_mut().zip(config.nozzles) {
                let covering = Covering::of(nozzle, config.detectors.iter().copied());
                (share.seen_by, share.any) = (covering.mask, covering.any);
            }
        }
        let sides = config.nozzles.iter().map(|n| Side::of(n.y, wheel_y));
        self.keep_offs.set_up(Side::farthest(sides));
        self.sections.set_up(config.sections.len().max(1));
        let margin = patch.edge_extra.plus(config.modes.keep_off_margin);
        self.widen = margin.bits().saturating_add(ROUNDING);
        self.nozzles = u16::try_from(config.nozzles.len()).unwrap_or(u16::MAX);
    }

    /// True while the plan alone decides for every nozzle.
    pub fn are_plain(&self) -> bool {
        !self.spray_unseen && self.keep_offs.is_empty() && self.sections.all_spot()
    }

    /// True while any ground is kept off.
    pub fn keeps_off(&self) -> bool {
        !self.keep_offs.is_empty()
    }

    pub fn sprays_unseen(&self) -> bool {
        self.spray_unseen
    }

    fn share(&self, nozzle: usize) -> Share {
        self.shares.get(nozzle).copied().unwrap_or_default()
    }

    pub fn section_of(&self, nozzle: usize) -> u8 {
        self.share(nozzle).section
    }

    /// The mode of a nozzle's section.
    pub fn mode_of(&self, nozzle: usize) -> Mode {
        let section = self.section_of(nozzle);
        self.sections.mode(usize::from(section))
    }

    /// Keep-off ground over one nozzle.
    pub fn lines_over(&self, index: usize, nozzle: &NozzleConfig) -> Lines {
        let index = u16::try_from(index).unwrap_or(u16::MAX);
        let place = (nozzle.x.bits(), Side::of(nozzle.y, self.wheel_y));
        Lines::over(self.keep_offs.as_slice(), index, place, self.widen)
    }

    /// The layers over one nozzle, of which the keep-off ground is given.
    #[cfg_attr(target_os = "none", inline(never))]
    pub fn over<'l>(&'l self, index: usize, nozzle: &NozzleConfig, lines: &'l Lines) -> Wanted<'l> {
        let share = self.share(index);
        let mode = self.sections.mode(usize::from(share.section));
        let sight = (self.spray_unseen && mode == Mode::Spot).then(|| Sight {
            covering: Covering {
                mask: share.seen_by,
                any: share.any,
            },
            seen: &self.seen,
            shrink: self.shrink,
            heading: self.heading,
        });
        Wanted {
            mode,
            sight,
            lines,
            mount: nozzle.x.bits(),
            side: Side::of(nozzle.y, self.wheel_y),
        }
    }

    /// True while the plan alone decides for a nozzle.
    pub fn is_plan(&self, index: usize) -> bool {
        !self.spray_unseen && self.keep_offs.is_empty() && self.mode_of(index) == Mode::Spot
    }

    /// Where a detector is across.
    pub fn side_of(&self, detector: usize) -> Side {
        self.seen
            .get(detector)
            .map_or(Side::WHEEL, |seen| seen.side)
    }

    /// Takes the ground that an image of a detector covers, along the detector's own way.
    pub fn see(&mut self, detector: usize, stretch: Interval, counters: &mut Counters) {
        if let Some(seen) = self.seen.get_mut(detector)
            && !seen.insert(stretch)
        {
            bump(&mut counters.seen_forgotten);
        }
    }

    /// The machine turns: what it has passed it may pass again.
    pub fn turn(&mut self) {
        for seen in &mut self.seen {
            seen.turn();
        }
    }

    /// The reference point has come to `here` with `heading`: measures and forgets what one detector saw
    /// before, or forgets passed keep-off ground; one after the other, call by call.
    /// `swath`: the width of each detector's view.
    pub fn pass(
        &mut self,
        here: i32,
        heading: Heading,
        swath: impl FnOnce(usize) -> Length,
        counters: &mut Counters,
    ) {
        let mark = here.wrapping_add(self.rear);
        let turn = self.turn;
        if let Some(seen) = self.seen.get_mut(turn) {
            let own = mark.wrapping_add(heading.lead(seen.side));
            let bare = seen.pass(own.wrapping_sub(self.lag));
            if bare > 0 {
                let swath = u64::try_from(swath(turn).bits()).unwrap_or_default();
                let area = u64::from(bare).saturating_mul(swath) >> 8;
                counters.unseen_mm2 = counters.unseen_mm2.saturating_add(area);
            }
            self.turn = turn.wrapping_add(1);
        } else {
            if !self.keep_offs.is_empty() {
                let far = mark.wrapping_sub(PAST).wrapping_sub(self.widen);
                self.keep_offs.forget_before(far, heading);
            }
            self.turn = 0;
        }
    }

    /// Keep-off ground from `from` to `to`, while the reference point is at `here` with `heading`:
    /// checked, not taken yet.
    pub fn stretch(
        &self,
        sections: &[SectionConfig],
        over: Over,
        (from, to): (i32, i32),
        (here, heading): (i32, Heading),
    ) -> Result<Stretch, OrderError> {
        let (first, count) = match over {
            Over::Boom => (0, self.nozzles),
            Over::Section(section) if self.sections.exists(usize::from(section)) => {
                match sections.get(usize::from(section)) {
                    Some(section) => (section.first, section.count),
                    None => (0, self.nozzles),
                }
            }
            Over::Section(section) => return Err(OrderError::UnknownSection { section }),
            Over::Nozzles { first, count } => (first, count),
        };
        let end = first.saturating_add(count);
        if count == 0 || end > self.nozzles {
            return Err(OrderError::UnknownNozzles { first, count });
        }
        if ahead(to, from) <= 0 {
            return Err(OrderError::Backwards);
        }
        if ahead(to, here.wrapping_add(self.rear)) <= 0 {
            return Err(OrderError::Behind);
        }
        Ok(Stretch {
            first,
            end,
            from,
            to,
            heading,
        })
    }

    /// Whether ground is kept off already.
    pub fn holds_keep_off(&self, stretch: &Stretch) -> bool {
        self.keep_offs.holds(stretch)
    }

    /// Takes keep-off ground that was not kept off. `Some` when two have to be joined, which goes on with
    /// [`join_keep_off`](Self::join_keep_off).
    pub fn keep_off(&mut self, stretch: Stretch) -> Option<Joining> {
        self.keep_offs.begin(stretch)
    }

    /// Goes on with joining. `None` when it is done.
    pub fn join_keep_off(&mut self, joining: Joining) -> Option<Joining> {
        self.keep_offs.join(joining)
    }
}
