//! `hopwright soak`: a net for days.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::input::read_text;
use crate::plan::Plan;
use crate::scenario::{BUILT_IN_PLAN, built_in_plan};
use crate::soak::{Case, Happening, Soak, What, may_write};
use serde_json::{Map, Value, json};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Arguments of `soak`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan to run; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// How many stations
    #[arg(long, default_value_t = 50, value_parser = super::whole::<u8>(3..=250))]
    stations: u8,
    /// Net time in hours, 0.1 to 744
    #[arg(long, default_value_t = 24.0, value_parser = hours)]
    hours: f64,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// If anything fails: shrink it, and write it to this new file, for `replay`
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
    /// For tests of the soak itself: in the middle, the oscillator of station 2 gets this error
    #[arg(long, hide = true, value_name = "PPB", allow_negative_numbers = true)]
    plant_rate_ppb: Option<i64>,
}

/// Runs the net.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let (plan, text) = plan(args.plan.as_deref(), args.out.as_deref())?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0.1 to 744 hours")]
    let length_us = (args.hours * 3.6e9) as u64;
    let soak = Soak { stations: args.stations, length_us, seed: args.seed };
    let mut happenings = soak.happenings(&plan);
    if let Some(ppb) = args.plant_rate_ppb {
        let at_us = length_us / 2;
        let place = happenings.partition_point(|happening| happening.at_us <= at_us);
        happenings
            .insert(place, Happening { at_us, what: What::Clock { node: 2, ppb, step_us: 0 } });
    }
    let outcome =
        soak.run(&plan, &happenings, |share| told(&format!("{:3.0} %", share * 100.0)))?;
    told("");
    write_out(|out| {
        if args.json { write_json(out, args, &outcome) } else { write_text(out, args, &outcome) }
    })?;
    let Some(broken) = outcome.broken.first else { return Ok(Outcome::Held) };
    let mut err = std::io::stderr();
    let Some(path) = &args.out else {
        let _ = writeln!(err, "add --out FILE to have this shrunk and kept for `hopwright replay`");
        return Ok(Outcome::Failed);
    };
    let before = happenings.len();
    let (happenings, broken) = soak.shrink(&plan, &happenings, broken, |left| {
        told(&format!("shrinking: {left} of {before} happenings"));
    })?;
    told("");
    let left = happenings.len();
    Case { soak, plan: text, broken, happenings }.write(path)?;
    let _ = writeln!(
        err,
        "{left} of {before} happenings are enough; written to {} for `hopwright replay`",
        path.display()
    );
    Ok(Outcome::Failed)
}

/// The plan, and its text. With `out` both must be fit for a file, before anything is run.
fn plan(path: Option<&Path>, out: Option<&Path>) -> Result<(Plan, String), Diagnostic> {
    out.map_or(Ok(()), may_write)?;
    let Some(path) = path else { return Ok((built_in_plan()?, BUILT_IN_PLAN.to_owned())) };
    let plan = Plan::load(path)?;
    if out.is_none() {
        return Ok((plan, String::new()));
    }
    let source = read_text(path)?;
    Ok((Case::plan(source.name(), source.text())?, source.text().to_owned()))
}

/// Says on a terminal what is going on; an empty text wipes the line.
fn told(what: &str) {
    let mut err = std::io::stderr();
    if err.is_terminal() {
        let _ = write!(err, "\r{what:50}\r");
    }
}

fn write_json(
    out: &mut impl Write,
    args: &Args,
    outcome: &crate::soak::Outcome,
) -> std::io::Result<()> {
    let map = |list: &mut dyn Iterator<Item = (&'static str, u64)>| -> Map<String, Value> {
        list.map(|(what, count)| (what.to_owned(), json!(count))).collect()
    };
    let by_kind = map(&mut outcome.happenings.iter().map(|(kind, count)| (*kind, *count)));
    let first = outcome
        .broken
        .first
        .map(|broken| json!({"rule": broken.rule, "station": broken.node, "at_us": broken.at_us}));
    let object = json!({
        "stations": args.stations,
        "hours": args.hours,
        "seed": args.seed,
        "happenings": outcome.happenings.values().sum::<u64>(),
        "by_kind": by_kind,
        "overs": outcome.overs,
        "cut_ins": outcome.cut_ins,
        "timelines": outcome.timelines,
        "longest_reunion": outcome.longest_reunion,
        "steps": outcome.steps,
        "transmissions": outcome.sent,
        "duplicates": outcome.duplicates,
        "replays": outcome.replays,
        "bound_checks": outcome.bound_checks,
        "violations": map(&mut outcome.violations()),
        "first": first,
        "holds": outcome.holds(),
    });
    writeln!(out, "{object:#}")
}

fn write_text(
    out: &mut impl Write,
    args: &Args,
    outcome: &crate::soak::Outcome,
) -> std::io::Result<()> {
    writeln!(
        out,
        "{} stations for {} h of net time, seed {}: {} happenings, {} overs, {} cut-ins, \
         {} timelines, {} transmissions, {} second copies, {} replays, {} events simulated, \
         {} bounds compared",
        args.stations,
        args.hours,
        args.seed,
        outcome.happenings.values().sum::<u64>(),
        outcome.overs,
        outcome.cut_ins,
        outcome.timelines,
        outcome.sent,
        outcome.duplicates,
        outcome.replays,
        outcome.steps,
        outcome.bound_checks,
    )?;
    for (kind, count) in &outcome.happenings {
        writeln!(out, "  {count:>6}  {kind}")?;
    }
    writeln!(out, "  {:>6}  rounds at most until all were together", outcome.longest_reunion)?;
    for (what, count) in outcome.violations() {
        let verdict = if count == 0 { "holds" } else { "FAILS" };
        writeln!(out, "  {verdict}  {count:>6}  {what}")?;
    }
    if let Some(first) = outcome.broken.first {
        writeln!(out, "first: {}", super::replay::broken_text(&first))?;
    }
    Ok(())
}

fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| format!("`{text}` is no number"))?;
    let fits = (0.1..=744.0).contains(&hours);
    fits.then_some(hours).ok_or_else(|| format!("{hours} is not within 0.1 to 744"))
}
