//! Secrets of the tree: 16 bytes each, so that the share of a station stays small.

use crate::address::Address;
use crate::keys::{Subkey, redacted};
use subtle::ConstantTimeEq;
use zeroize::{Zeroize, ZeroizeOnDrop};

/// `HChaCha20(0, "hopwright/copath")`: the public key of the generator `G`. It depends on no net
/// key, so that shares and directories outlive a change of it. (A test computes it.)
const GENERATOR: [u8; 32] = [
    0x53, 0x43, 0x6E, 0xA3, 0x60, 0xE8, 0x16, 0x44, 0xA6, 0xB7, 0xDF, 0xD0, 0x1B, 0xE6, 0xF8, 0x4C,
    0x42, 0x9F, 0x95, 0x7B, 0x99, 0x4A, 0x6A, 0x9C, 0x28, 0xB7, 0x79, 0xC1, 0xAE, 0x3F, 0xE2, 0x6C,
];
/// What makes a sender key of a node's: the source follows in the 15th byte.
const SEND: &[u8; 14] = b"hopwright/send";

/// A secret of the tree, 16 bytes: a node's, a co-path seed, a sender's, or a token.
#[derive(Clone)]
pub struct Secret([u8; 16]);

redacted!(Secret);

impl Drop for Secret {
    // One copy: secrets come and go in many places.
    #[inline(never)]
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl ZeroizeOnDrop for Secret {}

impl Secret {
    /// Takes a secret. The caller's own copy remains the caller's to wipe.
    #[must_use]
    pub const fn new(bytes: [u8; 16]) -> Self {
        Self(bytes)
    }

    /// Whether the two secrets are equal, in constant time.
    #[must_use]
    pub fn same(&self, other: &Self) -> bool {
        self.0.ct_eq(&other.0).into()
    }

    /// The generator `G`: 32 bytes from 16 (specification section 10). One permutation.
    #[inline(never)]
    pub(super) fn expand(&self) -> Subkey {
        Subkey::new(GENERATOR).derive(&self.0)
    }

    /// One half of `G`: the seed of the left or of the right child in the co-path tree. The left
    /// half of a token is the token before it.
    #[must_use]
    pub fn child(&self, right: bool) -> Self {
        self.expand().half(right)
    }

    /// The secret with which `source` calls the stations that know this one. Two permutations.
    ///
    /// (F. T. Leighton and S. Micali, Secret-key agreement without public-key cryptography, CRYPTO
    /// 1993, citation from memory: the receiver derives the sender's key from its own; the sender is given his alone.)
    #[must_use]
    pub fn sender(&self, source: Address) -> Self {
        let mut input = [0; 16];
        crate::keys::put(&mut input, 0, SEND);
        crate::keys::put(&mut input, SEND.len(), &[source.number()]);
        self.expand().derive(&input).half(false)
    }

    /// The traffic key that a sender's secret gives under `tree`, the subkey
    /// [`Label::Tree`](crate::keys::Label::Tree) of the present net key. One permutation.
    #[must_use]
    pub fn traffic_key(&self, tree: &Subkey) -> Subkey {
        tree.derive(&self.0)
    }

    /// Hands the bytes out, for a configuration that is about to be sealed.
    pub fn expose(&self, write: impl FnOnce(&[u8; 16])) {
        write(&self.0);
    }

    pub(super) const fn bytes(&self) -> &[u8; 16] {
        &self.0
    }

    pub(super) const fn bytes_mut(&mut self) -> &mut [u8; 16] {
        &mut self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_generator_is_the_function_of_its_label() {
        let label = b"hopwright/copath";
        let key: [u8; 32] =
            chacha20::hchacha::<chacha20::R20>((&[0; 32]).into(), label.into()).into();
        assert_eq!(GENERATOR, key);
    }

    #[test]
    fn no_formatter_shows_a_secret() {
        assert_eq!(std::format!("{:?}", Secret::new([7; 16])), "Secret(..)");
    }
}
