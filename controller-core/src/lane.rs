//! One nozzle's lane: what is planned on it, what was sprayed, what its valve was told.
//!
//! A patch comes in through `take` and is either planned, or known to be sprayed
//! already, or counted as out of reach: never dropped in silence. Ground that lies
//! before `done_to` is past.
//!
//! **Bound:** the two stretches last sprayed are remembered. A plant seen again on
//! older ground than that is counted as late, though it was sprayed.

use crate::boom::NozzleConfig;
use crate::counters::{Counters, add_ground, bump};
use crate::ground_plan::{Inserted, Interval, IntervalList, ahead};
use crate::sections::Mode;
use crate::units::{COUNTS_PER_MM, Micros, Span, low_u32};
use crate::wanted::{Runs, Wanted};

/// A millimetre in counts: less than this late is not reported as late.
pub(crate) const ONE_MM: i32 = COUNTS_PER_MM;
/// Ground this far behind is forgotten, long before short places alias.
const FORGET: i32 = 100_000 * COUNTS_PER_MM;

/// A patch of the plan is a plant's own when both ends are as close to it as this, counts: 10 mm.
#[cfg(feature = "turning")]
const LIKE: i32 = 10 * COUNTS_PER_MM;

/// How far on an open lane is looked at again when nothing ends its ground.
const FAR: i32 = 10_000 * COUNTS_PER_MM;

/// State of one nozzle: its plan and its valve.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lane<const K: usize> {
    /// Ground still to spray, as places of the boom reference point.
    pub plan: IntervalList<K>,
    /// Ground before this is past: sprayed or given up.
    pub(crate) done_to: i32,
    /// The stretches last sprayed, the newest first. While open the newest has no
    /// end yet: the rest of it is the plan's first interval.
    sprayed: [Interval; 2],
    /// Low half of the instant of the last command; means nothing once `rested`.
    last_at: u32,
    pub(crate) open: bool,
    /// The last command is so long ago that no shortest time binds any more.
    rested: bool,
    /// Opened in the bench state: what it sprays is not for the plan.
    bench: bool,
}

/// No shortest time of a valve is longer than this, µs.
const REST: i32 = 1_100_000;

impl<const K: usize> Lane<K> {
    /// Not set up yet. All zero, so that the lanes are cleared where they lie.
    pub(crate) const BLANK: Self = Self {
        plan: IntervalList::new(),
        done_to: 0,
        sprayed: [Interval { start: 0, end: 0 }; 2],
        last_at: 0,
        open: false,
        rested: false,
        bench: false,
    };

    /// Closed, with nothing planned or done, at place 0.
    pub(crate) fn set_up(&mut self) {
        let nothing = Interval {
            start: -FORGET,
            end: -FORGET,
        };
        self.done_to = -(FORGET >> 1);
        self.sprayed = [nothing; 2];
        self.rested = true;
    }

