//! A strobe that is fired by the controller's clock, in a detector's images: how far its stamps
//! lie off, how fast its clock runs, and how long a message takes.

use std::io::Read;

use crate::estimate::Moments;
use crate::line::Line;
use crate::table::Table;
use crate::{Estimate, Refusal};

/// Fewest flashes.
pub const LEAST: usize = 5;

/// One flash.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flash {
    /// Its line in the file, from 1.
    pub line: usize,
    /// When it was fired, µs of the controller's clock.
    pub flash_us: f64,
    /// Stamp of the image that shows it, µs.
    pub captured_us: f64,
    /// When its message came in, µs of the controller's clock.
    pub arrived_us: Option<f64>,
}

/// What the flashes tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Stamp less flash in the middle of the test, ms: positive when images are stamped too late.
    pub offset: Estimate,
    /// How much faster the detector's clock runs, ppm; none where the flashes span less than a
    /// second.
    pub drift: Option<Estimate>,
    /// Standard deviation of a stamp about the line, ms.
    pub scatter_ms: f64,
    /// From flash to message, ms: mean, standard deviation, longest. None without arrivals.
    pub delay: Option<(Estimate, f64, f64)>,
}

/// Reads flashes: `flash_us,captured_us`, and `arrived_us`.
///
/// # Errors
/// What is missing or cannot be, by line: a message before its flash, times that run back.
pub fn read(from: impl Read) -> Result<Vec<Flash>, Refusal> {
    let table = Table::read(from, &["flash_us", "captured_us"], &["arrived_us"])?;
    let mut flashes: Vec<Flash> = Vec::new();
    for row in table.rows() {
        let flash = Flash {
            line: row.line(),
            flash_us: row.needed("flash_us", 0.0, 1e15)?,
            captured_us: row.needed("captured_us", 0.0, 1e15)?,
            arrived_us: row.number("arrived_us", 0.0, 1e15)?,
        };
        if let Some(last) = flashes.last()
            && flash.flash_us <= last.flash_us
        {
            return Err(Refusal::at(
                row.line(),
                "`flash_us` runs back",
                "list the flashes in the order in which they were fired",
            ));
        }
        if flash.arrived_us.is_some_and(|t| t < flash.flash_us) {
            return Err(Refusal::at(
                row.line(),
                "the message arrived before the flash",
                "flash_us and arrived_us are both times of the controller's clock",
            ));
        }
        flashes.push(flash);
    }
    Ok(flashes)
}

/// Works out clock and delay.
///
/// # Errors
/// Too few flashes.
pub fn clock(flashes: &[Flash]) -> Result<Clock, Refusal> {
    let n = flashes.len();
    let (Some(first), Some(last)) = (flashes.first(), flashes.last()) else {
        return Err(few(0));
    };
    if n < LEAST {
        return Err(few(n));
    }
    // From the middle, and less the first stamp: 10¹⁵ µs must not cost digits.
    let middle = 0.5 * (first.flash_us + last.flash_us);
    let base = first.captured_us - first.flash_us;
    let line: Line = flashes
        .iter()
        .map(|f| {
            let off_us = f.captured_us - f.flash_us - base;
            ((f.flash_us - middle) * 1e-6, off_us * 1e-3)
        })
        .collect();
    let fit = line.fit().ok_or_else(|| few(n))?;
    let at = fit.intercept("ms");
    let seconds = (last.flash_us - first.flash_us) * 1e-6;
    let delays: Moments = flashes
        .iter()
        .filter_map(|f| f.arrived_us.map(|t| (t - f.flash_us) * 1e-3))
        .collect();
    let longest = flashes
        .iter()
        .filter_map(|f| f.arrived_us.map(|t| (t - f.flash_us) * 1e-3))
        .fold(0.0, f64::max);
    Ok(Clock {
        offset: Estimate {
            value: at.value + base * 1e-3,
            ..at
        },
        // 1 ms a second is 1000 ppm.
        drift: (seconds >= 1.0).then(|| fit.slope("ms/s").scaled(1000.0, "ppm")),
        scatter_ms: fit.residual_sd,
        delay: (delays.mean("ms")).map(|mean| (mean, delays.sd().unwrap_or(0.0), longest)),
    })
}

fn few(n: usize) -> Refusal {
    Refusal::whole(
        format!("{n} flashes are too few"),
        format!("record at least {LEAST}, over a minute or more where the drift matters"),
    )
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64Mcg;

    use super::*;

    /// Sixty flashes a second apart; stamps 3 ms late in the middle, 80 ppm fast, 0.4 ms scatter.
    fn flashes(seed: u64, start: f64) -> Vec<Flash> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        (0..60)
            .map(|i| {
                let s = f64::from(i) - 29.5;
                let z: f64 = StandardNormal.sample(&mut rng);
                let flash_us = start + f64::from(i) * 1e6;
                Flash {
                    line: i as usize + 2,
                    flash_us,
                    captured_us: (flash_us + 3000.0 + 80.0 * s + 400.0 * z).round(),
                    arrived_us: Some(flash_us + 80_000.0 + f64::from(i) * 100.0),
                }
            })
            .collect()
    }

    /// 1,000 seeded tests: offset and drift lie within their intervals in 93 to 97 %. And a
    /// clock that reads 10¹⁴ µs loses nothing.
    #[test]
    fn offset_and_drift_hold_the_truth() {
        let mut held = (0, 0);
        for seed in 0..1000 {
            let clock = clock(&flashes(seed, 1e14)).expect("sixty");
            held.0 += u32::from(clock.offset.holds(3.0));
            held.1 += u32::from(clock.drift.expect("a minute").holds(80.0));
        }
        println!("{held:?} of 1000");
        assert!(
            (930..=970).contains(&held.0) && (930..=970).contains(&held.1),
            "{held:?}"
        );
        let clock = clock(&flashes(1, 5e6)).expect("sixty");
        let (mean, sd, longest) = clock.delay.expect("arrivals");
        assert!((mean.value - 82.95).abs() < 1e-6 && (longest - 85.9).abs() < 1e-9);
        // 0 to 59 steps of 0.1 ms: sd² = (60² - 1)/12 · 60/59 steps².
        assert!((sd - 0.1 * (3599.0_f64 / 12.0 * 60.0 / 59.0).sqrt()).abs() < 1e-9);
        assert!((0.3..0.5).contains(&clock.scatter_ms));
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(clock(&flashes(1, 0.0)[..4]).is_err() && clock(&[]).is_err());
        for (text, word) in [
            ("flash_us,captured_us\n5,6\n5,7\n", "runs back"),
            (
                "flash_us,captured_us,arrived_us\n5,6,4\n",
                "before the flash",
            ),
            ("flash_us,arrived_us\n5,6\n", "`captured_us` is missing"),
            ("flash_us,captured_us\n-5,6\n", "below 0"),
        ] {
            let refusal = read(text.as_bytes()).expect_err(word);
            assert!(refusal.to_string().contains(word), "{refusal}");
        }
        let short = clock(&flashes(2, 0.0)).expect("sixty");
        assert!(short.drift.is_some());
    }
}
