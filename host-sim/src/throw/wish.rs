//! What `throw` is asked to do, and the spray that comes of it.

#[cfg(feature = "terminal")]
use clap::Args;
use ground_truth::drops::{
    BARE_GROUND_M, Spectrum, Spray, USUAL_BREAKUP_M, USUAL_VELOCITY_COEFFICIENT,
};
use ground_truth::nozzle::flow_l_min;

use crate::error::{Error, Result};
use crate::machine::{self, Machine};
use crate::machine_file::{class_names, size_names};
use crate::output;

/// Flags of `throw`; what is left out comes from the machine file, or is the usual.
#[derive(Debug, Clone, Default, PartialEq)]
#[cfg_attr(feature = "terminal", derive(Args))]
pub struct Wish {
    /// The machine file; without it all comes from the flags
    #[cfg_attr(feature = "terminal", arg(value_name = "MACHINE.toml"))]
    pub machine: Option<String>,
    /// From nozzle to target, m (0.5)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "H", allow_negative_numbers = true)
    )]
    pub height_m: Option<f64>,
    /// Pressure at the nozzle, kPa (300)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "P", allow_negative_numbers = true)
    )]
    pub pressure_kpa: Option<f64>,
    /// Nozzle size, such as 02 or 025 (03)
    #[cfg_attr(feature = "terminal", arg(long, value_name = "SIZE"))]
    pub size: Option<String>,
    /// Angle of the fan across travel, degrees (110)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "A", allow_negative_numbers = true)
    )]
    pub fan_angle_deg: Option<f64>,
    /// Angle of one fan along travel, degrees (10)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "A", allow_negative_numbers = true)
    )]
    pub thickness_deg: Option<f64>,
    /// Fan turned forward, degrees (0)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "A", allow_negative_numbers = true)
    )]
    pub tilt_deg: Option<f64>,
    /// Angle between twin fans, degrees; 0 for one fan (0)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "A", allow_negative_numbers = true)
    )]
    pub twin_deg: Option<f64>,
    /// The same dose all over the fan's width, instead of falling to both sides
    #[cfg_attr(feature = "terminal", arg(long))]
    pub even: bool,
    /// Speed of the machine, m/s (the machine's fastest, else 5)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "V", allow_negative_numbers = true)
    )]
    pub speed_m_s: Option<f64>,
    /// Drop sizes: a class such as medium, or the three diameters in µm below which 10, 50 and
    /// 90 % of the volume are, with commas between (medium)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "CLASS|A,B,C", conflicts_with = "spectrum")
    )]
    pub drops: Option<String>,
    /// Drop sizes from a CSV file with the columns diameter_um,volume_share
    #[cfg_attr(feature = "terminal", arg(long, value_name = "FILE.csv"))]
    pub spectrum: Option<String>,
    /// The drops that the throw is meant for: this share of the volume is in smaller ones, % (50)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "P", allow_negative_numbers = true)
    )]
    pub percentile: Option<f64>,
    /// Share of the loss-free speed with which the liquid leaves (0.9)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "C", allow_negative_numbers = true)
    )]
    pub velocity_coefficient: Option<f64>,
    /// Length of the liquid sheet before it is drops, m (0.03)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "L", allow_negative_numbers = true)
    )]
    pub sheet_m: Option<f64>,
    /// Temperature of the air, °C (20)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "T", allow_negative_numbers = true)
    )]
    pub temperature_c: Option<f64>,
    /// Wind against travel at 2 m height, m/s; below 0 from behind. With neither wind given: 3
    /// from ahead, from behind and from the side
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "W", allow_negative_numbers = true)
    )]
    pub head_wind_m_s: Option<f64>,
    /// Wind to the right at 2 m height, m/s
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "W", allow_negative_numbers = true)
    )]
    pub side_wind_m_s: Option<f64>,
    /// Roughness length of the ground, m: the wind falls with the height to nothing there; 0 for
    /// the same wind at all heights (0.005)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "Z", allow_negative_numbers = true)
    )]
    pub roughness_m: Option<f64>,
    /// Width of the strip that the spray is meant for, m (the fan's width on the ground)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "B", allow_negative_numbers = true)
    )]
    pub strip_m: Option<f64>,
    /// How far before or behind the fan's footprint a drop may land, m (the smaller of the
    /// machine's lead_m and trail_m, else 0.05)
    #[cfg_attr(
        feature = "terminal",
        arg(long, value_name = "M", allow_negative_numbers = true)
    )]
    pub margin_m: Option<f64>,
}

