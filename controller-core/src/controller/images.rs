//! Images: where their plants lie, which nozzles plan them, and the second look at those
//! that were placed by prediction.

use super::Controller;
use super::pending::{Order, Pending};
use crate::aiming::{self, Image, ImageError, ImageReport, Plant};
use crate::counters::{add, bump};
use crate::fan::{self, NozzleSet};
use crate::ground_plan::{Interval, ahead};
use crate::lane::Planned;
use crate::reaim::{Aim, LEAST_MOVE};
use crate::turning::{BUILT, Curve, Heading};
#[cfg(feature = "turning")]
use crate::turning::{Pose, Way};
use crate::units::{COUNTS_PER_MM, Micros, Span};
use crate::wake::{GROUP, GROUP_BITS};

/// Nozzles that one call plans a patch on.
const NOZZLES_A_STEP: usize = if BUILT { 2 } else { 4 };

/// So far behind the boom is at once to be looked at, counts: a metre.
const AT_ONCE: i32 = 1000 * COUNTS_PER_MM;

/// An image that is being taken, a bounded share a call: see
/// [`Controller::begin_image`]. It borrows the plants, which may be more than a small
/// processor has room to copy.
#[derive(Clone, Copy, Debug)]
#[must_use = "its plants are planned by `step_image`"]
pub struct ImageWork<'i> {
    image: Image<'i>,
    /// When it arrived.
    now: Micros,
    /// Where the reference point was at the capture.
    captured: i32,
    /// How the machine went on from there.
    curve: Curve,
    /// Where the boom is, and its heading there.
    boom: (i32, Heading),
    /// The pose then, to keep its plants by.
    #[cfg(feature = "turning")]
    pose: Option<Pose>,
    /// No pulse had come since the capture.
    predicted: bool,
    stage: Stage,
    /// The plant next in turn.
    next: usize,
    /// Of the one before: where the boom meets it, and what of its aim goes into the report.
    met: Met,
    told: Told,
    report: ImageReport,
}

/// How far an image is.
#[derive(Clone, Copy, Debug)]
enum Stage {
    /// Of a machine that turns: on which way its curve is taken.
    #[cfg(feature = "turning")]
    Way,
    /// On which radius it was there.
    #[cfg(feature = "turning")]
    Radius(Way),
    /// Where that leads from the capture.
    #[cfg(feature = "turning")]
    Curve(Option<i64>),
    /// The pose at the capture.
    #[cfg(feature = "turning")]
    Pose,
    /// Where the boom meets the corners of what is seen, from this one on.
    #[cfg(feature = "turning")]
    Corner(u8, Interval),
    /// What ground it covers is to be told.
    See,
    /// The next plant is to be aimed at.
    Aim,
    /// It is known where the boom meets it: which nozzles it needs.
    #[cfg(feature = "turning")]
    Need,
    /// It is kept in case the curve changes: the boom does not come by it as it goes now.
    #[cfg(feature = "turning")]
    KeepUnmet,
    /// It is planned.
    #[cfg(feature = "turning")]
    Keep(NozzleSet, Became),
    /// Which nozzles a plant needs is being chosen.
    Choose(fan::Choice),
    /// A plant is being planned.
    Plan(Plan),
}

impl Stage {
    /// The ground that the image covers is about to count as seen.
    fn sees(&self) -> bool {
        #[cfg(feature = "turning")]
        if matches!(self, Self::Corner(..)) {
            return true;
        }
        matches!(self, Self::See)
    }
}

/// Where the boom meets a plant.
#[derive(Clone, Copy, Debug, Default)]
struct Met {
    patch: Interval,
    heading: Heading,
    #[cfg(feature = "turning")]
    centre: (i32, i32),
    /// Without margin.
    across: aiming::Across,
}

