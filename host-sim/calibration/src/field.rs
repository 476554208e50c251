//! The proof of work: plants counted on dyed strips, and what their misses have in common.
//!
//! A pattern is told only where chance does not explain it: the interval of a difference
//! ([`crate::share::difference`]) leaves nothing out, at 95 % over all the comparisons that are
//! made (Bonferroni). Where strips differ by more than chance, the interval of the whole share is
//! widened by the root of that (P. McCullagh, J. A. Nelder, "Generalized Linear Models", 2nd
//! edition 1989, 4.5; from memory).

use std::collections::BTreeMap;
use std::io::Read;

use ground_truth::interval::wilson_at;

use crate::Refusal;
use crate::estimate::normal_at;
use crate::share::{Count, difference};
use crate::table::Table;

/// Certainty of every interval.
const CERTAINTY: f64 = 0.95;
/// Fewest misses in which a pattern is looked for.
const LEAST_MISSES: usize = 5;
/// A kind of miss that makes up so much of all misses is worth a word.
const COMMON: f64 = 1.0 / 3.0;

/// Plants that were counted on one strip under one nozzle.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Nozzle from the left, from 0.
    pub nozzle: usize,
    /// Speed over it, m/s.
    pub speed_m_s: f64,
    /// Size of its plants, mm, where they were sorted by it.
    pub size_mm: Option<f64>,
    /// Plants on it.
    pub counted: usize,
    /// Dyed all over.
    pub hit: usize,
    /// Of the others: dry where the machine came first.
    pub start_dry: usize,
    /// Dry where it came last.
    pub stop_dry: usize,
    /// Dyed at one side only, or the patch lies beside it.
    pub beside: usize,
    /// No patch near it.
    pub dry: usize,
}

/// Reads strips: `nozzle,speed_m_s,counted,hit`, and `strip`, `size_mm`, `start_dry`, `stop_dry`,
/// `beside`, `dry`.
///
/// # Errors
/// What is missing or cannot be, by line: more plants hit or told of than counted.
pub fn read(from: impl Read) -> Result<Vec<Strip>, Refusal> {
    let optional = ["strip", "size_mm", "start_dry", "stop_dry", "beside", "dry"];
    let table = Table::read(from, &["nozzle", "speed_m_s", "counted", "hit"], &optional)?;
    table
        .rows()
        .map(|row| {
            let count = |column| row.count(column, 1_000_000);
            let perhaps = |column| row.text(column).map_or(Ok(0), |_| count(column));
            let strip = Strip {
                line: row.line(),
                nozzle: row.count("nozzle", 191)?,
                speed_m_s: row.needed("speed_m_s", 0.05, 50.0)?,
                size_mm: row.number("size_mm", 0.1, 5000.0)?,
                counted: count("counted")?,
                hit: count("hit")?,
                start_dry: perhaps("start_dry")?,
                stop_dry: perhaps("stop_dry")?,
                beside: perhaps("beside")?,
                dry: perhaps("dry")?,
            };
            if strip.hit > strip.counted {
                return Err(Refusal::at(
                    row.line(),
                    format!(
                        "{} plants hit, but only {} counted",
                        strip.hit, strip.counted
                    ),
                    "count every plant on the strip, hit or not; `hit` is part of `counted`",
                ));
            }
            let told = strip.hit + strip.start_dry + strip.stop_dry + strip.beside + strip.dry;
            if told > strip.counted {
                return Err(Refusal::at(
                    row.line(),
                    format!(
                        "{told} plants are told of, but only {} counted",
                        strip.counted
                    ),
                    "each plant that is not hit belongs into one column only",
                ));
            }
            Ok(strip)
        })
        .collect()
}

/// What the misses have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// One nozzle misses more than the others.
    Nozzle(usize),
    /// Fast strips are hit less.
    Fast,
    /// Slow strips are hit less.
    Slow,
    /// Small plants are hit less.
    Small,
    /// Large plants are hit less.
    Large,
    /// Plants stay dry where the machine comes first.
    Start,
    /// Where it comes last.
    Stop,
    /// Patches lie beside the plants.
    Beside,
    /// No patch near the plants.
    Dry,
}

/// One pattern, and what to measure next.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// What it is.
    pub cause: Cause,
    /// The pattern in plain words, with its numbers.
    pub says: String,
    /// What to measure next.
    pub next: &'static str,
}

/// The whole count.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// All strips.
    pub all: Count,
    /// 95 % interval of the hit share.
    pub interval: (f64, f64),
    /// Variance between strips over what chance gives; 1 where it can't be told.
    pub dispersion: f64,
    /// Each nozzle's count.
    pub nozzles: BTreeMap<usize, Count>,
    /// Patterns of the misses.
    pub patterns: Vec<Pattern>,
    /// Why no pattern was looked for, if so.
    pub silent: Option<String>,
}

