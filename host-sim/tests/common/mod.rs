//! A folder with the demo's files, and the program to run on them.

use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

/// The demo's files in a folder of their own.
pub struct Demo {
    folder: PathBuf,
}

impl Demo {
    /// Makes the files in a fresh folder; `name` is unique among the tests.
    pub fn new(name: &str) -> Demo {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name);
        if folder.exists() {
            std::fs::remove_dir_all(&folder).expect("an old folder goes away");
        }
        host_sim::run::demo(&folder.display().to_string()).expect("the demo runs");
        Demo { folder }
    }

    /// Path of a file in the folder.
    pub fn path(&self, name: &str) -> String {
        self.folder.join(name).display().to_string()
    }

    /// Writes a file into the folder and returns its path.
    pub fn write(&self, name: &str, bytes: &[u8]) -> String {
        std::fs::write(self.folder.join(name), bytes).expect("the folder can be written");
        self.path(name)
    }

    /// Reads a file of the folder.
    pub fn read(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.folder.join(name)).expect("the file is there")
    }
}

/// Runs the program.
pub fn host_sim(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_host-sim"))
        .args(args)
        .stdin(Stdio::null())
        .output()
        .expect("the program starts")
}

/// What it wrote to standard error.
pub fn messages(out: &Output) -> String {
    String::from_utf8_lossy(&out.stderr).into_owned()
}
