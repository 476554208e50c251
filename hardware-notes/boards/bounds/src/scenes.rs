//! Worst cases made by hand: everything at once, and every list full.

use crate::host::say;
use crate::meter::{Meter, Row};
use crate::rig::{D, K, Rig, SPACING_MM, Tables, plant, set_up};
use controller_core::{
    BenchRequest, Direction, FanConfig, Length, MAX_PLANTS_PER_IMAGE, Mode, Over, Plant, Span,
    UnseenPolicy,
};
use core::hint::black_box;

/// Usual delays.
pub const OPEN: Span = Span::from_ms(20);
pub const CLOSE: Span = Span::from_ms(10);
/// 5 m/s on pulses of 20 mm.
pub const PERIOD: u32 = 4000;

/// A machine that turns does it at this rate, µrad/s, once the lists are full: 83 m of radius. (Where
/// an image comes in a curve, strips as wide as the boom grow into one another.)
const ARC: i32 = 60_000;

/// So many of each nozzle; on an arc, where patches move and some grow together, most of them.
const fn most<const N: usize>(each: usize) -> u32 {
    let all = (each * N) as u32;
    if cfg!(feature = "turning") {
        all / 4 * 3
    } else {
        all
    }
}

/// The width of the boom, mm.
pub const fn width<const N: usize>() -> i32 {
    SPACING_MM * N as i32
}

/// As many strips across the whole boom as a list holds, from `from` mm on, so far apart.
pub fn strips<const N: usize>(from: i32, apart: i32, length: i32) -> [Plant; K] {
    core::array::from_fn(|k| plant(from + apart * k as i32, 0, length, width::<N>()))
}

/// 64 plants, each on four nozzles, spread over the boom, in `rows` along travel.
pub fn many<const N: usize>(from: i32, apart: i32, rows: i32) -> [Plant; MAX_PLANTS_PER_IMAGE] {
    let in_a_row = MAX_PLANTS_PER_IMAGE as i32 / rows;
    core::array::from_fn(|k| {
        let (row, place) = (k as i32 % rows, k as i32 / rows);
        let wide = 4 * SPACING_MM;
        let room = width::<N>() - wide;
        let y = -room / 2 + place * room / (in_a_row - 1).max(1);
        // On whole lanes: a little less than four of them.
        let y = y.div_euclid(SPACING_MM) * SPACING_MM;
        plant(from + apart * row, y, 20, wide - 40)
    })
}

/// Runs every scene. False when one did not come about as it was meant.
pub fn run<const N: usize>(meter: &mut Meter) -> bool {
    meter.random = false;
    let mut good = true;
    for (name, came_about) in [
        ("pulses", pulses::<N>(meter)),
        ("all at once", all_at_once::<N>(meter)),
        ("all too late", all_too_late::<N>(meter)),
        ("all joined", all_joined::<N>(meter)),
        ("images", images::<N>(meter)),
        ("fans", fans::<N>(meter)),
        ("composed", composed::<N>(meter)),
        ("orders", orders::<N>(meter)),
    ] {
        if !came_about {
            say(format_args!(
                "scene '{name}' of {N} nozzles did not come about"
            ));
            good = false;
        }
    }
    good
}

