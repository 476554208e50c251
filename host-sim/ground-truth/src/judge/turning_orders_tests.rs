//! Orders on a circle, worked by hand: two nozzles, 8 m to each side of a middle that goes round
//! 20 m at 4 m/s to the right, so that the left one goes 5.6 m/s and the right one 2.4 m/s.

use std::sync::Arc;

use super::*;
use crate::path::Leg;
use crate::travel::{Rig, Travel};
use crate::{Motion, Piece, Plant, Turning, Valve};

const VALVE: Valve = Valve {
    open_delay_s: 0.02,
    close_delay_s: 0.02,
    open_rise_s: 0.0,
    close_fall_s: 0.0,
};
const RADIUS: f64 = 20.0;
const LEFT: f64 = -8.0;
const RIGHT: f64 = 8.0;

fn nozzles() -> [TrueNozzle; 2] {
    [LEFT, RIGHT].map(|y| TrueNozzle {
        x: 0.0,
        y,
        lane_width_m: 0.5,
        throw_s: 0.0,
        thickness_m: 0.0,
        valve: VALVE,
    })
}

fn orders() -> Orders {
    Orders {
        sections: vec![(0, 1), (1, 2)],
        reaction_s: 0.005,
        shortest_on_s: 0.01,
        shortest_off_s: 0.01,
        creep_m_s: 0.3,
        ..Orders::default()
    }
}

fn both(at_s: f64, mode: Ordered) -> [ModeOrder; 2] {
    [0, 1].map(|section| ModeOrder {
        at_s,
        section,
        mode,
    })
}

/// A plant in a nozzle's lane after so many metres of that nozzle's way.
fn plant(y: f64, own_m: f64) -> Plant {
    let radius = RADIUS - y;
    let angle = own_m / radius;
    Plant {
        x: radius * angle.sin(),
        y: RADIUS - radius * angle.cos(),
        length: 0.1,
        width: 0.1,
    }
}

/// Judges spray of each nozzle, from when to when half of it flows.
fn run(orders: &Orders, plants: &[Plant], sprays: &[(usize, f64, f64)]) -> Report {
    let piece = Piece {
        duration_s: 30.0,
        acceleration: 0.0,
    };
    let motion = Motion::new(0.0, 4.0, &[piece]).expect("steady");
    let legs = [Leg::arc(200.0, 1.0 / RADIUS)];
    let travel = Arc::new(Travel::new(motion, &legs, Rig::default()).expect("a circle"));
    let nozzles = nozzles();
    let ground = Turning::new(&travel, &nozzles, plants);
    let commands: Vec<Command> = sprays
        .iter()
        .flat_map(|&(nozzle, from, to)| {
            [(true, from), (false, to)].map(|(open, at)| Command {
                nozzle,
                open,
                at_s: at - 0.02,
                short_by_m: 0.0,
            })
        })
        .collect();
    judge(&JudgeInput {
        ground: &ground,
        nozzles: &nozzles,
        patch: Patch::default(),
        plants,
        seen: &vec![true; plants.len()],
        refused: &vec![false; plants.len()],
        commands: &commands,
        from_x: 1.0,
        to_x: 115.0,
        tolerance: Tolerance::default(),
        fan: None,
        faulty: &[],
        orders: Some(orders),
    })
}

fn kept(report: &Report) -> OrdersKept {
    report.orders.expect("orders were given")
}

fn near(value: f64, by_hand: f64) {
    assert!((value - by_hand).abs() < 1e-4, "{value}, not {by_hand}");
}

