//! Reading TOML files that people edit: versions, unknown keys, and numbers with a range.
//!
//! Keys carry their unit, so a number here is always in the unit of its key; the readers of the
//! single formats convert to SI once.

use std::fmt::Display;
use std::ops::Range;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::Spanned;

use crate::error::{Error, Result};

/// A TOML text with the name it is shown under in messages.
#[derive(Debug, Clone, Copy)]
pub struct Source<'a> {
    /// Path as the user gave it.
    pub file: &'a str,
    /// The whole text.
    pub text: &'a str,
}

/// A number as written, with its place in the file.
pub type Number = Spanned<f64>;

/// A table key that names the format, seen leniently so that a newer file is named as such.
#[derive(Deserialize)]
struct Versions {
    machine_format: Option<Spanned<toml::Value>>,
    scenario_format: Option<Spanned<toml::Value>>,
    buffers_format: Option<Spanned<toml::Value>>,
    study_format: Option<Spanned<toml::Value>>,
}

impl<'a> Source<'a> {
    /// Reads a text of kind `kind` (`machine`, `scenario`, `buffers` or `study`), version 1, refusing unknown keys.
    pub fn parse<T: DeserializeOwned>(&self, kind: &str) -> Result<T> {
        if self.text.trim().is_empty() {
            return Err(Error::file(
                self.file,
                format!("the {kind} file is empty"),
                format!("start from the example in host-sim/formats/{kind}.md"),
            ));
        }
        let versions: Versions =
            toml::from_str(self.text).map_err(|e| self.toml_error(&e, kind))?;
        let found = match kind {
            "machine" => versions.machine_format,
            "buffers" => versions.buffers_format,
            "study" => versions.study_format,
            _ => versions.scenario_format,
        };
        match found {
            None => {
                return Err(Error::line(
                    self.file,
                    1,
                    None,
                    format!("the key `{kind}_format` is missing, so this is no {kind} file"),
                    format!("write `{kind}_format = 1` at the top, or give the right file"),
                ));
            }
            Some(version) if version.get_ref().as_integer() != Some(1) => {
                return Err(self.at(
                    version.span(),
                    format!(
                        "version {} of the {kind} format is not known",
                        version.get_ref()
                    ),
                    "this program reads version 1: convert the file or use a newer program",
                ));
            }
            Some(_) => {}
        }
        toml::from_str(self.text).map_err(|e| self.toml_error(&e, kind))
    }

    /// An error at a place of this text.
    pub fn at(
        &self,
        span: Range<usize>,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Error {
        Error::span(self.file, self.text, span, message, remedy)
    }

    /// The number if it is finite and within `low ..= high`.
    pub fn within(&self, key: &str, number: &Number, low: f64, high: f64) -> Result<f64> {
        let value = *number.get_ref();
        if value.is_finite() && value >= low && value <= high {
            return Ok(value);
        }
        Err(self.at(
            number.span(),
            format!("`{key}` is {value}, which is outside {low} to {high}"),
            format!(
                "give a number from {low} to {high}; the unit is the one at the end of the key"
            ),
        ))
    }

    /// As [`Source::within`], with a value for a key that is left out.
    pub fn within_or(
        &self,
        key: &str,
        number: &Option<Number>,
        low: f64,
        high: f64,
        default: f64,
    ) -> Result<f64> {
        number
            .as_ref()
            .map_or(Ok(default), |n| self.within(key, n, low, high))
    }

    /// The whole number if it is within `low ..= high`.
    pub fn whole<N>(&self, key: &str, number: &Spanned<i64>, low: N, high: N) -> Result<N>
    where
        N: TryFrom<i64> + PartialOrd + Display + Copy,
    {
        let value = *number.get_ref();
        match N::try_from(value) {
            Ok(n) if n >= low && n <= high => Ok(n),
            _ => Err(self.at(
                number.span(),
                format!("`{key}` is {value}, which is outside {low} to {high}"),
                format!("give a whole number from {low} to {high}"),
            )),
        }
    }

    /// Turns a reader's error into ours.
    fn toml_error(&self, error: &toml::de::Error, kind: &str) -> Error {
        let span = error.span().unwrap_or(0..0);
        let message = error.message().trim().replace('\n', "; ");
        let remedy = if message.contains("unknown field") {
            format!("remove or rename the key; host-sim/formats/{kind}.md lists all keys")
        } else if message.contains("missing field") {
            format!("add the key; host-sim/formats/{kind}.md shows a whole file")
        } else {
            format!("correct this place; host-sim/formats/{kind}.md shows a whole file")
        };
        self.at(span, message, remedy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Tiny {
        #[allow(dead_code)]
        machine_format: i64,
        width_m: Number,
    }

    fn tiny(text: &str) -> Result<Tiny> {
        Source {
            file: "t.toml",
            text,
        }
        .parse("machine")
    }

    #[test]
    fn ranges_hold_and_nan_is_refused() {
        for (text, good) in [
            ("0.5", true),
            ("1", true),
            ("nan", false),
            ("-1.0", false),
            ("inf", false),
            ("1e300", false),
        ] {
            let text = format!("machine_format = 1\nwidth_m = {text}\n");
            let parsed = tiny(&text).expect("syntax is right");
            let source = Source {
                file: "t.toml",
                text: &text,
            };
            let result = source.within("width_m", &parsed.width_m, 0.0, 10.0);
            assert_eq!(result.is_ok(), good, "{text}");
            if let Err(error) = result {
                assert!(error.to_string().contains("t.toml:2:11"), "{error}");
            }
        }
    }

    #[test]
    fn versions_and_unknown_keys_are_named() {
        let newer = tiny("machine_format = 2\nnew_key = 1\n")
            .unwrap_err()
            .to_string();
        assert!(newer.contains("version 2"), "{newer}");
        let missing = tiny("width_m = 1\n").unwrap_err().to_string();
        assert!(missing.contains("machine_format"), "{missing}");
        let unknown = tiny("machine_format = 1\nwidth_m = 1\nwidht_m = 2\n")
            .unwrap_err()
            .to_string();
        assert!(
            unknown.contains("widht_m") && unknown.contains("t.toml:3:1"),
            "{unknown}"
        );
        let empty = tiny(" \n").unwrap_err().to_string();
        assert!(empty.contains("empty"), "{empty}");
    }
}
