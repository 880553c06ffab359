//! `hopwright schema`: the JSON Schema of an input.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::schema::Input;
use std::io::Write;

/// Arguments of `schema`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// What it describes
    input: Input,
}

/// Prints it.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let schema = args.input.schema()?;
    write_out(|out| writeln!(out, "{schema:#}"))?;
    Ok(Outcome::Held)
}
