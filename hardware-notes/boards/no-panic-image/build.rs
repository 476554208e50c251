//! Puts the memory layout of the target where the linker script looks for it.

use std::{env, fs, path::PathBuf};

fn main() {
    let target = env::var("TARGET").expect("cargo sets TARGET");
    let layout = if target.starts_with("thumbv6m") {
        "memory-m0.x"
    } else {
        "memory-m4.x"
    };
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    fs::copy(layout, out.join("memory.x")).expect("copy the memory layout into OUT_DIR");
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg=-Tlink.x");
    println!("cargo:rerun-if-changed={layout}");
    println!("cargo:rerun-if-changed=build.rs");
}
