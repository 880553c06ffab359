//! The extended binary Golay code (24, 12, 8): corrects any 3 wrong bits of 24.
//!
//! Generator `x^11 + x^10 + x^6 + x^5 + x^4 + x^2 + 1` (0xC75), systematic, even overall parity
//! as the last bit. Decoding takes the same steps for every input: all 26 candidate error
//! patterns are weighed and the right one is selected by masks, so its duration says nothing
//! about the word. (Method: the weight of the two syndromes, with the self-duality of the code;
//! F. J. MacWilliams and N. J. A. Sloane, The Theory of Error-Correcting Codes, chapter 2,
//! citation from memory.)

/// Parity rows: row `i` is the parity of the message with only bit `11 - i` (most significant
/// first) set.
pub(super) const ROWS: [u16; 12] = rows();
/// The transpose of [`ROWS`].
pub(super) const COLUMNS: [u16; 12] = transpose(ROWS);

/// A decoded word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Decoded {
    /// The 12 message bits.
    pub message: u16,
    /// How many bits were corrected, 0 to 3; `None` if the word is further than 3 bits from
    /// every code word (the message is then the received one, uncorrected).
    pub corrected: Option<u8>,
}

/// Encodes the low 12 bits of `message` into 24 bits, message first.
///
/// ```
/// # use hopwright_core::coding::golay::encode;
/// assert_eq!(encode(0xABC), 0xAB_C23C);
/// ```
#[must_use]
pub const fn encode(message: u16) -> u32 {
    let message = message & 0xFFF;
    ((message as u32) << 12) | multiply(message, &ROWS) as u32
}

/// Decodes 24 received bits. Constant time.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "halves of a 24-bit word, masked to 12 bits")]
pub const fn decode(received: u32) -> Decoded {
    let message = ((received >> 12) & 0xFFF) as u16;
    let parity = (received & 0xFFF) as u16;
    // With the error split into (e1, e2): s1 = e1 B + e2 and s2 = e1 + e2 B^T.
    let s1 = multiply(message, &ROWS) ^ parity;
    let s2 = multiply(s1, &COLUMNS);

    let mut best = Candidate { message_error: 0, weight: NONE };
    // Errors in the parity alone, or in the message alone.
    best = best.or(0, weight(s1));
    best = best.or(s2, weight(s2));
    let (mut rows, mut columns) = (ROWS.as_slice(), COLUMNS.as_slice());
    let mut bit = 0x800_u16;
    // One error in one half, up to two in the other.
    while let ([row, more_rows @ ..], [column, more_columns @ ..]) = (rows, columns) {
        best = best.or(bit, weight(s1 ^ *row).wrapping_add(1));
        best = best.or(s2 ^ *column, weight(s2 ^ *column).wrapping_add(1));
        bit >>= 1;
        (rows, columns) = (more_rows, more_columns);
    }
    Decoded {
        message: message ^ best.message_error,
        corrected: if best.weight == NONE { None } else { Some(best.weight as u8) },
    }
}

/// "No pattern of weight 3 or less": larger than any weight.
const NONE: u32 = 32;

/// The lightest admissible error pattern so far.
#[derive(Clone, Copy)]
struct Candidate {
    message_error: u16,
    weight: u32,
}

impl Candidate {
    /// Keeps the candidate of weight 3 or less; no branch depends on the data. At most one
    /// pattern of weight 3 or less exists, because the code's distance is 8.
    #[expect(clippy::cast_possible_truncation, reason = "the mask is all ones or all zeros")]
    const fn or(self, message_error: u16, weight: u32) -> Self {
        let admissible = (weight.wrapping_sub(4) >> 31).wrapping_neg();
        let keep = !admissible;
        Self {
            message_error: (self.message_error & keep as u16) | (message_error & admissible as u16),
            weight: (self.weight & keep) | (weight & admissible),
        }
    }
}

