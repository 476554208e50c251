//! The lab's values: one table with key, unit, range and default of each. Page, server, address
//! bar and files all come from it.

use std::fmt::Write as _;

use serde::Serialize;

use crate::error::{Error, Result};

/// One value that can be set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Value {
    /// Its name in requests and addresses, with the unit.
    pub key: &'static str,
    /// Its name on the page.
    pub label: &'static str,
    /// Its unit on the page.
    pub unit: &'static str,
    /// Under which heading it stands.
    pub group: &'static str,
    /// Smallest.
    pub low: f64,
    /// Largest.
    pub high: f64,
    /// What one step of the slider is worth. Other numbers within the range are taken too, but
    /// for whole ones, whose step is 1 and whose unit is none.
    pub step: f64,
    /// Unless it is given.
    pub default: f64,
    /// What it means, in a sentence.
    pub help: &'static str,
}

impl Value {
    fn whole(&self) -> bool {
        self.unit.is_empty()
    }
}

macro_rules! values {
    ($($key:ident $label:literal, $unit:literal, $group:literal, $low:literal..$high:literal, $step:literal, $default:literal, $help:literal;)*) => {
        /// A checked set of values, each as its key says.
        #[derive(Debug, Clone, Copy, PartialEq, Serialize)]
        pub struct Values {
            $(#[doc = $help] pub $key: f64,)*
        }

        /// The table, in the order in which the page shows it.
        pub const TABLE: &[Value] = &[$(Value {
            key: stringify!($key), label: $label, unit: $unit, group: $group,
            low: $low as f64, high: $high as f64, step: $step as f64,
            default: $default as f64, help: $help,
        },)*];

        impl Default for Values {
            fn default() -> Self {
                Self { $($key: $default as f64,)* }
            }
        }

        impl Values {
            fn slot(&mut self, key: &str) -> Option<&mut f64> {
                match key {
                    $(stringify!($key) => Some(&mut self.$key),)*
                    _ => None,
                }
            }
        }
    };
}

values! {
    speed_m_s "Speed", "m/s", "Driving", 1..8, 0.1, 4,
        "mean speed of the machine";
    speed_change_percent "Speed change", "%", "Driving", 0..40, 1, 0,
        "how far the speed swings to both sides of its mean";
    speed_change_s "Time of a swing", "s", "Driving", 1..8, 0.1, 3,
        "from one fastest instant to the next";
    camera_ahead_m "Camera ahead of the nozzles", "m", "Seeing", 0.2..4, 0.05, 1.2,
        "near edge of what the camera sees, ahead of the nozzles";
    view_m "Stretch in view", "m", "Seeing", 0.3..2, 0.05, 0.8,
        "ground along travel that one image shows";
    frame_rate_hz "Images a second", "1/s", "Seeing", 4..60, 1, 20,
        "a plant is reported from the first image that shows all of it";
    latency_ms "Latency", "ms", "Seeing", 5..300, 1, 80,
        "mean time from taking an image to its message reaching the controller";
    jitter_ms "Jitter of the latency", "ms", "Seeing", 0..40, 1, 15,
        "one standard deviation of that time";
    clock_error_ms "Clock error", "ms", "Seeing", -20..20, 0.5, 0,
        "by how much the camera's clock is ahead of the controller's: images claim to be so much younger";
    pulse_length_mm "Ground per wheel pulse", "mm", "Wheel", 5..400, 1, 20,
        "a coarse wheel has few pulses";
    unevenness_percent "Uneven slots", "%", "Wheel", 0..5, 0.1, 1,
        "one standard deviation of a slot's place, of a pulse";
    pulse_error_percent "Pulse length off", "%", "Wheel", -3..3, 0.1, 0,
        "by how much the true ground per pulse is longer than the controller is told";
    open_delay_ms "Opening delay", "ms", "Valve", 2..120, 1, 20,
        "from the command to half flow";
    close_delay_ms "Closing delay", "ms", "Valve", 2..120, 1, 15,
        "from the command to half flow";
    rise_ms "Rise and fall", "ms", "Valve", 0..60, 1, 4,
        "from no flow to full flow and back; at most twice the delay";
    valve_error_ms "Valves slower than told", "ms", "Valve", -10..20, 0.5, 0,
        "real valves open and close so much later than the machine file says";
    valve_spread_ms "Valves unlike each other", "ms", "Valve", 0..5, 0.1, 0,
        "one standard deviation between valves, and half of it between movements of one valve";
    lead_mm "Lead", "mm", "Buffers", 0..250, 5, 60,
        "ground before the plant that gets full dose too";
    lead_ms "Lead in time", "ms", "Buffers", 0..40, 1, 5,
        "the same as a time of travel: it grows with speed";
    trail_mm "Trail", "mm", "Buffers", 0..250, 5, 60,
        "ground behind the plant that gets full dose too";
    trail_ms "Trail in time", "ms", "Buffers", 0..40, 1, 5,
        "the same as a time of travel";
    side_mm "Side margin", "mm", "Buffers", 0..200, 5, 30,
        "widening to each side";
    height_m "Nozzle height", "m", "Nozzles", 0.3..1, 0.01, 0.5,
        "over the plants: a higher fan is wider, thinner in dose and flies further";
    pressure_kpa "Pressure", "kPa", "Nozzles", 100..600, 10, 300,
        "flow goes with its root, and drops leave faster";
    plant_size_mm "Plant size", "mm", "Plants", 10..300, 5, 80,
        "mean of both ways; single plants are between a third and nearly twice of it";
    density_per_m2 "Plants", "1/m²", "Plants", 0.02..1.5, 0.01, 0.25,
        "at random over the strip";
    plant "Plant shown", "", "Plants", -1..2000, 1, -1,
        "the plant whose way is drawn, counted from the start; -1 takes one in the middle";
    seed "Seed", "", "Plants", 0..9999, 1, 7,
        "another number: other plants, slots and delays of the same kind";
}

impl Values {
    /// Reads a JSON object of keys and numbers; what is left out is as in the table.
    ///
    /// # Errors
    ///
    /// Keys that the table lacks, what is no number, and numbers out of range.
    pub fn read(given: &serde_json::Map<String, serde_json::Value>) -> Result<Values> {
        let mut values = Values::default();
        for (key, value) in given {
            let row = TABLE.iter().find(|v| v.key == key);
            let (Some(row), Some(slot)) = (row, values.slot(key)) else {
                return Err(refused(
                    format!("there is no value `{}`", shown(key)),
                    &keys(),
                ));
            };
            let Some(number) = value.as_f64().filter(|n| n.is_finite()) else {
                return Err(refused(
                    format!(
                        "`{key}` is {}, which is no number",
                        shown(&value.to_string())
                    ),
                    &range(row),
                ));
            };
            if !(row.low..=row.high).contains(&number) || row.whole() && number.fract() != 0.0 {
                return Err(refused(format!("`{key}` is {number}"), &range(row)));
            }
            *slot = number;
        }
        Ok(values)
    }
}

fn refused(what: String, help: &str) -> Error {
    Error::file("values", what, help)
}

/// The start of what a stranger sent.
fn shown(text: &str) -> String {
    text.chars().take(40).collect()
}

fn range(row: &Value) -> String {
    let whole = if row.whole() {
        "a whole number"
    } else {
        "a number"
    };
    format!("give {whole} from {} to {} {}", row.low, row.high, row.unit)
        .trim_end()
        .to_owned()
}

fn keys() -> String {
    let mut list = "give one of".to_owned();
    for (i, row) in TABLE.iter().enumerate() {
        // Writing to a String cannot fail.
        let _ = write!(list, "{} {}", if i == 0 { "" } else { "," }, row.key);
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn read(value: serde_json::Value) -> Result<Values> {
        Values::read(value.as_object().expect("an object"))
    }

    #[test]
    fn the_table_holds_together() {
        let mut values = Values::default();
        for row in TABLE {
            assert!(row.low < row.high && row.step > 0.0, "{}", row.key);
            assert!((row.low..=row.high).contains(&row.default), "{}", row.key);
            assert_eq!(values.slot(row.key).copied(), Some(row.default));
            assert_eq!(TABLE.iter().filter(|r| r.key == row.key).count(), 1);
        }
        assert_eq!(read(json!({})).expect("all left out"), Values::default());
    }

    #[test]
    fn what_is_given_is_taken_and_the_rest_stays() {
        let values = read(json!({"speed_m_s": 5.25, "seed": 3})).expect("within");
        assert_eq!((values.speed_m_s, values.seed), (5.25, 3.0));
        assert_eq!(values.lead_mm, 60.0);
    }

    #[test]
    fn wrong_values_are_refused_with_key_and_range() {
        for (given, word) in [
            (json!({"speed": 4}), "no value `speed`"),
            (json!({"speed_m_s": "4"}), "no number"),
            (json!({"speed_m_s": null}), "no number"),
            (json!({"speed_m_s": 8.01}), "from 1 to 8 m/s"),
            (json!({"speed_m_s": -1e300}), "from 1 to 8 m/s"),
            (json!({"seed": 1.5}), "whole number from 0 to 9999"),
        ] {
            let error = read(given).expect_err(word).to_string();
            assert!(error.contains(word), "{error}");
        }
    }
}
