//! Value change dumps: IEEE Std 1364-2005, clause 18, the four-state form.
//!
//! A stream in fixed memory: tokens are taken from one buffer of 256 KiB, and only watched
//! channels leave it. The part that runs once a token knows three kinds (a time, a bit, anything
//! else) and looks identifiers of one and two characters up in a table.

use std::collections::HashMap;
use std::io::BufRead;

use super::watch::{Rule, Told};
use super::{CaptureError, Extent, Steps, Taker, Watch, no_channel, runs_back};
use crate::Refusal;

/// Bytes read at once; no token may be longer.
const BUFFER: usize = 256 * 1024;
/// Identifiers are of `!` to `~`.
const SIGNS: usize = 94;
/// In the table: no such identifier was declared.
const NOBODY: u32 = 0;
/// In the table: declared, and not looked at.
const UNWATCHED: u32 = 1;
/// Most channels that a dump may declare.
const MOST_CHANNELS: usize = 1 << 20;

/// Reads a dump to its end.
///
/// # Errors
/// See [`super::read`].
pub fn read(
    from: impl BufRead,
    watches: &[Watch],
    to: &mut impl Taker,
) -> Result<Extent, CaptureError> {
    let mut tokens = Tokens::new(from);
    let header = Header::read(&mut tokens)?;
    let mut body = Body::new(&header, watches)?;
    to.begin(header.tick_s);
    // What was read along with the declarations comes first.
    body.take_all(&mut tokens, to)?;
    while tokens.fill()? {
        body.take_all(&mut tokens, to)?;
    }
    body.end(&tokens)?;
    Ok(Extent {
        tick_s: header.tick_s,
        span: body.steps.span(),
        step: body.steps.step,
        changes: body.changes,
        unknown: body.unknown,
    })
}

/// Blank-separated pieces of a stream.
struct Tokens<R> {
    from: R,
    buffer: Vec<u8>,
    at: usize,
    line: usize,
    ended: bool,
}

impl<R: BufRead> Tokens<R> {
    fn new(from: R) -> Tokens<R> {
        Tokens {
            from,
            buffer: Vec::with_capacity(2 * BUFFER),
            at: 0,
            line: 1,
            ended: false,
        }
    }

    /// Reads on; false at the end. What was not taken stays in front.
    fn fill(&mut self) -> Result<bool, CaptureError> {
        if self.ended {
            return Ok(false);
        }
        self.buffer.drain(..self.at);
        self.at = 0;
        if self.buffer.len() > BUFFER {
            let remedy = "give the dump as the analyser wrote it";
            return Err(Refusal::at(
                self.line,
                "a piece without a blank is longer than 256 KiB",
                remedy,
            )
            .into());
        }
        let before = self.buffer.len();
        while self.buffer.len() < before + BUFFER {
            let chunk = match self.from.fill_buf() {
                Ok(chunk) => chunk,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(e.into()),
            };
            let n = chunk.len().min(before + BUFFER - self.buffer.len());
            if n == 0 {
                // A blank behind the last piece makes it whole.
                self.ended = true;
                self.buffer.push(b' ');
                break;
            }
            self.buffer.extend_from_slice(&chunk[..n]);
            self.from.consume(n);
        }
        Ok(true)
    }

    /// Where the next whole piece lies; moves on behind it.
    #[inline]
    fn whole(&mut self) -> Option<(usize, usize)> {
        let bytes = &self.buffer;
        let mut start = self.at;
        let mut lines = 0;
        loop {
            match bytes.get(start) {
                Some(b'\n') => lines += 1,
                Some(b) if *b <= b' ' => {}
                Some(_) => break,
                None => {
                    self.at = start;
                    self.line += lines;
                    return None;
                }
            }
            start += 1;
        }
        self.line += lines;
        let mut end = start + 1;
        loop {
            match bytes.get(end) {
                Some(b) if *b > b' ' => end += 1,
                Some(_) => break,
                None => {
                    self.at = start;
                    return None;
                }
            }
        }
        self.at = end;
        Some((start, end))
    }

