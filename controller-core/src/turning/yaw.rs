//! The heading, past and present, from a yaw rate or a second wheel.

use super::course::Pose;
use super::waiting::{Kept, Waiting};
use super::{Curve, FAR_APART, Heading, Side, Taken, YawCounts, YawError, YawSource};
use crate::boom::Config;
use crate::counters::add;
use crate::ground_plan::{Interval, ahead};
use crate::odometer::{Motion, Odometer};
use crate::units::{Length, Micros, PulseLength, Span, low_u32, saturate_i32, wrap_i32};
use core::ops::Range;

/// Remembered headings.
const PAST: usize = 64;
/// A second wheel's rate is taken over at least this, and curvature from so long before the
/// capture, µs: a fifth of the noise of one 20 ms sample, and half of it as lag.
const LOOK_BACK: Span = Span(150_000);
/// A rate older than this is none, µs.
const STALE: u32 = 1_000_000;
/// At rest no sensor is further off than this, 2⁻⁴⁴ rad/µs: 3 °/s.
const MOST_BIAS: i32 = 921_000;
/// So long after the last pulse of a stop it has come to rest.
const ROCKS: Span = Span(300_000);
/// Readings at rest are taken in lessons of so many, and the offset is a mean over so many
/// lessons.
const READINGS: i32 = 16;
const LESSONS: i32 = 32;
/// A living sensor is frozen after so many readings alike, and so long of them, µs.
const ALIKE: u32 = 24;
const FROZEN_AFTER: Span = Span(400_000);
/// A sensor is alive when of a lesson no more readings than this are like the one before.
const ALIKE_AT_REST: i32 = 3;
/// What a second wheel's pulse may be off by, fine counts: 5 mm of uneven slots.
const UNEVEN: i64 = 5 << 12;
/// Less way than this tells no curvature, counts: 0.1 m.
const LEAST_WAY: i32 = 100 * crate::units::COUNTS_PER_MM;
/// On less way than this no plant is aimed at anew, counts: 0.3 m. As the machine sets off the first
/// pulses tell places, and so headings, less well.
const SURE_WAY: i32 = 300 * crate::units::COUNTS_PER_MM;
/// A plant that moved by less along is not aimed at anew, counts: 2 mm.
const LEAST_MOVE: i32 = 2 * crate::units::COUNTS_PER_MM;
/// Nor one that moved by less across, counts: 8 mm. Each nozzle that noise adds stays where its
/// patch grows together with another's.
const LEAST_ASIDE: i32 = 8 * crate::units::COUNTS_PER_MM;

#[derive(Clone, Copy, Debug, Default)]
struct Mark {
    /// Low half of the instant.
    at: u32,
    /// 2⁻²⁸ rad, short form.
    heading: i32,
}

#[derive(Clone, Copy, Debug)]
struct Second {
    /// Whole and 2⁻³² counts.
    pulse: u64,
    /// Counts with 32 fractional bits since the first pulse: wraps at ±134 km.
    way: u64,
    /// 2⁻⁴⁴ rad for a fine count of lead over the first wheel.
    scale: i64,
    /// Lead at heading 0, fine counts.
    even: i64,
    /// Its next pulse is the mark of the last one, passed the other way.
    same_mark: bool,
    known: bool,
}

/// Readings at rest. A lesson counts when a whole one has followed it: before its first pulse a
/// machine may have set off already.
#[derive(Clone, Copy, Debug, Default)]
struct Lesson {
    sum: i32,
    readings: i32,
    /// Readings like the one before.
    alike: i32,
    /// The mean of the one before.
    before: Option<i32>,
}

/// A sensor that says the same again and again.
#[derive(Clone, Copy, Debug, Default)]
struct Same {
    reading: i32,
    /// Readings like the first of them, and when that one came.
    alike: u32,
    from: Micros,
    /// At rest its noise showed: it does not say the same for long.
    alive: bool,
    frozen: bool,
}

