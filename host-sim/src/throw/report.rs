//! What `throw` reports, as data and as text.

use std::fmt::Write as _;

use serde::Serialize;

/// Drops of one size, where nothing else is told with the fan's air dragged along.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Drop {
    /// Share of the volume in smaller drops, %.
    pub percentile: f64,
    /// Diameter.
    pub diameter_um: f64,
    /// Throw: the mean over the fan.
    pub throw_ms: f64,
    /// The same in air that keeps out of the fan.
    pub still_throw_ms: f64,
    /// Throw straight below the nozzle.
    pub middle_ms: f64,
    /// Throw at the fan's side.
    pub side_ms: f64,
    /// Flight straight down.
    pub flight_ms: f64,
    /// The same in air that keeps out of the fan.
    pub still_flight_ms: f64,
    /// Landing path over the ground against the vertical; above 0 it leans forward.
    pub fall_angle_deg: f64,
    /// Landing speed over the ground.
    pub landing_m_s: f64,
}

/// How the throw moves with one input.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Move {
    /// Which input.
    pub input: &'static str,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// What it is.
    pub at: f64,
    /// A step of it.
    pub step: f64,
    /// Throw with a step less; none where that is no spray.
    pub less_ms: Option<f64>,
    /// Throw with a step more.
    pub more_ms: Option<f64>,
}

/// What one wind makes of the spray. Shares are of the volume.
#[derive(Debug, Clone, Copy, Default, Serialize, PartialEq)]
pub struct WindRow {
    /// Against travel, at 2 m.
    pub head_m_s: f64,
    /// To the right, at 2 m.
    pub side_m_s: f64,
    /// Lands off the target.
    pub off_percent: f64,
    /// Of that, beside the strip.
    pub beside_percent: f64,
    /// Of that, in the strip but too far forward or back.
    pub along_percent: f64,
    /// Of that, still in the air after a minute.
    pub aloft_percent: f64,
    /// How far forward the wind takes the volume, mean.
    pub forward_mm: f64,
    /// How far to the right.
    pub right_mm: f64,
    /// Off the target in air that keeps out of the fan.
    pub still_off_percent: f64,
    /// Forward in such air.
    pub still_forward_mm: f64,
    /// To the right in such air.
    pub still_right_mm: f64,
}

/// Everything that `throw` reports. Field names are the keys of the JSON object.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct Report {
    /// Name of the machine, if there is a file.
    pub name: Option<String>,
    /// Nozzle size.
    pub size: String,
    /// Pressure at the nozzle.
    pub pressure_kpa: f64,
    /// From nozzle to target.
    pub height_m: f64,
    /// Across travel.
    pub fan_angle_deg: f64,
    /// Of the machine.
    pub speed_m_s: f64,
    /// Of the air.
    pub temperature_c: f64,
    /// What nobody gave, and what was taken for it.
    pub assumed: Vec<String>,
    /// Flow of a nozzle.
    pub flow_l_min: f64,
    /// Rate of a broadcast pass at this speed; none without a machine file.
    pub rate_l_ha: Option<f64>,
    /// Speed at which the liquid leaves.
    pub exit_speed_m_s: f64,
    /// Fan on the ground, across travel.
    pub fan_width_m: f64,
    /// Fan on the ground, along travel; of twins, both and what lies between.
    pub fan_thickness_m: f64,
    /// Drop percentile that the throw is meant for.
    pub percentile: f64,
    /// The throw that the machine file should carry.
    pub throw_ms: f64,
    /// The same in air that keeps out of the fan.
    pub still_throw_ms: f64,
    /// How far ahead of the nozzle the spray lands at standstill: the tilt's.
    pub ahead_mm: f64,
    /// How much farther forward it lands at the fan's side than below the nozzle: the footprint
    /// under way is a bow. The controller takes it as straight, at the mean.
    pub bow_mm: f64,
    /// Mean throw over the whole volume.
    pub mean_throw_ms: f64,
    /// The throw in the machine file, its first nozzle's.
    pub machine_throw_ms: Option<f64>,
    /// How far forward of where the controller takes it the spray lands at this speed.
    pub machine_off_mm: Option<f64>,
    /// Drop by drop.
    pub drops: Vec<Drop>,
    /// Input by input.
    pub moves: Vec<Move>,
    /// Width of the strip that the spray is meant for.
    pub strip_m: f64,
    /// How far before or behind the fan's footprint a drop may land.
    pub margin_m: f64,
    /// Wind by wind; the first is none.
    pub wind: Vec<WindRow>,
}

impl Report {
    /// The text that a person reads.
    pub fn table(&self) -> String {
        let mut out = String::new();
        // Writing to a String cannot fail, so the results say nothing.
        let _ = self.head(&mut out);
        let _ = self.sizes(&mut out);
        let _ = self.steps(&mut out);
        let _ = self.winds(&mut out);
        out
    }

