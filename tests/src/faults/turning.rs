//! Faults of what tells the controller that the machine turns. On these drives a curve of 30 m
//! begins at 17 s and ends at 41 s.

use super::story::{Base, Happening, Story};
use super::{Bound, Row, Turned};
use host_sim::recording::Input;
use rand::RngExt;

/// From when on a fault holds that comes in the curve, µs.
const IN_THE_CURVE: u64 = 30_000_000;

const SILENCES: Turned = ("silences", |c| c.silences);
const FROZEN: Turned = ("freezes of the yaw sensor", |c| c.frozen);
const REFUSED: Turned = ("yaw inputs refused", |c| c.refused);

/// Changes readings of the yaw sensor, each with its stamp, in mdeg/s.
fn reads(story: &mut Story, mut as_told: impl FnMut(u64, i32, u32) -> i32) {
    let mut dice = story.dice.clone();
    for item in &mut story.items {
        if let Happening::Told(Input::Yaw(told)) = &mut item.what {
            *told = as_told(item.t_us, *told, dice.random_range(0..1000));
        }
    }
}

/// Takes out what matches from a time on.
fn silent(story: &mut Story, from: u64, input: impl Fn(&Input) -> bool) {
    story.items.retain(|item| {
        let is = matches!(&item.what, Happening::Told(told) if input(told));
        !(is && item.t_us >= from)
    });
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "turning: the yaw rate is silent from within the curve on",
            base: Base::Yaw,
            fault: |story| silent(story, IN_THE_CURVE, |input| matches!(input, Input::Yaw(_))),
            guard: "without a reading for 0.2 s it goes straight on",
            bound: Bound {
                turned: &[SILENCES],
                lost: 12.5,
                sprayed: (0.98, 1.04),
                start_mm: 320.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "turning: the yaw rate reads 2 °/s too much",
            base: Base::Yaw,
            fault: |story| reads(story, |_, told, _| told + 2000),
            guard: "what the sensor reads at rest is taken from its readings",
            bound: Bound::NOTHING,
        },
        Row {
            name: "turning: the yaw rate reads 1 °/s too much from within the curve on",
            base: Base::Yaw,
            fault: |story| {
                reads(story, |t, told, _| {
                    told + if t >= IN_THE_CURVE { 1000 } else { 0 }
                });
            },
            guard: "the next standstill teaches it",
            bound: Bound {
                unknowable: Some("a rate that is wrong looks like another curve"),
                lost: 1.7,
                sprayed: (0.99, 1.05),
                start_mm: 87.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "turning: the yaw rate is frozen from within the curve on",
            base: Base::Yaw,
            fault: |story| {
                let mut kept = None;
                reads(story, |t, told, _| {
                    if t < IN_THE_CURVE {
                        told
                    } else {
                        *kept.get_or_insert(told)
                    }
                });
            },
            guard: "a sensor with noise does not say the same for 0.4 s; then it goes straight on",
            bound: Bound {
                turned: &[FROZEN, SILENCES],
                lost: 12.5,
                sprayed: (0.98, 1.04),
                start_mm: 320.0,
                ..Bound::NOTHING
            },
        },
        Row {
            name: "turning: one yaw reading in twenty is 120 °/s",
            base: Base::Yaw,
            fault: |story| {
                reads(
                    story,
                    |_, told, dice| if dice < 50 { 120_000 } else { told },
                );
            },
            guard: "faster than the machine can turn is refused",
            bound: Bound {
                turned: &[REFUSED],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "turning: the second wheel is dead from within the curve on",
            base: Base::TwoWheels,
            fault: |story| {
                silent(story, IN_THE_CURVE, |input| {
                    matches!(input, Input::WheelPulse(_))
                });
            },
            guard: "without a pulse for 0.2 s it goes straight on",
            bound: Bound {
                turned: &[SILENCES],
                lost: 14.1,
                sprayed: (0.98, 1.04),
                start_mm: 315.0,
                ..Bound::NOTHING
            },
        },
    ]
}
