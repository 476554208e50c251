//! What one nozzle is to spray: its section's mode, its plan, unseen ground and keep-off
//! lines laid over one another, asked for along travel and never stored.
//!
//! Off: nothing. Broadcast: everything. Spot: the plan, and with
//! [`UnseenPolicy::Spray`](crate::boom::UnseenPolicy) all ground that no covering detector
//! has seen, with the margins that a plant there would get. Of all this keep-off ground is
//! taken away, widened by what the fan reaches over.
//!
//! A question for the next stretch goes over the edges of all layers, at most `MOST_STEPS`, and
//! can be answered an edge a call: [`Runs`].

use crate::ground_plan::{Interval, IntervalList, ahead};
use crate::keep_off::{MAX_KEEP_OFF, Stretch};
use crate::lane::later;
use crate::sections::Mode;
use crate::sight::{Covering, Seen};
use crate::turning::{Heading, Side};

/// More edges than all layers can have within reach.
const MOST_STEPS: u16 = 512;

/// One stretch that is to be sprayed without a break.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Run {
    /// Its near end, at or beyond the place that was asked about.
    pub start: i32,
    /// A keep-off line ends there, so that no drop may fall before it.
    pub from_line: bool,
    /// Its far end; none while nothing known ends it.
    pub end: Option<i32>,
    /// A keep-off line begins there, so that no drop may fall beyond it.
    pub to_line: bool,
}

/// Unseen ground as a nozzle sees it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sight<'a> {
    pub covering: Covering,
    pub seen: &'a [Seen],
    /// What a plant's margins take off a seen stretch at its near and far end, counts.
    pub shrink: (i32, i32),
    /// The heading with which the boom comes by.
    pub heading: Heading,
}

/// Keep-off ground over one nozzle's lane: in order and apart, so that a question goes over it
/// once. Places as in [`Wanted`].
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lines {
    list: IntervalList<MAX_KEEP_OFF>,
    len: u8,
    /// Ground is kept off somewhere on the boom.
    any: bool,
}

impl Lines {
    /// No ground is kept off.
    pub(crate) const NONE: Self = Self {
        list: IntervalList::new(),
        len: 0,
        any: false,
    };

    /// Of these stretches those over `nozzle`, which stands `mount` forward of the reference
    /// point and at `side` across; each widened to both sides by `widen`, counts. What touches
    /// becomes one. Bounded by the square of [`MAX_KEEP_OFF`].
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn over(
        stretches: &[Stretch],
        nozzle: u16,
        (mount, side): (i32, Side),
        widen: i32,
    ) -> Self {
        let mut list = IntervalList::new();
        for line in stretches.iter().filter(|line| line.covers(nozzle)) {
            let back = mount.wrapping_sub(line.heading.lead(side));
            list.insert(Interval {
                start: line.from.wrapping_sub(back).wrapping_sub(widen),
                end: line.to.wrapping_sub(back).wrapping_add(widen),
            });
        }
        Self {
            len: u8::try_from(list.as_slice().len()).unwrap_or_default(),
            list,
            any: !stretches.is_empty(),
        }
    }

    fn as_slice(&self) -> &[Interval] {
        self.list.first_few(usize::from(self.len))
    }

    /// The first that ends beyond `place`.
    fn beyond(&self, place: i32) -> Option<Interval> {
        let mut lines = self.as_slice().iter().copied();
        lines.find(|line| ahead(line.end, place) > 0)
    }
}

/// The layers over one nozzle's lane. Places are along its own way, less its mount.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted<'a> {
    pub mode: Mode,
    /// Given where unseen ground is sprayed.
    pub sight: Option<Sight<'a>>,
    pub lines: &'a Lines,
    /// The nozzle's place forward of the reference point, counts.
    pub mount: i32,
    /// Where it is across.
    pub side: Side,
}

