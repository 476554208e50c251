//! One fan under way: what it is made of, and where each of its drops lands.

use super::drag::Sphere;
use super::error::within;
use super::flight::{End, Instant, Wafts, fly};
use super::spectrum::Spectrum;
use super::stream::{Source, Stream};
use super::{Air, DropError, Wind};

/// Longest time that a drop is followed, in seconds.
pub const LONGEST_S: f64 = 60.0;
/// Drops of equal share that stand for a spectrum.
pub const DROPS: usize = 40;

/// How the volume is spread across a fan on the ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pattern {
    /// The same all across.
    Even,
    /// Falls in a straight line from below the nozzle to nothing at both sides.
    Tapered,
}

/// What becomes of the air in the fan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carried {
    /// It stays where it is: the slow end for fine drops.
    Nothing,
    /// It keeps all the momentum that the drops give off: the quick end.
    Everything,
}

/// A fan that moves over the ground. SI units; angles in radians.
#[derive(Clone, Debug, PartialEq)]
pub struct Spray {
    /// Pressure at the nozzle over that of the air, in Pa, above 0.
    pub pressure_pa: f64,
    /// Speed of the liquid sheet over that of a loss-free nozzle, 0.5 to 1: see
    /// [`Spray::exit_speed`].
    pub velocity_coefficient: f64,
    /// Density of the liquid in kg/m³.
    pub liquid_density: f64,
    /// Flow of this fan in m³/s, for the air that it drags along.
    pub flow: f64,
    /// Angle of the fan across travel, above 0 and below 180°.
    pub fan_angle: f64,
    /// Angle of the fan along travel, above 0.
    pub thickness_angle: f64,
    /// Fan turned forward; below 0 backward.
    pub tilt: f64,
    /// From the nozzle to the target, in metres.
    pub height: f64,
    /// How far from the nozzle the sheet becomes drops, in metres: until then nothing slows
    /// it.
    pub breakup: f64,
    /// How the volume is spread across.
    pub pattern: Pattern,
    /// Drop sizes.
    pub spectrum: Spectrum,
    /// Speed of the machine in m/s.
    pub travel: f64,
    /// The air.
    pub air: Air,
    /// The wind.
    pub wind: Wind,
    /// What becomes of the air in the fan.
    pub carried: Carried,
}

/// A liquid sheet's speed over that of a loss-free nozzle where none is measured: from
/// memory, 0.85 to 0.95 for flat fans.
pub const USUAL_VELOCITY_COEFFICIENT: f64 = 0.9;
/// Length of a flat fan's sheet in metres where none is measured: from memory, 20 to
/// 50 mm.
pub const USUAL_BREAKUP_M: f64 = 0.03;

/// The air that drops of a spray meet.
struct Moving<'a> {
    spray: &'a Spray,
    stream: Option<&'a Stream>,
    ray: [f64; 3],
}

impl Wafts for Moving<'_> {
    fn air_at(&self, place: [f64; 3]) -> [f64; 3] {
        let (x, y) = self.spray.wind.at(place[2]);
        let Some(stream) = self.stream else {
            return [x, y, 0.0];
        };
        // Depth below the nozzle, over what a metre along the ray goes down.
        let (u, extra) = stream.at((self.spray.height - place[2]) / -self.ray[2]);
        [
            x + extra + u * self.ray[0],
            y + u * self.ray[1],
            u * self.ray[2],
        ]
    }
}

