//! The `hopwright` command: see `hopwright --help`.

use std::process::ExitCode;

fn main() -> ExitCode {
    hopwright_sim::cli::main()
}
