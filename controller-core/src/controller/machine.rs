//! What the machine tells of itself beside pulses: the direction of travel, and nozzles
//! that are faulty.

use super::pending::Pending;
use super::{Controller, group_size};
use crate::counters::{add, bump};
use crate::ground_plan::IntervalList;
use crate::odometer::{Direction, DirectionError};
use crate::units::Micros;
use crate::wake::GROUP_BITS;

/// Why a nozzle's fault was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum FaultError {
    /// Handed over before an earlier call.
    TimeBackwards {
        /// The latest instant seen so far.
        latest: Micros,
    },
    /// No such nozzle in the machine description.
    UnknownNozzle {
        /// As given.
        nozzle: u16,
    },
}

impl core::fmt::Display for FaultError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::TimeBackwards { latest } => {
                write!(f, "fault stamped before {} µs, already seen", latest.0)
            }
            Self::UnknownNozzle { nozzle } => write!(f, "no nozzle {nozzle}"),
        }
    }
}

impl core::error::Error for FaultError {}

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// Calls a nozzle faulty, or healthy again. Bounded work.
    ///
    /// A faulty nozzle is closed at the next decision and stays closed. Later plants are
    /// aimed at without it, by its neighbours where the machine has fans. What was already
    /// planned on it can't be aimed anew, because plants are not kept: its patches are given
    /// up, counted as `planned_on_faulty`, and don't come back when it is called healthy.
    ///
    /// # Errors
    /// [`FaultError`]; counted, and nothing is changed.
    pub fn set_nozzle_fault(
        &mut self,
        now: Micros,
        nozzle: u16,
        fault: bool,
    ) -> Result<(), FaultError> {
        let result = self.take_fault(now, nozzle, fault);
        if result.is_err() {
            bump(&mut self.counters.orders_refused);
        }
        result
    }

    fn take_fault(&mut self, now: Micros, nozzle: u16, fault: bool) -> Result<(), FaultError> {
        self.advance(now)
            .map_err(|latest| FaultError::TimeBackwards { latest })?;
        let index = usize::from(nozzle);
        let unknown = FaultError::UnknownNozzle { nozzle };
        if index >= self.nozzles.len() {
            return Err(unknown);
        }
        let lane = self.lanes.get_mut(index).ok_or(unknown)?;
        let known = self.faulty.get_mut(index).ok_or(unknown)?;
        if *known == fault {
            return Ok(());
        }
        *known = fault;
        if fault {
            self.faults = self.faults.saturating_add(1);
            let lost = u32::try_from(lane.plan.as_slice().len()).unwrap_or_default();
            add(&mut self.counters.planned_on_faulty, lost);
            lane.plan = IntervalList::new();
            self.aims.leave_out(index);
        } else {
            self.faults = self.faults.saturating_sub(1);
        }
        // Also a healthy one: broadcast and unseen ground ask for it without a plan.
        let group = index >> GROUP_BITS;
        let size = group_size(self.nozzles.len(), group);
        if let Some(group) = self.groups.get_mut(group) {
            group.everyone(size);
        }
        self.stale = true;
        Ok(())
    }

    /// True while this nozzle is called faulty. `None`: no such nozzle.
    #[must_use]
    pub fn nozzle_fault(&self, nozzle: u16) -> Option<bool> {
        let index = usize::from(nozzle);
        (index < self.nozzles.len())
            .then(|| self.faulty.get(index).copied())
            .flatten()
    }

    /// The direction of travel from `now` on, from a sensor that knows it. Hand it over
    /// before the first pulse of the new direction; the same again is a no-op.
    ///
    /// While the machine goes back everything is closed and distance runs back, so that
    /// the plan stays true: what was sprayed is not sprayed again, and what was left is
    /// sprayed when the machine comes by again. Constant work; once a way back the polls
    /// that follow look at each nozzle.
    ///
    /// # Errors
    /// [`DirectionError`]; counted, and the direction is as before.
    pub fn handle_direction(
        &mut self,
        now: Micros,
        direction: Direction,
    ) -> Result<(), DirectionError> {
        let result = match self.advance(now) {
            Ok(()) => self.odometer.handle_direction(now, direction),
            Err(latest) => Err(DirectionError::TimeBackwards { latest }),
        };
        match result {
            Ok(false) => {}
            Ok(true) => {
                bump(&mut self.counters.turns);
                self.layers.turn();
                self.turning.turned_about();
                self.stale = true;
                if let Some(group) = self.groups.first_mut() {
                    // The guard is to tell of it at the next instant.
                    group.all = true;
                }
                if direction == Direction::Forward {
                    let here = self.odometer.motion_at(now).place();
                    let boom = (here, self.turning.swing_at(now).heading());
                    self.pending = Pending::Resume(0, boom);
                }
            }
            Err(_) => bump(&mut self.counters.directions_refused),
        }
        result.map(|_| ())
    }
}
