//! The promises of the core, each as a property or a bound.

use controller_core::*;
use proptest::prelude::*;
use system_tests::{Core, Input, core_of, drain, one_lane, plant, pulses, run, with};

fn boom(count: u16) -> Core {
    let nozzles: Vec<NozzleConfig> = (0..count)
        .map(|i| NozzleConfig::evenly_spaced(i, count, Length::from_mm(500)))
        .collect();
    let detectors = [DetectorConfig::centred(
        Length::from_mm(500),
        Length::from_mm(12_000),
    )];
    let pulse = PulseLength::from_ratio(1_000_000, 130).expect("usual");
    core_of(&nozzles, &Config::new(pulse, &[], &detectors))
}

/// A boom on which every nozzle has delays, a throw and a mount of its own.
fn motley_boom(count: u16, seed: u32, pulse_nm: u64) -> Core {
    let nozzles: Vec<NozzleConfig> = (0..count)
        .map(|i| {
            let n = u32::from(i).wrapping_mul(2_654_435_761).wrapping_add(seed);
            NozzleConfig {
                x: Length::from_mm(i32::try_from(n % 700).expect("small") - 350),
                open_delay: Span(n % 61_000),
                close_delay: Span((n >> 7) % 47_000),
                throw: Span((n >> 13) % 90_000),
                ..NozzleConfig::evenly_spaced(i, count, Length::from_mm(500))
            }
        })
        .collect();
    let detectors = [DetectorConfig::centred(
        Length::from_mm(900),
        Length::from_mm(16_000),
    )];
    let pulse = PulseLength::from_nm(pulse_nm).expect("usual");
    let mut config = Config::new(pulse, &[], &detectors);
    config.wheel.max_acceleration_mm_s2 = 20_000;
    let creep = u32::try_from(pulse_nm / 1_000_000).expect("small") + 1;
    config.wheel.creep_speed = Speed::from_mm_s(creep.max(300));
    config.patch.lead_time = Span(seed % 9_000);
    config.patch.trail_time = Span(seed % 7_000);
    config.fan = (seed & 1 == 1).then(|| {
        FanConfig::new(
            Length::from_mm(714),
            Length::default(),
            Length::from_mm(500),
        )
    });
    core_of(&nozzles, &config)
}

/// Inputs of any kind: steps in time, pulses at a wandering pace, images good and bad.
fn inputs() -> impl Strategy<Value = Vec<(u64, Input)>> {
    let event = prop_oneof![
        8 => (1_500u32..9_000).prop_map(|dt| (dt, None)),
        1 => (0u32..400_000).prop_map(|dt| (dt, None)),
        2 => (0u32..3000, 0u64..200_000, proptest::collection::vec((-200i32..3000, -13_000i32..13_000, 0i32..400, 0i32..900), 0..6))
            .prop_map(|(dt, age, plants)| (dt, Some((age, plants)))),
    ];
    proptest::collection::vec(event, 1..400).prop_map(|events| {
        let mut now = 5_000u64;
        events
            .into_iter()
            .map(|(dt, image)| {
                now += u64::from(dt);
                let input = match image {
                    None => Input::Pulse,
                    Some((age, plants)) => Input::Image {
                        captured: now.saturating_sub(age),
                        seen: (0, 1000),
                        plants: plants
                            .into_iter()
                            .map(|(x, y, l, w)| plant(x * 1000, y * 1000, l * 1000, w * 1000))
                            .collect(),
                    },
                };
                (now, input)
            })
            .collect()
    })
}

