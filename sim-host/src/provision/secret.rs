//! Where secrets come from and where they go: the system's generator, files of their owner, a
//! terminal without echo.

use super::seal::Secret;
use crate::diagnostic::Diagnostic;
use crate::input::read_secret;
use crate::plan::key::Key;
use hopwright_core::address::Address;
use hopwright_core::keys::NetKey;
use hopwright_keytree::Drawn;
use std::fmt::Write as _;
use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, IsTerminal, Write};
use std::path::Path;
use zeroize::Zeroizing;

/// The fewest characters of a passphrase. Five words drawn by dice have more; a guesser who has the
/// file is slowed down by Argon2id, not stopped.
const SHORTEST_PASSPHRASE: usize = 12;

/// Fills `bytes` from the operating system's generator: for keys, salts and nonces.
///
/// # Errors
/// [`Diagnostic`] if there is none.
pub fn random(bytes: &mut [u8]) -> Result<(), Diagnostic> {
    #[expect(clippy::disallowed_methods, reason = "the one place where secrets are drawn")]
    let drawn = getrandom::fill(bytes);
    drawn.map_err(|error| {
        Diagnostic::new(
            format!("the system's random generator does not work: {error}"),
            "use another machine: without it there are no keys",
        )
    })
}

/// Draws what an order of a change of the net key needs.
///
/// # Errors
/// [`Diagnostic`] if there is no generator.
pub fn draw_order() -> Result<Drawn, Diagnostic> {
    let mut bytes = Zeroizing::new([0; 64]);
    random(&mut *bytes)?;
    Ok(Drawn::new(bytes))
}

/// Asks the system to write no core dump of this process, which would hold keys. Where it cannot
/// be asked, nothing happens.
pub fn keep_out_of_core_dumps() {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, Rlimit, setrlimit};
        let none = Rlimit { current: Some(0), maximum: Some(0) };
        // Lowering a limit needs no right, and a refusal leaves what was.
        let _ = setrlimit(Resource::Core, none);
    }
}

/// Writes a new file that only its owner may read. Nothing is overwritten, and a file that could
/// not be written whole is taken away again.
///
/// # Errors
/// [`Diagnostic`] if the file exists or cannot be written.
pub fn create_private(path: &Path, bytes: &[u8]) -> Result<(), Diagnostic> {
    write_private(path, bytes).map_err(|error| {
        let name = path.display().to_string();
        if error.kind() == ErrorKind::AlreadyExists {
            let help = "name a new file, or take the old one away; nothing is overwritten";
            Diagnostic::in_file(name, "this file exists", help)
        } else {
            let what = format!("this file cannot be written: {error}");
            Diagnostic::in_file(name, what, "name another file, or make room")
        }
    })
}

/// [`create_private`] with the system's own error.
pub(crate) fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let mut file = options.open(path)?;
    let written = file.write_all(bytes).and_then(|()| file.sync_all());
    written.inspect_err(|_| {
        let _ = fs::remove_file(path);
    })
}

/// Reads a transfer key: a file with 64 hexadecimal digits that only its owner may read.
///
/// # Errors
/// [`Diagnostic`] if it cannot be read, others may read it, or it is no key.
pub fn read_transfer_key(path: &Path) -> Result<Secret, Diagnostic> {
    only_the_owners(path)?;
    let key = Key::from_file(path)?;
    Ok(Secret::TransferKey(key.bytes()))
}

/// Reads a passphrase: the first line of a file that only its owner may read, or, without a file,
/// from the terminal without echo. `twice` asks again, to notice a slip.
///
/// # Errors
/// [`Diagnostic`] if it cannot be read, others may read the file, or it is too short.
pub fn read_passphrase(path: Option<&Path>, twice: bool) -> Result<Secret, Diagnostic> {
    let passphrase = match path {
        Some(path) => {
            only_the_owners(path)?;
            let text = read_secret(path)?;
            Zeroizing::new(text.lines().next().unwrap_or_default().to_owned())
        }
        None => ask(twice)?,
    };
    let length = passphrase.chars().count();
    if length < SHORTEST_PASSPHRASE {
        return Err(Diagnostic::new(
            format!(
                "the passphrase has {length} characters; at least {SHORTEST_PASSPHRASE} are needed"
            ),
            "take five words drawn at random, or more",
        ));
    }
    Ok(Secret::Passphrase(passphrase))
}

fn ask(twice: bool) -> Result<Zeroizing<String>, Diagnostic> {
    let unable = || {
        Diagnostic::new(
            "there is neither a terminal to ask for the passphrase nor a file with a secret",
            "give --passphrase-file or --transfer-key-file; secrets never stand on a command line",
        )
    };
    if !io::stdin().is_terminal() {
        return Err(unable());
    }
    let read =
        |prompt: &str| rpassword::prompt_password(prompt).map(Zeroizing::new).map_err(|_| unable());
    let first = read("passphrase: ")?;
    if twice && *read("once more: ")? != *first {
        return Err(Diagnostic::new("the two passphrases differ", "try again"));
    }
    Ok(first)
}

/// Refuses a secret that others may read.
fn only_the_owners(path: &Path) -> Result<(), Diagnostic> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let Ok(metadata) = fs::metadata(path) else { return Ok(()) };
        let mode = metadata.permissions().mode();
        if metadata.is_file() && mode & 0o077 != 0 {
            let name = path.display().to_string();
            let what = format!("others may read this secret (mode {:03o})", mode & 0o777);
            let help = format!("chmod 600 {name}");
            return Err(Diagnostic::in_file(name, what, help));
        }
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

/// What is shown of a key: its fingerprint (specification section 3, `PRINT`), 8 hexadecimal
/// digits.
#[must_use]
pub fn fingerprint_text(key: &NetKey) -> String {
    hex(&key.fingerprint())
}

/// Bytes that are no secret, as hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A key as its file holds it: 64 hexadecimal digits and a line end. Wiped when dropped.
pub(crate) fn key_text(key: &[u8; 32]) -> Zeroizing<String> {
    // Long enough from the start: growing would leave a copy behind.
    let mut text = Zeroizing::new(String::with_capacity(65));
    for byte in key {
        // Writing to a string does not fail.
        let _ = write!(text, "{byte:02x}");
    }
    text.push('\n');
    text
}

/// Reads an address of two hexadecimal digits, for the command line.
///
/// # Errors
/// A sentence if it is none.
pub fn parse_hex_address(text: &str) -> Result<Address, String> {
    crate::plan::parse_address(text)
        .ok_or_else(|| "an address is two hexadecimal digits, such as 4B".to_owned())
}
