//! A run for other people's tools: waveforms, packets, tables.
//!
//! | file | format | written after |
//! |---|---|---|
//! | `trace.vcd` | value change dump: state, channel and key of each station | IEEE Std 1364-2005, section 18 (from memory) |
//! | `trace.pcapng` | one packet a transmission, link type 147 (`USER0`) | draft-ietf-opsawg-pcapng (from memory) |
//! | `slots.csv` | one row a transmission | RFC 4180 |
//! | `slots.parquet` | the same, in columns | Apache Parquet format |
//!
//! What stands in them is described in `docs/traces.md`. Only the stations' own transmissions are
//! in them, not those of opponents. A run has all of it only if it was asked for
//! [`Detail::Frames`](crate::world::Detail::Frames).

mod columns;
mod packets;
mod rows;
pub(crate) mod states;
mod waves;

pub use packets::RECORD_VERSION;
pub use states::{Span, State, states};

use crate::run::Run;
use std::fs;
use std::io;
use std::path::Path;

/// Writes all traces of a run into a folder that exists.
///
/// # Errors
/// Whatever writing gives.
pub fn write_traces(run: &Run, folder: &Path) -> io::Result<()> {
    fs::write(folder.join("trace.vcd"), waves::vcd(run)?)?;
    fs::write(folder.join("trace.pcapng"), packets::pcapng(run)?)?;
    let rows = rows::rows(run);
    fs::write(folder.join("slots.csv"), rows::csv(&rows)?)?;
    fs::write(folder.join("slots.parquet"), columns::parquet(&rows)?)?;
    Ok(())
}
