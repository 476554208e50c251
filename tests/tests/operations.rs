//! Lists of any operations: every input mixed with every other, in any state.
//!
//! The body stands in `src/operations.rs`; `tests/fuzz` drives the same one with a
//! fuzzer that sees the code it reaches.

use proptest::prelude::*;
use system_tests::operations::{Caller, run_operations};

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, max_shrink_iters: 4000, ..ProptestConfig::default() })]

    /// Commands alternate and never run backwards, everything closes within its bound,
    /// and the counters explain every refusal: after each operation.
    #[test]
    fn whatever_is_done_the_promises_hold(bytes in proptest::collection::vec(any::<u8>(), 1..1200)) {
        run_operations(&bytes, Caller::Stalls);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, max_shrink_iters: 4000, ..ProptestConfig::default() })]

    /// Skipping instants and further polls change no command, whatever the modes.
    #[test]
    fn the_schedule_does_not_matter_with_all_inputs_mixed(bytes in proptest::collection::vec(any::<u8>(), 1..500)) {
        let plain = run_operations(&bytes, Caller::Keeps);
        prop_assert_eq!(&plain, &run_operations(&bytes, Caller::EveryInstant));
        prop_assert_eq!(&plain, &run_operations(&bytes, Caller::Restless));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, max_shrink_iters: 4000, ..ProptestConfig::default() })]

    /// What inputs leave for the polls comes to the same in steps and at once, and so do noted
    /// pulses and images in steps.
    #[test]
    fn the_steps_of_inputs_change_no_command(bytes in proptest::collection::vec(any::<u8>(), 1..500)) {
        let plain = run_operations(&bytes, Caller::Keeps);
        prop_assert_eq!(&plain, &run_operations(&bytes, Caller::Steps));
        prop_assert_eq!(&plain, &run_operations(&bytes, Caller::AtOnce));
    }
}

/// A fixed long run, so that the properties above are known to reach every state.
#[test]
fn the_operations_reach_everything() {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let (mut operations, mut commands, mut bench, mut stops) = (0, 0, 0, 0);
    let (mut moved, mut ran_back) = (0, 0);
    for _ in 0..60 {
        let bytes: Vec<u8> = (0..2000)
            .map(|_| {
                // xorshift64 (Marsaglia 2003, J. Stat. Softw. 8(14)).
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                (state >> 32) as u8
            })
            .collect();
        let seen = run_operations(&bytes, Caller::Stalls);
        operations += seen.operations;
        commands += seen.commands.len();
        bench += seen.bench_opens;
        stops += seen.stops;
        moved += seen.moved;
        ran_back += seen.ran_back;
    }
    println!(
        "{operations} operations, {commands} commands, {bench} openings at rest, {stops} stops that closed something, {moved} plants aimed at anew, {ran_back} patches given up by nozzles that ran back"
    );
    assert!(
        operations > 20_000 && commands > 20_000,
        "{operations}, {commands}"
    );
    assert!(bench > 100 && stops > 100, "{bench}, {stops}");
    assert!(moved > 20 && ran_back > 20, "{moved}, {ran_back}");
}
