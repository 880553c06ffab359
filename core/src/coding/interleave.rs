//! A sealed header as the 264 bits of a slot: eleven Golay words, interleaved.
//!
//! Sixteen bytes, most significant bits first, and four zero bits make eleven 12-bit messages;
//! their code words are the rows of a table that is sent by columns, so a burst of up to 33
//! consecutive wrong bits puts no more than three into any word and is corrected whole.

use super::golay;

/// Code words in a header.
pub const WORDS: usize = 11;
/// Bits of a coded header.
pub const HEADER_BITS: u32 = 264;
/// Bytes of a coded header.
pub const HEADER_BYTES: usize = 33;

/// The coded bits of a slot that carries a header, first bit most significant.
pub type HeaderBits = [u8; HEADER_BYTES];

/// Codes the sixteen bytes of a sealed header.
#[must_use]
pub fn encode(sealed: &[u8; 16]) -> HeaderBits {
    let mut shift = u128::from_be_bytes(*sealed);
    let mut words = [0; WORDS];
    for word in &mut words {
        // The eleventh message is the last 8 bits and four zeros, which the shifting supplies.
        let message = (shift >> 116) as u16;
        *word = golay::encode(message) << 8;
        shift <<= 12;
    }
    let mut bits = HeaderBits::default_bits();
    let mut sink = BitSink::new(&mut bits);
    for _column in 0..24 {
        for word in &mut words {
            sink.push(*word >> 31);
            *word <<= 1;
        }
    }
    bits
}

/// Decodes the first 264 bits of a slot. The second value is the number of bits corrected, or
/// `None` if any word was beyond correction or the four spare bits were not zero; the bytes are
/// then a best effort that the tag will refuse. Takes the same time for every input.
#[must_use]
pub fn decode(bits: &HeaderBits) -> ([u8; 16], Option<u8>) {
    let mut words = [0_u32; WORDS];
    let mut source = bits.iter().flat_map(|byte| (0..8).rev().map(move |i| (byte >> i) & 1));
    for _column in 0..24 {
        for word in &mut words {
            *word = (*word << 1) | u32::from(source.next().unwrap_or_default());
        }
    }
    let mut sealed = 0_u128;
    let mut corrected = Some(0_u8);
    for (position, word) in words.iter().enumerate() {
        let decoded = golay::decode(*word);
        corrected = match (corrected, decoded.corrected) {
            (Some(sum), Some(more)) => Some(sum.saturating_add(more)),
            (None, _) | (_, None) => None,
        };
        if position < 10 {
            sealed = (sealed << 12) | u128::from(decoded.message);
        } else {
            sealed = (sealed << 8) | u128::from(decoded.message >> 4);
            if decoded.message & 0xF != 0 {
                corrected = None;
            }
        }
    }
    (sealed.to_be_bytes(), corrected)
}

/// Arrays longer than 32 have no `Default` in `core`.
trait DefaultBits {
    fn default_bits() -> Self;
}

impl DefaultBits for HeaderBits {
    fn default_bits() -> Self {
        [0; HEADER_BYTES]
    }
}

/// Packs bits into bytes, first bit most significant.
struct BitSink<'a> {
    rest: core::slice::IterMut<'a, u8>,
    byte: Option<&'a mut u8>,
    left: u8,
}

impl<'a> BitSink<'a> {
    fn new(bytes: &'a mut [u8]) -> Self {
        Self { rest: bytes.iter_mut(), byte: None, left: 0 }
    }

    fn push(&mut self, bit: u32) {
        if self.left == 0 {
            self.byte = self.rest.next();
            self.left = 8;
        }
        self.left = self.left.wrapping_sub(1);
        if let Some(byte) = &mut self.byte {
            **byte |= u8::from(bit != 0) << self.left;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn rows_are_sent_by_columns() {
        // Only the first message is not zero: its code word 0x800C75 lands on every 11th bit.
        let mut sealed = [0; 16];
        sealed[0] = 0x80;
        let bits = encode(&sealed);
        for i in 0..24 {
            let at = 11 * i;
            let bit = bits[at / 8] >> (7 - at % 8) & 1;
            assert_eq!(u32::from(bit), 0x80_0C75 >> (23 - i) & 1, "bit {i}");
        }
        assert_eq!(bits.iter().map(|b| b.count_ones()).sum::<u32>(), 0x80_0C75_u32.count_ones());
    }

    proptest! {
        #[test]
        fn round_trip(sealed: [u8; 16]) {
            prop_assert_eq!(decode(&encode(&sealed)), (sealed, Some(0)));
        }

        #[test]
        fn a_burst_of_33_bits_is_corrected(sealed: [u8; 16], start in 0_usize..232, noise: u64) {
            let mut bits = encode(&sealed);
            for i in 0..33 {
                if noise >> i & 1 == 1 {
                    bits[(start + i) / 8] ^= 0x80 >> ((start + i) % 8);
                }
            }
            prop_assert_eq!(decode(&bits).0, sealed);
        }
    }
}
