//! `hopwright keygen`: a key from the operating system's generator, into a file.

use super::{Outcome, write_out};
use crate::diagnostic::Diagnostic;
use crate::provision::{
    create_private, fingerprint_text, keep_out_of_core_dumps, key_text, random,
};
use hopwright_core::keys::NetKey;
use std::io::Write as _;
use std::path::PathBuf;
use zeroize::Zeroizing;

/// The arguments of `keygen`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// New file for the key; only its owner may read it
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Make the root of a key tree: a plan's `tree_key_file`, which never leaves the planner
    #[arg(long)]
    tree: bool,
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let mut key = Zeroizing::new([0; 32]);
    random(&mut *key)?;
    create_private(&args.out, key_text(&key).as_bytes())?;
    let fingerprint = fingerprint_text(&NetKey::new(*key));
    write_out(|out| {
        let file = args.out.display();
        if args.tree {
            writeln!(out, "{file}: the root of a key tree, 32 bytes, fingerprint {fingerprint}")?;
            writeln!(
                out,
                "for the planner alone: who has it has every call and every later net key"
            )
        } else {
            writeln!(out, "{file}: a key of 32 bytes, fingerprint {fingerprint}")
        }
    })?;
    Ok(Outcome::Held)
}
