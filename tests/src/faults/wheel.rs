//! Faults of the wheel sensor.

use super::story::{Base, Happening, Story};
use super::{Bound, Row};
use host_sim::machine::PulseLength;
use host_sim::recording::{Direction, Input};
use rand::RngExt;

/// From when on a fault holds that comes in the middle of the drive, µs.
const MIDDLE: u64 = 30_000_000;

/// Takes pulses out for which `lost` says so.
pub(super) fn lose(story: &mut Story, mut lost: impl FnMut(u64, &mut Story) -> bool) {
    let items = std::mem::take(&mut story.items);
    let kept = items
        .into_iter()
        .filter(|item| !(item.is_pulse() && lost(item.t_us, story)));
    story.items = kept.collect::<Vec<_>>();
}

/// Adds a pulse `after` µs behind those of which one in `of` is chosen.
pub(super) fn add_pulses(story: &mut Story, of: u32, after: std::ops::Range<u64>) {
    let pulses: Vec<u64> = (story.items.iter())
        .filter(|item| item.is_pulse())
        .map(|item| item.t_us)
        .collect();
    for t in pulses {
        if story.dice.random_range(0..of) == 0 {
            let later = story.dice.random_range(after.clone());
            story.add(t + later, Happening::Told(Input::Pulse));
        }
    }
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "wheel: every contact bounces",
            base: Base::Lanes,
            fault: |story| add_pulses(story, 1, 50..400),
            guard: "a pulse faster than top speed is refused",
            bound: Bound {
                counted: &[("pulses_refused", |c| c.pulses_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: one pulse too many in 300",
            base: Base::Lanes,
            // A pulse is 4 ms at 5 m/s: halfway or so.
            fault: |story| add_pulses(story, 300, 1_500..2_500),
            guard: "a pulse sooner than the machine can speed up is refused",
            bound: Bound {
                counted: &[("pulses_refused", |c| c.pulses_refused.into())],
                start_mm: 12.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: one pulse in 300 lost",
            base: Base::Lanes,
            fault: |story| lose(story, |_, story| story.dice.random_range(0..300) == 0),
            guard: "a lost pulse is put back where the acceleration limit leaves no doubt",
            bound: Bound {
                counted: &[("pulses_bridged", |c| c.pulses_bridged.into())],
                start_mm: 12.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: five pulses in a row lost, each 7 s",
            base: Base::Lanes,
            fault: |story| {
                let mut left = 0;
                let mut due = 7_000_000;
                lose(story, |t, _| {
                    if t >= due {
                        due += 7_000_000;
                        left = 5;
                    }
                    left -= i32::from(left > 0);
                    left > 0
                });
            },
            guard: "as many are put back as the least way holds",
            bound: Bound {
                counted: &[("pulses_bridged", |c| c.pulses_bridged.into())],
                lost: 0.5,
                // Five pulses are 100 mm.
                start_mm: 12.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: dead from the middle on",
            base: Base::Lanes,
            fault: |story| lose(story, |t, _| t >= MIDDLE),
            guard: "what has no pulse for the time of one at creep speed stands",
            bound: Bound {
                lost: 79.5,
                sprayed: (0.26, 0.29),
                start_mm: 21.0,
                unknowable: Some(
                    "a wheel that is silent looks like one that stands; the plan is kept",
                ),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: dead for 3 s",
            base: Base::Lanes,
            fault: |story| lose(story, |t, _| (MIDDLE..MIDDLE + 3_000_000).contains(&t)),
            guard: "ground that passed unknown is not made up",
            bound: Bound {
                lost: 10.0,
                sprayed: (0.97, 1.02),
                start_mm: 889.0,
                unknowable: Some("a wheel that is silent looks like one that stands"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: pulse length 2 % too short in the machine file",
            base: Base::Lanes,
            fault: |story| {
                story.machine().wheel.pulse = PulseLength::Nanometres(19_600_000);
            },
            guard: "only the way from image to nozzle is reckoned, never the way driven",
            bound: Bound {
                // 2 % of at most 2 m, and the patch grows by as much.
                start_mm: 36.0,
                sprayed: (1.02, 1.09),
                unknowable: Some("no pulse can tell its own length"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: stamps late by up to 0.1 ms",
            base: Base::Lanes,
            fault: |story| {
                for n in 0..story.items.len() {
                    if story.items[n].is_pulse() {
                        let late = story.dice.random_range(0..100);
                        story.items[n].t_us += late;
                    }
                }
            },
            guard: "speed comes from spans of at least 0.12 m",
            bound: Bound {
                start_mm: 7.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: stamps late by up to 1 ms, a quarter of a pulse",
            base: Base::Lanes,
            fault: |story| {
                for n in 0..story.items.len() {
                    if story.items[n].is_pulse() {
                        let late = story.dice.random_range(0..1000);
                        story.items[n].t_us += late;
                    }
                }
            },
            guard: "a way from mark to mark that strays by a quarter is no fault",
            bound: Bound {
                sprayed: (0.995, 1.015),
                start_mm: 25.0,
                unknowable: Some("marks may sit so"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: stamps late by up to 1.6 ms, two fifths of a pulse",
            base: Base::Lanes,
            fault: |story| {
                for n in 0..story.items.len() {
                    if story.items[n].is_pulse() {
                        let late = story.dice.random_range(0..1600);
                        story.items[n].t_us += late;
                    }
                }
            },
            guard: "a run of pulses taken for faults means that the speed is believed wrongly",
            bound: Bound {
                lost: 12.0,
                sprayed: (1.03, 1.1),
                start_mm: 300.0,
                counted: &[("pulses_refused", |c| c.pulses_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: no direction wire where one is described",
            base: Base::Direction,
            fault: |story| {
                story
                    .items
                    .retain(|item| !matches!(item.what, Happening::Told(Input::Direction(_))));
            },
            guard: "forward is the direction until told otherwise",
            bound: Bound::NOTHING,
        },
        Row {
            name: "wheel: the direction wire says back for half a second",
            base: Base::Direction,
            fault: |story| {
                let told = |d| Happening::Told(Input::Direction(d));
                story.add(MIDDLE, told(Direction::Reverse));
                story.add(MIDDLE + 500_000, told(Direction::Forward));
            },
            guard: "the direction input is heeded: going back everything is closed",
            bound: Bound {
                lost: 3.5,
                sprayed: (1.0, 1.07),
                // Until the true place is past again the boom believes to be where it was.
                start_mm: 286.0,
                counted: &[("turns", |c| c.turns.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "wheel: one pulse in 200 stamped 3 ms too early",
            base: Base::Lanes,
            fault: |story| {
                for n in 0..story.items.len() {
                    if story.items[n].is_pulse() && story.dice.random_range(0..200) == 0 {
                        story.items[n].t_us = story.items[n].t_us.saturating_sub(3_000);
                    }
                }
            },
            guard: "a pulse sooner than the machine can speed up is refused",
            bound: Bound {
                lost: 1.0,
                start_mm: 184.0,
                sprayed: (0.995, 1.02),
                counted: &[("pulses_refused", |c| c.pulses_refused.into())],
                ..Bound::NOTHING
            },
        },
    ]
}
