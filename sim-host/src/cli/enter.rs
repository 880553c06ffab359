//! `hopwright enter`: a configuration from typed groups, in need.

use super::secrets::SecretArgs;
use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::plan::key::published;
use crate::plan::{MAX_HOPSET, Plan};
use crate::provision::{
    PASSPHRASE_KDF, create_private, encode, fingerprint_text, keep_out_of_core_dumps, random, seal,
};
use hopwright_core::provision::Configuration;
use hopwright_core::provision::manual::{Entry, GROUPS, GroupError, Reader};
use std::io::{self, BufRead, IsTerminal, Read, Write};
use std::path::PathBuf;
use zeroize::Zeroizing;

/// The arguments of `enter`. The groups are read from standard input.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The plan, a TOML file; its key is not looked at
    plan: PathBuf,
    /// New file for the sealed configuration; only its owner may read it
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    secret: SecretArgs,
    /// Allow a published training key, which keeps nothing secret
    #[arg(long)]
    training: bool,
}

/// The most bytes of a line; no line of groups is a tenth of it.
const LONGEST_LINE: u16 = 1_024;

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let plan = Plan::load_public(&args.plan)?;
    // A file may be named here; the terminal is asked only after the groups, which may come from it.
    let secret = args.secret.given()?;
    let entry = read(&mut io::stdin().lock(), io::stdin().is_terminal())?;
    if !entry.belongs_to(&plan.digest()) {
        return Err(Diagnostic::in_file(
            args.plan.display().to_string(),
            "the groups belong to another plan",
            "give the plan that they were made from; an equal plan has an equal digest in `inspect`",
        ));
    }
    if published(&entry.key) && !args.training {
        return Err(Diagnostic::new(
            "the key of these groups is a published one: anybody could follow this net",
            "for an exercise, say --training",
        ));
    }
    if plan.withdrawn().contains(&entry.address) {
        return Err(Diagnostic::in_file(
            args.plan.display().to_string(),
            format!("station {} has been withdrawn from this plan", entry.address),
            "if the station is to come back, make a new plan with new keys",
        ));
    }
    let fingerprint = fingerprint_text(&entry.key);
    // The hopset of a plan whose net key has been changed is drawn with the one before.
    let band_key = plan.named_band_key();
    let Entry { address, rank, lane, key, .. } = entry;
    let configuration: Configuration<'_, MAX_HOPSET> = plan
        .public()
        .configuration(plan.digest(), key, band_key.as_ref(), address, rank, lane)
        .map_err(|error| Diagnostic::new(error.to_string(), "these groups are for another plan"))?;
    let secret = match secret {
        Some(secret) => secret,
        None => args.secret.needed(true)?,
    };
    let (mut salt, mut nonce) = ([0; 16], [0; 12]);
    random(&mut salt)?;
    random(&mut nonce)?;
    let sealing = secret
        .sealing(salt, PASSPHRASE_KDF)
        .map_err(|error| Diagnostic::new(error.to_string(), "this cannot happen"))?;
    let sealed = seal(&encode(&configuration), &sealing, address, nonce)?;
    create_private(&args.out, &sealed)?;
    write_out(|out| {
        let file = args.out.display();
        writeln!(out, "{file}: station {address}, key fingerprint {fingerprint}")?;
        writeln!(
            out,
            "no share of the key tree: groups carry none. No call under its keys can be made or \
             read, and no change of the net key taken; load a sealed configuration when there is one"
        )
    })?;
    Ok(Outcome::Held)
}

/// Reads groups until there are enough. On a terminal a wrong one is asked for again; otherwise it
/// ends the reading.
fn read(from: &mut impl BufRead, terminal: bool) -> Result<Entry, Diagnostic> {
    let mut reader = Reader::new();
    let mut line = 0;
    // A person has typed enough after the last group; of a file, more is a mistake.
    while !(terminal && reader.awaited() > GROUPS) {
        if terminal {
            // If nobody can read the prompt, the group can still be typed.
            let _ = write!(io::stderr(), "group {} of {GROUPS}: ", reader.awaited());
        }
        let mut text = Zeroizing::new(Vec::with_capacity(usize::from(LONGEST_LINE) + 1));
        let read = from.by_ref().take(LONGEST_LINE.into()).read_until(b'\n', &mut text);
        line += 1;
        match read {
            Ok(0) => break,
            Ok(_) => {}
            Err(error) => {
                let what = format!("the groups cannot be read: {error}");
                return Err(Diagnostic::new(what, "type them, or send them through a pipe"));
            }
        }
        for group in text.split(u8::is_ascii_whitespace).filter(|group| !group.is_empty()) {
            let Err(error) = reader.group(group) else { continue };
            let fault = refused(reader.awaited(), line, error);
            if !terminal {
                return Err(fault);
            }
            let _ = writeln!(io::stderr(), "{fault}");
            break;
        }
    }
    reader.finish().map_err(|error| {
        Diagnostic::new(error.to_string(), "compare every group with the sheet and type them again")
    })
}

/// What is said of a group that was not taken. The group itself is part of a key and is not shown.
fn refused(group: usize, line: usize, error: GroupError) -> Diagnostic {
    let what = format!("group {group} of {GROUPS} (line {line}): {error}");
    let help = match error {
        GroupError::Length(_) => "type the five characters of this group again",
        GroupError::Character(_) => "look at this character again: 0 1 I and O are never used",
        GroupError::Place(_) => "go on with the group that is asked for; none may be left out",
        GroupError::TooMany => "take away what follows after the last group",
        GroupError::Check | _ => "compare this group with the sheet, character by character",
    };
    Diagnostic::new(what, help)
}
