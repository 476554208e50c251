//! Orders that come within a decision, or before another one's work is done.

use super::*;

/// A stop within a decision, after any of its polls: what was told closes, and the rest is not
/// decided.
#[test]
fn a_stop_within_a_decision_ends_it() {
    let mut seen = [0; 9];
    for polls in 0..80 {
        let mut wide = about_to_open();
        let mut opened = Vec::new();
        for _ in 0..polls {
            if let Poll::Command(command) = wide.poll(Micros(492_000)) {
                assert_eq!(command.action, Open);
                opened.push(command.nozzle);
            }
        }
        seen[opened.len()] += 1;
        wide.handle_emergency_stop(Micros(492_000)).expect("taken");
        let mut out = Vec::new();
        drain(&mut wide, 492_000, &mut out);
        drain(&mut wide, 520_000, &mut out);
        let closed: Vec<u16> = out.iter().map(|c| c.nozzle).collect();
        assert_eq!(closed, opened, "after {polls} polls");
        assert!(out.iter().all(|c| c.action == Close), "{out:?}");
        assert_eq!(wide.counters().commands as usize, 2 * opened.len());
        assert!((0..8).all(|nozzle| wide.is_open(nozzle) == Some(false)));
    }
    assert!(seen.iter().all(|times| *times > 0), "{seen:?}");
}

/// Another order within a decision: the nozzles left are decided by it, at the same instant,
/// and those decided before follow at the next.
#[test]
fn an_order_within_a_decision_holds_for_the_rest() {
    let mut wide = about_to_open();
    let before = wide.counters().inputs_before_poll;
    let mut out = Vec::new();
    within_a_decision(&mut wide, &mut out);
    wide.handle_mode(Micros(492_000), 0, Mode::Off)
        .expect("taken");
    assert_eq!(wide.counters().inputs_before_poll, before + 1);
    for stamp in [492_000, 494_000, 600_000] {
        drain(&mut wide, stamp, &mut out);
    }
    let opened: Vec<u16> = (out.iter().filter(|c| c.action == Open))
        .map(|c| c.nozzle)
        .collect();
    assert_eq!(opened, [0, 1, 2]);
    assert_eq!(out.len(), 6, "{out:?}");
    assert!((0..8).all(|nozzle| wide.is_open(nozzle) == Some(false)));
}

/// An order whose work is not done: after any number of its polls the next input finds it in
/// force, and the same commands come out as when it was done at once.
#[test]
fn an_input_finishes_what_the_last_one_left() {
    let keep_off = |core: &mut Core| {
        let along = Along::Ahead {
            from: Length::from_mm(60),
            to: Length::from_mm(400),
        };
        core.handle_keep_off(Micros(492_300), Over::Nozzles { first: 0, count: 3 }, along)
    };
    let mut left = 0;
    for second in [0, 1, 2, 3] {
        let trial = |polls: Option<usize>| {
            let mut core = all_open();
            let mut out = Vec::new();
            (core.handle_mode(Micros(492_200), 0, Mode::Off)).expect("taken");
            assert_eq!(core.mode(0), Some(Mode::Off), "as ordered, in force or not");
            match polls {
                Some(polls) => {
                    for _ in 0..polls {
                        let poll = core.poll(Micros(492_200));
                        assert!(!matches!(poll, Poll::Command(_)), "{poll:?}");
                    }
                }
                None => core.finish_inputs(),
            }
            let before = core.counters().inputs_before_poll;
            match second {
                0 => core.handle_mode(Micros(492_300), 0, Mode::Broadcast),
                1 => keep_off(&mut core),
                2 => core
                    .note_pulse(Micros(492_300))
                    .map_err(|_| OrderError::Moving),
                _ => core.handle_switches(Micros(492_300), 1, 0),
            }
            .expect("taken");
            let counted = core.counters().inputs_before_poll - before;
            for stamp in (492_300..700_000).step_by(500) {
                drain(&mut core, stamp, &mut out);
            }
            assert!(core.counters().mode_changes >= 2, "both orders took effect");
            (out, counted)
        };
        let (wanted, _) = trial(None);
        assert!(!wanted.is_empty());
        for polls in 0..8 {
            let (got, counted) = trial(Some(polls));
            left += counted;
            assert_eq!(got, wanted, "input {second} after {polls} polls");
        }
    }
    assert!(left >= 8, "{left} inputs found work left");
}