/// Everything that the result is worked out from.
#[derive(Debug, Clone)]
pub(super) struct Inputs {
    pub machine: Option<Machine>,
    /// Fan by fan: one, or two twins.
    pub fans: Vec<Spray>,
    pub spec: machine::Spray,
    pub temperature_c: f64,
    /// Head and side.
    pub winds: Vec<(f64, f64)>,
    pub roughness_m: f64,
    pub strip_m: f64,
    pub margin_m: f64,
    /// What was neither in a file nor given.
    pub assumed: Vec<String>,
}

/// A wish that can't be met.
pub(super) fn refused(e: &impl std::fmt::Display) -> Error {
    Error::Usage(format!(
        "{e}\n  help: check the flags of `host-sim throw --help` and the machine file"
    ))
}

impl Wish {
    pub(super) fn inputs(&self) -> Result<Inputs> {
        let machine = match &self.machine {
            None => None,
            Some(path) => Some(Machine::parse(path, &output::read_text(path)?)?),
        };
        let told = machine.as_ref().and_then(|m| m.spray.clone());
        if let (Some(path), None) = (&self.machine, &told) {
            return Err(Error::file(
                path,
                "the machine file has no [spray] table",
                "add one, see host-sim/formats/machine.md; or leave the machine file out and give flags",
            ));
        }
        let told = told.as_ref();
        let mut assumed = Vec::new();
        let mut pick = |what: &str, flag: Option<f64>, file: Option<f64>, usual: f64| {
            flag.or(file).unwrap_or_else(|| {
                assumed.push(format!("{what} {usual}"));
                usual
            })
        };
        let of = |get: fn(&machine::Spray) -> f64| told.map(get);
        let height_m = pick("height_m", self.height_m, of(|s| s.height_m), 0.5);
        let kpa = of(|s| s.pressure_pa / 1e3);
        let pressure_kpa = pick("pressure_kpa", self.pressure_kpa, kpa, 300.0);
        let fan = of(|s| s.fan_angle_deg);
        let fan_angle_deg = pick("fan_angle_deg", self.fan_angle_deg, fan, 110.0);
        let thick = of(|s| s.thickness_deg);
        let thickness_deg = pick("thickness_deg", self.thickness_deg, thick, 10.0);
        let fastest = machine.as_ref().map(|m| m.wheel.max_speed_m_s);
        let travel = pick("speed_m_s", self.speed_m_s, fastest, 5.0);
        let tilt_deg = self.tilt_deg.or(of(|s| s.tilt_deg)).unwrap_or(0.0);
        let twin_deg = self.twin_deg.or(of(|s| s.twin_deg)).unwrap_or(0.0);
        if !(0.0..=90.0).contains(&twin_deg) {
            return Err(refused(&format!("--twin-deg is {twin_deg}; give 0 to 90")));
        }
        let coefficient = of(|s| s.velocity_coefficient);
        let velocity_coefficient = pick(
            "velocity_coefficient",
            self.velocity_coefficient,
            coefficient,
            USUAL_VELOCITY_COEFFICIENT,
        );
        let sheet_m = pick("sheet_m", self.sheet_m, of(|s| s.sheet_m), USUAL_BREAKUP_M);
        let temperature_c = pick("temperature_c", self.temperature_c, None, 20.0);
        let rough = pick("roughness_m", self.roughness_m, None, BARE_GROUND_M);
        let percent = of(|s| s.percentile);
        let percentile = pick("percentile", self.percentile, percent, 50.0);
        let size = self.size.clone().or(told.map(|s| s.size.clone()));
        let size = size.unwrap_or_else(|| {
            assumed.push("size 03".into());
            "03".into()
        });
        let drops = match (self.given_drops()?, told) {
            (Some(drops), _) => drops,
            (None, Some(told)) => told.drops.clone(),
            (None, None) => {
                assumed.push("drops medium".into());
                Spectrum::class("medium").ok_or_else(|| refused(&"there is no class medium"))?
            }
        };
        for (what, value, low, high) in [
            ("--percentile", percentile, 1.0, 99.0),
            ("--temperature-c", temperature_c, -20.0, 60.0),
        ] {
            if !(low..=high).contains(&value) {
                let text = format!("{what} is {value}; give {low} to {high}");
                return Err(refused(&text));
            }
        }
        let flow = flow_l_min(&size, pressure_kpa * 1e3).map_err(|e| refused(&e))?;
        let l_min = flow.ok_or_else(|| {
            let sizes = size_names();
            Error::Usage(format!(
                "the nozzle size {size} is not known\n  help: give one of {sizes}"
            ))
        })?;
        let spec = machine::Spray {
            size,
            l_min,
            pressure_pa: pressure_kpa * 1e3,
            velocity_coefficient,
            sheet_m,
            drops,
            percentile,
            height_m,
            fan_angle_deg,
            thickness_deg,
            tilt_deg,
            twin_deg,
            even: self.even || told.is_some_and(|s| s.even),
        };
        let fans = super::fans(&spec, travel, temperature_c);
        for fan in &fans {
            fan.check().map_err(|e| refused(&e))?;
        }
        let winds = match (self.head_wind_m_s, self.side_wind_m_s) {
            (None, None) => vec![(0.0, 0.0), (3.0, 0.0), (-3.0, 0.0), (0.0, 3.0)],
            (head, side) => vec![(0.0, 0.0), (head.unwrap_or(0.0), side.unwrap_or(0.0))],
        };
        let patch = machine
            .as_ref()
            .map(|m| m.patch.lead_m.min(m.patch.trail_m));
        let strip_m = self.strip_m.unwrap_or(2.0 * fans[0].half_width());
        let margin_m = self.margin_m.or(patch).unwrap_or(0.05);
        for (what, value, low, high) in [
            ("--strip-m", strip_m, 0.01, 100.0),
            ("--margin-m", margin_m, 0.0, 10.0),
        ] {
            if !(low..=high).contains(&value) {
                let text = format!("{what} is {value}; give {low} to {high} m");
                return Err(refused(&text));
            }
        }
        Ok(Inputs {
            machine,
            fans,
            spec,
            temperature_c,
            winds,
            roughness_m: rough,
            strip_m,
            margin_m,
            assumed,
        })
    }

