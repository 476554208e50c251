//! The verb `report`: a drive or a study as one HTML page that needs no network.
//!
//! `drive` and `study` gather what is shown, `strip` draws the ground to zoom into, and
//! [`page`] is the frame with style and script. Everything is in the file; a policy in it forbids
//! loading anything.

mod drive;
pub mod page;
mod strip;
mod study;

use std::path::Path;

use crate::error::{Error, Result};
use crate::output;

/// Makes the page of a folder.
pub fn report(folder: &str, out: &str) -> Result<()> {
    let at = Path::new(folder);
    let html = if at.join("study.json").is_file() {
        study::html(at)?
    } else if at.join("recording.jsonl").is_file() {
        drive::html(at)?
    } else {
        return Err(Error::file(
            folder,
            "the folder holds neither recording.jsonl nor study.json",
            "give a folder made by `generate`, `demo` or `study`",
        ));
    };
    output::to_path(out, |name, to| {
        to.write_all(html.as_bytes())
            .map_err(|e| Error::write(name, e))
    })
}
