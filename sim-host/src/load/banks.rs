//! Two banks of emulated flash memory, a file each.

use crate::diagnostic::Diagnostic;
use crate::provision::write_private;
use hopwright_core::loader::{Bank, CELL_BYTES, Storage, StorageFault, cells_needed};
use hopwright_core::provision::MAX_ENVELOPE;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Cells beyond those needed: for losses of power while one was being written.
const SPARE_CELLS: usize = 16;
const CAPACITY: usize = (cells_needed(MAX_ENVELOPE) + SPARE_CELLS) * CELL_BYTES;

/// The storage of an emulated station: files that only their owner may read.
#[derive(Debug)]
pub struct BankFiles {
    banks: [File; 2],
    /// Bytes that are still written before the power fails.
    power: Option<u64>,
}

impl BankFiles {
    /// Opens the banks in a folder, or makes them. After `power` bytes written or erased, all
    /// fails, as if the power had.
    ///
    /// # Errors
    /// [`Diagnostic`] if the folder or the files cannot be made or opened.
    pub fn open(folder: &Path, power: Option<u64>) -> Result<Self, Diagnostic> {
        let refused = |path: &Path, error: std::io::Error| {
            Diagnostic::in_file(
                path.display().to_string(),
                format!("the emulated storage cannot be opened: {error}"),
                "name a folder that you may write to",
            )
        };
        let mut builder = DirBuilder::new();
        builder.recursive(true);
        #[cfg(unix)]
        {
            use std::os::unix::fs::DirBuilderExt;
            builder.mode(0o700);
        }
        builder.create(folder).map_err(|error| refused(folder, error))?;
        let open = |name: &str| {
            let path: PathBuf = folder.join(name);
            let opened = (|| {
                if !path.exists() {
                    write_private(&path, &[0xFF; CAPACITY])?;
                }
                OpenOptions::new().read(true).write(true).open(&path)
            })();
            let file = opened.map_err(|error| refused(&path, error))?;
            let length = file.metadata().map_err(|error| refused(&path, error))?.len();
            if length != CAPACITY as u64 {
                let error = std::io::Error::other(format!("it has {length} bytes, not {CAPACITY}"));
                return Err(refused(&path, error));
            }
            Ok(file)
        };
        Ok(Self { banks: [open("bank-a.bin")?, open("bank-b.bin")?], power })
    }

    /// Whether the power has failed.
    #[must_use]
    pub fn dark(&self) -> bool {
        self.power == Some(0)
    }

    fn file(&mut self, bank: Bank) -> &mut File {
        let [a, b] = &mut self.banks;
        match bank {
            Bank::A => a,
            Bank::B => b,
        }
    }

    /// Writes as many of the bytes as there is power for.
    fn put(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        let lasting = self.power.map_or(bytes.len(), |power| {
            bytes.len().min(usize::try_from(power).unwrap_or(usize::MAX))
        });
        self.power = self.power.map(|power| power - lasting as u64);
        let file = self.file(bank);
        let written = file
            .seek(SeekFrom::Start(at as u64))
            .and_then(|_| file.write_all(&bytes[..lasting]))
            .and_then(|()| file.sync_data());
        if written.is_ok() && lasting == bytes.len() { Ok(()) } else { Err(StorageFault) }
    }
}

impl Storage for BankFiles {
    fn capacity(&self) -> usize {
        CAPACITY
    }

    fn read(&mut self, bank: Bank, at: usize, into: &mut [u8]) -> Result<(), StorageFault> {
        if self.dark() {
            return Err(StorageFault);
        }
        let file = self.file(bank);
        file.seek(SeekFrom::Start(at as u64))
            .and_then(|_| file.read_exact(into))
            .map_err(|_| StorageFault)
    }

    fn write(&mut self, bank: Bank, at: usize, bytes: &[u8]) -> Result<(), StorageFault> {
        self.put(bank, at, bytes)
    }

    fn erase(&mut self, bank: Bank) -> Result<(), StorageFault> {
        self.put(bank, 0, &[0xFF; CAPACITY])
    }
}
