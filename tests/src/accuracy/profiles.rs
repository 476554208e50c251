//! The ways of driving that the accuracy table is taken over.

use ground_truth::Motion;
use ground_truth::motion::Piece;
use ground_truth::slip::{SlipSpec, rim};

/// Wheel slip on the profile that slips: 1 % (one standard deviation), drawn every
/// 50 ms. Invented: no source.
const SLIP: SlipSpec = SlipSpec {
    share: 0.01,
    step_s: 0.05,
    seed: 0,
};

/// One way of driving, a third of a kilometre to a kilometre.
pub struct Profile {
    /// As the table names it.
    pub name: &'static str,
    /// How the machine moves.
    pub motion: Motion,
    /// The wheel's rim does not follow the ground exactly.
    pub slips: bool,
}

impl Profile {
    /// How the wheel's rim travels in the run of this seed.
    #[must_use]
    pub fn rim(&self, seed: u64) -> Motion {
        if self.slips {
            rim(&self.motion, SlipSpec { seed, ..SLIP }).expect("drivable")
        } else {
            self.motion.clone()
        }
    }
}

fn pieces(list: &[(f64, f64)], times: usize) -> Vec<Piece> {
    let once = list.iter().map(|&(duration_s, acceleration)| Piece {
        duration_s,
        acceleration,
    });
    std::iter::repeat_n(once, times).flatten().collect()
}

/// `mean · (1 + share · sin(2π · hz · t))`, in straight lines of 20 ms.
fn wave(mean: f64, share: f64, hz: f64, seconds: u32) -> Motion {
    let points: Vec<(f64, f64)> = (0..=seconds * 50)
        .map(|i| f64::from(i) * 0.02)
        .map(|t| {
            let turn = std::f64::consts::TAU * hz * t;
            (t, mean * (1.0 + share * turn.sin()))
        })
        .collect();
    Motion::from_speed_points(0.0, &points).expect("drivable")
}

/// The five on which the estimator was designed, without slip.
#[must_use]
pub fn first_five() -> Vec<Profile> {
    let new = |v0, list: &[Piece]| Motion::new(0.0, v0, list).expect("drivable");
    let stop_and_go = [(5.0, 1.0), (5.0, 0.0), (5.0, -1.0), (2.0, 0.0)];
    let urban = host_sim::profile::named("ece15_half").expect("known");
    [
        ("steady 5 m/s", new(5.0, &pieces(&[(200.0, 0.0)], 1))),
        (
            "2 to 6 m/s at ±1 m/s²",
            new(2.0, &pieces(&[(4.0, 1.0), (4.0, -1.0)], 25)),
        ),
        ("5 m/s ±10 % at 0.5 Hz", wave(5.0, 0.1, 0.5, 200)),
        ("stop and go", new(0.0, &pieces(&stop_and_go, 16))),
        ("urban cycle, half speed", new(0.0, &urban)),
    ]
    .map(|(name, motion)| Profile {
        name,
        motion,
        slips: false,
    })
    .into()
}

/// All eight: the five, a faster wave, a slipping wheel, and a measured trip.
///
/// # Panics
/// Without the measured trip, with the way to get it.
#[must_use]
pub fn all() -> Vec<Profile> {
    let mut all = first_five();
    let more = [
        ("5 m/s ±20 % at 1 Hz", wave(5.0, 0.2, 1.0, 200), false),
        (
            "1 to 2 m/s, wheel slips 1 %",
            wave(1.5, 0.3, 0.05, 400),
            true,
        ),
        ("measured trip × 0.3", trip(0.3), false),
    ];
    all.extend(more.map(|(name, motion, slips)| Profile {
        name,
        motion,
        slips,
    }));
    all
}

/// A road trip as measured once a second, at `factor` of its speed:
/// `TSDC_tripno_42648_cycle.csv` of PyPI's `fastsim` 2.1.2 (Apache-2.0), which
/// `scripts/fixtures` fetches.
fn trip(factor: f64) -> Motion {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../target/fixtures/trip.csv");
    let text = std::fs::read_to_string(path)
        .unwrap_or_else(|e| panic!("{path}: {e}; run scripts/fixtures, or scripts/test once"));
    let points = trip_points(&text);
    let scaled: Vec<(f64, f64)> = points.iter().map(|&(t, v)| (t, v * factor)).collect();
    Motion::from_speed_points(0.0, &scaled).expect("drivable")
}

fn trip_points(text: &str) -> Vec<(f64, f64)> {
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("time_s,mps,grade"), "another file");
    lines
        .map(|line| {
            let mut numbers = line.split(',').map(|n| n.parse().expect("a number"));
            let mut next = || numbers.next().expect("three columns");
            (next(), next())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ground_truth::Ground;

    #[test]
    fn the_measured_trip_is_the_published_one() {
        // 301 rows at 1 Hz, 3414.79 m, at most 19.54 m/s: our own sums over the file.
        let trip = trip(1.0);
        assert_eq!(trip.end(), 300.0);
        assert!((trip.position(300.0) - 3414.79).abs() < 0.01);
        let fastest = (0..=300)
            .map(|t| trip.speed(f64::from(t)))
            .fold(0.0, f64::max);
        assert!((fastest - 19.54).abs() < 0.005);
    }
}
