//! Whether each plant got its dose, and if not, why.

use super::input::JudgeInput;
use super::patches::Group;
use super::report::{Outcome, WhyMissed};
use super::spray::{Sprayed, overlapping};
use crate::Plant;

/// A full dose may fall this short of a plant's edge, in metres.
const FULL_TOLERANCE: f64 = 1e-6;
/// A spray without a patch this close, in metres, was meant for the plant.
const ATTEMPT_M: f64 = 2.0;

/// What came down, and how it hangs together, nozzle by nozzle.
pub(super) struct World<'a> {
    pub input: &'a JudgeInput<'a>,
    pub sprayed: &'a [Sprayed],
    pub groups: &'a [Vec<Group>],
}

impl World<'_> {
    /// What became of a plant that needs these nozzles, at least one.
    pub(super) fn outcome(&self, index: usize, needed: &[usize]) -> Outcome {
        let full = |(s, plant): (&Sprayed, Plant)| {
            let next = s
                .full
                .partition_point(|i| i.1 < plant.far() - FULL_TOLERANCE);
            s.full
                .get(next)
                .is_some_and(|i| i.0 <= plant.near() + FULL_TOLERANCE)
        };
        let needs = || needed.iter().filter_map(|&n| self.met(index, n));
        if needs().count() == needed.len() && needs().all(full) {
            Outcome::Full
        } else if needs().any(|(s, plant)| touches(&s.strips, &plant)) {
            Outcome::Partial
        } else {
            Outcome::Missed(self.why(index, needed))
        }
    }

    /// What a nozzle sprayed, and a plant as it meets it.
    fn met(&self, plant: usize, nozzle: usize) -> Option<(&Sprayed, Plant)> {
        Some((self.sprayed.get(nozzle)?, self.input.met(plant, nozzle)?))
    }

    /// Why nothing came down on the plant.
    pub(super) fn why(&self, index: usize, needed: &[usize]) -> WhyMissed {
        let is = |flags: &[bool]| flags.get(index).copied().unwrap_or(false);
        if !is(self.input.seen) {
            return WhyMissed::NotSeen;
        }
        if is(self.input.refused) {
            return WhyMissed::Refused;
        }
        if needed
            .iter()
            .filter_map(|&n| self.met(index, n))
            .any(|(s, plant)| touches(&s.wet, &plant))
        {
            return WhyMissed::Dose;
        }
        if self.beside(index, needed) {
            return WhyMissed::Beside;
        }
        // Gaps to the nearest spray behind and before the plant.
        let (mut behind, mut before) = (f64::INFINITY, f64::INFINITY);
        for &n in needed {
            let (b, a) = self.attempts(n, index);
            before = before.min(b);
            behind = behind.min(a);
        }
        let stalled = |list: &[f64], plant: Plant| {
            let next = list.partition_point(|&x| x < plant.near() - ATTEMPT_M);
            list.get(next)
                .is_some_and(|&x| x <= plant.far() + ATTEMPT_M)
        };
        let any = |list: fn(&Sprayed) -> &[f64]| {
            needed
                .iter()
                .filter_map(|&n| self.met(index, n))
                .any(|(s, plant)| stalled(list(s), plant))
        };
        let late = behind <= before && behind.is_finite();
        if late || any(|s| &s.stalled_short) {
            WhyMissed::Late
        } else if before.is_finite() {
            WhyMissed::TooShort
        } else if any(|s| &s.stalled) {
            WhyMissed::Valve
        } else {
            WhyMissed::Withheld
        }
    }

    /// Whether a nozzle that doesn't serve the plant sprayed there for no
    /// plant of its own.
    fn beside(&self, index: usize, needed: &[usize]) -> bool {
        self.groups.iter().enumerate().any(|(n, groups)| {
            if needed.contains(&n) || groups.is_empty() {
                return false;
            }
            self.input.met(index, n).is_some_and(|plant| {
                let next = groups.partition_point(|g| g.to <= plant.near());
                groups
                    .get(next)
                    .is_some_and(|g| !g.wanted && g.from < plant.far())
            })
        })
    }

    /// Gaps in metres from the plant to the nearest spray before and behind
    /// it that is its own or no other plant's; infinite where there is none.
    fn attempts(&self, nozzle: usize, plant: usize) -> (f64, f64) {
        let mut gaps = (f64::INFINITY, f64::INFINITY);
        let (Some(groups), Some((sprayed, plant))) =
            (self.groups.get(nozzle), self.met(plant, nozzle))
        else {
            return gaps;
        };
        let (near, far) = (plant.near(), plant.far());
        // The plant's own group holds its centre; its neighbours count when
        // no plant wanted them.
        let own = groups.partition_point(|g| g.to < plant.x);
        let candidates = [own.checked_sub(1), Some(own), own.checked_add(1)];
        for i in candidates.into_iter().flatten() {
            let Some(group) = groups.get(i) else { continue };
            if group.wanted && i != own {
                continue;
            }
            for s in sprayed
                .stretches
                .get(group.stretches.clone())
                .unwrap_or_default()
            {
                if s.to <= near && near - s.to <= ATTEMPT_M {
                    gaps.0 = gaps.0.min(near - s.to);
                }
                if s.from >= far && s.from - far <= ATTEMPT_M {
                    gaps.1 = gaps.1.min(s.from - far);
                }
            }
        }
        gaps
    }
}

/// Whether any of sorted, separate intervals lies over some of the plant.
fn touches(list: &[(f64, f64)], plant: &Plant) -> bool {
    overlapping(list, plant.near(), plant.far()).is_some()
}