/// What is known of the heading.
#[derive(Clone, Debug)]
pub(crate) struct Turning {
    on: bool,
    behind: i32,
    /// The boom's place forward of the reference point: the middle of its nozzles'.
    boom_x: i32,
    wheel_y: Length,
    most: Side,
    second: Option<Second>,
    silence: Span,
    most_rate: i32,
    /// 2⁻⁴⁴ rad, at `at`.
    heading: i64,
    at: Micros,
    /// 2⁻⁴⁴ rad/µs from `at` on.
    rate: i32,
    heard: bool,
    silent: bool,
    /// Silence is told from here on.
    watched_from: Micros,
    /// What the sensor reads at rest, 2⁻⁴⁴ rad/µs, and from how many lessons.
    bias: i32,
    taught: i32,
    lesson: Lesson,
    same: Same,
    waiting: Waiting,
    /// What the sensor told at rest of late, 2⁻⁴⁴ rad: part of the heading once a pulse shows
    /// that the machine had set off before it.
    tentative: i64,
    step: Span,
    past: [Mark; PAST],
    newest: usize,
    stored: usize,
    counts: YawCounts,
}

impl Turning {
    /// Goes straight on. A constant, so that it is cleared where it lies.
    pub const BLANK: Self = Self {
        on: false,
        behind: 0,
        boom_x: 0,
        wheel_y: Length::from_mm(0),
        most: Side::WHEEL,
        second: None,
        silence: Span(0),
        most_rate: 0,
        heading: 0,
        at: Micros(0),
        rate: 0,
        heard: false,
        silent: false,
        watched_from: Micros(0),
        bias: 0,
        taught: 0,
        lesson: Lesson {
            sum: 0,
            readings: 0,
            alike: 0,
            before: None,
        },
        same: Same {
            reading: 0,
            alike: 0,
            from: Micros(0),
            alive: false,
            frozen: false,
        },
        waiting: Waiting::new(),
        tentative: 0,
        step: Span(0),
        past: [Mark { at: 0, heading: 0 }; PAST],
        newest: 0,
        stored: 0,
        counts: YawCounts::NONE,
    };

    pub fn set_up(&mut self, config: &Config<'_>) {
        self.step = Span(config.timing.max_detection_age.0 >> 5);
        let Some(turning) = &config.turning else {
            return;
        };
        self.on = true;
        self.behind = turning.behind_axle.bits();
        let places = || config.nozzles.iter().map(|n| n.x.bits());
        let (rear, front) = (places().min(), places().max());
        let ends =
            i64::from(rear.unwrap_or_default()).wrapping_add(i64::from(front.unwrap_or_default()));
        self.boom_x = saturate_i32(ends >> 1);
        self.wheel_y = turning.wheel_y;
        self.waiting.set_up(turning.wheel_y.bits());
        let sides = config.nozzles.iter().map(|n| n.y);
        let views = config.detectors.iter().map(|d| d.y);
        let side = |y: Length| Side::of(y, turning.wheel_y);
        self.most = Side::farthest(sides.chain(views).map(side));
        self.silence = turning.silence;
        self.most_rate = rate_internal(
            i32::try_from(turning.most_rate_mrad_s.saturating_mul(1000)).unwrap_or(i32::MAX),
        );
        if let YawSource::SecondWheel { pulse_length, y } = turning.source {
            self.second = Second::new(pulse_length, Side::of(y, turning.wheel_y));
        }
    }

    pub const fn counts(&self) -> &YawCounts {
        &self.counts
    }

    pub fn count(&mut self, of: fn(&mut YawCounts) -> &mut u32, more: u32) {
        add(of(&mut self.counts), more);
    }

    pub const fn on(&self) -> bool {
        self.on
    }

    pub fn side(&self, y: Length) -> Side {
        Side::of(y, self.wheel_y)
    }

