//! Reading whole text files, and writing to files or standard output.

use std::io::{BufWriter, Write};
use std::path::Path;

use serde::Serialize;

use crate::error::{Error, Result};

/// Largest text file that people write by hand, bytes.
const LARGEST_TEXT: u64 = 16 * 1024 * 1024;

/// Reads a text file that a person wrote, refusing what is huge or no text.
pub fn read_text(path: &str) -> Result<String> {
    let size = std::fs::metadata(path)
        .map_err(|e| Error::read(path, e))?
        .len();
    if size > LARGEST_TEXT {
        return Err(Error::file(
            path,
            "the file is larger than 16 MiB",
            "give a text file such as machine.toml",
        ));
    }
    let bytes = std::fs::read(path).map_err(|e| Error::read(path, e))?;
    String::from_utf8(bytes).map_err(|e| {
        let before = e
            .as_bytes()
            .get(..e.utf8_error().valid_up_to())
            .unwrap_or_default();
        let line = before.iter().filter(|&&b| b == b'\n').count() + 1;
        Error::line(
            path,
            line,
            None,
            "the file is not text",
            "give a UTF-8 text file such as machine.toml",
        )
    })
}

/// Writes a file through `write`, which gets the name for its messages.
pub fn to_file(path: &Path, write: impl FnOnce(&str, &mut dyn Write) -> Result<()>) -> Result<()> {
    let name = path.display().to_string();
    let file = std::fs::File::create(path).map_err(|e| Error::write(&name, e))?;
    let mut to = BufWriter::new(file);
    write(&name, &mut to)?;
    to.flush().map_err(|e| Error::write(&name, e))
}

/// Writes to the file at `path`, or to standard output for `-`.
pub fn to_path(path: &str, write: impl FnOnce(&str, &mut dyn Write) -> Result<()>) -> Result<()> {
    if path != "-" {
        return to_file(Path::new(path), write);
    }
    let mut to = BufWriter::new(std::io::stdout().lock());
    write("standard output", &mut to)?;
    to.flush().map_err(|e| Error::write("standard output", e))
}

/// Prints a result: its table, or the whole of it as one JSON object.
pub fn print(result: &impl Serialize, table: impl FnOnce() -> String, json: bool) -> Result<()> {
    if !json {
        return say(&table());
    }
    let text = serde_json::to_string_pretty(result).map_err(|e| Error::Internal(e.to_string()))?;
    say(&format!("{text}\n"))
}

/// Writes text to standard output, at once.
pub fn say(text: &str) -> Result<()> {
    let mut to = std::io::stdout().lock();
    to.write_all(text.as_bytes())
        .and_then(|()| to.flush())
        .map_err(|e| Error::write("standard output", e))
}
