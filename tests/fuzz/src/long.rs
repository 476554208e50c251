//! The operation lists on seeded bytes for as long as wanted: `long SECONDS [SEED]`. Prints
//! what was done; a broken promise panics, with the seed of its list named before it.

use std::time::{Duration, Instant};
use system_tests::operations::{Caller, run_operations};

fn main() -> std::process::ExitCode {
    let mut args = std::env::args().skip(1).map(|a| a.parse::<u64>());
    let (Some(Ok(seconds)), seed) = (args.next(), args.next()) else {
        eprintln!("usage: long SECONDS [SEED]; both whole numbers");
        return std::process::ExitCode::from(2);
    };
    let Some(mut seed) = seed.unwrap_or(Ok(1)).ok().filter(|s| *s > 0) else {
        eprintln!("the seed must be a whole number above 0");
        return std::process::ExitCode::from(2);
    };
    let began = Instant::now();
    let (mut lists, mut operations, mut commands, mut at_rest, mut stops) = (0u64, 0, 0, 0, 0);
    while began.elapsed() < Duration::from_secs(seconds) {
        let bytes = list(seed);
        let told = format!("list of seed {seed}");
        let run = |caller| {
            std::panic::catch_unwind(|| run_operations(&bytes, caller)).unwrap_or_else(|_| {
                eprintln!("{told}, {caller:?}: broken");
                std::process::exit(1)
            })
        };
        let seen = run(Caller::Stalls);
        operations += seen.operations;
        commands += seen.commands.len();
        at_rest += seen.bench_opens;
        stops += seen.stops;
        // The schedule does not matter: one list in four is done five times more.
        if seed % 4 == 0 {
            let kept = run(Caller::Keeps);
            for caller in [
                Caller::Restless,
                Caller::EveryInstant,
                Caller::Steps,
                Caller::AtOnce,
            ] {
                let other = run(caller);
                if kept == other {
                    continue;
                }
                let pairs = kept.commands.iter().zip(&other.commands);
                let first = pairs.clone().position(|(a, b)| a != b);
                eprintln!("{told}, {caller:?}: the schedule matters, first at {first:?}");
                if let Some((a, b)) = first.and_then(|at| pairs.clone().nth(at)) {
                    eprintln!("kept: {a:?}\nhere: {b:?}");
                }
                return std::process::ExitCode::FAILURE;
            }
        }
        lists += 1;
        seed += 1;
    }
    println!(
        "{lists} lists, {operations} operations, {commands} commands, {at_rest} openings at rest, \
         {stops} stops that closed something; next seed {seed}"
    );
    std::process::ExitCode::SUCCESS
}

/// 200 to 2000 bytes by xorshift64 (Marsaglia 2003, J. Stat. Softw. 8(14)).
fn list(seed: u64) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 32) as u8
    };
    let length = 200 + usize::from(next()) * 7;
    (0..length).map(|_| next()).collect()
}