/// Both off from 5 to 10 s. Half a second of spray is 2.8 m of the left nozzle's way and 1.2 m of
/// the right one's. A plant 50 m along the left way comes at 8.9 s and is withheld; one 30 m along
/// the right way comes at 12.5 s and is missed. (Along the middle's way, off from 20 to 40 m, it
/// would be the other way round.)
#[test]
fn off_in_a_curve_is_off_on_each_nozzle_s_way() {
    let mut o = orders();
    o.modes = [both(5.0, Ordered::Off), both(10.0, Ordered::Spot)].concat();
    let plants = [plant(LEFT, 50.0), plant(RIGHT, 30.0)];
    let r = run(&o, &plants, &[(0, 6.0, 6.5), (1, 6.0, 6.5)]);
    near(kept(&r).off_wet_m, 4.0);
    near(kept(&r).off_worst_m, 2.8);
    assert_eq!(kept(&r).withheld, 1);
    assert_eq!((r.targets.total, r.targets.missed), (1, 1));
    assert_eq!(r.verdict, Verdict::Broken);
    // Spray over the second plant alone, 0.05 m beyond it at 2.4 m/s: all is as ordered.
    let (from, to) = (29.95 / 2.4, 30.05 / 2.4);
    let r = run(&o, &plants, &[(1, from, to)]);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    assert_eq!((r.targets.total, r.targets.full), (1, 1));
}

/// Broadcast from 5 to 20 s; a gap of half a second is 2.8 m and 1.2 m of bare ground.
#[test]
fn broadcast_in_a_curve_is_covered_on_each_nozzle_s_way() {
    let mut o = orders();
    o.modes = [both(5.0, Ordered::Broadcast), both(20.0, Ordered::Spot)].concat();
    let whole = [(0, 5.02, 20.02), (1, 5.02, 20.02)];
    let r = run(&o, &[], &whole);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    let gaps = [
        (0, 5.02, 10.0),
        (0, 10.5, 20.02),
        (1, 5.02, 10.0),
        (1, 10.5, 20.02),
    ];
    let r = run(&o, &[], &gaps);
    near(kept(&r).bare_m, 4.0);
    near(kept(&r).bare_worst_m, 2.8);
    assert_eq!(r.verdict, Verdict::Broken);
}

/// Ordered at 4 s, 8 to 10 m ahead: the left nozzle is then 22.4 m along its way and passes that
/// ground between 30.4 / 5.6 s and 32.4 / 5.6 s, the right one between 17.6 / 2.4 s and 19.6 / 2.4 s.
/// By the middle, from 6.0 to 6.5 s, both spray all 2 m of it.
#[test]
fn keep_off_in_a_curve_is_kept_by_each_nozzle_s_way() {
    let mut o = orders();
    o.modes = [both(2.0, Ordered::Broadcast), both(25.0, Ordered::Spot)].concat();
    o.keep_off = vec![KeepOff {
        at_s: 4.0,
        first: 0,
        end: 2,
        from_x: 24.0,
        to_x: 26.0,
    }];
    let hair = 1e-6;
    let broken_at = |left: (f64, f64), right: (f64, f64)| {
        [
            (0, 2.02, left.0 - hair),
            (0, left.1 + hair, 25.02),
            (1, 2.02, right.0 - hair),
            (1, right.1 + hair, 25.02),
        ]
    };
    let own = broken_at((30.4 / 5.6, 32.4 / 5.6), (17.6 / 2.4, 19.6 / 2.4));
    // In the middle of it, on either way.
    let plants = [plant(LEFT, 31.4), plant(RIGHT, 18.6)];
    let r = run(&o, &plants, &own);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    assert_eq!((kept(&r).withheld, r.targets.total), (2, 0));
    let middle = broken_at((6.0, 6.5), (6.0, 6.5));
    let r = run(&o, &[], &middle);
    near(kept(&r).kept_off_wet_m, 4.0);
    near(kept(&r).kept_off_worst_m, 2.0);
    assert_eq!(r.verdict, Verdict::Broken);
    // And what it left dry instead.
    near(kept(&r).bare_m, 4.0);
    near(kept(&r).bare_worst_m, 2.8);
}

