use super::*;

#[track_caller]
fn near(got: f64, want: f64) {
    assert!((got - want).abs() < 1e-12, "got {got}, want {want}");
}

fn piece(duration_s: f64, acceleration: f64) -> Piece {
    Piece {
        duration_s,
        acceleration,
    }
}

#[test]
fn one_metre_per_second_squared_by_hand() {
    // 2 m/s for 1 s: 2 m. +1 m/s² for 2 s: 2·2 + 2 = 6 m, then 4 m/s.
    // -1 m/s² for 4 s: 4·4 - 8 = 8 m, then standing at 16 m.
    let m = Motion::new(
        0.0,
        2.0,
        &[piece(1.0, 0.0), piece(2.0, 1.0), piece(4.0, -1.0)],
    )
    .expect("a plain motion");
    near(m.position(1.0), 2.0);
    near(m.position(2.0), 4.5);
    near(m.speed(2.0), 3.0);
    near(m.position(3.0), 8.0);
    near(m.speed(5.0), 2.0);
    near(m.position(5.0), 14.0);
    near(m.position(7.0), 16.0);
    near(m.speed(7.0), 0.0);
    near(m.position(100.0), 16.0);
    near(m.duration(), 7.0);
    near(m.end(), 7.0);
    near(m.time_at(4.5).expect("passed"), 2.0);
    near(m.time_at(14.0).expect("passed"), 5.0);
    near(m.time_at(16.0).expect("reached"), 7.0);
    assert_eq!(m.time_at(16.1), None);
    assert_eq!(m.time_at(-0.1), None);
    assert_eq!(m.time_at(f64::NAN), None);
    near(m.time_at(0.0).expect("the start"), 0.0);
}

#[test]
fn the_first_and_last_speeds_hold_outside() {
    let m = Motion::new(10.0, 3.0, &[piece(2.0, 1.0)]).expect("a plain motion");
    near(m.position(-1.0), 7.0);
    near(m.speed(-1.0), 3.0);
    near(m.position(4.0), 18.0 + 10.0);
    near(m.speed(4.0), 5.0);
    near(m.time_at(28.0).expect("extrapolated"), 4.0);
}

#[test]
fn a_place_of_rest_is_reached_when_the_machine_arrives() {
    let m = Motion::from_speed_points(0.0, &[(0.0, 2.0), (2.0, 0.0), (9.0, 0.0), (10.0, 1.0)])
        .expect("stop and go");
    near(m.time_at(2.0).expect("arrival"), 2.0);
    near(m.time_at(2.125).expect("after the rest"), 9.5);
    near(m.position(5.0), 2.0);
    near(m.position(10.0), 2.5);
}

#[test]
fn the_urban_cycle_has_its_published_length() {
    // UN Regulation No. 83, 2012, Annex 4a, Table 1. Straight lines between the
    // points integrate to 1014.583 m, beside the regulation's rounded
    // "theoretical distance" of 1013 m.
    let points = crate::cycle::urban_cycle(1.0);
    let m = Motion::from_speed_points(0.0, &points).expect("the cycle");
    assert!(
        (m.position(195.0) - 1014.583).abs() < 0.001,
        "{}",
        m.position(195.0)
    );
    for i in 0..2000_u32 {
        let x = f64::from(i) * 0.5;
        let t = m.time_at(x).expect("within the cycle");
        assert!((m.position(t) - x).abs() < 1e-9, "at {x} m");
    }
}

#[test]
fn going_back_by_hand() {
    // 2 m/s, −1 m/s² for 4 s: 2 m on after 2 s, and back at 0 with −2 m/s. Then 1 s
    // more of that to −2 m, +2 m/s² for 3 s: standing after 1 s at −3 m, and 4 m on
    // with 4 m/s at the end.
    let pieces = [piece(4.0, -1.0), piece(1.0, 0.0), piece(3.0, 2.0)];
    let m = Motion::reversing(0.0, 2.0, &pieces).expect("a way back");
    near(m.position(2.0), 2.0);
    near(m.speed(2.0), 0.0);
    near(m.position(3.0), 1.5);
    near(m.speed(4.0), -2.0);
    near(m.position(5.0), -2.0);
    near(m.position(6.0), -3.0);
    near(m.position(8.0), 1.0);
    near(m.speed(8.0), 4.0);
    near(m.time_at(1.5).expect("on the way out"), 1.0);
    // Past the farthest place: 1 m beyond the end at 4 m/s.
    near(m.time_at(3.0).expect("at last"), 8.5);
    assert_eq!(m.turns(), [(2.0, false), (6.0, true)]);
    // Marks 0.5 m apart: out over 3 and back over them, on again over 2.
    let passed = m.passings(|k| 0.5 * k as f64 - 0.1);
    let ways: Vec<bool> = passed.iter().map(|p| p.1).collect();
    let mut wanted = vec![true; 4];
    wanted.extend([false; 4]);
    wanted.extend([true; 2]);
    assert_eq!(ways, wanted);
    for (i, mark) in [0.4, 0.9, 1.4, 1.9, 1.9, 1.4, 0.9, 0.4, 0.4, 0.9]
        .into_iter()
        .enumerate()
    {
        assert!((m.position(passed[i].0) - mark).abs() < 1e-12, "{i}");
    }
    let forward = Motion::reversing(0.0, 2.0, &pieces[1..2]).expect("plain");
    assert!(forward.turns().is_empty());
    assert!(Motion::reversing(0.0, 2.0, &[piece(300.0, -1.0)]).is_err());
}

#[test]
fn bad_motions_are_refused_with_the_reason() {
    let new = |x, v, p: &[Piece]| Motion::new(x, v, p).expect_err("refused");
    assert!(matches!(new(f64::NAN, 1.0, &[]), MotionError::Start(_)));
    assert!(matches!(new(1e10, 1.0, &[]), MotionError::Start(_)));
    assert!(matches!(new(0.0, -1.0, &[]), MotionError::FirstSpeed(_)));
    assert!(matches!(
        new(0.0, f64::NAN, &[]),
        MotionError::FirstSpeed(_)
    ));
    assert_eq!(
        new(0.0, 1.0, &[piece(2.0, -1.0)]),
        MotionError::NegativeSpeed {
            index: 0,
            speed: -1.0
        }
    );
    assert!(matches!(
        new(0.0, 1.0, &[piece(-1.0, 0.0)]),
        MotionError::Duration { .. }
    ));
    assert!(matches!(
        new(0.0, 1.0, &[piece(f64::NAN, 0.0)]),
        MotionError::Duration { .. }
    ));
    assert!(matches!(
        new(0.0, 1.0, &[piece(1.0, f64::NAN)]),
        MotionError::Acceleration { index: 0, .. }
    ));
    assert!(matches!(
        new(0.0, 1.0, &[piece(300.0, 1.0)]),
        MotionError::TooFast { .. }
    ));
    let points = |p: &[(f64, f64)]| Motion::from_speed_points(0.0, p).expect_err("refused");
    assert_eq!(points(&[]), MotionError::Empty);
    assert!(matches!(
        points(&[(0.0, 1.0), (0.0, 2.0)]),
        MotionError::Time { index: 1, .. }
    ));
    assert!(matches!(
        points(&[(0.0, 1.0), (1.0, -2.0)]),
        MotionError::NegativeSpeed { .. }
    ));
    assert!(matches!(
        points(&[(-1.0, 1.0)]),
        MotionError::Time { index: 0, .. }
    ));
    assert!(matches!(
        points(&[(0.0, 1.0), (1.0, f64::NAN)]),
        MotionError::Acceleration { index: 1, .. }
    ));
}