/// Pulses with slots being learned and in use; then with aims looked up again, full lists.
fn pulses<const N: usize>(meter: &mut Meter) -> bool {
    let mut good = true;
    for pulse_mm in [20, 130] {
        let tables = Tables::<N>::new(OPEN, CLOSE);
        let config = black_box(tables.config(pulse_mm));
        let Some(mut core) = set_up::<N>(meter, &config) else {
            return false;
        };
        let turn = config.wheel.slots_per_turn;
        let mut rig = Rig::new(&mut core, meter, Row::PollPlan, turn);
        let period = pulse_mm as u32 * 200;
        rig.run_up(u32::from(turn) * 30, period);
        // Faster and slower, so that spans and acceleration change.
        for k in 0..400 {
            rig.pulse(period - 4 * (k % 100));
        }
        good &= rig.core.slots_in_use();
        // Four aims of four nozzles each a pulse, into full lists.
        for wide in [4 * SPACING_MM - 40, width::<N>()] {
            rig.pulses = if wide < width::<N>() {
                Row::WholeAims
            } else {
                Row::WholeAimsWide
            };
            let before = rig.core.counters().reaimed;
            for k in 0..24 {
                if k % 3 == 0 {
                    rig.until(rig.now + 1);
                    rig.image(
                        Row::WholeImageWide,
                        1000,
                        0,
                        (0, 5000),
                        &strips::<N>(1200, 150, 20),
                    );
                }
                rig.until(rig.now + u64::from(period) / 2);
                let plants: [Plant; 4] =
                    core::array::from_fn(|k| plant(2000 + 75 * k as i32, 0, 20, wide));
                rig.image(Row::WholeImageWide, 0, 0, (0, 5000), &plants);
                // Braking hard, so that what was foretold was too far.
                rig.pulse(period + 900 - period / 2);
                rig.pulse(period);
            }
            good &= rig.core.counters().reaimed > before;
        }
    }
    good
}

/// Fills every list and passes over it, all nozzles switching at the same instant.
pub fn all_at_once<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let config = black_box(tables.config(20));
    let Some(mut core) = set_up::<N>(meter, &config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
    rig.swing(0);
    rig.run_up(100, PERIOD);
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(200, 350, 20),
    );
    rig.swing(ARC);
    let full = rig.core.planned(0) == Some(K);
    rig.swing(0);
    rig.run_up(100, PERIOD);
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(200, 350, 20),
    );
    rig.swing(ARC);
    rig.run_up(400, PERIOD);
    let opened = rig.core.counters().commands >= most::<N>(2 * K);
    // Stopped at once while all are open and every list is full.
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(-700, 350, 200),
    );
    rig.swing(ARC);
    for _ in 0..200 {
        rig.pulse(PERIOD);
        if rig.core.is_open(N as u16 - 1) == Some(true) {
            break;
        }
    }
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(400, 350, 20),
    );
    rig.stop();
    full && opened && rig.core.is_open(0) == Some(false)
}

/// Slow valves, and every patch of full lists just ahead: none can be reached any more, and
/// one decision gives them all up.
pub fn all_too_late<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(Span::from_ms(250), Span::from_ms(250));
    let config = black_box(tables.config(20));
    let Some(mut core) = set_up::<N>(meter, &config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
    rig.swing(0);
    rig.run_up(100, 2600);
    // From 0.1 to 1.6 m ahead of the boom, where 1.9 m pass before an open takes effect.
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (-1000, 8000),
        &strips::<N>(-850, 105, 1),
    );
    rig.swing(ARC);
    rig.run_up(20, 2600);
    rig.core.counters().missed_late >= (K * N) as u32 / 2
}

/// Valves that must stay open for a second: a whole list passes meanwhile, and the close
/// joins it all.
pub fn all_joined<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let mut config = tables.config(20);
    config.timing.shortest_on = Span::from_ms(1000);
    config.timing.shortest_off = Span::from_ms(1000);
    let config = black_box(config);
    let Some(mut core) = set_up::<N>(meter, &config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
    rig.swing(0);
    rig.run_up(100, 2600);
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(200, 200, 20),
    );
    rig.swing(ARC);
    rig.run_up(600, 2600);
    rig.core.counters().gaps_bridged >= most::<N>(K - 1)
}

