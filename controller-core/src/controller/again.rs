//! Plants aimed at anew while the curve changes: kept when their image comes, looked at again one
//! at a time, and their patches moved. The polls after an input of the heading do it, in [`Look`]'s
//! steps.

use super::Controller;
use super::pending::Pending;
use crate::aiming::{self, Across, Plant};
use crate::boom::DetectorConfig;
use crate::fan::{self, Choice, NozzleSet};
use crate::ground_plan::Interval;
use crate::turning::{Crossing, Heading, Kept, Pose, Way};
use crate::units::{Length, Micros};

/// Nozzles of which one call moves a patch.
const MOVED_A_STEP: usize = 1;
/// Other plants that one call asks whether they need a patch.
const ASKED_A_STEP: usize = 24;
/// Nozzles that one call passes over.
const PASSED_A_STEP: usize = 24;

/// A plant this far beside the boom's ground may still come under it.
const BESIDE: Length = Length::from_mm(1000);
/// By how much the hull of a plant grows that was not met at first, 2⁻¹⁶ rad: a quarter turn's
/// worth would be 1.57; half a radian is more than a plant turns on the ways that are left.
const TURNED: i32 = 1 << 15;

/// How far the second look at a plant is.
#[derive(Clone, Copy, Debug)]
pub(super) enum Look {
    /// Whose turn it is.
    Next,
    /// It lies there, forward and right of the axle's middle. Whether the machine came far enough
    /// to tell a curvature, in the usual time or twice that.
    Way((i32, i32), bool),
    /// On which radius it is.
    Radius((i32, i32), Way),
    /// Where the boom will meet it.
    Meet((i32, i32), Option<i64>),
    /// It will meet it elsewhere: by which nozzles.
    Aim(Kept),
    Choose(Kept, Choice),
    /// Old nozzles from this one on that are needed no more; so many of the other plants don't need
    /// it either.
    Withdraw(Kept, usize, usize),
    /// New ones from this one on; whether nothing was commanded or past so far.
    Move(Kept, usize, bool),
}

