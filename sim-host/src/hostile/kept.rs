//! What a campaign has done so far, in a file, so that it may be cut off at any moment and go on.
//!
//! ```text
//! {"campaign": {"hostile_tally": 2, "program": "0.1.0", "executable": "51…c4", "plan": "3f…9a", "seed": 1, "from": 0,
//!   "shard": [1, 1]}, "next": 262144, "outcomes": [{"state": "searching", "sort": "random",
//!   "outcome": "not genuine", "count": 3271}, …], "violations": []}
//! ```
//!
//! The file is replaced by a whole new one each time. What it holds belongs to one plan (its public
//! part, and what its key decides), one program to the byte, seed, first try and shard: anything else is
//! refused. (Two builds of one version may hold two links: what one has tried says nothing of the other.)

use super::{Campaign, OUTCOMES, Sort, State, Tally, Violation};
use crate::diagnostic::Diagnostic;
use crate::input::read_bytes;
use crate::plan::Plan;
use crate::whole;
use hopwright_core::units::Lane;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The file that keeps the tally of a campaign.
#[derive(Debug)]
pub struct Kept {
    path: PathBuf,
    head: Head,
    /// No other process writes the tally meanwhile.
    _lock: File,
}

/// The longest file that is read, in bytes: thousands of times a tally.
const LONGEST: u64 = 64 << 20;

/// Whose a tally is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    /// The version of the file.
    hostile_tally: u32,
    program: String,
    /// The digest of the program's file.
    executable: String,
    plan: String,
    seed: u64,
    from: u64,
    shard: (u64, u64),
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Body {
    campaign: Head,
    /// The number of the next try.
    next: u64,
    outcomes: Vec<Line>,
    violations: Vec<Violation>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    state: State,
    sort: Sort,
    outcome: String,
    count: u64,
}

impl Kept {
    /// Opens the file of a campaign, or makes one that says that nothing has been tried. Gives what
    /// has been done, and the number of the next try.
    ///
    /// # Errors
    /// [`Diagnostic`] if it cannot be read or written, is damaged, or belongs to another campaign.
    pub fn open(
        path: &Path,
        campaign: &Campaign,
        plan: &Plan,
    ) -> Result<(Self, Tally, u64), Diagnostic> {
        let head = Head {
            hostile_tally: 2,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            executable: executable()?,
            plan: identity(plan)?,
            seed: campaign.seed,
            from: campaign.from,
            shard: campaign.shard,
        };
        let kept = Self { path: path.to_owned(), head, _lock: locked(path)? };
        let (tally, next) = if path.exists() {
            let again = "name another file for --keep, or remove this one and begin anew";
            kept.read(&read_bytes(path, LONGEST, again)?, campaign)?
        } else {
            let none = (Tally::default(), campaign.from);
            kept.write(&none.0, none.1)?;
            none
        };
        Ok((kept, tally, next))
    }

    /// Puts what has been done in the place of what the file holds.
    ///
    /// # Errors
    /// [`Diagnostic`] if it cannot be written; the file stays as it was then.
    pub fn write(&self, tally: &Tally, next: u64) -> Result<(), Diagnostic> {
        let line = |((state, sort, outcome), count): (&(State, Sort, &str), &u64)| Line {
            state: *state,
            sort: *sort,
            outcome: (*outcome).to_owned(),
            count: *count,
        };
        let body = Body {
            campaign: self.head.clone(),
            next,
            outcomes: tally.outcomes.iter().map(line).collect(),
            violations: tally.violations.clone(),
        };
        let (folder, name) = place(&self.path)?;
        whole::write(folder, name, |out| writeln!(out, "{}", serde_json::to_string_pretty(&body)?))
    }

