//! `hopwright curve`: a situation along an axis.

use super::{Outcome, plan_or_built_in, write_out};
use crate::curve::{Point, SilenceCurve};
use crate::diagnostic::Diagnostic;
use crate::folder::may_make;
use crate::run::shown;
use serde_json::{Value, json};
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

/// What is tried.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Subject {
    /// First slot after a silence to in step, for silences of a minute to a week and oscillators
    /// within 0.5 to 10 ppm
    Silence,
}

/// Arguments of `curve`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// What is tried
    subject: Subject,
    /// Plan to try it with, but for its oscillators' tolerance; that of the built-in scenario if
    /// none is named
    plan: Option<PathBuf>,
    /// Trials for each point
    #[arg(long, default_value_t = 400, value_parser = super::whole::<u32>(1..=1_000_000))]
    trials: u32,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// Share of the hopset under interference (simulated), 0 to 0.95
    #[arg(long, default_value_t = 0.0, value_parser = super::trials::share)]
    jammed: f64,
    /// New folder for the table as CSV and the picture as SVG
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print one JSON object instead of the table
    #[arg(long)]
    json: bool,
}

/// Tries all points.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let Subject::Silence = args.subject;
    let mut plan = plan_or_built_in(args.plan.as_deref())?;
    args.out.as_deref().map_or(Ok(()), may_make)?;
    let curve = SilenceCurve { trials: args.trials, seed: args.seed, jammed: args.jammed };
    let terminal = io::stderr().is_terminal();
    let points = curve.run(&mut plan, |share| {
        if terminal {
            let _ = write!(io::stderr(), "\r{:3.0} % ", share * 100.0);
        }
    })?;
    if terminal {
        let _ = write!(io::stderr(), "\r      \r");
    }
    if let Some(folder) = &args.out {
        curve.write_files(&points, folder)?;
    }
    write_out(|out| {
        if args.json {
            let points: Vec<Value> = points.iter().map(to_json).collect();
            let object = json!({
                "curve": "silence",
                "plan": plan.name(),
                "trials": args.trials,
                "seed": args.seed,
                "jammed": args.jammed,
                "points": points,
            });
            return writeln!(out, "{object:#}");
        }
        writeln!(
            out,
            "first slot after a silence to in step, in seconds: plan {}, {:.0} % jammed, \
             {} outcomes of {} trials a point, seed {}",
            plan.name(),
            args.jammed * 100.0,
            points.first().map_or(0, |point| point.measured.count),
            args.trials,
            args.seed
        )?;
        table(out, &points)?;
        match &args.out {
            Some(folder) => writeln!(out, "written to {}", folder.display()),
            None => Ok(()),
        }
    })?;
    Ok(Outcome::Held)
}

fn table(out: &mut impl Write, points: &[Point]) -> io::Result<()> {
    writeln!(
        out,
        "  {:>4}  {:>7}  {:>21}  {:>21}  {:>21}  {:>6}  {:>5}  by the rules",
        "ppm",
        "silence",
        "median (95 % conf.)",
        "95 % (95 % conf.)",
        "99 % (95 % conf.)",
        "worst",
        "never"
    )?;
    for point in points {
        let m = &point.measured;
        let with = |value: f64, (low, high): (f64, f64)| {
            format!("{} ({} to {})", shown(value), shown(low), super::trials::upper_end(high))
        };
        writeln!(
            out,
            "  {:>4}  {:>7}  {:>21}  {:>21}  {:>21}  {:>6}  {:>5}  {} {}",
            f64::from(point.tolerance_ppb) / 1_000.0,
            point.silence,
            with(m.median_s, m.median_interval_s),
            with(m.p95_s, m.p95_interval_s),
            with(m.p99_s, m.p99_interval_s),
            shown(m.worst_s),
            m.never,
            point.expected.name(),
            shown(point.expected.within_s()),
        )?;
    }
    Ok(())
}

fn to_json(point: &Point) -> Value {
    let finite = |x: f64| x.is_finite().then_some(x);
    let both = |(low, high): (f64, f64)| [finite(low), finite(high)];
    let m = &point.measured;
    json!({
        "tolerance_ppb": point.tolerance_ppb,
        "silence_s": point.silence_s,
        "outcomes": m.count,
        "trials": m.trials,
        "never": m.never,
        "median_s": finite(m.median_s),
        "median_interval_s": both(m.median_interval_s),
        "p95_s": finite(m.p95_s),
        "p95_interval_s": both(m.p95_interval_s),
        "p99_s": finite(m.p99_s),
        "p99_interval_s": both(m.p99_interval_s),
        "worst_s": finite(m.worst_s),
        "expected": point.expected.name(),
        "expected_within_s": point.expected.within_s(),
    })
}
