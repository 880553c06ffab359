//! What a campaign has finished, in a folder: one journal for each shard.
//!
//! ```text
//! hopwright sweep journal 1 3f…9a 2/5        digest of the campaign, shard
//! 6 1 0.24 0 a41b09c3                        trial, expectations held, metrics, check of the line
//! ```
//!
//! Lines are appended as trials finish, in any order. A line that was cut off or that reached the
//! disk in part can only be the last: it is dropped, and its trial is run again. Anything else that
//! does not fit is refused, not repaired.

use super::Campaign;
use super::campaign::{Outcome, Results};
use crate::diagnostic::Diagnostic;
use crate::whole::unwritable;
use sha2::{Digest, Sha256};
use std::fmt::{self, Write as _};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// What a journal begins with.
const HEAD: &str = "hopwright sweep journal 1";

/// A part of a campaign: every `of`-th trial, beginning with the `index`-th, counted from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Its number, from 1.
    pub index: u32,
    /// How many there are.
    pub of: u32,
}

impl Shard {
    /// All trials.
    pub const WHOLE: Self = Self { index: 1, of: 1 };
    /// The most shards.
    pub const MOST: u32 = 100_000;

    /// Reads `2/5`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(text: &str) -> Result<Self, String> {
        let numbers = text.split_once('/').map(|(index, of)| (index.parse(), of.parse()));
        let Some((Ok(index), Ok(of))) = numbers else {
            return Err("write it like 2/5: the second of five shards".to_owned());
        };
        if !(1..=Self::MOST).contains(&of) || !(1..=of).contains(&index) {
            return Err(format!("shards are 1/N to N/N, with N up to {}", Self::MOST));
        }
        Ok(Self { index, of })
    }

    /// Whether a trial is one of its own.
    #[must_use]
    pub const fn has(self, trial: usize) -> bool {
        trial % self.of as usize == self.index as usize - 1
    }

    /// The name of its journal.
    fn file(self) -> String {
        match self.of {
            1 => "trials.part".to_owned(),
            _ => format!("trials.{}-of-{}.part", self.index, self.of),
        }
    }

    /// The shard whose journal has that name.
    fn of_file(name: &str) -> Option<Self> {
        let stem = name.strip_prefix("trials.")?;
        if stem == "part" {
            return Some(Self::WHOLE);
        }
        let shard = Self::parse(&stem.strip_suffix(".part")?.replace("-of-", "/")).ok()?;
        (shard.file() == name).then_some(shard)
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.index, self.of)
    }
}

/// The folder of a campaign, with the journal of a shard open for more. No other process writes
/// that journal meanwhile.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    journal: PathBuf,
    file: File,
    digest: [u8; 32],
    unsynced: usize,
}

/// So many trials are put on the disk at a time; those that are not there yet survive the death of
/// the process, but not of the machine.
const BATCH: usize = 256;

impl Folder {
    /// Opens or makes the folder of a campaign for one of its shards, and reads what that shard has
    /// finished; for the whole campaign, what any shard has finished there.
    ///
    /// # Errors
    /// [`Diagnostic`] if it cannot be made, holds something else, or is in use.
    pub fn open(
        campaign: &Campaign,
        path: &Path,
        shard: Shard,
    ) -> Result<(Self, Results), Diagnostic> {
        // One look for both: a shard that starts beside this one may add its journal in between.
        let (found, others) = listed(path)?;
        if found.is_empty() && others {
            return Err(Diagnostic::new(
                format!("{} is not empty, and holds no campaign", path.display()),
                "name a new folder for --out, or that of a campaign; nothing is overwritten",
            ));
        }
        // All are looked at before anything is made: a folder belongs to one campaign.
        for (other, file) in &found {
            let opened = File::open(file).map_err(|error| unreadable(file, &error))?;
            let mut reader = BufReader::new(opened);
            head(&mut reader, campaign, *other, file)?;
        }
        fs::create_dir_all(path).map_err(|error| unwritable(path, &error))?;
        let mut results = Results::empty(campaign);
        let journal = path.join(shard.file());
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&journal)
            .map_err(|error| unwritable(&journal, &error))?;
        lock(file.try_lock(), &journal)?;
        let good = read(&file, campaign, shard, &journal, &mut results)?;
        let cut = |file: &mut File| {
            file.set_len(good)?;
            file.seek(SeekFrom::End(0))?;
            if good == 0 {
                file.write_all(first_line(campaign, shard).as_bytes())?;
            }
            file.sync_all()
        };
        cut(&mut file).map_err(|error| unwritable(&journal, &error))?;
        if shard == Shard::WHOLE {
            let others = found.into_iter().filter(|(other, _)| *other != shard);
            gather_from(campaign, others.collect(), &mut results)?;
        }
        let digest = campaign.digest;
        Ok((Self { path: path.to_owned(), journal, file, digest, unsynced: 0 }, results))
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds what has been finished.
    pub(super) fn append(&mut self, batch: &[(usize, Outcome)]) -> Result<(), Diagnostic> {
        let mut text = String::new();
        for (index, outcome) in batch {
            text.push_str(&line(&self.digest, *index, outcome));
        }
        self.unsynced += batch.len();
        let written = self.file.write_all(text.as_bytes());
        written.map_err(|error| unwritable(&self.journal, &error))?;
        if self.unsynced >= BATCH { self.sync() } else { Ok(()) }
    }