impl Wanted<'_> {
    /// True when the plan alone decides.
    pub(crate) fn is_plan(&self) -> bool {
        self.mode == Mode::Spot && self.sight.is_none() && !self.lines.any
    }

    /// True when ground may be asked for that no plan holds.
    pub(crate) fn fills(&self) -> bool {
        self.mode == Mode::Broadcast || self.sight.is_some()
    }

    /// Whether `place` is kept off, and where that changes next.
    fn kept_off(&self, place: i32) -> (bool, Option<i32>) {
        match self.lines.beyond(place) {
            Some(line) if ahead(place, line.start) >= 0 => (true, Some(line.end)),
            Some(line) => (false, Some(line.start)),
            None => (false, None),
        }
    }

    /// The next place at or beyond `place` where keep-off ground begins; `place` itself
    /// when it is kept off.
    pub(crate) fn line_after(&self, place: i32) -> Option<i32> {
        let line = self.lines.beyond(place)?;
        Some(later(line.start, place))
    }

    /// Where the last keep-off ground before `place` ends, which is not kept off itself.
    pub(crate) fn line_behind(&self, place: i32) -> Option<i32> {
        let ends = self.lines.as_slice().iter().map(|line| line.end);
        ends.take_while(|end| ahead(place, *end) >= 0).last()
    }

    /// Where the keep-off ground that holds `place` ends; `place` when none does.
    pub(crate) fn past_line(&self, place: i32) -> i32 {
        match self.kept_off(place) {
            (true, Some(end)) => end,
            _ => place,
        }
    }

    /// Whether `place` is asked for by mode, plan or policy, and where that changes next.
    fn asked(&self, plan: &[Interval], place: i32) -> (bool, Option<i32>) {
        match self.mode {
            Mode::Off => (false, None),
            Mode::Broadcast => (true, None),
            Mode::Spot => {
                let first = plan.iter().find(|item| ahead(item.end, place) > 0);
                let (planned, edge) = match first {
                    Some(item) if ahead(place, item.start) >= 0 => (true, Some(item.end)),
                    Some(item) => (false, Some(item.start)),
                    None => (false, None),
                };
                let Some(sight) = self.sight else {
                    return (planned, edge);
                };
                let ground = place.wrapping_add(self.mount);
                let lists = sight.seen.iter();
                let (seen, next) =
                    (sight.covering).seen(lists, ground, sight.shrink, (self.side, sight.heading));
                let next = next.map(|next| next.wrapping_sub(self.mount));
                (planned || !seen, nearer(edge, next))
            }
        }
    }

    /// The first stretch to spray at or beyond `from`. `Runs` finds the same over several calls.
    #[cfg(test)]
    pub(crate) fn run(&self, plan: &[Interval], from: i32) -> Option<Run> {
        let mut runs = Runs::default();
        loop {
            match runs.ask(self, plan, from) {
                Some(run) => return run,
                None => runs.step(self, plan),
            }
        }
    }
}

/// A search for the first stretch to spray, an edge a step.
#[derive(Clone, Copy, Debug)]
struct Search {
    from: i32,
    place: i32,
    start: Option<i32>,
    from_line: bool,
    /// Whether `place` is kept off, and where that changes next; likewise whether it is asked
    /// for. Nothing while not known.
    kept_off: Option<(bool, Option<i32>)>,
    asked: Option<(bool, Option<i32>)>,
    steps: u16,
}

impl Search {
    fn new(from: i32) -> Self {
        Self {
            from,
            place: from,
            start: None,
            from_line: false,
            kept_off: None,
            asked: None,
            steps: 0,
        }
    }

    /// Goes on by an edge. `Some` when it is over, with the stretch if there is one. Goes once
    /// through the plan, the keep-off lines and the seen stretches at most.
    #[cfg_attr(target_os = "none", inline(never))]
    fn step(&mut self, wanted: &Wanted<'_>, plan: &[Interval]) -> Option<Option<Run>> {
        let place = self.place;
        let known = *(self.kept_off).get_or_insert_with(|| wanted.kept_off(place));
        let (off, line) = known;
        let known = *(self.asked).get_or_insert_with(|| wanted.asked(plan, place));
        let (asked, edge) = known;
        match (self.start, asked && !off) {
            (None, true) => {
                self.start = Some(place);
                // Lines may have been stepped over, and one end just here.
                self.from_line |= place != self.from && wanted.line_behind(place) == Some(place);
            }
            (None, false) => self.from_line = off,
            (Some(start), false) => {
                return Some(Some(Run {
                    start,
                    from_line: self.from_line,
                    end: Some(place),
                    to_line: off,
                }));
            }
            (Some(_), true) => {}
        }
        // What lies before the end of keep-off ground, or before ground that is asked for,
        // can't be sprayed: nothing changes there.
        let next = match (self.start, off, asked) {
            (None, true, _) => line,
            (None, false, false) => edge,
            _ => nearer(line, edge),
        };
        self.steps = self.steps.saturating_add(1);
        let Some(next) = next.filter(|_| self.steps < MOST_STEPS) else {
            return Some(self.start.map(|start| Run {
                start,
                from_line: self.from_line,
                end: None,
                to_line: false,
            }));
        };
        self.place = next;
        // An edge further on still stands.
        let passed = |edge: Option<i32>| edge.is_some_and(|edge| ahead(edge, next) <= 0);
        if passed(line) {
            self.kept_off = None;
        }
        if passed(edge) {
            self.asked = None;
        }
        None
    }
}

