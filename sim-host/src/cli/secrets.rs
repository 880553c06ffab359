//! The arguments by which a command is told where its secret is. A secret itself is never one.

use crate::diagnostic::Diagnostic;
use crate::provision::{Secret, read_passphrase, read_transfer_key};
use std::path::PathBuf;

/// Where the secret is.
#[derive(Debug, clap::Args)]
#[group(multiple = false)]
pub(super) struct SecretArgs {
    /// Take the passphrase from the first line of this file (mode 600)
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
    /// Take the transfer key from this file (mode 600), as `keygen` makes them
    #[arg(long, value_name = "FILE")]
    transfer_key_file: Option<PathBuf>,
}

impl SecretArgs {
    /// The secret of a file, if one is named.
    pub(super) fn given(&self) -> Result<Option<Secret>, Diagnostic> {
        match (&self.transfer_key_file, &self.passphrase_file) {
            (Some(path), _) => read_transfer_key(path).map(Some),
            (None, Some(path)) => read_passphrase(Some(path), false).map(Some),
            (None, None) => Ok(None),
        }
    }

    /// The secret of a file, or a passphrase from the terminal.
    pub(super) fn needed(&self, twice: bool) -> Result<Secret, Diagnostic> {
        match self.given()? {
            Some(secret) => Ok(secret),
            None => read_passphrase(None, twice),
        }
    }
}
