//! The sealed form of a configuration (`docs/provisioning.cddl`, `sealed`).
//!
//! ```text
//! [ header: bstr, ciphertext: bstr ]      the header's bytes are the AEAD's additional data
//! ```
//!
//! The AEAD is ChaCha20-Poly1305 (RFC 8439 section 2.8), its tag the last 16 bytes of the
//! ciphertext. The key is a transfer key, or comes from a passphrase by Argon2id (RFC 9106).

use super::cbor::{Fields, Reader, Writer};
use super::configuration::MAX_CONFIGURATION;
use super::error::{DecodeError, Fault};
use crate::address::Address;
use crate::record::Sink;

/// The version that is written, and the latest that is read.
pub const ENVELOPE_VERSION: u64 = 1;
/// The bytes of the AEAD's tag.
pub const TAG_BYTES: usize = 16;
/// The most bytes of a sealed configuration.
pub const MAX_ENVELOPE: usize = MAX_CONFIGURATION + 128;

/// Where the key comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Method {
    /// A passphrase, by Argon2id version 0x13 without secret or associated data.
    Passphrase {
        /// Memory in KiB.
        memory_kib: u32,
        /// Passes over it.
        passes: u32,
        /// Lanes.
        lanes: u32,
        /// The salt.
        salt: [u8; 16],
    },
    /// A transfer key that both ends have.
    TransferKey,
}

/// What is known of a sealed configuration without its key. It is authenticated, not secret.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Header {
    /// The station that it is for.
    pub address: Address,
    /// Where the key comes from.
    pub method: Method,
    /// The AEAD's nonce.
    pub nonce: [u8; 12],
}

impl Header {
    /// Writes the header: the AEAD's additional data.
    pub fn encode(&self, sink: &mut impl Sink) {
        let mut out = Writer::new(sink);
        out.map(if self.method == Method::TransferKey { 4 } else { 6 });
        out.unsigned(0);
        out.unsigned(ENVELOPE_VERSION);
        out.unsigned(1);
        out.unsigned(self.address.number().into());
        out.unsigned(2);
        match self.method {
            Method::Passphrase { memory_kib, passes, lanes, salt } => {
                out.unsigned(1);
                out.unsigned(3);
                out.array(3);
                out.unsigned(memory_kib.into());
                out.unsigned(passes.into());
                out.unsigned(lanes.into());
                out.unsigned(4);
                out.bytes(&salt);
            }
            Method::TransferKey => out.unsigned(2),
        }
        out.unsigned(5);
        out.bytes(&self.nonce);
    }

    /// Reads a header.
    ///
    /// # Errors
    /// [`DecodeError`] if it is not one of this version in its one encoding.
    pub fn decode(bytes: &[u8]) -> Result<Self, DecodeError> {
        let mut fields = Fields::open(bytes)?;
        let version = fields.number(0)?;
        if version != ENVELOPE_VERSION {
            return Err(Fault::Version(version).at(2));
        }
        let address = Address::new(fields.number(1)?);
        let at = fields.needed(2).map(|reader| (reader.at(), reader.unsigned()))?;
        let method = match at {
            (_, Ok(1)) => {
                let reader = fields.needed(3)?;
                let at = reader.at();
                reader.array_of(3)?;
                let mut number = || {
                    let number = u32::try_from(reader.unsigned()?);
                    number.map_err(|_| Fault::Value(3).at(at))
                };
                let (memory_kib, passes, lanes) = (number()?, number()?, number()?);
                Method::Passphrase { memory_kib, passes, lanes, salt: exactly(&mut fields, 4)? }
            }
            (_, Ok(2)) => Method::TransferKey,
            (at, Ok(_)) => return Err(Fault::Value(2).at(at)),
            (_, Err(error)) => return Err(error),
        };
        let nonce = exactly(&mut fields, 5)?;
        fields.end()?;
        Ok(Self { address, method, nonce })
    }
}

/// A byte string of exactly so many bytes.
fn exactly<const BYTES: usize>(
    fields: &mut Fields<'_>,
    key: u64,
) -> Result<[u8; BYTES], DecodeError> {
    let reader = fields.needed(key)?;
    let at = reader.at();
    reader.bytes()?.try_into().map_err(|_| Fault::Value(key).at(at))
}

/// A sealed configuration, taken apart in place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Envelope<'a> {
    /// What the header says.
    pub header: Header,
    /// The header's bytes: the AEAD's additional data.
    pub header_bytes: &'a [u8],
    /// The ciphertext and its tag.
    pub ciphertext: &'a [u8],
}

impl<'a> Envelope<'a> {
    /// Whether these bytes are meant as an envelope: an array of two, as none of the other forms
    /// begins.
    #[must_use]
    pub fn begins(bytes: &[u8]) -> bool {
        bytes.first() == Some(&0x82)
    }

    /// Takes a sealed configuration apart. Nothing has been authenticated yet.
    ///
    /// # Errors
    /// [`DecodeError`] if it is not one of this version in its one encoding.
    pub fn decode(bytes: &'a [u8]) -> Result<Self, DecodeError> {
        if bytes.len() > MAX_ENVELOPE {
            let fault = Fault::TooLong { bytes: bytes.len(), limit: MAX_ENVELOPE };
            return Err(fault.at(MAX_ENVELOPE));
        }
        let mut reader = Reader::new(bytes);
        reader.array_of(2)?;
        let header_bytes = reader.bytes()?;
        let start = reader.at().saturating_sub(header_bytes.len());
        let within = |error: DecodeError| error.fault.at(start.saturating_add(error.at));
        let header = Header::decode(header_bytes).map_err(within)?;
        let at = reader.at();
        let ciphertext = reader.bytes()?;
        if ciphertext.len() <= TAG_BYTES {
            return Err(Fault::CutShort.at(at));
        }
        reader.end()?;
        Ok(Self { header, header_bytes, ciphertext })
    }

    /// Writes a sealed configuration of its parts.
    pub fn encode(header_bytes: &[u8], ciphertext: &[u8], sink: &mut impl Sink) {
        let mut out = Writer::new(sink);
        out.array(2);
        out.bytes(header_bytes);
        out.bytes(ciphertext);
    }
}
