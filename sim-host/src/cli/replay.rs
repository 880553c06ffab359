//! `hopwright replay`: feed a recording to a station, or run a soak that failed once more.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::input::read_bytes;
use crate::replay::{Replay, replay};
use crate::soak::Case;
use crate::world::Broken;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// The longest file that is read, in bytes.
const LONGEST: u64 = 256 << 20;

/// Arguments of `replay`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Recording of `run --record`, or replay file of `soak --out`
    file: PathBuf,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Replays the recording or the soak.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let name = args.file.display().to_string();
    let help = "name a recording of `hopwright run --record` or a file of `hopwright soak --out`";
    let bytes = read_bytes(&args.file, LONGEST, help)?;
    if Case::is_one(&bytes) {
        return soak(args, &name, &Case::parse(&name, &bytes)?);
    }
    let Replay { address, inputs, events, digest } = replay(&name, &bytes)?;
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

/// Runs a soak that failed: whether it still does.
fn soak(args: &Args, name: &str, case: &Case) -> Result<Outcome, Diagnostic> {
    let found = case.replay(name)?;
    let fails = found.is_some();
    write_out(|out| {
        if args.json {
            let object = json!({
                "stations": case.soak.stations,
                "seed": case.soak.seed,
                "happenings": case.happenings.len(),
                "recorded": case.broken,
                "found": found,
                "same": found == Some(case.broken),
                "fails": fails,
            });
            return writeln!(out, "{object}");
        }
        let Case { soak, happenings, broken, .. } = case;
        let (stations, seed, count) = (soak.stations, soak.seed, happenings.len());
        writeln!(out, "{stations} stations, seed {seed}, {count} happenings:")?;
        for happening in happenings {
            let seconds = happening.at_us as f64 / 1e6;
            writeln!(out, "  {seconds:>14.6} s  {:?}", happening.what)?;
        }
        writeln!(out, "recorded: {}", broken_text(broken))?;
        match found {
            Some(found) if found == *broken => writeln!(out, "it still fails, in the same way"),
            Some(found) => writeln!(out, "it still fails: {}", broken_text(&found)),
            None => writeln!(out, "it no longer fails"),
        }
    })?;
    Ok(if fails { Outcome::Failed } else { Outcome::Held })
}

/// What was broken, when and by whom.
pub(super) fn broken_text(broken: &Broken) -> String {
    let seconds = broken.at_us as f64 / 1e6;
    format!("{} (station {}, at {seconds:.6} s)", broken.rule.text(), broken.node)
}
