//! Images: where their plants lie, which nozzles plan them, and the second look at those
//! that were placed by prediction.

use super::Controller;
use crate::aiming::{self, Aimed, Image, ImageError, ImageReport};
use crate::counters::{add, bump};
use crate::fan;
use crate::ground_plan::{Interval, ahead};
use crate::lane::Planned;
use crate::reaim::{AIMS_A_PULSE, Aim, LEAST_MOVE};
use crate::turning::Heading;
use crate::units::{Micros, Span};
use crate::wake::{GROUP, GROUP_BITS};
use crate::wanted::Lines;

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
                add(&mut self.counters.plants, u32::from(report.accepted));
                for refused in [report.outside, report.late, report.unserved] {
                    add(&mut self.counters.plants_refused, u32::from(refused));
                }
                let counters = &mut self.counters;
                add(
                    &mut counters.plants_underdosed,
                    u32::from(report.underdosed),
                );
                add(&mut counters.plants_clipped, u32::from(report.clipped));
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
        let (Some(sight), Some(config)) =
            (self.detectors.get_mut(detector), self.eyes.get(detector))
        else {
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
        let turning = &self.turning;
        let curve = turning.curve(&self.odometer, image.captured_at, now, captured);
        let side = self.layers.side_of(detector);
        let seen = aiming::seen_by_all(image.seen, &curve, config, |met| {
            met.place.wrapping_add(met.heading.lead(side))
        });
        sight.last_image = now;
        sight.silent = false;
        let ends = now.plus(self.timing.detector_silence).plus(Span(1));
        self.silence_due = self.silence_due.min(ends);
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
        let boom = (here, self.turning.swing_at(now).heading());
        #[cfg(feature = "turning")]
        let keeper = self.turning.keeper(&curve);
        for plant in image.plants {
            let Some(aimed) = aiming::aim(plant, &curve, config, &self.patch) else {
                #[cfg(feature = "turning")]
                self.keep_unmet(keeper.as_ref(), plant, config);
                self.turning.count(|counts| &mut counts.plants_off_curve, 1);
                bump16(&mut report.outside);
                continue;
            };
            let Aimed {
                mut patch,
                mut across,
                heading,
                ..
            } = aimed;
            if let (Some(id), Some(sight)) = (plant.id, self.detectors.get_mut(detector)) {
                let growth = self.patch.repeat_growth;
                let repeats = &mut sight.repeats;
                (patch, across) = repeats.hold(id, patch, across, growth, here, &mut self.counters);
            }
            let margin = self.patch.lateral_margin;
            let faulty: &[bool] = if healthy { &[] } else { &self.faulty };
            let needed = aiming::needed(across, self.nozzles, faulty, self.fan.as_ref(), margin);
            let aim = needed.aim;
            if predicted && aim.end > aim.first {
                let waits = Aim::new(image.captured_at, captured, (patch, heading), &aim);
                if !self.aims.keep(waits) {
                    bump(&mut self.counters.not_reaimed);
                }
            }
            let Became {
                served,
                planned,
                grown,
                ..
            } = self.plan(&aim, (patch, heading), boom, Sighting::First);
            #[cfg(feature = "turning")]
            if planned || !served {
                let met = (aimed.centre, patch, across, heading);
                self.keep_met(keeper.as_ref(), (plant, config), met, &aim);
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
            let Ok(captured) = self.odometer.place_at(aim.captured_at(now)) else {
                bump(&mut self.counters.not_reaimed);
                continue;
            };
            let moved = ahead(captured, aim.captured);
            if moved.saturating_abs() < LEAST_MOVE {
                continue;
            }
            bump(&mut self.counters.reaimed);
            let here = self.odometer.motion_at(now).place();
            let boom = (here, self.turning.swing_at(now).heading());
            let met = (aim.patch.on_by(moved), aim.heading);
            if !self.plan(&aim.set(), met, boom, Sighting::Second).in_time {
                bump(&mut self.counters.reaimed_too_late);
            }
        }
    }

    /// Plans a patch, given for a nozzle at x = 0, on the healthy nozzles of a set. The boom
    /// meets it with the one heading, and is at `boom` with the other.
    #[cfg_attr(target_os = "none", inline(never))]
    fn plan(
        &mut self,
        set: &fan::Aim,
        (patch, heading): (Interval, Heading),
        boom: (i32, Heading),
        sighting: Sighting,
    ) -> Became {
        let mut became = Became {
            in_time: true,
            ..Became::default()
        };
        for index in set.first..set.end {
            let (Some(lane), Some(nozzle), Some(false)) = (
                self.lanes.get_mut(index),
                self.nozzles.get(index),
                self.faulty.get(index),
            ) else {
                continue;
            };
            if !set.opens(index.wrapping_sub(set.first)) {
                continue;
            }
            became.served = true;
            let side = self.turning.side(nozzle.y);
            let patch = patch.on_by(heading.lead(side));
            let here = boom.0.wrapping_add(boom.1.lead(side));
            match sighting {
                Sighting::First => match lane.take(patch, nozzle, here, &mut self.counters) {
                    Planned::New => became.planned = true,
                    Planned::Grown => (became.planned, became.grown) = (true, true),
                    Planned::Behind => continue,
                },
                Sighting::Second => {
                    became.in_time &= lane.grow(patch, nozzle, here, &mut self.counters);
                }
            }
            self.note(index, boom);
        }
        became
    }

    /// Notes where a nozzle is next to be looked at, after something was planned on it.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(super) fn note(&mut self, index: usize, (here, heading): (i32, Heading)) {
        let group = self.groups.get_mut(index >> GROUP_BITS);
        if let (Some(lane), Some(nozzle), Some(next), Some(group)) = (
            self.lanes.get(index),
            self.nozzles.get(index),
            self.next.get_mut(index),
            group,
        ) {
            let own;
            let lines = if self.layers.keeps_off() {
                own = self.layers.lines_over(index, nozzle);
                &own
            } else {
                &Lines::NONE
            };
            let wanted = self.layers.over(index, nozzle, lines);
            let side = self.turning.side(nozzle.y);
            let boundary = lane.boundary(&wanted, here.wrapping_add(heading.lead(side)));
            group.note(index & (GROUP - 1), next, side, boundary);
        }
    }
}

/// Whether a plant is planned, or looked up again.
#[derive(Clone, Copy)]
enum Sighting {
    First,
    Second,
}

/// What became of a patch on all its nozzles.
#[derive(Default)]
struct Became {
    /// There was a healthy one.
    served: bool,
    planned: bool,
    grown: bool,
    /// Of a second look: nothing of it was commanded or past.
    in_time: bool,
}

fn bump16(tally: &mut u16) {
    *tally = tally.saturating_add(1);
}
