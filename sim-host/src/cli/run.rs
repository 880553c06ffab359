//! `hopwright run`: carry a scenario out.

use super::{Outcome, write_out};
use crate::audio;
use crate::diagnostic::Diagnostic;
use crate::folder::may_make;
use crate::input::{nearest, shown};
use crate::report::command_line;
use crate::run::{Run, to_json, write_account, write_files};
use crate::scenario::Scenario;
use crate::world::Detail;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The name under which the sample of our own is said.
const BUILT_IN: &str = "built-in";

/// Arguments of `run`.
#[derive(Debug, Default, clap::Args)]
pub(super) struct Args {
    /// Scenario to carry out; the built-in one if none is named
    scenario: Option<PathBuf>,
    /// Seed to use instead of the scenario's own
    #[arg(long, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: Option<u64>,
    /// New folder for account, results, trace, picture and report
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Record what the station of this name is given, for `replay` (with --out)
    #[arg(long, value_name = "STATION", requires = "out")]
    record: Option<String>,
    /// Let the first over that reaches the listener carry this: a WAV file, or `built-in`
    #[arg(long, value_name = "IN.wav", requires = "listen")]
    audio: Option<PathBuf>,
    /// Station at which that over is heard; with --out also as WAV files
    #[arg(long, value_name = "STATION", requires = "audio")]
    listen: Option<String>,
    /// Write traces for other tools besides: waveforms, packets, a table (with --out)
    #[arg(long, requires = "out")]
    traces: bool,
    /// Print one JSON object instead of the account
    #[arg(long)]
    json: bool,
}

/// Carries the scenario out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let scenario = match &args.scenario {
        Some(path) => Scenario::load(path)?,
        None => Scenario::built_in()?,
    };
    args.out.as_deref().map_or(Ok(()), may_make)?;
    let detail = match &args.out {
        Some(_) if args.traces => Detail::Frames,
        Some(_) => Detail::Transmissions,
        None => Detail::Totals,
    };
    let recorded = args.record.as_deref().map(|name| station(&scenario, name)).transpose()?;
    let listener = args.listen.as_deref().map(|name| named(&scenario, name)).transpose()?;
    let said = args.audio.as_deref().map(said).transpose()?;
    let mut run = Run::new(scenario, args.seed, detail, recorded)?;
    if let (Some(listener), Some((input, samples, rate))) = (listener, &said) {
        run.audio = Some(audio::listen(&run, listener, input, (samples, *rate))?);
    }
    if let Some(folder) = &args.out {
        run.command = Some(command_line(std::env::args_os().skip(1)));
        write_files(&run, folder)?;
    }
    write_out(|out| {
        if args.json {
            serde_json::to_writer_pretty(&mut *out, &to_json(&run))?;
            writeln!(out)
        } else {
            write_account(out, &run)?;
            match &args.out {
                Some(folder) => writeln!(out, "written to {}", folder.display()),
                None => Ok(()),
            }
        }
    })?;
    Ok(if run.passed() { Outcome::Held } else { Outcome::Failed })
}

/// The station to record. A recording holds the net key in the clear.
fn station(scenario: &Scenario, name: &str) -> Result<usize, Diagnostic> {
    if !scenario.plan.training_key() {
        return Err(Diagnostic::new(
            "a recording would hold the plan's key in the clear",
            "record with a plan that has a published training key",
        ));
    }
    named(scenario, name)
}

/// What is said: its name, samples and their rate.
fn said(path: &Path) -> Result<(String, Vec<i16>, u32), Diagnostic> {
    if path == Path::new(BUILT_IN) {
        return Ok((BUILT_IN.to_owned(), audio::sample::built_in(), audio::cvsd::RATE));
    }
    let (samples, rate) = audio::wav::read(path)?;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    Ok((name.replace(char::is_control, "?"), samples, rate))
}

/// The station of a name.
fn named(scenario: &Scenario, name: &str) -> Result<usize, Diagnostic> {
    scenario.radio.stations.iter().position(|station| station.name == name).ok_or_else(|| {
        let names: Vec<&str> = scenario.radio.stations.iter().map(|s| s.name.as_str()).collect();
        let help = match nearest(name, &names) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("name one of {}", names.join(", ")),
        };
        Diagnostic::new(format!("the scenario has no station \"{}\"", shown(name)), help)
    })
}