    /// Takes a reading of the sensor, µrad/s to the left. Constant work; a short division at rest.
    pub fn take_rate<const H: usize>(
        &mut self,
        now: Micros,
        rate_urad_s: i32,
        odometer: &Odometer<H>,
    ) -> Result<Taken, YawError> {
        if !self.on || self.second.is_some() {
            return Err(YawError::NoInput);
        }
        let raw = rate_internal(rate_urad_s);
        if self.same.again(now, rate_urad_s) {
            if !core::mem::replace(&mut self.same.frozen, true) {
                add(&mut self.counts.frozen, 1);
            }
            self.lesson = Lesson::default();
            return Err(YawError::Frozen);
        }
        self.same.frozen = false;
        if raw.saturating_abs() > self.most_rate.saturating_add(self.bias.saturating_abs()) {
            return Err(YawError::TooFast);
        }
        let still = odometer.never_moved() || now >= odometer.stops_at().plus(ROCKS);
        let mut taken = Taken::Yes;
        if still && raw.saturating_abs() <= MOST_BIAS {
            if self.teach(raw) {
                taken = Taken::Taught;
            }
        } else {
            self.lesson = Lesson::default();
        }
        let mut rate = raw.saturating_sub(self.bias);
        if still {
            // Fades over some 32 readings: what a standstill adds up is noise.
            let since = now.since(self.at).min(self.silence);
            let more = i64::from(rate).wrapping_mul(i64::from(since.0));
            let faded = self.tentative.wrapping_sub(self.tentative >> 5);
            self.tentative = faded.wrapping_add(more);
            rate = 0;
        } else {
            let since = core::mem::take(&mut self.tentative);
            self.heading = self.heading.wrapping_add(since);
        }
        let waited = now.since(self.at);
        if self.heard && waited < self.silence {
            let twice = i64::from(self.rate).wrapping_add(i64::from(rate));
            self.heading = self
                .heading
                .wrapping_add(twice.wrapping_mul(i64::from(waited.0)) >> 1);
        } else {
            self.heading = self.heading_now(now);
        }
        self.bring_up(now, rate);
        Ok(taken)
    }

    /// Takes a reading at rest; true when it brought a lesson to its end that counts.
    fn teach(&mut self, raw: i32) -> bool {
        let lesson = &mut self.lesson;
        lesson.sum = lesson.sum.saturating_add(raw);
        lesson.readings = lesson.readings.saturating_add(1);
        if self.same.alike > 0 {
            lesson.alike = lesson.alike.saturating_add(1);
        }
        if lesson.readings < READINGS {
            return false;
        }
        let mean = lesson.sum.checked_div(READINGS).unwrap_or_default();
        let before = lesson.before.replace(mean);
        self.same.alive |= lesson.alike <= ALIKE_AT_REST;
        (lesson.sum, lesson.readings, lesson.alike) = (0, 0, 0);
        let Some(before) = before else { return false };
        self.taught = self.taught.saturating_add(1).min(LESSONS);
        let off = before.saturating_sub(self.bias);
        let part = off.checked_div(self.taught).unwrap_or_default();
        self.bias = self.bias.saturating_add(part);
        true
    }

