//! The verb `lab`: serves the page, or writes it with the module in it.

use std::path::Path;

use clap::Args;

use super::page;
use super::serve::Server;
use crate::error::{Error, Result};
use crate::output;

/// Flags of `lab`.
#[derive(Debug, Clone, Args)]
pub struct LabArgs {
    /// Port of 127.0.0.1; 0 takes a free one
    #[arg(long, value_name = "N", default_value_t = 8017)]
    pub port: u16,
    /// Serve nothing: write a page that computes by itself (scripts/lab-page calls this)
    #[arg(long, value_name = "OUT.html", requires = "module")]
    pub write: Option<String>,
    /// The WebAssembly module for that page
    #[arg(long, value_name = "FILE.wasm", requires = "write")]
    pub module: Option<String>,
}

/// Serves until the program is ended, or writes the page; `say` prints a line.
pub fn run(args: &LabArgs, say: impl Fn(&str) -> Result<()>) -> Result<()> {
    if let (Some(to), Some(from)) = (&args.write, &args.module) {
        return write(from, to);
    }
    let server = Server::bind(args.port)?;
    say(&format!("lab: {} (Ctrl-C ends it)\n", server.address()))?;
    server.run()
}

fn write(from: &str, to: &str) -> Result<()> {
    let module = std::fs::read(from).map_err(|e| Error::read(from, e))?;
    // What every module begins with.
    if !module.starts_with(b"\0asm") {
        return Err(Error::file(
            from,
            "this is no WebAssembly module",
            "run scripts/lab-page OUT.html",
        ));
    }
    output::to_file(Path::new(to), |name, file| {
        file.write_all(page::alone(&module).as_bytes())
            .map_err(|e| Error::write(name, e))
    })
}
