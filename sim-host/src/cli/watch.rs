//! `hopwright watch`: a scenario in the terminal, while it runs.

use super::Outcome;
use crate::diagnostic::Diagnostic;
use crate::scenario::Scenario;
use crate::watch::{self, Model};
use std::path::PathBuf;

/// Arguments of `watch`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Scenario to watch; the built-in one if none is named
    scenario: Option<PathBuf>,
    /// Seed to use instead of the scenario's own
    #[arg(long, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: Option<u64>,
    /// Seconds of the scenario in one second, 0.25 to 1000
    #[arg(long, value_name = "X", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
}

/// Shows the scenario until the user has seen enough.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let scenario = match &args.scenario {
        Some(path) => Scenario::load(path)?,
        None => Scenario::built_in()?,
    };
    let model = Model::new(scenario, args.seed, args.speed)?;
    watch::run(model)?;
    Ok(Outcome::Held)
}

fn speed(text: &str) -> Result<f64, String> {
    super::trials::within(text, 0.25, 1_000.0)
}
