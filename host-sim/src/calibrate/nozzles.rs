//! The verb `calibrate nozzles`.

use clap::Args;

use super::report::Report;
use super::settings::MachineText;
use crate::error::{Error, Result};

/// What to measure from.
#[derive(Debug, Args)]
pub struct Wish {
    /// The measurements
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<String>,
}

/// Measures; the figures, findings and lines for the machine file.
///
/// # Errors
/// What is wrong with a file.
pub fn measure(_wish: &Wish, _machine: Option<&MachineText>) -> Result<Report> {
    Err(Error::Usage("not built yet: catch test".into()))
}
