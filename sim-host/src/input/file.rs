//! Files of text, read with a limit.

use super::Source;
use crate::diagnostic::Diagnostic;
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;
use zeroize::Zeroizing;

/// The largest file that is read, in bytes. No plan is a hundredth of it; an endless device is
/// longer.
pub const MAX_BYTES: u64 = 1 << 20;

/// What a passphrase or a key in a file does not exceed by far. A pipe does not say how long it is.
const SECRET_BYTES: u64 = 4_096;

/// Reads a text file that holds a secret and nothing else. It is no [`Source`], which has a copy to show
/// in errors; what is read is wiped when it is dropped, and an error shows nothing of it.
///
/// # Errors
/// As [`read_text`].
pub(crate) fn read_secret(path: &Path) -> Result<Zeroizing<String>, Diagnostic> {
    let bytes = read_bytes(path, MAX_BYTES, "give the file of a secret, which is short")?;
    match std::str::from_utf8(&bytes) {
        Ok(text) => Ok(Zeroizing::new(text.strip_prefix('\u{feff}').unwrap_or(text).to_owned())),
        Err(error) => Err(Diagnostic::in_file(
            path.display().to_string(),
            no_text(error.valid_up_to()),
            "save the file as UTF-8",
        )),
    }
}

fn no_text(at: usize) -> String {
    format!("the file is not UTF-8: byte {at}, counted from 0, is not text")
}

/// Reads a text file of at most [`MAX_BYTES`].
///
/// # Errors
/// [`Diagnostic`] if it cannot be opened, is a directory, is too long, or is not UTF-8.
pub fn read_text(path: &Path) -> Result<Source, Diagnostic> {
    let name = path.display().to_string();
    let bytes = read_bytes(path, MAX_BYTES, "give a plan or a scenario, which are short")?;
    match std::str::from_utf8(&bytes) {
        // A byte order mark is harmless to the reader and puzzling in an error.
        Ok(text) => Ok(Source::new(name, text.strip_prefix('\u{feff}').unwrap_or(text))),
        Err(error) => {
            let at = error.valid_up_to();
            // Lossy text is the same up to the first bad byte, so the place is right.
            let source = Source::new(name, String::from_utf8_lossy(&bytes));
            Err(source.error(at..at + '\u{fffd}'.len_utf8(), no_text(at), "save the file as UTF-8"))
        }
    }
}

/// Reads a file of at most `limit` bytes, a whole number of MiB. What to do about a longer one is
/// `shorter`. The bytes are wiped when they are dropped.
///
/// # Errors
/// [`Diagnostic`] if it cannot be opened, is a directory, or is too long.
pub(crate) fn read_bytes(
    path: &Path,
    limit: u64,
    shorter: &str,
) -> Result<Zeroizing<Vec<u8>>, Diagnostic> {
    let name = path.display().to_string();
    let refused = |what: &str, help: &str| Diagnostic::in_file(&name, what, help);
    let unreadable = |error: std::io::Error| {
        if error.kind() == ErrorKind::NotFound {
            refused("there is no such file", "check the path and its spelling")
        } else if error.kind() == ErrorKind::PermissionDenied {
            refused("this file may not be read", "change its permissions, or give another file")
        } else {
            refused(&format!("this file cannot be read: {error}"), "give another file")
        }
    };
    let file = File::open(path).map_err(unreadable)?;
    let metadata = file.metadata().map_err(unreadable)?;
    if metadata.is_dir() {
        return Err(refused("this is a directory", "name a file in it"));
    }
    // Long enough from the start: growing would leave copies behind, and so does the look for an end
    // on the stack, which reading takes when fewer than 32 bytes are left.
    let capacity = metadata.len().clamp(SECRET_BYTES, limit.max(SECRET_BYTES)) + 33;
    let mut bytes = Zeroizing::new(Vec::with_capacity(usize::try_from(capacity).unwrap_or(0)));
    file.take(limit + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > limit {
        let what = format!("this file is longer than {} MiB", limit >> 20);
        return Err(refused(&what, shorter));
    }
    Ok(bytes)
}
