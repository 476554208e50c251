//! Random plants through the real core against the theory of random coverage, which
//! knows nothing of pulses, grids or valves.
//!
//! Plants on one lane are a Poisson process of λ a metre, each opens the valve over L;
//! overlapping stretches merge. A gap too short for the valve (2.5 ms of travel here)
//! is bridged: 5 mm at 2 m/s, which the allowance for bias below takes in.

use controller_core::{Action, Length, Span};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use system_tests::{Input, one_lane, plant, pulses, run};

const V: f64 = 2.0;
/// Ground that a gap must have for the valve to close in it.
const BRIDGED: f64 = 0.005;

/// What one pass over `[0, ground)` did.
struct Pass {
    openings: usize,
    bare: f64,
    runs: Vec<f64>,
}

/// `count` plants without size, strewn evenly over `ground` metres, `length` of spray each.
fn pass(seed: u64, count: usize, ground: f64, length: f64) -> Pass {
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut plants: Vec<f64> = (0..count)
        .map(|_| random.random::<f64>() * ground)
        .collect();
    plants.sort_by(f64::total_cmp);
    let margin = Length::from_um((length * 0.5e6).round() as i32);
    let mut core = one_lane(|c, n| {
        (c.patch.lead, c.patch.trail) = (margin, margin);
        (c.timing.shortest_on, c.timing.shortest_off) = (Span(2_500), Span(2_500));
        n.close_delay = n.open_delay;
    });
    // The lane begins 10 m into the drive, so that all of it is seen coming.
    let end = (ground + 20.0) / V;
    let mut inputs = pulses(|t| V * t, 0.0, end, 0.02);
    for x in &plants {
        let captured = (((x + 10.0 - 1.8) / V) * 1e6).round();
        let ahead = x + 10.0 - V * captured * 1e-6;
        let image = Input::Image {
            captured: captured as u64,
            seen: (0, 2000),
            plants: vec![plant((ahead * 1e6).round() as i32, 0, 0, 100_000)],
        };
        inputs.push((captured as u64 + 80_000, image));
    }
    inputs.sort_by_key(|i| i.0);
    let commands = run(&mut core, &inputs, (end * 1e6) as u64, &[]);
    let counters = core.counters();
    assert_eq!((counters.late, counters.missed_late), (0, 0));
    assert_eq!(counters.plants as usize, count);
    // Both edges land (20 + 25) ms of travel after their commands.
    let land = |at: u64| (at as f64 * 1e-6 + 0.045) * V - 10.0;
    let stretches: Vec<(f64, f64)> = commands
        .chunks(2)
        .map(|pair| {
            assert_eq!(
                (pair[0].action, pair[1].action),
                (Action::Open, Action::Close)
            );
            (land(pair[0].at.0), land(pair[1].at.0))
        })
        .collect();
    let wet: f64 = stretches
        .iter()
        .map(|s| (s.1.min(ground) - s.0.max(0.0)).max(0.0))
        .sum();
    Pass {
        openings: stretches.len(),
        bare: ground - wet,
        runs: stretches.iter().map(|s| s.1 - s.0).collect(),
    }
}

#[track_caller]
fn near(what: &str, got: f64, wanted: f64, within: f64) {
    println!("coverage, {what}: {got:.4} for {wanted:.4}, within {within:.4}");
    assert!(
        (got - wanted).abs() <= within,
        "{what}: {got} for {wanted}, within {within}"
    );
}

