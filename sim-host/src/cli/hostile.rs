//! `hopwright hostile`: made-up receptions by the million, against single stations.

use super::{Outcome, plan_or_built_in, write_out};
use crate::diagnostic::Diagnostic;
use crate::hostile::{BATCH, Campaign, State, Tally};
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

/// Arguments of `hostile`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan whose stations are attacked; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// How many tries, over all shards
    #[arg(long, default_value_t = 1_000_000, value_parser = clap::value_parser!(u64).range(1..=1_000_000_000_000))]
    tries: u64,
    /// Number of the first try: where a campaign that was cut off goes on
    #[arg(long, default_value_t = 0, value_parser = clap::value_parser!(u64).range(..=1_000_000_000_000))]
    from: u64,
    /// Threads; as many as there are cores if not given
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=1024))]
    jobs: Option<u16>,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Carry out one part of several, such as 2/4
    #[arg(long, value_name = "I/N", default_value = "1/1", value_parser = shard)]
    shard: (u64, u64),
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Tries between two looks at the progress.
const PIECE: u64 = 1_024 * BATCH;

/// Carries the campaign out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = plan_or_built_in(args.plan.as_deref())?;
    let Args { seed, from, tries, shard, .. } = *args;
    let campaign = Campaign { seed, from, tries, shard };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(args.jobs.map_or(0, usize::from))
        .build()
        .map_err(|error| {
            Diagnostic::new(format!("no threads can be had: {error}"), "ask for fewer with --jobs")
        })?;
    let terminal = std::io::stderr().is_terminal();
    let clock = Stopwatch::start();
    let mut tally = Tally::default();
    // In pieces, so that one that is cut off can go on.
    let end = from.saturating_add(tries);
    let mut next = from;
    while next < end {
        let piece = Campaign { from: next, tries: PIECE.min(end - next), ..campaign };
        tally = tally.with(pool.install(|| piece.run(&plan, |_| {}))?);
        next += piece.tries;
        if terminal {
            let percent = 100.0 * (next - from) as f64 / tries as f64;
            let rate = tally.tries as f64 / clock.seconds();
            let go_on = format!("to go on later: --from {next} --tries {}", end - next);
            let _ = write!(std::io::stderr(), "\r{percent:5.1} %  {rate:.0} tries/s  {go_on} ");
        }
    }
    let seconds = clock.seconds();
    if terminal {
        let _ = write!(std::io::stderr(), "\r{:79}\r", "");
    }
    write_out(|out| {
        if args.json {
            return writeln!(out, "{:#}", object(args, &tally));
        }
        account(out, args, &tally, seconds)
    })?;
    Ok(if tally.violations.is_empty() { Outcome::Held } else { Outcome::Failed })
}

/// The results. No rate: the same campaign gives the same object.
fn object(args: &Args, tally: &Tally) -> serde_json::Value {
    let outcomes: Vec<_> = tally
        .outcomes
        .iter()
        .map(|((state, sort, outcome), count)| {
            json!({
                "state": state.name(), "tried": sort.name(), "outcome": outcome, "count": count,
            })
        })
        .collect();
    let violations: Vec<_> = tally
        .violations
        .iter()
        .map(|violation| {
            json!({
                "number": violation.number,
                "state": violation.state.name(),
                "tried": violation.sort.name(),
                "what": violation.what,
            })
        })
        .collect();
    json!({
        "simulated": true,
        "seed": args.seed,
        "from": args.from,
        "tries": tally.tries,
        "shard": [args.shard.0, args.shard.1],
        "outcomes": outcomes,
        "violations": violations,
        "holds": tally.violations.is_empty(),
    })
}

fn account(out: &mut impl Write, args: &Args, tally: &Tally, seconds: f64) -> std::io::Result<()> {
    let rate = tally.tries as f64 / seconds;
    writeln!(
        out,
        "{} made-up receptions against single stations (simulated), seed {}, from {}, shard {}/{}: \
         {seconds:.0} s, {rate:.0} tries/s",
        tally.tries, args.seed, args.from, args.shard.0, args.shard.1,
    )?;
    writeln!(out, "by state")?;
    let by_state = tally.summed(|(state, ..)| *state);
    for state in State::ALL {
        let count = by_state.get(&state).copied().unwrap_or_default();
        writeln!(out, "  {count:>12}  {}", state.name())?;
    }
    writeln!(out, "by what was tried, and what became of it")?;
    for ((sort, outcome), count) in tally.summed(|(_, sort, outcome)| (*sort, *outcome)) {
        writeln!(out, "  {count:>12}  {}: {outcome}", sort.name())?;
    }
    for violation in &tally.violations {
        writeln!(
            out,
            "  MOVED  try {}, {}, {}: {}",
            violation.number,
            violation.state.name(),
            violation.sort.name(),
            violation.what,
        )?;
    }
    let verdict = if tally.violations.is_empty() { "holds" } else { "FAILS" };
    let count = tally.violations.len();
    writeln!(out, "  {verdict}  {count} tries moved anything but counters (0 required)")?;
    if args.shard == (1, 1) {
        writeln!(out, "next: --from {}", args.from.saturating_add(args.tries))?;
    }
    Ok(())
}

/// Real time, for a rate that is shown and decides nothing.
struct Stopwatch(std::time::Instant);

impl Stopwatch {
    #[expect(clippy::disallowed_methods, reason = "a rate for a person, not a result")]
    fn start() -> Self {
        Self(std::time::Instant::now())
    }

    fn seconds(&self) -> f64 {
        self.0.elapsed().as_secs_f64().max(1e-9)
    }
}

fn shard(text: &str) -> Result<(u64, u64), String> {
    let parts = text
        .split_once('/')
        .and_then(|(index, count)| Some((index.parse::<u64>().ok()?, count.parse::<u64>().ok()?)));
    match parts {
        Some((index, count)) if 1 <= index && index <= count && count <= 100_000 => {
            Ok((index, count))
        }
        _ => Err(format!("`{text}` is no part of several: write 1/4 to 4/4")),
    }
}