    /// The next piece, reading on for it; none at the end.
    fn word(&mut self) -> Result<Option<String>, CaptureError> {
        loop {
            if let Some((start, end)) = self.whole() {
                let word = String::from_utf8_lossy(&self.buffer[start..end]).into_owned();
                return Ok(Some(word));
            }
            if !self.fill()? {
                return Ok(None);
            }
        }
    }
}

/// A declared channel.
struct Channel {
    id: Vec<u8>,
    name: String,
    full: String,
    /// Index of its most and least significant bit.
    range: Option<(i64, i64)>,
    width: usize,
}

struct Header {
    tick_s: f64,
    channels: Vec<Channel>,
}

impl Header {
    fn read<R: BufRead>(tokens: &mut Tokens<R>) -> Result<Header, CaptureError> {
        let mut header = Header {
            tick_s: 0.0,
            channels: Vec::new(),
        };
        let mut scopes: Vec<String> = Vec::new();
        while let Some(word) = tokens.word()? {
            let line = tokens.line;
            if !word.starts_with('$') {
                let remedy = "give a value change dump (IEEE 1364): its declarations come first, up to $enddefinitions";
                return Err(Refusal::at(
                    line,
                    format!("{word:?} stands before $enddefinitions"),
                    remedy,
                )
                .into());
            }
            let rest = section(tokens, &word, line)?;
            match word.as_str() {
                "$enddefinitions" => {
                    return match header.tick_s > 0.0 {
                        true => Ok(header),
                        false => Err(Refusal::at(
                            line,
                            "the dump has no $timescale, so its times mean nothing",
                            "add a line such as $timescale 1 us $end before $enddefinitions",
                        )
                        .into()),
                    };
                }
                "$timescale" => header.tick_s = timescale(&rest.concat(), line)?,
                "$scope" => scopes.extend(rest.into_iter().nth(1)),
                "$upscope" => {
                    scopes.pop();
                }
                "$var" => {
                    let channel = variable(&rest, &scopes, line)?;
                    if header.channels.len() >= MOST_CHANNELS {
                        return Err(Refusal::at(
                            line,
                            "more than a million channels",
                            "record the channels that are needed",
                        )
                        .into());
                    }
                    header.channels.push(channel);
                }
                _ => {}
            }
        }
        Err(Refusal::at(
            tokens.line,
            "the dump ends before $enddefinitions",
            "the file is cut off or no value change dump: record it again",
        )
        .into())
    }

    fn names(&self) -> Vec<String> {
        self.channels.iter().map(|c| c.name.clone()).collect()
    }
}

/// The words of a section up to its `$end`.
fn section<R: BufRead>(
    tokens: &mut Tokens<R>,
    what: &str,
    line: usize,
) -> Result<Vec<String>, CaptureError> {
    let mut words = Vec::new();
    // A comment may be long, and is not wanted.
    let kept = if matches!(what, "$comment" | "$date" | "$version") {
        0
    } else {
        64
    };
    loop {
        match tokens.word()? {
            None => {
                return Err(Refusal::at(
                    line,
                    format!("{what} has no $end"),
                    "the file is cut off: record it again",
                )
                .into());
            }
            Some(word) if word == "$end" => return Ok(words),
            Some(word) if words.len() < kept => words.push(word),
            Some(_) => {}
        }
    }
}

/// Length of a tick, s.
fn timescale(text: &str, line: usize) -> Result<f64, Refusal> {
    let digits = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(digits);
    let tens = match number {
        "1" => Some(0),
        "10" => Some(1),
        "100" => Some(2),
        _ => None,
    };
    let power = ["s", "ms", "us", "ns", "ps", "fs"]
        .iter()
        .position(|u| *u == unit)
        .map(|k| -3 * k as i32);
    // By way of text the power of ten is the nearest that there is.
    let tick: Option<f64> = tens
        .zip(power)
        .and_then(|(tens, power)| format!("1e{}", tens + power).parse().ok());
    match tick {
        Some(tick) => Ok(tick),
        None => Err(Refusal::at(
            line,
            format!("$timescale {text:?} is none of 1, 10 or 100 of s, ms, us, ns, ps or fs"),
            "correct it, such as $timescale 1 us $end",
        )),
    }
}