/// Images of one and of 64 plants into full lists, all of which must be joined by force.
fn images<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let config = black_box(tables.config(20));
    let mut good = true;
    for k in 0..10 {
        let Some(mut core) = set_up::<N>(meter, &config) else {
            return false;
        };
        let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
        rig.run_up(100, PERIOD);
        rig.image(
            Row::WholeImageWide,
            1000,
            0,
            (0, 20_000),
            &strips::<N>(1500, 400, 20),
        );
        let before = rig.core.counters().forced_merges;
        // In the first, some and the last gap; old, and captured after the last pulse.
        let gap = 1700 + 400 * [0, 1, 7, 13, 14][k % 5];
        let one = [plant(gap, 0, 20, 4 * SPACING_MM - 40)];
        let age = if k % 2 == 0 { 0 } else { 400_000 };
        rig.until(rig.now + 1);
        rig.image(Row::WholeImageOne, age, 0, (0, 20_000), &one);
        good &= rig.core.counters().forced_merges == before + 4;
        rig.image(
            Row::WholeImage64,
            age,
            0,
            (0, 20_000),
            &many::<N>(1700, 37, 8),
        );
        good &= rig.core.counters().plants >= 64;
        // Every plant on every nozzle.
        let wide: [Plant; MAX_PLANTS_PER_IMAGE] =
            core::array::from_fn(|k| plant(1700 + 97 * k as i32, 0, 20, width::<N>()));
        rig.image(Row::WholeImageWide, age, 0, (0, 20_000), &wide);
    }
    good
}

/// The same with fans of three spacings on an uneven boom with faulty nozzles, where the sets are
/// searched; and on an even one, where runs of neighbours are.
fn fans<const N: usize>(meter: &mut Meter) -> bool {
    let mut uneven = Tables::<N>::new(OPEN, CLOSE);
    for (k, nozzle) in uneven.nozzles.iter_mut().enumerate() {
        let shift = Length::from_mm([0, 9, -7, 4][k % 4]);
        nozzle.y = nozzle.y.plus(shift);
    }
    let even = Tables::<N>::new(OPEN, CLOSE);
    let faulty = [3, 7, (N / 2) as u16];
    let mut good = true;
    for (tables, faulty, half, flat) in [
        (&uneven, &faulty[..], 700, 100),
        (&uneven, &faulty[..], 1000, 0),
        (&uneven, &faulty[..], 500, 250),
        (&even, &[], 250, 0),
    ] {
        let mut config = tables.config(20);
        let mm = Length::from_mm;
        config.fan = Some(FanConfig::new(mm(half), mm(flat), mm(SPACING_MM)));
        config.faulty = faulty;
        let config = black_box(config);
        let Some(mut core) = set_up::<N>(meter, &config) else {
            return false;
        };
        let mut rig = Rig::new(&mut core, meter, Row::PollPlan, 100);
        rig.fans = true;
        rig.run_up(100, PERIOD);
        for k in 0..24 {
            rig.image(
                Row::WholeImageWide,
                1000,
                0,
                (0, 20_000),
                &strips::<N>(1500, 400, 20),
            );
            let y = [0, 125, 60, -125 * N as i32 / 2 + 300][k % 4] + 13 * k as i32;
            let wide = [20, 4 * SPACING_MM - 40, 6 * SPACING_MM][k % 3];
            let one = [plant(1700 + 400 * (k as i32 % 14), y, 20, wide)];
            let before = rig.core.counters().plants;
            rig.image(Row::WholeImageOneFan, 0, 0, (0, 20_000), &one);
            good &= rig.core.counters().plants > before;
            rig.image(
                Row::WholeImage64Fan,
                0,
                0,
                (0, 20_000),
                &many::<N>(1700, 37, 8),
            );
            // All nozzles, half of them, and as many as are just searched.
            let wide = [width::<N>(), width::<N>() / 2, 30 * SPACING_MM - 2 * half];
            let one = [plant(1700, 0, 20, wide[k % 3])];
            rig.image(Row::WholeImage64Fan, 0, 0, (0, 20_000), &one);
            rig.run_up(5, PERIOD);
        }
    }
    good
}

