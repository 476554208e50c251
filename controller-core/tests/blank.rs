//! A controller made where it stays and set up there.

use controller_core::{
    Action, Config, ConfigError, Controller, Counters, DetectorConfig, Image, ImageError, Length,
    Micros, Mode, NozzleConfig, OrderError, Plant, Poll, PulseLength, Stretch,
};

type Core<'a> = Controller<'a, 8, 4, 16, 1>;

const MM: fn(i32) -> Length = Length::from_mm;

#[test]
fn a_blank_one_rests_and_refuses_what_names_a_part() {
    let mut core = Core::blank();
    assert_eq!(
        core.poll(Micros(5)),
        Poll::Idle {
            next: Micros(u64::MAX)
        }
    );
    assert_eq!(
        core.handle_mode(Micros(6), 0, Mode::Broadcast),
        Err(OrderError::UnknownSection { section: 0 })
    );
    assert!(core.handle_emergency_stop(Micros(7)).is_ok());
    let image = Image {
        detector: 0,
        captured_at: Micros(7),
        seen: Stretch::default(),
        plants: &[],
    };
    assert_eq!(
        core.handle_image(Micros(8), &image),
        Err(ImageError::UnknownDetector { detector: 0 })
    );
    assert_eq!((core.is_open(0), core.planned(0)), (None, None));
    let polls = (0..10).filter(|_| core.poll(Micros(9)) == Poll::Busy);
    assert!(polls.count() < 10, "it goes idle again");
}

#[test]
fn set_up_it_is_the_controller_that_new_gives() {
    let nozzle = |index| NozzleConfig::evenly_spaced(index, 4, MM(500));
    let nozzles = [nozzle(0), nozzle(1), nozzle(2), nozzle(3)];
    let detectors = [DetectorConfig::centred(MM(1000), MM(1000))];
    let pulse = PulseLength::from_nm(20_000_000).expect("a usual wheel");
    let mut config = Config::new(pulse, &nozzles, &detectors);
    config.faulty = &[3];
    config.modes.acknowledge_at_start = true;
    let mut core = Core::blank();
    config.timing.slack.0 = 0;
    assert_eq!(core.set_up(&config), Err(ConfigError::Slack));
    config.timing.slack.0 = 500;
    assert_eq!(core.set_up(&config), Ok(()));
    assert_eq!(core.set_up(&config), Err(ConfigError::SetUpAlready));
    let mut other = Core::new(&config).expect("sound");
    let ours = drive(&mut core);
    let theirs = drive(&mut other);
    assert_eq!(ours, theirs);
    assert_eq!(
        ours.0.len(),
        6,
        "a plant on three healthy nozzles: {ours:?}"
    );
}

/// A drive past one plant across the boom: what was told, and counted.
fn drive(core: &mut Core<'_>) -> (Vec<(u16, Action, u64)>, Counters) {
    let mut told = Vec::new();
    let mut poll = |core: &mut Core<'_>, now| {
        loop {
            match core.poll(now) {
                Poll::Command(c) => told.push((c.nozzle, c.action, c.at.0)),
                Poll::Busy => {}
                Poll::Idle { .. } => return,
            }
        }
    };
    poll(core, Micros(0));
    core.acknowledge(Micros(0)).expect("it stands");
    for k in 1..200_u64 {
        let from = 4000 * (k - 1);
        (1..8).for_each(|part| poll(core, Micros(from + 500 * part)));
        let now = Micros(4000 * k);
        poll(core, now);
        core.handle_pulse(now).expect("5 m/s");
        if k == 50 {
            let plant = Plant {
                x: MM(200),
                length: MM(40),
                width: MM(1900),
                ..Plant::default()
            };
            let seen = Stretch {
                from: MM(0),
                to: MM(400),
            };
            let image = Image {
                detector: 0,
                captured_at: now,
                seen,
                plants: &[plant],
            };
            core.handle_image(now, &image).expect("sound");
        }
        poll(core, now);
    }
    (told, *core.counters())
}
