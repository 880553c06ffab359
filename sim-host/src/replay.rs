//! A recording, replayed through a fresh station.

use crate::diagnostic::Diagnostic;
use crate::world::{CAPACITY, Digest};
use hopwright_core::address::Address;
use hopwright_core::record::{self, Input, MAGIC, Sink, Trailer};
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

/// Ends a recording of `inputs` inputs with its trailer.
pub fn seal(recording: &mut Vec<u8>, inputs: u64) {
    let digest = digest_of(recording).bytes();
    Trailer { inputs, digest }.write(&mut |bytes: &[u8]| recording.extend_from_slice(bytes));
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
    let key = record::read_key(rest).ok_or_else(|| broken(rest, &stranger(recording)))?;
    let config = record::read_config::<CAPACITY>(&mut rest, &key)
        .ok_or_else(|| broken(rest, "the configuration is cut short or makes no sense"))?;
    let address = config.address;
    let mut station = Station::new(config).map_err(|error| broken(rest, &error.to_string()))?;
    let mut digest = Digest::default();
    let (mut inputs, mut events) = (0, 0);
    let trailer = loop {
        match Trailer::split(rest) {
            Some((&[], trailer)) => break trailer,
            _ if rest.is_empty() => return Err(broken(rest, "the recording ends too early")),
            _ => {}
        }
        let input = Input::decode(&mut rest)
            .ok_or_else(|| broken(rest, "an input is cut short or unknown"))?;
        events += record::apply(&mut station, input, &mut digest);
        inputs += 1;
    };
    let body = recording.strip_suffix(rest).unwrap_or(recording);
    if (trailer.inputs, trailer.digest) != (inputs, digest_of(body).bytes()) {
        return Err(broken(rest, "the recording was changed: count and digest do not fit"));
    }
    Ok(Replay { address, inputs, events, digest: digest.hex() })
}

fn digest_of(bytes: &[u8]) -> Digest {
    let mut digest = Digest::default();
    digest.write(bytes);
    digest
}

/// What a file is that does not begin as a recording of this version does.
fn stranger(bytes: &[u8]) -> String {
    let (kind, version) = MAGIC.split_at(MAGIC.len() - 1);
    match bytes.strip_prefix(kind).and_then(<[u8]>::first) {
        Some(other) if [*other] != version => format!(
            "this is a recording of version {}, and this program reads version {}",
            other.escape_ascii(),
            version.escape_ascii()
        ),
        _ => "this is no recording".to_owned(),
    }
}
