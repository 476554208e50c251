//! Worst cases of a machine that turns, made by hand.

use crate::host::say;
use crate::meter::{Meter, Row};
use crate::rig::{Boom, D, K, Rig, SPACING_MM, Tables, plant, second_wheel, turning};
use crate::scenes::{self, CLOSE, OPEN, PERIOD, many, strips, width};
use controller_core::{FanConfig, Length, MAX_PLANTS_PER_IMAGE, Plant};
use core::hint::black_box;

/// Plants that the controller keeps to aim at anew.
const WAITING: usize = 48;

/// 1.25 m/s on pulses of 20 mm: so that a curve changes within the last metre.
const SLOW: u32 = 16_000;
/// Yaw rates to and fro, µrad/s.
const SWERVES: [i32; 2] = [120_000, -120_000];

/// Runs every scene. False when one did not come about as it was meant.
pub fn run<const N: usize>(meter: &mut Meter) -> bool {
    meter.random = false;
    let mut good = true;
    for (name, came_about) in [
        ("all at once", scenes::all_at_once::<N>(meter)),
        ("all too late", scenes::all_too_late::<N>(meter)),
        ("all joined", scenes::all_joined::<N>(meter)),
        ("composed", scenes::composed::<N>(meter)),
        ("orders", scenes::orders::<N>(meter)),
        ("run back", run_back::<N>(meter)),
        ("aimed anew", aimed_anew::<N>(meter, false)),
        ("aimed anew by two wheels", aimed_anew::<N>(meter, true)),
        ("chosen anew", chosen_anew::<N>(meter)),
        ("images", images::<N>(meter)),
    ] {
        if !came_about {
            say(format_args!(
                "scene '{name}' of {N} turning nozzles did not come about"
            ));
            good = false;
        }
    }
    good
}

/// Full lists, and a turn so tight that half the boom runs back.
fn run_back<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let config = black_box(tables.config(20));
    let Ok(mut core) = Boom::<N>::new(&config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
    rig.rate = 0;
    rig.run_up(100, PERIOD);
    for rate in [1_900_000, -1_900_000] {
        rig.rate = 0;
        rig.run_up(60, PERIOD);
        rig.image(
            Row::WholeImageWide,
            1000,
            0,
            (0, 8000),
            &strips::<N>(400, 350, 20),
        );
        rig.rate = rate;
        rig.run_up(12, PERIOD);
    }
    rig.core.yaw_counts().ran_back as usize >= K * N / 4
}

/// As many plants as are kept, near the boom, lists full; the curve swings to and fro, so that
/// each is moved, to other nozzles or on those that it has.
fn aimed_anew<const N: usize>(meter: &mut Meter, by_wheels: bool) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let mut config = tables.config(20);
    if by_wheels {
        config.turning = Some(turning(second_wheel()));
    }
    let config = black_box(config);
    let mut good = true;
    for wide in [4 * SPACING_MM - 40, width::<N>() / 2, width::<N>()] {
        let Ok(mut core) = Boom::<N>::new(&config) else {
            return false;
        };
        let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
        rig.second = by_wheels.then_some(0);
        rig.run_up(100, SLOW);
        for _ in 0..2 {
            rig.image(
                Row::WholeImageWide,
                1000,
                0,
                (0, 8000),
                &strips::<N>(2200, 350, 20)[..8],
            );
            let narrow = many::<N>(-500, 150, 8);
            let near: [Plant; WAITING] = core::array::from_fn(|k| match wide {
                wide if wide < width::<N>() / 2 => narrow[k],
                wide => plant(-500 + 25 * k as i32, 0, 20, wide),
            });
            rig.until(rig.now + 1);
            rig.image(Row::WholeImage64, 1000, 0, (0, 8000), &near);
            for k in 0..60 {
                rig.rate = SWERVES[k / 12 % 2];
                rig.pulse(SLOW);
            }
        }
        good &= rig.core.yaw_counts().moved > 20;
    }
    good
}

/// The same with fans on an uneven boom with faulty nozzles: the set is searched anew.
fn chosen_anew<const N: usize>(meter: &mut Meter) -> bool {
    let mut tables = Tables::<N>::new(OPEN, CLOSE);
    for (k, nozzle) in tables.nozzles.iter_mut().enumerate() {
        let shift = Length::from_mm([0, 9, -7, 4][k % 4]);
        nozzle.y = nozzle.y.plus(shift);
    }
    let mut config = tables.config(20);
    let faulty = [3, 7, (N / 2) as u16];
    config.faulty = &faulty;
    let mm = Length::from_mm;
    config.fan = Some(FanConfig::new(mm(1000), mm(0), mm(SPACING_MM)));
    let config = black_box(config);
    let Ok(mut core) = Boom::<N>::new(&config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
    rig.fans = true;
    rig.run_up(100, SLOW);
    for round in 0..2 {
        let wide = [20, 6 * SPACING_MM][round];
        let near: [Plant; WAITING] = core::array::from_fn(|k| {
            let y = (k as i32 % 8 - 4) * width::<N>() / 10 + 37 * k as i32;
            plant(-500 + 25 * k as i32, y, 20, wide)
        });
        rig.image(Row::WholeImage64Fan, 1000, 0, (0, 8000), &near);
        for k in 0..60 {
            rig.rate = SWERVES[k / 12 % 2];
            rig.pulse(SLOW);
        }
    }
    rig.core.yaw_counts().moved > 10
}

/// Images of 64 plants on wide and tight arcs to either hand, old and new, into full lists; some
/// of the plants lie beyond the turn's centre.
fn images<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let config = black_box(tables.config(20));
    let mut good = true;
    for rate in [60_000, -250_000, 900_000] {
        let Ok(mut core) = Boom::<N>::new(&config) else {
            return false;
        };
        let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
        rig.rate = rate;
        rig.run_up(200, PERIOD);
        rig.image(
            Row::WholeImageWide,
            1000,
            0,
            (0, 20_000),
            &strips::<N>(300, 400, 20),
        );
        for detector in 0..D as u8 {
            let age = [0, 1000, 200_000, 400_000][usize::from(detector)];
            rig.until(rig.now + 1);
            let one = [plant(400, 0, 20, 4 * SPACING_MM - 40)];
            rig.image(Row::WholeImageOne, age, detector, (0, 20_000), &one);
            let plants = many::<N>(500, 97, 8);
            rig.image(Row::WholeImage64, age, detector, (0, 20_000), &plants);
            rig.run_up(3, PERIOD);
        }
        let all: [Plant; MAX_PLANTS_PER_IMAGE] =
            core::array::from_fn(|k| plant(500 + 97 * k as i32, 0, 20, width::<N>()));
        rig.image(Row::WholeImageWide, 300_000, 0, (0, 20_000), &all[..24]);
        good &= rig.core.counters().plants >= 64;
    }
    good
}
