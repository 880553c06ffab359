//! Folders that appear whole or not at all; those with secrets for their owner alone.

use crate::diagnostic::Diagnostic;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Makes a new folder: `write` fills it under another name, and it is renamed when everything is
/// in it.
///
/// # Errors
/// [`Diagnostic`] if the folder exists and is not empty, or cannot be written.
pub fn write_whole(
    folder: &Path,
    write: impl FnOnce(&Path) -> io::Result<()>,
) -> Result<(), Diagnostic> {
    write_as(folder, false, write)
}

/// [`write_whole`] of a folder with secrets: only its owner may enter, it is on the disk when this
/// returns, and nothing is made around it.
///
/// # Errors
/// As [`write_whole`], and if there is no folder to make it in.
pub fn write_whole_private(
    folder: &Path,
    write: impl FnOnce(&Path) -> io::Result<()>,
) -> Result<(), Diagnostic> {
    write_as(folder, true, write)
}

/// Whether [`write_whole`] may make a folder there, as far as that can be seen without doing it: asked
/// before the work whose outcome it is for.
///
/// # Errors
/// [`Diagnostic`] if the folder exists and is not empty, or cannot be made.
pub fn may_make(folder: &Path) -> Result<(), Diagnostic> {
    if fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(Diagnostic::new(
            format!("{} exists and is not empty", folder.display()),
            "name a new folder for --out; nothing is overwritten",
        ));
    }
    if folder.exists() && !folder.is_dir() {
        return Err(Diagnostic::new(
            format!("{} exists and is no folder", folder.display()),
            "name a new folder for --out",
        ));
    }
    let partial = partial_name(folder);
    if partial.symlink_metadata().is_ok() {
        // Left by a run that was cut off, or somebody's own: it is not ours to remove.
        return Err(Diagnostic::new(
            format!("{} exists already", partial.display()),
            "remove it if an earlier run left it behind, or name another folder for --out",
        ));
    }
    // What is missing around it is made; what is there must be folders.
    match around(folder).ancestors().find(|above| above.exists()) {
        Some(above) if !above.is_dir() => Err(Diagnostic::new(
            format!(
                "{} is no folder, and {} cannot be made in it",
                above.display(),
                folder.display()
            ),
            "name another folder for --out",
        )),
        _ => Ok(()),
    }
}

fn write_as(
    folder: &Path,
    private: bool,
    write: impl FnOnce(&Path) -> io::Result<()>,
) -> Result<(), Diagnostic> {
    let cannot = |what: &str, error: &io::Error| {
        Diagnostic::new(
            format!("{} cannot be {what}: {error}", folder.display()),
            "name another folder for --out, or make room",
        )
    };
    may_make(folder)?;
    let partial = partial_name(folder);
    make(&partial, private).map_err(|error| cannot("made", &error))?;
    let written = write(&partial);
    let moved = written.and_then(|()| {
        if private {
            sync(&partial)?;
        }
        if folder.exists() {
            fs::remove_dir(folder)?;
        }
        fs::rename(&partial, folder)
    });
    moved.map_err(|error| {
        let _ = fs::remove_dir_all(&partial);
        cannot("written", &error)
    })?;
    if private {
        // The name itself is on the disk once the folder around it is. It is in place already:
        // where this cannot be asked for, nothing is lost but haste.
        let _ = sync(around(folder));
    }
    Ok(())
}

/// The folder that a folder is in.
fn around(folder: &Path) -> &Path {
    folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Puts the names in a folder on the disk.
fn sync(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    fs::File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

fn make(folder: &Path, private: bool) -> io::Result<()> {
    if !private {
        fs::create_dir_all(around(folder))?;
    }
    let mut builder = fs::DirBuilder::new();
    #[cfg(unix)]
    if private {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    #[cfg(not(unix))]
    let _ = private;
    builder.create(folder)
}

fn partial_name(folder: &Path) -> PathBuf {
    let mut name = folder.file_name().unwrap_or_default().to_owned();
    name.push(".partial");
    folder.with_file_name(name)
}
