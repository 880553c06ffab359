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
}

pub(super) fn run(args: &Args) -> Result<Outcome, Diagnostic> {
    keep_out_of_core_dumps();
    let mut key = Zeroizing::new([0; 32]);
    random(&mut *key)?;
    create_private(&args.out, key_text(&key).as_bytes())?;
    let fingerprint = fingerprint_text(&NetKey::new(*key));
    write_out(|out| {
        writeln!(out, "{}: a key of 32 bytes, fingerprint {fingerprint}", args.out.display())
    })?;
    Ok(Outcome::Held)
}