    /// True between an open and its close.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        self.open
    }

    /// Takes a patch into the plan, given for a nozzle at x = 0, while the reference
    /// point is at `here`. Bounded by the list length.
    pub(crate) fn take(
        &mut self,
        patch: Interval,
        nozzle: &NozzleConfig,
        here: i32,
        counters: &mut Counters,
    ) -> Planned {
        let mount = nozzle.x.bits();
        let mut interval = Interval {
            start: patch.start.wrapping_sub(mount),
            end: patch.end.wrapping_sub(mount),
        };
        // Ground already past is not planned again. Either it was sprayed, and the plant
        // is only seen once more; or it can't be reached, and that is counted.
        let done = self.done_to;
        let past = Interval {
            start: interval.start,
            end: interval.end.wrapping_sub(ahead(interval.end, done).max(0)),
        };
        let dry = if past.is_empty() {
            0
        } else {
            self.left_dry(past)
        };
        let wholly = ahead(interval.end, done) <= 0;
        if dry > ONE_MM {
            let tally = if wholly {
                &mut counters.missed_late
            } else {
                &mut counters.late
            };
            bump(tally);
            add_ground(&mut counters.late_mm, mm(dry));
        }
        if wholly {
            return if dry > ONE_MM {
                Planned::Behind
            } else {
                Planned::Grown
            };
        }
        if ahead(done, interval.start) > 0 {
            interval.start = done;
        }
        if ahead(here, interval.end) >= 0 {
            let covered = self.open
                && !self.bench
                && self.plan.first().is_some_and(|first| {
                    ahead(interval.start, first.start) >= 0 && ahead(first.end, interval.end) >= 0
                });
            if covered {
                return Planned::Grown;
            }
            bump(&mut counters.missed_late);
            add_ground(&mut counters.late_mm, mm(interval.len()));
            return Planned::Behind;
        }
        match self.plan.insert(interval) {
            Inserted::New => Planned::New,
            Inserted::Merged { grown } => {
                bump(&mut counters.patches_merged);
                add_ground(&mut counters.grown_mm, mm(grown));
                Planned::Grown
            }
            Inserted::Forced { gap } => {
                bump(&mut counters.forced_merges);
                add_ground(&mut counters.forced_merge_mm, mm(gap));
                Planned::Grown
            }
            // All of it done already.
            Inserted::Nothing => Planned::Grown,
        }
    }

    /// Grows a patch already taken to `patch`, given for a nozzle at x = 0. Of what is
    /// commanded or past nothing changes: false when there was some.
    pub(crate) fn grow(
        &mut self,
        patch: Interval,
        nozzle: &NozzleConfig,
        here: i32,
        counters: &mut Counters,
    ) -> bool {
        let mount = nozzle.x.bits();
        let end = patch.end.wrapping_sub(mount);
        let wanted = patch.start.wrapping_sub(mount);
        let start = later(wanted, self.done_to);
        if ahead(here, end) >= 0 {
            return false;
        }
        if let Inserted::Forced { gap } = self.plan.insert(Interval { start, end }) {
            bump(&mut counters.forced_merges);
            add_ground(&mut counters.forced_merge_mm, mm(gap));
        }
        ahead(start, wanted) <= ONE_MM
    }

    /// Moves a patch already taken, given for a nozzle at x = 0; one that has grown together
    /// with others, or is commanded or past, stays and only grows. False as [`grow`](Self::grow).
    #[cfg(feature = "turning")]
    pub(crate) fn shift(
        &mut self,
        (from, to): (Interval, Interval),
        nozzle: &NozzleConfig,
        here: i32,
        counters: &mut Counters,
    ) -> bool {
        let mut to = to;
        if ahead(here, to.end.wrapping_sub(nozzle.x.bits())) < 0
            && let Some(stood) = self.withdraw(from, nozzle)
        {
            // What repeated sights made it wider by stays.
            let by = ahead(to.start, from.start).wrapping_add(nozzle.x.bits());
            let stood = stood.on_by(by);
            to.end = later(to.end, stood.end);
            if ahead(to.start, stood.start) > 0 {
                to.start = stood.start;
            }
        }
        self.grow(to, nozzle, here, counters)
    }

    /// Takes a patch out of the plan, given for a nozzle at x = 0, if it stands alone and nothing
    /// of it is commanded or past.
    #[cfg(feature = "turning")]
    pub(crate) fn withdraw(&mut self, patch: Interval, nozzle: &NozzleConfig) -> Option<Interval> {
        let own = patch.on_by(nozzle.x.bits().wrapping_neg());
        self.plan.take_like(own, LIKE, self.done_to)
    }

    /// Length of the patch that an open valve is in, as planned now. `None` outside the plan.
    pub(crate) fn patch_length(&self) -> Option<i32> {
        let [newest, _] = self.sprayed;
        let first = self.plan.first()?;
        (ahead(first.start, self.done_to) <= 0).then(|| ahead(first.end, newest.start))
    }

    /// How much of `wanted`, which must end at or before `done_to`, was not sprayed.
    /// Of ground older than the two stretches last sprayed it can't tell, and says
    /// that it was not.
    fn left_dry(&self, wanted: Interval) -> i32 {
        let mut dry = wanted.len().max(0);
        for stretch in self.sprayed {
            let from = later(stretch.start, wanted.start);
            let to = wanted
                .end
                .wrapping_sub(ahead(wanted.end, stretch.end).max(0));
            dry = dry.saturating_sub(ahead(to, from).max(0));
        }
        dry.max(0)
    }

    /// The earliest that the valve may be told again, when it must rest `shortest` after
    /// the last command; never before `after`. Both in µs after an instant, given by the
    /// low half of its stamp.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn earliest(&self, now: u32, after: i32, shortest: Span) -> i32 {
        if self.rested {
            return after;
        }
        let since = self.since_last(now.wrapping_add_signed(after));
        if since < -REST {
            // No command lies so far ahead: half an hour passed without a call.
            return after;
        }
        after.saturating_add(shortest.us().saturating_sub(since).max(0))
    }

    /// µs from the last command to `now`, while not `rested`; negative when the last
    /// command is still to be acted on.
    fn since_last(&self, now: u32) -> i32 {
        now.wrapping_sub(self.last_at).cast_signed()
    }

    /// Where the lane is next to be looked at while it may spray and the plan alone decides: the
    /// boundary ahead. `None`: nothing to do.
    pub(crate) fn plan_boundary(&self, place: i32) -> Option<i32> {
        match (self.plan.first(), self.open) {
            (Some(first), false) => Some(first.start),
            (Some(first), true) if ahead(first.start, self.done_to) <= 0 => Some(first.end),
            // Open with nothing left to spray here: at once.
            (_, true) => Some(place),
            (None, false) => None,
        }
    }

    /// The same whatever decides, over several calls. Outer `None`: `runs` has to search first.
    pub(crate) fn look_for_boundary(
        &self,
        wanted: &Wanted<'_>,
        place: i32,
        runs: &mut Runs,
    ) -> Option<Option<i32>> {
        if !wanted.is_plan() {
            return self.composed_boundary(wanted, place, runs);
        }
        Some(self.plan_boundary(place))
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn composed_boundary(
        &self,
        wanted: &Wanted<'_>,
        place: i32,
        runs: &mut Runs,
    ) -> Option<Option<i32>> {
        let plan = self.plan.as_slice();
        if self.open {
            let run = runs.ask(wanted, plan, self.done_to)?;
            let run = run.filter(|run| run.start == self.done_to);
            // Nothing ends it: to be looked at again some way on.
            let end = run.map_or(place, |run| run.end.unwrap_or(place.wrapping_add(FAR)));
            return Some(Some(end));
        }
        // A patch that passes while it may not be sprayed is counted there.
        let first = self.plan.first();
        if wanted.mode == Mode::Off {
            return Some(first.map(|first| first.end));
        }
        // Not from `place`: a foretold place can turn out too far on, and then the lane
        // would be woken too late.
        let run = runs.ask(wanted, plan, self.done_to)?;
        Some(match (run.map(|run| run.start), first) {
            (Some(start), Some(first)) if ahead(start, first.end) > 0 => Some(first.end),
            (None, Some(first)) => Some(first.end),
            (start, _) => start,
        })
    }

    /// All ground before `to` has been sprayed: an open lane's progress. To be told
    /// whenever what it is to spray changes.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn progress(&mut self, to: i32) {
        if !self.open || self.bench || ahead(to, self.done_to) <= 0 {
            return;
        }
        self.done_to = to;
        if let Some(newest) = self.sprayed.first_mut() {
            newest.end = later(newest.end, to);
        }
        self.drop_before(to);
    }

    /// Takes the ground before `to` out of the plan.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn drop_before(&mut self, to: i32) {
        self.plan.drop_before(to);
    }

    /// Gives up the nearest patch if it ends before `to` while the lane is closed, and counts
    /// it: as withheld where mode or keep-off ground did it, else as late. True when it did.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn give_up_before(
        &mut self,
        to: i32,
        wanted: &Wanted<'_>,
        counters: &mut Counters,
    ) -> bool {
        let Some(first) = self.plan.first().filter(|first| ahead(first.end, to) <= 0) else {
            return false;
        };
        let held = wanted.mode == Mode::Off || wanted.past_line(first.start) != first.start;
        self.plan.pop_first();
        self.done_to = later(self.done_to, first.end);
        if held {
            bump(&mut counters.withheld);
            add_ground(&mut counters.withheld_mm, mm(first.len()));
        } else {
            bump(&mut counters.missed_late);
            add_ground(&mut counters.late_mm, mm(first.len()));
        }
        true
    }

    /// Leaves out the ground from `from` to `to` because of a keep-off line beyond.
    pub(crate) fn withhold(&mut self, from: i32, to: i32, counters: &mut Counters) {
        self.drop_before(to);
        self.done_to = later(self.done_to, to);
        bump(&mut counters.withheld);
        add_ground(&mut counters.withheld_mm, mm(ahead(to, from)));
    }

    /// Opens or closes in the bench state: the plan and the sprayed ground stay as they are.
    pub(crate) fn bench(&mut self, at: u32, open: bool) {
        self.open = open;
        self.bench = open;
        self.last_at = at;
        self.rested = false;
    }

    pub(crate) const fn in_bench(&self) -> bool {
        self.bench
    }

    /// Brings forward what would otherwise alias: places after 134 km, and the last
    /// command's instant after 71 minutes. To be called every 10 km and half hour.
    pub(crate) fn age_out(&mut self, place: i32, now: Micros) {
        if !self.rested && self.since_last(low_u32(now.0)) > REST {
            self.rested = true;
        }
        let forgotten = place.wrapping_sub(FORGET >> 1);
        if ahead(place, self.done_to) > FORGET {
            self.done_to = forgotten;
        }
        for stretch in &mut self.sprayed {
            if ahead(place, stretch.start) > FORGET {
                stretch.start = forgotten;
            }
            if ahead(place, stretch.end) > FORGET {
                stretch.end = forgotten;
            }
        }
    }

    /// The nozzle runs back in a curve and is at `here`: what it sprayed and was to spray lies
    /// on ground that it does not come by again on this way. Returns the patches given up.
    #[cfg(feature = "turning")]
    pub(crate) fn run_back(&mut self, here: i32) -> usize {
        if self.open {
            return 0;
        }
        let given_up = self.plan.as_slice().len();
        self.plan = IntervalList::new();
        if ahead(self.done_to, here) > 0 {
            self.done_to = here;
            let nothing = Interval {
                start: here,
                end: here,
            };
            self.sprayed = [nothing; 2];
        }
        given_up
    }

    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn opened(&mut self, at: u32, start: i32) {
        self.open = true;
        self.last_at = at;
        self.rested = false;
        let [newest, _] = self.sprayed;
        self.sprayed = [Interval { start, end: start }, newest];
        // What lies before can't be reached any more.
        self.drop_before(start);
        self.done_to = later(self.done_to, start);
    }

    /// After a way back: a patch that the guard cut off is to go on where the dose was
    /// still full, `overlap` before the cut.
    pub(crate) fn resume(&mut self, overlap: i32, mode: Mode) {
        let [newest, _] = self.sprayed;
        if self.open || newest.is_empty() {
            return;
        }
        let near = |place: i32| ahead(place, newest.end).saturating_abs() <= 1;
        let planned = self.plan.first().is_some_and(|first| near(first.start));
        if planned {
            self.plan.widen_first(overlap);
        }
        if (planned || mode == Mode::Broadcast) && near(self.done_to) {
            // Where more than the plan counts, ground before this is not asked for.
            self.done_to = self.done_to.wrapping_sub(overlap);
        }
    }

    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn closed(&mut self, at: u32, end: i32) {
        self.open = false;
        self.last_at = at;
        self.rested = false;
        if let Some(newest) = self.sprayed.first_mut() {
            newest.end = later(newest.start, end);
        }
        self.done_to = later(self.done_to, end);
    }
}

/// What became of a patch that a nozzle was asked to spray.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Planned {
    /// A patch of its own.
    New,
    /// It joined one already planned, or was sprayed already.
    Grown,
    /// Too late for this nozzle; counted.
    Behind,
}

/// The place farther on.
pub(crate) fn later(a: i32, b: i32) -> i32 {
    if ahead(a, b) > 0 { a } else { b }
}

/// Counts to whole millimetres, nearest.
pub(crate) fn mm(counts: i32) -> u32 {
    u32::try_from(counts.saturating_add(8) >> 4).unwrap_or_default()
}
