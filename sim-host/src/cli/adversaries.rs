//! `hopwright adversaries`: what each simulated opponent achieves.

use super::{Outcome, plan_or_built_in, write_out};
use crate::adversaries::{Ask, Finding, Name, Report, investigate, write_curves};
use crate::diagnostic::Diagnostic;
use crate::folder::may_make;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

/// Arguments of `adversaries`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan of the net; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// Trials of each situation; what is measured by the slot lasts accordingly
    #[arg(long, default_value_t = 400, value_parser = super::whole::<u32>(1..=1_000_000))]
    trials: u32,
    /// Only this opponent (may be given several times)
    #[arg(long, value_name = "NAME")]
    only: Vec<Name>,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
    /// New folder for the curves, as CSV and SVG
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Lets the opponents try.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = plan_or_built_in(args.plan.as_deref())?;
    args.out.as_deref().map_or(Ok(()), may_make)?;
    let ask = Ask { plan: &plan, trials: args.trials, seed: args.seed };
    let terminal = std::io::stderr().is_terminal();
    let report = investigate(&ask, &args.only, |name| {
        if terminal {
            let _ = write!(std::io::stderr(), "\r{:<12}", name.text());
        }
    })?;
    if terminal {
        let _ = write!(std::io::stderr(), "\r{:12}\r", "");
    }
    let curves = args.out.as_ref().filter(|_| !report.curves.is_empty());
    if let Some(folder) = curves {
        write_curves(&report.curves, folder)?;
    }
    write_out(|out| {
        if args.json {
            return writeln!(out, "{:#}", object(args, plan.name(), &report));
        }
        writeln!(
            out,
            "opponents of plan {} (simulated), {} trials, seed {}; shares and quantiles with \
             their 95 % intervals",
            plan.name(),
            args.trials,
            args.seed
        )?;
        let mut last = None;
        for finding in &report.findings {
            let title = (finding.name, &finding.tried);
            if last != Some(title) {
                writeln!(out, "{}: {}", finding.name.text(), finding.tried)?;
                last = Some(title);
            }
            writeln!(out, "  {}", line(finding))?;
        }
        match (curves, &args.out) {
            (Some(folder), _) => writeln!(out, "curves written to {}", folder.display()),
            (None, Some(_)) => writeln!(out, "there are no curves of these opponents"),
            (None, None) => Ok(()),
        }
    })?;
    Ok(if report.holds() { Outcome::Held } else { Outcome::Failed })
}

fn line(finding: &Finding) -> String {
    let unit = finding.unit;
    let mut text =
        format!("{:<5}  {}: {}", finding.verdict.text(), finding.what, shown(finding.measured));
    let happened = finding.measured.is_finite();
    if !unit.is_empty() && happened {
        text = format!("{text} {unit}");
    }
    // Of what never happened there is nothing more to tell, unless it may have.
    if let Some((lo, hi)) = finding.interval.filter(|(lo, _)| happened || lo.is_finite()) {
        text = format!("{text} ({} to {})", shown(lo), super::trials::upper_end(hi));
    }
    if let Some(closed) = finding.closed_form {
        text = format!("{text}, closed form {}", shown(closed));
    }
    if finding.required != "-" {
        text = format!("{text}; required: {}", finding.required);
    }
    text
}

/// A number with four decimals at most, counts whole.
fn shown(value: f64) -> String {
    if value.is_nan() {
        return "nothing was tried".to_owned();
    }
    if value.is_infinite() {
        return "never".to_owned();
    }
    let text = format!("{:.4}", value.max(0.0));
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text.is_empty() { "0".to_owned() } else { text.to_owned() }
}

fn object(args: &Args, plan: &str, report: &Report) -> serde_json::Value {
    let finite = |x: f64| x.is_finite().then_some(x);
    let findings: Vec<_> = report
        .findings
        .iter()
        .map(|finding| {
            json!({
                "adversary": finding.name.text(),
                "tried": finding.tried,
                "what": finding.what,
                "unit": finding.unit,
                "measured": finite(finding.measured),
                "interval": finding.interval.map(|(lo, hi)| [finite(lo), finite(hi)]),
                "closed_form": finding.closed_form.and_then(finite),
                "required": finding.required,
                "verdict": finding.verdict.text().to_lowercase(),
            })
        })
        .collect();
    json!({
        "simulated": true,
        "plan": plan,
        "trials": args.trials,
        "seed": args.seed,
        "findings": findings,
        "holds": report.holds(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adversaries::Verdict;

    #[test]
    fn what_never_happened_has_neither_unit_nor_interval() {
        let never = f64::INFINITY;
        let told = |measured, interval| {
            line(&Finding {
                name: Name::Noise,
                tried: String::new(),
                what: "median",
                unit: "s",
                measured,
                interval: Some(interval),
                closed_form: None,
                required: "-".to_owned(),
                verdict: Verdict::Holds,
            })
        };
        assert_eq!(told(never, (never, never)), "holds  median: never");
        assert_eq!(told(never, (2.0, never)), "holds  median: never (2 to no bound)");
        assert_eq!(told(0.5, (0.25, never)), "holds  median: 0.5 s (0.25 to no bound)");
    }
}
