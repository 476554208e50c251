//! Real valves and the real supply as the truth file tells of them, in SI units and kPa.

use serde::{Deserialize, Serialize};

use ground_truth::{Solenoids, SupplySpec};

/// How the real valves stray from the machine file's, or from the truth's own.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueSpread {
    /// Standard deviation of each valve's own delays, s.
    pub spread_s: f64,
    /// Standard deviation of each movement, s.
    pub jitter_s: f64,
    /// What the first opening after a rest comes later, s.
    pub first_shot_s: f64,
    /// From when on a valve has rested, s.
    pub rest_s: f64,
    /// Supply voltage over the rated one.
    pub volts: f64,
    /// Pressure over the rated one.
    pub pressure: f64,
    /// Share by which openings slow down with the whole voltage.
    pub by_volts: f64,
    /// Share by which openings slow down with the whole pressure.
    pub by_pressure: f64,
    /// Its seed.
    pub seed: u64,
}

impl TrueSpread {
    /// The valves as the world has them.
    pub fn solenoids(&self) -> Solenoids {
        Solenoids {
            spread_s: self.spread_s,
            jitter_s: self.jitter_s,
            first_shot_s: self.first_shot_s,
            rest_s: self.rest_s,
            volts: self.volts,
            pressure: self.pressure,
            by_volts: self.by_volts,
            by_pressure: self.by_pressure,
            seed: self.seed,
        }
    }
}

/// The real supply.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrueSupply {
    /// Pressure for which flows are meant, kPa.
    pub nominal_kpa: f64,
    /// Flow of one nozzle at it, L/min.
    pub nozzle_l_min: f64,
    /// Pressure of the pump without flow, kPa.
    pub pump_kpa: f64,
    /// What the pump loses per square of flow, kPa/(L/min)².
    pub pump_drop: f64,
    /// Setting of the relief valve, kPa.
    pub relief_kpa: f64,
    /// What the lines lose per square of flow, kPa/(L/min)².
    pub line_drop: f64,
    /// Lag of the pressure, s.
    pub lag_s: f64,
    /// Share of the nominal flow that counts as full.
    pub full_share: f64,
}

impl TrueSupply {
    /// The supply as the world has it.
    pub fn spec(&self) -> SupplySpec {
        SupplySpec {
            nominal_kpa: self.nominal_kpa,
            nozzle_l_min: self.nozzle_l_min,
            pump_kpa: self.pump_kpa,
            pump_drop: self.pump_drop,
            relief_kpa: self.relief_kpa,
            line_drop: self.line_drop,
            lag_s: self.lag_s,
            full_share: self.full_share,
        }
    }
}
