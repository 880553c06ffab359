//! `hopwright sweep`: a scenario many times, at all combinations of some values.

use super::{Outcome, stop_on_signals, write_out};
use crate::diagnostic::Diagnostic;
use crate::run::shown;
use crate::sweep::{self, Campaign, Folder, Shard, Share, Summary, Sweep, Told};
use serde_json::json;
use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Arguments of `sweep`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Sweep to carry out
    sweep: PathBuf,
    /// Folder for the results, and for what is finished on the way: new, or that of the same
    /// campaign, which then goes on
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Run every N-th trial only, beginning with the I-th (with --out)
    #[arg(long, value_name = "I/N", value_parser = Shard::parse, requires = "out")]
    shard: Option<Shard>,
    /// Run nothing: put together what shards have left in these folders (with --out)
    #[arg(long, value_name = "DIR", num_args = 1.., requires = "out", conflicts_with = "shard")]
    merge: Vec<PathBuf>,
    /// Threads; as many as there are cores if left out
    #[arg(long, value_name = "J", value_parser = super::whole::<u16>(1..=1024))]
    jobs: Option<u16>,
    /// Trials of each cell, instead of the sweep's own
    #[arg(long, value_name = "N", value_parser = super::whole::<u32>(1..=1_000_000))]
    trials: Option<u32>,
    /// Seed, instead of the sweep's own
    #[arg(long, value_name = "N", value_parser = super::whole::<u64>(0..=u64::MAX >> 1))]
    seed: Option<u64>,
    /// Print one JSON object instead of the table
    #[arg(long)]
    json: bool,
}

/// Carries the campaign out.
pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    let campaign = Sweep::load(&args.sweep, args.trials, args.seed)?;
    let shard = args.shard.unwrap_or(Shard::WHOLE);
    // Before a folder is made: a name that is mistyped leaves nothing behind.
    for folder in &args.merge {
        sweep::shards_in(folder)?;
    }
    let (mut folder, mut results) = match &args.out {
        Some(path) => {
            let (folder, results) = Folder::open(&campaign, path, shard)?;
            (Some(folder), results)
        }
        None => (None, sweep::Results::empty(&campaign)),
    };
    if let Some(folder) = &mut folder
        && !args.merge.is_empty()
    {
        folder.merge(&campaign, &args.merge, &mut results)?;
    }
    let todo = results.missing(shard);
    if !args.merge.is_empty() && !todo.is_empty() {
        return Err(missing(&campaign, &todo));
    }
    let stop = stop_on_signals()?;
    let mut progress = Progress::new();
    let jobs = args.jobs.map_or(0, usize::from);
    let told = |told: Told| progress.tell(told);
    let results = sweep::run(&campaign, folder.as_mut(), results, &todo, jobs, &stop, told)?;
    progress.wipe();
    let left = results.missing(shard).len();
    if left > 0 {
        let done = todo.len() - left;
        let _ = match &folder {
            Some(folder) => writeln!(
                io::stderr(),
                "interrupted: {done} trials done now, {left} left; {} keeps them, and the same \
                 command goes on",
                folder.path().display()
            ),
            None => {
                writeln!(io::stderr(), "interrupted: {left} trials were left; --out DIR keeps them")
            }
        };
        return Ok(Outcome::Stopped);
    }
    if shard != Shard::WHOLE {
        return tell_shard(args, &campaign, shard, results.done());
    }
    let cells = sweep::summarise(&campaign, &results);
    if let Some(folder) = &folder {
        sweep::write_files(&campaign, &results, &cells, folder)?;
    }
    write_out(|out| {
        if args.json {
            return writeln!(out, "{:#}", sweep::to_json(&campaign, &cells));
        }
        write_text(out, &campaign, &cells)?;
        match &folder {
            Some(folder) => writeln!(out, "written to {}", folder.path().display()),
            None => Ok(()),
        }
    })?;
    Ok(Outcome::Held)
}

fn missing(campaign: &Campaign, todo: &[usize]) -> Diagnostic {
    let trials: Vec<String> = todo
        .iter()
        .take(3)
        .map(|index| campaign.sweep.trial(*index))
        .map(|trial| format!("trial {} of cell {}", trial.trial, trial.cell))
        .collect();
    let more = if todo.len() > trials.len() { ", ..." } else { "" };
    Diagnostic::new(
        format!(
            "{} of {} trials are missing: {}{more}",
            todo.len(),
            campaign.sweep.total(),
            trials.join(", ")
        ),
        "name the folders of all shards, once each has run to its end; or leave --merge out, and \
         what is missing is run",
    )
}