    /// Puts everything on the disk.
    pub(super) fn sync(&mut self) -> Result<(), Diagnostic> {
        self.unsynced = 0;
        self.file.sync_data().map_err(|error| unwritable(&self.journal, &error))
    }

    /// Takes what shards have finished in other folders.
    ///
    /// # Errors
    /// [`Diagnostic`] if one of them holds no journal of this campaign, or is in use.
    pub fn merge(
        &mut self,
        campaign: &Campaign,
        folders: &[PathBuf],
        results: &mut Results,
    ) -> Result<(), Diagnostic> {
        let mut merged = Results::empty(campaign);
        for folder in folders {
            gather_from(campaign, shards_in(folder)?, &mut merged)?;
        }
        let mut fresh = Vec::new();
        for index in 0..campaign.sweep.total() {
            let Some(outcome) = merged.of(index) else { continue };
            if results.of(index).is_none() {
                fresh.push((index, outcome.clone()));
            }
            results.keep(index, outcome.clone()).map_err(|_| contradicts(&self.journal, index))?;
        }
        self.append(&fresh)?;
        self.sync()
    }
}

/// The journals in a folder, of which there must be one.
pub(crate) fn shards_in(folder: &Path) -> Result<Vec<(Shard, PathBuf)>, Diagnostic> {
    let (found, _) = listed(folder)?;
    if found.is_empty() {
        return Err(Diagnostic::in_file(
            folder.display().to_string(),
            "this folder holds no shard of a campaign",
            "name folders that were the --out of shards",
        ));
    }
    Ok(found)
}

/// The journals in a folder, in order of their shards, and whether there is anything else.
fn listed(folder: &Path) -> Result<(Vec<(Shard, PathBuf)>, bool), Diagnostic> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok((Vec::new(), false)),
        Err(error) => return Err(unreadable(folder, &error)),
    };
    let (mut found, mut others) = (Vec::new(), false);
    for entry in entries {
        let entry = entry.map_err(|error| unreadable(folder, &error))?;
        match entry.file_name().to_str().and_then(Shard::of_file) {
            Some(shard) => found.push((shard, entry.path())),
            None => others = true,
        }
    }
    found.sort_by_key(|(shard, _)| (shard.of, shard.index));
    Ok((found, others))
}

fn gather_from(
    campaign: &Campaign,
    found: Vec<(Shard, PathBuf)>,
    results: &mut Results,
) -> Result<(), Diagnostic> {
    for (shard, path) in found {
        let file = File::open(&path).map_err(|error| unreadable(&path, &error))?;
        lock(file.try_lock_shared(), &path)?;
        read(&file, campaign, shard, &path, results)?;
    }
    Ok(())
}

fn lock(locked: Result<(), TryLockError>, journal: &Path) -> Result<(), Diagnostic> {
    match locked {
        Ok(()) => Ok(()),
        Err(TryLockError::WouldBlock) => Err(Diagnostic::in_file(
            journal.display().to_string(),
            "another run is writing this journal",
            "wait until it has ended, or name another folder for --out",
        )),
        // Where files cannot be locked, two runs at once remain the operator's care.
        Err(TryLockError::Error(_)) => Ok(()),
    }
}

fn unreadable(path: &Path, error: &io::Error) -> Diagnostic {
    let what = format!("this cannot be read: {error}");
    Diagnostic::in_file(path.display().to_string(), what, "change its permissions, or remove it")
}

fn first_line(campaign: &Campaign, shard: Shard) -> String {
    format!("{HEAD} {} {shard}\n", campaign.digest())
}

