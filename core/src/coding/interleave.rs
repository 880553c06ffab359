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
    let parity = multiply(&message, &ROWS);
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

/// Decodes the first 264 bits of a slot. The second value is the number of bits corrected, or
/// `None` if any word was beyond correction or the four spare bits were not zero; the bytes are
/// then a best effort that the tag will refuse.
///
/// The interleaver hands over the same bit of all eleven words together, so all eleven are
/// decoded at once, one bit of a register each. No branch and no address depends on the bits:
/// every input takes the same time.
#[must_use]
pub fn decode(bits: &HeaderBits) -> ([u8; 16], Option<u8>) {
    let (mut message, parity) = read_columns(bits);
    // With the error split into (e1, e2): s1 = e1 B + e2 and s2 = e1 + e2 B^T. (See `golay`.)
    let mut s1 = multiply(&message, &ROWS);
    for (s1, parity) in s1.iter_mut().zip(parity) {
        *s1 ^= parity;
    }
    let s2 = multiply(&s1, &COLUMNS);
    let mut both = [0; 12];
    for ((both, s1), s2) in both.iter_mut().zip(s1).zip(s2) {
        *both = s1 | (s2 << UPPER);
    }
    let mut found = Found::default();
    // Errors in the parity alone, or in the message alone.
    let (ones, twos, over) = weigh(&both, 0, 0);
    let fits = !over;
    found.note(fits, ones, twos);
    let mut error = s2.map(|s2| s2 & upper(fits));
    // One error in one half, up to two in the other.
    let mut at = 0;
    for (row, column) in ROWS.iter().zip(COLUMNS) {
        let (ones, twos, over) = weigh(&both, *row, column);
        let fits = !(over | (ones & twos));
        found.note(fits, !ones, ones | twos);
        // A pattern with an error in each half is found from both ends: or, not exclusive or.
        for (k, (error, s2)) in error.iter_mut().zip(s2).enumerate() {
            let in_message = if k == at { fits & ALL } else { 0 };
            *error |= in_message | ((s2 ^ spread(column, k)) & upper(fits));
        }
        at = at.wrapping_add(1);
    }
    for (message, error) in message.iter_mut().zip(error) {
        *message ^= error;
    }
    let (sealed, spare) = from_columns(message);
    (sealed, found.corrected().filter(|_| spare == 0))
}

/// The weights of the error patterns that were found. Whatever fits a word is the same pattern,
/// because the code's distance is 8.
#[derive(Default)]
struct Found {
    any: Column,
    ones: Column,
    twos: Column,
}

impl Found {
    /// Takes note of patterns that fit, from either half, with their weights in binary.
    fn note(&mut self, fits: u32, ones: u32, twos: u32) {
        let either = |bits: u32| (bits & ALL) | upper(bits);
        self.any |= either(fits);
        self.ones |= either(fits & ones);
        self.twos |= either(fits & twos);
    }

    /// The number of wrong bits of all words, if every word has a pattern.
    fn corrected(&self) -> Option<u8> {
        let sum = self.ones.count_ones().wrapping_add(self.twos.count_ones().wrapping_mul(2));
        if self.any == ALL { u8::try_from(sum).ok() } else { None }
    }
}

/// The column in the upper half of a register.
const fn upper(bits: u32) -> Column {
    (bits >> UPPER) & ALL
}

/// Counts, for the lower and the upper half of each of twelve registers, the ones in each bit
/// position after exclusive-oring the twelve bits of `lower` and `upper` in: units, twos, and
/// whether there were four or more.
#[inline]
fn weigh(bits: &[u32; 12], lower: u16, upper: u16) -> (u32, u32, u32) {
    let (mut ones, mut twos, mut over) = (0, 0, 0);
    for (k, bit) in bits.iter().enumerate() {
        let bit = bit ^ spread(lower, k) ^ (spread(upper, k) << UPPER);
        let carry = ones & bit;
        ones ^= bit;
        over |= twos & carry;
        twos ^= carry;
    }
    (ones, twos, over)
}

/// All eleven bits if bit `k` (0 = most significant of 12) of `pattern` is set, else none.
#[inline]
const fn spread(pattern: u16, k: usize) -> Column {
    let bit = (pattern as u32 >> 11_usize.wrapping_sub(k)) & 1;
    bit.wrapping_neg() & ALL
}

/// The product of twelve columns with a matrix of rows, for all words at once.
#[inline]
fn multiply(columns: &[Column; 12], rows: &[u16; 12]) -> [Column; 12] {
    let mut product = [0; 12];
    for (column, row) in columns.iter().zip(rows) {
        for (k, sum) in product.iter_mut().enumerate() {
            *sum ^= column & spread(*row, k);
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
    let mut rest = u128::from_be_bytes(sealed);
    let mut columns = [0; 12];
    for _ in 0..WORDS {
        for column in &mut columns {
            *column = (*column << 1) | u32::from(rest >> 127 != 0);
            rest <<= 1;
        }
    }
    columns
}

/// Sixteen bytes and the four spare bits of message columns.
fn from_columns(mut columns: [Column; 12]) -> ([u8; 16], u32) {
    let mut bytes = [0; 16];
    let mut sink = bytes.iter_mut();
    let (mut held, mut count) = (0_u32, 0_u32);
    for _ in 0..WORDS {
        for column in &mut columns {
            *column <<= 1;
            held = (held << 1) | ((*column >> WORDS) & 1);
        }
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
        for (n, group) in patterns.chunks(WORDS).enumerate() {
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
            assert_eq!(decode(&bits), plain(&bits), "{group:06X?}");
        }
    }

    proptest! {
        #[test]
        fn arbitrary_bits_decode_alike(bits in proptest::array::uniform32(any::<u8>()), last: u8) {
            let mut whole = [last; HEADER_BYTES];
            whole[..32].copy_from_slice(&bits);
            prop_assert_eq!(decode(&whole), plain(&whole));
        }

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
