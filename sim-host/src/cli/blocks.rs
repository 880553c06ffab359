//! `hopwright blocks`: how often a block of a message is lost.

use super::{Outcome, plan_or_built_in, write_out};
use crate::blocks::{Campaign, Point, TAIL, draw_word, write_files};
use crate::diagnostic::Diagnostic;
use crate::folder::may_make;
use crate::plan::Plan;
use hopwright_core::coding::reed_solomon::ReedSolomon;
use hopwright_core::sequence::Draw;
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;

/// Arguments of `blocks`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan to try it with; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// Code as N,K: slots of a block, and how many of them suffice; may be given several times
    /// [default: the plan's]
    #[arg(long = "code", value_name = "N,K", value_parser = code)]
    codes: Vec<ReedSolomon>,
    /// How traffic hops are drawn; may be given several times [default: both]
    #[arg(long = "draw", value_enum)]
    draws: Vec<DrawWord>,
    /// Shares of the traffic channels that are jammed (simulated), 0 to 1, with commas between
    #[arg(long, value_delimiter = ',', value_parser = share,
        default_value = "0.2,0.3,0.4,0.45,0.5,0.55,0.6,0.7")]
    jammed: Vec<f64>,
    /// Share of the jammed slots that arrive damaged, instead of not at all, 0 to 1
    #[arg(long, default_value_t = 0.0, value_parser = share)]
    damaged: f64,
    /// How many blocks
    #[arg(long, default_value_t = 20_000, value_parser = super::whole::<u32>(1..=100_000_000))]
    trials: u32,
    /// How many of them are really encoded and decoded, to see that the count is right
    #[arg(long, value_name = "BLOCKS", default_value_t = 200, value_parser = super::whole::<u32>(0..=u32::MAX))]
    decode: u32,
    /// Seed from which each trial's is drawn
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// Fail (status 1) if a larger share is lost at any point, measured or by the closed form
    #[arg(long, value_name = "SHARE", value_parser = share)]
    at_most: Option<f64>,
    /// New folder for the table and its picture
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum DrawWord {
    /// Each channel once in a cycle
    Balanced,
    /// Each hop on its own
    Independent,
}

impl DrawWord {
    const fn draw(self) -> Draw {
        match self {
            Self::Balanced => Draw::Balanced,
            Self::Independent => Draw::Independent,
        }
    }
}

/// Carries the trials out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    args.out.as_deref().map_or(Ok(()), may_make)?;
    let plan = plan_or_built_in(args.plan.as_deref())?;
    let mut draws = args.draws.clone();
    draws.dedup();
    if draws.is_empty() {
        draws = vec![DrawWord::Balanced, DrawWord::Independent];
    }
    let mut codes = args.codes.clone();
    codes.dedup();
    if codes.is_empty() {
        codes = vec![*plan.message().code()];
    }
    let campaign = Campaign {
        codes,
        draws: draws.into_iter().map(DrawWord::draw).collect(),
        jammed: args.jammed.clone(),
        damaged: args.damaged,
        trials: args.trials,
        decoded: args.decode,
        seed: args.seed,
    };
    let points = campaign.run(&plan)?;
    if let Some(folder) = &args.out {
        let title = format!("{}: blocks lost under interference", plan.name());
        write_files(&points, &title, folder)?;
    }
    let small = |point: &Point| args.at_most.is_none_or(|most| within(point, most));
    let pass = points.iter().all(|point| point.holds() && small(point));
    write_out(|out| {
        if args.json {
            let points: Vec<Value> = points.iter().map(to_json).collect();
            let object = json!({
                "plan": plan.name(),
                "trials": args.trials,
                "seed": args.seed,
                "damaged_share": args.damaged,
                "least_tail": TAIL,
                "at_most": args.at_most,
                "points": points,
                "pass": pass,
            });
            return writeln!(out, "{object:#}");
        }
        write_text(args, &plan, &points, out)
    })?;
    Ok(if pass { Outcome::Held } else { Outcome::Failed })
}

fn within(point: &Point, most: f64) -> bool {
    point.share() <= most && point.expected <= most
}

fn to_json(point: &Point) -> Value {
    let (low, high) = point.interval();
    json!({
        "n": point.odds.n,
        "k": point.odds.k,
        "draw": draw_word(point.odds.draw),
        "traffic_channels": point.odds.channels,
        "jammed_channels": point.odds.jammed,
        "lost": point.lost,
        "measured": point.share(),
        "interval_95": [low, high],
        "closed_form": point.expected,
        "decoded": point.decoded,
        "surprises": point.surprises,
        "holds": point.holds(),
    })
}

fn write_text(args: &Args, plan: &Plan, points: &[Point], out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "blocks: plan {}, {} trials, seed {}", plan.name(), args.trials, args.seed)?;
    if args.damaged > 0.0 {
        let damaged = args.damaged * 100.0;
        writeln!(out, "{damaged:.0} % of the jammed slots arrive damaged, the others not at all")?;
    }
    writeln!(
        out,
        "  {:<9} {:<11}  {:>15}  {:>9}  {:>9}  {:>21}  {:>11}",
        "code", "draw", "jammed", "lost", "measured", "95 % interval", "closed form"
    )?;
    for point in points {
        let (low, high) = point.interval();
        let odds = point.odds;
        let code = format!("({}, {})", odds.n, odds.k);
        let share = point.jammed() * 100.0;
        let jammed = format!("{}/{} {share:>5.1} %", odds.jammed, odds.channels);
        let verdict = match (point.surprises, point.holds()) {
            (0, true) => "holds",
            (0, false) => "DISAGREES",
            _ => "DECODER DISAGREES",
        };
        writeln!(
            out,
            "  {code:<9} {:<11}  {jammed:>15}  {:>9}  {:>9.2e}  {low:>9.2e} to {high:>8.2e}  \
             {:>11.4e}  {verdict}",
            draw_word(odds.draw),
            point.lost,
            point.share(),
            point.expected,
        )?;
    }
    let decoded: u64 = points.iter().map(|point| u64::from(point.decoded)).sum();
    let surprises: u64 = points.iter().map(|point| u64::from(point.surprises)).sum();
    writeln!(out, "{decoded} blocks really decoded, {surprises} otherwise than counted")?;
    let once = libm::round(1.0 / (2.0 * TAIL * 1e3)) * 1e3;
    writeln!(
        out,
        "holds: by chance once in {once} points the count is farther from the closed form (binomial)"
    )?;
    if let Some(most) = args.at_most {
        let all = points.iter().all(|point| within(point, most));
        let verdict = if all { "holds" } else { "FAILS" };
        writeln!(out, "at most {most:e} lost, measured and exact: {verdict}")?;
    }
    if let Some(folder) = &args.out {
        writeln!(out, "written to {}", folder.display())?;
    }
    Ok(())
}

fn code(text: &str) -> Result<ReedSolomon, String> {
    let parts = text.split_once(',').map(|(n, k)| (n.trim().parse::<u8>(), k.trim().parse::<u8>()));
    match parts {
        Some((Ok(n), Ok(k))) => ReedSolomon::new(n, k).map_err(|error| error.to_string()),
        _ => Err("a code is two numbers up to 255 with a comma between, as 64,24".to_owned()),
    }
}

fn share(text: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|_| format!("`{text}` is no number"))?;
    (0.0..=1.0)
        .contains(&number)
        .then_some(number)
        .ok_or_else(|| format!("{number} is not within 0 to 1"))
}