    /// Takes a pulse of the second wheel. Work is bounded by the remembered headings, and a
    /// division.
    pub fn take_second<const H: usize>(
        &mut self,
        now: Micros,
        odometer: &Odometer<H>,
    ) -> Result<Taken, YawError> {
        let Some(mut second) = self.second else {
            return Err(YawError::NoInput);
        };
        let first = odometer.motion_at(now);
        second.step(odometer.reversing());
        let lead = second.ahead_of(&first);
        let foretold = self.heading_now(now);
        let heading = lead.wrapping_sub(second.even).wrapping_mul(second.scale);
        let most = i64::from(self.most_rate)
            .saturating_mul(i64::from(now.since(self.at).0.min(STALE)))
            .saturating_add(UNEVEN.saturating_mul(second.scale.saturating_abs()));
        let turned = heading.wrapping_sub(self.heading).saturating_abs();
        let sound = second.known && turned <= most;
        if !sound {
            // The first one, or pulses lost on either wheel: from here on it leads by this.
            let even = foretold.checked_div(second.scale).unwrap_or_default();
            second.even = lead.wrapping_sub(even);
        }
        let first_ever = !second.known;
        second.known = true;
        self.second = Some(second);
        self.heading = if sound { heading } else { foretold };
        let rate = if sound { self.rate_back(now) } else { 0 };
        if !sound {
            self.stored = 0;
        }
        self.bring_up(now, rate);
        if sound || first_ever {
            Ok(Taken::Yes)
        } else {
            Err(YawError::TooFast)
        }
    }

    /// The direction of travel has changed.
    pub fn turned_about(&mut self) {
        if let Some(second) = &mut self.second {
            second.same_mark = second.known && !second.same_mark;
        }
    }

    /// True once for each time that no input came for so long while the wheel turns; to be
    /// asked at its pulses. `set_off`: it stood before this one.
    pub fn fell_silent(&mut self, now: Micros, set_off: bool) -> bool {
        if set_off {
            self.watched_from = now;
        }
        let heard = if self.heard { self.at } else { Micros(0) };
        let silent = self.on && now.since(heard.max(self.watched_from)) >= self.silence;
        let new = silent && !self.silent;
        self.silent = silent;
        new
    }

    /// Heading and yaw rate at an instant that is not past.
    pub fn swing_at(&self, at: Micros) -> Swing {
        let turns = self.heard && at.since(self.at) < self.silence;
        Swing {
            heading: Heading(self.heading_now(at) >> 12),
            rate: if turns { self.rate } else { 0 },
            most: self.most,
        }
    }

    /// The way on which the curve of an image is taken, that was captured at a place: from shortly
    /// before until `now`. A look-up of a past place.
    pub fn way_since<const H: usize>(
        &self,
        odometer: &Odometer<H>,
        (captured_at, captured): (Micros, i32),
        now: Micros,
    ) -> Way {
        let since = look_back(captured_at, false);
        let from = odometer.place_at(since).unwrap_or(captured);
        Way {
            since,
            counts: odometer.motion_at(now).place().wrapping_sub(from),
        }
    }

    /// The curve from a capture on. Bounded by the remembered headings.
    pub fn curve(&self, (captured_at, captured): (Micros, i32), radius: Option<i64>) -> Curve {
        self.curve_on(captured, self.heading_at(captured_at), radius)
    }

    /// On from a place and a heading, 2⁻⁴⁴ rad, with this radius of the wheel.
    fn curve_on(&self, place: i32, heading: i64, radius: Option<i64>) -> Curve {
        let wheel = self.wheel_y.bits();
        let heading = Heading(heading >> 12);
        Curve::new(place, heading, radius, wheel, self.behind, self.boom_x)
    }

    /// Keeps the plants of an image to be aimed at anew; `None` where they can't be placed.
    pub fn keeper(&self, curve: &Curve) -> Option<Pose> {
        self.waiting.pose(curve)
    }

    /// Keeps one that lies `x` ahead and `y` right of the reference point at a pose.
    pub fn keep(&mut self, pose: &Pose, (x, y): (i32, i32), kept: Kept) {
        let forward = x.saturating_sub(self.behind);
        if self.waiting.keep(pose, (forward, y), kept) {
            add(&mut self.counts.let_go, 1);
        }
    }

    /// Brings up where the machine is, and tells where the plant lies whose turn it is to be looked
    /// at again, forward and right of the axle's middle. It is the last in the list from then on.
    pub fn next_plant<const H: usize>(
        &mut self,
        now: Micros,
        odometer: &Odometer<H>,
    ) -> Option<(i32, i32)> {
        let motion = odometer.motion_at(now);
        let heading = Heading(self.heading_now(now) >> 12);
        self.waiting.go(motion.base, motion.ahead_fine, heading);
        self.waiting.next(self.boom_x.saturating_sub(self.behind))
    }

