//! Images: where their plants lie, which nozzles plan them, and the second look at those
//! that were placed by prediction.

use super::Controller;
use crate::aiming::{self, Across, Image, ImageError, ImageReport};
use crate::counters::{add, bump};
use crate::ground_plan::{Interval, ahead};
use crate::lane::Planned;
use crate::reaim::{AIMS_A_PULSE, Aim, LEAST_MOVE};
use crate::units::{Micros, Span};
use crate::wake::{GROUP, GROUP_BITS};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// An image message that arrived at `now`. Work is bounded by the plants in it
    /// times the nozzles that each needs times `K`, plus the choice of those nozzles
    /// ([`Fan::aim`](crate::fan::Fan::aim)).
    ///
    /// # Errors
    /// [`ImageError`] when it is refused as a whole; counted, nothing planned.
    pub fn handle_image(
        &mut self,
        now: Micros,
        image: &Image<'_>,
    ) -> Result<ImageReport, ImageError> {
        let result = self.take_image(now, image);
        match result {
            Ok(report) => {
                bump(&mut self.counters.images);
                add(&mut self.counters.plants, u64::from(report.accepted));
                for refused in [report.outside, report.late, report.unserved] {
                    add(&mut self.counters.plants_refused, u64::from(refused));
                }
                let counters = &mut self.counters;
                add(
                    &mut counters.plants_underdosed,
                    u64::from(report.underdosed),
                );
                add(&mut counters.plants_clipped, u64::from(report.clipped));
            }
            Err(_error) => {
                log!(warn, "image at {} us refused: {}", now.0, _error);
                bump(&mut self.counters.images_refused);
            }
        }
        result
    }

    fn take_image(&mut self, now: Micros, image: &Image<'_>) -> Result<ImageReport, ImageError> {
        self.advance(now)
            .map_err(|latest| ImageError::TimeBackwards { latest })?;
        let detector = usize::from(image.detector);
        let Some(sight) = self.detectors.get_mut(detector) else {
            return Err(ImageError::UnknownDetector {
                detector: image.detector,
            });
        };
        if image.captured_at > now {
            return Err(ImageError::CapturedInFuture);
        }
        if now.since(image.captured_at) > self.timing.max_detection_age {
            return Err(ImageError::TooOld);
        }
        aiming::check(image)?;
        let captured = self
            .odometer
            .place_at(image.captured_at)
            .map_err(|_| ImageError::TooOld)?;
        let predicted = self.odometer.predicts(image.captured_at);
        let here = self.odometer.motion_at(now).place();

        let mount = captured.wrapping_add(sight.config.x.bits());
        let seen = Interval {
            start: mount.wrapping_add(image.seen.from.bits()),
            end: mount.wrapping_add(image.seen.to.bits()),
        };
        sight.last_image = now;
        sight.silent = false;
        let ends = now.plus(self.timing.detector_silence).plus(Span(1));
        self.silence_due = self.silence_due.min(ends);
        let config = sight.config;
        self.stale = true;
        if !self.layers.are_plain() {
            self.progress(now);
        }
        self.layers.see(detector, seen, &mut self.counters);
        if self.layers.sprays_unseen() {
            self.refresh();
        }

        let mut report = ImageReport::default();
        let healthy = self.faults == 0;
        let faulty: &[bool] = if healthy { &[] } else { &self.faulty };
        for plant in image.plants {
            let mut patch = aiming::patch_of(plant, captured, &config, &self.patch);
            let mut across = Across::of(plant, &config);
            if let (Some(id), Some(sight)) = (plant.id, self.detectors.get_mut(detector)) {
                let growth = self.patch.repeat_growth;
                let repeats = &mut sight.repeats;
                (patch, across) = repeats.hold(id, patch, across, growth, here, &mut self.counters);
            }
            let margin = self.patch.lateral_margin;
            let needed = aiming::needed(across, self.nozzles, faulty, self.fan.as_ref(), margin);
            let aim = needed.aim;
            let count = aim.end.saturating_sub(aim.first);
            let lanes = self.lanes.iter_mut().zip(self.nozzles.iter());
            let lanes = lanes.zip(&self.faulty);
            let (mut planned, mut grown, mut served) = (false, false, false);
            if predicted && count > 0 {
                let kept = self.aims.keep(Aim {
                    captured_at: image.captured_at,
                    captured,
                    patch,
                    set: aim,
                });
                if !kept {
                    bump(&mut self.counters.not_reaimed);
                }
            }
            for (index, ((lane, nozzle), fault)) in lanes.enumerate().skip(aim.first).take(count) {
                if *fault || !aim.opens(index.wrapping_sub(aim.first)) {
                    continue;
                }
                served = true;
                match lane.take(patch, nozzle, here, &mut self.counters) {
                    Planned::New => planned = true,
                    Planned::Grown => (planned, grown) = (true, true),
                    Planned::Behind => continue,
                }
                let group = self.groups.get_mut(index >> GROUP_BITS);
                if let (Some(next), Some(group)) = (self.next.get_mut(index), group) {
                    group.note(
                        index & (GROUP - 1),
                        next,
                        lane.boundary(&self.layers.over(index, nozzle), here),
                    );
                }
            }
            let tally = if planned {
                &mut report.accepted
            } else if needed.outside {
                &mut report.outside
            } else if !served {
                &mut report.unserved
            } else {
                &mut report.late
            };
            bump16(tally);
            for (happened, tally) in [
                (grown, &mut report.grown),
                (planned && aim.short, &mut report.underdosed),
                (planned && needed.clipped, &mut report.clipped),
            ] {
                if happened {
                    bump16(tally);
                }
            }
            if served && !aim.smallest {
                bump(&mut self.counters.sets_not_smallest);
            }
        }
        Ok(report)
    }

    /// After a pulse: looks up again where plants lie that were placed by prediction. At
    /// most [`AIMS_A_PULSE`] of them.
    pub(super) fn reaim(&mut self, now: Micros) {
        for _ in 0..AIMS_A_PULSE {
            let Some(aim) = self.aims.take() else { return };
            let Ok(captured) = self.odometer.place_at(aim.captured_at) else {
                bump(&mut self.counters.not_reaimed);
                continue;
            };
            let moved = ahead(captured, aim.captured);
            if moved.saturating_abs() < LEAST_MOVE {
                continue;
            }
            bump(&mut self.counters.reaimed);
            let here = self.odometer.motion_at(now).place();
            let patch = Interval {
                start: aim.patch.start.wrapping_add(moved),
                end: aim.patch.end.wrapping_add(moved),
            };
            let lanes = self.lanes.iter_mut().zip(self.nozzles.iter());
            let lanes = lanes.zip(&self.faulty).enumerate();
            let mut in_time = true;
            let count = aim.set.end.saturating_sub(aim.set.first);
            for (index, ((lane, nozzle), fault)) in lanes.skip(aim.set.first).take(count) {
                if *fault || !aim.set.opens(index.wrapping_sub(aim.set.first)) {
                    continue;
                }
                in_time &= lane.grow(patch, nozzle, here, &mut self.counters);
                let group = self.groups.get_mut(index >> GROUP_BITS);
                if let (Some(next), Some(group)) = (self.next.get_mut(index), group) {
                    let wanted = self.layers.over(index, nozzle);
                    group.note(index & (GROUP - 1), next, lane.boundary(&wanted, here));
                }
            }
            if !in_time {
                bump(&mut self.counters.reaimed_too_late);
            }
        }
    }
}

fn bump16(tally: &mut u16) {
    *tally = tally.saturating_add(1);
}
