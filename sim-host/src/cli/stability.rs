//! `hopwright stability`: the simulated oscillators against their closed forms.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::stability::{Published, Row, published, rows};
use serde_json::{Value, json};
use std::io::Write;

/// Arguments of `stability`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Seed of the oscillators' noise
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// How long each is simulated, in days
    #[arg(long, default_value_t = 7, value_parser = super::whole::<u32>(1..=366))]
    days: u32,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Computes and compares.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let (published, rows) = (published(), rows(args.days, args.seed));
    let holds = published.iter().all(Published::agrees) && rows.iter().all(Row::holds);
    write_out(|out| {
        if args.json {
            let reference: Vec<Value> = published
                .iter()
                .map(|p| {
                    json!({
                        "statistic": p.statistic.name(),
                        "m": p.m,
                        "computed": p.computed,
                        "published": p.published,
                        "pass": p.agrees(),
                    })
                })
                .collect();
            let oscillators: Vec<Value> = rows
                .iter()
                .map(|row| {
                    json!({
                        "process": row.process,
                        "tau_s": row.tau_s,
                        "measured": row.measured,
                        "closed_form": row.closed_form,
                        "band": [row.band.0, row.band.1],
                        "pass": row.holds(),
                    })
                })
                .collect();
            let object = json!({
                "seed": args.seed,
                "days": args.days,
                "reference": reference,
                "oscillators": oscillators,
                "pass": holds,
            });
            return writeln!(out, "{object:#}");
        }
        writeln!(out, "The 1000-point set of NIST SP 1065, section 12.4, to 1 part in 10 000")?;
        for p in &published {
            let (name, m, verdict) = (p.statistic.name(), p.m, verdict(p.agrees()));
            writeln!(
                out,
                "  {name:<5}  m {m:>3}  computed {:.6e}  published {:.6e}  {verdict}",
                p.computed, p.published
            )?;
        }
        writeln!(
            out,
            "\nSimulated oscillators, {} days, seed {}: overlapping Allan deviation\n\
             (band: 99.99 % of chance for the noises, 0.1 % of rounding for the others)",
            args.days, args.seed
        )?;
        writeln!(
            out,
            "  {:<16}  {:>7}  {:>10}  {:>11}  {:>23}",
            "process", "tau (s)", "measured", "closed form", "band"
        )?;
        for row in &rows {
            writeln!(
                out,
                "  {:<16}  {:>7}  {:>10.4e}  {:>11.4e}  {:>10.4e} to {:>9.4e}  {}",
                row.process,
                row.tau_s,
                row.measured,
                row.closed_form,
                row.band.0,
                row.band.1,
                verdict(row.holds()),
            )?;
        }
        Ok(())
    })?;
    Ok(if holds { Outcome::Held } else { Outcome::Failed })
}

const fn verdict(holds: bool) -> &'static str {
    if holds { "holds" } else { "FAILS" }
}