    /// How far the wheel came `twice` or once the usual time before `now`; `None` when that is too
    /// little to be sure of a curvature. A look-up of a past place.
    pub fn sure_way<const H: usize>(
        &self,
        now: Micros,
        odometer: &Odometer<H>,
        twice: bool,
    ) -> Option<Way> {
        let since = look_back(now, twice);
        let here = odometer.motion_at(now).place();
        let from = odometer.place_at(since).unwrap_or(here);
        (ahead(here, from) >= SURE_WAY).then_some(Way {
            since,
            counts: here.wrapping_sub(from),
        })
    }

    /// The wheel's radius on a way, `None` when straight. Bounded by the remembered headings.
    pub fn radius_on(&self, now: Micros, way: &Way) -> Option<i64> {
        let turned = self
            .heading_now(now)
            .wrapping_sub(self.heading_at(way.since))
            >> 12;
        radius(way.counts, turned)
    }

    /// Where the boom will meet the plant looked at, which lies so many counts forward and right of
    /// the axle's middle, if it goes on with this radius. `None`: no elsewhere than it is aimed at.
    pub fn meets_elsewhere<const H: usize>(
        &self,
        now: Micros,
        odometer: &Odometer<H>,
        (forward, y): (i32, i32),
        radius: Option<i64>,
    ) -> Option<Kept> {
        let old = self.waiting.latest()?;
        let place = odometer.motion_at(now).place();
        let curve = self.curve_on(place, self.heading_now(now), radius);
        let met = curve.cross(forward.saturating_add(self.behind), y)?;
        let far = |a: i32, b: i32, least: i32| ahead(a, b).saturating_abs() >= least;
        let unmet = old.set.is_empty();
        let side = Side(old.y.saturating_sub(self.wheel_y.bits()));
        let mut fresh = *old;
        (fresh.place, fresh.heading) = (met.place, met.heading);
        let aside = unmet || far(met.y, old.y, LEAST_ASIDE);
        if aside {
            fresh.y = met.y;
        }
        (aside || far(fresh.own(side), old.own(side), LEAST_MOVE)).then_some(fresh)
    }

    /// The plant looked at, as it is aimed at so far.
    pub fn looked_at(&self) -> Option<&Kept> {
        self.waiting.latest()
    }

    /// The plant looked at is aimed at so from now on.
    pub fn aim_anew(&mut self, kept: Kept) {
        self.waiting.aim_anew(kept);
    }

    /// Whether some of the plants that wait, beside the one looked at, may need such a patch on a
    /// nozzle's own way; `None` when no plant does and these were the last.
    pub fn needs(&self, nozzle: (usize, Side), own: Interval, among: Range<usize>) -> Option<bool> {
        self.waiting.needed(nozzle, own, among)
    }

    fn heading_now(&self, at: Micros) -> i64 {
        if !self.heard {
            return self.heading;
        }
        let run = at.since(self.at).min(self.silence);
        let turned = i64::from(self.rate).wrapping_mul(i64::from(run.0));
        self.heading.wrapping_add(turned)
    }

    fn bring_up(&mut self, now: Micros, rate: i32) {
        self.at = now;
        self.rate = rate;
        self.heard = true;
        if self.stored > 0 && now.since(self.before(self.mark(0).at)) < self.step {
            return;
        }
        self.newest = self.newest.wrapping_add(1) & PAST.wrapping_sub(1);
        if let Some(slot) = self.past.get_mut(self.newest) {
            *slot = Mark {
                at: low_u32(now.0),
                heading: wrap_i32(self.heading >> 16),
            };
        }
        self.stored = self.stored.saturating_add(1).min(PAST);
    }

