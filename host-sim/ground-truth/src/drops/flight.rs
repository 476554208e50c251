//! Where a drop flies: one sphere in moving air, from its release to the ground.
//!
//! Integrated by the crate `differential-equations`: an adaptive Runge-Kutta method of the
//! sixth order of Verner with the landing found as an event.

use differential_equations::prelude::{
    CrossingDirection, Event, EventConfig, ExplicitRungeKutta, IVP, ODE, Status,
};

use super::drag::{GRAVITY, Sphere};
use super::{Air, DropError};

/// Relative and absolute error that a step of the integrator may make; metres and m/s.
const RELATIVE: f64 = 1e-7;
const ABSOLUTE: f64 = 1e-8;
/// Longest step in seconds. Over longer ones the crate's search for the landing stops short
/// of it, by up to 4 mm in flight without drag; over this one by up to 0.1 mm.
const LONGEST_STEP: f64 = 0.01;
/// How far from the ground the crate's landing may be, in metres.
const NEAR_THE_GROUND: f64 = 1e-3;
/// A drop of 10 µm takes steps of a third of a millisecond for a minute.
const MOST_STEPS: usize = 1_000_000;

/// Velocity of the air as a drop meets it.
pub trait Wafts {
    /// Forward, right, up in m/s, where forward, right and up are metres from the point on
    /// the ground below the release.
    fn air_at(&self, place: [f64; 3]) -> [f64; 3];
}

/// Air that stands still.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Still;

impl Wafts for Still {
    fn air_at(&self, _: [f64; 3]) -> [f64; 3] {
        [0.0; 3]
    }
}

/// A drop at one instant. Axes: forward, right, up from the ground below the release.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Instant {
    /// Seconds since the release.
    pub at_s: f64,
    /// Metres.
    pub place: [f64; 3],
    /// m/s over the ground.
    pub velocity: [f64; 3],
}

/// How a flight ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum End {
    /// On the ground.
    Landed(Instant),
    /// Still in the air when the time was over.
    Aloft(Instant),
}

impl End {
    /// The last instant, on the ground or not.
    #[must_use]
    pub fn last(self) -> Instant {
        match self {
            Self::Landed(at) | Self::Aloft(at) => at,
        }
    }
}

struct Fall<'a, W: ?Sized> {
    sphere: Sphere,
    air: Air,
    wafts: &'a W,
    pull: f64,
}

type State = [f64; 6];

impl<W: Wafts + ?Sized> ODE<f64, State> for Fall<'_, W> {
    fn diff(&self, _: f64, s: &State, d: &mut State) {
        let air = self.wafts.air_at([s[0], s[1], s[2]]);
        let past = [s[3] - air[0], s[4] - air[1], s[5] - air[2]];
        let speed = past.iter().map(|u| u * u).sum::<f64>().sqrt();
        let rate = self.sphere.drag_rate(self.air, speed);
        *d = [
            s[3],
            s[4],
            s[5],
            -rate * past[0],
            -rate * past[1],
            -rate * past[2] - self.pull,
        ];
    }
}

struct Ground;

impl Event<f64, State> for Ground {
    fn config(&self) -> EventConfig {
        EventConfig::new(CrossingDirection::Negative, Some(1))
    }

    fn event(&self, _: f64, s: &State) -> f64 {
        s[2]
    }
}

/// Follows `sphere` from `start` until it lands or `most_s` seconds have passed.
///
/// Forces: drag, weight, buoyancy. Lift, added mass and the pressure of accelerated air
/// are left out: with air a thousandth as dense as water they are below a hundredth of the
/// drag.
///
/// # Errors
///
/// What the integrator can't follow.
pub fn fly(
    sphere: Sphere,
    air: Air,
    wafts: &(impl Wafts + ?Sized),
    start: Instant,
    most_s: f64,
) -> Result<End, DropError> {
    let fall = Fall {
        sphere,
        air,
        wafts,
        pull: GRAVITY * (1.0 - air.density / sphere.density),
    };
    let s = start;
    let first = [
        s.place[0],
        s.place[1],
        s.place[2],
        s.velocity[0],
        s.velocity[1],
        s.velocity[2],
    ];
    let refuse = |reason: String| DropError::Solver {
        diameter_um: sphere.diameter * 1e6,
        reason,
    };
    let solution = IVP::ode(&fall, s.at_s, s.at_s + most_s, first)
        .event(&Ground)
        .method(
            ExplicitRungeKutta::rkv656e()
                .rtol(RELATIVE)
                .atol(ABSOLUTE)
                .h_max(LONGEST_STEP)
                .max_steps(MOST_STEPS),
        )
        .solve()
        .map_err(|e| refuse(format!("{e:?}")))?;
    let landed = matches!(solution.status, Status::Interrupted);
    let (&at_s, y) = solution
        .last()
        .map_err(|_| refuse("no step was made".into()))?;
    let mut at = Instant {
        at_s,
        place: [y[0], y[1], y[2]],
        velocity: [y[3], y[4], y[5]],
    };
    if !landed {
        return Ok(End::Aloft(at));
    }
    // The crate's search ends a little beside the ground: the rest of the way is straight.
    let rest = -at.place[2] / at.velocity[2];
    if !(at.place[2].abs() <= NEAR_THE_GROUND && rest.is_finite()) {
        let off = at.place[2] * 1e3;
        return Err(refuse(format!(
            "its landing was found {off:.3} mm off the ground"
        )));
    }
    at.at_s += rest;
    for (place, speed) in at.place.iter_mut().zip(at.velocity) {
        *place += speed * rest;
    }
    Ok(End::Landed(at))
}
