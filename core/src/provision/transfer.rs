//! Opening at the station what was sealed with a transfer key, and sealing it again after a change of
//! keys.
//!
//! Opening is in place and without allocation: a station has one buffer for what it is given, and the text
//! takes the place of the ciphertext in it. Passphrases are not for stations. The key of one comes
//! by Argon2id (RFC 9106), which is meant to cost memory: 64 MiB in its second recommended option
//! (section 4), where the processors that this is for have some hundred KiB, and less would help
//! the guesser. A carrier with that much memory opens what is sealed with one.

use super::cbor::{Reader, Writer};
use super::envelope::{Envelope, Header, Method, TAG_BYTES};
use super::error::DecodeError;
use crate::address::Address;
use crate::append::append;
use crate::keys::{Subkey, put, redacted};
use core::fmt;
use heapless::Vec;

/// A key that planner and station have in common, under which configurations travel. Wiped when it
/// is dropped; its `Debug` shows nothing.
pub struct TransferKey(Subkey);

redacted!(TransferKey);

/// Why a sealed configuration was not opened. It is as it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum OpenError {
    /// It is no envelope of this version in its one encoding.
    Envelope(DecodeError),
    /// It is sealed with a passphrase, which no station opens.
    Passphrase,
    /// The tag does not fit: the key is another one, or something was altered. Nobody can tell
    /// which.
    Forged,
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Envelope(error) => error.fmt(f),
            Self::Passphrase => f.write_str("it is sealed with a passphrase, not a transfer key"),
            Self::Forged => f.write_str("it does not open: another key, or altered"),
        }
    }
}

impl core::error::Error for OpenError {}

impl TransferKey {
    /// Takes a key. The caller's own copy remains the caller's to wipe.
    #[must_use]
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(Subkey::new(bytes))
    }

    /// Seals a configuration's encoding as it travels, and as a station with this key stores it: writes
    /// the envelope to the start of `into` and returns it; `None` if there is no room.
    ///
    /// A nonce must not serve for two contents under one key, those of the planner included: draw its
    /// 12 bytes at random.
    ///
    /// A cipher block for each 64 bytes, a step of the tag for each 16.
    #[must_use]
    pub fn seal<'b>(
        &self,
        address: Address,
        nonce: [u8; 12],
        text: &[u8],
        into: &'b mut [u8],
    ) -> Option<&'b mut [u8]> {
        // Both are a few bytes round the nonce.
        let (mut header, mut front) = (Vec::<u8, 32>::new(), Vec::<u8, 48>::new());
        Header { address, method: Method::TransferKey, nonce }
            .encode(&mut |part: &[u8]| append(&mut header, part.iter().copied()));
        let mut add = |part: &[u8]| append(&mut front, part.iter().copied());
        let mut out = Writer::new(&mut add);
        out.array(2);
        out.bytes(&header);
        out.bytes_head(text.len().saturating_add(TAG_BYTES) as u64);
        let tag_at = front.len().saturating_add(text.len());
        let sealed = into.get_mut(..tag_at.saturating_add(TAG_BYTES))?;
        put(sealed, 0, &front);
        put(sealed, front.len(), text);
        let (begun, tag) = sealed.split_at_mut_checked(tag_at)?;
        put(tag, 0, &self.0.seal(&nonce, &header, begun.get_mut(front.len()..)?));
        Some(sealed)
    }

    /// Opens a sealed configuration in place and returns its encoding, which is a part of the same
    /// buffer. The tag is verified over the whole before a byte is decrypted.
    ///
    /// A cipher block for each 64 bytes, a step of the tag for each 16.
    ///
    /// # Errors
    /// [`OpenError`]; no byte of `sealed` has changed then.
    pub fn open<'b>(&self, sealed: &'b mut [u8]) -> Result<&'b mut [u8], OpenError> {
        let envelope = Envelope::decode(sealed).map_err(OpenError::Envelope)?;
        if envelope.header.method != Method::TransferKey {
            return Err(OpenError::Passphrase);
        }
        let nonce = envelope.header.nonce;
        // The ciphertext is the envelope's end. What stands before it is read once more, so that
        // header and text are two separate parts of the buffer.
        let text_at = sealed.len().saturating_sub(envelope.ciphertext.len());
        let (front, back) = sealed.split_at_mut_checked(text_at).ok_or(OpenError::Forged)?;
        let mut reader = Reader::new(front);
        let header = reader.array_of(2).and_then(|()| reader.bytes());
        let header = header.map_err(OpenError::Envelope)?;
        let (text, tag) = back.split_last_chunk_mut::<TAG_BYTES>().ok_or(OpenError::Forged)?;
        self.0.open(&nonce, header, text, tag).map_err(|_| OpenError::Forged)?;
        Ok(text)
    }
}