/// Sums up the strips and looks for patterns.
///
/// # Errors
/// No plant counted.
pub fn sheet(strips: &[Strip]) -> Result<Sheet, Refusal> {
    let all = sum(strips.iter());
    let Some(share) = all.share() else {
        return Err(Refusal::whole(
            "no plant was counted",
            "count the plants of each strip, hit or not",
        ));
    };
    let dispersion = dispersion(strips, share);
    let z = normal_at(0.5 + 0.5 * CERTAINTY) * dispersion.max(1.0).sqrt();
    let mut nozzles: BTreeMap<usize, Count> = BTreeMap::new();
    for strip in strips {
        let one = nozzles.entry(strip.nozzle).or_default();
        *one = *one + count(strip);
    }
    let misses = all.n - all.hits;
    let mut sheet = Sheet {
        all,
        interval: wilson_at(z, all.hits, all.n).unwrap_or((0.0, 1.0)),
        dispersion,
        nozzles,
        patterns: Vec::new(),
        silent: None,
    };
    if misses < LEAST_MISSES {
        sheet.silent = Some(format!(
            "{misses} plants were missed or hit in part: too few for a pattern ({LEAST_MISSES} are the least)"
        ));
    } else {
        sheet.patterns = patterns(strips, &sheet.nozzles);
    }
    Ok(sheet)
}

fn count(strip: &Strip) -> Count {
    Count {
        hits: strip.hit,
        n: strip.counted,
    }
}

fn sum<'a>(strips: impl Iterator<Item = &'a Strip>) -> Count {
    strips.map(count).fold(Count::default(), |a, b| a + b)
}

fn dispersion(strips: &[Strip], share: f64) -> f64 {
    let counted: Vec<_> = strips.iter().filter(|s| s.counted > 0).collect();
    let chance = share * (1.0 - share);
    if counted.len() < 2 || chance <= 0.0 {
        return 1.0;
    }
    let squares: f64 = counted
        .iter()
        .map(|s| (s.hit as f64 - s.counted as f64 * share).powi(2) / (s.counted as f64 * chance))
        .sum();
    squares / (counted.len() - 1) as f64
}

fn patterns(strips: &[Strip], nozzles: &BTreeMap<usize, Count>) -> Vec<Pattern> {
    let mut out = Vec::new();
    let speed = halves(strips, |s| Some(s.speed_m_s));
    let size = halves(strips, |s| s.size_mm);
    let of = |f: fn(&Strip) -> usize| strips.iter().map(f).sum::<usize>();
    let (start, stop) = (of(|s| s.start_dry), of(|s| s.stop_dry));
    let comparisons = match nozzles.len() {
        0 | 1 => 0,
        many => many,
    } + usize::from(speed.is_some())
        + usize::from(size.is_some())
        + usize::from(start + stop > 0);
    let certainty = 1.0 - (1.0 - CERTAINTY) / comparisons.max(1) as f64;
    if nozzles.len() > 1 {
        for (&nozzle, &one) in nozzles {
            let rest = sum(strips.iter().filter(|s| s.nozzle != nozzle));
            if difference(one, rest, certainty).is_some_and(|d| d.1 < 0.0) {
                out.push(Pattern {
                    cause: Cause::Nozzle(nozzle),
                    says: format!(
                        "nozzle {nozzle} hits {}, the others {}",
                        told(one),
                        told(rest)
                    ),
                    next: "its flow (calibrate nozzles) and its delays (calibrate valves); look at its strainer, wire and place",
                });
            }
        }
    }
    for (halves, words, low, high) in [
        (&speed, ["m/s", "slow", "fast"], Cause::Slow, Cause::Fast),
        (&size, ["mm", "small", "large"], Cause::Small, Cause::Large),
    ] {
        let Some((at, below, above)) = *halves else {
            continue;
        };
        let Some(apart) = difference(below, above, certainty) else {
            continue;
        };
        let cause = match apart {
            (least, _) if least > 0.0 => high,
            (_, most) if most < 0.0 => low,
            _ => continue,
        };
        let [unit, less, more] = words;
        out.push(Pattern {
            cause,
            says: format!(
                "up to {at:.1} {unit} ({less}) {}, above ({more}) {}",
                told(below),
                told(above)
            ),
            next: match cause {
                Cause::Fast => "delays: an edge that moves with speed is a delay (calibrate track; then calibrate valves, and calibrate detector with a strobe for the age of images)",
                Cause::Slow => "the wheel: at low speed a place between pulses is guessed (calibrate wheel), and the creep speed of machine.toml below which all closes",
                Cause::Small => "the detector: find out which sizes it reports at all; then lead_m, trail_m and lateral_margin_m of machine.toml",
                _ => "the sizes that the detector reports against a plate of known size, and calibrate nozzles: a large plant needs several nozzles",
            },
        });
    }
    ends(
        strips,
        (start, stop),
        speed.map(|s| s.0),
        certainty,
        &mut out,
    );
    let misses: usize = strips.iter().map(|s| s.counted - s.hit).sum();
    for (cause, n, what, next) in [
        (
            Cause::Beside,
            of(|s| s.beside),
            "lie beside their patch",
            "places across: y_m and yaw of the detector (calibrate detector with a grid), y_m of the nozzles, lateral_margin_m",
        ),
        (
            Cause::Dry,
            of(|s| s.dry),
            "have no patch near them",
            "whether the detector reported them at all (replay a recording of the drive): if so calibrate wheel and the age of images, if not the detector",
        ),
    ] {
        if n >= LEAST_MISSES.min(misses) && n as f64 >= COMMON * misses as f64 {
            out.push(Pattern {
                cause,
                says: format!("{n} of the {misses} plants that are not hit {what}"),
                next,
            });
        }
    }
    out
}

