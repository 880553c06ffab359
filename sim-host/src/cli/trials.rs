//! `hopwright trials`: one situation, many times.

use super::{Outcome, plan_or_built_in, write_out};
use crate::diagnostic::Diagnostic;
use crate::run::shown;
use crate::trials::{Campaign, Contact, Situation, share_within, summarise};
use clap::ValueEnum;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// Arguments of `trials`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// What is tried
    situation: Situation,
    /// Plan to try it with; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// How many trials
    #[arg(long, default_value_t = 1_000, value_parser = super::whole::<u32>(1..=10_000_000))]
    trials: u32,
    /// Seed from which each trial's is drawn
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// Share of the hopset under interference (simulated), 0 to 0.95
    #[arg(long, default_value_t = 0.0, value_parser = share)]
    jammed: f64,
    /// Length of the silence in seconds, 0 to 2678400
    #[arg(long, default_value_t = 14_400.0, value_parser = silence)]
    silence_s: f64,
    /// For how long the halves are apart before they meet, in hours, 0.1 to 168 (merge, rejoin)
    #[arg(long, value_name = "HOURS", default_value_t = 4.0, value_parser = apart)]
    hours_apart: f64,
    /// How the halves meet (merge, rejoin)
    #[arg(long, value_enum, default_value_t = Contact::Bridge)]
    contact: Contact,
    /// Fail (status 1) if the 99 % quantile exceeds this many seconds
    #[arg(long, value_name = "SECONDS", value_parser = bound)]
    p99_at_most: Option<f64>,
    /// Tell the share of outcomes within this many seconds
    #[arg(long, value_name = "SECONDS", value_parser = bound)]
    within: Option<f64>,
    /// Fail (status 1) if less than this share, in per cent, is within that time
    #[arg(long, value_name = "PERCENT", requires = "within", value_parser = percent)]
    share_at_least: Option<f64>,
    /// Fail (status 1) if more outcomes than this never happened
    #[arg(long, value_name = "COUNT", value_parser = super::whole::<u32>(0..=u32::MAX))]
    never_at_most: Option<u32>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Carries the trials out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = plan_or_built_in(args.plan.as_deref())?;
    let campaign = Campaign {
        situation: args.situation,
        trials: args.trials,
        seed: args.seed,
        jammed: args.jammed,
        silence_s: args.silence_s,
        apart_h: args.hours_apart,
        contact: args.contact,
    };
    let outcomes = campaign.run(&plan)?;
    let Some(s) = summarise(&outcomes) else {
        // What nobody has tried has held no bound.
        let help = "try more --trials, or a plan in which the situation comes about";
        return Err(Diagnostic::new(format!("{} trials have had no outcome", args.trials), help));
    };
    let within = args.within.map(|limit| share_within(&outcomes, limit));
    // What is asked of all outcomes is no question of a quantile: one in a hundred would be free.
    let share = within.map_or(0.0, |(share, _)| share);
    let asked = [
        args.p99_at_most.map(|most| (format!("99 % within {most} s"), s.p99_s <= most)),
        args.within.zip(args.share_at_least).map(|(limit, least)| {
            (format!("at least {least} % within {limit} s"), share * 100.0 >= least)
        }),
        args.never_at_most
            .map(|most| (format!("never, at most {most}"), s.never as u64 <= u64::from(most))),
    ];
    let asked: Vec<(String, bool)> = asked.into_iter().flatten().collect();
    let pass = asked.iter().all(|(_, held)| *held);
    let silent = args.situation == Situation::Silence;
    let parted = matches!(args.situation, Situation::Merge | Situation::Rejoin);
    write_out(|out| {
        if args.json {
            let finite = |x: f64| x.is_finite().then_some(x);
            let mut object = json!({
                "situation": args.situation.outcome(),
                "plan": plan.name(),
                "trials": args.trials,
                "jammed": args.jammed,
                "seed": args.seed,
                "outcomes": s.count,
                "never": s.never,
                "mean_s": s.mean_s,
                "median_s": finite(s.median_s),
                "p95_s": finite(s.p95_s),
                "p99_s": finite(s.p99_s),
                "p99_interval_s": [finite(s.p99_interval_s.0), finite(s.p99_interval_s.1)],
                "worst_s": finite(s.worst_s),
                "within_s": args.within,
                "share_within": within.map(|(share, _)| share),
                "share_within_interval": within.map(|(_, (lo, hi))| [lo, hi]),
                "p99_at_most": args.p99_at_most,
                "share_at_least_percent": args.share_at_least,
                "never_at_most": args.never_at_most,
                "pass": pass,
            });
            if silent {
                object["silence_s"] = json!(args.silence_s);
            }
            if parted {
                object["hours_apart"] = json!(args.hours_apart);
                let contact = args.contact.to_possible_value();
                object["contact"] = json!(contact.as_ref().map(|value| value.get_name()));
            }
            return writeln!(out, "{object:#}");
        }
        let what = args.situation.outcome();
        writeln!(out, "{what}: plan {}, {:.0} % jammed", plan.name(), args.jammed * 100.0)?;
        if silent {
            writeln!(out, "after {} s of silence", args.silence_s)?;
        }
        if parted {
            let how = match args.contact {
                Contact::Bridge => "one station moves in between",
                Contact::Whole => "one half moves to the other",
            };
            writeln!(out, "after {} h apart; {how}", args.hours_apart)?;
        }
        let trials =
            if s.trials == 1 { "1 trial".to_owned() } else { format!("{} trials", s.trials) };
        writeln!(out, "{} outcomes of {trials}, seed {}", s.count, args.seed)?;
        writeln!(out, "  mean    {}", span(s.mean_s))?;
        writeln!(out, "  median  {}", span(s.median_s))?;
        writeln!(out, "  95 %    {}", span(s.p95_s))?;
        let (lo, hi) = s.p99_interval_s;
        let interval = format!("({} to {} with 95 % confidence)", shown(lo), upper_end(hi));
        writeln!(out, "  99 %    {}  {interval}", span(s.p99_s))?;
        writeln!(out, "  worst   {}", span(s.worst_s))?;
        writeln!(out, "  never   {}", s.never)?;
        if let (Some(limit), Some((share, (lo, hi)))) = (args.within, within) {
            let interval =
                format!("({:.4} to {:.4} % with 95 % confidence)", lo * 100.0, hi * 100.0);
            writeln!(out, "  within {limit} s: {:.4} %  {interval}", share * 100.0)?;
        }
        for (what, held) in &asked {
            writeln!(out, "{what}: {}", if *held { "holds" } else { "FAILS" })?;
        }
        Ok(())
    })?;
    Ok(if pass { Outcome::Held } else { Outcome::Failed })
}

