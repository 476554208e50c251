//! Tables that people write by hand: comma-separated, the first line names the columns.
//!
//! A line that begins with `#` is a remark. Every message tells the line, what is wrong with
//! it, and what is missing.

use std::io::Read;

use crate::Refusal;

/// Most rows of a table that was written by hand.
const MOST_ROWS: usize = 1_000_000;

/// A table, column by name.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    names: Vec<String>,
    rows: Vec<(usize, Vec<String>)>,
}

/// One row of a table.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    names: &'a [String],
    fields: &'a [String],
    line: usize,
}

impl Table {
    /// Reads a table that has at least the columns `needed`, and perhaps the `optional` ones.
    ///
    /// # Errors
    /// What is no such table: no text, no row, a column that is missing, unknown or there twice,
    /// a row with too few or too many fields.
    pub fn read(mut from: impl Read, needed: &[&str], optional: &[&str]) -> Result<Table, Refusal> {
        let mut bytes = Vec::new();
        from.read_to_end(&mut bytes)
            .map_err(|e| Refusal::whole(format!("the table cannot be read: {e}"), "try again"))?;
        let text = String::from_utf8(bytes)
            .map_err(|_| Refusal::whole("the table is not text", "save it as CSV in UTF-8"))?;
        let columns = format!(
            "the columns are {}{}",
            needed.join(","),
            match optional {
                [] => String::new(),
                some => format!("; {} may be added", some.join(", ")),
            }
        );
        let mut lines = text
            .trim_start_matches('\u{feff}')
            .lines()
            .enumerate()
            .map(|(i, line)| (i + 1, line.trim()))
            .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
        let Some((at, header)) = lines.next() else {
            return Err(Refusal::whole("the table is empty", columns));
        };
        if header.contains(';') || header.contains('\t') {
            return Err(Refusal::at(
                at,
                "the fields are not separated by commas",
                "save the table with commas between fields and points in numbers",
            ));
        }
        let names = split(header);
        for name in needed {
            if !names.iter().any(|n| n == name) {
                return Err(Refusal::at(
                    at,
                    format!("the column `{name}` is missing"),
                    columns,
                ));
            }
        }
        for (i, name) in names.iter().enumerate() {
            let known = needed.iter().chain(optional).any(|n| n == name);
            let what = match (known, names[..i].contains(name)) {
                (true, false) => continue,
                (false, _) => format!("the column `{name}` is not known"),
                (true, true) => format!("the column `{name}` is there twice"),
            };
            return Err(Refusal::at(at, what, columns));
        }
        let mut rows = Vec::new();
        for (line, text) in lines {
            let fields = split(text);
            if fields.len() != names.len() {
                return Err(Refusal::at(
                    line,
                    format!(
                        "the line has {} fields, but the first line names {} columns",
                        fields.len(),
                        names.len()
                    ),
                    "leave a field empty rather than out; numbers have a point, no comma",
                ));
            }
            if rows.len() == MOST_ROWS {
                return Err(Refusal::at(
                    line,
                    format!("the table has more than {MOST_ROWS} rows"),
                    "split it",
                ));
            }
            rows.push((line, fields));
        }
        if rows.is_empty() {
            return Err(Refusal::whole(
                "the table has a header and no row",
                "write one measurement a line",
            ));
        }
        Ok(Table { names, rows })
    }

    /// The rows, in their order.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|(line, fields)| Row {
            names: &self.names,
            fields,
            line: *line,
        })
    }

    /// True where the table has this column.
    pub fn has(&self, column: &str) -> bool {
        self.names.iter().any(|n| n == column)
    }
}

fn split(line: &str) -> Vec<String> {
    line.split(',')
        .map(|field| field.trim().trim_matches('"').trim().to_owned())
        .collect()
}

