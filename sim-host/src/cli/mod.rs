//! The command line: parse, call, turn the outcome into an exit status.
//!
//! | status | meaning |
//! |---|---|
//! | 0 | all checks held |
//! | 1 | a check failed |
//! | 2 | bad input, explained on standard error; nothing on standard output |
//! | 130 | a campaign was interrupted; what it has finished is kept |

mod adversaries;
mod blocks;
mod check;
mod check_text;
mod curve;
mod enter;
mod hops;
mod hostile;
mod inspect;
mod keygen;
mod load;
mod provision;
mod replay;
mod run;
mod schema;
mod secrets;
mod soak;
mod stability;
mod sweep;
mod trials;
mod watch;
mod withdraw;

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::scenario::built_in_plan;
use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};
use signal_hook::consts::{SIGINT, SIGTERM};
use std::fmt::Display;
use std::io::{self, ErrorKind, Write};
use std::ops::RangeInclusive;
use std::path::Path;
use std::process::ExitCode;
use std::str::FromStr;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// An open reference for frequency-hopping link layers: check plans, list hops, simulate nets.
#[derive(Debug, Parser)]
#[command(name = "hopwright", version, about)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Simulate a scenario: tell what happened and check it (also without any command)
    Run(run::Args),
    /// Watch a scenario run in the terminal, and take a hand in it
    Watch(watch::Args),
    /// Validate a plan and its lanes, and say what a published rule set makes of it
    Check(check::Args),
    /// List the hops of a plan
    Hops(hops::Args),
    /// Count how often a block of a message is lost, beside the exact probability
    Blocks(blocks::Args),
    /// Run a net for days with a fault every few minutes, all invariants watched
    Soak(soak::Args),
    /// Repeat one situation many times and give the distribution of its outcome
    Trials(trials::Args),
    /// Repeat a situation along an axis: a table with the closed form beside it, and a picture
    Curve(curve::Args),
    /// Run a scenario many times for all combinations of some of its values (campaigns, shards)
    Sweep(sweep::Args),
    /// Check the simulated oscillators against the closed forms of their stability
    Stability(stability::Args),
    /// Let simulated opponents try what they can, and tell what each achieves
    Adversaries(adversaries::Args),
    /// Try made-up receptions (simulated) by the million: nothing but counters may move
    Hostile(hostile::Args),
    /// Print the JSON Schema of plans, scenarios or sweeps, for editors
    Schema(schema::Args),
    /// Feed a recording to a station and tell what it did
    Replay(replay::Args),
    /// Take stations out of a net: a new net key for all others
    Withdraw(withdraw::Args),
    /// Draw a key from the operating system's generator into a new file
    Keygen(keygen::Args),
    /// Make the sealed configurations of a plan's stations
    Provision(provision::Args),
    /// Show what a configuration says, keys excepted
    Inspect(inspect::Args),
    /// Carry a configuration into a station over a serial port
    Load(load::Args),
    /// Make a configuration from groups typed in need
    Enter(enter::Args),
}

/// How a command that ran to its end came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Nothing failed.
    Held,
    /// A check failed.
    Failed,
    /// Interrupted before its end; the same command goes on.
    Stopped,
}

/// The command line, or clap's own word on it.
fn parse() -> Cli {
    // A number below 0 is a number out of range, and no option that nobody knows.
    let numbers = |arg: clap::Arg| match arg.get_action().takes_values() {
        true => arg.allow_negative_numbers(true),
        false => arg,
    };
    let command = Cli::command().mut_subcommands(|command| command.mut_args(numbers));
    let mut matches = command.get_matches();
    Cli::from_arg_matches_mut(&mut matches).unwrap_or_else(|error| error.exit())
}

/// Reads a whole number of a range; whatever is none is told the range.
fn whole<T>(range: RangeInclusive<T>) -> impl Fn(&str) -> Result<T, String> + Clone
where
    T: FromStr + PartialOrd + Display + Clone,
{
    move |text| {
        let number = text.parse().ok().filter(|number| range.contains(number));
        number.ok_or_else(|| format!("a whole number from {} to {}", range.start(), range.end()))
    }
}

/// Runs the command line of this process.
#[must_use]
pub fn main() -> ExitCode {
    let outcome = match parse().command {
        Some(Command::Check(args)) => check::run(&args),
        Some(Command::Hops(args)) => hops::run(&args),
        Some(Command::Blocks(args)) => blocks::run(&args),
        Some(Command::Soak(args)) => soak::run(&args),
        Some(Command::Trials(args)) => trials::run(&args),
        Some(Command::Curve(args)) => curve::run(&args),
        Some(Command::Sweep(args)) => sweep::run(&args),
        Some(Command::Stability(args)) => stability::run(&args),
        Some(Command::Adversaries(args)) => adversaries::run(&args),
        Some(Command::Hostile(args)) => hostile::run(&args),
        Some(Command::Replay(args)) => replay::run(&args),
        Some(Command::Withdraw(args)) => withdraw::run(&args),
        Some(Command::Keygen(args)) => keygen::run(&args),
        Some(Command::Provision(args)) => provision::run(&args),
        Some(Command::Inspect(args)) => inspect::run(&args),
        Some(Command::Load(args)) => load::run(&args),
        Some(Command::Enter(args)) => enter::run(&args),
        Some(Command::Schema(args)) => schema::run(&args),
        Some(Command::Run(args)) => run::run(&args),
        Some(Command::Watch(args)) => watch::run(&args),
        None => run::run(&run::Args::default()),
    };
    match outcome {
        Ok(Outcome::Held) => ExitCode::SUCCESS,
        Ok(Outcome::Failed) => ExitCode::from(1),
        Ok(Outcome::Stopped) => ExitCode::from(130),
        Err(error) => {
            // If standard error is closed there is nobody left to tell.
            let _ = writeln!(io::stderr(), "{error}");
            ExitCode::from(2)
        }
    }
}

/// The plan of that name, or that of the built-in scenario.
fn plan_or_built_in(path: Option<&Path>) -> Result<Plan, Diagnostic> {
    path.map_or_else(built_in_plan, Plan::load)
}

/// A flag that an interrupt or a request to end sets; the second ends the process at once.
fn stop_on_signals() -> Result<Arc<AtomicBool>, Diagnostic> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        let registered =
            signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&stop))
                .and_then(|_| signal_hook::flag::register(signal, Arc::clone(&stop)));
        registered.map_err(|error| {
            Diagnostic::new(format!("signals cannot be caught: {error}"), "run it elsewhere")
        })?;
    }
    Ok(stop)
}

/// Writes to standard output through a buffer. A reader that has seen enough (`| head`) ends the
/// writing and is no error.
fn write_out(
    body: impl FnOnce(&mut io::BufWriter<io::StdoutLock<'static>>) -> io::Result<()>,
) -> Result<(), Diagnostic> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    match body(&mut out).and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::BrokenPipe => {
            // What is still in the buffer has no reader; dropping it would try once more.
            let _ = out.into_parts();
            Ok(())
        }
        Err(error) => Err(Diagnostic::new(
            format!("the output cannot be written: {error}"),
            "make room, or write somewhere else",
        )),
    }
}