/// Start against stop, and whether that grows with speed.
fn ends(
    strips: &[Strip],
    (start, stop): (usize, usize),
    at: Option<f64>,
    certainty: f64,
    out: &mut Vec<Pattern>,
) {
    let both = Count {
        hits: start,
        n: start + stop,
    };
    let Some((low, high)) = both.interval(certainty) else {
        return;
    };
    let cause = match (low, high) {
        (low, _) if low > 0.5 => Cause::Start,
        (_, high) if high < 0.5 => Cause::Stop,
        _ => return,
    };
    let dry = |s: &Strip| match cause {
        Cause::Start => s.start_dry,
        _ => s.stop_dry,
    };
    // Does it grow with speed? A share of the plants counted, slow against fast.
    let grows = at.and_then(|at| {
        let of = |fast: bool| {
            strips
                .iter()
                .filter(|s| (s.speed_m_s > at) == fast)
                .fold(Count::default(), |c, s| {
                    c + Count {
                        hits: dry(s),
                        n: s.counted,
                    }
                })
        };
        difference(of(true), of(false), CERTAINTY).map(|d| d.0 > 0.0)
    });
    let (n, other) = match cause {
        Cause::Start => (start, stop),
        _ => (stop, start),
    };
    let place = match cause {
        Cause::Start => "where the machine comes first",
        _ => "where it comes last",
    };
    out.push(Pattern {
        cause,
        says: format!(
            "{n} plants are dry {place}, {other} at the other end{}",
            match grows {
                Some(true) => ", the more the faster it goes",
                Some(false) => ", at any speed alike",
                None => "",
            }
        ),
        next: match (cause, grows) {
            (Cause::Start, Some(true)) => "delays: calibrate track at two speeds, then calibrate valves: openings come later than open_delay_ms says",
            (Cause::Start, Some(false)) => "offsets: calibrate track at two speeds and calibrate detector with a grid: the spray falls too far on",
            (Cause::Start, None) => "calibrate track at two speeds: it tells a late opening from an offset",
            (_, Some(true)) => "delays: calibrate track at two speeds, then calibrate valves: closings come sooner than close_delay_ms says",
            (_, Some(false)) => "offsets: calibrate track at two speeds and calibrate detector with a grid: the spray falls too short",
            _ => "calibrate track at two speeds: it tells an early closing from an offset",
        },
    });
}

/// Parts strips at the middle of a figure: the value up to which the lower half goes, and the
/// counts of both. None where all have the same or one lacks it.
fn halves(strips: &[Strip], of: impl Fn(&Strip) -> Option<f64>) -> Option<(f64, Count, Count)> {
    let mut values: Vec<f64> = strips.iter().map(&of).collect::<Option<_>>()?;
    values.sort_by(f64::total_cmp);
    let (first, last) = (*values.first()?, *values.last()?);
    if last < first * 1.2 {
        return None;
    }
    let middle = values[values.len() / 2];
    // The lower half keeps what equals the middle, unless nothing would be left above.
    let at = match middle < last {
        true => middle,
        false => *values.iter().rev().find(|v| **v < last)?,
    };
    let (below, above): (Vec<&Strip>, Vec<&Strip>) =
        strips.iter().partition(|s| of(s).is_some_and(|v| v <= at));
    Some((at, sum(below.into_iter()), sum(above.into_iter())))
}

