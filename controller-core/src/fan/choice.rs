//! The choice of the nozzles for a stretch, made over several calls: first by the table of runs,
//! else by a search among the nozzles that reach the stretch.
//!
//! **Bound of a call:** so many looks at a nozzle's pattern as [`LOOKS`] says. Where more nozzles
//! reach the stretch than are searched, a point more, of which all that reach it are looked at.

use super::{Aim, Fan, MOST_OPTIONAL, MOST_SEARCHED, NOWHERE, NozzleSet, RUNS, bits};
use crate::boom::NozzleConfig;

/// Looks at a nozzle's pattern that a call takes: three for each nozzle that is searched.
const LOOKS: usize = 96;
/// A length of run, or a point that lies beside the stretch, in looks.
const PASSED: usize = 3;

/// How far a choice is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// Which run of neighbours the table gives.
    Run,
    /// More nozzles reach the stretch than are searched: whether all of them give its dose.
    Reached,
    /// Nozzles that no set can do without.
    Must,
    /// Points that are still short of what they can get, and who could help there.
    Optional,
    /// Every choice of the optional nozzles.
    Fewest,
    /// Or one after the other left out.
    Drop,
}

/// A choice that is being made. Sets are bits, of at most [`MOST_SEARCHED`] nozzles from `first`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Choice {
    left: i32,
    right: i32,
    /// The nozzles that reach the stretch.
    first: usize,
    end: usize,
    phase: Phase,
    /// Length of the run next in turn, less one.
    length: usize,
    /// How many nozzles stand far enough left for a run to begin with.
    begin: Option<usize>,
    healthy: u32,
    must: u32,
    optional: u32,
    /// Some point can't get its dose.
    short: bool,
    /// The smallest set so far.
    best: u32,
    /// The choice, or the nozzle to leave out, next in turn; and the set that it makes.
    turn: u32,
    trial: u32,
    /// The point next in turn.
    point: usize,
}

impl Choice {
    /// For `[left, right]`. `faulty` may be shorter than `nozzles`: the rest is healthy.
    pub(super) fn new(
        fan: &Fan,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
        left: i32,
        right: i32,
    ) -> Self {
        let from = left.saturating_sub(fan.half);
        let to = right.saturating_add(fan.half);
        let first = up_to(nozzles, from);
        let end = up_to(nozzles, to.saturating_sub(1)).max(first);
        let mut healthy = 0;
        for (bit, index) in bits().zip(first..end) {
            if !faulty.get(index).copied().unwrap_or_default() {
                healthy |= bit;
            }
        }
        let mut choice = Self {
            left,
            right,
            first,
            end,
            phase: Phase::Run,
            length: 0,
            begin: None,
            healthy,
            must: 0,
            optional: 0,
            short: false,
            best: 0,
            turn: 0,
            trial: 0,
            point: 0,
        };
        if !fan.runs {
            choice.search();
        }
        choice
    }

    fn search(&mut self) {
        let many = self.end.saturating_sub(self.first) > MOST_SEARCHED;
        self.phase = if many { Phase::Reached } else { Phase::Must };
        self.point = 0;
    }

    /// Goes on; `Some` when it is made.
    pub(super) fn step(
        &mut self,
        fan: &Fan,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
    ) -> Option<Aim> {
        let window = Window {
            fan,
            nozzles: nozzles.get(self.first..self.end).unwrap_or_default(),
            left: self.left,
            right: self.right,
        };
        let searched = match self.phase {
            Phase::Run | Phase::Reached => PASSED,
            Phase::Must | Phase::Optional | Phase::Fewest | Phase::Drop => {
                window.nozzles.len().wrapping_mul(3)
            }
        };
        let mut looks = LOOKS;
        loop {
            let looked = match self.phase {
                Phase::Run => match self.run(fan, nozzles) {
                    Some(Some((first, end))) if !self.is_faulty(faulty) => {
                        return Some(Aim {
                            set: NozzleSet::new(first..end, 0),
                            short: false,
                            smallest: true,
                        });
                    }
                    Some(_) => {
                        self.search();
                        return None;
                    }
                    None => PASSED,
                },
                Phase::Reached => match self.all_reached(fan, nozzles, faulty) {
                    (Some(short), _) => {
                        return Some(Aim {
                            set: NozzleSet::new(self.first..self.end, !self.healthy),
                            short,
                            smallest: false,
                        });
                    }
                    (None, looked) => looked,
                },
                Phase::Must => self.find_must(&window),
                Phase::Optional => match self.find_optional(&window) {
                    Some(looked) => looked,
                    None => return Some(self.made(self.must, true)),
                },
                Phase::Fewest | Phase::Drop => match self.try_sets(&window) {
                    Some(looked) => looked,
                    None => return Some(self.made(self.best, self.phase == Phase::Fewest)),
                },
            };
            looks = looks.saturating_sub(looked);
            if looks < searched.max(PASSED) {
                return None;
            }
        }
    }