/// The stretches that one nozzle's turn asks for, searched for over several calls: so that no
/// call goes through all edges of all layers. Holds for as long as no layer, nor the plan,
/// changes.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Runs {
    /// What was found from which place on, the newest first.
    found: [Option<(i32, Option<Run>)>; 2],
    search: Option<Search>,
}

impl Runs {
    /// The first stretch to spray at or beyond `from`, if there is one. Outer `None`: it is
    /// being searched for, see [`step`](Self::step). Of the plan alone known at once.
    pub(crate) fn ask(
        &mut self,
        wanted: &Wanted<'_>,
        plan: &[Interval],
        from: i32,
    ) -> Option<Option<Run>> {
        if wanted.is_plan() {
            let first = plan.iter().find(|item| ahead(item.end, from) > 0);
            return Some(first.map(|first| Run {
                start: later(first.start, from),
                from_line: false,
                end: Some(first.end),
                to_line: false,
            }));
        }
        let found = self.found.iter().flatten().find(|found| found.0 == from);
        if let Some((_, run)) = found {
            return Some(*run);
        }
        if self.search.is_none_or(|search| search.from != from) {
            self.search = Some(Search::new(from));
        }
        None
    }

    /// Forgets what was found.
    pub(crate) fn clear(&mut self) {
        self.found = [None; 2];
        self.search = None;
    }

    /// Something is being searched for.
    pub(crate) fn searching(&self) -> bool {
        self.search.is_some()
    }

    /// Goes on by one edge.
    pub(crate) fn step(&mut self, wanted: &Wanted<'_>, plan: &[Interval]) {
        if let Some(search) = &mut self.search
            && let Some(run) = search.step(wanted, plan)
        {
            let [newest, _] = self.found;
            self.found = [Some((search.from, run)), newest];
            self.search = None;
        }
    }
}

