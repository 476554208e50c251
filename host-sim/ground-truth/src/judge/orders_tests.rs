//! Orders on straight ground, worked by hand.

use super::orders::{both, common, touches, without};
use super::*;
use crate::{Motion, Plant, Valve};

#[test]
fn ground_arithmetic() {
    let a = [(0.0, 4.0), (6.0, 8.0)];
    assert_eq!(
        without(&a, &[(1.0, 2.0), (3.0, 7.0)]),
        [(0.0, 1.0), (2.0, 3.0), (7.0, 8.0)]
    );
    assert_eq!(both(&a, &[(3.0, 6.5)]), [(3.0, 4.0), (6.0, 6.5)]);
    assert_eq!(common(&a, &[(3.0, 6.5)]), (1.5, 1.0));
    assert!(touches(&a, 4.0, 5.0) && !touches(&a, 4.5, 5.5));
}

/// One nozzle at the reference point, 2 m/s, no delays, thin fan, no throw; commands
/// as (second, open).
fn run(orders: &Orders, plants: &[Plant], told: &[(f64, bool)]) -> Report {
    let ground = Motion::new(
        0.0,
        2.0,
        &[crate::Piece {
            duration_s: 30.0,
            acceleration: 0.0,
        }],
    )
    .expect("steady");
    let nozzles = [TrueNozzle {
        x: 0.0,
        y: 0.0,
        lane_width_m: 0.5,
        throw_s: 0.0,
        thickness_m: 0.0,
        valve: Valve::default(),
    }];
    let commands: Vec<Command> = told
        .iter()
        .map(|&(at_s, open)| Command {
            nozzle: 0,
            open,
            at_s,
            short_by_m: 0.0,
        })
        .collect();
    let seen = vec![true; plants.len()];
    let refused = vec![false; plants.len()];
    judge(&JudgeInput {
        ground: &ground,
        nozzles: &nozzles,
        patch: Patch::default(),
        plants,
        seen: &seen,
        refused: &refused,
        commands: &commands,
        from_x: 1.0,
        to_x: 59.0,
        tolerance: Tolerance::default(),
        fan: None,
        faulty: &[],
        orders: Some(orders),
    })
}

fn orders() -> Orders {
    Orders {
        sections: vec![(0, 1)],
        reaction_s: 0.01,
        creep_m_s: 0.1,
        ..Orders::default()
    }
}

fn plant(x: f64) -> Plant {
    Plant {
        x,
        y: 0.0,
        length: 0.2,
        width: 0.1,
    }
}

fn mode(at_s: f64, mode: Ordered) -> ModeOrder {
    ModeOrder {
        at_s,
        section: 0,
        mode,
    }
}

#[test]
fn plants_of_a_section_that_is_off_are_withheld_and_spray_there_is_a_fault() {
    let mut o = orders();
    o.modes = vec![mode(5.0, Ordered::Off), mode(10.0, Ordered::Spot)];
    // 10 to 20 m are off: the plant at 15 m is nobody's fault, the one at 30 m is.
    let plants = [plant(15.0), plant(30.0)];
    let r = run(&o, &plants, &[]);
    assert_eq!(
        (
            r.orders.unwrap_or_default().withheld,
            r.targets.total,
            r.targets.missed
        ),
        (1, 1, 1)
    );
    let good = run(&o, &plants, &[(14.95, true), (15.05, false)]);
    assert_eq!(good.verdict, Verdict::Holds, "{:?}", good.reasons);
    let bad = run(
        &o,
        &plants,
        &[(7.0, true), (7.5, false), (14.95, true), (15.05, false)],
    );
    assert_eq!(bad.verdict, Verdict::Broken);
    assert!((bad.orders.unwrap_or_default().off_wet_m - 1.0).abs() < 1e-9);
}

#[test]
fn broadcast_must_be_covered_and_keep_off_stays_dry() {
    let mut o = orders();
    o.modes = vec![mode(5.0, Ordered::Broadcast), mode(20.0, Ordered::Spot)];
    o.keep_off = vec![KeepOff {
        at_s: 2.0,
        first: 0,
        end: 1,
        from_x: 20.0,
        to_x: 24.0,
    }];
    let good = [(5.0, true), (9.99, false), (12.01, true), (20.0, false)];
    let r = run(&o, &[plant(15.0), plant(22.0)], &good);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    assert_eq!(
        (r.targets.full, r.orders.unwrap_or_default().withheld),
        (1, 1)
    );
    // 10 cm over the near line.
    let over = [(5.0, true), (10.05, false), (12.01, true), (20.0, false)];
    let r = run(&o, &[], &over);
    assert!((r.orders.unwrap_or_default().kept_off_worst_m - 0.1).abs() < 1e-9);
    assert_eq!(r.verdict, Verdict::Broken);
    // Bare from 30 to 31 m.
    let gap = [
        (5.0, true),
        (9.99, false),
        (12.01, true),
        (15.0, false),
        (15.5, true),
        (20.0, false),
    ];
    let r = run(&o, &[], &gap);
    assert!(
        (r.orders.unwrap_or_default().bare_m - 1.0).abs() < 1e-9,
        "{:?}",
        r.orders.unwrap_or_default()
    );
    assert_eq!(r.verdict, Verdict::Broken);
}

#[test]
fn unseen_ground_must_be_wet_where_that_is_the_policy() {
    let mut o = orders();
    o.views = vec![(-0.5, 0.5)];
    let seen = |from_x: f64, to_x: f64| SeenGround {
        arrived_s: from_x / 2.0 - 1.0,
        captured_s: 0.0,
        detector: 0,
        from_m: from_x,
        to_m: to_x,
    };
    // A gap of 1 m from 30 m on, and nothing before 5 m.
    o.seen = vec![seen(5.0, 30.0), seen(31.0, 80.0)];
    o.seen[1].arrived_s = 14.0;
    let both = [(0.0, true), (2.55, false), (14.9, true), (15.6, false)];
    let r = run(&o, &[plant(2.0)], &both);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    assert_eq!(r.targets.full, 1);
    let r = run(&o, &[], &both[..2]);
    assert_eq!(r.verdict, Verdict::Broken);
    assert!(
        (r.orders.unwrap_or_default().bare_m - 0.98).abs() < 1e-9,
        "{:?}",
        r.orders.unwrap_or_default()
    );
}