    fn made(&self, open: u32, smallest: bool) -> Aim {
        Aim {
            set: NozzleSet::of_bits(self.first, open),
            short: self.short,
            smallest,
        }
    }

    /// A faulty nozzle counts wherever it reaches the stretch, in a run or not.
    fn is_faulty(&self, faulty: &[bool]) -> bool {
        let reaching = faulty.iter().skip(self.first);
        let mut reaching = reaching.take(self.end.saturating_sub(self.first));
        reaching.any(|&faulty| faulty)
    }

    /// The shortest run of neighbours by the table: its first nozzle and one past its last. The
    /// rightmost of equally short ones. A length a call; outer `None`: there are longer ones.
    fn run(&mut self, fan: &Fan, nozzles: &[NozzleConfig]) -> Option<Option<(usize, usize)>> {
        let place = self.length.min(RUNS.saturating_sub(1));
        self.length = self.length.saturating_add(1);
        let length = self.length;
        if length > nozzles.len() {
            return Some(None);
        }
        let reach = fan.reaches.get(place).copied().unwrap_or(NOWHERE);
        if reach == NOWHERE {
            return None;
        }
        let serves = |n: &NozzleConfig| n.y.bits().saturating_add(reach) <= self.left;
        let mut count = match self.begin {
            Some(count) => count,
            None => up_to(nozzles, self.left.saturating_sub(reach)),
        };
        // Longer runs reach farther: the count only grows.
        while nozzles.get(count).is_some_and(serves) {
            count = count.saturating_add(1);
        }
        self.begin = Some(count);
        let last_begin = count.checked_sub(1)?;
        let first = last_begin.min(nozzles.len().saturating_sub(length));
        let end = first.saturating_add(length);
        let Some(last) = nozzles.get(end.saturating_sub(1)) else {
            return Some(None);
        };
        (last.y.bits().saturating_sub(reach) >= self.right).then_some(Some((first, end)))
    }

    /// Whether all healthy nozzles together leave a point short, by a point a call; and how many
    /// were looked at.
    fn all_reached(
        &mut self,
        fan: &Fan,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
    ) -> (Option<bool>, usize) {
        let all = Window {
            fan,
            nozzles,
            left: self.left,
            right: self.right,
        };
        let k = self.point;
        if k >= all.count() {
            return (Some(false), 0);
        }
        self.point = k.wrapping_add(1);
        let Some(y) = all.point(k) else {
            return (None, PASSED);
        };
        let first = up_to(nozzles, y.saturating_sub(fan.half));
        let (mut sum, mut looked) = (0_i32, 8_usize);
        for (index, n) in nozzles.iter().enumerate().skip(first) {
            if n.y.bits() >= y.saturating_add(fan.half) {
                break;
            }
            looked = looked.wrapping_add(1);
            if !faulty.get(index).copied().unwrap_or_default() {
                sum = sum.saturating_add(fan.dose(y.saturating_sub(n.y.bits())));
            }
        }
        ((sum < fan.need).then_some(true), looked)
    }

    fn find_must(&mut self, window: &Window<'_>) -> usize {
        let k = self.point;
        if k >= window.count() {
            (self.phase, self.point) = (Phase::Optional, 0);
            return 1;
        }
        self.point = k.wrapping_add(1);
        let Some(y) = window.point(k) else {
            return PASSED;
        };
        let need = window.fan.need;
        let all = window.dose(y, self.healthy);
        self.short |= all < need;
        for (bit, n) in bits().zip(window.nozzles) {
            let u = y.saturating_sub(n.y.bits());
            let needed = if all < need {
                // Here and beside it all that can be had. The pattern that ends right
                // here still counts on one side of it.
                u.saturating_abs() <= window.fan.half
            } else {
                all.saturating_sub(window.fan.dose(u)) < need
            };
            if needed {
                self.must |= bit & self.healthy;
            }
        }
        window.nozzles.len() << 1
    }

