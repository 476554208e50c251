//! Clock exchange over a simulated link: jitter, drift, and what asymmetry does.

use controller_core::link::{ClockFilter, Exchange, StrobeLog};
use controller_core::{Micros, Span};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// A link: delays each way in µs, drawn evenly.
#[derive(Clone, Copy)]
struct Link {
    out: (f64, f64),
    back: (f64, f64),
}

/// 1 to 20 ms either way.
const EVEN: Link = Link {
    out: (1e3, 20e3),
    back: (1e3, 20e3),
};

/// The board's clock in this world: some other start, and `drift` faster.
fn board(sender: f64, drift: f64) -> f64 {
    7.654e9 + sender * (1.0 + drift)
}

/// Exchanges every 100 ms for so many seconds; the filter, and the estimate's error at the
/// end, µs.
fn run(seed: u64, seconds: f64, drift: f64, link: Link) -> (ClockFilter<64>, f64) {
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut filter = ClockFilter::new();
    let mut now = 3.0e6;
    let end = now + seconds * 1e6;
    while now < end {
        let out: f64 = random.random_range(link.out.0..link.out.1);
        let back: f64 = random.random_range(link.back.0..link.back.1);
        let exchange = Exchange {
            sent: now.round() as u64,
            received: board(now + out, drift).round() as u64,
            replied: board(now + out + 300.0, drift).round() as u64,
            returned: (now + out + 300.0 + back).round() as u64,
        };
        assert!(filter.add(&exchange));
        now += 100_000.0;
    }
    let estimate = filter.estimate().expect("exchanges were made");
    let error = estimate.to_board(end.round() as u64) as f64 - board(end, drift);
    (filter, error)
}

fn rms(errors: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = errors.fold((0.0, 0.0), |(s, n), e| (s + e * e, n + 1.0));
    f64::sqrt(sum / count)
}

#[test]
fn jitter_and_drift_leave_less_than_half_a_millisecond_after_ten_seconds() {
    for (seconds, most) in [(10.0, 500.0), (20.0, 400.0), (60.0, 250.0)] {
        for drift in [50e-6, -50e-6, 0.0] {
            let errors = (1001..1201).map(|seed| run(seed, seconds, drift, EVEN).1);
            let rms = rms(errors);
            println!(
                "clock exchange, {seconds} s, drift {:.0} ppm: {rms:.0} µs RMS",
                drift * 1e6
            );
            assert!(rms <= most, "{seconds} s, drift {drift}: {rms} µs RMS");
        }
    }
}

#[test]
fn the_stated_bound_holds_and_a_quick_link_is_known_well() {
    for seed in 1..101 {
        let quick = Link {
            out: (300.0, 900.0),
            back: (300.0, 900.0),
        };
        for link in [EVEN, quick] {
            let (filter, error) = run(seed, 20.0, 50e-6, link);
            let bound = filter.estimate().expect("exchanges were made").error_us();
            assert!(
                error.abs() <= f64::from(bound) + 2.0,
                "{error} of {bound} µs"
            );
        }
        let (_, error) = run(seed, 20.0, 50e-6, quick);
        assert!(error.abs() < 60.0, "seed {seed}: {error} µs");
    }
}

#[test]
fn drift_is_found() {
    for drift in [50e-6, -50e-6] {
        let errors = (1..51).map(|seed| {
            let (filter, _) = run(seed, 50.0, drift, EVEN);
            let estimate = filter.estimate().expect("exchanges were made");
            estimate.drift_ppb() as f64 - drift * 1e9
        });
        let rms = rms(errors);
        println!("drift after 50 s: {rms:.0} ppb RMS off");
        assert!(rms < 10_000.0, "{rms} ppb");
    }
}

#[test]
fn asymmetry_stays_as_half_of_it_and_the_strobe_has_none() {
    // Pings take 8 ms longer than pongs: no exchange can tell.
    let slow_out = Link {
        out: (9e3, 28e3),
        back: (1e3, 20e3),
    };
    let errors = (1..51).map(|seed| run(seed, 30.0, 20e-6, slow_out).1);
    let mean = errors.sum::<f64>() / 50.0;
    println!("asymmetry of 8 ms: {mean:.0} µs mean error");
    assert!((mean - 4000.0).abs() < 150.0, "{mean} µs for half of 8 ms");

    // The strobe: the board stamps the capture itself; the same slow link only carries
    // numbers, within the 50 ms between frames.
    let mut random = Pcg64Mcg::seed_from_u64(5);
    let mut log: StrobeLog<8> = StrobeLog::new(Span::from_ms(50));
    for frame in 0..200_u32 {
        let captured = Micros(1_000_000 + u64::from(frame) * 50_000);
        log.pulse(captured);
        let after = random.random_range(9_000..28_000);
        assert!(log.announce(Micros(captured.0 + after), frame));
        if frame > 3 {
            assert_eq!(log.captured(frame - 2), Ok(Micros(captured.0 - 100_000)));
        }
    }
}

#[test]
fn stamps_that_cannot_be_are_refused_and_extremes_survive() {
    let mut filter: ClockFilter<4> = ClockFilter::new();
    assert_eq!(filter.estimate(), None);
    let good = Exchange {
        sent: 1000,
        received: 501_000,
        replied: 501_100,
        returned: 3100,
    };
    assert!(filter.add(&good));
    let estimate = filter.estimate().expect("one exchange");
    // Out 500,000, back 498,000: the middle is 499,000, and 1 ms the most it can be off.
    assert_eq!(estimate.to_board(2000), 501_000);
    assert_eq!((estimate.error_us(), estimate.drift_ppb()), (1000, 0));
    let with = |change: fn(&mut Exchange)| {
        let mut exchange = good;
        change(&mut exchange);
        exchange
    };
    for bad in [
        with(|e| e.returned = 900),
        with(|e| e.replied = 500_000),
        with(|e| e.returned = 1050),
        with(|e| e.sent = 10),
    ] {
        assert!(!filter.add(&bad), "{bad:?}");
    }
    assert_eq!(filter.refused(), 4);
    for end in [0, u64::MAX] {
        let mut filter: ClockFilter<4> = ClockFilter::new();
        for k in 0..100 {
            let _refused_or_not = filter.add(&Exchange {
                sent: k,
                received: end,
                replied: end,
                returned: u64::MAX - 100 + k,
            });
            let estimate = filter.estimate();
            let _no_panic = estimate.map(|e| (e.to_board(end), e.drift_ppb()));
        }
    }
}