/// Images each quarter of a second from a detector that looks 1 to 6 m ahead and 9 m to each side,
/// but none between 10 and 13 s, and each 0.1 s late.
fn with_a_gap() -> Orders {
    let captured = (0..=40).chain(52..=116).map(|k| 0.25 * f64::from(k));
    Orders {
        views: vec![(-9.0, 9.0)],
        seen: captured
            .map(|captured_s| SeenGround {
                arrived_s: captured_s + 0.1,
                captured_s,
                detector: 0,
                from_m: 1.0,
                to_m: 6.0,
            })
            .collect(),
        ..orders()
    }
}

/// A point `r` from the centre of the circle lies, as the boom has turned on by φ, r·sin φ ahead of
/// where it was and 20 − r·cos φ to its right. Of the left lane, 27.75 to 28.25 m from the centre,
/// the image of 10 s shows the last at sin φ = 6/27.75: φ = 0.2179, 28·φ = 6.10 m. The image of 13 s
/// shows the first at sin φ = 1/28.25: 0.99 m. So nobody saw the left way from 56 + 6.10 = 62.10 to
/// 72.8 + 0.99 = 73.79 m. The right lane, 11.75 to 12.25 m from the centre, leaves the view aside
/// before it leaves it ahead: 20 − 12.25·cos φ = 9, φ = 0.4558, 5.47 m. It was not seen from 24 + 5.47
/// = 29.47 to 31.2 + 0.98 = 32.18 m, nor from 0.60 m, where it is judged, to 0.98 m.
///
/// For sure it was seen while all the view's width is over an image at once: from 1/11 = sin φ, the
/// right edge's, to 6/29, the left edge's, φ = 0.0910 to 0.2084.
#[test]
fn unseen_ground_in_a_curve_is_wet_on_each_nozzle_s_way() {
    let o = with_a_gap();
    let room = 0.05;
    let own = [
        (0, (62.10 - room) / 5.6, (73.79 + room) / 5.6),
        (1, 0.0, (0.98 + room) / 2.4),
        (1, (29.47 - room) / 2.4, (32.18 + room) / 2.4),
    ];
    let about = |value: f64, by_hand: f64| {
        assert!((value - by_hand).abs() < 0.15, "{value}, not {by_hand}");
    };
    // The first stands on seen ground, the second where nobody looked, and the third where the
    // right lane was seen by 29.47 m, but for sure only to 24 + 12·0.2084 = 26.5 m.
    let plants = [plant(LEFT, 40.0), plant(LEFT, 68.0), plant(RIGHT, 28.5)];
    let r = run(&o, &plants, &own);
    assert_eq!((r.targets.total, r.targets.full), (2, 1));
    assert_eq!((kept(&r).withheld, r.targets.missed), (1, 1));
    near(kept(&r).bare_m, 0.0);
    let r = run(&o, &plants[1..], &own);
    assert_eq!(r.verdict, Verdict::Holds, "{:?}", r.reasons);
    // All of it left dry.
    let r = run(&o, &[], &[]);
    assert_eq!(r.verdict, Verdict::Broken);
    about(kept(&r).bare_m, 11.69 + 2.71 + 0.38);
    about(kept(&r).bare_worst_m, 11.69);
    // By the middle's way, unseen from 40 + 6.09 to 52 + 1.00 m, both would open from 11.52 to
    // 13.25 s: the left one 64.52 m along its own, the right one up to 31.80 m.
    let r = run(&o, &[], &[(0, 11.52, 13.25), own[1], (1, 11.52, 13.25)]);
    about(kept(&r).bare_m, 64.52 - 62.10 + 32.18 - 31.80);
    assert_eq!(r.verdict, Verdict::Broken);
    // A detector that sees nothing of a lane leaves all of it unseen.
    let mut one_eyed = o;
    one_eyed.views = vec![(-9.0, 0.0)];
    let r = run(&one_eyed, &[], &own[..1]);
    let (from, to) = (2.4 * 0.25, 2.4 * 28.75);
    about(kept(&r).bare_m, to - from);
}