/// The nearer of two places ahead.
fn nearer(a: Option<i32>, b: Option<i32>) -> Option<i32> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if ahead(a, b) < 0 { a } else { b }),
        (a, b) => a.or(b),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::boom::{DetectorConfig, NozzleConfig};
    use crate::units::Length;
    use proptest::prelude::*;

    fn iv(start: i32, end: i32) -> Interval {
        Interval { start, end }
    }

    fn one_eye() -> Covering {
        let nozzle = NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500));
        let eye = DetectorConfig::centred(Length::from_mm(0), Length::from_mm(500));
        Covering::of(&nozzle, [eye].into_iter())
    }

    #[test]
    fn a_line_in_broadcast_cuts_and_says_so() {
        let lines = [Stretch {
            first: 0,
            end: 4,
            from: 1000,
            to: 1200,
            heading: Heading::START,
        }];
        let over = |nozzle| Lines::over(&lines, nozzle, (-100, Side::WHEEL), 10);
        let w = Wanted {
            mode: Mode::Broadcast,
            sight: None,
            lines: &over(2),
            mount: -100,
            side: Side::WHEEL,
        };
        // The nozzle is 100 behind: it comes over 1000 when the reference is at 1100.
        let first = Run {
            start: 0,
            from_line: false,
            end: Some(1090),
            to_line: true,
        };
        assert_eq!(w.run(&[], 0), Some(first));
        let second = Run {
            start: 1310,
            from_line: true,
            end: None,
            to_line: false,
        };
        assert_eq!(w.run(&[], 1100), Some(second));
        assert_eq!(w.line_after(0), Some(1090));
        assert_eq!(w.line_after(1100), Some(1100));
        assert_eq!(w.line_after(1310), None);
        assert_eq!((w.past_line(1100), w.past_line(40)), (1310, 40));
        assert_eq!(
            (w.line_behind(1309), w.line_behind(1310)),
            (None, Some(1310))
        );
        let other = Wanted {
            lines: &over(4),
            ..w
        };
        assert!(other.line_after(0).is_none() && !other.is_plan());
    }

    proptest! {
        /// Cell by cell: a stretch to spray is what mode, plan, sight and lines say.
        #[test]
        fn cells_agree(
            mode in prop_oneof![Just(Mode::Spot), Just(Mode::Broadcast), Just(Mode::Off)],
            plan in proptest::collection::vec((1i32..60, 1i32..60), 0..6),
            images in proptest::collection::vec((0i32..500, 1i32..200), 0..8),
            lines in proptest::collection::vec((0i32..500, 1i32..80), 0..=16),
            policy in any::<bool>(), mount in -50i32..50, base in any::<i32>(), from in 0i32..500,
        ) {
            let at = |cell: i32| base.wrapping_add(cell);
            let mut intervals = [Interval::default(); 6];
            let (mut end, mut count) = (0, 0);
            for (slot, (gap, length)) in intervals.iter_mut().zip(&plan) {
                *slot = iv(at(end + gap), at(end + gap + length));
                end += gap + length;
                count += 1;
            }
            let plan = &intervals[..count];
            let mut seen = Seen::from(base.wrapping_add(-1000), Side::WHEEL);
            for (from, length) in &images { seen.insert(iv(at(*from + mount), at(from + length + mount))); }
            let seen = [seen];
            let mut stretches = [Stretch { first: 0, end: 1, from: 0, to: 0, heading: Heading::START }; 16];
            for (slot, (from, length)) in stretches.iter_mut().zip(&lines) {
                (slot.from, slot.to) = (at(from + mount), at(from + length + mount));
            }
            let stretches = &stretches[..lines.len()];
            let own = Lines::over(stretches, 0, (mount, Side::WHEEL), 3);
            let w = Wanted {
                mode, mount, side: Side::WHEEL, lines: &own,
                sight: policy.then(|| Sight { covering: one_eye(), seen: &seen, shrink: (2, 4), heading: Heading::START }),
            };
            let cell = |c: i32| {
                let p = at(c);
                let within = |start: i32, end: i32| ahead(p, start) >= 0 && ahead(end, p) > 0;
                let kept = stretches.iter().any(|l| within(l.from.wrapping_sub(mount + 3), l.to.wrapping_sub(mount - 3)));
                let known = seen[0].as_slice().iter().any(|i| within(i.start.wrapping_sub(mount - 2), i.end.wrapping_sub(mount + 4)));
                let asked = match mode {
                    Mode::Off => false,
                    Mode::Broadcast => true,
                    Mode::Spot => plan.iter().any(|i| within(i.start, i.end)) || (policy && !known),
                };
                (asked && !kept, kept)
            };
            let last = 2000;
            let start = (from..last).find(|c| cell(*c).0);
            let run = w.run(plan, at(from));
            prop_assert_eq!(run.map(|r| r.start.wrapping_sub(base)), start);
            let Some((run, start)) = run.zip(start) else { return Ok(()) };
            let end = (start..last).find(|c| !cell(*c).0);
            prop_assert_eq!(run.end.map(|e| e.wrapping_sub(base)), end);
            prop_assert_eq!(run.from_line, start > from && cell(start - 1).1);
            prop_assert_eq!(run.to_line, end.is_some_and(|e| cell(e).1));
        }

        /// Cell by cell, in whatever order the lines lie.
        #[test]
        fn past_line_is_past_every_line(
            lines in proptest::collection::vec((0i32..300, 1i32..60), 0..=16),
            place in 0i32..300, base in any::<i32>(),
        ) {
            let mut stretches = [Stretch { first: 0, end: 1, from: 0, to: 0, heading: Heading::START }; 16];
            for (slot, (from, length)) in stretches.iter_mut().zip(&lines) {
                (slot.from, slot.to) = (base.wrapping_add(*from), base.wrapping_add(from + length));
            }
            let own = Lines::over(&stretches[..lines.len()], 0, (0, Side::WHEEL), 0);
            let w = Wanted { mode: Mode::Spot, mount: 0, side: Side::WHEEL, lines: &own, sight: None };
            let end = (place..).find(|cell| !lines.iter().any(|(from, length)| (*from..from + length).contains(cell)));
            prop_assert_eq!(Some(w.past_line(base.wrapping_add(place)).wrapping_sub(base)), end);
        }

        /// A search that is interrupted finds what one that is not finds, whatever was asked for
        /// before; and it says that it has to search.
        #[test]
        fn stretches_are_kept(froms in proptest::collection::vec(0i32..400, 1..12), lines in proptest::collection::vec((0i32..500, 1i32..80), 1..6)) {
            let mut stretches = [Stretch { first: 0, end: 1, from: 0, to: 0, heading: Heading::START }; 6];
            for (slot, (from, length)) in stretches.iter_mut().zip(&lines) {
                (slot.from, slot.to) = (*from, from + length);
            }
            let own = Lines::over(&stretches[..lines.len()], 0, (0, Side::WHEEL), 0);
            let w = Wanted { mode: Mode::Spot, mount: 0, side: Side::WHEEL, lines: &own, sight: None };
            let plan = [iv(20, 90), iv(130, 140), iv(200, 300)];
            let mut runs = Runs::default();
            for from in froms {
                let found = loop {
                    match runs.ask(&w, &plan, from) {
                        Some(found) => break found,
                        None => {
                            while runs.searching() { runs.step(&w, &plan); }
                        }
                    }
                };
                prop_assert_eq!(found, w.run(&plan, from));
                prop_assert_eq!(runs.ask(&w, &plan, from), Some(found));
                prop_assert!(!runs.searching());
            }
        }
    }
}
