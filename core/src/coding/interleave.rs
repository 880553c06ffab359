//! A sealed header as the 264 bits of a slot: eleven Golay words, interleaved.
//!
//! Sixteen bytes, most significant bits first, and four zero bits make eleven 12-bit messages;
//! their code words are the rows of a table that is sent by columns, so a burst of up to 33
//! consecutive wrong bits puts no more than three into any word and is corrected whole.

use super::golay::{COLUMNS, ROWS};

/// Code words in a header.
pub const WORDS: usize = 11;
/// Bits of a coded header.
pub const HEADER_BITS: u32 = 264;
/// Bytes of a coded header.
pub const HEADER_BYTES: usize = 33;

/// The coded bits of a slot that carries a header, first bit most significant.
pub type HeaderBits = [u8; HEADER_BYTES];

/// One bit of each of the eleven words: bit 10 belongs to the first word, bit 0 to the last.
type Column = u32;
/// All eleven bits of a column.
const ALL: Column = 0x7FF;
/// A second column may live in the upper half of the same register.
const UPPER: u32 = 16;

/// Codes the sixteen bytes of a sealed header.
#[must_use]
pub fn encode(sealed: &[u8; 16]) -> HeaderBits {
    let message = to_columns(*sealed);
    let parity = multiply(&message);
    let mut bits = [0; HEADER_BYTES];
    let mut sink = bits.iter_mut();
    let (mut held, mut count) = (0_u32, 0_u32);
    for column in message.iter().chain(&parity) {
        held = (held << WORDS) | column;
        count = count.wrapping_add(11);
        while count >= 8 {
            count = count.wrapping_sub(8);
            if let Some(byte) = sink.next() {
                let [_, _, _, low] = (held >> count).to_be_bytes();
                *byte = low;
            }
        }
    }
    bits
}

/// A decoded slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Decoded {
    /// The sixteen bytes; a best effort, for the tag to judge.
    pub sealed: [u8; 16],
    /// The four bits behind them, which are zero as sent.
    spare: u32,
    /// Words for which an error pattern of weight 3 or less was found, and the weights' units
    /// and twos.
    found: Column,
    ones: Column,
    twos: Column,
}

impl Decoded {
    /// The number of bits corrected; `None` if any word was beyond correction or the four spare
    /// bits were not zero.
    #[must_use]
    pub fn corrected(&self) -> Option<u8> {
        let sum = self.ones.count_ones().wrapping_add(self.twos.count_ones().wrapping_mul(2));
        if self.found == ALL && self.spare == 0 { u8::try_from(sum).ok() } else { None }
    }
}

/// Decodes the first 264 bits of a slot.
///
/// The interleaver hands over the same bit of all eleven words together, so all eleven are
/// decoded at once, one bit of a register each; what leans on the first syndrome lives in the
/// lower half of the registers, what leans on the second in the upper. No branch and no address
/// depends on the bits: every input takes the same time.
#[must_use]
pub fn decode(bits: &HeaderBits) -> Decoded {
    let (mut message, parity) = read_columns(bits);
    // With the error split into (e1, e2): s1 = e1 B + e2 and s2 = e1 + e2 B^T. (See `golay`.)
    let mut syndromes = multiply(&message);
    for (s1, parity) in syndromes.iter_mut().zip(parity) {
        *s1 ^= parity;
    }
    let s2 = multiply(&syndromes.map(|s1| s1 << UPPER));
    for (syndromes, s2) in syndromes.iter_mut().zip(s2) {
        *syndromes |= s2;
    }
    let mut decoded = Decoded { sealed: [0; 16], spare: 0, found: 0, ones: 0, twos: 0 };
    // Errors in the parity alone, or in the message alone.
    let (ones, twos, over) = weigh(&syndromes, &[0; 12]);
    let fits = !over;
    decoded.note(fits, ones, twos);
    let mut error = syndromes.map(|s| s & fits & (ALL << UPPER));
    // One error in one half, up to two in the other. A pattern with an error in each half is
    // found from both ends: or, not exclusive or.
    for (at, masks) in MASKS.iter().enumerate() {
        let (ones, twos, over) = weigh(&syndromes, masks);
        let fits = !(over | (ones & twos));
        decoded.note(fits, !ones, ones | twos);
        for ((error, syndromes), mask) in error.iter_mut().zip(&syndromes).zip(masks) {
            *error |= (syndromes ^ mask) & fits & (ALL << UPPER);
        }
        if let Some(error) = error.get_mut(at) {
            *error |= fits & ALL;
        }
    }
    for (message, error) in message.iter_mut().zip(error) {
        *message ^= either(error);
    }
    (decoded.sealed, decoded.spare) = from_columns(message);
    decoded
}