fn variable(words: &[String], scopes: &[String], line: usize) -> Result<Channel, Refusal> {
    let help = "a channel is declared as $var wire 1 ! name $end";
    let (width, id, name) = match words {
        [_, width, id, name, ..] => (width.parse::<usize>().ok(), id.as_bytes(), name),
        _ => return Err(Refusal::at(line, "this $var is not whole", help)),
    };
    let Some(width) = width.filter(|&w| (1..=65_536).contains(&w)) else {
        return Err(Refusal::at(
            line,
            "the width of this $var is no number from 1 to 65536",
            help,
        ));
    };
    if id.is_empty() || !id.iter().all(u8::is_ascii_graphic) {
        return Err(Refusal::at(
            line,
            "the identifier of this $var is not of printable signs",
            help,
        ));
    }
    // `name[7:0]`, with or without a blank before the bracket.
    let whole: String = words[3..].concat();
    let (name, range) = match whole.split_once('[') {
        Some((plain, range)) if !plain.is_empty() => {
            let inner = range.trim_end_matches(']');
            let (a, b) = inner.split_once(':').unwrap_or((inner, inner));
            match (a.parse(), b.parse()) {
                (Ok(a), Ok(b)) if width > 1 => (plain.to_owned(), Some((a, b))),
                _ => (whole.clone(), None),
            }
        }
        _ => (name.clone(), None),
    };
    let full = scopes.iter().map(|s| format!("{s}.")).collect::<String>() + &name;
    Ok(Channel {
        id: id.to_vec(),
        name,
        full,
        range: range.or_else(|| (width > 1).then_some((width as i64 - 1, 0))),
        width,
    })
}

/// One who looks at a channel: the watch, its rule, and which bit from the right.
#[derive(Clone, Copy)]
struct Looker {
    watch: usize,
    rule: Rule,
    bit: usize,
    whole: bool,
}

/// The changes.
struct Body {
    one: [u32; SIGNS],
    two: Vec<u32>,
    many: HashMap<Vec<u8>, u32>,
    lookers: Vec<Vec<Looker>>,
    /// Watches that have been told of since the capture's first time.
    steps: Steps,
    now: i64,
    begun: bool,
    /// A vector, real or text whose identifier is still to come.
    pending: Vec<u8>,
    comment: bool,
    changes: u64,
    unknown: u64,
}

impl Body {
    fn new(header: &Header, watches: &[Watch]) -> Result<Body, Refusal> {
        let mut body = Body {
            one: [NOBODY; SIGNS],
            two: vec![NOBODY; SIGNS * SIGNS],
            many: HashMap::new(),
            lookers: vec![Vec::new(); 2],
            steps: Steps::default(),
            now: 0,
            begun: false,
            pending: Vec::new(),
            comment: false,
            changes: 0,
            unknown: 0,
        };
        for channel in &header.channels {
            if body.find(&channel.id) == NOBODY {
                body.enter(&channel.id, UNWATCHED);
            }
        }
        for (index, watch) in watches.iter().enumerate() {
            let (channel, bit) = header.find(watch)?;
            let mut place = body.find(&channel.id);
            if place == UNWATCHED {
                place = body.lookers.len() as u32;
                body.lookers.push(Vec::new());
                body.enter(&channel.id, place);
            }
            body.lookers[place as usize].push(Looker {
                watch: index,
                rule: watch.rule,
                bit: bit.unwrap_or(0),
                whole: bit.is_none(),
            });
        }
        Ok(body)
    }

    #[inline]
    fn find(&self, id: &[u8]) -> u32 {
        let sign = |b: u8| usize::from(b.wrapping_sub(b'!'));
        match *id {
            [a] => self.one.get(sign(a)).copied().unwrap_or(NOBODY),
            [a, b] if sign(a) < SIGNS && sign(b) < SIGNS => self.two[sign(a) * SIGNS + sign(b)],
            _ => self.many.get(id).copied().unwrap_or(NOBODY),
        }
    }