    fn read(&self, bytes: &[u8], campaign: &Campaign) -> Result<(Tally, u64), Diagnostic> {
        let again = "name another file for --keep, or remove this one and begin anew";
        let body: Body = serde_json::from_slice(bytes).map_err(|error| {
            self.refused(format!("this is no tally of a hostile campaign: {error}"), again)
        })?;
        let of = &body.campaign;
        let differs = [
            ("version of the file", of.hostile_tally != self.head.hostile_tally),
            ("version of the program", of.program != self.head.program),
            ("program, of the same version,", of.executable != self.head.executable),
            ("plan", of.plan != self.head.plan),
            ("--seed", of.seed != self.head.seed),
            ("--from", of.from != self.head.from),
            ("--shard", of.shard != self.head.shard),
        ];
        if let Some((what, _)) = differs.into_iter().find(|(_, differs)| *differs) {
            let what = format!("this is the tally of another campaign: its {what} is another");
            return Err(self.refused(what, "name another file for --keep, or undo the change"));
        }
        let end = campaign.from.saturating_add(campaign.tries);
        if body.next > end {
            let what = format!(
                "{} tries are kept here, and {} are asked for",
                body.next.saturating_sub(campaign.from),
                campaign.tries
            );
            return Err(self.refused(what, "ask for as many with --tries, or for more"));
        }
        let mut tally = Tally { violations: body.violations, ..Tally::default() };
        for line in body.outcomes {
            let Some(name) = OUTCOMES.into_iter().find(|name| *name == line.outcome) else {
                let what = format!("it counts an outcome that there is not: `{}`", line.outcome);
                return Err(self.refused(what, again));
            };
            tally.tries = tally.tries.saturating_add(line.count);
            let count = tally.outcomes.entry((line.state, line.sort, name)).or_default();
            *count = count.saturating_add(line.count);
        }
        if body.next < campaign.from || tally.tries > body.next.saturating_sub(campaign.from) {
            let what = "its counts do not fit the number of the next try";
            return Err(self.refused(what, again));
        }
        Ok((tally, body.next))
    }

    fn refused(&self, what: impl Into<String>, help: &str) -> Diagnostic {
        refused(&self.path, what, help)
    }
}

fn refused(path: &Path, what: impl Into<String>, help: &str) -> Diagnostic {
    Diagnostic::in_file(path.display().to_string(), what, help)
}

/// The folder that a file is in, and its name there.
fn place(path: &Path) -> Result<(&Path, &str), Diagnostic> {
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let name = path.file_name().and_then(|name| name.to_str());
    let none = || refused(path, "this is no name of a file", "name a file for --keep");
    Ok((folder, name.ok_or_else(none)?))
}

/// Keeps every other process from the tally for as long as the answer lives. The tally itself is
/// replaced each time, so that what is locked is an empty file beside it, which stays.
fn locked(path: &Path) -> Result<File, Diagnostic> {
    let (folder, name) = place(path)?;
    let lock = folder.join(format!(".{name}.lock"));
    let opened = OpenOptions::new().create(true).truncate(false).write(true).open(&lock);
    let file = opened.map_err(|error| whole::unwritable(path, &error))?;
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => Err(refused(
            path,
            "another run keeps its tally here",
            "wait until it has ended, or name another file for --keep",
        )),
        // Where files cannot be locked, two runs at once remain the operator's care.
        Ok(()) | Err(TryLockError::Error(_)) => Ok(file),
    }
}

/// What a program is told by: the digest of its own file.
fn executable() -> Result<String, Diagnostic> {
    let read = std::env::current_exe().and_then(std::fs::read);
    let bytes = read.map_err(|error| {
        let what =
            format!("the program cannot read its own file, which a kept tally belongs to: {error}");
        Diagnostic::new(what, "put the program where it may be read, or leave --keep out")
    })?;
    Ok(first_half(Sha256::new().chain_update(bytes)))
}

/// The first 16 bytes of a digest, as digits.
fn first_half(hash: Sha256) -> String {
    hash.finalize().iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// What a plan is told by: the digest of its public part, and what its key decides.
fn identity(plan: &Plan) -> Result<String, Diagnostic> {
    let hops = plan.what_the_key_decides(Lane::ZERO)?;
    Ok(first_half(Sha256::new().chain_update(plan.digest().bytes()).chain_update(hops)))
}
