//! What every description of the machine's travel can be asked.

use crate::Turning;

/// Travel of the boom reference point: where it is, how fast, and when it got
/// there.
///
/// Times are seconds, positions metres along travel, speeds metres a second. Where the
/// machine goes back, positions decrease with time and speeds are negative; most
/// machines never do.
pub trait Ground {
    /// Position in metres at time `t`.
    fn position(&self, t: f64) -> f64;

    /// Speed in metres a second at time `t`.
    fn speed(&self, t: f64) -> f64;

    /// The first time at which the position is `x` or more; none where that
    /// never happens, or happened before the first covered time.
    fn time_at(&self, x: f64) -> Option<f64>;

    /// The last covered time in seconds. What is answered beyond it is an
    /// extrapolation at the last speed.
    fn end(&self) -> f64;

    /// Where the spray lands that leaves at time `t` a nozzle mounted `mount` metres ahead
    /// and flies on for `throw_s` seconds of travel, in metres.
    fn lands(&self, t: f64, mount: f64, throw_s: f64) -> f64 {
        self.position(t) + mount + throw_s * self.speed(t)
    }

    /// Every nozzle's own way and every plant's place on it, where the machine turns;
    /// none where all nozzles go the same way.
    fn turning(&self) -> Option<&Turning> {
        None
    }
}