    fn enter(&mut self, id: &[u8], place: u32) {
        let sign = |b: u8| usize::from(b.wrapping_sub(b'!'));
        match *id {
            [a] => self.one[sign(a)] = place,
            [a, b] => self.two[sign(a) * SIGNS + sign(b)] = place,
            _ => {
                self.many.insert(id.to_vec(), place);
            }
        }
    }

    fn take_all<R: BufRead>(
        &mut self,
        tokens: &mut Tokens<R>,
        to: &mut impl Taker,
    ) -> Result<(), CaptureError> {
        while let Some((start, end)) = tokens.whole() {
            let token = &tokens.buffer[start..end];
            let (kind, rest) = (token[0], &token[1..]);
            if self.comment {
                self.comment = token != b"$end";
            } else if !self.pending.is_empty() {
                self.wide(token, tokens.line, to)?;
            } else {
                match kind {
                    b'#' => self.time(rest, tokens.line)?,
                    b'0' | b'1' | b'x' | b'X' | b'z' | b'Z' => {
                        let place = self.find(rest);
                        if place > UNWATCHED {
                            self.bit(place, kind, to);
                        } else if place == NOBODY {
                            return Err(undeclared(rest, tokens.line).into());
                        }
                    }
                    b'b' | b'B' | b'r' | b'R' | b's' | b'S' => {
                        self.pending.extend_from_slice(token);
                    }
                    b'$' => self.comment = token == b"$comment",
                    _ => {
                        let text = String::from_utf8_lossy(token).into_owned();
                        return Err(Refusal::at(tokens.line, format!("{text:?} is no value change"), "the file is damaged here: record it again, or cut it off before this line").into());
                    }
                }
            }
        }
        Ok(())
    }

    #[inline]
    fn time(&mut self, digits: &[u8], line: usize) -> Result<(), Refusal> {
        let mut now: i64 = 0;
        let mut sound = !digits.is_empty() && digits.len() <= 18;
        for &d in digits {
            sound &= d.is_ascii_digit();
            now = now
                .wrapping_mul(10)
                .wrapping_add(i64::from(d) - i64::from(b'0'));
        }
        if !sound {
            let text = String::from_utf8_lossy(digits).into_owned();
            return Err(Refusal::at(
                line,
                format!("#{text} is no time"),
                "a time is # and at most 18 digits: record it again with a coarser time scale",
            ));
        }
        let before = self.now;
        if !self.steps.take(now) {
            return Err(runs_back(line, &format!("#{now}"), &format!("#{before}")));
        }
        self.now = now;
        self.begun = true;
        Ok(())
    }

    /// True while the levels told are those with which the capture begins.
    #[inline]
    fn at_start(&self) -> bool {
        !self.begun || self.steps.first == Some(self.now)
    }

    #[inline]
    fn bit(&mut self, place: u32, bit: u8, to: &mut impl Taker) {
        let at_start = self.at_start();
        for k in 0..self.lookers[place as usize].len() {
            let looker = self.lookers[place as usize][k];
            self.tell(looker, looker.rule.bit(bit), at_start, to);
        }
    }

    #[inline]
    fn tell(&mut self, looker: Looker, told: Told, at_start: bool, to: &mut impl Taker) {
        match told {
            Told::Level(on) => {
                self.changes += 1;
                to.level(self.now, looker.watch, on, at_start);
            }
            Told::Number(x) => {
                self.changes += 1;
                to.number(self.now, looker.watch, x);
            }
            Told::Unknown => self.unknown += 1,
        }
    }