impl Decoded {
    /// Takes note of patterns that fit, from either half, with their weights in binary. Whatever
    /// fits a word is the same pattern, because the code's distance is 8.
    fn note(&mut self, fits: u32, ones: u32, twos: u32) {
        self.found |= either(fits);
        self.ones |= either(fits & ones);
        self.twos |= either(fits & twos);
    }
}

/// The columns of both halves together.
const fn either(bits: u32) -> Column {
    (bits | (bits >> UPPER)) & ALL
}

/// The matrix `B` of the code in the lower half, its transpose in the upper, every bit spread
/// over a column.
const MASKS: [[u32; 12]; 12] = masks();

const fn masks() -> [[u32; 12]; 12] {
    let mut all = [[0; 12]; 12];
    let mut rest = all.as_mut_slice();
    let (mut rows, mut columns) = (ROWS.as_slice(), COLUMNS.as_slice());
    while let ([masks, more @ ..], [row, rs @ ..], [column, cs @ ..]) = (rest, rows, columns) {
        let mut places = masks.as_mut_slice();
        let mut bit = 0x800;
        while let [mask, others @ ..] = places {
            let lower = if *row & bit != 0 { ALL } else { 0 };
            let upper = if *column & bit != 0 { ALL } else { 0 };
            *mask = lower | (upper << UPPER);
            bit >>= 1;
            places = others;
        }
        (rest, rows, columns) = (more, rs, cs);
    }
    all
}

/// Counts, for each bit position of twelve registers, the ones after exclusive-oring `masks` in:
/// units, twos, and whether there were four or more.
#[inline(never)]
fn weigh(bits: &[u32; 12], masks: &[u32; 12]) -> (u32, u32, u32) {
    let (mut ones, mut twos, mut over) = (0, 0, 0);
    let mut count = |bit: u32, mask: u32| {
        let bit = bit ^ mask;
        let carry = ones & bit;
        ones ^= bit;
        over |= twos & carry;
        twos ^= carry;
    };
    // Four at a time: compilers that optimise for size do not unroll loops.
    let (bits, _) = bits.as_chunks();
    let (masks, _) = masks.as_chunks();
    for ([b0, b1, b2, b3], [m0, m1, m2, m3]) in bits.iter().zip(masks) {
        count(*b0, *m0);
        count(*b1, *m1);
        count(*b2, *m2);
        count(*b3, *m3);
    }
    (ones, twos, over)
}

/// The product of twelve columns with `B` (columns in the lower half) or its transpose (columns
/// in the upper), for all words at once.
#[inline(never)]
fn multiply(columns: &[u32; 12]) -> [u32; 12] {
    let mut product = [0; 12];
    for (column, masks) in columns.iter().zip(&MASKS) {
        let (sums, _) = product.as_chunks_mut();
        let (masks, _) = masks.as_chunks();
        for ([s0, s1, s2, s3], [m0, m1, m2, m3]) in sums.iter_mut().zip(masks) {
            *s0 ^= column & m0;
            *s1 ^= column & m1;
            *s2 ^= column & m2;
            *s3 ^= column & m3;
        }
    }
    product
}

/// The columns of 264 bits: twelve of messages, twelve of parities.
fn read_columns(bits: &HeaderBits) -> ([Column; 12], [Column; 12]) {
    let (mut message, mut parity) = ([0; 12], [0; 12]);
    let mut bytes = bits.iter();
    let (mut held, mut count) = (0_u32, 0_u32);
    for column in message.iter_mut().chain(&mut parity) {
        while count < 11 {
            held = (held << 8) | u32::from(bytes.next().copied().unwrap_or_default());
            count = count.wrapping_add(8);
        }
        count = count.wrapping_sub(11);
        *column = (held >> count) & ALL;
    }
    (message, parity)
}

/// The message columns of sixteen bytes and four zero bits.
fn to_columns(sealed: [u8; 16]) -> [Column; 12] {
    let mut table = [0; 16];
    let mut bytes = sealed.iter();
    let (mut held, mut count) = (0_u32, 0_u32);
    for row in table.iter_mut().take(WORDS) {
        while count < 12 {
            held = (held << 8) | u32::from(bytes.next().copied().unwrap_or_default());
            count = count.wrapping_add(8);
        }
        count = count.wrapping_sub(12);
        *row = ((held >> count) & 0xFFF) << 4;
    }
    transpose(&mut table);
    let mut columns = [0; 12];
    for (column, row) in columns.iter_mut().zip(table) {
        *column = row >> 5;
    }
    columns
}

/// Sixteen bytes and the four spare bits of message columns.
fn from_columns(columns: [Column; 12]) -> ([u8; 16], u32) {
    let mut table = [0; 16];
    for (row, column) in table.iter_mut().zip(columns) {
        *row = column << 5;
    }
    transpose(&mut table);
    let mut bytes = [0; 16];
    let mut sink = bytes.iter_mut();
    let (mut held, mut count) = (0_u32, 0_u32);
    for row in table.iter().take(WORDS) {
        held = (held << 12) | (row >> 4);
        count = count.wrapping_add(12);
        while count >= 8 {
            count = count.wrapping_sub(8);
            if let Some(byte) = sink.next() {
                let [_, _, _, low] = (held >> count).to_be_bytes();
                *byte = low;
            }
        }
    }
    // 132 bits: after sixteen bytes four are left.
    (bytes, held & 0xF)
}

