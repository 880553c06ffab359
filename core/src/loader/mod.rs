//! Carrying a configuration from a carrier device into a station, over any byte stream.
//!
//! ```text
//!   carrier                                     station
//!   Offer: address, size, digest ────────────►  is it for me, have I begun it already?
//!                                ◄────────────  Ready: next chunk wanted
//!   Chunk n ──────────────────────────────────► stored, then
//!                                ◄────────────  Ready: n + 1
//!   Commit ───────────────────────────────────► read back, judged, committed
//!                                ◄────────────  Accepted, or Refused and why
//! ```
//!
//! Both ends are state machines without input or output: bytes go in, bytes come out. The plug may
//! be pulled and power may go at any byte: the next offer of the same configuration goes on after
//! the last chunk that was acknowledged, and until the commit record is whole the station has its
//! old configuration, afterwards the new one ([`Store`]).
//!
//! Check values protect against accidents. What protects against people is the seal of what is
//! carried, and [`Judge`] is where a station opens it: [`KeyedJudge`] with a transfer key. It opens
//! a copy; stored and committed is what was carried, byte for byte.

mod carrier;
mod check;
mod frame;
#[cfg(feature = "embedded-io")]
mod io;
mod keyed;
mod station;
mod store;

pub use carrier::{CarrierEnd, Outcome, RETRIES, RETRY_AFTER};
pub use check::check_configuration;
pub use frame::{Frame, FrameReader, Garbled, MAX_PAYLOAD, MAX_WIRE, Wire, write_frame};
#[cfg(feature = "embedded-io")]
pub use io::{IoError, carry, serve};
pub use keyed::KeyedJudge;
pub use station::{Judge, StationEnd, Verdict};
pub use store::{Active, Bank, CELL_BYTES, Storage, StorageFault, Store, cells_needed};

use crate::address::Address;
use core::fmt;
use crc::{CRC_64_XZ, Crc, NoTable};

/// The version of the protocol.
pub const PROTOCOL: u8 = 1;
/// The bytes of a chunk; the last one may have fewer.
pub const CHUNK_BYTES: usize = 128;
/// The most bytes that are carried: what a sequence number counts, and more than any envelope.
pub const MAX_CARRIED: usize = 16_384;

/// CRC-64/XZ of the catalogue of parametrised CRC algorithms (G. Cook, RevEng).
const CRC_64: Crc<u64, NoTable> = Crc::<u64, NoTable>::new(&CRC_64_XZ);

/// What tells one configuration from another on the way: length and CRC-64/XZ.
#[must_use]
pub fn digest(content: &[u8]) -> u64 {
    CRC_64.checksum(content)
}

/// What a carrier offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Offer {
    /// The station that it is for.
    pub address: Address,
    /// Its bytes, 1 to [`MAX_CARRIED`].
    pub size: u32,
    /// Its [`digest`].
    pub digest: u64,
}

impl Offer {
    /// The offer of a content.
    #[must_use]
    pub fn of(address: Address, content: &[u8]) -> Self {
        let size = u32::try_from(content.len()).unwrap_or(u32::MAX);
        Self { address, size, digest: digest(content) }
    }

    /// The chunks that carry it.
    #[must_use]
    pub const fn chunks(&self) -> u16 {
        #[expect(clippy::cast_possible_truncation, reason = "128, and then checked")]
        let chunks = {
            let chunks = self.size.div_ceil(CHUNK_BYTES as u32);
            if chunks > u16::MAX as u32 { u16::MAX } else { chunks as u16 }
        };
        chunks
    }

    fn to_bytes(self) -> [u8; 13] {
        let mut bytes = [0; 13];
        crate::keys::put(&mut bytes, 0, &[self.address.number()]);
        crate::keys::put(&mut bytes, 1, &self.size.to_le_bytes());
        crate::keys::put(&mut bytes, 5, &self.digest.to_le_bytes());
        bytes
    }

    fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (address, rest) = bytes.split_first()?;
        let (size, rest) = rest.split_first_chunk()?;
        let digest = u64::from_le_bytes(rest.try_into().ok()?);
        Some(Self { address: Address::new(*address), size: u32::from_le_bytes(*size), digest })
    }
}

/// Why a station refuses a configuration. It keeps the one that it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refusal {
    /// It speaks another version of the protocol.
    Protocol,
    /// It is another station than the one offered for.
    OtherStation,
    /// It has no room for that many bytes.
    TooLong,
    /// Its storage failed.
    Storage,
    /// What arrived is not what was offered.
    Damaged,
    /// It cannot open the seal: another key, or altered.
    Seal,
    /// A later version of the format than it knows.
    Version,
    /// The content is not a configuration in its one encoding.
    Content,
    /// The configuration makes no station, or one that has no room here.
    NoStation,
    /// It takes only what is sealed with its transfer key, and this is not sealed.
    Unsealed,
}

impl Refusal {
    /// All reasons, by their numbers on the wire from 1 on.
    pub const ALL: [Self; 10] = [
        Self::Protocol,
        Self::OtherStation,
        Self::TooLong,
        Self::Storage,
        Self::Damaged,
        Self::Seal,
        Self::Version,
        Self::Content,
        Self::NoStation,
        Self::Unsealed,
    ];

    const fn code(self) -> u8 {
        match self {
            Self::Protocol => 1,
            Self::OtherStation => 2,
            Self::TooLong => 3,
            Self::Storage => 4,
            Self::Damaged => 5,
            Self::Seal => 6,
            Self::Version => 7,
            Self::Content => 8,
            Self::NoStation => 9,
            Self::Unsealed => 10,
        }
    }

    fn from_code(code: u8) -> Option<Self> {
        Self::ALL.get(usize::from(code.checked_sub(1)?)).copied()
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Protocol => "the station speaks another version of the loader protocol",
            Self::OtherStation => "this configuration is another station's",
            Self::TooLong => "the station has no room for a configuration of this size",
            Self::Storage => "the station's storage failed",
            Self::Damaged => "what arrived is not what was sent",
            Self::Seal => "the station cannot open it: another key, or altered",
            Self::Version => "a later version of the format than the station knows",
            Self::Content => "the content is no configuration",
            Self::NoStation => "the configuration makes no station, or has no room in this one",
            Self::Unsealed => "the station takes only what is sealed with its transfer key",
        })
    }
}

impl core::error::Error for Refusal {}
