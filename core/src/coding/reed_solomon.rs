//! Reed–Solomon codes: lost and wrong symbols are restored, as many as the code has room for.
//!
//! A code word of `n` symbols carries `k` of data and `n - k` of parity. With `e` symbols known to
//! be missing (erasures) and `v` wrong without anybody knowing (errors), it is restored whenever
//! `e + 2 v <= n - k`. Beyond that the decoder says so, or, rarely, finds another code word that
//! is as near: whoever needs certainty puts a tag around what he sends.
//!
//! The link's field is GF(256) with `x^8 + x^4 + x^3 + x^2 + 1` (0x11D), whose element `x` is
//! primitive; the roots of the generator are `x^0` to `x^(n - k - 1)`. The code is systematic, and
//! shortened where `n < 255`: symbol `j` of a word is the coefficient of `x^(n - 1 - j)`, data
//! first. The same code protects two-dimensional bar codes (ISO/IEC 18004).
//!
//! Decoding is by the textbook (R. E. Blahut, Algebraic Codes for Data Transmission, chapter 7,
//! citation from memory): syndromes; a locator of the erasures; Berlekamp–Massey, started from
//! that locator, for the errors besides; a search for its roots; Forney's formula for the values.

use core::fmt;
use core::marker::PhantomData;

/// The most symbols of a code word.
pub const MAX_WORD: usize = 255;

/// A field, and the elements that are roots of a code's generator: the powers `FIRST_ROOT`,
/// `FIRST_ROOT + 1`, … of `x^STEP`.
pub trait Field {
    /// A primitive polynomial, bit `i` the coefficient of `x^i`.
    const POLYNOMIAL: u32;
    /// Its degree, 2 to 8.
    const BITS: u32;
    /// Which power of `x^STEP` the first root is.
    const FIRST_ROOT: u32;
    /// The power of `x` that is used in place of `x`; it shares no factor with `2^BITS - 1`.
    const STEP: u32;
    /// Powers and logarithms of `x`.
    const TABLES: &'static Tables = &Tables::of(Self::POLYNOMIAL, Self::BITS);
}

/// The field and roots of the link: 0x11D, from `x^0` on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Link {}

impl Field for Link {
    const POLYNOMIAL: u32 = 0x11D;
    const BITS: u32 = 8;
    const FIRST_ROOT: u32 = 0;
    const STEP: u32 = 1;
}

/// Powers of `x` and their logarithms: 512 bytes that make a product three look-ups. Without them
/// the core is 832 bytes smaller on a Cortex-M4, and restores a word seven to twenty times as
/// slowly (measured: `docs/measurements.md`).
#[derive(Debug)]
pub struct Tables {
    power: [u8; 256],
    logarithm: [u8; 256],
}

impl Tables {
    const fn of(polynomial: u32, bits: u32) -> Self {
        let (mut power, mut logarithm) = ([0; 256], [0; 256]);
        let mut rest = power.as_mut_slice();
        let (mut element, mut exponent) = (1_u32, 0_u8);
        while let [entry, others @ ..] = rest
            && (exponent as u32) < order(bits)
        {
            let [low, ..] = element.to_le_bytes();
            *entry = low;
            if let Some((_, [entry, ..])) = logarithm.split_at_mut_checked(low as usize) {
                *entry = exponent;
            }
            element <<= 1;
            if element >> bits != 0 {
                element ^= polynomial;
            }
            exponent = exponent.saturating_add(1);
            rest = others;
        }
        Self { power, logarithm }
    }
}

/// Elements of a field of `2^bits` other than zero.
const fn order(bits: u32) -> u32 {
    1_u32.wrapping_shl(bits).wrapping_sub(1)
}

/// A set of symbol positions, 0 to 254.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Positions([u32; 8]);

impl Positions {
    /// None.
    pub const NONE: Self = Self([0; 8]);

    /// The first `n`.
    #[must_use]
    pub fn first(n: u8) -> Self {
        let mut all = Self::NONE;
        for position in 0..n {
            all.insert(position);
        }
        all
    }

    /// Adds a position.
    pub fn insert(&mut self, position: u8) {
        if let Some(word) = self.0.get_mut(usize::from(position >> 5)) {
            *word |= 1 << (position & 31);
        }
    }

    /// Takes a position away.
    pub fn remove(&mut self, position: u8) {
        if let Some(word) = self.0.get_mut(usize::from(position >> 5)) {
            *word &= !(1 << (position & 31));
        }
    }

