//! The net key, the subkeys drawn from it, and keyed words: every secret choice of the link.
//!
//! `subkey(label) = HChaCha20(K, label)`; a keyed word `W(label, stream, i)` is the
//! `(i mod 16)`-th little-endian word of the ChaCha20 block `i / 16` under that subkey, with
//! nonce `stream || 0^8`. (ChaCha20: RFC 8439 section 2.3; HChaCha20:
//! draft-irtf-cfrg-xchacha-03 section 2.2; the construction: specification section 3.)
//! Any word is one block away: there is no state to walk.
//!
//! Keys are wiped when they are dropped and no formatter of this crate prints them. What a move leaves behind is the
//! compiler's: wipe the stack on which a station has been made, where somebody may read it.

use crate::tree::Secret;
use chacha20::{
    ChaCha20, ChaChaCore, R20,
    cipher::{KeyIvInit, StreamCipher, StreamCipherCore, StreamCipherSeek},
    variants::Ietf,
};
use subtle::ConstantTimeEq;
use zeroize::{Zeroize, ZeroizeOnDrop};

/// What a subkey is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Label {
    /// Which channel of each stratum a keyed hopset takes.
    Pick,
    /// Which lane gets which channel of a group.
    Lane,
    /// The rendezvous set and the order in which it is visited.
    Meet,
    /// The order inside one rendezvous window.
    Turn,
    /// Which slot of a frame is its sync slot.
    When,
    /// Traffic hops.
    Hop,
    /// Unique words.
    Word,
    /// Header tags.
    Tag,
    /// Header encryption.
    Seal,
    /// Payload encryption.
    Data,
    /// Addressing by keys.
    Tree,
    /// Messages.
    Text,
    /// Telling one key from another without showing it.
    Print,
}

impl Label {
    /// The label's text, padded with zeros to 16 bytes: `hopwright/` and what differs.
    const fn bytes(self) -> [u8; 16] {
        let [a, b, c, d, e, f] = match self {
            Self::Pick => *b"pick\0\0",
            Self::Lane => *b"lane\0\0",
            Self::Meet => *b"meet\0\0",
            Self::Turn => *b"turn\0\0",
            Self::When => *b"when\0\0",
            Self::Hop => *b"hop\0\0\0",
            Self::Word => *b"word\0\0",
            Self::Tag => *b"tag\0\0\0",
            Self::Seal => *b"seal\0\0",
            Self::Data => *b"data\0\0",
            Self::Tree => *b"tree\0\0",
            Self::Text => *b"text\0\0",
            Self::Print => *b"print\0",
        };
        [b'h', b'o', b'p', b'w', b'r', b'i', b'g', b'h', b't', b'/', a, b, c, d, e, f]
    }
}

/// The 32-byte secret that all stations of a net share.
#[derive(Zeroize, ZeroizeOnDrop)]
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct NetKey([u8; 32]);

impl NetKey {
    /// Takes a key. The caller's own copy remains the caller's to wipe.
    #[must_use]
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Draws the subkey for one purpose. One HChaCha20 permutation.
    #[must_use]
    #[inline(never)]
    pub fn subkey(&self, label: Label) -> Subkey {
        Subkey(hchacha20(&self.0, &label.bytes()))
    }

    /// The key of what is said in the clear: 32 zeros, known to everybody.
    #[must_use]
    pub const fn of_the_clear() -> Self {
        Self([0; 32])
    }

    /// A second copy, for its keeper to wipe.
    pub(crate) const fn copy(&self) -> Self {
        Self(self.0)
    }

    /// Takes a key and wipes where it comes from.
    pub(crate) fn taken(bytes: &mut [u8; 32]) -> Self {
        let key = Self(*bytes);
        bytes.zeroize();
        key
    }

    /// `HChaCha20(K, input)`, for inputs that are no [`Label`].
    pub(crate) fn derive(&self, input: &[u8; 16]) -> Subkey {
        Subkey(hchacha20(&self.0, input))
    }

