//! Captures as tables: a time column first, then channels.
//!
//! The head names the columns; the time's carries its unit at the end (`time_s`, `time_ms`,
//! `time_us`, `time_ns`). A row may stand for every sample or for every change. Times are read
//! digit by digit into whole picoseconds, so that none is rounded by floating point.

use std::io::BufRead;

use super::watch::Told;
use super::{CaptureError, Extent, Steps, Taker, Watch, no_channel, runs_back};
use crate::Refusal;

/// Longest line, bytes.
const LONGEST_LINE: usize = 64 * 1024;
/// A tick of a table: one picosecond. 106 days of them fit.
const TICK_S: f64 = 1e-12;

/// Reads a table to its end.
///
/// # Errors
/// See [`super::read`].
pub fn read(
    mut from: impl BufRead,
    watches: &[Watch],
    to: &mut impl Taker,
) -> Result<Extent, CaptureError> {
    let mut line = Vec::new();
    let mut number = 1;
    next_line(&mut from, &mut line, number)?;
    let head = Head::read(&line)?;
    // For each column who looks at it, and the last value told of a level.
    let mut lookers: Vec<Vec<(usize, Option<bool>)>> = vec![Vec::new(); head.names.len()];
    for (index, watch) in watches.iter().enumerate() {
        let column = head.names.iter().position(|n| *n == watch.name);
        let column = column.ok_or_else(|| no_channel(watch, &head.names))?;
        lookers[column].push((index, None));
    }
    to.begin(TICK_S);
    let mut steps = Steps::default();
    let (mut changes, mut unknown) = (0, 0);
    loop {
        line.clear();
        number += 1;
        if !next_line(&mut from, &mut line, number)? {
            break;
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let mut cells = line.split(|&b| b == head.between);
        let time = cells.next().unwrap_or_default();
        let now = picoseconds(time, head.exponent).ok_or_else(|| {
            let what = format!("{:?} is no time", String::from_utf8_lossy(trim(time)));
            Refusal::at(
                number,
                what,
                "write times as numbers with a point, in the unit of the head",
            )
        })?;
        let before = steps.last;
        if !steps.take(now) {
            let s = |ps: i64| format!("{} s", ps as f64 * TICK_S);
            return Err(runs_back(number, &s(now), &s(before)).into());
        }
        let at_start = steps.first == Some(now);
        let mut seen = 0;
        for (cell, lookers) in cells.by_ref().zip(&mut lookers) {
            seen += 1;
            for (watch, last) in lookers {
                let told = value(trim(cell), &watches[*watch]).ok_or_else(|| {
                    let text = String::from_utf8_lossy(trim(cell)).into_owned();
                    let what = format!("{text:?} in column {} is no value", watches[*watch].name);
                    Refusal::at(number, what, "write 0 or 1, or a number with a point")
                })?;
                match told {
                    Told::Level(on) if *last != Some(on) => {
                        *last = Some(on);
                        changes += 1;
                        to.level(now, *watch, on, at_start);
                    }
                    Told::Level(_) => {}
                    Told::Number(x) => {
                        changes += 1;
                        to.number(now, *watch, x);
                    }
                    Told::Unknown => unknown += 1,
                }
            }
        }
        if seen != head.names.len() || cells.next().is_some() {
            let what = format!(
                "this row has not the {} cells of the head",
                head.names.len() + 1
            );
            return Err(Refusal::at(
                number,
                what,
                "give every row all cells, or record the table again",
            )
            .into());
        }
    }
    Ok(Extent {
        tick_s: TICK_S,
        span: steps.span(),
        step: steps.step,
        changes,
        unknown,
    })
}

/// Reads one line without its end; false at the file's end.
fn next_line(
    from: &mut impl BufRead,
    line: &mut Vec<u8>,
    number: usize,
) -> Result<bool, CaptureError> {
    let mut any = false;
    loop {
        let chunk = from.fill_buf()?;
        if chunk.is_empty() {
            return Ok(any);
        }
        any = true;
        let end = chunk.iter().position(|&b| b == b'\n');
        let taken = end.map_or(chunk.len(), |k| k + 1);
        line.extend_from_slice(&chunk[..end.unwrap_or(chunk.len())]);
        from.consume(taken);
        if end.is_some() {
            return Ok(true);
        }
        if line.len() > LONGEST_LINE {
            return Err(Refusal::at(
                number,
                "the line is longer than 64 KiB",
                "give a table with one row a line",
            )
            .into());
        }
    }
}

struct Head {
    /// Names of the columns behind the time.
    names: Vec<String>,
    /// The time's unit as a power of ten of seconds.
    exponent: i32,
    between: u8,
}

impl Head {
    fn read(line: &[u8]) -> Result<Head, Refusal> {
        let text = String::from_utf8_lossy(line);
        let text = text.trim_start_matches('\u{feff}').trim();
        let help = "the first line names the columns: time_s (or time_ms, time_us, time_ns), then one name a channel, such as time_s,D0,D1";
        if text.is_empty() {
            return Err(Refusal::at(1, "the capture is empty", help));
        }
        let between = [',', ';', '\t']
            .into_iter()
            .find(|&c| text.contains(c))
            .unwrap_or(',');
        let mut names = text
            .split(between)
            .map(|n| n.trim().trim_matches('"').trim().to_owned());
        let time = names.next().unwrap_or_default();
        let unit = time
            .trim_end_matches([']', ')'])
            .rsplit(['_', '[', '(', ' '])
            .next();
        let exponent = match unit {
            Some("s") => 0,
            Some("ms") => -3,
            Some("us" | "µs") => -6,
            Some("ns") => -9,
            _ => {
                return Err(Refusal::at(
                    1,
                    format!("the first column {time:?} names no unit of time"),
                    help,
                ));
            }
        };
        let names: Vec<String> = names.collect();
        if names.is_empty() {
            return Err(Refusal::at(
                1,
                "the capture has a time and no channel",
                help,
            ));
        }
        Ok(Head {
            names,
            exponent,
            between: between as u8,
        })
    }
}

fn trim(cell: &[u8]) -> &[u8] {
    let cell = cell.trim_ascii();
    match cell {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        _ => cell,
    }
}

/// A cell as its watch sees it; none where it is no value. An empty cell tells nothing.
#[inline]
fn value(cell: &[u8], watch: &Watch) -> Option<Told> {
    match cell {
        [] => Some(Told::Unknown),
        [bit @ (b'0' | b'1')] => Some(watch.rule.bit(*bit)),
        [b'x' | b'X' | b'z' | b'Z'] => Some(Told::Unknown),
        _ => {
            let x: f64 = std::str::from_utf8(cell).ok()?.parse().ok()?;
            Some(watch.rule.real(x))
        }
    }
}

/// A decimal number in units of 10^exponent seconds, as whole picoseconds, rounded to the
/// nearest; none where it is no number or does not fit.
fn picoseconds(cell: &[u8], exponent: i32) -> Option<i64> {
    let cell = trim(cell);
    let (negative, mut rest) = match cell {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        rest => (false, rest),
    };
    let mut power = exponent + 12;
    let mantissa_end = rest
        .iter()
        .position(|b| matches!(b, b'e' | b'E'))
        .unwrap_or(rest.len());
    if let Some(text) = rest.get(mantissa_end + 1..) {
        let e: i32 = std::str::from_utf8(text).ok()?.parse().ok()?;
        power = power.checked_add(e)?;
    } else if mantissa_end < rest.len() {
        return None;
    }
    rest = &rest[..mantissa_end];
    let mut digits: i128 = 0;
    let (mut any, mut point) = (false, false);
    for &b in rest {
        match b {
            b'0'..=b'9' => {
                any = true;
                // Digits beyond what 128 bits hold are below any picosecond.
                if digits < i128::MAX / 100 {
                    digits = digits * 10 + i128::from(b - b'0');
                    power -= i32::from(point);
                } else {
                    power += i32::from(!point);
                }
            }
            b'.' if !point => point = true,
            _ => return None,
        }
    }
    if !any {
        return None;
    }
    let ps = if power >= 0 {
        match digits {
            0 => 0,
            _ => digits.checked_mul(10i128.checked_pow(power.unsigned_abs())?)?,
        }
    } else {
        match 10i128.checked_pow(power.unsigned_abs()) {
            Some(by) => (digits + by / 2) / by,
            None => 0,
        }
    };
    let ps = i64::try_from(ps).ok()?;
    Some(if negative { -ps } else { ps })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_without_rounding() {
        let ps = |text: &str, e| picoseconds(text.as_bytes(), e);
        assert_eq!(ps("0.000000001", 0), Some(1000));
        assert_eq!(ps("-1.5", -3), Some(-1_500_000_000));
        assert_eq!(ps("1.25e-3", 0), Some(1_250_000_000));
        assert_eq!(ps("12", -9), Some(12_000));
        assert_eq!(ps("0.1", 0).map(|x| x * 3), ps("0.3", 0));
        assert_eq!(
            ps("0.0123000000000000012345678901234567890123456789", 0),
            Some(12_300_000_000)
        );
        assert_eq!(ps("1e9", 0), None, "does not fit");
        for bad in ["", "-", ".", "1.2.3", "1e", "e5", "1,5", "nan", "0x10"] {
            assert_eq!(ps(bad, 0), None, "{bad}");
        }
    }
}
