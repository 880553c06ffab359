//! `hopwright soak`: a net for days.

use super::{Outcome, plan_or_built_in, write_out};
use crate::diagnostic::Diagnostic;
use crate::soak::Soak;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

/// Arguments of `soak`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan to run; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// How many stations
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u8).range(3..=250))]
    stations: u8,
    /// Net time in hours, 0.1 to 744
    #[arg(long, default_value_t = 24.0, value_parser = hours)]
    hours: f64,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the net.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = plan_or_built_in(args.plan.as_deref())?;
    let soak = Soak { stations: args.stations, hours: args.hours, seed: args.seed };
    let terminal = std::io::stderr().is_terminal();
    let outcome = soak.run(&plan, |share| {
        if terminal {
            let _ = write!(std::io::stderr(), "\r{:3.0} % ", share * 100.0);
        }
    })?;
    if terminal {
        let _ = write!(std::io::stderr(), "\r      \r");
    }
    write_out(|out| {
        if args.json {
            let violations: serde_json::Map<String, serde_json::Value> = outcome
                .violations()
                .iter()
                .map(|(what, count)| ((*what).to_owned(), json!(count)))
                .collect();
            let object = json!({
                "stations": args.stations,
                "hours": args.hours,
                "seed": args.seed,
                "happenings": outcome.happenings,
                "overs": outcome.overs,
                "restarts": outcome.restarts,
                "cut_ins": outcome.cut_ins,
                "steps": outcome.steps,
                "bound_checks": outcome.bound_checks,
                "violations": violations,
                "holds": outcome.holds(),
            });
            return writeln!(out, "{object:#}");
        }
        writeln!(
            out,
            "{} stations for {} h of net time, seed {}: {} happenings, {} overs, {} power cycles, \
             {} cut-ins, {} events simulated",
            args.stations,
            args.hours,
            args.seed,
            outcome.happenings,
            outcome.overs,
            outcome.restarts,
            outcome.cut_ins,
            outcome.steps,
        )?;
        for (what, count) in outcome.violations() {
            let verdict = if count == 0 { "holds" } else { "FAILS" };
            writeln!(out, "  {verdict}  {count:>6}  {what}")?;
        }
        Ok(())
    })?;
    Ok(if outcome.holds() { Outcome::Held } else { Outcome::Failed })
}

fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| format!("`{text}` is no number"))?;
    let fits = (0.1..=744.0).contains(&hours);
    fits.then_some(hours).ok_or_else(|| format!("{hours} is not within 0.1 to 744"))
}
