//! A serial port or pseudo-terminal as a byte stream.

use crate::diagnostic::Diagnostic;
use embedded_io::{ErrorType, Read, ReadReady, Write};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, isatty, tcgetattr, tcsetattr};
use std::fs::File;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

/// How long a look at a silent port waits, in microseconds.
pub const IDLE_US: u64 = 10_000;

/// A port.
#[derive(Debug)]
pub struct Port(File);

/// A pseudo-terminal: the port of an emulated station.
#[derive(Debug)]
pub struct Pty {
    /// The station's side.
    pub port: Port,
    /// The name of the other side, which a carrier opens.
    pub name: PathBuf,
    /// The other side, kept open so that the name stays usable between two carriers.
    _other: OwnedFd,
}

/// Opens a serial port (or a pseudo-terminal) for bytes as they are, at `baud` bit/s.
///
/// # Errors
/// [`Diagnostic`] if there is no such port, or it is no terminal.
pub fn open_port(path: &Path, baud: u32) -> Result<Port, Diagnostic> {
    let name = path.display().to_string();
    let refused = |what: String| {
        let help = "give the serial port that the station is plugged into, such as /dev/ttyUSB0";
        Diagnostic::in_file(&name, what, help)
    };
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
    let descriptor = rustix::fs::open(path, flags, Mode::empty())
        .map_err(|error| refused(format!("the port cannot be opened: {error}")))?;
    if !isatty(&descriptor) {
        return Err(refused("this is neither a serial port nor a pseudo-terminal".to_owned()));
    }
    make_raw(&descriptor, baud)
        .map_err(|error| refused(format!("the port cannot be set to {baud} bit/s: {error}")))?;
    Ok(Port(File::from(descriptor)))
}

/// Opens a pseudo-terminal.
///
/// # Errors
/// [`Diagnostic`] if the system has none to give.
pub fn open_pty() -> Result<Pty, Diagnostic> {
    let opened = || -> rustix::io::Result<Pty> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let other = rustix::fs::open(name.as_c_str(), flags, Mode::empty())?;
        make_raw(&other, 115_200)?;
        let name = PathBuf::from(name.to_string_lossy().into_owned());
        Ok(Pty { port: Port(File::from(master)), name, _other: other })
    };
    opened().map_err(|error| {
        Diagnostic::new(
            format!("there is no pseudo-terminal to be had: {error}"),
            "close some terminals, or use a system that has them",
        )
    })
}

fn make_raw(descriptor: &impl AsFd, baud: u32) -> rustix::io::Result<()> {
    let mut settings = tcgetattr(descriptor)?;
    settings.make_raw();
    settings.set_speed(baud)?;
    tcsetattr(descriptor, OptionalActions::Now, &settings)
}

impl ErrorType for Port {
    type Error = io::Error;
}

impl Read for Port {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match io::Read::read(&mut self.0, buffer) {
            // A terminal whose other side has gone says so with an error.
            Err(error) if error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) => {
                Ok(0)
            }
            read => read,
        }
    }
}

impl Write for Port {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        io::Write::write(&mut self.0, bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        io::Write::flush(&mut self.0)
    }
}

impl ReadReady for Port {
    /// Waits up to [`IDLE_US`] for bytes.
    fn read_ready(&mut self) -> io::Result<bool> {
        let wait = Timespec { tv_sec: 0, tv_nsec: i64::try_from(IDLE_US).unwrap_or(0) * 1_000 };
        let mut ports = [PollFd::new(&self.0, PollFlags::IN)];
        Ok(poll(&mut ports, Some(&wait))? > 0)
    }
}
