//! The recordings that the build was given, and stations that start where they start.

use crate::digest::Digest;
use hopwright_core::keys::NetKey;
use hopwright_core::record::{self, Input, Sink, Trailer};
use hopwright_core::station::Station;

/// The channels that the firmware's stations have room for.
pub const CHANNELS: usize = 128;

/// A station's address in hexadecimal, and the bytes of its recording.
pub type Recording = (&'static str, &'static [u8]);

/// All recordings, by address, without their trailers.
///
/// # Panics
/// If one is not whole.
pub fn all() -> impl Iterator<Item = Recording> {
    #[expect(unsafe_code, reason = "the recordings have a linker section of their own")]
    // SAFETY: memory.x gives that section to memory that nothing else uses.
    static RECORDINGS: &[Recording] = &include!(concat!(env!("OUT_DIR"), "/recordings.rs"));
    RECORDINGS.iter().map(|(address, bytes)| (*address, whole(bytes)))
}

/// What comes before the trailer, which must fit it.
fn whole(bytes: &'static [u8]) -> &'static [u8] {
    let (body, trailer) = Trailer::split(bytes).expect("a trailer");
    let mut digest = Digest::default();
    digest.write(body);
    assert_eq!(digest.value().to_be_bytes(), trailer.digest, "a recording that was cut or changed");
    body
}

/// The key of a recording.
///
/// # Panics
/// If it is no recording.
#[must_use]
pub fn key(bytes: &[u8]) -> NetKey {
    record::read_key(bytes).expect("a recording")
}

/// Takes the configuration off the front of a recording and starts its station.
///
/// # Panics
/// If the configuration is garbled.
pub fn station(bytes: &mut &[u8], key: &NetKey) -> Station<CHANNELS> {
    let config = record::read_config(bytes, key).expect("a configuration");
    Station::new(config).expect("a configuration that makes a station")
}

/// Takes the next input off the front of a recording; `None` at its end.
///
/// # Panics
/// If the recording is garbled.
pub fn next<'a>(bytes: &mut &'a [u8]) -> Option<Input<'a>> {
    (!bytes.is_empty()).then(|| Input::decode(bytes).expect("a whole input"))
}
