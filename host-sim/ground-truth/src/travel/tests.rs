use super::*;
use crate::sway::Whip;
use crate::{Motion, Piece};

fn steady(v: f64, seconds: f64) -> Motion {
    let piece = Piece {
        duration_s: seconds,
        acceleration: 0.0,
    };
    Motion::new(0.0, v, &[piece]).expect("steady")
}

fn arc(radius: f64, rig: Rig) -> Arc<Travel> {
    let legs = [Leg::arc(1000.0, 1.0 / radius)];
    Arc::new(Travel::new(steady(5.0, 60.0), &legs, rig).expect("a drive"))
}

#[test]
fn points_on_an_arc_have_the_speeds_of_a_rigid_body() {
    // v·(R ∓ y)/R: R = 20 m, y = ±12 m: 0.40 and 1.60 v; a wheel track of 1.8 m: 0.955
    // and 1.045 v. Rigid-body kinematics, by hand.
    let travel = arc(20.0, Rig::default());
    for (y, share) in [(12.0, 0.4), (-12.0, 1.6), (0.0, 1.0)] {
        let track = Track::of_boom(&travel, y);
        assert!((track.speed(7.0) - 5.0 * share).abs() < 1e-12);
        assert!((track.position(7.0) - 35.0 * share).abs() < 1e-12);
        let v = travel.velocity(7.0, (0.0, y));
        assert!((v.0 - 5.0 * share).abs() < 1e-12 && v.1.abs() < 1e-12);
    }
    for (y, share) in [(0.9, 0.955), (-0.9, 1.045)] {
        let track = Track::of_wheel(&travel, y);
        assert!((track.speed(3.0) - 5.0 * share).abs() < 1e-12);
        let t = track.time_at(11.3).expect("reached");
        assert!((track.position(t) - 11.3).abs() < 1e-12);
    }
}

#[test]
fn velocity_is_what_places_do_in_a_moment() {
    let legs = [
        Leg::straight(20.0),
        Leg {
            length_m: 10.0,
            curvature_from: 0.0,
            curvature_to: -1.0 / 15.0,
        },
        Leg::arc(50.0, -1.0 / 15.0),
    ];
    let whip = Whip {
        amplitude_m: 0.1,
        arm_m: 12.0,
        frequency_hz: 0.7,
        phase: 0.4,
    };
    let rig = Rig {
        behind_axle_m: 3.0,
        crab: 0.08,
        sway: Sway::new(Some(whip), None).expect("a boom"),
        ..Rig::default()
    };
    let travel = Travel::new(steady(4.0, 30.0), &legs, rig).expect("a drive");
    let start = travel.boom(0.0);
    assert!(start.x.abs() < 1e-12 && start.y.abs() < 1e-12);
    let travel = Arc::new(travel);
    for point in [(0.0, 0.0), (0.4, -11.0), (-0.2, 9.0)] {
        let track = Track::of_boom(&travel, point.1);
        for i in 0..60 {
            let (t, h) = (0.3 + 0.25 * f64::from(i), 1e-5);
            let place = |t: f64| travel.boom(t).place(point.0, point.1);
            let (a, b) = (place(t - h), place(t + h));
            let moved = ((b.0 - a.0) / (2.0 * h), (b.1 - a.1) / (2.0 * h));
            let (pose, v) = (travel.boom(t), travel.velocity(t, point));
            let (ahead, right) = (pose.ahead(), pose.right());
            let along = moved.0 * ahead.0 + moved.1 * ahead.1;
            let across = moved.0 * right.0 + moved.1 * right.1;
            assert!((along - v.0).abs() < 1e-6, "{along} {v:?} at {t}");
            assert!((across - v.1).abs() < 1e-6, "{across} {v:?} at {t}");
            // A track leaves out what whip does to crab: 0.0083 of 8 % of the speed.
            assert!((track.speed(t) - v.0).abs() < 5e-3);
            let du = (track.position(t + h) - track.position(t - h)) / (2.0 * h);
            assert!((du - track.speed(t)).abs() < 1e-6);
        }
    }
}