    /// Whether a position is in the set.
    #[must_use]
    pub fn contains(&self, position: u8) -> bool {
        self.0.get(usize::from(position >> 5)).is_some_and(|word| word >> (position & 31) & 1 == 1)
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> u32 {
        self.0.iter().fold(0, |sum, word| sum.wrapping_add(word.count_ones()))
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Those of the first `n` that are not in the set.
    #[must_use]
    pub fn missing(&self, n: u8) -> Self {
        let mut missing = Self::first(n);
        for (missing, word) in missing.0.iter_mut().zip(self.0) {
            *missing &= !word;
        }
        missing
    }
}

/// Why there is no such code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum CodeError {
    /// A word is longer than the field allows, or has fewer than two symbols.
    Length {
        /// Symbols of a word.
        n: u8,
        /// The most.
        most: u8,
    },
    /// Data symbols are 1 to `n - 1`.
    Data {
        /// Symbols of data.
        k: u8,
        /// Symbols of a word.
        n: u8,
    },
}

impl fmt::Display for CodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length { n, most } => write!(f, "a code word has 2 to {most} symbols, not {n}"),
            Self::Data { k, n } => {
                write!(f, "of {n} symbols at least one and not all carry data, so not {k}")
            }
        }
    }
}

impl core::error::Error for CodeError {}

/// What was restored in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Restored {
    /// Symbols that were known to be missing.
    pub erasures: u8,
    /// Symbols that were wrong besides.
    pub errors: u8,
}

/// Too much is missing or wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Uncorrectable;

impl fmt::Display for Uncorrectable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("more symbols are missing or wrong than the code can restore")
    }
}

impl core::error::Error for Uncorrectable {}

/// A code of `n` symbols, `k` of them data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ReedSolomon<F: Field = Link> {
    n: u8,
    k: u8,
    field: PhantomData<F>,
}

/// Coefficients of a polynomial, or symbols.
type Symbols = [u8; MAX_WORD];

impl<F: Field> ReedSolomon<F> {
    /// A code.
    ///
    /// # Errors
    /// [`CodeError`] unless `1 <= k < n < 2^BITS`.
    pub const fn new(n: u8, k: u8) -> Result<Self, CodeError> {
        let [most, ..] = order(F::BITS).to_le_bytes();
        if n < 2 || n > most {
            return Err(CodeError::Length { n, most });
        }
        if k == 0 || k >= n {
            return Err(CodeError::Data { k, n });
        }
        Ok(Self { n, k, field: PhantomData })
    }

    /// Symbols of a word.
    #[must_use]
    pub const fn n(&self) -> u8 {
        self.n
    }

    /// Symbols of data.
    #[must_use]
    pub const fn k(&self) -> u8 {
        self.k
    }

    /// Symbols of parity.
    #[must_use]
    pub const fn parity(&self) -> u8 {
        self.n.wrapping_sub(self.k)
    }

    /// Symbol `position` of every word: `out[i]` becomes that of the word whose data are entries
    /// `i k` to `i k + k - 1` of `data`. Nothing is written for words whose data are not all there,
    /// nor for a position past the end.
    ///
    /// A symbol of data is copied. One of parity costs `(n - k)^2 / 2 + k (n - k)` products, and
    /// `k` more a word: no parity needs to be kept, and words are as many as `out` is long.
    pub fn column(&self, data: &[u8], position: u8, out: &mut [u8]) {
        // There is no code with `k = 0`; the compiler does not know.
        let words = data.chunks_exact(usize::from(self.k).max(1));
        if position < self.k {
            for (out, word) in out.iter_mut().zip(words) {
                *out = word.get(usize::from(position)).copied().unwrap_or_default();
            }
        } else if position < self.n {
            let weights = self.weights(position.wrapping_sub(self.k));
            for (out, word) in out.iter_mut().zip(words) {
                *out = word.iter().zip(&weights).fold(0, |sum, (s, w)| sum ^ product::<F>(*s, *w));
            }
        }
    }

