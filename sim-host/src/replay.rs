//! A recording, replayed through a fresh station.

use crate::diagnostic::Diagnostic;
use crate::world::{CAPACITY, Digest};
use hopwright_core::address::Address;
use hopwright_core::record::{self, Input};
use hopwright_core::station::Station;

/// What came of a replay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replay {
    /// The station's address.
    pub address: Address,
    /// Inputs fed to it.
    pub inputs: u64,
    /// Events that it gave.
    pub events: u64,
    /// The digest of everything that it put out.
    pub digest: String,
}

/// Replays `recording`, which errors call `name`.
///
/// # Errors
/// [`Diagnostic`] if it is no recording, or is cut short or garbled; its place is a byte offset.
pub fn replay(name: &str, recording: &[u8]) -> Result<Replay, Diagnostic> {
    let broken = |rest: &[u8], what: &str| {
        Diagnostic::new(
            format!("{name}: {what} at byte {}", recording.len() - rest.len()),
            "record it again with `hopwright run --record STATION --out DIR`",
        )
    };
    let mut rest = recording;
    let key = record::read_key(rest).ok_or_else(|| broken(rest, "this is no recording"))?;
    let config = record::read_config::<CAPACITY>(&mut rest, &key)
        .ok_or_else(|| broken(rest, "the configuration is cut short or makes no sense"))?;
    let address = config.address;
    let mut station = Station::new(config).map_err(|error| broken(rest, &error.to_string()))?;
    let mut digest = Digest::default();
    let (mut inputs, mut events) = (0, 0);
    while !rest.is_empty() {
        let input = Input::decode(&mut rest)
            .ok_or_else(|| broken(rest, "an input is cut short or unknown"))?;
        events += record::apply(&mut station, input, &mut digest);
        inputs += 1;
    }
    Ok(Replay { address, inputs, events, digest: digest.hex() })
}