    /// What may be shown of the key, so that two stations can be compared: the bytes of the word
    /// `W(PRINT, 0, 0)`. One in 4·10^9 other keys has the same; nothing else can be learnt from it.
    #[must_use]
    pub fn fingerprint(&self) -> [u8; 4] {
        self.subkey(Label::Print).word(0, 0).to_le_bytes()
    }

    /// Hands the bytes out: for a storage, or for a recording or an order that must be able to stand
    /// alone.
    pub fn expose(&self, write: impl FnOnce(&[u8; 32])) {
        write(&self.0);
    }

    /// Whether the two keys are equal, in constant time.
    #[must_use]
    pub fn same(&self, other: &Self) -> bool {
        self.0.ct_eq(&other.0).into()
    }
}

redacted!(NetKey);

/// A key for one purpose.
#[derive(Clone)]
pub struct Subkey([u8; 32]);

impl Drop for Subkey {
    // One copy: subkeys come and go in many places.
    #[inline(never)]
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl ZeroizeOnDrop for Subkey {}

redacted!(Subkey);

impl Subkey {
    /// `HChaCha20(self, input)` as a key of its own.
    #[must_use]
    pub(crate) fn derive(&self, input: &[u8; 16]) -> Self {
        Self(hchacha20(&self.0, input))
    }

    /// The key for one purpose within what this one is for: `HChaCha20(self, label)`.
    #[must_use]
    pub fn subkey(&self, label: Label) -> Self {
        self.derive(&label.bytes())
    }

    /// The first or the second half, as a secret of the tree.
    #[must_use]
    pub(crate) fn half(&self, second: bool) -> Secret {
        let ([first, last], _) = self.0.as_chunks::<16>() else { return Secret::new([0; 16]) };
        Secret::new(if second { *last } else { *first })
    }

    /// Exclusive-ors the key onto 32 bytes.
    pub(crate) fn mask(&self, bytes: &mut [u8; 32]) {
        for (byte, key) in bytes.iter_mut().zip(&self.0) {
            *byte ^= key;
        }
    }

    /// Takes a key for one purpose that was not drawn from a net key. The caller's own copy
    /// remains the caller's to wipe.
    #[must_use]
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The word `W(label, stream, index)`; `index` counts below 2^36 (higher bits are dropped).
    ///
    /// One ChaCha20 block. Where many words are wanted, [`Words`] keeps the block.
    #[must_use]
    pub fn word(&self, stream: u32, index: u64) -> u32 {
        Words::new(stream).seldom(self, index)
    }

    /// Fills `out` with the keystream of `stream` from block `first_block` on: four bytes a word.
    /// For filling tables on machines with wide registers.
    pub(crate) fn fill(&self, stream: u32, first_block: u32, out: &mut [u8]) {
        out.fill(0);
        let mut cipher = ChaCha20::new((&self.0).into(), (&nonce(stream)).into());
        // Neither call can fail: ordinals end at 2^32, a sixteenth of the cipher's range.
        let _ = cipher.try_seek(u64::from(first_block).wrapping_mul(64));
        let _ = cipher.try_apply_keystream(out);
    }

    /// The first 8 bytes of `HChaCha20(self, input)`.
    #[must_use]
    pub(crate) fn tag(&self, input: &[u8; 16]) -> [u8; 8] {
        let mut whole = [0; 64];
        hblock(&self.0, input, &mut whole);
        let tag = first8(&whole);
        whole.zeroize();
        tag
    }

    /// The first 8 bytes of the ChaCha20 keystream (RFC 8439) under `nonce`, counter 0.
    #[must_use]
    pub(crate) fn pad(&self, nonce: &[u8; 12]) -> [u8; 8] {
        let mut whole = [0; 64];
        block(&self.0, 0, nonce, &mut whole);
        let pad = first8(&whole);
        whole.zeroize();
        pad
    }

