//! Runs the `hopwright` binary.

use std::path::Path;
use std::process::{Command, Output};

/// Runs `hopwright` with these arguments in a directory.
pub(crate) fn hopwright(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hopwright"))
        .args(args)
        .current_dir(dir)
        .output()
        .expect("the binary runs")
}

/// What it wrote to standard output.
pub(crate) fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

/// What it wrote to standard error.
pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}