    /// Drop sizes that the flags give.
    fn given_drops(&self) -> Result<Option<Spectrum>> {
        if let Some(path) = &self.spectrum {
            return read_spectrum(path).map(Some);
        }
        let Some(text) = &self.drops else {
            return Ok(None);
        };
        if let Some(class) = Spectrum::class(text) {
            return Ok(Some(class));
        }
        let numbers: Option<Vec<f64>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
        match numbers.as_deref() {
            Some([a, b, c]) => Spectrum::deciles(a * 1e-6, b * 1e-6, c * 1e-6)
                .map(Some)
                .map_err(|e| refused(&e)),
            _ => Err(Error::Usage(format!(
                "--drops is `{text}`, neither a class nor three diameters\n  help: give one of {}; or three diameters in µm such as 140,275,425",
                class_names()
            ))),
        }
    }
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Bin {
    diameter_um: f64,
    volume_share: f64,
}

/// Reads a spectrum from CSV.
fn read_spectrum(path: &str) -> Result<Spectrum> {
    let text = output::read_text(path)?;
    let help = "the columns are diameter_um,volume_share; diameters grow, and the shares sum to 1";
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let mut bins = Vec::new();
    for (i, row) in reader.deserialize::<Bin>().enumerate() {
        let bin = row.map_err(|_| {
            let what = "this row is no diameter with its share of the volume";
            Error::line(path, i + 2, None, what, help)
        })?;
        bins.push((bin.diameter_um * 1e-6, bin.volume_share));
    }
    Spectrum::bins(&bins).map_err(|e| Error::file(path, e.to_string(), help))
}
