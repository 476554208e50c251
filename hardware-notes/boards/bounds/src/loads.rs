//! Random loads: the search for what the cases made by hand miss.

use crate::meter::{Meter, Row};
use crate::rig::{Boom, D, Rig, SPACING_MM, Tables, plant};
use controller_core::{Length, Mode, Over, Plant, Span, UnseenPolicy};
use core::hint::black_box;

/// Drives `events` random inputs, all layers in use or the plan alone.
pub fn run<const N: usize>(meter: &mut Meter, seed: u64, events: u32, layers: bool) {
    meter.random = true;
    let mut chance = crate::rig::Chance(seed);
    let delay = |chance: &mut crate::rig::Chance| Span(chance.below(60_000));
    let (open, close) = (delay(&mut chance), delay(&mut chance));
    let mut tables = Tables::<N>::new(open, close);
    for nozzle in &mut tables.nozzles {
        nozzle.x = Length::from_mm(chance.between(-200, 200));
        nozzle.open_delay = Span(open.0 + chance.below(4000));
    }
    let mut config = tables.config(20);
    config.timing.shortest_on = Span(2500 + chance.below(60_000));
    config.timing.shortest_off = Span(2500 + chance.below(60_000));
    config.patch.edge_extra = Length::from_mm(chance.between(0, 60));
    if layers && chance.below(2) == 0 {
        config.modes.unseen = UnseenPolicy::Spray;
    }
    #[cfg(feature = "turning")]
    let by_wheels = chance.below(3) == 0;
    #[cfg(feature = "turning")]
    if by_wheels {
        config.turning = Some(crate::rig::turning(crate::rig::second_wheel()));
    }
    let config = black_box(config);
    let Ok(mut core) = Boom::<N>::new(&config) else {
        return;
    };
    let deciding = if layers {
        Row::PollComposed
    } else {
        Row::PollPlan
    };
    let mut rig = Rig::new(&mut core, meter, deciding, 100);
    rig.pulses = Row::WholeAimsWide;
    #[cfg(feature = "turning")]
    {
        rig.second = by_wheels.then_some(0);
    }
    rig.run_up(60, 4000);
    let half = SPACING_MM * N as i32 / 2;
    for _ in 0..events {
        let period = 2700 + chance.below(3000);
        #[cfg(feature = "turning")]
        {
            // Mostly wide arcs, with a swerve now and then.
            let most = [100_000, 400_000, 1_500_000][(chance.below(20) / 9) as usize];
            rig.rate = chance.between(-most, most);
        }
        rig.pulse(period);
        match chance.below(if layers { 9 } else { 4 }) {
            0..=2 => image::<N>(&mut rig, &mut chance, half, layers),
            3 => {}
            4 | 5 => {
                let section = chance.below(16) as u8;
                let mode = [Mode::Spot, Mode::Broadcast, Mode::Off][chance.below(3) as usize];
                rig.mode(section, mode);
            }
            6 | 7 => {
                let from = chance.between(0, 6000);
                let over = if chance.below(3) == 0 {
                    Over::Boom
                } else {
                    Over::Section(chance.below(16) as u8)
                };
                rig.keep_off(over, from, from + chance.between(20, 600));
            }
            _ => {
                let on = u64::from(chance.next());
                rig.switches(on, on >> 16);
            }
        }
    }
    rig.stop();
}

fn image<const N: usize>(
    rig: &mut Rig<'_, '_, N>,
    chance: &mut crate::rig::Chance,
    half: i32,
    layers: bool,
) {
    let most = if chance.below(4) == 0 { 20 } else { 3 };
    let count = chance.below(most) as usize;
    let mut plants = [Plant::default(); 20];
    for slot in &mut plants {
        let wide = match chance.below(4) {
            0 => 2 * half,
            1 => half,
            _ => chance.between(5, 1200),
        };
        let (x, y) = (chance.between(-300, 4000), chance.between(-half, half));
        *slot = plant(x, y, chance.between(1, 120), wide);
    }
    let from = chance.between(-300, 2000);
    let seen = (from, from + chance.between(0, 2500));
    let row = if layers {
        Row::WholeImageComposed
    } else {
        Row::WholeImageWide
    };
    let age = u64::from(chance.below(80_000));
    let detector = chance.below(D as u32) as u8;
    rig.image(row, age, detector, seen, plants.get(..count).unwrap_or(&[]));
}