/// Reads the first line. `None` if it was cut off: then there is nothing behind it.
fn head(
    reader: &mut impl BufRead,
    campaign: &Campaign,
    shard: Shard,
    path: &Path,
) -> Result<Option<u64>, Diagnostic> {
    let mut line = Vec::new();
    reader.read_until(b'\n', &mut line).map_err(|error| unreadable(path, &error))?;
    if line.last() != Some(&b'\n') && first_line(campaign, shard).as_bytes().starts_with(&line) {
        return Ok(None);
    }
    let refused = |what: &str, help: &str| {
        Err(Diagnostic::in_file(path.display().to_string(), format!("line 1: {what}"), help))
    };
    if !line.starts_with(HEAD.as_bytes()) {
        let help = "name another folder for --out; nothing is overwritten";
        return refused("this is no journal of a campaign", help);
    }
    if line != first_line(campaign, shard).as_bytes() {
        let what = "this journal is of another campaign: the sweep, its scenario, a plan, --trials, \
                    --seed or the program has changed since";
        let help = "name a new folder for --out, or undo the change";
        return refused(what, help);
    }
    Ok(Some(line.len() as u64))
}

/// Reads a journal. Gives the length up to which it is good.
fn read(
    file: &File,
    campaign: &Campaign,
    shard: Shard,
    path: &Path,
    results: &mut Results,
) -> Result<u64, Diagnostic> {
    let mut reader = BufReader::new(file);
    let Some(mut good) = head(&mut reader, campaign, shard, path)? else { return Ok(0) };
    let mut bad: Option<u64> = None;
    let mut bytes = Vec::new();
    for number in 2_u64.. {
        bytes.clear();
        let length = reader.read_until(b'\n', &mut bytes);
        let length = length.map_err(|error| unreadable(path, &error))? as u64;
        if length == 0 {
            break;
        }
        if let Some(number) = bad {
            let what = format!("line {number} is damaged, and there are more behind it");
            let help = "restore the file, or remove it: its trials will be run again";
            return Err(Diagnostic::in_file(path.display().to_string(), what, help));
        }
        let parsed = std::str::from_utf8(&bytes).ok().and_then(|line| parse(campaign, line));
        match parsed {
            Some((index, outcome)) => {
                let foreign = !shard.has(index);
                if results.keep(index, outcome).is_err() || foreign {
                    return Err(contradicts(path, index));
                }
                good += length;
            }
            None => bad = Some(number),
        }
    }
    Ok(good)
}

/// An outcome that is another than before: results that follow from a seed cannot differ.
fn contradicts(path: &Path, index: usize) -> Diagnostic {
    Diagnostic::in_file(
        path.display().to_string(),
        format!("its outcome of trial {index} of the campaign is not the one that is known"),
        "one of the journals has been altered: remove it, and its trials will be run again",
    )
}

fn line(digest: &[u8; 32], index: usize, outcome: &Outcome) -> String {
    let mut text = format!("{index} {}", u8::from(outcome.held));
    for value in &outcome.values {
        // The shortest digits that read back to the same bits.
        let _ = write!(text, " {value:?}");
    }
    let check = check(digest, &text);
    let _ = writeln!(text, " {check}");
    text
}

fn parse(campaign: &Campaign, line: &str) -> Option<(usize, Outcome)> {
    let (text, found) = line.strip_suffix('\n')?.rsplit_once(' ')?;
    if found != check(&campaign.digest, text) {
        return None;
    }
    let mut words = text.split(' ');
    let index: usize = words.next()?.parse().ok()?;
    let held = match words.next()? {
        "0" => false,
        "1" => true,
        _ => return None,
    };
    let values = words.map(|word| word.parse().ok()).collect::<Option<Vec<f64>>>()?;
    let fits = index < campaign.sweep.total() && values.len() == campaign.sweep.metrics.len();
    fits.then_some((index, Outcome { held, values }))
}

/// The check of a line: the first bytes of the SHA-256 of the campaign's digest and the line.
fn check(digest: &[u8; 32], text: &str) -> String {
    let whole = Sha256::new().chain_update(digest).chain_update(text).finalize();
    whole.iter().take(4).map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_share_all_trials_out() {
        for of in [1, 2, 3, 5] {
            for trial in 0..100 {
                let owners = (1..=of).filter(|index| Shard { index: *index, of }.has(trial));
                assert_eq!(owners.count(), 1);
            }
        }
        assert!(Shard { index: 1, of: 3 }.has(0) && Shard { index: 3, of: 3 }.has(2));
    }

    #[test]
    fn names_of_journals_read_back() {
        for shard in [Shard::WHOLE, Shard { index: 2, of: 5 }, Shard { index: 10, of: 10 }] {
            assert_eq!(Shard::of_file(&shard.file()), Some(shard), "{}", shard.file());
        }
        for other in ["trials.csv", "trials.02-of-5.part", "trials.6-of-5.part", "x.part"] {
            assert_eq!(Shard::of_file(other), None, "{other}");
        }
        assert!(Shard::parse("0/3").is_err() && Shard::parse("4/3").is_err());
        assert!(Shard::parse("1").is_err() && Shard::parse("1/0").is_err());
    }
}
