//! How far forward the spray flies, and what wind makes of it.

use super::flight::{End, Instant};
use super::spray::{DROPS, Spray};
use super::stream::Stream;
use super::{DropError, Wind};

/// Rays to each side of the middle of a fan.
const RAYS: i32 = 8;
/// Slowest travel for which a throw is told, m/s.
const SLOWEST: f64 = 0.1;

/// The forward flight of drops of one size, all else calm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Throw {
    /// Diameter of the drops in metres.
    pub diameter: f64,
    /// Forward flight over speed in seconds, the mean over the volume across the fan.
    pub mean_s: f64,
    /// The same straight below the nozzle.
    pub middle_s: f64,
    /// The same at the fan's side.
    pub side_s: f64,
    /// How far ahead of the nozzle the middle lands at standstill, in metres: the tilt's.
    pub ahead_m: f64,
    /// From the nozzle to the ground straight below, in seconds.
    pub flight_s: f64,
    /// Angle of the landing path straight below against the vertical, over the ground, in
    /// radians; above 0 it leans forward.
    pub fall_angle: f64,
    /// Speed over the ground at landing straight below, m/s.
    pub landing_speed: f64,
}

/// What one wind makes of a spray whose throw the controller was told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OffTarget {
    /// Share of the volume that lands outside the strip or before or behind the patch, or
    /// not within a minute.
    pub share: f64,
    /// Of that, the share that lands beside the strip.
    pub beside: f64,
    /// Of that, the share that lands in the strip, but too far forward or back.
    pub along: f64,
    /// Of that, the share still in the air after a minute.
    pub aloft: f64,
    /// How far forward the wind takes the volume on the whole, in metres, aloft left out.
    pub forward_m: f64,
    /// How far to the right, in metres.
    pub right_m: f64,
}

/// What counts as on target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Width of the strip below the fan, in metres.
    pub strip: f64,
    /// How far beyond the fan's thickness a drop may land forward or back of the middle of
    /// the spray, in metres.
    pub margin: f64,
    /// The throw that the controller is told, in seconds.
    pub throw_s: f64,
    /// How far ahead of the nozzle the controller takes the spray to land at standstill, in
    /// metres.
    pub ahead_m: f64,
}

impl Spray {
    /// The same spray in calm air.
    #[must_use]
    pub fn calm(&self) -> Self {
        Self {
            wind: Wind::default(),
            ..self.clone()
        }
    }

    /// The forward flight of drops of `diameter` metres in calm air.
    ///
    /// # Errors
    ///
    /// Numbers out of range, a machine slower than 0.1 m/s, a drop that doesn't come down
    /// within a minute.
    pub fn throw(&self, diameter: f64) -> Result<Throw, DropError> {
        self.check()?;
        let calm = self.calm();
        calm.throw_with(calm.stream()?.as_ref(), diameter)
    }

    fn throw_with(&self, stream: Option<&Stream>, diameter: f64) -> Result<Throw, DropError> {
        if self.travel < SLOWEST {
            return Err(DropError::Number {
                what: "the speed of the machine in m/s",
                value: self.travel,
                wanted: "at least 0.1 m/s: a throw is forward flight over speed",
            });
        }
        let standing = Self {
            travel: 0.0,
            ..self.clone()
        };
        let still = standing.stream()?;
        let forward = |u: f64| -> Result<(f64, f64, Instant), DropError> {
            let at = down(self.land(stream, diameter, u)?, diameter)?;
            let ahead = match self.tilt == 0.0 {
                true => 0.0,
                false => down(standing.land(still.as_ref(), diameter, u)?, diameter)?.place[0],
            };
            Ok(((at.place[0] - ahead) / self.travel, ahead, at))
        };
        let (middle_s, ahead_m, at) = forward(0.0)?;
        // Both halves of the fan are alike, so the right one stands for both.
        let mut mean_s = 0.0;
        let mut last = middle_s;
        for i in 1..=RAYS {
            let u = at_ray(i);
            let next = forward(u)?.0;
            let before = self.share_left_of(at_ray(i - 1));
            mean_s += 2.0 * (self.share_left_of(u) - before) * 0.5 * (last + next);
            last = next;
        }
        let [x, y, z] = at.velocity;
        Ok(Throw {
            diameter,
            mean_s,
            middle_s,
            side_s: last,
            ahead_m,
            flight_s: at.at_s,
            fall_angle: x.atan2(-z),
            landing_speed: (x * x + y * y + z * z).sqrt(),
        })
    }

