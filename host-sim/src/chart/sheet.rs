//! Several pictures under one heading, as one SVG file.

use std::fmt::Write as _;

use super::Chart;
use crate::strip::{GREY, INK, escape};

/// Width of a sheet.
pub const WIDTH: f64 = 1180.0;
const EDGE: f64 = 20.0;
const GAP: f64 = 20.0;
/// Letters that fit on a line of the text under the heading.
const LETTERS: usize = 165;

/// Pictures from left to right, and on the next row where one does not fit any more.
pub struct Sheet {
    title: String,
    told: String,
    at: (f64, f64),
    row: f64,
    body: String,
}

impl Sheet {
    /// An empty sheet: its heading, and what it comes to in a sentence or two.
    pub fn new(title: &str, told: &str) -> Sheet {
        let lines = folded(told, LETTERS).len() as f64;
        Sheet {
            title: title.to_owned(),
            told: told.to_owned(),
            at: (EDGE, 44.0 + 19.0 * lines + 12.0),
            row: 0.0,
            body: String::new(),
        }
    }

    /// Width of each picture where so many stand side by side.
    pub fn share(pictures: usize) -> f64 {
        let many = pictures.max(1) as f64;
        (WIDTH - 2.0 * EDGE - GAP * (many - 1.0)) / many
    }

    /// A picture of this size, drawn from its own left upper corner, and its words.
    pub fn picture(&mut self, (wide, high): (f64, f64), told: &str, drawn: &str) {
        if self.at.0 + wide > WIDTH - EDGE + 0.5 {
            self.next_row();
        }
        // Writing to a String cannot fail.
        let _ = writeln!(
            self.body,
            "<g transform=\"translate({:.1} {:.1})\"><desc>{}</desc>\n{drawn}</g>",
            self.at.0,
            self.at.1,
            escape(told)
        );
        self.at.0 += wide + GAP;
        self.row = self.row.max(high);
    }

    /// A chart of this size.
    pub fn chart(&mut self, chart: &Chart, (wide, high): (f64, f64)) {
        let told = format!("{}. {}", chart.title, chart.told);
        self.picture((wide, high), &told, &chart.group(wide, high));
    }

    /// What follows begins at the left again.
    pub fn next_row(&mut self) {
        if self.row > 0.0 {
            self.at = (EDGE, self.at.1 + self.row + GAP);
            self.row = 0.0;
        }
    }

    /// The whole SVG file.
    pub fn svg(mut self) -> String {
        self.next_row();
        let high = self.at.1;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{high:.0}\" viewBox=\"0 0 {WIDTH} {high:.0}\" font-family=\"sans-serif\" font-size=\"12\" fill=\"{INK}\" role=\"img\">\n<title>{0}</title><desc>{1}</desc>\n<rect width=\"{WIDTH}\" height=\"{high:.0}\" fill=\"#FFFFFF\"/>\n<text x=\"{EDGE}\" y=\"34\" font-size=\"20\" font-weight=\"bold\">{0}</text>\n",
            escape(&self.title),
            escape(&self.told)
        );
        for (index, line) in folded(&self.told, LETTERS).iter().enumerate() {
            let _ = writeln!(
                out,
                "<text x=\"{EDGE}\" y=\"{:.0}\" font-size=\"13\">{}</text>",
                58.0 + 19.0 * index as f64,
                escape(line)
            );
        }
        out.push_str(&self.body);
        out.push_str("</svg>\n");
        out
    }
}

/// A small grey remark.
pub fn remark(out: &mut String, (x, y): (f64, f64), words: &str) {
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"12\" fill=\"{GREY}\">{}</text>",
        escape(words)
    );
}

/// A text in lines of at most so many letters; a longer word stands alone.
pub fn folded(text: &str, letters: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= letters => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_no_longer_than_asked_and_lose_no_word() {
        let text = "a bb  ccc dddd eeeeeeeee f";
        let lines = folded(text, 6);
        assert_eq!(lines, ["a bb", "ccc", "dddd", "eeeeeeeee", "f"]);
        assert!(folded("", 6).is_empty());
    }

    #[test]
    fn a_row_is_as_high_as_its_highest_picture_and_the_next_lies_under_it() {
        let mut sheet = Sheet::new("a < b", "told");
        let top = sheet.at.1;
        let wide = Sheet::share(2);
        sheet.picture((wide, 100.0), "one", "");
        sheet.picture((wide, 140.0), "two", "");
        sheet.picture((wide, 50.0), "three", "");
        let svg = sheet.svg();
        for place in [
            format!("translate({EDGE:.1} {top:.1})"),
            format!("translate({:.1} {top:.1})", EDGE + wide + GAP),
            format!("translate({EDGE:.1} {:.1})", top + 140.0 + GAP),
        ] {
            assert!(svg.contains(&place), "{place}: {svg}");
        }
        let high = top + 140.0 + GAP + 50.0 + GAP;
        assert!(svg.contains(&format!("height=\"{high:.0}\"")) && svg.contains("a &lt; b"));
    }
}