/// A stop that comes while an order's work is not done closes everything first.
#[test]
fn a_stop_waits_for_no_order() {
    for polls in 0..4 {
        let mut core = all_open();
        (core.handle_mode(Micros(492_200), 0, Mode::Off)).expect("taken");
        for _ in 0..polls {
            assert!(!matches!(core.poll(Micros(492_200)), Poll::Command(_)));
        }
        (core.handle_emergency_stop(Micros(492_250))).expect("taken");
        // One poll begins with them, and each one more closes one.
        assert_eq!(core.poll(Micros(492_250)), Poll::Busy);
        for nozzle in 0..8 {
            match core.poll(Micros(492_250)) {
                Poll::Command(close) => assert_eq!((close.nozzle, close.action), (nozzle, Close)),
                poll => panic!("{poll:?} instead of closing nozzle {nozzle}"),
            }
        }
        let mut out = Vec::new();
        drain(&mut core, 492_250, &mut out);
        assert!(out.is_empty() && core.counters().mode_changes == 2);
        assert_eq!(core.mode(0), Some(Mode::Off));
    }
}

/// A pulse noted between any two steps of an image that has open nozzles brought up is counted.
#[test]
fn a_pulse_noted_within_an_image_is_counted() {
    let trial = |noted_after: usize| {
        let mut core = all_open();
        let image = Image {
            captured_at: Micros(450_000),
            detector: 0,
            seen: Stretch {
                from: Length::from_mm(0),
                to: Length::from_mm(900),
            },
            plants: &[],
        };
        let pulses = core.counters().pulses;
        let mut work = core.begin_image(Micros(492_200), &image).expect("taken");
        let (mut steps, mut ended) = (0, false);
        while !ended {
            if steps == noted_after {
                core.note_pulse(Micros(500_000)).expect("taken");
            }
            ended = core.step_image(&mut work).is_some();
            steps += 1;
        }
        let mut out = Vec::new();
        drain(&mut core, 500_000, &mut out);
        assert_eq!(core.counters().pulses - pulses, 1, "after {noted_after}");
        assert_eq!(core.counters().images, 1);
        steps
    };
    // To see, eight nozzles brought up by four, the order, and the end.
    let steps = trial(0);
    assert!(steps >= 4, "{steps}");
    for noted_after in 1..4 {
        trial(noted_after);
    }
}

/// Eight nozzles open on broadcast ground.
fn all_open() -> Core {
    let mut core = about_to_open();
    let mut out = Vec::new();
    drain(&mut core, 492_000, &mut out);
    assert_eq!(out.len(), 8);
    core
}

/// Eight nozzles that will open at 492,000, broadcast ordered just before.
fn about_to_open() -> Core {
    let mut out = Vec::new();
    let mut wide = wide_boom();
    for k in 0..50u64 {
        let stamp = k * 10_000;
        drain(&mut wide, stamp, &mut out);
        wide.handle_pulse(Micros(stamp)).expect("accepted");
    }
    wide.handle_mode(Micros(491_000), 0, Mode::Broadcast)
        .expect("taken");
    wide
}

/// The instant begun, and three of the eight nozzles told.
fn within_a_decision(core: &mut Core, out: &mut Vec<Command>) {
    while out.len() < 3 {
        match core.poll(Micros(492_000)) {
            Poll::Command(command) => out.push(command),
            poll => assert_eq!(poll, Poll::Busy),
        }
    }
}

/// Eight nozzles in one section.
fn wide_boom() -> Core {
    let nozzles: Vec<NozzleConfig> = (0..8)
        .map(|i| NozzleConfig::evenly_spaced(i, 8, Length::from_mm(500)))
        .collect();
    let eyes = [DetectorConfig::centred(
        Length::from_mm(0),
        Length::from_mm(3000),
    )];
    let pulse = PulseLength::from_nm(20_000_000).expect("usual");
    system_tests::core_of(&nozzles, &Config::new(pulse, &[], &eyes))
}
