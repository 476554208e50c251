//! The program `demo`: the built-in scenario driven, judged and drawn, as `host-sim demo` does it,
//! without the command line's many crates. `scripts/demo` builds this one: a first look should not
//! wait for a terminal view, studies and serial ports to compile.

use std::process::ExitCode;

use host_sim::error::{Error, Result};
use host_sim::{output, run};

const USAGE: &str = "usage: demo [--out DIR] [--json]
  --out DIR   folder for the files and the picture strip.svg; made if need be (demo-out)
  --json      print the result as one JSON object
Exit status: 0 the tolerances hold, 1 one is broken, 2 bad input or usage.
";

fn main() -> ExitCode {
    match demo(std::env::args().skip(1)) {
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

fn demo(mut words: impl Iterator<Item = String>) -> Result<bool> {
    let mut out = String::from("demo-out");
    let mut json = false;
    while let Some(word) = words.next() {
        match word.as_str() {
            "--json" => json = true,
            "--out" => {
                out = words
                    .next()
                    .ok_or_else(|| Error::Usage(format!("--out needs a folder\n{USAGE}")))?;
            }
            "--help" | "-h" => return output::say(USAGE).map(|()| true),
            other => match other.strip_prefix("--out=") {
                Some(folder) => out = folder.into(),
                None => return Err(Error::Usage(format!("{other:?} is not known\n{USAGE}"))),
            },
        }
    }
    run::show_demo(&out, json)
}