/// Lander E.S., Waterman M.S. 1988, Genomics 2:231; worked table for G = 50,000 bases
/// and L = 100 at coverage c, Univ. of Oklahoma genome centre, Table 5: gaps, bases
/// uncovered, mean gap. Read a centimetre for a base: it is free of scale. (Its entry of
/// 18,500 bases at c = 1 rounds e⁻¹ to 0.37.)
#[test]
fn gaps_of_the_lander_waterman_table() {
    const SEEDS: u64 = 12;
    for (c, gaps, bare_bases, mean_gap) in [
        (1.0, 185.0, 18_500.0, 100.0),
        (2.0, 135.0, 6_750.0, 50.0),
        (3.0, 75.0, 2_500.0, 33.3),
        (4.0, 36.0, 900.0, 25.0),
        (5.0, 16.8, 335.0, 20.0),
    ] {
        let passes: Vec<Pass> = (0..SEEDS)
            .map(|seed| pass(seed, (500.0 * c) as usize, 500.0, 1.0))
            .collect();
        let n = passes.len() as f64;
        let got_gaps = passes.iter().map(|p| p.openings as f64).sum::<f64>() / n;
        let got_bare = passes.iter().map(|p| p.bare * 100.0).sum::<f64>() / n;
        // Three standard errors of a count of gaps, 1 % of rounding in the table, and
        // the gaps shorter than the valve can close in.
        let share = 3.0 / (gaps * n).sqrt() + 0.01 + c * BRIDGED;
        near(&format!("gaps at c = {c}"), got_gaps, gaps, gaps * share);
        // A gap's length scatters as much as its mean: √2 of the error of the count.
        let share = share * std::f64::consts::SQRT_2;
        near(
            &format!("bases bare at c = {c}"),
            got_bare,
            bare_bases,
            bare_bases * share,
        );
        near(
            &format!("mean gap at c = {c}"),
            got_bare / got_gaps,
            mean_gap,
            mean_gap * share,
        );
    }
}

/// Hall P. 1988, Introduction to the Theory of Coverage Processes: covered share
/// 1 − exp(−λL); openings per metre λ·exp(−λL) and mean run (e^{λL} − 1)/λ (busy period
/// of M/G/∞: Takács 1962). Variance of the covered share of a long strip, per metre:
/// 2e^{−2a}(e^a − 1 − a)/λ with a = λL (Hall §3).
#[test]
fn shares_openings_and_runs_of_random_coverage() {
    const SEEDS: u64 = 12;
    const GROUND: f64 = 300.0;
    for lambda in [0.2f64, 0.5, 1.0] {
        let a = lambda;
        let passes: Vec<Pass> = (100..100 + SEEDS)
            .map(|seed| pass(seed, (lambda * GROUND) as usize, GROUND, 1.0))
            .collect();
        let metres = GROUND * SEEDS as f64;
        let bare: f64 = passes.iter().map(|p| p.bare).sum();
        let openings: f64 = passes.iter().map(|p| p.openings as f64).sum();
        let runs: Vec<f64> = passes.iter().flat_map(|p| p.runs.iter().copied()).collect();
        let sigma = (2.0 * (-2.0 * a).exp() * (a.exp() - 1.0 - a) / lambda / metres).sqrt();
        let bias = lambda * BRIDGED + 0.003;
        near(
            &format!("sprayed share at λL = {a}"),
            1.0 - bare / metres,
            1.0 - (-a).exp(),
            3.0 * sigma + bias,
        );
        let rate = lambda * (-a).exp();
        near(
            &format!("openings a metre at λL = {a}"),
            openings / metres,
            rate,
            3.0 * (rate / metres).sqrt() + rate * bias,
        );
        let run = (a.exp() - 1.0) / lambda;
        let scatter = ((a.exp().powi(2) - 2.0 * a * a.exp() - 1.0) / (lambda * lambda)).sqrt();
        let got = runs.iter().sum::<f64>() / runs.len() as f64;
        near(
            &format!("mean run at λL = {a}"),
            got,
            run,
            3.0 * scatter / (runs.len() as f64).sqrt() + run * bias,
        );
    }
}

/// Common practice, no source: at some 3,000 point-like plants an acre, patches of
/// 2.75 ft and one lane a nozzle 15 to 20 in apart, about three quarters of the product
/// is saved. The closed form exp(−λL) gives 79 and 73 %. One lane a nozzle: what
/// overlapping fans do to it is another matter.
#[test]
fn about_three_quarters_saved() {
    const ACRE: f64 = 4_046.856;
    for (lane_in, closed_form) in [(15.0, 0.79), (20.0, 0.73)] {
        let lambda = 3000.0 / ACRE * lane_in * 0.0254;
        let length: f64 = 2.75 * 0.3048;
        assert!(((-lambda * length).exp() - closed_form).abs() < 0.005);
        let ground = 400.0;
        let bare: f64 = (0..8)
            .map(|seed| pass(seed, (lambda * ground) as usize, ground, length).bare)
            .sum();
        near(
            &format!("saved at {lane_in} in"),
            bare / (8.0 * ground),
            closed_form,
            0.02,
        );
    }
}