/// How a plant was met: place and side of its centre, patch, ground across, heading.
type Met = ((i32, i32), Interval, Across, Heading);

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// Keeps a plant that was planned, or that no healthy nozzle reaches yet.
    pub(super) fn keep_met(
        &mut self,
        pose: Option<&Pose>,
        (plant, detector): (&Plant, &DetectorConfig),
        ((place, y), patch, across, heading): Met,
        set: NozzleSet,
    ) {
        let Some(pose) = pose else { return };
        if !across.is_near(self.nozzles, BESIDE) {
            return;
        }
        let mut kept = Kept::new((place, y), heading, patch, across);
        kept.set = set;
        let at = aiming::place_of(plant, detector);
        self.turning.keep(pose, at, kept);
    }

    /// Keeps a plant that the boom is not to come by on the circle on which the machine is.
    pub(super) fn keep_unmet(
        &mut self,
        pose: Option<&Pose>,
        plant: &Plant,
        detector: &DetectorConfig,
    ) {
        let nowhere = Crossing {
            place: 0,
            heading: Heading::START,
            y: 0,
            turned: TURNED,
        };
        let aimed = aiming::aim_met(plant, &nowhere, &self.patch);
        let kept = Kept::new((0, 0), Heading::START, aimed.patch, aimed.across);
        if let Some(pose) = pose {
            let at = aiming::place_of(plant, detector);
            self.turning.keep(pose, at, kept);
        }
    }

    /// Takes a step of the second look at a plant, after an input of the heading stamped `at`.
    pub(super) fn look_again(&mut self, at: Micros, look: Look) {
        if let Some(look) = self.look_on(at, look) {
            self.pending = Pending::Look(at, look);
        }
    }

    /// What is left then.
    fn look_on(&mut self, at: Micros, look: Look) -> Option<Look> {
        match look {
            Look::Next => {
                let spot = self.turning.next_plant(at, &self.odometer)?;
                Some(Look::Way(spot, false))
            }
            Look::Way(spot, twice) => match self.turning.sure_way(at, &self.odometer, twice) {
                Some(way) => Some(Look::Radius(spot, way)),
                None => (!twice).then_some(Look::Way(spot, true)),
            },
            Look::Radius(spot, way) => Some(Look::Meet(spot, self.turning.radius_on(at, &way))),
            Look::Meet(spot, radius) => {
                let elsewhere = (self.turning).meets_elsewhere(at, &self.odometer, spot, radius);
                elsewhere.map(Look::Aim)
            }
            Look::Aim(new) => {
                let across = new.across.right_by(new.y);
                let margin = self.patch.lateral_margin;
                let faulty: &[bool] = if self.faults == 0 { &[] } else { &self.faulty };
                let needed =
                    aiming::needed(across, self.nozzles, faulty, self.fan.as_ref(), margin);
                match needed.aim {
                    Ok(aim) => Self::aimed(new, &aim),
                    Err(choice) => Some(Look::Choose(new, choice)),
                }
            }
            Look::Choose(new, mut choice) => {
                let faulty: &[bool] = if self.faults == 0 { &[] } else { &self.faulty };
                // Choices are only begun with fans.
                let fan = self.fan.as_ref()?;
                match fan.go_on(&mut choice, self.nozzles, faulty) {
                    Some(aim) => Self::aimed(new, &aim),
                    None => Some(Look::Choose(new, choice)),
                }
            }
            Look::Withdraw(new, from, asked) => Some(self.withdraw_some(new, from, asked)),
            Look::Move(new, from, in_time) => self.move_some(at, new, from, in_time),
        }
    }

    /// The nozzles are known. `None` when it moves out from under the boom: what is planned stays.
    fn aimed(mut new: Kept, aim: &fan::Aim) -> Option<Look> {
        new.set = aim.set;
        (!aim.set.is_empty()).then_some(Look::Withdraw(new, 0, 0))
    }

    /// Takes the patch back on one of the nozzles that need it no more, unless another plant that
    /// waits may need it.
    fn withdraw_some(&mut self, new: Kept, from: usize, asked: usize) -> Look {
        let Some(&old) = self.turning.looked_at() else {
            return Look::Move(new, 0, true);
        };
        let set = old.set.range();
        let first = from.max(set.start);
        let end = first.saturating_add(PASSED_A_STEP);
        for index in first..end.min(set.end) {
            if !old.set.opens(index) || new.set.opens(index) {
                continue;
            }
            let (Some(lane), Some(nozzle)) = (self.lanes.get_mut(index), self.nozzles.get(index))
            else {
                continue;
            };
            let asked = if index == from { asked } else { 0 };
            let more = asked.wrapping_add(ASKED_A_STEP);
            let side = self.turning.side(nozzle.y);
            let patch = old.patch.on_by(old.own(side));
            match self.turning.needs((index, side), patch, asked..more) {
                Some(false) => return Look::Withdraw(new, index, more),
                Some(true) => {}
                None => {
                    lane.withdraw(patch, nozzle);
                }
            }
            return Look::Withdraw(new, index.wrapping_add(1), 0);
        }
        if end < set.end {
            Look::Withdraw(new, end, 0)
        } else {
            Look::Move(new, 0, true)
        }
    }

    /// Moves the patch on some nozzles; after the last one it is aimed at so from now on.
    fn move_some(&mut self, at: Micros, new: Kept, from: usize, in_time: bool) -> Option<Look> {
        let old = *self.turning.looked_at()?;
        let set = new.set.range();
        let first = from.max(set.start);
        let end = first.saturating_add(PASSED_A_STEP).min(set.end);
        let here = self.odometer.motion_at(at).place();
        let heading = self.turning.swing_at(at).heading();
        let (mut in_time, mut left) = (in_time, MOVED_A_STEP);
        for index in first..end {
            let (Some(lane), Some(nozzle), Some(false)) = (
                self.lanes.get_mut(index),
                self.nozzles.get(index),
                self.faulty.get(index),
            ) else {
                continue;
            };
            if !new.set.opens(index) {
                continue;
            }
            if left == 0 {
                return Some(Look::Move(new, index, in_time));
            }
            left = left.wrapping_sub(1);
            let side = self.turning.side(nozzle.y);
            let to = new.patch.on_by(new.own(side));
            let own = here.wrapping_add(heading.lead(side));
            in_time &= if old.set.opens(index) {
                let from = old.patch.on_by(old.own(side));
                lane.shift((from, to), nozzle, own, &mut self.counters)
            } else {
                lane.grow(to, nozzle, own, &mut self.counters)
            };
            self.note(index, (here, heading));
        }
        if end < set.end {
            return Some(Look::Move(new, end, in_time));
        }
        let unmet = old.set.is_empty();
        self.turning
            .count(|counts| &mut counts.moved, u32::from(!unmet));
        self.turning
            .count(|counts| &mut counts.caught, u32::from(unmet && in_time));
        self.turning.aim_anew(new);
        None
    }
}
