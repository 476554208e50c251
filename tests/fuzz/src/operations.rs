//! The operation lists under a fuzzer that sees the code it reaches.
#![no_main]

use libfuzzer_sys::fuzz_target;
use system_tests::operations::{Caller, run_operations};

fuzz_target!(|bytes: &[u8]| {
    run_operations(bytes, Caller::Stalls);
});
