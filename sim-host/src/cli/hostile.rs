//! `hopwright hostile`: made-up receptions by the million, against single stations.

use super::{Outcome, plan_or_built_in, stop_on_signals, write_out};
use crate::diagnostic::Diagnostic;
use crate::hostile::{BATCH, Campaign, Kept, State, Tally};
use crate::sweep::Shard;
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::atomic::Ordering;

/// Arguments of `hostile`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Plan whose stations are attacked; that of the built-in scenario if none is named
    plan: Option<PathBuf>,
    /// How many tries, over all shards
    #[arg(long, default_value_t = 1_000_000, value_parser = super::whole::<u64>(1..=1_000_000_000_000))]
    tries: u64,
    /// Number of the first try
    #[arg(long, default_value_t = 0, value_parser = super::whole::<u64>(0..=1_000_000_000_000))]
    from: u64,
    /// File for what has been done so far: new, or that of the same campaign, which then goes on (with
    /// more --tries, too)
    #[arg(long, value_name = "FILE")]
    keep: Option<PathBuf>,
    /// Threads; as many as there are cores if not given
    #[arg(long, value_parser = super::whole::<u16>(1..=1024))]
    jobs: Option<u16>,
    /// Seed from which everything follows
    #[arg(long, default_value_t = 1, value_parser = super::whole::<u64>(0..=u64::MAX))]
    seed: u64,
    /// Carry out one part of several, such as 2/4
    #[arg(long, value_name = "I/N", default_value = "1/1", value_parser = Shard::parse)]
    shard: Shard,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Tries between two looks at the progress, and between two times of keeping it.
const PIECE: u64 = 256 * BATCH;

/// Carries the campaign out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let plan = plan_or_built_in(args.plan.as_deref())?;
    let Args { seed, from, tries, shard, .. } = *args;
    let shard = (shard.index.into(), shard.of.into());
    let campaign = Campaign { seed, from, tries, shard };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(args.jobs.map_or(0, usize::from))
        .build()
        .map_err(|error| {
            Diagnostic::new(format!("no threads can be had: {error}"), "ask for fewer with --jobs")
        })?;
    let (kept, mut tally, mut next) = match &args.keep {
        Some(path) => {
            let (kept, tally, next) = Kept::open(path, &campaign, &plan)?;
            (Some(kept), tally, next)
        }
        None => (None, Tally::default(), from),
    };
    let stop = stop_on_signals()?;
    let terminal = std::io::stderr().is_terminal();
    let clock = Stopwatch::start();
    let done_before = tally.tries;
    let end = from.saturating_add(tries);
    while next < end && !stop.load(Ordering::Relaxed) {
        let piece = Campaign { from: next, tries: PIECE.min(end - next), ..campaign };
        tally = tally.with(pool.install(|| piece.run(&plan, |_| {}))?);
        next += piece.tries;
        if let Some(kept) = &kept {
            kept.write(&tally, next)?;
        }
        if terminal {
            let percent = 100.0 * (next - from) as f64 / tries as f64;
            let rate = (tally.tries - done_before) as f64 / clock.seconds();
            let _ = write!(std::io::stderr(), "\r{percent:5.1} %  {rate:.0} tries/s ");
        }
    }
    let done = Done { tally, next, here: clock.seconds(), before: done_before };
    if terminal {
        let _ = write!(std::io::stderr(), "\r{:79}\r", "");
    }
    if next < end {
        let left = end - next;
        let _ = match &args.keep {
            Some(path) => writeln!(
                std::io::stderr(),
                "interrupted: {left} tries are left; {} keeps the others, and the same command goes on",
                path.display()
            ),
            None => writeln!(
                std::io::stderr(),
                "interrupted: {left} tries are left, from {next} on; --keep FILE keeps the others"
            ),
        };
        if kept.is_some() {
            return Ok(Outcome::Stopped);
        }
    }
    write_out(|out| {
        if args.json {
            return writeln!(out, "{:#}", object(args, &done));
        }
        account(out, args, &done)
    })?;
    Ok(match (done.tally.violations.is_empty(), next < end) {
        (false, _) => Outcome::Failed,
        (true, true) => Outcome::Stopped,
        (true, false) => Outcome::Held,
    })
}

/// What has been done.
struct Done {
    tally: Tally,
    /// The number of the next try.
    next: u64,
    /// How long this run has taken, in seconds, and what had been tried before it.
    here: f64,
    before: u64,
}

/// The results. No rate: the same campaign gives the same object.
fn object(args: &Args, done: &Done) -> serde_json::Value {
    let tally = &done.tally;
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
        "next": done.next,
        "shard": [args.shard.index, args.shard.of],
        "outcomes": outcomes,
        "violations": violations,
        "holds": tally.violations.is_empty(),
    })
}

fn account(out: &mut impl Write, args: &Args, done: &Done) -> std::io::Result<()> {
    let Done { tally, here, .. } = done;
    let now = tally.tries - done.before;
    writeln!(
        out,
        "{} made-up receptions against single stations (simulated), seed {}, from {}, shard {}/{}: \
         {now} of them now, {here:.0} s, {:.0} tries/s",
        tally.tries,
        args.seed,
        args.from,
        args.shard.index,
        args.shard.of,
        now as f64 / here,
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
    writeln!(out, "next: --from {}", done.next)
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