/// Transposes a table of 16 by 16 bits, first row first, first bit of a row most significant:
/// four times, the upper right and the lower left quarter of every square are exchanged.
/// (H. S. Warren, Hacker's Delight, chapter 7, citation from memory.)
fn transpose(table: &mut [u32; 16]) {
    exchange::<8, 16>(table, 0x00FF);
    exchange::<4, 8>(table, 0x0F0F);
    exchange::<2, 4>(table, 0x3333);
    exchange::<1, 2>(table, 0x5555);
}

/// One round of [`transpose`] over squares of `SIDE = 2 HALF`; `right` selects their right halves.
#[inline]
fn exchange<const HALF: usize, const SIDE: usize>(table: &mut [u32; 16], right: u32) {
    let (squares, _) = table.as_chunks_mut::<SIDE>();
    for square in squares {
        let (upper, lower) = square.split_at_mut(HALF);
        for (upper, lower) in upper.iter_mut().zip(lower) {
            let differ = (*upper ^ (*lower >> HALF)) & right;
            *upper ^= differ;
            *lower ^= differ << HALF;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sparse;
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

    /// Word by word, by the readable decoder.
    fn plain(bits: &HeaderBits) -> ([u8; 16], Option<u8>) {
        let bit = |at: usize| u32::from(bits[at / 8] >> (7 - at % 8) & 1);
        let word = |j: usize| (0..24).fold(0, |word, i| word << 1 | bit(11 * i + j));
        let (mut sealed, mut corrected) = (0_u128, Some(0_u8));
        for j in 0..WORDS {
            let decoded = crate::coding::golay::decode(word(j));
            corrected = corrected.zip(decoded.corrected).map(|(sum, more)| sum + more);
            let message = u128::from(decoded.message);
            if j < 10 {
                sealed = sealed << 12 | message;
            } else {
                sealed = sealed << 8 | message >> 4;
                corrected = corrected.filter(|_| message & 0xF == 0);
            }
        }
        (sealed.to_be_bytes(), corrected)
    }

    /// All eleven words at once agree with one after another, for every pattern of up to four
    /// errors in a word: the other ten words carry other patterns at the same time.
    #[test]
    fn decoding_together_agrees_with_decoding_singly() {
        let mut patterns = std::vec::Vec::new();
        for a in 0..24_u32 {
            patterns.push(1_u32 << a);
            for b in 0..a {
                patterns.push(1 << a | 1 << b);
                for c in 0..b {
                    patterns.push(1 << a | 1 << b | 1 << c);
                    patterns.push(1 << a | 1 << b | 1 << c | 1 << ((a + 7) % 24));
                }
            }
        }
        for (n, group) in patterns.chunks(WORDS).enumerate().step_by(sparse(13)) {
            let mut sealed = [0; 16];
            for (i, byte) in sealed.iter_mut().enumerate() {
                *byte = u8::try_from((n * 31 + i * 97) % 251).unwrap();
            }
            let mut bits = encode(&sealed);
            for (j, pattern) in group.iter().enumerate() {
                for i in (0..24).filter(|i| pattern >> (23 - i) & 1 == 1) {
                    let at = 11 * i + j;
                    bits[at / 8] ^= 0x80 >> (at % 8);
                }
            }
            let decoded = decode(&bits);
            let together = (decoded.sealed, decoded.corrected());
            assert_eq!(together, plain(&bits), "{group:06X?}");
        }
    }

    proptest! {
        #[test]
        fn arbitrary_bits_decode_alike(bits in proptest::array::uniform32(any::<u8>()), last: u8) {
            let mut whole = [last; HEADER_BYTES];
            whole[..32].copy_from_slice(&bits);
            let decoded = decode(&whole);
            prop_assert_eq!((decoded.sealed, decoded.corrected()), plain(&whole));
        }

        #[test]
        fn round_trip(sealed: [u8; 16]) {
            let decoded = decode(&encode(&sealed));
            prop_assert_eq!((decoded.sealed, decoded.corrected()), (sealed, Some(0)));
        }

        #[test]
        fn a_burst_of_33_bits_is_corrected(sealed: [u8; 16], start in 0_usize..232, noise: u64) {
            let mut bits = encode(&sealed);
            for i in 0..33 {
                if noise >> i & 1 == 1 {
                    bits[(start + i) / 8] ^= 0x80 >> ((start + i) % 8);
                }
            }
            prop_assert_eq!(decode(&bits).sealed, sealed);
        }
    }
}
