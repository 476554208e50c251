//! The odometer against motions worked out by hand.

extern crate std;

use super::*;
use crate::units::PulseLength;
use proptest::prelude::*;
use std::vec::Vec;

fn wheel(um: u64) -> WheelConfig {
    WheelConfig {
        pulse_length: PulseLength::from_ratio(um, 1).expect("usual"),
        max_speed: Speed::from_mm_s(8000),
        creep_speed: Speed::from_mm_s(300),
        max_acceleration_mm_s2: 5000,
        slots_per_turn: 0,
        direction_input: false,
    }
}

fn odometer(um: u64) -> Odometer<64> {
    Odometer::new(&wheel(um), Span::from_ms(800))
}

fn run(odometer: &mut Odometer<64>, pulses: u64, period: u64, from: u64) {
    for i in 0..pulses {
        odometer
            .handle_pulse(Micros(from + i * period))
            .expect("accepted");
    }
}

#[test]
fn steady_speed_is_exact() {
    let mut o = odometer(20_000);
    run(&mut o, 500, 4000, 0);
    assert_eq!(o.distance().to_um(), 499 * 20_000);
    assert!(o.speed().to_mm_s().abs_diff(5000) <= 1);
    let m = o.motion_at(Micros(499 * 4000 + 2000));
    let place = m.landing_fine(0, 0);
    assert!(
        (place - (10 << 12)).abs() < 64,
        "{place} fine counts for 10 mm"
    );
}

#[test]
fn prediction_stops_short_of_the_next_pulse() {
    // A machine that can brake at 50 m/s²: from 1 m/s, 20 ms are enough.
    let mut o: Odometer<64> = Odometer::new(
        &WheelConfig {
            max_acceleration_mm_s2: 50_000,
            ..wheel(20_000)
        },
        Span::from_ms(800),
    );
    run(&mut o, 100, 20_000, 0);
    let m = o.motion_at(Micros(99 * 20_000 + 40_000));
    assert!(m.landing_fine(0, 0) < 20 << 12);
    assert!(i64::from(m.v) <= i64::from(Speed::from_mm_s(500).internal()));
    assert!(o.stands(Micros(99 * 20_000 + 70_000)));
}

#[test]
fn learned_slots_even_out_the_speed_and_leave_the_count_alone() {
    // 5 m/s; every fourth mark of 130 mm sits 3 mm late, so the mean is 0.75 mm.
    let config = WheelConfig {
        slots_per_turn: 4,
        ..wheel(130_000)
    };
    let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
    let um = |k: u64| 130_000 * k + if k % 4 == 3 { 3000 } else { 0 };
    for k in 0..800 {
        o.handle_pulse(Micros(um(k) / 5)).expect("accepted");
    }
    assert!(o.slots_in_use());
    assert_eq!(o.slot_drop_outs(), 0);
    assert!(o.distance().to_um().abs_diff(799 * 130_000) <= 63);
    for k in 800..808 {
        o.handle_pulse(Micros(um(k) / 5)).expect("accepted");
        let speed = o.speed().to_mm_s();
        assert!(speed.abs_diff(5000) < 10, "pulse {k}: {speed} mm/s");
        let place = o.motion_at(Micros(um(k) / 5)).landing_fine(0, 0)
            + (i64::from(o.motion_at(Micros(um(k) / 5)).base) << 8);
        let want = (i64::try_from(um(k)).expect("near") - 750) * 4096 / 1000;
        assert!((place - want).abs() < 400, "pulse {k}: {place} for {want}");
    }
}

#[test]
fn bounce_is_refused_with_its_reason() {
    let mut o = odometer(20_000);
    run(&mut o, 10, 4000, 0);
    let before = o.distance();
    assert_eq!(
        o.handle_pulse(Micros(9 * 4000 + 100)),
        Err(PulseError::TooSoon {
            after: Span(100),
            shortest: Span(2000)
        })
    );
    assert_eq!(o.distance(), before);
}

