//! The carrier's port, and a station to load into for tests and training.
//!
//! The protocol and both of its ends are the core's ([`hopwright_core::loader`]); here is what
//! they run over: a serial port or pseudo-terminal, and a bank of storage in a file.

mod banks;
mod judge;
#[cfg(unix)]
mod port;

pub use banks::BankFiles;
pub use judge::EmulatedJudge;
#[cfg(unix)]
pub use port::{IDLE_US, Port, Pty, open_port, open_pty};