impl Row<'_> {
    /// Its line in the file, from 1.
    pub fn line(&self) -> usize {
        self.line
    }

    /// The field of a column; none where the column is not there or the field is empty.
    pub fn text(&self, column: &str) -> Option<&str> {
        let at = self.names.iter().position(|n| n == column)?;
        self.fields
            .get(at)
            .map(String::as_str)
            .filter(|f| !f.is_empty())
    }

    /// A number within `low` to `high`; none where the field is empty or not there.
    ///
    /// # Errors
    /// A field that is no number, or one outside the range.
    pub fn number(&self, column: &str, low: f64, high: f64) -> Result<Option<f64>, Refusal> {
        let Some(text) = self.text(column) else {
            return Ok(None);
        };
        let value: f64 = text.parse().map_err(|_| {
            Refusal::at(
                self.line,
                format!("`{column}` is `{text}`, which is no number"),
                "write a plain number with a point, without its unit",
            )
        })?;
        if value.is_finite() && (low..=high).contains(&value) {
            return Ok(Some(value));
        }
        Err(Refusal::at(
            self.line,
            format!("`{column}` is {text}, which is outside {low} to {high}"),
            match value < 0.0 && low >= 0.0 {
                true => "it cannot be below 0: check the sign and the column",
                false => {
                    "check the number and its unit: the unit is at the end of the column's name"
                }
            },
        ))
    }

    /// A number that must be there.
    ///
    /// # Errors
    /// As [`Row::number`], and an empty field.
    pub fn needed(&self, column: &str, low: f64, high: f64) -> Result<f64, Refusal> {
        self.number(column, low, high)?.ok_or_else(|| {
            Refusal::at(
                self.line,
                format!("`{column}` is empty"),
                "write the number, or leave the whole line out",
            )
        })
    }

    /// A whole number from 0 to `high` that must be there.
    ///
    /// # Errors
    /// As [`Row::needed`], and a number with a fraction.
    pub fn count(&self, column: &str, high: usize) -> Result<usize, Refusal> {
        let value = self.needed(column, 0.0, high as f64)?;
        if value.fract() != 0.0 {
            return Err(Refusal::at(
                self.line,
                format!("`{column}` is {value}, which is no whole number"),
                "write a whole number",
            ));
        }
        Ok(value as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Table, Refusal> {
        Table::read(text.as_bytes(), &["nozzle", "ml"], &["note"])
    }

    #[test]
    fn a_table_is_read_by_name() {
        let table =
            read("\u{feff}# caught today\nml, nozzle\n 12.5 ,3\n\n# left out\n,4\n").expect("fine");
        let rows: Vec<_> = table.rows().collect();
        assert_eq!((rows[0].line(), rows[1].line()), (3, 6));
        assert_eq!(rows[0].needed("ml", 0.0, 100.0), Ok(12.5));
        assert_eq!(rows[0].count("nozzle", 9), Ok(3));
        assert_eq!(rows[1].number("ml", 0.0, 100.0), Ok(None));
        assert!(rows[1].needed("ml", 0.0, 100.0).is_err());
        assert!(table.has("ml") && !table.has("note"));
    }

    #[test]
    fn what_is_missing_is_named() {
        for (text, word) in [
            ("", "empty"),
            ("nozzle\n1\n", "`ml` is missing"),
            ("nozzle,ml,mood\n1,2,3\n", "`mood` is not known"),
            ("nozzle,ml,ml\n1,2,3\n", "twice"),
            ("nozzle,ml\n", "no row"),
            ("nozzle,ml\n1\n", "1 fields"),
            ("nozzle;ml\n1;2\n", "commas"),
        ] {
            let refusal = read(text).expect_err(word);
            assert!(refusal.what.contains(word), "{refusal}");
        }
        assert!(Table::read(&b"\xff\xfe"[..], &[], &[]).is_err());
        let table = read("nozzle,ml\n1.5,-2\nx,1e999\n").expect("a table");
        let rows: Vec<_> = table.rows().collect();
        for (result, word) in [
            (rows[0].count("nozzle", 9).map(|_| ()), "whole"),
            (rows[0].needed("ml", 0.0, 9.0).map(|_| ()), "below 0"),
            (rows[1].needed("ml", 0.0, 9.0).map(|_| ()), "outside"),
            (rows[1].count("nozzle", 9).map(|_| ()), "no number"),
        ] {
            let refusal = result.expect_err(word);
            assert!(refusal.to_string().contains(word), "{refusal}");
            assert!(refusal.line.is_some());
        }
    }
}