    fn mark(&self, back: usize) -> Mark {
        let index = self.newest.wrapping_sub(back) & PAST.wrapping_sub(1);
        self.past.get(index).copied().unwrap_or_default()
    }

    /// The instant of a mark, which is at most half an hour before the last input.
    fn before(&self, mark: u32) -> Micros {
        let age = low_u32(self.at.0).wrapping_sub(mark);
        Micros(self.at.0.saturating_sub(u64::from(age)))
    }

    /// The heading of a mark, of which the short form wraps at ±8 rad.
    fn whole(&self, mark: i32) -> i64 {
        let since = wrap_i32(self.heading >> 16).wrapping_sub(mark);
        self.heading.wrapping_sub(i64::from(since) << 16)
    }

    /// Heading at an instant, past or not, 2⁻⁴⁴ rad; a straight line between two marks.
    fn heading_at(&self, at: Micros) -> i64 {
        if at >= self.at {
            return self.heading_now(at);
        }
        let mut right = (self.at, self.heading);
        for back in 0..self.stored {
            let mark = self.mark(back);
            let left = (self.before(mark.at), self.whole(mark.heading));
            if left.0 <= at {
                let all = i64::from(right.0.since(left.0).0);
                let part = i64::from(at.since(left.0).0);
                // A difference of at most 2⁴⁷ and a time of at most 2²⁰.
                let turned = right.1.wrapping_sub(left.1) >> 16;
                let turned = turned.saturating_mul(part).checked_div(all);
                return left.1.wrapping_add(turned.unwrap_or_default() << 16);
            }
            right = left;
        }
        right.1
    }

    /// The mean rate over the last time in which a second wheel can tell it.
    fn rate_back(&self, now: Micros) -> i32 {
        for back in 0..self.stored {
            let mark = self.mark(back);
            let age = low_u32(now.0).wrapping_sub(mark.at);
            if age >= LOOK_BACK.0 || back.wrapping_add(1) == self.stored {
                if !(LOOK_BACK.0 >> 2..=STALE).contains(&age) {
                    return 0;
                }
                let turned = self.heading.wrapping_sub(self.whole(mark.heading));
                let rate = turned.checked_div(i64::from(age)).unwrap_or_default();
                let least = self.most_rate.saturating_neg();
                return saturate_i32(rate).max(least).min(self.most_rate);
            }
        }
        0
    }
}

impl Same {
    /// Takes a reading; true when a living sensor has said the same for too long.
    fn again(&mut self, now: Micros, reading: i32) -> bool {
        if reading == self.reading {
            self.alike = self.alike.saturating_add(1);
        } else {
            (self.reading, self.alike, self.from) = (reading, 0, now);
        }
        self.alive && self.alike >= ALIKE && now.since(self.from) >= FROZEN_AFTER
    }
}

impl Second {
    fn new(pulse: PulseLength, side: Side) -> Option<Self> {
        // 2⁴⁴ rad a count of lead over a side of so many counts; 2⁸ fine counts in a count.
        let scale = (1_i64 << 36).checked_div(i64::from(side.0))?;
        Some(Self {
            pulse: pulse.bits(),
            way: 0,
            scale,
            even: 0,
            same_mark: false,
            known: false,
        })
    }

    fn step(&mut self, back: bool) {
        if core::mem::take(&mut self.same_mark) {
            return;
        }
        self.way = if back {
            self.way.wrapping_sub(self.pulse)
        } else {
            self.way.wrapping_add(self.pulse)
        };
    }

    /// Fine counts ahead of the first wheel; the places of both wrap at 2³¹ counts.
    fn ahead_of(&self, first: &Motion) -> i64 {
        let fine = i64::try_from(self.way >> 24).unwrap_or_default();
        let counts = wrap_i32(fine >> 8).wrapping_sub(first.base);
        (i64::from(counts) << 8)
            .wrapping_add(fine & 0xFF)
            .wrapping_sub(first.ahead_fine)
    }
}

