//! Hits against closed forms and against causes that are drawn.

use super::hits::*;
use super::normal::below;
use super::*;

const ONE: &[(u32, f64)] = &[(1, 1.0)];

fn cause(moves: Moves, sd: f64) -> Cause {
    Cause {
        moves,
        spread: Spread::Normal(sd),
    }
}

#[test]
fn a_normal_shift_has_its_closed_form() {
    // Both edges shifted alike by s: full while -trail <= s <= lead, so Φ(lead/σ) − Φ(−trail/σ).
    let errors = Errors::new(&[cause(Moves::Plant, 0.010)], ONE);
    for (lead, trail) in [(0.01, 0.01), (0.02, 0.005), (0.026, 0.026), (0.0, 0.03)] {
        let closed = below(lead / 0.010) - below(-trail / 0.010);
        let got = errors.hits(Buffers { lead, trail });
        assert!(
            (got - closed).abs() < 1e-3,
            "{lead} {trail}: {got} {closed}"
        );
    }
}

#[test]
fn normal_edges_for_themselves_have_their_closed_form() {
    // Each edge for itself: Φ(lead/σ)·Φ(trail/σ), and for two nozzles its square.
    let causes = [cause(Moves::Ends, 0.010), cause(Moves::Start, 0.024)];
    for (lanes, power) in [(1, 1), (2, 2)] {
        let errors = Errors::new(&causes, &[(lanes, 1.0)]);
        for (lead, trail) in [(0.03, 0.01), (0.052, 0.02)] {
            let closed = (below(lead / 0.026) * below(trail / 0.010)).powi(power);
            let got = errors.hits(Buffers { lead, trail });
            assert!((got - closed).abs() < 1e-5, "{got} {closed}");
        }
    }
}

#[test]
fn the_smallest_buffers_reach_what_is_wanted_and_no_more() {
    let causes = [
        cause(Moves::Plant, 0.008),
        cause(Moves::Nozzle, 0.003),
        cause(Moves::Start, 0.010),
        cause(Moves::Ends, 0.004),
    ];
    let errors = Errors::new(&causes, &[(1, 0.8), (2, 0.2)]);
    for wanted in [0.5, 0.9, 0.99, 0.999] {
        let best = errors.smallest(wanted).expect("reached");
        assert!((errors.hits(best) - wanted).abs() < 2e-4, "{wanted}");
        // The start strays more, so it gets more, unless half of all may be missed.
        assert!(best.lead > best.trail || wanted < 0.9, "{best:?}");
        for shift in [-0.002, 0.002] {
            let other = Buffers {
                lead: best.lead + shift,
                trail: best.trail - shift,
            };
            assert!(errors.hits(other) < wanted + 5e-5, "{wanted} {shift}");
        }
    }
    assert_eq!(errors.smallest(1.0), None);
    assert_eq!(errors.smallest(f64::NAN), None);
}

#[test]
fn an_edge_in_a_neighbours_spray_cannot_fail() {
    use super::Spots;
    let buffers = Buffers {
        lead: 0.02,
        trail: 0.01,
    };
    // Half of the edges: 1 − exp(−λ·L) with λ = 2/m and L = 0.3 + 0.03 + 0.016574 m.
    let neighbours = Neighbours {
        spots: Spots {
            per_m: 2.0,
            bare_m: 0.3,
        },
        bridged_m: 0.5 * 2.0_f64.ln() - 0.33,
        k: None,
    };
    let causes = [cause(Moves::Ends, 0.010)];
    let alone = Errors::new(&causes, ONE);
    let among = alone.clone().among(neighbours);
    let edge = |sds: f64| 0.5 + 0.5 * below(sds);
    let got = among.hits(buffers);
    assert!((got - edge(2.0) * edge(1.0)).abs() < 1e-5, "{got}");
    // So less is needed for as many hits.
    let less = among.smallest(0.95).expect("reached").sum();
    assert!(less < 0.9 * alone.smallest(0.95).expect("reached").sum());
}

#[test]
fn a_swing_is_out_for_as_long_as_a_sine_is() {
    // A sine stays below half of its height for two thirds of the time: arcsine law.
    let swing = Cause {
        moves: Moves::Plant,
        spread: Spread::Swing(vec![0.04]),
    };
    let errors = Errors::new(std::slice::from_ref(&swing), ONE);
    let got = errors.hits(Buffers {
        lead: 0.02,
        trail: 1.0,
    });
    assert!((got - 2.0 / 3.0).abs() < 0.01, "{got}");
    assert!((swing.spread.sd() - 0.04 / 2.0_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn causes_that_are_drawn_give_what_is_worked_out() {
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    let causes = [
        cause(Moves::Plant, 0.009),
        Cause {
            moves: Moves::Plant,
            spread: Spread::Swing(vec![0.005, 0.02]),
        },
        cause(Moves::Nozzle, 0.006),
        cause(Moves::Start, 0.004),
        cause(Moves::Stop, 0.007),
        cause(Moves::AllEnds, 0.005),
        cause(Moves::AllStarts, 0.004),
    ];
    let errors = Errors::new(&causes, &[(2, 1.0)]);
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(5);
    let mut draw = |sd: f64| Normal::new(0.0, sd).expect("an sd").sample(&mut rng);
    let buffers = Buffers {
        lead: 0.022,
        trail: 0.019,
    };
    let mut phases = rand_pcg::Pcg64Mcg::seed_from_u64(6);
    let n = 100_000;
    let hits = (0..n)
        .filter(|i| {
            let turn = std::f64::consts::TAU * phases.random::<f64>();
            let swing = if i % 2 == 0 { 0.005 } else { 0.02 } * turn.sin();
            let plant = draw(0.009) + swing;
            let (start, stop) = (plant + draw(0.005) + draw(0.004), plant + draw(0.005));
            (0..2).all(|_| {
                let both = draw(0.006);
                start + both + draw(0.004) <= buffers.lead
                    && stop + both + draw(0.007) >= -buffers.trail
            })
        })
        .count();
    let share = hits as f64 / f64::from(n);
    let worked = errors.hits(buffers);
    assert!((share - worked).abs() < 0.005, "{share} {worked}");
}

#[test]
fn an_error_across_costs_its_mean_size_of_a_lane() {
    // Without a margin the mean size of a normal number: σ·√(2/π).
    let got = 1.0 - across(0.02, 0.0, 0.5);
    assert!((got - 0.02 * (2.0 / std::f64::consts::PI).sqrt() / 0.5).abs() < 1e-12);
    // With one of one σ: 2·(φ(1) − (1 − Φ(1))) = 2·(0.241971 − 0.158655) of σ (Abramowitz and
    // Stegun, Table 26.1).
    let got = 1.0 - across(0.02, 0.02, 0.5);
    assert!((got - 2.0 * 0.083_316 * 0.02 / 0.5).abs() < 1e-7, "{got}");
    assert_eq!((across(0.0, 0.0, 0.5), across(0.01, 1.0, 0.5)), (1.0, 1.0));
}

#[test]
fn the_worst_case_adds_what_the_square_root_does_not() {
    let causes = [cause(Moves::Plant, 0.003), cause(Moves::Start, 0.004)];
    let worst = worst_case(&causes, 0.99);
    // 2.5758 is the 99.5 % point (Abramowitz and Stegun, Table 26.5).
    assert!((worst.lead - 2.575_829 * 0.007).abs() < 1e-7);
    assert!((worst.trail - 2.575_829 * 0.003).abs() < 1e-7);
}