#[test]
fn the_past_is_found_between_pulses_under_acceleration() {
    // x = 2 t + t²/2: pulse k at t = -2 + sqrt(4 + 2·0.02·k)
    let mut o = odometer(20_000);
    for k in 0..600u32 {
        let t = -2.0 + (4.0 + 0.04 * f64::from(k)).sqrt();
        o.handle_pulse(Micros((t * 1e6).round() as u64))
            .expect("accepted");
    }
    let last = o.last_at.0;
    for age in [1_000u64, 33_000, 100_000, 300_000, 700_000] {
        let t = (last - age) as f64 / 1e6;
        let exact = (2.0 * t + t * t / 2.0) * 16_000.0;
        let got = f64::from(o.place_at(Micros(last - age)).expect("remembered"));
        assert!((got - exact).abs() < 1.0, "{age} µs ago: {got} for {exact}");
    }
    let v = f64::from(o.v) / 16_777_216.0 * 1e6 / 16_000.0;
    let t = last as f64 / 1e6;
    assert!((v - (2.0 + t)).abs() < 0.002, "{v} m/s");
}

#[test]
fn what_is_older_than_the_history_is_refused() {
    let mut o = odometer(20_000);
    run(&mut o, 5000, 4000, 0);
    assert!(o.place_at(Micros(1000)).is_err());
    assert!(o.place_at(Micros(4999 * 4000 - 800_000)).is_ok());
}

#[test]
fn distance_crosses_the_short_wrap_without_a_step() {
    let mut o = odometer(2_000_000);
    o.counts = i64::from(i32::MAX) - 40_000;
    for i in 0..100u64 {
        o.handle_pulse(Micros(i * 400_000)).expect("accepted");
    }
    let behind = o.place_at(Micros(99 * 400_000 - 200_000)).expect("there");
    let here = o.place_at(Micros(99 * 400_000)).expect("there");
    assert_eq!(here.wrapping_sub(behind), 16_000);
}
#[test]
fn a_pulse_that_must_have_been_lost_does_not_hold_the_prediction() {
    // 5 m/s, at most 5 m/s² of braking: 40 ms on, 187 mm have passed for sure.
    let mut o = odometer(20_000);
    run(&mut o, 100, 4000, 0);
    let m = o.motion_at(Micros(99 * 4000 + 40_000));
    let place = m.landing_fine(0, 0) * 1000 / 4096;
    assert!((179_990..=200_100).contains(&place), "{place} µm");
    // 6.2 ms on the next pulse is late, but 31 mm less a sixteenth are no proof.
    let m = o.motion_at(Micros(99 * 4000 + 4_300));
    assert!(m.landing_fine(0, 0) < 20 << 12);
    assert!(m.landing_fine(0, 0) > 19 << 12);
}

#[test]
fn lost_pulses_are_put_back() {
    for lost in [1, 2, 5] {
        let mut o = odometer(20_000);
        run(&mut o, 100, 4000, 0);
        let at = Micros((99 + 1 + lost) * 4000);
        assert_eq!(o.handle_pulse(at), Ok(u32::try_from(lost).expect("few")));
        assert_eq!(o.distance().to_um(), (99 + 1 + lost as i64) * 20_000);
        assert!(o.speed().to_mm_s().abs_diff(5000) <= 1);
    }
}

#[test]
fn a_slow_machine_may_have_braked() {
    // 1 m/s over 130 mm: within 5 m/s² it can stand after 0.2 s, so one pulse after
    // 0.26 s is one pulse.
    let mut o = odometer(130_000);
    run(&mut o, 20, 130_000, 0);
    assert_eq!(o.handle_pulse(Micros(19 * 130_000 + 260_000)), Ok(0));
}

#[test]
fn an_extra_pulse_is_refused_and_the_real_one_taken() {
    // 5 m/s: the pulse at 4 ms can't come at 2.5 ms, though top speed would allow it.
    let mut o = odometer(20_000);
    run(&mut o, 100, 4000, 0);
    let after = Span(2500);
    assert_eq!(
        o.handle_pulse(Micros(99 * 4000 + 2500)),
        Err(PulseError::Implausible { after })
    );
    assert_eq!(o.handle_pulse(Micros(100 * 4000)), Ok(0));
    assert_eq!(o.distance().to_um(), 100 * 20_000);
    assert!(o.speed().to_mm_s().abs_diff(5000) <= 1);
}

