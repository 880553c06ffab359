//! A soak that failed, as a file that stands alone: plan, seed, happenings, and what was broken.
//!
//! The first line names the format's version and a digest of all that follows, which is JSON.
//! So a file that was cut or changed is told from one that no longer fails.

use super::{Happening, Soak, What};
use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::world::{Broken, Digest};
use hopwright_core::record::Sink;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// What a file begins with, up to its version.
const KIND: &str = "hopsoak";
/// The version that is written and read.
const VERSION: &str = "2";
/// How to get a file that is whole.
const HELP: &str = "write it again with `hopwright soak --seed SEED --out FILE`";
/// The latest time in a case: a year and a bit.
const LATEST: u64 = 1 << 45;

/// A soak that failed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Case {
    /// What was run.
    pub soak: Soak,
    /// The plan, which has a published key.
    pub plan: String,
    /// What was broken.
    pub broken: Broken,
    /// What happens.
    pub happenings: Vec<Happening>,
}

impl Case {
    /// Whether the head of a file says that it is a case, of whatever version.
    #[must_use]
    pub fn is_one(bytes: &[u8]) -> bool {
        bytes.starts_with(KIND.as_bytes())
    }

    /// The plan of a text that may be written into a case.
    ///
    /// # Errors
    /// [`Diagnostic`] if its key is secret, or in another file.
    pub fn plan(name: &str, text: &str) -> Result<Plan, Diagnostic> {
        let plan = Plan::parse(name, text, Path::new(""))?;
        if plan.training_key() {
            return Ok(plan);
        }
        Err(Diagnostic::new(
            format!("{name}: a replay file would hold the plan's key in the clear"),
            "soak a plan that has a published training key, or leave --out away",
        ))
    }

    /// Writes the case to a new file, whole or not at all.
    ///
    /// # Errors
    /// [`Diagnostic`] if there is something of that name, or it cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), Diagnostic> {
        may_write(path)?;
        let mut body = serde_json::to_string_pretty(self)
            .map_err(|error| Diagnostic::new(format!("no replay file: {error}"), HELP))?;
        body.push('\n');
        let text = format!("{KIND} {VERSION} {}\n{body}", digest(body.as_bytes()));
        let partial = partial_name(path);
        let cannot = |error: io::Error| {
            Diagnostic::in_file(
                path.display().to_string(),
                format!("the replay file cannot be written: {error}"),
                "name another file for --out, or make room",
            )
        };
        // What is there under that name is not ours to overwrite.
        let mut file = File::create_new(&partial).map_err(cannot)?;
        file.write_all(text.as_bytes()).and_then(|()| fs::rename(&partial, path)).map_err(|error| {
            let _ = fs::remove_file(&partial);
            cannot(error)
        })
    }

    /// Reads a case; errors call it `name`.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is of another version, cut, changed or makes no sense.
    pub fn parse(name: &str, bytes: &[u8]) -> Result<Self, Diagnostic> {
        let refused = |what: String| Diagnostic::in_file(name, what, HELP);
        let end = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(bytes.len());
        let (head, body) = bytes.split_at(end);
        let head = String::from_utf8_lossy(head);
        let mut words = head.split(' ');
        let (kind, version, sum) = (words.next(), words.next(), words.next());
        if kind != Some(KIND) {
            return Err(refused("this is no replay file".to_owned()));
        }
        let Some(version) = version else {
            return Err(refused("the replay file ends in its first line".to_owned()));
        };
        if version != VERSION {
            let version = version.escape_default();
            return Err(refused(format!(
                "this is a replay file of version {version}, and this program reads {VERSION}"
            )));
        }
        let body = body.strip_prefix(b"\n").unwrap_or(body);
        if sum != Some(digest(body).as_str()) {
            return Err(refused("the replay file was cut short or changed".to_owned()));
        }
        let case: Self = serde_json::from_slice(body)
            .map_err(|error| refused(format!("the replay file makes no sense: {error}")))?;
        match case.nonsense() {
            Some(what) => Err(refused(format!("the replay file makes no sense: {what}"))),
            None => Ok(case),
        }
    }

    /// Runs the case: what it breaks now, if anything.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan does not work.
    pub fn replay(&self, name: &str) -> Result<Option<Broken>, Diagnostic> {
        let plan = Self::plan(&format!("{name}, the plan"), &self.plan)?;
        self.soak.first_broken(&plan, &self.happenings, self.until())
    }

    /// When the case is over: an hour after it was broken.
    fn until(&self) -> u64 {
        self.broken.at_us.saturating_add(super::LATITUDE).min(self.soak.length_us)
    }

    /// Something that no program has written, though the digest fits.
    fn nonsense(&self) -> Option<String> {
        let Soak { stations, length_us, .. } = self.soak;
        if !(3..=250).contains(&stations) {
            return Some(format!("{stations} stations are not 3 to 250"));
        }
        if length_us > LATEST || self.broken.at_us > LATEST {
            return Some("it lasts longer than a year".to_owned());
        }
        self.happenings.iter().enumerate().find_map(|(i, Happening { at_us, what })| {
            let node = match what {
                What::Over { node, .. }
                | What::PowerCycle { node, .. }
                | What::PowerFails { node }
                | What::Flood { node, .. }
                | What::Clock { node, .. } => *node,
                What::Announce | What::Loss { .. } | What::Part { .. } | What::Reunion { .. } => 0,
            };
            let span = match what {
                What::Over { talk_us: span, .. }
                | What::Loss { length_us: span, .. }
                | What::Part { length_us: span, .. }
                | What::Clock { step_us: span, .. } => *span,
                _ => 0,
            };
            let sound = node < usize::from(stations) && at_us.max(&span) <= &LATEST;
            (!sound).then(|| format!("happening {i} has a number out of range"))
        })
    }
}

/// Whether a new file may be written there, as far as that can be seen without doing it.
///
/// # Errors
/// [`Diagnostic`] if there is something of that name already, or no folder to write it in.
pub(crate) fn may_write(path: &Path) -> Result<(), Diagnostic> {
    let refused = |path: &Path, what: &str, help: &str| {
        Err(Diagnostic::in_file(path.display().to_string(), what, help))
    };
    let help = "name a new file for --out; nothing is overwritten";
    if path.file_name().is_none() {
        return refused(path, "this names no file", help);
    }
    let partial = partial_name(path);
    if let Some(taken) = [path, &partial].into_iter().find(|path| path.exists()) {
        return refused(taken, "this exists already", help);
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    if folder.is_some_and(|folder| !folder.is_dir()) {
        return refused(path, "there is no folder to write this file in", "make it first");
    }
    Ok(())
}

/// The name under which a file is written until it is whole.
fn partial_name(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".partial");
    path.with_file_name(name)
}

fn digest(bytes: &[u8]) -> String {
    let mut digest = Digest::default();
    digest.write(bytes);
    digest.hex()
}
