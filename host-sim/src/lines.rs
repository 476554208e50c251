//! Reading a text file line by line, refusing what is no text, cut off or endless.

use std::io::{BufRead, Read};

use crate::error::{Error, Result};

/// Longest line that is read, bytes.
const LONGEST_LINE: usize = 16 * 1024 * 1024;

/// The current line of a JSON Lines file.
pub struct Lines<'a> {
    file: &'a str,
    number: usize,
    line: String,
}

impl<'a> Lines<'a> {
    /// Starts before the first line; `file` is the name shown in messages.
    pub fn new(file: &'a str) -> Lines<'a> {
        Lines {
            file,
            number: 0,
            line: String::new(),
        }
    }

    /// Number of the current line, from 1.
    pub fn number(&self) -> usize {
        self.number
    }

    /// The current line without its end.
    pub fn text(&self) -> &str {
        self.line.trim_end()
    }

    /// Goes to the next line; false at the end of the file.
    pub fn next(&mut self, from: &mut impl BufRead) -> Result<bool> {
        let mut bytes = std::mem::take(&mut self.line).into_bytes();
        bytes.clear();
        let mut limited = Read::take(&mut *from, LONGEST_LINE as u64 + 1);
        let read = limited
            .read_until(b'\n', &mut bytes)
            .map_err(|e| Error::read(self.file, e))?;
        if read == 0 {
            return Ok(false);
        }
        self.number += 1;
        let complain = |message: &str, remedy: &str| {
            Err(Error::line(self.file, self.number, None, message, remedy))
        };
        if read > LONGEST_LINE {
            return complain("the line is longer than 16 MiB", "write one event a line");
        }
        let binary = "this looks like a binary or damaged file: give a file of JSON lines";
        let text = match String::from_utf8(bytes) {
            Ok(text) => text,
            Err(e) => {
                let at = e.utf8_error().valid_up_to() + 1;
                return complain(&format!("byte {at} of the line is not text"), binary);
            }
        };
        if text.contains('\0') {
            return complain("the line holds a zero byte", binary);
        }
        if !text.ends_with('\n') && serde_json::from_str::<serde::de::IgnoredAny>(&text).is_err() {
            return complain(
                "the last line is cut off",
                "the file was not written to its end: copy it again, or delete its last line and `events` in its header",
            );
        }
        if text.trim().is_empty() {
            return complain("the line is blank", "delete it; there is one event a line");
        }
        self.line = text;
        Ok(true)
    }
}