#[test]
fn a_wrong_belief_does_not_last() {
    // Every second pulse is lost for a while: what is left is believed. Then all come.
    let mut o = odometer(20_000);
    run(&mut o, 100, 8000, 0);
    let from = 99 * 8000;
    for k in 1..=60_u64 {
        let _refused = o.handle_pulse(Micros(from + k * 4000));
    }
    assert!(o.speed().to_mm_s().abs_diff(5000) <= 50, "{:?}", o.speed());
    // And back: a period of two pulses is bridged, until it is the rule.
    let from = from + 60 * 4000;
    for k in 1..=60_u64 {
        let _bridged = o.handle_pulse(Micros(from + k * 8000));
    }
    assert!(o.speed().to_mm_s().abs_diff(2500) <= 50, "{:?}", o.speed());
}

/// Marks off their places by 40 of a thousand, one standard deviation; each the sum of twelve
/// even numbers from a generator of 32 bits (multiplier and increment from Numerical Recipes,
/// Press et al., 1992, section 7.1).
fn uneven_marks(count: usize) -> Vec<i32> {
    let mut state = 20_u32;
    let mut even = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state) / 4_294_967_296.0
    };
    let normal = (0..count).map(|_| (0..12).map(|_| even()).sum::<f64>() - 6.0);
    normal.map(|z| (40.0 * z).round() as i32).collect()
}

#[test]
fn an_uneven_coarse_wheel_is_no_faulty_one() {
    let marks = uneven_marks(100);
    assert!(marks.iter().any(|m| m.abs() > 80), "{marks:?}");
    let pieces = [
        (4000, 500),
        (9000, 0),
        (2000, -1000),
        (9000, 0),
        (2000, 1500),
        (9000, 0),
    ];
    for (pulse_m, um) in [(0.125, 125_000), (0.02, 20_000)] {
        let mut o = odometer(um);
        let stamps = drive(pulse_m, &pieces, &marks);
        let wrong = |stamp: &&u64| o.handle_pulse(Micros(**stamp)) != Ok(0);
        let wrong = stamps.iter().filter(wrong).count();
        assert_eq!(wrong, 0, "of {} on {pulse_m} m", stamps.len());
    }
}

#[test]
fn a_lost_pulse_of_an_uneven_coarse_wheel_is_put_back_at_working_speed() {
    // 5 m/s over 125 mm: what is least of two pulses is 1.81, and 1.38 may be one.
    let stamps = drive(0.125, &[(1000, 3000), (20_000, 0)], &uneven_marks(100));
    let mut found = 0;
    for at in (60..600).step_by(20) {
        let mut o = odometer(125_000);
        for (k, &stamp) in stamps.iter().take(at + 12).enumerate() {
            if k != at {
                found += o.handle_pulse(Micros(stamp)).unwrap_or_default();
            }
        }
    }
    assert!(found >= 26, "{found} of 27");
}