#[test]
fn a_boom_behind_the_axle_slides_outwards() {
    // 3 m behind on 15 m to the right: 3/15 of the speed, to the left.
    let rig = Rig {
        behind_axle_m: 3.0,
        ..Rig::default()
    };
    let v = arc(15.0, rig).velocity(2.0, (0.0, 0.0));
    assert!((v.0 - 5.0).abs() < 1e-12 && (v.1 + 1.0).abs() < 1e-12);
}

#[test]
fn an_inner_end_runs_back_and_passes_ground_once_only() {
    // Straight, then on 8 m to the right: 12 m inside goes at −0.5 v.
    let legs = [
        Leg::straight(20.0),
        Leg {
            length_m: 4.0,
            curvature_from: 0.0,
            curvature_to: 0.125,
        },
        Leg::arc(10.0, 0.125),
        Leg {
            length_m: 4.0,
            curvature_from: 0.125,
            curvature_to: 0.0,
        },
        Leg::straight(20.0),
    ];
    let travel = Travel::new(steady(2.0, 29.0), &legs, Rig::default()).expect("a drive");
    let track = Track::of_boom(&Arc::new(travel), 12.0);
    // Its speed is 2·(1 − 12·κ): nothing at κ = 1/12, 8/3 m into the ease, and it has
    // come 8/3 − 12·(0.125/4)·(8/3)²/2 = 4/3 m there.
    let top = 20.0 + 4.0 / 3.0;
    let t = track.time_at(top - 1e-12).expect("reached");
    assert!((2.0 * t - 20.0 - 8.0 / 3.0).abs() < 1e-4, "{t}");
    assert!(track.speed(12.5) < -0.9);
    // What lies beyond is reached only after it has made up for the way back.
    let again = track.time_at(top + 0.1).expect("reached");
    assert!(again > 19.0, "{again}");
    assert!((track.position(again) - top - 0.1).abs() < 1e-9);
    assert_eq!(
        track.time_at(1e6),
        Some((1e6 - track.position(29.0)) / 2.0 + 29.0)
    );
}

#[test]
fn pitch_and_height_move_the_spray() {
    use crate::sway::RoughSpec;
    let spec = RoughSpec {
        height_sd_m: 0.05,
        pitch_sd: 0.02,
        roll_sd: 0.0,
        shortest_m: 2.0,
        longest_m: 20.0,
        seed: 1,
    };
    let rig = Rig {
        sway: Sway::new(None, Some(spec)).expect("a boom"),
        ..Rig::default()
    };
    let travel = Travel::new(steady(5.0, 30.0), &[Leg::straight(1.0)], rig).expect("a drive");
    let a = travel.attitude(3.0);
    let up = 0.5 + a.height;
    let (ahead, right) = travel.throw(3.0, (0.0, 0.0), 0.05);
    assert!((ahead - (0.05 * up / 0.5 * 5.0 + up * a.pitch.tan())).abs() < 1e-12);
    assert_eq!(right, 0.0);
    assert!(a.pitch.abs() > 1e-4 && a.height.abs() > 1e-4);
}

#[test]
fn bad_drives_are_refused() {
    let back = Piece {
        duration_s: 4.0,
        acceleration: -1.0,
    };
    let back = Motion::reversing(0.0, 2.0, &[back]).expect("a way back");
    let legs = [Leg::straight(9.0)];
    let refused = Travel::new(back, &legs, Rig::default());
    assert_eq!(refused.err(), Some(TravelError::Back(2.0)));
    for rig in [
        Rig {
            behind_axle_m: f64::NAN,
            ..Rig::default()
        },
        Rig {
            crab: 1.0,
            ..Rig::default()
        },
        Rig {
            height_m: 0.0,
            ..Rig::default()
        },
    ] {
        assert!(Travel::new(steady(1.0, 1.0), &legs, rig).is_err());
    }
    let empty = Travel::new(steady(1.0, 1.0), &[], Rig::default());
    assert_eq!(empty.err(), Some(TravelError::Path(PathError::Empty)));
}
