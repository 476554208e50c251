//! What can go wrong with a user's files and wishes.
//!
//! Every message has three parts: what is wrong, where (file, line, column), and what to do.
//! The program prints it once and leaves with status 2.

use std::fmt;
use std::io;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, Error>;

/// A user's mistake, or a file that cannot be read or written.
#[derive(Debug)]
pub enum Error {
    /// A file holds something that cannot be used.
    Input(Box<InputError>),
    /// A file cannot be read or written.
    Io {
        /// Path as the user gave it.
        path: String,
        /// `read` or `write`.
        doing: &'static str,
        /// The system's reason.
        source: io::Error,
    },
    /// The command line asks for something that cannot be done.
    Usage(String),
    /// A board does not answer, or does not do what it was asked.
    Board {
        /// What happened.
        what: String,
        /// What to do.
        help: String,
    },
    /// The program itself breaks a promise; not the user's fault.
    Internal(String),
}

/// Where in a file something is wrong, what it is, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputError {
    /// Path as the user gave it.
    pub file: String,
    /// Line, counted from 1; `None` where the file as a whole is meant.
    pub line: Option<usize>,
    /// Column in characters, counted from 1.
    pub column: Option<usize>,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub remedy: String,
    /// The place in the file drawn as text, if the file is one that people edit.
    pub drawing: Option<String>,
}

impl Error {
    /// An error about a whole file.
    pub fn file(file: &str, message: impl Into<String>, remedy: impl Into<String>) -> Error {
        Error::Input(Box::new(InputError {
            file: file.to_owned(),
            line: None,
            column: None,
            message: message.into(),
            remedy: remedy.into(),
            drawing: None,
        }))
    }

    /// An error about one line of a file; `line` counts from 1.
    pub fn line(
        file: &str,
        line: usize,
        column: Option<usize>,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Error {
        Error::Input(Box::new(InputError {
            file: file.to_owned(),
            line: Some(line),
            column,
            message: message.into(),
            remedy: remedy.into(),
            drawing: None,
        }))
    }

    /// An error about a byte range of a text that a person edits; draws the place.
    pub fn span(
        file: &str,
        text: &str,
        span: std::ops::Range<usize>,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Error {
        let (message, remedy) = (message.into(), remedy.into());
        let span = on_char_boundaries(text, span);
        let (line, column) = line_and_column(text, span.start);
        let drawing = draw(file, text, span, &message, &remedy);
        Error::Input(Box::new(InputError {
            file: file.to_owned(),
            line: Some(line),
            column: Some(column),
            message,
            remedy,
            drawing: Some(drawing),
        }))
    }

    /// An error about a board.
    pub fn board(what: impl Into<String>, help: impl Into<String>) -> Error {
        Error::Board {
            what: what.into(),
            help: help.into(),
        }
    }

    /// True when the reader of our output has gone away, which is no fault.
    pub fn is_broken_pipe(&self) -> bool {
        matches!(self, Error::Io { source, .. } if source.kind() == io::ErrorKind::BrokenPipe)
    }

    /// Wraps the system's reason why `path` could not be read.
    pub fn read(path: &str, source: io::Error) -> Error {
        Error::Io {
            path: path.to_owned(),
            doing: "read",
            source,
        }
    }

    /// Wraps the system's reason why `path` could not be written.
    pub fn write(path: &str, source: io::Error) -> Error {
        Error::Io {
            path: path.to_owned(),
            doing: "write",
            source,
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Input(e) => e.fmt(f),
            Error::Io {
                path,
                doing,
                source,
            } => {
                write!(
                    f,
                    "error: cannot {doing} {path}: {source}\n  help: check the path and the permissions"
                )
            }
            Error::Usage(text) => write!(f, "error: {text}"),
            Error::Board { what, help } => write!(f, "error: {what}\n  help: {help}"),
            Error::Internal(text) => write!(
                f,
                "error in host-sim itself: {text}\n  help: please report it with the files"
            ),
        }
    }
}

impl std::error::Error for Error {}

impl fmt::Display for InputError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(drawing) = &self.drawing {
            return f.write_str(drawing);
        }
        write!(f, "error: {}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if let Some(column) = self.column {
            write!(f, ":{column}")?;
        }
        write!(f, ": {}\n  help: {}", self.message, self.remedy)
    }
}

/// Line and column, both from 1, of byte `at` in `text`.
fn line_and_column(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let start = before.rfind('\n').map_or(0, |i| i + 1);
    (line, before[start..].chars().count() + 1)
}

/// Widens a byte range until it lies on character boundaries inside the text.
fn on_char_boundaries(text: &str, span: std::ops::Range<usize>) -> std::ops::Range<usize> {
    let mut start = span.start.min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    let mut end = span.end.clamp(start, text.len());
    while !text.is_char_boundary(end) {
        end += 1;
    }
    start..end
}

fn draw(
    file: &str,
    text: &str,
    span: std::ops::Range<usize>,
    message: &str,
    remedy: &str,
) -> String {
    let group: Group<'_> = Level::ERROR
        .primary_title(message)
        .element(
            Snippet::source(text)
                .path(file)
                .annotation(AnnotationKind::Primary.span(span).label("here")),
        )
        .element(Level::HELP.message(remedy));
    Renderer::plain()
        .decor_style(DecorStyle::Ascii)
        .render(&[group])
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_from_one_in_characters() {
        assert_eq!(line_and_column("", 0), (1, 1));
        assert_eq!(line_and_column("a\nbc", 3), (2, 2));
        assert_eq!(line_and_column("é=1", 2), (1, 2));
    }

    #[test]
    fn a_span_error_names_file_place_and_remedy() {
        let text = "a = 1\nb = -2\n";
        let error = Error::span("m.toml", text, 10..12, "b is below 0", "give 0 or more");
        let shown = error.to_string();
        assert!(shown.contains("m.toml:2:5"), "{shown}");
        assert!(
            shown.contains("b is below 0") && shown.contains("give 0 or more"),
            "{shown}"
        );
    }

    #[test]
    fn a_span_past_the_end_does_not_panic() {
        let shown = Error::span("m.toml", "é", 1..99, "x", "y").to_string();
        assert!(shown.contains("m.toml:1:1"), "{shown}");
    }
}