    /// The forward flight of the whole volume in calm air, in seconds: the mean over all
    /// drops that come down within a minute.
    ///
    /// # Errors
    ///
    /// As [`Spray::throw`].
    pub fn mean_throw(&self) -> Result<f64, DropError> {
        self.check()?;
        let calm = self.calm();
        let stream = calm.stream()?;
        let (mut sum, mut volume) = (0.0, 0.0);
        for (diameter, share) in self.spectrum.drops(DROPS) {
            sum += share * calm.throw_with(stream.as_ref(), diameter)?.mean_s;
            volume += share;
        }
        Ok(sum / volume)
    }

    /// What the wind makes of the spray. Evaporation is not modelled, and neither are gusts.
    ///
    /// # Errors
    ///
    /// Numbers out of range.
    pub fn off_target(&self, target: Target) -> Result<OffTarget, DropError> {
        self.check()?;
        let calm = self.calm();
        let (windy_air, calm_air) = (self.stream()?, calm.stream()?);
        let centre = target.ahead_m + target.throw_s * self.travel;
        let (half, thickness) = (0.5 * target.strip, self.thickness());
        let mut off = OffTarget {
            share: 0.0,
            beside: 0.0,
            along: 0.0,
            aloft: 0.0,
            forward_m: 0.0,
            right_m: 0.0,
        };
        for (diameter, share) in self.spectrum.drops(DROPS) {
            // Volume from ray to ray; where it lands is straight between them.
            let mut last: Option<(f64, Instant)> = None;
            // In calm air both halves of the fan are alike.
            let still: Vec<End> = (0..=RAYS)
                .map(|i| calm.land(calm_air.as_ref(), diameter, at_ray(i)))
                .collect::<Result<_, _>>()?;
            for i in -RAYS..=RAYS {
                let u = at_ray(i);
                let end = self.land(windy_air.as_ref(), diameter, u)?;
                let still = still[i.unsigned_abs() as usize];
                let (End::Landed(at), End::Landed(still)) = (end, still) else {
                    last = None;
                    continue;
                };
                if let Some((before, from)) = last {
                    let volume = share * (self.share_left_of(u) - self.share_left_of(before));
                    let beyond = |y: f64| (y - from.place[1]) / (at.place[1] - from.place[1]);
                    let part = |y: f64| beyond(y).clamp(0.0, 1.0);
                    let within = volume * (part(half) - part(-half)).max(0.0);
                    let missed = 0.5 * (from.place[0] + at.place[0]) - centre;
                    let out = ((missed.abs() - target.margin) / thickness).clamp(0.0, 1.0);
                    off.aloft -= volume;
                    off.beside += volume - within;
                    off.along += within * out;
                }
                // How far the wind took it, by the trapezium rule over the fan.
                let weight = share * self.weight(i);
                off.forward_m += weight * (at.place[0] - still.place[0]);
                off.right_m += weight * (at.place[1] - still.place[1] * u.signum());
                last = Some((u, at));
            }
            off.aloft += share;
        }
        off.aloft = if off.aloft < 1e-9 { 0.0 } else { off.aloft };
        off.share = off.beside + off.along + off.aloft;
        Ok(off)
    }

    /// Share of the volume that ray `i` stands for: half of what lies to each side.
    fn weight(&self, i: i32) -> f64 {
        0.5 * (self.share_left_of(at_ray(i + 1)) - self.share_left_of(at_ray(i - 1)))
    }
}

/// Where ray `i` points, in half widths.
fn at_ray(i: i32) -> f64 {
    f64::from(i) / f64::from(RAYS)
}

/// The landing, or why there is none.
fn down(end: End, diameter: f64) -> Result<Instant, DropError> {
    match end {
        End::Landed(at) => Ok(at),
        End::Aloft(_) => Err(DropError::Solver {
            diameter_um: diameter * 1e6,
            reason: "it is still in the air after a minute; name a larger percentile".into(),
        }),
    }
}