    /// Exclusive-ors `data` with the ChaCha20 keystream under `nonce` from counter 0.
    pub(crate) fn apply(&self, nonce: &[u8; 12], data: &mut [u8]) {
        self.apply_from(nonce, 0, data);
    }

    /// As [`apply`](Self::apply), from block `first` of the keystream, which ends at 2^38 bytes.
    pub(crate) fn apply_from(&self, nonce: &[u8; 12], first: u32, data: &mut [u8]) {
        let mut keystream = [0; 64];
        for (number, data) in (first..).zip(data.chunks_mut(64)) {
            block(&self.0, number, nonce, &mut keystream);
            for (byte, key) in data.iter_mut().zip(&keystream) {
                *byte ^= key;
            }
        }
        keystream.zeroize();
    }
}

/// A reader of keyed words that keeps the last block, so that words read in order cost a
/// sixteenth of a block each.
#[cfg_attr(feature = "_model", derive(Clone))]
pub struct Words {
    stream: u32,
    /// Number of the block kept; `None` before the first read.
    number: Option<u32>,
    block: [u8; 64],
}

impl Words {
    /// A reader of `stream`.
    #[must_use]
    pub const fn new(stream: u32) -> Self {
        Self { stream, number: None, block: [0; 64] }
    }

    /// The word `W(label, stream, index)` under the subkey for that label. At most one block.
    /// A reader must be used with one subkey only.
    #[must_use]
    #[inline]
    pub fn word(&mut self, key: &Subkey, index: u64) -> u32 {
        #[expect(clippy::cast_possible_truncation, reason = "indices count below 2^36")]
        let number = (index >> 4) as u32;
        if self.number != Some(number) {
            self.load(key, number);
        }
        let (words, _) = self.block.as_chunks::<4>();
        u32::from_le_bytes(words.get((index & 15) as usize).copied().unwrap_or_default())
    }

    /// [`word`](Self::word) where it need not be quick.
    #[inline(never)]
    pub(crate) fn seldom(&mut self, key: &Subkey, index: u64) -> u32 {
        self.word(key, index)
    }

    /// Hands the words `from..to` out in order, a block at a time.
    #[inline]
    fn each(&mut self, key: &Subkey, from: u32, to: u32, mut take: impl FnMut(u32)) {
        let mut index = from;
        let mut cipher = None;
        while index < to {
            let number = index >> 4;
            if self.number != Some(number) {
                let nonce = nonce(self.stream);
                // From then on one block follows another.
                write_block(
                    cipher.get_or_insert_with(|| at_block(&key.0, number, &nonce)),
                    &mut self.block,
                );
                self.number = Some(number);
            }
            let (words, _) = self.block.as_chunks::<4>();
            let some = to.wrapping_sub(index) as usize;
            for word in words.iter().skip((index & 15) as usize).take(some) {
                take(u32::from_le_bytes(*word));
            }
            index = (index | 15).saturating_add(1);
        }
    }