    fn head(&self, out: &mut String) -> std::fmt::Result {
        let name = self.name.as_deref().unwrap_or("spray");
        writeln!(
            out,
            "{name}: size {} at {:.0} kPa, {:.2} m high, fan {:.0} degrees, {:.2} m/s, {:.0} °C",
            self.size,
            self.pressure_kpa,
            self.height_m,
            self.fan_angle_deg,
            self.speed_m_s,
            self.temperature_c
        )?;
        if !self.assumed.is_empty() {
            writeln!(
                out,
                "taken because nobody gave it: {}",
                self.assumed.join(", ")
            )?;
        }
        write!(out, "\nflow of a nozzle {:.3} L/min", self.flow_l_min)?;
        if let Some(rate) = self.rate_l_ha {
            write!(out, ", broadcast {rate:.1} L/ha at this speed")?;
        }
        writeln!(
            out,
            "\nliquid leaves at {:.1} m/s; fan on the ground {:.3} m wide, {:.0} mm thick",
            self.exit_speed_m_s,
            self.fan_width_m,
            1e3 * self.fan_thickness_m
        )?;
        writeln!(
            out,
            "\nthrow_ms = {:.1}    for drops of the {:.0}th percentile by volume, mean over the fan",
            self.throw_ms, self.percentile
        )?;
        writeln!(
            out,
            "    {:.1} in air that keeps out of the fan; {:.1} for the whole volume",
            self.still_throw_ms, self.mean_throw_ms
        )?;
        writeln!(
            out,
            "    at the fan's side it lands {:.0} mm farther forward than below the nozzle",
            self.bow_mm
        )?;
        if self.ahead_mm.abs() >= 0.05 {
            writeln!(
                out,
                "    beside it the tilt lands {:+.0} mm ahead of the nozzle, at any speed",
                self.ahead_mm
            )?;
        }
        if let (Some(told), Some(off)) = (self.machine_throw_ms, self.machine_off_mm) {
            writeln!(
                out,
                "    the machine file says {told:.1}: the spray lands {off:+.1} mm forward of where the controller takes it"
            )?;
        }
        Ok(())
    }

    fn sizes(&self, out: &mut String) -> std::fmt::Result {
        writeln!(
            out,
            "\n   part of      drop    throw   (air kept     below the   at the   flight  (air kept   leans    lands\n    volume        µm       ms      out) ms     nozzle ms  side ms       ms     out) ms     deg      m/s"
        )?;
        for d in &self.drops {
            writeln!(
                out,
                "{:>8.0} %{:>10.0}{:>9.1}{:>13.1}{:>14.1}{:>9.1}{:>9.1}{:>12.1}{:>8.1}{:>9.1}",
                d.percentile,
                d.diameter_um,
                d.throw_ms,
                d.still_throw_ms,
                d.middle_ms,
                d.side_ms,
                d.flight_ms,
                d.still_flight_ms,
                d.fall_angle_deg,
                d.landing_m_s
            )?;
        }
        Ok(())
    }

    fn steps(&self, out: &mut String) -> std::fmt::Result {
        writeln!(out, "\nthrow with one step less and more, ms")?;
        for m in &self.moves {
            let number = |n: Option<f64>| n.map_or("-".to_owned(), |n| format!("{n:.2}"));
            let at = format!("{:.3}", m.at);
            let at = at.trim_end_matches('0').trim_end_matches('.');
            let unit = match m.unit {
                "" => String::new(),
                unit => format!(" {unit}"),
            };
            writeln!(
                out,
                "    {:<42}{:>8}{:>8}",
                format!("{} {at}{unit} -/+ {}", m.input, m.step),
                number(m.less_ms),
                number(m.more_ms)
            )?;
        }
        Ok(())
    }

    fn winds(&self, out: &mut String) -> std::fmt::Result {
        writeln!(
            out,
            "\nvolume off target: not within {:.2} m across, or more than {:.0} mm before or behind the fan's footprint",
            self.strip_m,
            1e3 * self.margin_m
        )?;
        writeln!(
            out,
            "  head m/s  side m/s    off %   beside    along    aloft  forward mm  right mm   (air kept out: off %  forward mm  right mm)"
        )?;
        for w in &self.wind {
            writeln!(
                out,
                "{:>10.1}{:>10.1}{:>9.1}{:>9.1}{:>9.1}{:>9.1}{:>12.0}{:>10.0}{:>24.1}{:>12.0}{:>10.0}",
                w.head_m_s,
                w.side_m_s,
                w.off_percent,
                w.beside_percent,
                w.along_percent,
                w.aloft_percent,
                w.forward_mm,
                w.right_mm,
                w.still_off_percent,
                w.still_forward_mm,
                w.still_right_mm
            )?;
        }
        writeln!(
            out,
            "\nThe controller does not correct for wind. Not in these numbers: evaporation, gusts, and the\nair that the machine pushes. The fan drags air along; how much of it stays in the fan nobody\nknows beforehand, so the truth lies between the two columns. Drops below some 100 µm: order of\nmagnitude only."
        )
    }
}
