//! Faults of the firmware around the core, of its wires and its people.

use super::story::{Base, Happening, STANDS_US, Story};
use super::{Bound, Row};
use controller_core::{BenchRequest, Mode, Span};
use host_sim::orders::Order;

/// From when on a fault holds that comes in the middle of the drive, µs.
const MIDDLE: u64 = 30_000_000;

/// A switch of the one section whose wires chatter while it is thrown.
pub(super) fn chatter(story: &mut Story, throws: &[(u64, u64)]) {
    for &(at, to) in throws {
        for n in 0..9 {
            let closed = if n % 2 == 0 { to } else { 1 - to };
            let wires = Order::Switches {
                spot: closed,
                broadcast: 0,
            };
            story.order(at + 2_000 * n, wires);
        }
    }
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "firmware: stands still for 0.4 s",
            base: Base::Lanes,
            fault: |story| story.add(MIDDLE, Happening::Stalls(MIDDLE + 400_000)),
            guard: "missed instants are counted, and everything closed meanwhile",
            bound: Bound {
                lost: 3.0,
                sprayed: (0.96, 1.03),
                start_mm: 314.0,
                counted: &[("overruns", |c| c.overruns.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "firmware: every poll 5 ms late",
            base: Base::Lanes,
            fault: |story| story.polls_late_us = 5_000,
            guard: "missed instants are counted and made up in order",
            bound: Bound {
                // 5 ms at 5 m/s.
                start_mm: 24.0,
                lost: 0.5,
                sprayed: (0.97, 1.04),
                counted: &[("overruns", |c| c.overruns.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "firmware: starts anew while driving, to be acknowledged",
            base: Base::Acknowledged,
            fault: |story| {
                story.add(MIDDLE, Happening::Restarts);
                story.order(STANDS_US.0 + 2_000_000, Order::Acknowledge);
            },
            guard: "everything is closed after the start until acknowledged",
            bound: Bound {
                lost: 34.5,
                sprayed: (0.67, 0.72),
                start_mm: 12.0,
                counted: &[("acknowledged", |c| c.acknowledged.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "firmware: starts anew while driving",
            base: Base::Lanes,
            fault: |story| story.add(MIDDLE, Happening::Restarts),
            guard: "nothing opens before a speed is known",
            bound: Bound {
                lost: 1.0,
                sprayed: (0.97, 1.02),
                start_mm: 12.0,
                unknowable: Some("what was planned goes with the memory"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "firmware: wakes only every 0.3 s for 10 s",
            base: Base::Lanes,
            fault: |story| {
                for n in 0..33 {
                    let t = MIDDLE + n * 300_000;
                    story.add(t, Happening::Dozes(t + 300_000));
                }
            },
            guard: "after a silence of the polls everything is closed",
            bound: Bound {
                lost: 25.0,
                sprayed: (0.5, 0.95),
                start_mm: 400.0,
                counted: &[("overruns", |c| c.overruns.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "firmware: starts anew at rest, and is told to broadcast",
            base: Base::Lanes,
            fault: |story| {
                let at = STANDS_US.0 + 1_000_000;
                let all = |mode| Order::Mode {
                    section: None,
                    mode,
                };
                story.add(at, Happening::Restarts);
                story.order(at + 1_000, all(Mode::Broadcast));
                story.order(at + 2_000_000, all(Mode::Spot));
            },
            guard: "nothing opens before a speed is known",
            bound: Bound {
                lost: 1.5,
                sprayed: (0.97, 1.02),
                start_mm: 12.0,
                unknowable: Some("what was planned goes with the memory"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "stop: an emergency stop while driving, acknowledged at rest",
            base: Base::Lanes,
            fault: |story| {
                story.order(MIDDLE, Order::EmergencyStop);
                story.order(STANDS_US.0 + 2_000_000, Order::Acknowledge);
            },
            guard: "an emergency stop closes everything at once",
            bound: Bound {
                sprayed: (0.67, 0.72),
                counted: &[
                    ("emergency_stops", |c| c.emergency_stops.into()),
                    ("acknowledged", |c| c.acknowledged.into()),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "stop: an emergency stop, acknowledged while driving",
            base: Base::Lanes,
            fault: |story| {
                story.order(MIDDLE, Order::EmergencyStop);
                story.order(MIDDLE + 2_000_000, Order::Acknowledge);
            },
            guard: "a latch is released at standstill only",
            bound: Bound {
                sprayed: (0.26, 0.29),
                counted: &[("orders_refused", |c| c.orders_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "switch: chatters as it is thrown off and on",
            base: Base::Lanes,
            fault: |story| {
                story.order(
                    0,
                    Order::Switches {
                        spot: 1,
                        broadcast: 0,
                    },
                );
                chatter(story, &[(MIDDLE, 0), (MIDDLE + 3_000_000, 1)]);
            },
            guard: "a switch counts once its wires have been quiet",
            bound: Bound {
                sprayed: (0.87, 0.94),
                counted: &[
                    ("switch_chatter", |c| c.switch_chatter.into()),
                    ("mode_changes", |c| c.mode_changes.into()),
                ],
                // Off and on again: chatter is no throw.
                most: &[(("mode_changes", |c| c.mode_changes.into()), 2)],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "switch: both wires of a section closed",
            base: Base::Lanes,
            fault: |story| {
                story.order(
                    0,
                    Order::Switches {
                        spot: 1,
                        broadcast: 0,
                    },
                );
                story.order(
                    MIDDLE,
                    Order::Switches {
                        spot: 1,
                        broadcast: 1,
                    },
                );
            },
            guard: "a switch with both wires closed is off",
            bound: Bound {
                sprayed: (0.26, 0.29),
                counted: &[("switch_faults", |c| c.switch_faults.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "bench: asked for while driving",
            base: Base::Lanes,
            fault: |story| {
                let on = Span::from_ms(1000);
                story.order(MIDDLE, Order::Bench(BenchRequest::Flush { on }));
            },
            guard: "the bench state is for standstill",
            bound: Bound {
                counted: &[("bench_refused", |c| c.bench_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "order: a mode for a section that is not there",
            base: Base::Lanes,
            fault: |story| {
                let mode = Order::Mode {
                    section: Some(7),
                    mode: Mode::Broadcast,
                };
                story.order(MIDDLE, mode);
            },
            guard: "an order for what is not there is refused",
            bound: Bound {
                counted: &[("orders_refused", |c| c.orders_refused.into())],
                ..Bound::NOTHING
            },
        },
    ]
}
