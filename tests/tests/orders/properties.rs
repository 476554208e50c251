//! Properties of keep-off ground and modes.

use super::*;

fn mm_of(core: &Core) -> (u32, u32) {
    (core.counters().keep_off_crossed, core.counters().withheld)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// Keep-off ground stays dry, whatever stands there and however the machine goes: not a
    /// drop by true motion, fan of 40 mm, rise 4 ms and fall 6 ms included. The machine's
    /// speed swings by 20 % at 0.3 Hz; the margin of 20 mm is what the foretelling may be off.
    #[test]
    fn keep_off_ground_stays_dry(
        speed in 1.0f64..6.0, phase in 0.0f64..6.2, broadcast in any::<bool>(), spray in any::<bool>(),
        lines in proptest::collection::vec((1.0f64..25.0, 0.05f64..3.0), 1..6),
        plants in proptest::collection::vec((0.3f64..28.0, 0.01f64..0.8), 0..30),
    ) {
        let w = 2.0 * std::f64::consts::PI * 0.3;
        let place = move |t: f64| speed * (t - 0.2 / w * ((w * t + phase).cos() - phase.cos()));
        let at_speed = move |t: f64| speed * (1.0 + 0.2 * (w * t + phase).sin());
        let mut core = one_lane(|c, _| {
            c.modes.unseen = if spray { UnseenPolicy::Spray } else { UnseenPolicy::Skip };
            c.patch.edge_extra = Length::from_mm(20);
            c.patch.open_extra_time = Span::from_ms(2);
            c.patch.close_extra_time = Span::from_ms(3);
        });
        let end = 30.0 / speed;
        let mut inputs = pulses(place, 0.0, end, 0.02);
        let start = 200_000;
        let x0 = place(0.2);
        for chunk in plants.chunks(8) {
            let plants = chunk.iter().map(|(x, l)| plant((x * 1e6) as i32, 0, (l * 1e6) as i32, 50_000)).collect();
            inputs = with(inputs, start, Input::Image { captured: start, seen: (0, 20_000), plants });
        }
        for (from, length) in &lines {
            inputs = with(inputs, start, keep_off(*from, from + length));
        }
        if broadcast { inputs = with(inputs, start, mode(Mode::Broadcast)); }
        let commands = run(&mut core, &inputs, (end * 1e6) as u64 + 1_000_000, &[]);
        for pair in commands.chunks(2) {
            let (open, close) = (pair[0].at.0 as f64 * 1e-6, pair[1].at.0 as f64 * 1e-6);
            let lands = |t: f64| place(t) + 0.025 * at_speed(t);
            let wet = (lands(open + 0.020 - 0.002) - 0.02, lands(close + 0.015 + 0.003) + 0.02);
            for (from, length) in &lines {
                let (from, to) = (x0 + from, x0 + from + length);
                // What is open already when the order comes may overrun a line near by.
                if from < lands(0.2 + 0.030) + 0.05 { continue; }
                prop_assert!(wet.1 <= from || wet.0 >= to, "wet {wet:?} on {from} to {to}: {pair:?}, {:?}", mm_of(&core));
            }
        }
    }

    /// No patch is lost by changes of mode: where spot was on from well before a plant to well
    /// behind it, the plant is full.
    #[test]
    fn modes_lose_no_pending_patch(
        speed in 1.0f64..5.0,
        plants in proptest::collection::vec((1.0f64..28.0, 0.01f64..0.3), 1..30),
        changes in proptest::collection::vec((0.3f64..6.0, 0u8..3), 0..12),
    ) {
        let mut core = one_lane(plain);
        let end = 30.0 / speed;
        let mut inputs = pulses(|t| speed * t, 0.0, end, 0.02);
        // Each plant is seen 1 m ahead of the boom, in order.
        let mut plants = plants;
        plants.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (x, length) in &plants {
            let captured = ((x - 1.0).max(0.05) / speed * 1e6) as u64;
            let ahead = x - captured as f64 * 1e-6 * speed;
            let plants = vec![plant((ahead * 1e6) as i32, 0, (length * 1e6) as i32, 50_000)];
            inputs = with(inputs, captured + 1_000, Input::Image { captured, seen: (0, 1500), plants });
        }
        let mut spells = vec![(0.0, Mode::Spot)];
        let mut changes = changes;
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (at, m) in &changes {
            let m = [Mode::Spot, Mode::Broadcast, Mode::Off][usize::from(*m)];
            inputs = with(inputs, (at * 1e6) as u64, mode(m));
            spells.push((*at, m));
        }
        let commands = run(&mut core, &inputs, (end * 1e6) as u64 + 1_000_000, &[]);
        let land = |t: f64| speed * t + 0.025 * speed;
        for (x, length) in &plants {
            let (near, far) = (x - length / 2.0, x + length / 2.0);
            if near - 0.05 < speed * 0.2 + 0.3 || far + 0.3 > speed * (end - 0.2) { continue; }
            // From 60 ms before the patch to 60 ms behind it only spot or broadcast.
            let (from, to) = ((near - 0.05) / speed - 0.1, (far + 0.05) / speed + 0.06);
            let on = spells.iter().enumerate().all(|(k, (at, m))| {
                let until = spells.get(k + 1).map_or(f64::INFINITY, |s| s.0);
                *m != Mode::Off || *at > to || until < from
            });
            if !on { continue; }
            let covered = commands.chunks(2).any(|c| {
                land(c[0].at.0 as f64 * 1e-6 + 0.020) <= near + 1e-3 && land(c[1].at.0 as f64 * 1e-6 + 0.015) >= far - 1e-3
            });
            prop_assert!(covered, "plant {near} to {far}: {spells:?} {commands:?}");
        }
    }
}