    /// What each symbol of data contributes to parity symbol `at`: coefficient
    /// `n - k - 1 - at` of `x^(n - 1 - j) mod g`, for each `j`.
    fn weights(&self, at: u8) -> Symbols {
        let parity = usize::from(self.parity());
        // The generator without its leading one, highest power first.
        let mut generator = [0; MAX_WORD];
        for i in 0..parity {
            lengthen::<F>(generator.iter_mut().take(i.wrapping_add(1)), root::<F>(i));
        }
        // x^(n - k) mod g, then times x, again and again.
        let mut remainder = generator;
        let mut weights = [0; MAX_WORD];
        for weight in weights.iter_mut().take(usize::from(self.k)).rev() {
            *weight = remainder.get(usize::from(at)).copied().unwrap_or_default();
            let [top, ..] = remainder;
            let mut lower = 0;
            for (term, g) in remainder.iter_mut().zip(&generator).take(parity).rev() {
                let before = *term;
                *term = lower ^ product::<F>(top, *g);
                lower = before;
            }
        }
        weights
    }

    /// Whether all symbols of a word fit each other. `n (n - k)` products.
    #[must_use]
    pub fn holds(&self, word: &[u8]) -> bool {
        word.len() == usize::from(self.n) && self.syndromes(word, &mut [0; MAX_WORD])
    }

    /// Restores a word of which the symbols at `erased` are missing; what stands there is ignored.
    ///
    /// About `3 n (n - k)` products and `(n - k)^2` besides at most; a third of that where nothing is wrong. After an error
    /// the word holds nothing of use.
    ///
    /// # Errors
    /// [`Uncorrectable`] if no code word is near enough, or `word` is not `n` symbols long.
    pub fn decode(&self, word: &mut [u8], erased: &Positions) -> Result<Restored, Uncorrectable> {
        let parity = usize::from(self.parity());
        let erasures = u8::try_from(erased.len()).map_err(|_| Uncorrectable)?;
        if word.len() != usize::from(self.n) || erasures > self.parity() {
            return Err(Uncorrectable);
        }
        let most = order(F::BITS);
        let mut locator = [0; MAX_WORD + 1];
        let mut count = 0_usize;
        for (symbol, position) in word.iter_mut().zip(0_u8..) {
            if erased.contains(position) {
                *symbol = 0;
                count = count.wrapping_add(1);
                let terms = locator.iter_mut().skip(1).take(count);
                lengthen::<F>(terms, self.locator(position));
            }
            if u32::from(*symbol) > most {
                return Err(Uncorrectable);
            }
        }
        if count != usize::from(erasures) {
            // A position beyond the word.
            return Err(Uncorrectable);
        }
        if let Some(constant) = locator.first_mut() {
            *constant = 1;
        }
        let mut syndromes = [0; MAX_WORD];
        if self.syndromes(word, &mut syndromes) {
            return Ok(Restored { erasures, errors: 0 });
        }
        let (found, mut evaluator) = locate::<F>(&mut locator, &syndromes, count, parity);
        let errors = found.saturating_sub(count);
        if errors.saturating_mul(2).saturating_add(count) > parity {
            return Err(Uncorrectable);
        }
        // The evaluator: syndromes times locator, below the locator's degree.
        for (i, term) in evaluator.iter_mut().enumerate() {
            *term = if i < found { convolve::<F>(&locator, &syndromes, i) } else { 0 };
        }
        let coefficients = locator.get(..=found).unwrap_or_default();
        let evaluator = evaluator.get(..found).unwrap_or_default();
        let mut roots = 0_usize;
        for (symbol, position) in word.iter_mut().zip(0_u8..) {
            let x = inverse::<F>(self.locator(position));
            // Without errors the roots are known.
            let is_root = match errors {
                0 => erased.contains(position),
                _ => evaluate::<F>(coefficients, x) == 0,
            };
            if is_root {
                roots = roots.wrapping_add(1);
                *symbol ^= value::<F>(coefficients, evaluator, x);
            }
        }
        if roots != found || !self.syndromes(word, &mut syndromes) {
            return Err(Uncorrectable);
        }
        Ok(Restored { erasures, errors: u8::try_from(errors).unwrap_or_default() })
    }

    /// Evaluates the word at every root; whether it is a code word.
    fn syndromes(&self, word: &[u8], syndromes: &mut Symbols) -> bool {
        let mut any = 0;
        for (i, syndrome) in syndromes.iter_mut().take(usize::from(self.parity())).enumerate() {
            let at = root::<F>(i);
            *syndrome = word.iter().fold(0, |sum, symbol| product::<F>(sum, at) ^ symbol);
            any |= *syndrome;
        }
        any == 0
    }

    /// The element that stands for a position: `x^STEP` to the power `n - 1 - position`.
    fn locator(&self, position: u8) -> u8 {
        power::<F>(u32::from(self.n).wrapping_sub(1).wrapping_sub(u32::from(position)))
    }
}

