//! A configuration file of either form: sealed, or open as a carrier may hold it.

use super::seal::{Secret, open_envelope};
use crate::diagnostic::Diagnostic;
use hopwright_core::address::Address;
use hopwright_core::provision::{DecodeError, Envelope, Fault, MAX_ENVELOPE};
use std::fs::File;
use std::io::Read;
use std::path::Path;
use zeroize::Zeroizing;

/// A file that has been read, and by its first byte is sealed or open.
pub struct StationFile {
    name: String,
    bytes: Zeroizing<Vec<u8>>,
}

impl std::fmt::Debug for StationFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "StationFile({:?})", self.name)
    }
}

/// Reads a configuration file.
///
/// # Errors
/// [`Diagnostic`] if it cannot be read, is empty, or is longer than any.
pub fn read_station_file(path: &Path) -> Result<StationFile, Diagnostic> {
    let name = path.display().to_string();
    let refused = |error: std::io::Error| {
        Diagnostic::in_file(
            &name,
            format!("this file cannot be read: {error}"),
            "give a file that `hopwright provision` or `enter` wrote",
        )
    };
    let mut bytes = Zeroizing::new(Vec::with_capacity(MAX_ENVELOPE + 1));
    let file = File::open(path).map_err(refused)?;
    file.take(MAX_ENVELOPE as u64 + 1).read_to_end(&mut bytes).map_err(refused)?;
    if bytes.len() > MAX_ENVELOPE {
        return Err(Diagnostic::in_file(
            name,
            format!("oversized: no configuration is longer than {MAX_ENVELOPE} bytes"),
            "give a file that `hopwright provision` or `enter` wrote",
        ));
    }
    // No form of a configuration is text: whoever gives one has taken another file.
    let text = std::str::from_utf8(&bytes).is_ok_and(|text| {
        !text.is_empty() && text.chars().all(|c| !c.is_control() || c.is_whitespace())
    });
    if text {
        return Err(Diagnostic::in_file(
            name,
            "this is a text, and no configuration is one",
            "give a file that `hopwright provision` or `enter` wrote; `hopwright check` looks at a plan",
        ));
    }
    Ok(StationFile { name, bytes })
}

impl StationFile {
    /// The name by which errors refer to it.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The envelope, if it is sealed.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is meant as one and is not.
    pub fn envelope(&self) -> Result<Option<Envelope<'_>>, Diagnostic> {
        // An empty file is cut short, not of another form.
        if !Envelope::begins(&self.bytes) && !self.bytes.is_empty() {
            return Ok(None);
        }
        Envelope::decode(&self.bytes).map(Some).map_err(|error| decode_refused(&self.name, error))
    }

    /// Opens the file with a secret; one that is open already is copied.
    ///
    /// # Errors
    /// [`Diagnostic`] if it does not open.
    pub fn open(&self, secret: &Secret) -> Result<Zeroizing<Vec<u8>>, Diagnostic> {
        let Some(envelope) = self.envelope()? else { return Ok(self.bytes.clone()) };
        open_envelope(&envelope, secret).map_err(|error| {
            Diagnostic::in_file(
                &self.name,
                error.to_string(),
                "give the secret that it was sealed with, or provision it again",
            )
        })
    }

    /// Refuses a configuration of another station than the one wanted.
    ///
    /// # Errors
    /// [`Diagnostic`] if it is another's.
    pub fn expect(&self, wanted: Option<Address>, found: Address) -> Result<(), Diagnostic> {
        match wanted {
            Some(wanted) if wanted != found => Err(Diagnostic::in_file(
                &self.name,
                format!("swapped: this configuration is station {found}'s, not station {wanted}'s"),
                format!("give the file of station {wanted}"),
            )),
            Some(_) | None => Ok(()),
        }
    }
}

/// The error of bytes that are no configuration.
#[must_use]
pub fn decode_refused(name: &str, error: DecodeError) -> Diagnostic {
    let help = match error.fault {
        Fault::Version(_) => "use a later hopwright, or provision again with this one",
        Fault::CutShort => "truncated: copy the file again, or provision again",
        Fault::TooLong { .. } => "oversized: give a file that `hopwright provision` wrote",
        Fault::Damaged => "copy the file again, or provision again",
        _ => "damaged, or no configuration: copy the file again, or provision again",
    };
    Diagnostic::in_file(name, error.to_string(), help)
}