/// Stamps of marks passed while driving in pieces of (ms, mm/s²), speed held to
/// 0..=8 m/s; the marks are off their even place by these shares in 1/1000.
fn drive(pulse_m: f64, pieces: &[(u32, i32)], off: &[i32]) -> Vec<u64> {
    let mark = |k: usize| pulse_m * (k as f64 + f64::from(off[k % off.len()]) * 1e-3);
    let (mut x, mut v, mut t) = (0.5 * pulse_m, 2.0_f64, 0.0_f64);
    let mut next = 1;
    let mut stamps = Vec::new();
    let dt = 50e-6;
    for &(ms, mm_s2) in pieces {
        for _ in 0..ms * 20 {
            let new = (v + f64::from(mm_s2) * 1e-3 * dt).clamp(0.0, 8.0);
            let way = (v + new) / 2.0 * dt;
            while mark(next) <= x + way && way > 0.0 {
                stamps.push(((t + dt * (mark(next) - x) / way) * 1e6).round() as u64);
                next += 1;
            }
            (x, v, t) = (x + way, new, t + dt);
        }
    }
    stamps
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// However hard a machine brakes, stops, and pulls away within its limit, no pulse
    /// is taken for the one after a lost one, nor for an extra one.
    #[test]
    fn within_the_limit_every_pulse_is_one(
        um in prop_oneof![Just(20_000_u64), Just(50_000), Just(130_000), Just(400_000)],
        pieces in proptest::collection::vec((20u32..600, prop_oneof![-5000i32..=5000, Just(-5000), Just(5000), Just(0)]), 4..24),
        off in proptest::collection::vec(-90i32..=90, 1..20),
        slots in any::<bool>(),
    ) {
        let config = WheelConfig {
            slots_per_turn: if slots { u16::try_from(off.len()).expect("few") } else { 0 },
            ..wheel(um)
        };
        let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
        for stamp in drive(um as f64 * 1e-6, &pieces, &off) {
            prop_assert_eq!(o.handle_pulse(Micros(stamp)), Ok(0), "at {} µs", stamp);
        }
    }

    /// While no pulse comes, no place predicted lies beyond where the machine can be:
    /// the same ways of driving, cut off anywhere.
    #[test]
    fn a_lost_train_is_never_overrun(
        um in prop_oneof![Just(20_000_u64), Just(130_000), Just(400_000)],
        pieces in proptest::collection::vec((20u32..600, -5000i32..=5000), 4..12),
        waited in 0u64..600_000,
    ) {
        let mut o = odometer(um);
        let stamps = drive(um as f64 * 1e-6, &pieces, &[0]);
        for stamp in &stamps {
            let _one = o.handle_pulse(Micros(*stamp));
        }
        let last = stamps.last().copied().unwrap_or_default();
        let here = o.motion_at(Micros(last));
        let then = o.motion_at(Micros(last + waited));
        let way = then.landing_fine(0, 0) - here.landing_fine(0, 0);
        prop_assert!(way >= 0);
        // A quarter above the top speed of 8 m/s: what speeds up at the top is foretold to go
        // on so, 2.5 m/s² · t² at the limit, until a pulse tells.
        prop_assert!(way <= 10 * 4096 * i64::try_from(waited).expect("short") / 1000 + 4096);
    }
}

#[test]
fn going_back_takes_back_the_distance() {
    let config = WheelConfig {
        direction_input: true,
        ..wheel(20_000)
    };
    let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
    // 1 m/s to mark 100, on to half way to mark 101, and back over marks 100 to 51.
    run(&mut o, 101, 20_000, 0);
    assert_eq!(o.distance().to_um(), 2_000_000);
    let turn = 2_000_000 + 10_000;
    assert_eq!(
        o.handle_direction(Micros(turn), Direction::Reverse),
        Ok(true)
    );
    assert_eq!(
        o.handle_direction(Micros(turn), Direction::Reverse),
        Ok(false)
    );
    assert!(o.reversing());
    assert!(o.stands(Micros(turn)));
    let here = f64::from(o.place_at(Micros(turn)).expect("now")) / 16.0;
    assert!((here - 2010.0).abs() < 1.0, "{here} mm");
    run(&mut o, 50, 20_000, turn + 10_000);
    assert_eq!(o.distance().to_um(), 51 * 20_000);
    let last = turn + 10_000 + 49 * 20_000;
    let past = f64::from(o.place_at(Micros(last - 250_000)).expect("remembered")) / 16.0;
    assert!((past - 1270.0).abs() < 1.0, "{past} mm");
    let soon = f64::from(o.place_at(Micros(last + 10_000)).expect("now")) / 16.0;
    assert!((soon - 1010.0).abs() < 1.0, "{soon} mm");
    // And forward again over mark 51.
    let turn = last + 10_000;
    assert_eq!(
        o.handle_direction(Micros(turn), Direction::Forward),
        Ok(true)
    );
    run(&mut o, 50, 20_000, turn + 10_000);
    assert_eq!(o.distance().to_um(), 100 * 20_000);
    assert!(o.speed().to_mm_s().abs_diff(1000) <= 1);
    let before = f64::from(o.place_at(Micros(turn + 10_000 - 500_000)).expect("there")) / 16.0;
    assert!(
        (before - 1500.0).abs() < 2.0,
        "{before} mm while going back"
    );
}

