//! Authenticated encryption: AEAD_CHACHA20_POLY1305 (RFC 8439 section 2.8), in place, with the tag
//! apart.
//!
//! The one-time key of the tag is the first half of keystream block 0; the text is encrypted from
//! block 1 on. The tag covers associated data and cipher text, each padded with zeros to 16 bytes,
//! and both lengths as little-endian 64-bit words. It is compared in constant time, *before* a
//! single byte is decrypted: of what does not verify no plain text ever exists.

use crate::keys::Subkey;
use core::fmt;
use poly1305::Poly1305;
use poly1305::universal_hash::{KeyInit, UniversalHash};
use subtle::ConstantTimeEq;
use zeroize::Zeroize;

/// Bytes of a tag.
pub const TAG_BYTES: usize = 16;

/// What shows that a text is whole and from a holder of the key.
pub type Tag = [u8; TAG_BYTES];

/// Bytes of a block of the tag's function.
const BLOCK: usize = 16;
/// The block of the keystream at which that for the text begins.
const TEXT_AT: u32 = 1;

/// Not made by a holder of the key, or not for this nonce and these associated data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Forged;

impl fmt::Display for Forged {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the tag does not fit")
    }
}

impl core::error::Error for Forged {}

impl Subkey {
    /// Encrypts `text` in place and gives its tag. A nonce must not be used for two texts under
    /// one key: who sees both could read both, and forge.
    ///
    /// A cipher block for each 64 bytes, a step of the tag for each 16. A text must be shorter than
    /// 256 GiB, where the keystream ends.
    #[must_use]
    pub fn seal(&self, nonce: &[u8; 12], associated: &[u8], text: &mut [u8]) -> Tag {
        self.apply_from(nonce, TEXT_AT, text);
        self.tag_of(nonce, associated, text)
    }

    /// Decrypts `text` in place if `tag` fits.
    ///
    /// # Errors
    /// [`Forged`]; `text` is as it was.
    pub fn open(
        &self,
        nonce: &[u8; 12],
        associated: &[u8],
        text: &mut [u8],
        tag: &Tag,
    ) -> Result<(), Forged> {
        if !bool::from(self.tag_of(nonce, associated, text).ct_eq(tag)) {
            return Err(Forged);
        }
        self.apply_from(nonce, TEXT_AT, text);
        Ok(())
    }

    fn tag_of(&self, nonce: &[u8; 12], associated: &[u8], text: &[u8]) -> Tag {
        let mut mac = Mac::new(self, nonce, associated);
        mac.absorb(text);
        mac.finish()
    }
}

/// A tag in the making, for a cipher text that comes in pieces.
pub(crate) struct Mac {
    state: Poly1305,
    /// The beginning of the next block.
    held: [u8; BLOCK],
    used: usize,
    associated: usize,
    absorbed: usize,
}

impl Mac {
    /// The tag of a text under `nonce`, before the text.
    pub(crate) fn new(key: &Subkey, nonce: &[u8; 12], associated: &[u8]) -> Self {
        let mut once = [0; 32];
        key.apply_from(nonce, 0, &mut once);
        let state = Poly1305::new((&once).into());
        once.zeroize();
        let mut mac = Self { state, held: [0; BLOCK], used: 0, associated: 0, absorbed: 0 };
        mac.absorb(associated);
        mac.pad();
        mac.associated = core::mem::take(&mut mac.absorbed);
        mac
    }

    /// The next piece of the text.
    pub(crate) fn absorb(&mut self, mut piece: &[u8]) {
        self.absorbed = self.absorbed.wrapping_add(piece.len());
        while !piece.is_empty() {
            let room = self.held.get_mut(self.used..).unwrap_or_default();
            let (now, later) = piece.split_at_checked(room.len()).unwrap_or((piece, &[]));
            for (to, from) in room.iter_mut().zip(now) {
                *to = *from;
            }
            self.used = self.used.wrapping_add(now.len());
            if self.used >= BLOCK {
                self.step();
            }
            piece = later;
        }
    }

    fn step(&mut self) {
        self.state.update_padded(&self.held);
        self.held = [0; BLOCK];
        self.used = 0;
    }

    fn pad(&mut self) {
        if self.used > 0 {
            self.step();
        }
    }

    /// The tag.
    pub(crate) fn finish(mut self) -> Tag {
        self.pad();
        let lengths = [self.associated, self.absorbed];
        let (places, _) = self.held.as_chunks_mut::<8>();
        for (place, length) in places.iter_mut().zip(lengths) {
            *place = (length as u64).to_le_bytes();
        }
        self.state.update_padded(&self.held);
        self.state.finalize().into()
    }

    /// Whether `tag` is the right one, in constant time.
    pub(crate) fn fits(self, tag: &Tag) -> bool {
        self.finish().ct_eq(tag).into()
    }
}

impl fmt::Debug for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Mac(..)")
    }
}

#[cfg(test)]
mod tests;
