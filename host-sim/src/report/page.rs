//! The page around what is shown: style, script, and helpers for tables.

use std::fmt::Write as _;

use sha2::{Digest, Sha256};

use crate::chart::Chart;
use crate::strip::escape;
use crate::study::plan::hex;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");

/// A page that grows.
pub struct Page {
    title: String,
    body: String,
    contents: Vec<(String, String)>,
}

impl Page {
    /// An empty page.
    pub fn new(title: &str) -> Page {
        Page {
            title: title.to_owned(),
            body: String::new(),
            contents: Vec::new(),
        }
    }

    /// Begins a section; sections stand in the list of contents.
    pub fn section(&mut self, id: &str, title: &str) {
        self.contents.push((id.to_owned(), title.to_owned()));
        let _ = writeln!(self.body, "<h2 id=\"{id}\">{}</h2>", escape(title));
    }

    /// A paragraph of plain text.
    pub fn text(&mut self, text: &str) {
        let _ = writeln!(self.body, "<p>{}</p>", escape(text));
    }

    /// HTML as it is.
    pub fn raw(&mut self, html: &str) {
        self.body.push_str(html);
        self.body.push('\n');
    }

    /// A chart over the whole width under a caption: drawn twice, the narrow one for phones, where
    /// the letters of the other would be too small.
    pub fn chart(&mut self, chart: &Chart, caption: &str) {
        let _ = writeln!(
            self.body,
            "<figure><div class=\"on-wide\">{}</div><div class=\"on-narrow\">{}</div><figcaption>{}</figcaption></figure>",
            chart.svg(920.0, 260.0),
            chart.svg(440.0, 260.0),
            escape(caption)
        );
    }

    /// A table; the first cell of each row is its head, other cells stand to the right.
    pub fn table(&mut self, caption: &str, head: &[&str], rows: &[Vec<String>]) {
        let cells = |kind: &str, scope: &str, all: &mut dyn Iterator<Item = String>| {
            all.fold(String::new(), |mut out, c| {
                let _ = write!(out, "<{kind}{scope}>{c}</{kind}>");
                out
            })
        };
        let _ = writeln!(
            self.body,
            "<div class=\"wide\"><table{}><caption>{}</caption><thead><tr>{}</tr></thead><tbody>",
            // On paper many columns need small letters.
            if head.len() > 8 {
                " class=\"many\""
            } else {
                ""
            },
            escape(caption),
            cells("th", " scope=\"col\"", &mut head.iter().map(|h| broken(h)))
        );
        for row in rows {
            let first = row.first().map_or(String::new(), |c| escape(c));
            let _ = writeln!(
                self.body,
                "<tr><th scope=\"row\">{first}</th>{}</tr>",
                cells("td", "", &mut row.iter().skip(1).map(|c| escape(c)))
            );
        }
        self.body.push_str("</tbody></table></div>\n");
    }

    /// A file's text, folded, with its digest.
    pub fn file(&mut self, name: &str, text: &str) {
        let _ = writeln!(
            self.body,
            "<details><summary>{} <code class=\"digest\">SHA-256 {}</code></summary><pre>{}</pre></details>",
            escape(name),
            digest(text.as_bytes()),
            lines(text)
        );
    }

    /// The whole page.
    pub fn finish(self) -> String {
        let mut contents = String::new();
        for (id, title) in &self.contents {
            let _ = write!(contents, "<li><a href=\"#{id}\">{}</a></li>", escape(title));
        }
        let title = escape(&self.title);
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'\">\n<title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n<nav aria-label=\"Contents\"><ul>{contents}</ul></nav>\n{}</main>\n<script>\n{SCRIPT}</script>\n</body>\n</html>\n",
            self.body
        )
    }
}

/// SHA-256 as hexadecimal digits, as `sha256sum` prints it.
pub fn digest(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// A name that may go on on the next line after a dot or an underscore, as keys are long.
fn broken(name: &str) -> String {
    escape(name).replace('.', ".<wbr>").replace('_', "_<wbr>")
}

/// Text of a file with its lines.
fn lines(text: &str) -> String {
    text.lines().map(|l| escape(l) + "\n").collect()
}
