//! Faults of valves, of the supply and of the tank.

use super::story::{Base, Betrayal, Happening, STANDS_US, Story};
use super::{Bound, Row};
use host_sim::orders::Order;
use host_sim::truth_valves::TrueSpread;

/// From when on a fault holds that comes in the middle of the drive, µs.
const MIDDLE: u64 = 30_000_000;

/// The supply is low for a second; who drives acknowledges at the next standstill.
pub(super) fn supply_low(story: &mut Story) {
    story.order(MIDDLE, Order::Supply { ok: false });
    story.order(MIDDLE + 1_000_000, Order::Supply { ok: true });
    story.order(STANDS_US.0 + 2_000_000, Order::Acknowledge);
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "valve: one stuck shut, nobody knows",
            base: Base::Lanes,
            fault: |story| story.betrayals.push(Betrayal::StuckShut(3)),
            guard: "each nozzle stands for itself",
            bound: Bound {
                // One lane of eight, and plants that reach into it.
                lost: 18.0,
                sprayed: (0.85, 0.91),
                unknowable: Some("without feedback the core can't know of it"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "valve: one stuck shut, its neighbours' fans reach over",
            base: Base::Fans,
            fault: |story| {
                story.betrayals.push(Betrayal::StuckShut(3));
                story.add(1_000_000, Happening::Faulty(3));
                story.machine().faulty = vec![3];
            },
            guard: "aiming leaves a faulty nozzle out",
            bound: Bound {
                lost: 28.0,
                sprayed: (0.93, 1.0),
                counted: &[("plants_underdosed", |c| c.plants_underdosed.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "valve: one stuck open from the middle on",
            base: Base::Lanes,
            fault: |story| story.betrayals.push(Betrayal::StuckOpen(3, MIDDLE)),
            guard: "each nozzle stands for itself",
            bound: Bound {
                sprayed: (2.3, 2.46),
                start_mm: 12.0,
                unknowable: Some("without feedback the core can't know of it"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "valve: one opens 15 ms later than the machine file says",
            base: Base::Lanes,
            fault: |story| story.betrayals.push(Betrayal::SlowToOpen(3, 0.015)),
            guard: "each nozzle stands for itself",
            bound: Bound {
                // On one lane of eight.
                lost: 0.5,
                sprayed: (0.95, 1.0),
                unknowable: Some("without feedback the core can't know of it"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "valve: one closes 15 ms later than the machine file says",
            base: Base::Lanes,
            fault: |story| story.betrayals.push(Betrayal::SlowToClose(3, 0.015)),
            guard: "each nozzle stands for itself",
            bound: Bound {
                // Nothing is lost; one lane of eight sprays on for 15 ms.
                sprayed: (1.0, 1.05),
                unknowable: Some("without feedback the core can't know of it"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "valve: one falls shut once after each opening",
            base: Base::Lanes,
            fault: |story| story.betrayals.push(Betrayal::OpensTwice(3)),
            guard: "each nozzle stands for itself",
            bound: Bound {
                lost: 15.5,
                sprayed: (0.93, 0.99),
                unknowable: Some("without feedback the core can't know of it"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "battery: at 80 % of its voltage, so that valves open 4 ms later",
            base: Base::Lanes,
            fault: |story| {
                story.spread = Some(TrueSpread {
                    spread_s: 0.0,
                    jitter_s: 0.0,
                    first_shot_s: 0.0,
                    rest_s: 10.0,
                    volts: 0.8,
                    pressure: 1.0,
                    by_volts: 1.0,
                    by_pressure: 0.0,
                    seed: 1,
                });
            },
            guard: "the lead holds what a late valve costs",
            bound: Bound {
                lost: 0.5,
                sprayed: (0.9, 1.0),
                // 4 ms at 5 m/s.
                start_mm: 30.0,
                unknowable: Some("nothing tells the core of the voltage"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "supply: low for a second",
            base: Base::Lanes,
            fault: supply_low,
            guard: "a low supply closes everything until acknowledged",
            bound: Bound {
                // Withheld on order: those plants are not lost.
                sprayed: (0.67, 0.72),
                counted: &[
                    ("supply_lows", |c| c.supply_lows.into()),
                    ("acknowledged", |c| c.acknowledged.into()),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "supply: low, and acknowledged while it still is",
            base: Base::Lanes,
            fault: |story| {
                story.order(MIDDLE, Order::Supply { ok: false });
                story.order(STANDS_US.0 + 2_000_000, Order::Acknowledge);
            },
            guard: "a low supply is not released while it is low",
            bound: Bound {
                sprayed: (0.26, 0.29),
                counted: &[("orders_refused", |c| c.orders_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "tank: empty, told as a low supply by its float switch",
            base: Base::Lanes,
            fault: |story| story.order(MIDDLE, Order::Supply { ok: false }),
            guard: "a low supply closes everything until acknowledged",
            bound: Bound {
                sprayed: (0.26, 0.29),
                counted: &[("supply_lows", |c| c.supply_lows.into())],
                ..Bound::NOTHING
            },
        },
    ]
}
