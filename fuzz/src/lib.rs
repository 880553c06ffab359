//! The bodies of the fuzz targets: plain functions from bytes to nothing, which panic when a
//! promise of the core is broken. `cargo fuzz run NAME` feeds them on nightly; `cargo test` feeds
//! them the seeds in `seeds/` on stable.

#![allow(
    clippy::wildcard_enum_match_arm,
    reason = "the core's enums are non-exhaustive: outside it every match needs a wildcard"
)]

mod configuration;
mod differential;
mod loader;
pub mod naive;
mod net;
mod pipe;
#[cfg(feature = "planner")]
mod plan;
mod slot_bits;
mod station;

pub use configuration::configuration;
pub use differential::{differential_clock, differential_sequence, differential_tree};
pub use loader::loader;
pub use net::{Met, net};
pub use pipe::Pipe;
#[cfg(feature = "planner")]
pub use plan::plan;
pub use slot_bits::slot_bits;
pub use station::{Reached, station};

use hopwright_core::coding::interleave;
use hopwright_core::header::HeaderKeys;
use hopwright_core::keys::NetKey;
use hopwright_core::record::{self, Input, Trailer};
use hopwright_core::station::Station;

/// Room for the hopsets of recordings.
const ROOM: usize = 256;

/// Slot bits and sealed bytes: whatever decodes codes again, and whatever opens seals again to the
/// same bytes.
///
/// # Panics
/// If a round trip that parses its own output gives something else.
pub fn header(data: &[u8]) {
    let keys = HeaderKeys::new(&NetKey::new([7; 32]));
    if let Some(bits) = data.first_chunk() {
        let decoded = interleave::decode(bits);
        if decoded.corrected().is_some() {
            let again = interleave::decode(&interleave::encode(&decoded.sealed));
            assert_eq!((again.sealed, again.corrected()), (decoded.sealed, Some(0)));
        }
    }
    let (Some(wire), Some(stream)) = (data.first_chunk::<16>(), data.last_chunk::<4>()) else {
        return;
    };
    let stream = u32::from_le_bytes(*stream);
    if let Some(header) = keys.open(wire, stream) {
        assert_eq!(keys.seal(header, stream), *wire, "{header:?}");
    }
}

/// A recording of any quality: decoded, replayed, encoded again.
///
/// # Panics
/// If an input that decodes does not encode to the bytes that it came from.
pub fn recording(data: &[u8]) {
    let Some(key) = record::read_key(data) else { return };
    // One without a trailer is looked at all the same: what is in it must do no harm.
    let body = Trailer::split(data).map_or(data, |(body, _)| body);
    let mut rest = body;
    let Some(config) = record::read_config::<ROOM>(&mut rest, &key) else { return };
    let mut head = Vec::new();
    record::write_config(&config, &mut |bytes: &[u8]| head.extend_from_slice(bytes));
    assert_eq!(head, body[..body.len() - rest.len()], "a head that is written otherwise");
    let Ok(mut station) = Station::new(config) else { return };
    while !rest.is_empty() {
        let before = rest;
        let Some(input) = Input::decode(&mut rest) else { return };
        let mut again = Vec::new();
        input.encode(&mut |bytes: &[u8]| again.extend_from_slice(bytes));
        assert_eq!(again, before[..before.len() - rest.len()]);
        record::apply(&mut station, input, &mut |_: &[u8]| {});
    }
}
