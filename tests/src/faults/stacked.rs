//! Several faults at once: none may hide another, or make it worse than both.

use super::story::{Base, Happening, STANDS_US};
use super::{Bound, Row, detector, host, valve, wheel};
use host_sim::orders::Order;
use rand::RngExt;

/// From when on a fault holds that comes in the middle of the drive, µs.
const MIDDLE: u64 = 30_000_000;

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "stacked: contacts bounce, images are lost, the supply is low",
            base: Base::Lanes,
            fault: |story| {
                wheel::add_pulses(story, 1, 50..400);
                detector::lose(story, |_, story| story.dice.random_range(0..10) < 3);
                valve::supply_low(story);
            },
            guard: "each fault has its own guard, whatever else is wrong",
            bound: Bound {
                lost: 1.5,
                sprayed: (0.66, 0.71),
                start_mm: 12.0,
                counted: &[
                    ("pulses_refused", |c| c.pulses_refused.into()),
                    ("unseen_mm2", |c| c.unseen_mm2),
                    ("supply_lows", |c| c.supply_lows.into()),
                    ("acknowledged", |c| c.acknowledged.into()),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "stacked: pulses are lost, images come out of order, polls are late",
            base: Base::Lanes,
            fault: |story| {
                wheel::lose(story, |_, story| story.dice.random_range(0..300) == 0);
                let mut n = 0;
                for item in detector::images(story) {
                    n += 1;
                    item.t_us += if n % 3 == 0 { 70_000 } else { 0 };
                }
                story.polls_late_us = 5_000;
            },
            guard: "each fault has its own guard, whatever else is wrong",
            bound: Bound {
                lost: 0.5,
                sprayed: (0.97, 1.03),
                start_mm: 24.0,
                counted: &[
                    ("pulses_bridged", |c| c.pulses_bridged.into()),
                    ("overruns", |c| c.overruns.into()),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "stacked: the firmware stands still while a switch chatters and the detector falls silent",
            base: Base::Lanes,
            fault: |story| {
                let spot = Order::Switches {
                    spot: 1,
                    broadcast: 0,
                };
                story.order(0, spot);
                host::chatter(story, &[(MIDDLE, 0), (MIDDLE + 3_000_000, 1)]);
                story.add(MIDDLE + 6_000_000, Happening::Stalls(MIDDLE + 6_400_000));
                detector::lose(story, |t, _| t >= STANDS_US.0);
            },
            guard: "each fault has its own guard, whatever else is wrong",
            bound: Bound {
                lost: 50.0,
                sprayed: (0.48, 0.52),
                start_mm: 12.0,
                counted: &[
                    ("switch_chatter", |c| c.switch_chatter.into()),
                    ("overruns", |c| c.overruns.into()),
                    ("unseen_mm2", |c| c.unseen_mm2),
                    ("detector_silences", |c| c.detector_silences.into()),
                ],
                ..Bound::NOTHING
            },
        },
    ]
}
