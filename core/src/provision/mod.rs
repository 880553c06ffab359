//! What a station is given before it goes out, as bytes: its configuration, the sealed form in
//! which it travels, and the groups by which it is typed in need (`docs/provisioning.md`).
//!
//! ```text
//! PublicPlan + key + station ──► Configuration ──encode──► CBOR ──sealed──► Envelope
//!        ▲                            │  ▲
//!        └────── manual::Entry ◄──────┘  └── decode, in place, without allocation
//! ```
//!
//! Everything is CBOR in the deterministic form of RFC 8949 section 4.2.1, so that one
//! configuration has one encoding; anything else is refused. Sealing is the planner's: [`Envelope`]
//! names the parts that an AEAD needs. A station opens what is sealed with its [`TransferKey`].

pub mod cbor;
mod configuration;
mod envelope;
mod error;
pub mod manual;
mod plan;
mod transfer;

pub use configuration::{
    Configuration, MAX_CONFIGURATION, MAX_NAME, MessageCode, PlanDigest, VERSION,
};
pub use envelope::{ENVELOPE_VERSION, Envelope, Header, MAX_ENVELOPE, Method, TAG_BYTES};
pub use error::{DecodeError, Fault};
pub use plan::PublicPlan;
pub use transfer::{OpenError, TransferKey};

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};

/// CRC-32/ISO-HDLC of the catalogue of parametrised CRC algorithms (G. Cook, RevEng).
/// Without a table: a configuration is read once.
pub(crate) const CRC_32: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);
