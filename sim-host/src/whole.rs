//! Files that are whole or not there.

use crate::diagnostic::Diagnostic;
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::Path;

/// Writes a file under another name, puts it on the disk, and gives it its name. A file of that
/// name stays as it was until then.
///
/// # Errors
/// [`Diagnostic`] if it cannot be written; nothing is left behind then.
pub(crate) fn write(
    folder: &Path,
    name: &str,
    body: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> Result<(), Diagnostic> {
    let partial = folder.join(format!(".{name}.partial"));
    let written = File::create(&partial).and_then(|file| {
        let mut out = BufWriter::new(file);
        body(&mut out)?;
        let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.sync_all()?;
        fs::rename(&partial, folder.join(name))
    });
    written.map_err(|error| {
        let _ = fs::remove_file(&partial);
        unwritable(&folder.join(name), &error)
    })?;
    // The new name is on the disk once the folder is; where this cannot be asked for, the file is
    // whole all the same.
    #[cfg(unix)]
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
    Ok(())
}

/// A file that cannot be written.
pub(crate) fn unwritable(path: &Path, error: &io::Error) -> Diagnostic {
    Diagnostic::new(
        format!("{} cannot be written: {error}", path.display()),
        "make room, or name another place for it",
    )
}