    /// `None`: no set but the one that must be is needed.
    fn find_optional(&mut self, window: &Window<'_>) -> Option<usize> {
        let k = self.point;
        if k >= window.count() {
            if self.optional == 0 {
                return None;
            }
            self.best = self.must | self.optional;
            self.point = 0;
            self.phase = if self.optional.count_ones() > MOST_OPTIONAL {
                Phase::Drop
            } else {
                Phase::Fewest
            };
            return Some(1);
        }
        self.point = k.wrapping_add(1);
        let Some(y) = window.point(k) else {
            return Some(PASSED);
        };
        if window.enough(y, self.must, self.healthy) {
            return Some(window.nozzles.len() << 1);
        }
        for (bit, n) in bits().zip(window.nozzles) {
            if window.fan.dose(y.saturating_sub(n.y.bits())) > 0 {
                self.optional |= bit & self.healthy & !self.must;
            }
        }
        Some(window.nozzles.len().wrapping_mul(3))
    }

    /// Tries every choice of the optional nozzles, at most 2⁸, or to leave each out; a point a
    /// call. `None`: all are tried.
    fn try_sets(&mut self, window: &Window<'_>) -> Option<usize> {
        let k = self.point;
        if k == 0 {
            if !self.begin_trial()? {
                return Some(PASSED);
            }
            self.point = 1;
            // Spreading the choice over the places.
            return Some(8);
        }
        if k > window.count() {
            self.best = self.trial;
            self.point = 0;
            return Some(1);
        }
        self.point = k.wrapping_add(1);
        let Some(y) = window.point(k.wrapping_sub(1)) else {
            return Some(PASSED);
        };
        if !window.enough(y, self.trial, self.healthy) {
            self.point = 0;
        }
        Some(window.nozzles.len() << 1)
    }

    /// The next set to try; false when it can't be the better one.
    fn begin_trial(&mut self) -> Option<bool> {
        let turn = self.turn;
        self.turn = turn.wrapping_add(1);
        if self.phase == Phase::Drop {
            // The 32 places, lowest first.
            let bit = 1_u32.checked_shl(turn)?;
            self.trial = self.best & !bit;
            return Some(self.optional & bit != 0);
        }
        let choice = turn.wrapping_add(1);
        let choices = 1_u32.checked_shl(self.optional.count_ones())?;
        if choice >= choices {
            return None;
        }
        let size = (self.must.count_ones()).saturating_add(choice.count_ones());
        if size >= self.best.count_ones() {
            return Some(false);
        }
        self.trial = self.must | spread(choice, self.optional);
        Some(true)
    }
}

/// How many nozzles stand at `y` or left of it.
#[cfg_attr(target_os = "none", inline(never))]
fn up_to(nozzles: &[NozzleConfig], y: i32) -> usize {
    nozzles.partition_point(|n| n.y.bits() <= y)
}

/// The nozzles that reach a stretch.
struct Window<'a> {
    fan: &'a Fan,
    nozzles: &'a [NozzleConfig],
    left: i32,
    right: i32,
}

impl Window<'_> {
    /// How many points there are at which a sum of patterns can be lowest.
    fn count(&self) -> usize {
        (self.nozzles.len() << 1).wrapping_add(2)
    }

    /// One of them, if it lies in the stretch.
    #[cfg_attr(target_os = "none", inline(never))]
    fn point(&self, k: usize) -> Option<i32> {
        let Some(nozzle) = self.nozzles.get(k >> 1) else {
            return Some(if k & 1 == 0 { self.left } else { self.right });
        };
        let [begin, end] = self.fan.ends(nozzle.y.bits());
        let y = if k & 1 == 0 { begin } else { end };
        (y > self.left && y < self.right).then_some(y)
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn dose(&self, y: i32, set: u32) -> i32 {
        let mut sum = 0_i32;
        for (bit, n) in bits().zip(self.nozzles) {
            if set & bit != 0 {
                sum = sum.saturating_add(self.fan.dose(y.saturating_sub(n.y.bits())));
            }
        }
        sum
    }

    /// Whether `set` gives a point its dose, or all that it can get.
    fn enough(&self, y: i32, set: u32, healthy: u32) -> bool {
        self.dose(y, set) >= self.fan.need.min(self.dose(y, healthy))
    }
}

/// Puts the low bits of `choice` at the places of the bits of `among`.
fn spread(choice: u32, among: u32) -> u32 {
    let (mut rest, mut set) = (choice, 0);
    for bit in bits() {
        if among & bit != 0 {
            if rest & 1 != 0 {
                set |= bit;
            }
            rest >>= 1;
        }
    }
    set
}