fn told(count: Count) -> String {
    format!(
        "{} of {} ({:.0} %)",
        count.hits,
        count.n,
        100.0 * count.share().unwrap_or(0.0)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip(nozzle: usize, speed_m_s: f64, counted: usize, hit: usize) -> Strip {
        Strip {
            line: 2,
            nozzle,
            speed_m_s,
            size_mm: None,
            counted,
            hit,
            start_dry: 0,
            stop_dry: 0,
            beside: 0,
            dry: 0,
        }
    }

    fn causes(strips: &[Strip]) -> Vec<Cause> {
        let sheet = sheet(strips).expect("counted");
        sheet.patterns.iter().map(|p| p.cause).collect()
    }

    #[test]
    fn an_even_field_shows_no_pattern() {
        let strips: Vec<_> = (0..8)
            .map(|i| strip(i % 4, 1.0 + 2.0 * (i / 4) as f64, 30, 28))
            .collect();
        assert_eq!(causes(&strips), []);
        let sheet = sheet(&strips).expect("counted");
        assert_eq!(sheet.all, Count { hits: 224, n: 240 });
        // Wilson's by hand would take z = 1.96; strips that are all alike do not narrow it.
        assert_eq!(Some(sheet.interval), sheet.all.interval(0.95));
        assert!(sheet.dispersion < 1e-9);
    }

    #[test]
    fn each_pattern_is_told_by_its_name() {
        let slow_valve: Vec<_> = (0..4)
            .map(|n| strip(n, 2.0, 40, if n == 2 { 20 } else { 38 }))
            .collect();
        assert_eq!(causes(&slow_valve), [Cause::Nozzle(2)]);

        let late: Vec<_> = [(1.0, 0), (3.0, 18)]
            .map(|(v, dry)| Strip {
                start_dry: dry,
                ..strip(0, v, 50, 50 - dry)
            })
            .to_vec();
        assert_eq!(causes(&late), [Cause::Fast, Cause::Start]);
        let text = &sheet(&late).expect("counted").patterns[1];
        assert!(text.says.contains("the faster") && text.next.contains("open_delay_ms"));

        let offset: Vec<_> = [1.0, 3.0]
            .map(|v| Strip {
                stop_dry: 12,
                ..strip(0, v, 50, 38)
            })
            .to_vec();
        assert_eq!(causes(&offset), [Cause::Stop]);
        let text = &sheet(&offset).expect("counted").patterns[0];
        assert!(text.says.contains("at any speed alike") && text.next.contains("offsets"));

        let small: Vec<_> = [(20.0, 25), (90.0, 49)]
            .map(|(size, hit)| Strip {
                size_mm: Some(size),
                dry: 50 - hit,
                ..strip(0, 2.0, 50, hit)
            })
            .to_vec();
        assert_eq!(causes(&small), [Cause::Small, Cause::Dry]);

        let beside = Strip {
            beside: 9,
            ..strip(0, 2.0, 60, 48)
        };
        assert_eq!(causes(&[beside]), [Cause::Beside]);
    }

    /// Strips that differ more than chance widen the interval; few misses tell no pattern.
    #[test]
    fn chance_is_not_taken_for_a_pattern() {
        let uneven: Vec<_> = [50, 20, 50, 20, 50, 20]
            .map(|hit| strip(0, 2.0, 50, hit))
            .to_vec();
        let sheet_uneven = sheet(&uneven).expect("counted");
        let plain = sheet_uneven.all.interval(0.95).expect("counted");
        assert!(sheet_uneven.dispersion > 5.0);
        assert!(
            sheet_uneven.interval.0 < plain.0 - 0.05,
            "{:?} {plain:?}",
            sheet_uneven.interval
        );
        let few = sheet(&[strip(0, 1.0, 100, 98), strip(1, 3.0, 100, 100)]).expect("counted");
        assert!(few.patterns.is_empty() && few.silent.expect("said").contains("2 plants"));
    }

    #[test]
    fn counts_that_cannot_be_are_refused() {
        let header = "strip,nozzle,speed_m_s,counted,hit,start_dry\n";
        for (row, word) in [
            ("a,0,1,10,11,0", "11 plants hit, but only 10 counted"),
            ("a,0,1,10,8,3", "11 plants are told of"),
            ("a,0,1,10,-1,0", "below 0"),
            ("a,0,1,10.5,1,0", "whole"),
        ] {
            let refusal = read(format!("{header}{row}\n").as_bytes()).expect_err(row);
            assert!(refusal.to_string().contains(word), "{refusal}");
        }
        assert!(sheet(&[strip(0, 1.0, 0, 0)]).is_err() && sheet(&[]).is_err());
        let fine = read(format!("{header}a,0,1,10,8,2\n").as_bytes()).expect("fine");
        assert_eq!((fine[0].start_dry, fine[0].size_mm), (2, None));
    }
}