/// A way of the wheel on which a curvature is taken.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Way {
    since: Micros,
    counts: i32,
}

/// From where a curvature is taken at `now`.
fn look_back(now: Micros, twice: bool) -> Micros {
    let back = u64::from(LOOK_BACK.0) << u32::from(twice);
    Micros(now.0.saturating_sub(back))
}

/// The wheel's radius, counts, positive to the left, when it turned by so much, 2⁻³² rad, over a way.
fn radius(way: i32, turned: i64) -> Option<i64> {
    if way >= LEAST_WAY {
        (i64::from(way) << 32).checked_div(turned)
    } else {
        None
    }
}

/// Heading and yaw rate at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Swing {
    heading: Heading,
    /// 2⁻⁴⁴ rad/µs.
    rate: i32,
    /// The farthest that anything lies from the wheel, across.
    most: Side,
}

impl Swing {
    pub fn heading(&self) -> Heading {
        self.heading
    }

    pub fn heading_after(&self, time: Span) -> Heading {
        let turned = i64::from(self.rate).wrapping_mul(i64::from(time.0)) >> 12;
        Heading(self.heading.0.wrapping_add(turned))
    }

    pub fn turns(&self) -> bool {
        self.rate != 0
    }

    /// The motion of a nozzle along its own way. A machine that stands does not turn.
    pub fn own(&self, motion: &Motion, side: Side) -> Motion {
        let (counts, fine) = self.heading.lead_fine(side);
        let mut own = *motion;
        own.base = own.base.wrapping_add(counts);
        own.ahead_fine = own.ahead_fine.wrapping_add(fine);
        if motion.v != 0 {
            let faster = i64::from(self.rate).wrapping_mul(i64::from(side.0)) >> 20;
            own.v = saturate_i32(i64::from(motion.v).wrapping_add(faster));
        }
        own
    }

    /// A motion that is nowhere behind that of any nozzle, when boundaries are brought to a
    /// common place by the heading `since`.
    pub fn widest(&self, motion: &Motion, since: Heading) -> Motion {
        let mut widest = *motion;
        let spread = i64::from(self.heading.spread(since, self.most)) << 8;
        widest.ahead_fine = widest.ahead_fine.wrapping_add(spread);
        widest.v = saturate_i32(i64::from(motion.v).wrapping_add(self.fastest()));
        widest
    }

    /// Of the headings by which boundaries were brought to a common place, the one farthest from
    /// this.
    pub fn farthest_from(&self, sinces: impl Iterator<Item = Heading>) -> Heading {
        let apart = |since: &Heading| self.heading.0.wrapping_sub(since.0).saturating_abs();
        sinces.max_by_key(apart).unwrap_or(self.heading)
    }

    /// Boundaries brought to a common place by the heading `since` are far from true.
    pub fn far_apart(&self, since: Heading) -> bool {
        self.heading.spread(since, self.most) > FAR_APART
    }

    /// Whether some nozzle may be slower than `creep` when the wheel is at `v`, 2⁻²⁴ counts a µs.
    pub fn slows_below(&self, v: i64, creep: i32) -> bool {
        self.turns() && v.wrapping_sub(self.fastest()) < i64::from(creep)
    }

    /// By how much a nozzle may be faster or slower than the wheel, 2⁻²⁴ counts a µs.
    pub fn fastest(&self) -> i64 {
        let product = i64::from(self.rate).wrapping_mul(i64::from(self.most.0));
        if product == 0 {
            return 0;
        }
        (product.saturating_abs() >> 20).wrapping_add(1)
    }
}

/// µrad/s in 2⁻⁴⁴ rad/µs: 2⁴⁴ / 10¹² = 17.592186, here with 20 bits behind the point.
fn rate_internal(urad_s: i32) -> i32 {
    saturate_i32(i64::from(urad_s).wrapping_mul(18_446_744) >> 20)
}