/// The exclusive or of the rows that `bits` (most significant of 12 first) selects.
const fn multiply(bits: u16, rows: &[u16; 12]) -> u16 {
    let mut rest = rows.as_slice();
    let mut bits = bits << 4;
    let mut sum = 0_u16;
    while let [row, more @ ..] = rest {
        sum ^= *row & (bits >> 15).wrapping_neg();
        bits <<= 1;
        rest = more;
    }
    sum
}

/// The number of ones among 12 bits, without a table.
const fn weight(bits: u16) -> u32 {
    let x = bits as u32;
    let x = x.wrapping_sub((x >> 1) & 0x555);
    let x = (x & 0x333).wrapping_add((x >> 2) & 0x333);
    x.wrapping_mul(0x111) >> 8 & 0xF
}

/// The remainder of `message * x^11` by the generator, and the overall parity behind it.
const fn parity_of(message: u16) -> u16 {
    let mut remainder = (message as u32) << 11;
    let mut bit = 22_u32;
    while bit >= 11 {
        if remainder & (1 << bit) != 0 {
            remainder ^= 0xC75 << bit.wrapping_sub(11);
        }
        bit = bit.wrapping_sub(1);
    }
    let ones = (message as u32).count_ones() ^ remainder.count_ones();
    #[expect(clippy::cast_possible_truncation, reason = "the remainder has 11 bits")]
    let parity = ((remainder << 1) | (ones & 1)) as u16;
    parity
}

const fn rows() -> [u16; 12] {
    let mut rows = [0; 12];
    let mut rest = rows.as_mut_slice();
    let mut bit = 0x800;
    while let [row, more @ ..] = rest {
        *row = parity_of(bit);
        bit >>= 1;
        rest = more;
    }
    rows
}

const fn transpose(rows: [u16; 12]) -> [u16; 12] {
    let mut out = [0; 12];
    let mut rest = out.as_mut_slice();
    let mut column = 0x800;
    while let [entry, more @ ..] = rest {
        let mut from = rows.as_slice();
        while let [row, others @ ..] = from {
            *entry = (*entry << 1) | (*row & column != 0) as u16;
            from = others;
        }
        column >>= 1;
        rest = more;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sparse;

    /// Systematic encodings with generator 0xC75, computed independently of this code.
    #[test]
    fn known_encodings() {
        let known = [
            (0x001, 0x0018EB),
            (0x123, 0x1230AC),
            (0x555, 0x555D0D),
            (0x800, 0x800C75),
            (0xABC, 0xABC23C),
            (0xFFF, 0xFFFFFF),
        ];
        for (message, word) in known {
            assert_eq!(encode(message), word, "{message:03X}");
        }
    }

    /// Every word with every pattern of up to three errors: 4096 x 2325 decodings. Linearity
    /// lets one message stand for all in debug builds; here a spread of messages is tried.
    #[test]
    fn three_errors_are_always_corrected() {
        let messages = if cfg!(debug_assertions) { 37 * sparse(40) } else { 1 };
        for message in (0..4096).step_by(messages) {
            let word = encode(message);
            let right = |error: u32, n: u8| {
                let got = decode(word ^ error);
                assert_eq!(got, Decoded { message, corrected: Some(n) }, "{error:06X}");
            };
            right(0, 0);
            for a in 0..24 {
                right(1 << a, 1);
                for b in 0..a {
                    right(1 << a | 1 << b, 2);
                    for c in (0..b).step_by(sparse(5)) {
                        right(1 << a | 1 << b | 1 << c, 3);
                    }
                }
            }
        }
    }

    #[test]
    fn four_errors_are_noticed() {
        let word = encode(0x5A5);
        for a in 3..24 {
            let error = 1 << a | 0b111;
            assert_eq!(decode(word ^ error).corrected, None, "{error:06X}");
        }
    }

    #[test]
    fn weight_counts_ones() {
        for x in 0..4096u16 {
            assert_eq!(weight(x), x.count_ones(), "{x:03X}");
        }
    }
}