    /// Reads the block `number` of the stream. Apart, so that what is inlined above stays small.
    #[inline(never)]
    fn load(&mut self, key: &Subkey, number: u32) {
        block(&key.0, number, &nonce(self.stream), &mut self.block);
        self.number = Some(number);
    }
}

impl Drop for Words {
    #[inline(never)]
    fn drop(&mut self) {
        self.block.zeroize();
    }
}

redacted!(Words);

/// Maps a keyed word onto `0..n`: `floor(w * n / 2^32)`.
///
/// The relative bias is below `n / 2^32`, at most one part in a million for 4096 channels.
///
/// ```
/// # use hopwright_core::keys::uniform;
/// assert_eq!(uniform(0x8000_0000, 50), 25);
/// assert_eq!(uniform(u32::MAX, 50), 49);
/// ```
#[must_use]
#[inline]
pub const fn uniform(word: u32, n: u32) -> u32 {
    ((word as u64).wrapping_mul(n as u64) >> 32) as u32
}

/// Shuffles `list` by the forward Fisher–Yates method with the words
/// `W(label, stream, base + k)`. One block a 16 entries.
pub fn shuffle<T>(key: &Subkey, stream: u32, base: u64, list: &mut [T]) {
    shuffle_with(key, &mut Words::new(stream), base, list);
}

/// [`shuffle`] with a reader that may already hold the block.
pub(crate) fn shuffle_with<T>(key: &Subkey, words: &mut Words, base: u64, list: &mut [T]) {
    let (mut rest, mut index) = (list, base);
    // The last entry has no choice left, and needs no word.
    while rest.len() > 1 {
        draw_first(rest, words.seldom(key, index));
        rest = rest.get_mut(1..).unwrap_or_default();
        index = index.wrapping_add(1);
    }
}

/// Draws entries `from..to` of a forward Fisher–Yates shuffle of `list`, in place, with the words
/// `W(label, stream, base + k)`. Entries below `from` have been drawn before. (Ordinals of traffic slots
/// end before 2^32.)
pub(crate) fn draw_forward<T>(
    key: &Subkey,
    words: &mut Words,
    base: u32,
    list: &mut [T],
    from: u32,
    to: u32,
) {
    // The last entry has no choice left, and needs no word.
    let choices = u32::try_from(list.len()).unwrap_or(u32::MAX).saturating_sub(1);
    let mut rest = list.get_mut(from as usize..).unwrap_or_default();
    let (from, to) = (from.min(choices), to.min(choices));
    let first = base.wrapping_add(from);
    if to == from.wrapping_add(1) {
        // One after another, as a rule.
        draw_first(rest, words.word(key, first.into()));
        return;
    }
    words.each(key, first, base.wrapping_add(to), |word| {
        let list = core::mem::take(&mut rest);
        draw_first(list, word);
        rest = list.get_mut(1..).unwrap_or_default();
    });
}

/// Swaps the first entry with one that a word chooses, itself among them.
#[inline]
fn draw_first<T>(list: &mut [T], word: u32) {
    let left = u32::try_from(list.len()).unwrap_or(u32::MAX);
    let Some((first, others)) = list.split_first_mut() else { return };
    // The first entry drawn stays where it is: there is no place before the others.
    if let Some(other) = others.get_mut((uniform(word, left) as usize).wrapping_sub(1)) {
        core::mem::swap(first, other);
    }
}

/// The nonce of a stream of keyed words.
const fn nonce(stream: u32) -> [u8; 12] {
    let [a, b, c, d] = stream.to_le_bytes();
    [a, b, c, d, 0, 0, 0, 0, 0, 0, 0, 0]
}

/// The ChaCha20 block number `counter` under `nonce` (RFC 8439 section 2.3).
fn block(key: &[u8; 32], counter: u32, nonce: &[u8; 12], out: &mut [u8; 64]) {
    write_block(&mut at_block(key, counter, nonce), out);
}

/// The cipher before its block number `counter`.
#[inline(never)]
fn at_block(key: &[u8; 32], counter: u32, nonce: &[u8; 12]) -> ChaChaCore<R20, Ietf> {
    let mut cipher = ChaChaCore::new(key.into(), nonce.into());
    cipher.set_block_pos(counter);
    cipher
}

/// Writes the block that is next.
///
/// The one copy of the permutation in the whole core: inlined, it would be a tenth of the flash.
#[inline(never)]
fn write_block(cipher: &mut ChaChaCore<R20, Ietf>, out: &mut [u8; 64]) {
    cipher.write_keystream_block(out.into());
}

/// The constants at the head of a ChaCha20 state (RFC 8439 section 2.3).
const CONSTANTS: &[u8; 16] = b"expand 32-byte k";

/// Writes `HChaCha20(key, input)` to the first and the last row of `out`, from the block function:
/// a block is the permuted state plus the state, and HChaCha20 is the first and the last row of
/// the permuted state. Before, these held the constants and the input.
fn hblock(key: &[u8; 32], input: &[u8; 16], out: &mut [u8; 64]) {
    let [a, b, c, d, nonce @ ..] = input;
    block(key, u32::from_le_bytes([*a, *b, *c, *d]), nonce, out);
    if let ([first, _, _, last], _) = out.as_chunks_mut::<16>() {
        subtract(first, CONSTANTS);
        subtract(last, input);
    }
}

/// Takes the words of `before` off those of `row`.
#[inline(never)]
fn subtract(row: &mut [u8; 16], before: &[u8; 16]) {
    let (row, _) = row.as_chunks_mut::<4>();
    let (before, _) = before.as_chunks::<4>();
    for (word, before) in row.iter_mut().zip(before) {
        *word = u32::from_le_bytes(*word).wrapping_sub(u32::from_le_bytes(*before)).to_le_bytes();
    }
}

fn hchacha20(key: &[u8; 32], input: &[u8; 16]) -> [u8; 32] {
    let mut whole = [0; 64];
    hblock(key, input, &mut whole);
    let mut out = [0; 32];
    if let ([first, _, _, last], _) = whole.as_chunks::<16>() {
        put(&mut out, 0, first);
        put(&mut out, 16, last);
    }
    whole.zeroize();
    out
}

fn first8(bytes: &[u8]) -> [u8; 8] {
    bytes.first_chunk().copied().unwrap_or_default()
}

/// Copies `value` into `to` at `at`; bytes that do not fit are dropped.
pub(crate) fn put(to: &mut [u8], at: usize, value: &[u8]) {
    for (to, from) in to.iter_mut().skip(at).zip(value) {
        *to = *from;
    }
}

/// Gives a type formatters that print its name and nothing else.
macro_rules! redacted {
    ($name:ident) => {
        redacted!($name, stringify!($name));
    };
    ($type:ty, $name:expr) => {
        impl core::fmt::Debug for $type {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                f.write_str(concat!($name, "(..)"))
            }
        }

        #[cfg(feature = "defmt")]
        impl defmt::Format for $type {
            fn format(&self, f: defmt::Formatter<'_>) {
                defmt::write!(f, "{=str}(..)", $name);
            }
        }
    };
}
pub(crate) use redacted;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The one block function serves for HChaCha20 too: against the cipher crate's own.
        #[test]
        fn hchacha20_agrees_with_the_cipher_crate(key: [u8; 32], input: [u8; 16]) {
            let theirs: [u8; 32] = chacha20::hchacha::<R20>((&key).into(), (&input).into()).into();
            prop_assert_eq!(hchacha20(&key, &input), theirs);
        }

        /// Four bytes of the keystream under the label's own subkey, by the cipher crate.
        #[test]
        fn a_fingerprint_is_the_first_word_of_its_label(key: [u8; 32]) {
            let label = b"hopwright/print\0";
            let subkey: [u8; 32] = chacha20::hchacha::<R20>((&key).into(), label.into()).into();
            let mut theirs = [0; 4];
            ChaCha20::new((&subkey).into(), (&[0; 12]).into()).apply_keystream(&mut theirs);
            prop_assert_eq!(NetKey::new(key).fingerprint(), theirs);
        }

        #[test]
        fn a_mask_is_an_exclusive_or(key: [u8; 32], bytes: [u8; 32]) {
            let mut masked = bytes;
            Subkey(key).mask(&mut masked);
            let expected: [u8; 32] = core::array::from_fn(|i| key[i] ^ bytes[i]);
            prop_assert_eq!(masked, expected);
        }

        /// Block by block is the same as the cipher crate's stream.
        #[test]
        fn apply_agrees_with_the_cipher_crate(
            key: [u8; 32],
            nonce: [u8; 12],
            mut data in proptest::collection::vec(any::<u8>(), 0..512),
        ) {
            let mut theirs = data.clone();
            ChaCha20::new((&key).into(), (&nonce).into()).apply_keystream(&mut theirs);
            Subkey(key).apply(&nonce, &mut data);
            prop_assert_eq!(data, theirs);
        }
    }
}