/// Every layer at once: unseen ground sprayed, four detectors over every nozzle with full
/// lists, sixteen keep-off stretches, full plans.
pub fn composed<const N: usize>(meter: &mut Meter) -> bool {
    let mut good = true;
    for lines_on_plants in [false, true] {
        let tables = Tables::<N>::new(OPEN, CLOSE);
        let mut config = tables.config(20);
        config.modes.unseen = UnseenPolicy::Spray;
        let config = black_box(config);
        let Some(mut core) = set_up::<N>(meter, &config) else {
            return false;
        };
        let mut rig = Rig::new(&mut core, meter, Row::PollComposed, 100);
        rig.swing(0);
        rig.run_up(100, PERIOD);
        rig.image(
            Row::WholeImageComposed,
            1000,
            0,
            (0, 8000),
            &strips::<N>(600, 400, 20),
        );
        for detector in 0..D as u8 {
            let base = -1000 - 100 * i32::from(detector);
            let overlap = if lines_on_plants { 250 } else { 0 };
            for k in 0..8 {
                let from = base + 900 * k + 210 * i32::from(detector);
                rig.image(
                    Row::WholeImageComposed,
                    1000,
                    detector,
                    (from, from + 600 + overlap),
                    &[],
                );
            }
        }
        // Between the plants, or over each of them.
        let shift = if lines_on_plants { -80 } else { 120 };
        for k in 0..16 {
            let from = 1600 + 400 * k + shift;
            rig.keep_off(Over::Boom, from, from + 160);
        }
        rig.swing(ARC);
        let one = [plant(2800, 0, 20, 4 * SPACING_MM - 40)];
        rig.image(Row::WholeImageComposed, 1000, 0, (0, 100), &one);
        // In a curve every nozzle is decided at every instant: less will do, and takes long enough.
        let rounds = if cfg!(feature = "turning") { 8 } else { 24 };
        for k in 0..rounds {
            rig.run_up(if k < 8 { 3 } else { 12 }, PERIOD);
            let section = k % 16;
            let mode = [Mode::Broadcast, Mode::Off, Mode::Spot][usize::from(k) % 3];
            rig.mode(section, mode);
            rig.mode(section, Mode::Spot);
        }
        let sprayed = rig.core.counters().commands > N as u32;
        // All open on fresh ground, then stopped.
        for section in 0..16 {
            rig.mode(section, Mode::Broadcast);
        }
        for _ in 0..400 {
            if rig.core.is_open(0) == Some(true) && rig.core.is_open(N as u16 - 1) == Some(true) {
                break;
            }
            rig.pulse(PERIOD);
        }
        rig.stop();
        good &= sprayed && rig.core.is_open(0) == Some(false);
    }
    good
}

/// What a person and the machine tell: each at full lists.
pub fn orders<const N: usize>(meter: &mut Meter) -> bool {
    let tables = Tables::<N>::new(OPEN, CLOSE);
    let config = black_box(tables.config(20));
    let Some(mut core) = set_up::<N>(meter, &config) else {
        return false;
    };
    let mut rig = Rig::new(&mut core, meter, Row::PollComposed, 100);
    rig.run_up(100, PERIOD);
    rig.image(
        Row::WholeImageWide,
        1000,
        0,
        (0, 8000),
        &strips::<N>(400, 300, 100),
    );
    for k in 0..20 {
        // The seventeenth and later join two.
        rig.keep_off(
            Over::Section(k % 16),
            3000 + 200 * i32::from(k),
            3100 + 200 * i32::from(k),
        );
        rig.pulse(PERIOD);
    }
    let joined = rig.core.counters().keep_off_joined > 0;
    rig.switches(0xFFFF, 0);
    rig.run_up(20, PERIOD);
    rig.switches(0xF0F0, 0x0F0F);
    rig.run_up(20, PERIOD);
    rig.fault(5, true);
    rig.fault(5, false);
    rig.run_up(5, PERIOD);
    rig.direction(Direction::Reverse);
    rig.run_up(20, PERIOD);
    rig.direction(Direction::Forward);
    rig.run_up(20, PERIOD);
    rig.stop();
    rig.until(rig.now + 3_000_000);
    rig.acknowledge();
    let free = rig.core.counters().acknowledged == 1;
    let on = Span::from_ms(500);
    rig.bench(BenchRequest::Click { nozzle: 1, on });
    rig.until(rig.now + 100_000);
    rig.bench(BenchRequest::Release);
    rig.until(rig.now + 300_000);
    rig.bench(BenchRequest::Flush { on });
    rig.until(rig.now + 100_000);
    rig.bench(BenchRequest::Hold);
    let open = rig.core.is_open(0) == Some(true);
    rig.bench(BenchRequest::Release);
    joined && free && open
}
