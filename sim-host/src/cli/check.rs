//! `hopwright check`: validate a plan, and say what a published rule set makes of it.

use super::check_text::write_text;
use super::{Outcome, write_out};
use crate::check::{RuleSet, report};
use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use std::io::Write;
use std::path::PathBuf;

/// The arguments of `check`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The plan, a TOML file
    plan: PathBuf,
    /// The published rule set to compare it with
    #[arg(long, value_enum, default_value_t = RuleSet::None)]
    rules: RuleSet,
    /// Write one JSON object, for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = Plan::load(&args.plan)?;
    let report = report(&plan, args.rules)?;
    write_out(|out| {
        if args.json {
            serde_json::to_writer_pretty(&mut *out, &report)?;
            writeln!(out)
        } else {
            write_text(&report, out)
        }
    })?;
    Ok(if report.holds { Outcome::Held } else { Outcome::Failed })
}