impl Spray {
    /// Refuses what no fan can be.
    ///
    /// # Errors
    ///
    /// Any number out of its range.
    pub fn check(&self) -> Result<(), DropError> {
        let degrees = |rad: f64| (rad.to_degrees() * 1e9).round() * 1e-9;
        within(
            "the pressure in kPa",
            self.pressure_pa / 1000.0,
            (10.0, 2000.0),
            "10 to 2000 kPa",
        )?;
        within(
            "the velocity coefficient",
            self.velocity_coefficient,
            (0.5, 1.0),
            "0.5 to 1",
        )?;
        within(
            "the density of the liquid in kg/m³",
            self.liquid_density,
            (500.0, 2000.0),
            "500 to 2000 kg/m³",
        )?;
        within(
            "the flow of a fan in L/min",
            self.flow * 60_000.0,
            (0.01, 50.0),
            "0.01 to 50 L/min",
        )?;
        within(
            "the fan angle in degrees",
            degrees(self.fan_angle),
            (5.0, 160.0),
            "5 to 160°: a fan of 180° never meets the ground",
        )?;
        within(
            "the thickness of the fan in degrees",
            degrees(self.thickness_angle),
            (0.5, 60.0),
            "0.5 to 60°",
        )?;
        within(
            "the tilt of the fan in degrees",
            degrees(self.tilt),
            (-60.0, 60.0),
            "-60 to 60°",
        )?;
        within("the height in m", self.height, (0.05, 3.0), "0.05 to 3 m")?;
        within(
            "the length of the sheet in m",
            self.breakup,
            (0.001, 0.8 * self.height),
            "1 mm to four fifths of the height",
        )?;
        within(
            "the speed of the machine in m/s",
            self.travel,
            (0.0, 50.0),
            "0 to 50 m/s",
        )?;
        for speed in [self.wind.head, self.wind.side] {
            within("the wind in m/s", speed, (-30.0, 30.0), "-30 to 30 m/s")?;
        }
        within(
            "the roughness length of the ground in m",
            self.wind.roughness_m,
            (0.0, 0.2),
            "0 to 0.2 m",
        )
    }

    /// Speed at which the liquid leaves the nozzle, in m/s: `c·√(2·P/ρ)`.
    #[must_use]
    pub fn exit_speed(&self) -> f64 {
        self.velocity_coefficient * (2.0 * self.pressure_pa / self.liquid_density).sqrt()
    }

    /// From below the nozzle to the fan's side on the ground, in metres, were nothing to
    /// bend it.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        self.height / self.tilt.cos() * (0.5 * self.fan_angle).tan()
    }

    /// The fan's thickness on the ground along travel, in metres, were nothing to bend it.
    #[must_use]
    pub fn thickness(&self) -> f64 {
        let half = 0.5 * self.thickness_angle;
        self.height * ((self.tilt + half).tan() - (self.tilt - half).tan())
    }

    /// Share of the volume between the fan's left side and `u` half widths to the right of
    /// the nozzle, -1 to 1.
    #[must_use]
    pub fn share_left_of(&self, u: f64) -> f64 {
        let u = u.clamp(-1.0, 1.0);
        match self.pattern {
            Pattern::Even => 0.5 * (1.0 + u),
            Pattern::Tapered if u < 0.0 => 0.5 * (1.0 + u).powi(2),
            Pattern::Tapered => 1.0 - 0.5 * (1.0 - u).powi(2),
        }
    }

    /// The air that this spray drags along; none where it drags none.
    pub(super) fn stream(&self) -> Result<Option<Stream>, DropError> {
        if self.carried == Carried::Nothing {
            return Ok(None);
        }
        let drops = self.spectrum.drops(DROPS);
        let down = (0.5 * self.fan_angle).cos() * self.tilt.cos();
        Stream::of(&Source {
            drops: &drops,
            liquid_density: self.liquid_density,
            mass_flow: self.flow * self.liquid_density,
            exit: self.exit_speed(),
            travel: self.travel,
            along: self.wind.at(0.5 * self.height).0,
            breakup: self.breakup,
            reach: self.height / down,
            across: self.fan_angle,
            thickness: self.thickness_angle,
            air: self.air,
        })
        .map(Some)
    }

    /// Where a drop of `diameter` metres comes down that leaves towards `u` half widths to
    /// the right of the nozzle. Places are metres from below the nozzle as it was when the
    /// liquid left it.
    pub(super) fn land(
        &self,
        stream: Option<&Stream>,
        diameter: f64,
        u: f64,
    ) -> Result<End, DropError> {
        let aside = (u * (0.5 * self.fan_angle).tan()).atan();
        let (sin, cos) = aside.sin_cos();
        let ray = [cos * self.tilt.sin(), sin, -cos * self.tilt.cos()];
        let exit = self.exit_speed();
        let at_s = self.breakup / exit;
        let start = Instant {
            at_s,
            place: [
                self.travel * at_s + self.breakup * ray[0],
                self.breakup * ray[1],
                self.height + self.breakup * ray[2],
            ],
            velocity: [self.travel + exit * ray[0], exit * ray[1], exit * ray[2]],
        };
        let sphere = Sphere {
            diameter,
            density: self.liquid_density,
        };
        let air = Moving {
            spray: self,
            stream,
            ray,
        };
        fly(sphere, self.air, &air, start, LONGEST_S)
    }
}