/// What of a plant's aim goes into the report.
#[derive(Clone, Copy, Debug, Default)]
struct Told {
    outside: bool,
    clipped: bool,
    short: bool,
    smallest: bool,
}

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// An image message that arrived at `now`, all of it at once. Work is bounded by the plants
    /// in it times the nozzles that each needs times `K`, plus the choice of those nozzles
    /// ([`Fan::aim`](crate::fan::Fan::aim)); [`begin_image`](Self::begin_image) does the same in
    /// bounded calls.
    ///
    /// # Errors
    /// [`ImageError`] when it is refused as a whole; counted, nothing planned.
    pub fn handle_image(
        &mut self,
        now: Micros,
        image: &Image<'_>,
    ) -> Result<ImageReport, ImageError> {
        let mut work = self.begin_image(now, image)?;
        loop {
            if let Some(report) = self.step_image(&mut work) {
                return Ok(report);
            }
        }
    }

    /// Begins to take an image message that arrived at `now`. Call
    /// [`step_image`](Self::step_image) until it has the report, and poll only then. Meanwhile
    /// an emergency stop or a low supply may be handed over, which closes at once (and what it
    /// closes is handed out by polling), and one pulse noted; what else comes has to wait. An
    /// image that is not taken to its end leaves the plants planned so far, and is not counted.
    ///
    /// # Errors
    /// As [`handle_image`](Self::handle_image).
    pub fn begin_image<'i>(
        &mut self,
        now: Micros,
        image: &Image<'i>,
    ) -> Result<ImageWork<'i>, ImageError> {
        let result = self.check_image(now, image);
        if let Err(_error) = &result {
            log!(warn, "image at {} us refused: {}", now.0, _error);
            bump(&mut self.counters.images_refused);
        }
        result
    }

    fn check_image<'i>(
        &mut self,
        now: Micros,
        image: &Image<'i>,
    ) -> Result<ImageWork<'i>, ImageError> {
        self.advance(now)
            .map_err(|latest| ImageError::TimeBackwards { latest })?;
        let detector = usize::from(image.detector);
        if self.detectors.len() <= detector || self.eyes.len() <= detector {
            return Err(ImageError::UnknownDetector {
                detector: image.detector,
            });
        }
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
        let here = self.odometer.motion_at(now).place();
        Ok(ImageWork {
            image: *image,
            now,
            captured,
            curve: Curve::straight(captured),
            #[cfg(feature = "turning")]
            pose: None,
            boom: (here, self.turning.swing_at(now).heading()),
            predicted: self.odometer.predicts(image.captured_at),
            #[cfg(feature = "turning")]
            stage: if self.turning.on() {
                Stage::Way
            } else {
                Stage::See
            },
            #[cfg(not(feature = "turning"))]
            stage: Stage::See,
            next: 0,
            met: Met::default(),
            told: Told::default(),
            report: ImageReport::default(),
        })
    }

    /// Goes on with an image, by a plant, or by some of the nozzles that a plant needs. `Some`
    /// when all is planned. Bounded whatever boom and plan are.
    pub fn step_image(&mut self, work: &mut ImageWork<'_>) -> Option<ImageReport> {
        if matches!(self.pending, Pending::Settle { .. })
            // Seen ground has nozzles brought up: a pulse noted meanwhile is counted before.
            || (work.stage.sees() && self.pending.is_some())
        {
            self.work();
            return None;
        }
        match &mut work.stage {
            #[cfg(feature = "turning")]
            Stage::Way => {
                let capture = (work.image.captured_at, work.captured);
                let way = self.turning.way_since(&self.odometer, capture, work.now);
                work.stage = Stage::Radius(way);
            }
            #[cfg(feature = "turning")]
            Stage::Radius(way) => {
                work.stage = Stage::Curve(self.turning.radius_on(work.now, way));
            }
            #[cfg(feature = "turning")]
            Stage::Curve(radius) => {
                let capture = (work.image.captured_at, work.captured);
                work.curve = self.turning.curve(capture, *radius);
                work.stage = Stage::Pose;
            }
            #[cfg(feature = "turning")]
            Stage::Pose => {
                work.pose = self.turning.keeper(&work.curve);
                work.stage = Stage::Corner(0, Interval::default());
            }
            #[cfg(feature = "turning")]
            Stage::Corner(corner, seen) => {
                let (corner, seen) = (*corner, *seen);
                self.meet_corner(work, corner, seen);
            }
            Stage::See => {
                self.see_straight(work);
                work.stage = Stage::Aim;
            }
            Stage::Aim => {
                let Some(plant) = work.image.plants.get(work.next) else {
                    return Some(self.end_image(&work.report));
                };
                work.next = work.next.wrapping_add(1);
                if self.meet_plant(work, plant) {
                    #[cfg(feature = "turning")]
                    if self.turning.on() {
                        work.stage = Stage::Need;
                        return None;
                    }
                    self.find_nozzles(work, plant);
                } else {
                    bump16(&mut work.report.outside);
                    self.turning.count(|counts| &mut counts.plants_off_curve, 1);
                    #[cfg(feature = "turning")]
                    {
                        work.stage = Stage::KeepUnmet;
                    }
                }
            }
            #[cfg(feature = "turning")]
            Stage::Need => {
                if let Some(plant) = work.image.plants.get(work.next.wrapping_sub(1)) {
                    self.find_nozzles(work, plant);
                }
            }
            #[cfg(feature = "turning")]
            Stage::KeepUnmet => {
                work.stage = Stage::Aim;
                let eye = self.eyes.get(usize::from(work.image.detector));
                let plant = work.image.plants.get(work.next.wrapping_sub(1));
                if let (Some(plant), Some(eye)) = (plant, eye) {
                    self.keep_unmet(work.pose.as_ref(), plant, eye);
                }
            }
            #[cfg(feature = "turning")]
            Stage::Keep(set, became) => {
                let (set, became) = (*set, *became);
                self.keep_planned(work, set, &became);
                return self.end_plant(work, &became);
            }
            Stage::Choose(choice) => {
                let faulty: &[bool] = if self.faults == 0 { &[] } else { &self.faulty };
                let Some(fan) = &self.fan else {
                    // Choices are only begun with fans.
                    work.stage = Stage::Aim;
                    return None;
                };
                if let Some(aim) = fan.go_on(choice, self.nozzles, faulty) {
                    self.start_planning(work, &aim);
                }
            }
            Stage::Plan(plan) => {
                if !self.plan_some(plan) {
                    return None;
                }
                let became = plan.became;
                #[cfg(feature = "turning")]
                if self.turning.on() {
                    work.stage = Stage::Keep(plan.set, became);
                    return None;
                }
                return self.end_plant(work, &became);
            }
        }
        None
    }

    /// Nothing is left to do of a plant; `Some` if it was the last.
    fn end_plant(&mut self, work: &mut ImageWork<'_>, became: &Became) -> Option<ImageReport> {
        work.stage = Stage::Aim;
        self.report_plant(work, became);
        let over = work.next >= work.image.plants.len();
        over.then(|| self.end_image(&work.report))
    }

    /// One corner more of what the image covers is met; after the last one, or where the boom does
    /// not come by one, the ground is seen.
    #[cfg(feature = "turning")]
    fn meet_corner(&mut self, work: &mut ImageWork<'_>, corner: u8, seen: Interval) {
        let detector = usize::from(work.image.detector);
        let side = self.layers.side_of(detector);
        let eye = self.eyes.get(detector);
        let met = eye.and_then(|eye| aiming::corner(work.image.seen, &work.curve, eye, corner));
        let seen = met.map(|met| {
            let place = met.place.wrapping_add(met.heading.lead(side));
            aiming::with_corner(seen, corner, place)
        });
        work.stage = match seen {
            Some(seen) if corner < 3 => Stage::Corner(corner.wrapping_add(1), seen),
            seen => {
                self.see_image(work, seen.unwrap_or_default());
                Stage::Aim
            }
        };
    }

    /// The same of a machine that goes straight, at once.
    fn see_straight(&mut self, work: &ImageWork<'_>) {
        let detector = usize::from(work.image.detector);
        let side = self.layers.side_of(detector);
        let seen = self.eyes.get(detector).and_then(|eye| {
            aiming::seen_straight(work.image.seen, &work.curve, eye, |met| {
                met.place.wrapping_add(met.heading.lead(side))
            })
        });
        self.see_image(work, seen.unwrap_or_default());
    }

    /// The ground that the image covers is seen.
    fn see_image(&mut self, work: &ImageWork<'_>, seen: Interval) {
        let (image, now) = (&work.image, work.now);
        let detector = usize::from(image.detector);
        if let Some(sight) = self.detectors.get_mut(detector) {
            sight.last_image = now;
            sight.silent = false;
        }
        let ends = now.plus(self.timing.detector_silence).plus(Span(1));
        self.silence_due = self.silence_due.min(ends);
        self.stale = true;
        if self.layers.are_plain() {
            self.layers.see(detector, seen, &mut self.counters);
        } else {
            self.settle_then(now, Order::See(image.detector, seen));
        }
    }

    /// Which stretch of ground a plant needs. False when the boom does not come by it.
    fn meet_plant(&mut self, work: &mut ImageWork<'_>, plant: &Plant) -> bool {
        let eye = self.eyes.get(usize::from(work.image.detector));
        let aimed = eye.and_then(|eye| aiming::aim(plant, &work.curve, eye, &self.patch));
        let Some(aimed) = aimed else { return false };
        work.met = Met {
            patch: aimed.patch,
            across: aimed.across,
            heading: aimed.heading,
            #[cfg(feature = "turning")]
            centre: aimed.centre,
        };
        true
    }

    /// Which nozzles it needs: its planning or their choice begins.
    fn find_nozzles(&mut self, work: &mut ImageWork<'_>, plant: &Plant) {
        let detector = usize::from(work.image.detector);
        let Met {
            mut patch,
            mut across,
            ..
        } = work.met;
        if let (Some(id), Some(sight)) = (plant.id, self.detectors.get_mut(detector)) {
            let growth = self.patch.repeat_growth;
            let repeats = &mut sight.repeats;
            (patch, across) =
                repeats.hold(id, patch, across, growth, work.boom.0, &mut self.counters);
        }
        let margin = self.patch.lateral_margin;
        let faulty: &[bool] = if self.faults == 0 { &[] } else { &self.faulty };
        let needed = aiming::needed(across, self.nozzles, faulty, self.fan.as_ref(), margin);
        (work.met.patch, work.met.across) = (patch, across);
        work.told.outside = needed.outside;
        work.told.clipped = needed.clipped;
        match needed.aim {
            Ok(aim) => self.start_planning(work, &aim),
            Err(choice) => work.stage = Stage::Choose(choice),
        }
    }

    /// A plant that was planned, or that no healthy nozzle reaches yet, is kept in case the curve
    /// changes.
    #[cfg(feature = "turning")]
    fn keep_planned(&mut self, work: &ImageWork<'_>, set: NozzleSet, became: &Became) {
        let detector = usize::from(work.image.detector);
        // The plant that is planned is the one before the next.
        let plant = work.image.plants.get(work.next.wrapping_sub(1));
        if let (Some(plant), Some(eye)) = (plant, self.eyes.get(detector))
            && (became.planned || !became.served)
        {
            let met = &work.met;
            let at = (met.centre, met.patch, met.across, met.heading);
            self.keep_met(work.pose.as_ref(), (plant, eye), at, set);
        }
    }

    /// A plant's nozzles are known: it is to be planned, and looked up again if it was placed by
    /// prediction.
    fn start_planning(&mut self, work: &mut ImageWork<'_>, aim: &fan::Aim) {
        work.told.short = aim.short;
        work.told.smallest = aim.smallest;
        let met = (work.met.patch, work.met.heading);
        if work.predicted && !aim.set.is_empty() {
            let waits = Aim::new(work.image.captured_at, work.captured, met, aim.set);
            if !self.aims.keep(waits) {
                bump(&mut self.counters.not_reaimed);
            }
        }
        work.stage = Stage::Plan(Plan::new(aim.set, met, work.boom, Sighting::First));
    }

    fn report_plant(&mut self, work: &mut ImageWork<'_>, became: &Became) {
        let (told, report) = (&work.told, &mut work.report);
        let planned = became.planned;
        let tally = if planned {
            &mut report.accepted
        } else if told.outside {
            &mut report.outside
        } else if !became.served {
            &mut report.unserved
        } else {
            &mut report.late
        };
        bump16(tally);
        for (happened, tally) in [
            (became.grown, &mut report.grown),
            (planned && told.short, &mut report.underdosed),
            (planned && told.clipped, &mut report.clipped),
        ] {
            if happened {
                bump16(tally);
            }
        }
        if became.served && !told.smallest {
            bump(&mut self.counters.sets_not_smallest);
        }
    }

    fn end_image(&mut self, report: &ImageReport) -> ImageReport {
        let counters = &mut self.counters;
        bump(&mut counters.images);
        add(&mut counters.plants, u32::from(report.accepted));
        for refused in [report.outside, report.late, report.unserved] {
            add(&mut counters.plants_refused, u32::from(refused));
        }
        add(
            &mut counters.plants_underdosed,
            u32::from(report.underdosed),
        );
        add(&mut counters.plants_clipped, u32::from(report.clipped));
        *report
    }

    /// After a pulse: up to `more` plants that were placed by prediction are to be looked up
    /// again.
    pub(super) fn reaim(&mut self, now: Micros, more: u8) {
        if more > 0 && !self.aims.is_empty() {
            self.pending = Pending::Reaim(now, more);
        }
    }

    /// Looks up again where one plant lies that was placed by prediction.
    pub(super) fn look_up_again(&mut self, now: Micros, more: u8) {
        let Some(aim) = self.aims.take() else { return };
        let more = more.saturating_sub(1);
        let Ok(captured) = self.odometer.place_at(aim.captured_at(now)) else {
            bump(&mut self.counters.not_reaimed);
            return self.reaim(now, more);
        };
        let moved = ahead(captured, aim.captured);
        if moved.saturating_abs() < LEAST_MOVE {
            return self.reaim(now, more);
        }
        bump(&mut self.counters.reaimed);
        let here = self.odometer.motion_at(now).place();
        let boom = (here, self.turning.swing_at(now).heading());
        let met = (aim.patch.on_by(moved), aim.heading);
        let plan = Plan::new(aim.set, met, boom, Sighting::Second);
        self.pending = Pending::Plan(now, more, plan);
    }

    /// Goes on planning a patch, by some nozzles. True when it is planned on all.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(super) fn plan_some(&mut self, plan: &mut Plan) -> bool {
        let mut left = NOZZLES_A_STEP;
        let end = plan.set.range().end;
        while plan.next < end {
            let index = plan.next;
            if plan.set.opens(index) {
                if left == 0 {
                    return false;
                }
                left = left.wrapping_sub(1);
                self.plan_on(index, plan);
            }
            plan.next = index.wrapping_add(1);
        }
        true
    }

    fn plan_on(&mut self, index: usize, plan: &mut Plan) {
        let (Some(lane), Some(nozzle), Some(false)) = (
            self.lanes.get_mut(index),
            self.nozzles.get(index),
            self.faulty.get(index),
        ) else {
            return;
        };
        let became = &mut plan.became;
        became.served = true;
        let side = self.turning.side(nozzle.y);
        let (patch, heading) = plan.met;
        let patch = patch.on_by(heading.lead(side));
        let here = (plan.boom.0).wrapping_add(plan.boom.1.lead(side));
        match plan.sighting {
            Sighting::First => match lane.take(patch, nozzle, here, &mut self.counters) {
                Planned::New => became.planned = true,
                Planned::Grown => (became.planned, became.grown) = (true, true),
                Planned::Behind => return,
            },
            Sighting::Second => {
                became.in_time &= lane.grow(patch, nozzle, here, &mut self.counters);
            }
        }
        self.note(index, plan.boom);
    }

    /// Notes where a nozzle is next to be looked at, after something was planned on it. Where
    /// more than the plan counts that is not searched for here: it is at the next instant.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(super) fn note(&mut self, index: usize, (here, heading): (i32, Heading)) {
        let group = self.groups.get_mut(index >> GROUP_BITS);
        if let (Some(lane), Some(nozzle), Some(next), Some(group)) = (
            self.lanes.get(index),
            self.nozzles.get(index),
            self.next.get_mut(index),
            group,
        ) {
            let side = self.turning.side(nozzle.y);
            let place = here.wrapping_add(heading.lead(side));
            let boundary = if self.layers.is_plan(index) {
                lane.plan_boundary(place)
            } else {
                Some(place.wrapping_sub(AT_ONCE))
            };
            group.note(index & (GROUP - 1), next, side, boundary);
        }
    }
}

/// A patch, given for a nozzle at x = 0, that is being planned on the healthy nozzles of a set.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plan {
    set: NozzleSet,
    /// The boom meets it with this heading.
    met: (Interval, Heading),
    /// Where the boom is, and its heading there.
    boom: (i32, Heading),
    sighting: Sighting,
    /// The nozzle next in turn.
    next: usize,
    pub became: Became,
}

impl Plan {
    fn new(
        set: NozzleSet,
        met: (Interval, Heading),
        boom: (i32, Heading),
        sighting: Sighting,
    ) -> Self {
        Self {
            set,
            met,
            boom,
            sighting,
            next: set.range().start,
            became: Became {
                in_time: true,
                ..Became::default()
            },
        }
    }
}

/// Whether a plant is planned, or looked up again.
#[derive(Clone, Copy, Debug)]
enum Sighting {
    First,
    Second,
}

/// What became of a patch on all its nozzles.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Became {
    /// There was a healthy one.
    served: bool,
    planned: bool,
    grown: bool,
    /// Of a second look: nothing of it was commanded or past.
    pub in_time: bool,
}

fn bump16(tally: &mut u16) {
    *tally = tally.saturating_add(1);
}
