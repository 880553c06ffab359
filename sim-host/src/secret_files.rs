//! Files that only their owner may read, written all together or not at all.

use crate::diagnostic::Diagnostic;
use crate::provision::key_text;
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// A directory in the making, beside its later place. Taken away again unless it is
/// [kept](SecretFiles::keep).
#[derive(Debug)]
pub struct SecretFiles {
    place: PathBuf,
    making: PathBuf,
    kept: bool,
}

impl SecretFiles {
    /// Starts a directory that will be `place`, which must not exist.
    ///
    /// # Errors
    /// [`Diagnostic`] if it does, or none can be made beside it.
    pub fn new(place: &Path) -> Result<Self, Diagnostic> {
        if place.symlink_metadata().is_ok() {
            return Err(Diagnostic::in_file(
                place.display().to_string(),
                "there is something already, and nothing is overwritten",
                "name a directory that does not exist",
            ));
        }
        let mut name = place.file_name().unwrap_or_default().to_owned();
        name.push(format!(".{}.tmp", std::process::id()));
        let making = place.with_file_name(name);
        let mut builder = fs::DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(&making).map_err(|error| refused(place, &error))?;
        Ok(Self { place: place.to_owned(), making, kept: false })
    }

    /// Writes one file, which only its owner may read.
    ///
    /// # Errors
    /// [`Diagnostic`] if it cannot be written whole.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), Diagnostic> {
        let write = || {
            let mut options = OpenOptions::new();
            options.write(true).create_new(true);
            #[cfg(unix)]
            std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
            let mut file = options.open(self.making.join(name))?;
            file.write_all(bytes)?;
            file.sync_all()
        };
        write().map_err(|error| refused(&self.place, &error))
    }

    /// Writes a key as 64 hexadecimal digits.
    ///
    /// # Errors
    /// As [`SecretFiles::write`].
    pub fn write_key(&self, name: &str, key: &[u8; 32]) -> Result<(), Diagnostic> {
        self.write(name, key_text(key).as_bytes())
    }

    /// Puts the directory into its place.
    ///
    /// # Errors
    /// [`Diagnostic`] if that fails; nothing is left then.
    pub fn keep(mut self) -> Result<(), Diagnostic> {
        fs::rename(&self.making, &self.place).map_err(|error| refused(&self.place, &error))?;
        self.kept = true;
        // The name itself is on the disk once the directory around it is.
        let around = self.place.parent().filter(|p| !p.as_os_str().is_empty());
        if let Ok(around) = File::open(around.unwrap_or(Path::new("."))) {
            let _ = around.sync_all();
        }
        Ok(())
    }
}

impl Drop for SecretFiles {
    fn drop(&mut self) {
        if !self.kept {
            let _ = fs::remove_dir_all(&self.making);
        }
    }
}

fn refused(place: &Path, error: &std::io::Error) -> Diagnostic {
    Diagnostic::in_file(
        place.display().to_string(),
        format!("this cannot be written: {error}"),
        "name a directory whose parent exists and may be written to",
    )
}
