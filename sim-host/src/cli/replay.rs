//! `hopwright replay`: feed a recording to a station.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::replay::{Replay, replay};
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `replay`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Recording, as `run --record` writes it
    file: PathBuf,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Replays the recording.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let bytes = std::fs::read(&args.file).map_err(|error| {
        Diagnostic::new(
            format!("{} cannot be read: {error}", args.file.display()),
            "name a recording that `hopwright run --record` has written",
        )
    })?;
    let Replay { address, inputs, events, digest } =
        replay(&args.file.display().to_string(), &bytes)?;
    write_out(|out| {
        if args.json {
            let object = json!({
                "address": address.to_string(),
                "inputs": inputs,
                "events": events,
                "digest": digest,
            });
            writeln!(out, "{object}")
        } else {
            writeln!(out, "station {address}: {inputs} inputs, {events} events")?;
            writeln!(out, "digest {digest}")
        }
    })?;
    Ok(Outcome::Held)
}