/// The upper end of an interval: where it has none, there are too few trials to bound the quantile, or
/// so many outcomes never happened.
pub(super) fn upper_end(seconds: f64) -> String {
    if seconds.is_finite() { shown(seconds) } else { "no bound".to_owned() }
}

/// Seconds, or that it never happened.
fn span(seconds: f64) -> String {
    if seconds.is_finite() { format!("{} s", shown(seconds)) } else { shown(seconds) }
}

pub(super) fn share(text: &str) -> Result<f64, String> {
    within(text, 0.0, 0.95)
}

fn silence(text: &str) -> Result<f64, String> {
    within(text, 0.0, 2_678_400.0)
}

fn apart(text: &str) -> Result<f64, String> {
    within(text, 0.1, 168.0)
}

fn percent(text: &str) -> Result<f64, String> {
    within(text, 0.0, 100.0)
}

fn bound(text: &str) -> Result<f64, String> {
    within(text, 0.0, f64::MAX)
}

pub(super) fn within(text: &str, least: f64, most: f64) -> Result<f64, String> {
    let number: f64 = text.parse().map_err(|_| format!("`{text}` is no number"))?;
    let fits = (least..=most).contains(&number);
    fits.then_some(number).ok_or_else(|| match most {
        f64::MAX => format!("{number} is not {least} or more"),
        _ => format!("{number} is not within {least} to {most}"),
    })
}