fn well_formed(commands: &[Command], count: u16) {
    for nozzle in 0..count {
        let mut open = false;
        let mut last = Micros(0);
        for c in commands.iter().filter(|c| c.nozzle == nozzle) {
            assert_eq!(
                c.action == Action::Open,
                !open,
                "nozzle {nozzle} told the same twice"
            );
            open = !open;
            assert!(c.at >= last, "nozzle {nozzle}: time runs backwards");
            last = c.at;
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Promise 4: further polls, whenever, change nothing. Promise 3: commands alternate
    /// and never run backwards. Promise 2: everything is closed once all is silent.
    #[test]
    fn the_call_schedule_does_not_matter(inputs in inputs(), extra in proptest::collection::vec(0u64..4_000_000, 0..200), count in 1u16..48) {
        let until = inputs.last().map_or(0, |i| i.0) + 1_000_000;
        let mut plain = boom(count);
        let mut busy = boom(count);
        let a = run(&mut plain, &inputs, until, &[]);
        let b = run(&mut busy, &inputs, until, &extra);
        prop_assert_eq!(&a, &b);
        prop_assert_eq!(plain.counters(), busy.counters());
        well_formed(&a, count);
        for nozzle in 0..count { prop_assert_eq!(plain.is_open(nozzle), Some(false)); }
        prop_assert_eq!(plain.counters().commands as usize, a.len());
        prop_assert_eq!(plain.counters().inputs_before_poll, 0);
    }

    /// Promise 4: the instants that are skipped are those at which nothing happens.
    #[test]
    fn skipping_instants_changes_nothing(
        inputs in inputs(), count in 1u16..64, seed in any::<u32>(), pulse_nm in 5_000_000u64..60_000_000,
    ) {
        let until = inputs.last().map_or(0, |i| i.0) + 1_000_000;
        let mut skipping = motley_boom(count, seed, pulse_nm);
        let mut every = motley_boom(count, seed, pulse_nm);
        every.decide_at_every_instant();
        let a = run(&mut skipping, &inputs, until, &[]);
        let b = run(&mut every, &inputs, until, &[]);
        prop_assert_eq!(&a, &b);
        prop_assert_eq!(skipping.counters(), every.counters());
    }

    /// The same on drives as they are, with few pulses, so that there is much to skip.
    #[test]
    fn skipping_instants_changes_nothing_on_a_drive(
        speed in 1.0f64..7.0, swing in 0.0f64..0.9, hertz in 0.05f64..1.0, pulse_mm in 20u32..600,
        count in 1u16..70, seed in any::<u32>(),
        lost in proptest::collection::vec((1usize..400, 1usize..4), 0..6),
        images in proptest::collection::vec((0.2f64..6.0, 0u64..150_000, proptest::collection::vec((-200i32..3000, -17_000i32..17_000, 0i32..400, 0i32..900), 0..9)), 1..30),
        faults in proptest::collection::vec((0.2f64..6.0, any::<u16>(), any::<bool>()), 0..6),
    ) {
        let pulse_m = f64::from(pulse_mm) * 1e-3;
        let turn = std::f64::consts::TAU * hertz;
        let place = |t: f64| speed * (t - swing * (turn * t).sin() / turn);
        let mut inputs = pulses(place, 0.0, 6.0, pulse_m);
        for (at, run) in lost {
            // A lost pulse sets the prediction free without any input.
            let end = (at + run).min(inputs.len());
            inputs.drain(at.min(end)..end);
        }
        for (at, age, plants) in images {
            let now = (at * 1e6) as u64;
            let id = |x: i32| (x & 1 == 1).then_some((x >> 1 & 7) as u16);
            let plants = plants.into_iter().map(|(x, y, l, w)| Plant { id: id(x), ..plant(x * 1000, y * 1000, l * 1000, w * 1000) }).collect();
            inputs = with(inputs, now, Input::Image { captured: now.saturating_sub(age), seen: (0, 3000), plants });
        }
        for (at, nozzle, fault) in faults {
            inputs = with(inputs, (at * 1e6) as u64, Input::Fault(nozzle % count, fault));
        }
        let mut skipping = motley_boom(count, seed, u64::from(pulse_mm) * 1_000_000);
        let mut every = motley_boom(count, seed, u64::from(pulse_mm) * 1_000_000);
        every.decide_at_every_instant();
        let a = run(&mut skipping, &inputs, 8_000_000, &[]);
        let b = run(&mut every, &inputs, 8_000_000, &[]);
        prop_assert_eq!(&a, &b);
        prop_assert_eq!(skipping.counters(), every.counters());
        well_formed(&a, count);
    }

    /// Promise 2, the bound: pulse length over creep speed after the last pulse, one
    /// decision period, and the window that a command may lie ahead.
    #[test]
    fn valves_close_in_time_when_pulses_stop(stop_after in 40usize..200, speed in 1.0f64..7.0) {
        let mut core = one_lane(|_, _| ());
        let mut inputs = pulses(|t| speed * t, 0.0, 60.0 / speed, 0.02);
        inputs.truncate(stop_after);
        let last = inputs[inputs.len() - 1].0;
        // A plant 20 m long: the valve is open when the machine stops.
        inputs.push((last, Input::Image { captured: last, seen: (0, 2000), plants: vec![plant(5_000_000, 0, 12_000_000, 100_000)] }));
        let commands = run(&mut core, &inputs, last + 1_000_000, &[]);
        let bound = last + (0.02 / 0.3 * 1e6) as u64 + 2_000 + 2_500;
        prop_assert_eq!(commands.len(), 2, "{:?}", commands);
        prop_assert!(commands[1].at.0 <= bound, "closed at {} for {}", commands[1].at.0, bound);
        prop_assert_eq!(core.guard_state(), GuardState::Stopped);
    }

    /// Promise 1: a list that runs full joins patches and counts them; no plant stays dry.
    #[test]
    fn a_full_list_sprays_more_and_not_less(plants in proptest::collection::vec(0.3f64..9.0, 9..40)) {
        let mut core = one_lane(|c, _| { c.patch.lead = Length::from_mm(5); c.patch.trail = Length::from_mm(5); });
        let inputs = pulses(|t| 2.0 * t, 0.0, 8.0, 0.02);
        // Captured at x = 2 m, all at once in images of at most 8.
        let mut inputs = inputs;
        for chunk in plants.chunks(8) {
            inputs = with(inputs, 1_010_000, Input::Image { captured: 1_000_000, seen: (0, 10_000),
                plants: chunk.iter().map(|x| plant((x * 1e6) as i32, 0, 20_000, 20_000)).collect() });
        }
        let commands = run(&mut core, &inputs, 8_500_000, &[]);
        let land = |t: f64| 2.0 * t + 0.05;
        for x in &plants {
            let place = 2.0 + x;
            let covered = commands.chunks(2).any(|c| {
                land(c[0].at.0 as f64 / 1e6 + 0.020) <= place - 0.010 && land(c[1].at.0 as f64 / 1e6 + 0.015) >= place + 0.010
            });
            prop_assert!(covered, "the plant at {place} m stayed dry: {commands:?}");
        }
        prop_assert_eq!(core.counters().plants as usize, plants.len());
        prop_assert_eq!(core.counters().missed_late, 0);
    }

    /// Promises 6 and 9: whatever comes, in whatever order and with whatever numbers, gets
    /// a typed answer, and every refusal is counted.
    #[test]
    fn any_input_gets_an_answer(events in proptest::collection::vec((any::<u32>(), any::<bool>(), any::<u64>(), any::<[i32; 6]>(), any::<u8>()), 1..200)) {
        let mut core = boom(8);
        let (mut pulses, mut refused, mut images, mut images_refused) = (0, 0, 0, 0);
        let mut out = Vec::new();
        for (t, is_pulse, captured, n, detector) in events {
            let now = Micros(u64::from(t % 100_000_000));
            for _ in 0..50 { if let Poll::Idle { .. } = core.poll(now) { break } }
            if is_pulse {
                match core.handle_pulse(now) { Ok(()) => pulses += 1, Err(_) => refused += 1 }
            } else {
                let plant = Plant { x: Length::from_bits(n[0]), y: Length::from_bits(n[1]), length: Length::from_bits(n[2]), width: Length::from_bits(n[3]), id: (n[3] & 1 == 0).then_some(detector.into()) };
                let image = Image { detector: detector % 3, captured_at: Micros(captured % 100_000_000), seen: Stretch { from: Length::from_bits(n[4]), to: Length::from_bits(n[5]) }, plants: &[plant] };
                match core.handle_image(now, &image) { Ok(_) => images += 1, Err(_) => images_refused += 1 }
            }
        }
        let c = *core.counters();
        prop_assert_eq!((c.pulses, c.pulses_refused, c.images, c.images_refused), (pulses, refused, images, images_refused));
        // And it still ends closed.
        drain(&mut core, 200_000_000, &mut out);
        drain(&mut core, 201_000_000, &mut out);
        for nozzle in 0..8 { prop_assert_eq!(core.is_open(nozzle), Some(false)); }
    }
}

/// Promise 5: a thousand kilometres of 1/130 m pulses drift by less than 0.1 mm, and a
/// plant every 10 km, across every wrap of the short place (each 268 km), is met as
/// exactly as the first.
#[test]
fn distances_do_not_drift() {
    let mut core = one_lane(|c, _| {
        c.wheel.pulse_length = PulseLength::from_ratio(100_000_000, 77).expect("1.2987 m");
        c.wheel.max_speed = Speed::from_mm_s(60_000);
        c.wheel.creep_speed = Speed::from_mm_s(2_000);
        c.timing.decision_period = Span::from_ms(20);
        c.timing.slack = Span::from_ms(3);
        c.timing.shortest_on = Span::from_ms(30);
        c.timing.shortest_off = Span::from_ms(30);
    });
    // 77 pulses in 100 m; 50 m/s: a pulse each 25,974 µs and 2/77.
    let speed = 50.0;
    let total = 770_000u64;
    let mut out: Vec<Command> = Vec::new();
    let mut next = 0;
    let mut wanted = Vec::new();
    for k in 0..=total {
        let stamp = 1_000_000 + (k * 2_000_000 + 38) / 77;
        while next <= stamp {
            next = drain(&mut core, next.max(1), &mut out);
        }
        core.handle_pulse(Micros(stamp)).expect("accepted");
        if k % 7_700 == 100 {
            let image = Image {
                detector: 0,
                captured_at: Micros(stamp),
                seen: Stretch {
                    from: Length::from_mm(0),
                    to: Length::from_mm(20_000),
                },
                plants: &[plant(20_000_000, 0, 5_000_000, 100_000)],
            };
            core.handle_image(Micros(stamp), &image).expect("accepted");
            // near − lead − throw·v, then the delay.
            let x = k as f64 * 100.0 / 77.0 + 20.0 - 2.5 - 0.05 - 0.025 * speed;
            wanted.push(1.0 + x / speed - 0.020);
        }
        next = drain(&mut core, stamp, &mut out);
    }
    let drift = core.distance().to_um() - 1_000_000_000_000;
    println!("drift over 1000 km: {drift} µm");
    assert!(drift.abs() < 100, "{drift} µm");
    let opens: Vec<f64> = out
        .iter()
        .filter(|c| c.action == Action::Open)
        .map(|c| c.at.0 as f64 / 1e6)
        .collect();
    assert_eq!(opens.len(), wanted.len());
    for (got, want) in opens.iter().zip(&wanted) {
        // 0.2 mm at 50 m/s is 4 µs; stamps are whole µs, 25 µm a half.
        assert!(
            (got - want).abs() * speed < 3e-4,
            "{:.3} mm off",
            (got - want) * speed * 1e3
        );
    }
}

#[test]
fn a_clock_that_runs_backwards_is_refused_and_counted() {
    let mut core = boom(4);
    let mut out = Vec::new();
    drain(&mut core, 10_000, &mut out);
    core.handle_pulse(Micros(10_000)).expect("first");
    assert_eq!(
        core.handle_pulse(Micros(9_999)),
        Err(PulseError::TimeBackwards {
            latest: Micros(10_000)
        })
    );
    let image = Image {
        detector: 0,
        captured_at: Micros(0),
        seen: Stretch::default(),
        plants: &[],
    };
    assert_eq!(
        core.handle_image(Micros(9_000), &image),
        Err(ImageError::TimeBackwards {
            latest: Micros(10_000)
        })
    );
    assert_eq!(core.counters().time_backwards, 2);
    drain(&mut core, 5, &mut out);
    assert!(matches!(core.poll(Micros(5)), Poll::Idle { .. }) && out.is_empty());
}

/// Promise 6, one by one.
#[test]
fn every_refused_image_has_its_reason() {
    let mut core = boom(4);
    let mut out = Vec::new();
    drain(&mut core, 2_000_000, &mut out);
    let now = Micros(2_000_000);
    let good = plant(0, 0, 100_000, 100_000);
    let seen = Stretch {
        from: Length::from_mm(0),
        to: Length::from_mm(500),
    };
    let mut refused = |detector, captured: u64, seen, plants: &[Plant]| {
        core.handle_image(
            now,
            &Image {
                detector,
                captured_at: Micros(captured),
                seen,
                plants,
            },
        )
        .expect_err("refused")
    };
    assert_eq!(
        refused(9, 2_000_000, seen, &[good]),
        ImageError::UnknownDetector { detector: 9 }
    );
    assert_eq!(
        refused(0, 2_000_001, seen, &[good]),
        ImageError::CapturedInFuture
    );
    assert_eq!(refused(0, 1_100_000, seen, &[good]), ImageError::TooOld);
    assert_eq!(
        refused(0, 2_000_000, seen, &[good; 65]),
        ImageError::TooManyPlants { most: 64 }
    );
    let backwards = Stretch {
        from: seen.to,
        to: seen.from,
    };
    assert_eq!(
        refused(0, 2_000_000, backwards, &[good]),
        ImageError::Implausible { plant: None }
    );
    let negative = Plant {
        length: Length::from_mm(-1),
        ..good
    };
    assert_eq!(
        refused(0, 2_000_000, seen, &[good, negative]),
        ImageError::Implausible { plant: Some(1) }
    );
    assert_eq!(core.counters().images_refused, 6);
    assert_eq!(core.counters().plants, 0);
}

/// Promise 8 as far as sight goes: ground that no image covered is added up.
#[test]
fn unseen_ground_is_added_up() {
    let mut core = boom(4);
    let mut inputs = pulses(|t| 2.0 * t, 0.0, 3.0, 1.0 / 130.0);
    // Three images of 0.5 m; the middle one arrives last and leaves no false gap.
    for (captured, at, seen) in [
        (1_000_000, 1_000_000, (0, 500)),
        (1_400_000, 1_400_000, (0, 500)),
        (1_200_000, 1_450_000, (0, 500)),
    ] {
        inputs = with(
            inputs,
            at,
            Input::Image {
                captured,
                seen,
                plants: vec![],
            },
        );
    }
    run(&mut core, &inputs, 3_000_000, &[]);
    // Seen from 2.5 to 3.8 m of the 6 m driven: 4.7 m by 24 m of view, less what the last
    // two pulses have not measured yet.
    let m2 = core.counters().unseen_mm2 as f64 / 1e6;
    let wanted = 4.7 * 24.0;
    assert!(m2 <= wanted + 0.02 && m2 > wanted - 24.0 * 0.025, "{m2} m²");
}

/// Promises 2 and 6: a caller that stops polling is noticed, counted, and finds
/// everything closed.
#[test]
fn a_stall_of_the_caller_closes_everything() {
    let mut core = one_lane(|_, _| ());
    let inputs = with(
        pulses(|t| 2.0 * t, 0.0, 2.0, 0.02),
        1_000_000,
        Input::Image {
            captured: 1_000_000,
            seen: (0, 2000),
            plants: vec![plant(5_000_000, 0, 9_000_000, 100_000)],
        },
    );
    let commands = run(&mut core, &inputs, 2_000_000, &[]);
    assert_eq!(commands.len(), 1);
    // Half a second without a poll, pulses going on.
    for k in 0..50u64 {
        let _counted = core.handle_pulse(Micros(2_000_000 + k * 10_000));
    }
    let mut out = Vec::new();
    drain(&mut core, 2_490_500, &mut out);
    assert_eq!(
        out.first().map(|c| c.action),
        Some(Action::Close),
        "{out:?}"
    );
    assert!(core.counters().overruns > 100);
    assert!(core.counters().inputs_before_poll > 0);
    assert!(core.counters().worst_lateness_us >= 488_000);
}

/// A detector that falls silent while the machine moves is a fault; standing still is not.
#[test]
fn a_silent_detector_is_noticed() {
    let mut core = one_lane(|_, _| ());
    let inputs = pulses(|t| 2.0 * t, 0.0, 3.0, 0.02);
    run(&mut core, &inputs, 3_000_000, &[]);
    assert_eq!(core.detector_silent(0), Some(true));
    assert_eq!(core.counters().detector_silences, 1);
    let mut still = one_lane(|_, _| ());
    run(&mut still, &[(0, Input::Pulse)], 3_000_000, &[]);
    assert_eq!(still.detector_silent(0), Some(false));
}
