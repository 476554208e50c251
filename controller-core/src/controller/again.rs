//! Plants aimed at anew while the curve changes: kept when their image comes, looked at again one
//! at a time, and their patches moved.

use super::Controller;
use crate::aiming::{self, Across, Plant};
use crate::boom::DetectorConfig;
use crate::fan::NozzleSet;
use crate::ground_plan::Interval;
use crate::turning::{Again, Crossing, Heading, Kept, Pose};
use crate::units::{Length, Micros};

/// A plant this far beside the boom's ground may still come under it.
const BESIDE: Length = Length::from_mm(1000);
/// By how much the hull of a plant grows that was not met at first, 2⁻¹⁶ rad: a quarter turn's
/// worth would be 1.57; half a radian is more than a plant turns on the ways that are left.
const TURNED: i32 = 1 << 15;

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

    /// Looks again at the plant whose turn it is; one that the boom will meet elsewhere is moved.
    pub(super) fn look_again(&mut self, now: Micros) {
        let Some(again) = self.turning.look_again(now, &self.odometer) else {
            return;
        };
        let kept = self.move_plant(now, &again);
        self.turning.put_back(&again, kept);
    }

    /// Moves a plant's patches; says how it is aimed at from now on.
    fn move_plant(&mut self, now: Micros, again: &Again) -> Kept {
        let (old, mut new) = (again.before(), again.kept);
        let faulty: &[bool] = if self.faults == 0 { &[] } else { &self.faulty };
        let across = new.across.right_by(new.y);
        let margin = self.patch.lateral_margin;
        let needed = aiming::needed(across, self.nozzles, faulty, self.fan.as_ref(), margin);
        let aim = match (needed.aim, &self.fan) {
            (Ok(aim), _) => aim,
            (Err(choice), Some(fan)) => fan.finish(choice, self.nozzles, faulty),
            // Choices are only begun with fans.
            (Err(_), None) => return old,
        };
        if aim.set.is_empty() {
            // It moves out from under the boom: what is planned stays.
            return old;
        }
        new.set = aim.set;
        let here = self.odometer.motion_at(now).place();
        let heading = self.turning.swing_at(now).heading();
        let mut in_time = true;
        for index in old.set.range() {
            if old.set.opens(index) && !new.set.opens(index) {
                self.withdraw(index, &old);
            }
        }
        for index in new.set.range() {
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
        let first = old.set.is_empty();
        self.turning
            .count(|counts| &mut counts.moved, u32::from(!first));
        self.turning
            .count(|counts| &mut counts.caught, u32::from(first && in_time));
        new
    }

    /// Takes back a plant's patch on a nozzle that it needs no more, unless another plant that
    /// waits may need it.
    fn withdraw(&mut self, index: usize, old: &Kept) {
        let (Some(lane), Some(nozzle)) = (self.lanes.get_mut(index), self.nozzles.get(index))
        else {
            return;
        };
        let side = self.turning.side(nozzle.y);
        let patch = old.patch.on_by(old.own(side));
        if !self.turning.needs(index, side, patch) {
            lane.withdraw(patch, nozzle);
        }
    }
}