fn tell_shard(
    args: &Args,
    campaign: &Campaign,
    shard: Shard,
    done: usize,
) -> Result<Outcome, Diagnostic> {
    write_out(|out| {
        if args.json {
            let object = json!({
                "sweep": campaign.sweep.name,
                "digest": campaign.digest(),
                "shard": shard.to_string(),
                "trials": done,
            });
            return writeln!(out, "{object:#}");
        }
        writeln!(
            out,
            "{}: shard {shard} is complete, {done} of {} trials; put all together with --merge",
            campaign.sweep.name,
            campaign.sweep.total()
        )
    })?;
    Ok(Outcome::Held)
}

/// Rate and time left, on a terminal.
struct Progress {
    terminal: bool,
    began: Instant,
    last: Duration,
}

impl Progress {
    #[expect(clippy::disallowed_methods, reason = "tells a person how long; no result has it")]
    fn new() -> Self {
        Self { terminal: io::stderr().is_terminal(), began: Instant::now(), last: Duration::ZERO }
    }

    fn tell(&mut self, told: Told) {
        let since = self.began.elapsed();
        if !self.terminal || since.saturating_sub(self.last) < Duration::from_millis(100) {
            return;
        }
        self.last = since;
        let rate = told.done as f64 / since.as_secs_f64().max(1e-9);
        let left = (told.of - told.done) as f64 / rate.max(1e-9);
        let text = format!(
            "{:3.0} %  {} of {} trials, {rate:.1} a second, {} left",
            told.done as f64 / told.of as f64 * 100.0,
            told.done,
            told.of,
            duration(left)
        );
        let _ = write!(io::stderr(), "\r{text:70}\r");
    }

    fn wipe(&self) {
        if self.terminal {
            let _ = write!(io::stderr(), "\r{:70}\r", "");
        }
    }
}

fn duration(seconds: f64) -> String {
    let minutes = libm::floor(seconds / 60.0);
    match minutes {
        0.0 => format!("{seconds:.0} s"),
        _ if minutes < 60.0 => format!("{minutes:.0} min {:.0} s", seconds - minutes * 60.0),
        _ => format!("{:.0} h {:.0} min", libm::floor(minutes / 60.0), minutes % 60.0),
    }
}

fn write_text(out: &mut impl Write, campaign: &Campaign, cells: &[Summary]) -> io::Result<()> {
    let sweep = &campaign.sweep;
    writeln!(
        out,
        "{}: {} cells, {} trials each, seed {}; 95 % intervals in brackets",
        sweep.name,
        cells.len(),
        sweep.trials,
        sweep.seed
    )?;
    for cell in cells {
        let mut line = String::new();
        for (factor, level) in sweep.factors.iter().zip(&cell.levels) {
            let _ = write!(
                line,
                "{}{} = {level}",
                if line.is_empty() { "" } else { ", " },
                factor.name
            );
        }
        writeln!(out, "{}", if line.is_empty() { "as the scenario says" } else { &line })?;
        if let Some(held) = cell.held {
            writeln!(out, "  {:24} {}", "all expectations", share(held))?;
        }
        for m in &cell.metrics {
            let with = |value: Option<f64>, interval: Option<(f64, f64)>| match (value, interval) {
                (Some(value), Some((low, high))) => {
                    format!("{} ({} to {})", shown(value), shown(low), shown(high))
                }
                (Some(value), None) => shown(value),
                (None, _) => "nothing".to_owned(),
            };
            let share = m.share.map_or_else(String::new, share);
            let text = format!(
                "  {:24} {:>2}  median {:28} mean {:28} {share}",
                m.asked.name,
                m.asked.metric.unit,
                with(m.median, m.median_interval),
                with(m.mean, m.mean_interval),
            );
            writeln!(out, "{}", text.trim_end())?;
        }
    }
    Ok(())
}

fn share(share: Share) -> String {
    let (low, high) = share.interval;
    let Share { what, hits, of, .. } = share;
    format!("{what} in {hits} of {of}: {:.3} ({low:.3} to {high:.3})", share.share)
}
