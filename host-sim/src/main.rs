//! The program `host-sim`: parses the command line, runs it, and turns the outcome into an exit
//! status: 0 the tolerances hold, 1 one is broken, 2 bad input or usage.

use std::process::ExitCode;

use clap::Parser;
use host_sim::cli::{self, Cli};

fn main() -> ExitCode {
    match cli::run(Cli::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        // Whoever read our output has seen enough.
        Err(error) if error.is_broken_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::from(2)
        }
    }
}