    /// A vector, real or text, now that its identifier is there.
    fn wide(&mut self, id: &[u8], line: usize, to: &mut impl Taker) -> Result<(), Refusal> {
        let value = std::mem::take(&mut self.pending);
        let place = self.find(id);
        if place == NOBODY {
            return Err(undeclared(id, line));
        }
        let at_start = self.at_start();
        let (kind, digits) = (value[0].to_ascii_lowercase(), &value[1..]);
        let text = String::from_utf8_lossy(digits);
        let real: Option<f64> = match kind {
            b'r' => match text.parse() {
                Ok(x) => Some(x),
                Err(_) => {
                    return Err(Refusal::at(
                        line,
                        format!("r{text} is no number"),
                        "the file is damaged here: record it again",
                    ));
                }
            },
            _ => None,
        };
        for k in 0..self.lookers[place as usize].len() {
            let looker = self.lookers[place as usize][k];
            let told = match kind {
                b'r' => looker.rule.real(real.unwrap_or(f64::NAN)),
                b'b' if looker.whole
                    && matches!(looker.rule, Rule::Number | Rule::Above(_) | Rule::Below(_)) =>
                {
                    looker.rule.real(binary(digits))
                }
                b'b' => looker.rule.bit(nth_bit(digits, looker.bit)),
                _ => Told::Unknown,
            };
            self.tell(looker, told, at_start, to);
        }
        Ok(())
    }

    fn end<R>(&self, tokens: &Tokens<R>) -> Result<(), Refusal> {
        match self.pending.is_empty() {
            true => Ok(()),
            false => Err(Refusal::at(
                tokens.line,
                "the dump ends within a value",
                "the file is cut off: record it again",
            )),
        }
    }
}

/// A vector as a number; NaN with unknown bits.
fn binary(digits: &[u8]) -> f64 {
    digits.iter().fold(0.0, |sum, b| match b {
        b'0' => 2.0 * sum,
        b'1' => 2.0 * sum + 1.0,
        _ => f64::NAN,
    })
}

/// A bit from the right. A short vector is filled on the left with 0, or with x or z where it
/// begins with that (IEEE 1364-2005, table 18-2).
fn nth_bit(digits: &[u8], n: usize) -> u8 {
    match (digits.len().checked_sub(n + 1), digits.first()) {
        (Some(k), _) => digits[k],
        (None, Some(b'x' | b'X' | b'z' | b'Z')) => b'x',
        (None, _) => b'0',
    }
}

fn undeclared(id: &[u8], line: usize) -> Refusal {
    let id = String::from_utf8_lossy(id).into_owned();
    Refusal::at(
        line,
        format!("a value of {id:?}, which no $var declares"),
        "the file is damaged: record it again",
    )
}

impl Header {
    /// The channel of a watch, and which bit of it from the right.
    fn find(&self, watch: &Watch) -> Result<(&Channel, Option<usize>), Refusal> {
        let mut found: Vec<(&Channel, Option<usize>)> = Vec::new();
        for channel in &self.channels {
            if channel.name == watch.name || channel.full == watch.name {
                found.push((channel, None));
            } else if let Some(bit) = channel.bit(&watch.name) {
                found.push((channel, Some(bit)));
            }
        }
        let (&(channel, bit), others) = match found.split_first() {
            Some(some) => some,
            None => return Err(no_channel(watch, &self.names())),
        };
        if let Some((other, _)) = others.iter().find(|(c, _)| c.id != channel.id) {
            return Err(Refusal::whole(
                format!(
                    "channel {} is there twice: {} and {}",
                    watch.name, channel.full, other.full
                ),
                "name it with its scopes",
            ));
        }
        let level = matches!(watch.rule, Rule::High | Rule::Low | Rule::Changing);
        if level
            && bit.is_none()
            && channel.width > 1
            && channel.range.is_some()
            && !channel.is_real()
        {
            return Err(Refusal::whole(
                format!("channel {} is {} wires wide", watch.name, channel.width),
                format!("name one of them, such as {}[0]", channel.name),
            ));
        }
        Ok((channel, bit))
    }
}

impl Channel {
    /// A 64 bit wide channel may be a real: levels of it come by a limit.
    fn is_real(&self) -> bool {
        self.width == 64
    }

    /// Which bit from the right `name[k]` means.
    fn bit(&self, name: &str) -> Option<usize> {
        let (base, index) = name.strip_suffix(']')?.rsplit_once('[')?;
        let k: i64 = index.parse().ok()?;
        let (high, low) = self.range?;
        let inside = (high.min(low)..=high.max(low)).contains(&k);
        let same = base == self.name || base == self.full;
        (same && inside).then(|| (k - low).unsigned_abs() as usize)
    }
}