#[test]
fn a_turn_to_and_fro_between_two_marks_changes_nothing() {
    let config = WheelConfig {
        direction_input: true,
        ..wheel(130_000)
    };
    let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
    run(&mut o, 20, 100_000, 0);
    for (after, direction) in [(50_000, Direction::Reverse), (60_000, Direction::Forward)] {
        assert_eq!(
            o.handle_direction(Micros(1_900_000 + after), direction),
            Ok(true)
        );
    }
    assert_eq!(o.handle_pulse(Micros(2_050_000)), Ok(0));
    assert_eq!(o.distance().to_um(), 20 * 130_000);
}

#[test]
fn slots_keep_their_index_over_a_turn() {
    // Every fourth mark of 130 mm sits 3 mm late.
    let config = WheelConfig {
        slots_per_turn: 4,
        direction_input: true,
        ..wheel(130_000)
    };
    let mut o: Odometer<64> = Odometer::new(&config, Span::from_ms(800));
    let um = |k: u64| 130_000 * k + if k % 4 == 3 { 3000 } else { 0 };
    for k in 0..802 {
        o.handle_pulse(Micros(um(k) / 5)).expect("accepted");
    }
    assert!(o.slots_in_use());
    let turn = um(801) / 5 + 10_000;
    o.handle_direction(Micros(turn), Direction::Reverse)
        .expect("an input");
    for k in (700..802).rev() {
        o.handle_pulse(Micros(turn + 10_000 + (um(801) - um(k)) / 5))
            .expect("accepted");
    }
    let back = turn + 20_000 + (um(801) - um(700)) / 5;
    o.handle_direction(Micros(back), Direction::Forward)
        .expect("an input");
    for k in 700..900 {
        let at = Micros(back + 10_000 + (um(k) - um(700)) / 5);
        o.handle_pulse(at).expect("accepted");
        if k > 706 {
            let speed = o.speed().to_mm_s();
            assert!(speed.abs_diff(5000) < 10, "mark {k}: {speed} mm/s");
        }
    }
    assert_eq!((o.slots_in_use(), o.slot_drop_outs()), (true, 0));
}

#[test]
fn the_short_division_is_near_the_long_one() {
    for (n, d) in [
        (491_520_i64, 24_000_i64),
        (1_638_400, 80_000),
        (1_638_400, 1_000_000),
        (-7, 3),
        (0, 5),
        (1, 0),
    ] {
        let long = (n << 16).checked_div(d).unwrap_or_default();
        let short = ratio(n, d, 16);
        assert!(
            (long - short).abs() <= 1 + (long.abs() >> 11),
            "{n}/{d}: {short} for {long}"
        );
    }
}

/// Stamps are kept short; a look-up must never take an hour ago for now. The machine stands
/// so long that they come round once or twice, just so long, or creeps pulse by pulse.
#[test]
fn stamps_of_long_ago_do_not_come_round() {
    let wrap = 1_u64 << 32;
    for waits in [
        &[wrap - 1][..],
        &[wrap],
        &[wrap + 500_000],
        &[2 * wrap + 20_000],
        &[wrap / 2 + 40_000_000; 3],
        &[600_000_000; 90],
        &[wrap / 5; 9],
    ] {
        let mut o = odometer(20_000);
        run(&mut o, 100, 10_000, 0);
        let mut at = 990_000;
        let mut pulses = 99;
        for wait in waits {
            at += wait;
            o.handle_pulse(Micros(at)).expect("accepted");
            pulses += 1;
            // A second ago it stood, up to a pulse behind where it is now.
            for age in [0, 1, 30_000, 1_000_000] {
                let place = o.place_at(Micros(at - age)).expect("remembered");
                let behind = 16 * 20 * pulses - place;
                let most = if age == 0 { 0 } else { 16 * 20 };
                assert!(
                    (0..=most).contains(&behind),
                    "{age} µs before {at}: {behind}"
                );
            }
        }
        // And goes on as if it had only just set off.
        run(&mut o, 50, 10_000, at + 10_000);
        let last = at + 500_000;
        for ago in 0..40 {
            let place = o.place_at(Micros(last - ago * 10_000)).expect("remembered");
            let want = 16 * 20 * (pulses + 50 - i32::try_from(ago).unwrap());
            assert!(
                (place - want).abs() <= 1,
                "{ago} pulses ago: {place}, not {want}"
            );
        }
    }
}
