//! Empty: the test beside it is the crate.