/// Berlekamp–Massey from the locator of `count` erasures. Gives the degree that the locator of all
/// losses should have, and scratch memory for the next step.
fn locate<F: Field>(
    locator: &mut [u8; MAX_WORD + 1],
    syndromes: &Symbols,
    count: usize,
    parity: usize,
) -> (usize, [u8; MAX_WORD + 1]) {
    let mut other = *locator;
    let mut degree = count;
    for r in count..parity {
        let discrepancy = convolve::<F>(locator, syndromes, r);
        let longer = discrepancy != 0 && r.wrapping_add(count) >= degree.wrapping_mul(2);
        let scale = inverse::<F>(discrepancy);
        // The other polynomial is multiplied by x on the way.
        let mut lower = 0;
        for (term, other) in locator.iter_mut().zip(&mut other).take(parity.wrapping_add(1)) {
            let shifted = core::mem::replace(&mut lower, *other);
            let before = *term;
            *term ^= product::<F>(discrepancy, shifted);
            *other = if longer { product::<F>(before, scale) } else { shifted };
        }
        if longer {
            degree = r.wrapping_add(1).wrapping_add(count).saturating_sub(degree);
        }
    }
    (degree, other)
}

/// Coefficient `i` of the product of locator and syndromes.
fn convolve<F: Field>(locator: &[u8], syndromes: &Symbols, i: usize) -> u8 {
    let syndromes = syndromes.get(..=i).unwrap_or_default();
    let pairs = locator.iter().zip(syndromes.iter().rev());
    pairs.fold(0, |sum, (l, s)| sum ^ product::<F>(*l, *s))
}

/// Forney's formula: what has to be added at the root `x` of the locator. Zero if the root is not
/// a simple one; the last look at the syndromes then finds it out.
fn value<F: Field>(locator: &[u8], evaluator: &[u8], x: u8) -> u8 {
    // `x` times the formal derivative: the odd terms.
    let square = product::<F>(x, x);
    let odd = locator.iter().skip(1).step_by(2);
    let derivative = odd.rev().fold(0, |sum, term| product::<F>(sum, square) ^ term);
    let derivative = product::<F>(derivative, x);
    let mut value = product::<F>(evaluate::<F>(evaluator, x), inverse::<F>(derivative));
    for _ in 0..F::FIRST_ROOT {
        value = product::<F>(value, x);
    }
    if derivative == 0 { 0 } else { value }
}

/// The value of a polynomial, lowest power first.
fn evaluate<F: Field>(polynomial: &[u8], x: u8) -> u8 {
    polynomial.iter().rev().fold(0, |sum, term| product::<F>(sum, x) ^ term)
}

/// Multiplies a polynomial by one more linear factor. `terms` are all its coefficients but the
/// first, which is one, and a zero.
fn lengthen<'a, F: Field>(terms: impl Iterator<Item = &'a mut u8>, root: u8) {
    let mut carry = 1;
    for term in terms {
        let before = *term;
        *term ^= product::<F>(carry, root);
        carry = before;
    }
}

/// Root `i` of the generator.
fn root<F: Field>(i: usize) -> u8 {
    power::<F>(u32::try_from(i).unwrap_or_default().wrapping_add(F::FIRST_ROOT))
}

/// `x^STEP` to a power below 2^16.
fn power<F: Field>(exponent: u32) -> u8 {
    let exponent = exponent.wrapping_mul(F::STEP).checked_rem(order(F::BITS)).unwrap_or_default();
    F::TABLES.power.get(exponent as usize).copied().unwrap_or_default()
}

fn logarithm<F: Field>(a: u8) -> u32 {
    u32::from(F::TABLES.logarithm.get(usize::from(a)).copied().unwrap_or_default())
}

#[inline]
fn product<F: Field>(a: u8, b: u8) -> u8 {
    if a == 0 || b == 0 {
        return 0;
    }
    let sum = logarithm::<F>(a).wrapping_add(logarithm::<F>(b));
    let sum = if sum < order(F::BITS) { sum } else { sum.wrapping_sub(order(F::BITS)) };
    F::TABLES.power.get(sum as usize).copied().unwrap_or_default()
}

/// The inverse of an element other than zero; of zero, one.
fn inverse<F: Field>(a: u8) -> u8 {
    let rest = order(F::BITS).wrapping_sub(logarithm::<F>(a));
    let rest = if rest == order(F::BITS) { 0 } else { rest };
    F::TABLES.power.get(rest as usize).copied().unwrap_or_default()
}

#[cfg(test)]
mod tests;
