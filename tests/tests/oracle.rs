//! Brute force against the core: the ground as 1 mm cells, `f64`, no intervals, no
//! pulses, no prediction. A cell is wanted when a plant's patch covers its middle.
//! Where the commands really put spray follows from the exact motion.

use controller_core::{Action, Command, Length, Micros, Span};
use proptest::prelude::*;
use std::collections::BTreeSet;
use system_tests::{Input, one_lane, plant, pulses, run, with};

/// A speed that swings around `v` by `swing`, as x(t) and v(t). Period 2 s.
#[derive(Clone, Copy, Debug)]
struct Swing {
    v: f64,
    swing: f64,
}

impl Swing {
    const W: f64 = std::f64::consts::PI;
    fn x(self, t: f64) -> f64 {
        self.v * t + self.swing / Self::W * (1.0 - (Self::W * t).cos())
    }
    fn speed(self, t: f64) -> f64 {
        self.v + self.swing * (Self::W * t).sin()
    }
}

const LEAD: f64 = 0.050;
const THROW: f64 = 0.025;
const OPEN: f64 = 0.020;
const CLOSE: f64 = 0.015;

/// Cells sprayed: walks the open stretches of the command list in steps far finer
/// than a cell.
fn sprayed(commands: &[Command], motion: Swing) -> BTreeSet<i64> {
    let mut cells = BTreeSet::new();
    let land = |t: f64| motion.x(t) + THROW * motion.speed(t);
    for pair in commands.chunks(2) {
        let [open, close] = pair else {
            panic!("a command without its partner")
        };
        assert_eq!((open.action, close.action), (Action::Open, Action::Close));
        let (from, to) = (
            land(open.at.0 as f64 / 1e6 + OPEN),
            land(close.at.0 as f64 / 1e6 + CLOSE),
        );
        let mut cell = (from * 1000.0 - 0.5).ceil() as i64;
        while (cell as f64 + 0.5) / 1000.0 < to {
            cells.insert(cell);
            cell += 1;
        }
    }
    cells
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Every wanted cell is sprayed, every other one is dry, within the rounding of
    /// the core (a count of place, half a count of the boundary) and what a swing of
    /// the speed within a valve's delay can't be known beforehand.
    #[test]
    fn cells_sprayed_are_cells_wanted(
        v in 1.5f64..6.0,
        swing_share in 0.0f64..0.06,
        plants in proptest::collection::vec((12.0f64..30.0, 0.02f64..0.3), 1..14),
        age_ms in 20u64..120,
    ) {
        let motion = Swing { v, swing: v * swing_share };
        let end = 40.0 / v + 1.0;
        // Nothing for the valve to insist on: that is the hand-worked cases' business.
        let mut core = one_lane(|c, _| {
            c.timing.shortest_on = Span(2_500);
            c.timing.shortest_off = Span(2_500);
        });
        let mut inputs = pulses(|t| motion.x(t), 0.0, end, 0.02);
        let mut wanted = BTreeSet::new();
        for &(x, length) in &plants {
            // Captured when the plant is 1.6 m ahead, arriving `age_ms` later.
            let (mut a, mut b) = (0.0, end);
            for _ in 0..60 { let m = 0.5 * (a + b); if motion.x(m) < x - 1.6 { a = m } else { b = m } }
            let captured = (b * 1e6).round();
            let ahead = x - motion.x(captured / 1e6);
            let stamp = captured as u64 + age_ms * 1000;
            inputs = with(inputs, stamp, Input::Image {
                captured: captured as u64, seen: (0, 2000),
                plants: vec![plant((ahead * 1e6).round() as i32, 0, (length * 1e6).round() as i32, 40_000)],
            });
            let (near, far) = (x - length / 2.0 - LEAD, x + length / 2.0 + LEAD);
            let mut cell = (near * 1000.0 - 0.5).ceil() as i64;
            while (cell as f64 + 0.5) / 1000.0 < far { wanted.insert(cell); cell += 1; }
        }
        let commands = run(&mut core, &inputs, (end * 1e6) as u64, &[]);
        prop_assert_eq!(core.counters().late, 0);
        prop_assert_eq!(core.counters().forced_merges, 0);
        let got = sprayed(&commands, motion);
        // The largest jerk acts for (delay + age of the speed)² · ... : bounded here by
        // the third derivative of the motion over a span of 2 × 0.12 m.
        let tau = OPEN + 0.24 / (v * (1.0 - swing_share)) ;
        let jerk = motion.swing * Swing::W * Swing::W;
        let unseen = jerk * tau * tau * tau / 2.0;
        let allowed = 1.5e-3 + unseen;
        let near = |set: &BTreeSet<i64>, cell: i64| {
            let reach = (allowed * 1000.0).ceil() as i64;
            set.range(cell - reach..=cell + reach).next().is_some()
        };
        for &cell in &wanted {
            prop_assert!(near(&got, cell), "cell {} mm is wanted and dry, allowed {:.1} mm", cell, allowed * 1000.0);
        }
        // A gap whose closing would last under 2.5 ms is bridged:
        // (2.5 + 20 − 15) ms of travel.
        let bridged = 0.0075 * (v + motion.swing) + allowed;
        for &cell in &got {
            let in_gap = wanted.range(..cell).next_back().zip(wanted.range(cell..).next())
                .is_some_and(|(a, b)| ((b - a) as f64) / 1000.0 <= bridged + 0.001);
            prop_assert!(near(&wanted, cell) || in_gap, "cell {} mm is sprayed for nothing", cell);
        }
        // Cell for cell apart from the edges: the areas agree.
        let edges = commands.len() as f64;
        let bridges = core.counters().gaps_bridged as f64 * bridged * 1000.0;
        prop_assert!((got.len() as f64 - wanted.len() as f64).abs() <= edges * (allowed * 1000.0 + 1.0) + bridges);
    }
}

/// The oracle itself notices a valve command 3 ms off at 5 m/s.
#[test]
fn the_oracle_can_fail() {
    let motion = Swing { v: 5.0, swing: 0.0 };
    let make = |shift: u64| {
        let at = |t: u64| Micros(t + shift);
        let command = |action, at| Command {
            nozzle: 0,
            action,
            at,
            short_by: Length::default(),
        };
        sprayed(
            &[
                command(Action::Open, at(2_000_000)),
                command(Action::Close, at(2_100_000)),
            ],
            motion,
        )
    };
    let (right, wrong) = (make(0), make(3_000));
    assert_eq!(right.difference(&wrong).count(), 15);
}
