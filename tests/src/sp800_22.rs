//! Tests of NIST SP 800-22 rev. 1a, over bits given one a byte (0 or 1). Each gives the
//! statistic and the P-value; sections are of that document.

use crate::{real, real_len};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::erf::erfc;
use statrs::function::gamma::gamma_ur;
use std::f64::consts::SQRT_2;

/// A statistic and its P-value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The statistic, as the worked examples print it.
    pub statistic: f64,
    /// The chance that a fair source does no better.
    pub p: f64,
}

/// The bits of words, most significant bit first.
#[must_use]
pub fn bits_of(words: &[u32], width: u32) -> Vec<u8> {
    let each =
        |word: &u32| (0..width).rev().map(|i| u8::from(word >> i & 1 == 1)).collect::<Vec<_>>();
    words.iter().flat_map(each).collect()
}

fn signed(bit: u8) -> i64 {
    if bit == 1 { 1 } else { -1 }
}

fn magnitude(sum: i64) -> f64 {
    real(sum.unsigned_abs())
}

/// Frequency (monobit), section 2.1.
#[must_use]
pub fn frequency(bits: &[u8]) -> Outcome {
    let sum: i64 = bits.iter().map(|b| signed(*b)).sum();
    let statistic = magnitude(sum) / real_len(bits.len()).sqrt();
    Outcome { statistic, p: erfc(statistic / SQRT_2) }
}

/// Frequency within blocks of `m` bits, section 2.2.
#[must_use]
pub fn block_frequency(bits: &[u8], m: usize) -> Outcome {
    let blocks = bits.chunks_exact(m);
    let count = blocks.len();
    let share = |block: &[u8]| block.iter().map(|b| f64::from(*b)).sum::<f64>() / real_len(m);
    let spread: f64 = blocks.map(|block| (share(block) - 0.5).powi(2)).sum();
    let statistic = 4.0 * real_len(m) * spread;
    Outcome { statistic, p: gamma_ur(real_len(count) / 2.0, statistic / 2.0) }
}

/// Runs, section 2.3.
#[must_use]
pub fn runs(bits: &[u8]) -> Outcome {
    let n = real_len(bits.len());
    let share = bits.iter().map(|b| f64::from(*b)).sum::<f64>() / n;
    let changes = bits.iter().zip(bits.iter().skip(1)).filter(|(a, b)| a != b).count();
    let statistic = real_len(changes + 1);
    // The test does not apply if the frequency test has failed already.
    let p = if (share - 0.5).abs() >= 2.0 / n.sqrt() {
        0.0
    } else {
        let balance = share * (1.0 - share);
        erfc((statistic - 2.0 * n * balance).abs() / (2.0 * (2.0 * n).sqrt() * balance))
    };
    Outcome { statistic, p }
}

/// How often each pattern of `m` bits occurs, cyclically.
fn patterns(bits: &[u8], m: u32) -> Vec<u64> {
    let size = 1_usize << m;
    let mut counts = vec![0; size];
    let mut window = 0;
    let turned = bits.iter().cycle().take(bits.len() + m as usize - usize::from(m > 0));
    for (i, bit) in turned.enumerate() {
        window = (window << 1 | usize::from(*bit)) % size;
        if i + 1 >= m as usize {
            counts[window] += 1;
        }
    }
    counts
}

/// The statistic of section 2.11 for one pattern length.
#[must_use]
pub fn psi_squared(bits: &[u8], m: u32) -> f64 {
    if m == 0 {
        return 0.0;
    }
    let n = real_len(bits.len());
    let squares: f64 = patterns(bits, m).iter().map(|c| real(*c).powi(2)).sum();
    real(1 << m) / n * squares - n
}

/// Serial, section 2.11: two outcomes, for the first and the second difference.
#[must_use]
pub fn serial(bits: &[u8], m: u32) -> [Outcome; 2] {
    let psi = |m| psi_squared(bits, m);
    let first = psi(m) - psi(m - 1);
    let second = psi(m) - 2.0 * psi(m - 1) + psi(m - 2);
    let half = |m: u32| 2_f64.powi(m.cast_signed());
    [
        Outcome { statistic: first, p: gamma_ur(half(m - 2), first / 2.0) },
        Outcome { statistic: second, p: gamma_ur(half(m - 3), second / 2.0) },
    ]
}

/// The approximate entropy itself, section 2.12.
#[must_use]
pub fn entropy(bits: &[u8], m: u32) -> f64 {
    let n = real_len(bits.len());
    let phi = |m: u32| -> f64 {
        let seen = patterns(bits, m).into_iter().filter(|c| *c > 0).map(|c| real(c) / n);
        seen.map(|share| share * share.ln()).sum()
    };
    phi(m) - phi(m + 1)
}

/// Approximate entropy, section 2.12.
#[must_use]
pub fn approximate_entropy(bits: &[u8], m: u32) -> Outcome {
    let n = real_len(bits.len());
    let statistic = 2.0 * n * (2_f64.ln() - entropy(bits, m));
    Outcome { statistic, p: gamma_ur(2_f64.powi(m.cast_signed() - 1), statistic / 2.0) }
}

/// Cumulative sums, section 2.13, forward.
#[must_use]
pub fn cumulative_sums(bits: &[u8]) -> Outcome {
    cumulative(bits.iter().copied(), bits.len())
}

/// Cumulative sums, section 2.13, in reverse.
#[must_use]
pub fn cumulative_sums_reverse(bits: &[u8]) -> Outcome {
    cumulative(bits.iter().rev().copied(), bits.len())
}

fn cumulative(bits: impl Iterator<Item = u8>, len: usize) -> Outcome {
    let (mut sum, mut farthest) = (0_i64, 0_i64);
    for bit in bits {
        sum += signed(bit);
        farthest = farthest.max(sum.abs());
    }
    let normal = Normal::standard();
    let (n, z) = (i64::try_from(len).unwrap_or(i64::MAX), farthest);
    let root = real_len(len).sqrt();
    let phi = |multiple: i64| {
        let x = magnitude(multiple * z) / root;
        normal.cdf(if multiple < 0 { -x } else { x })
    };
    // Limits of the sums as the document prints them, truncated as its reference code does.
    let mut p = 1.0;
    for k in (-n / z + 1) / 4..=(n / z - 1) / 4 {
        p -= phi(4 * k + 1) - phi(4 * k - 1);
    }
    for k in (-n / z - 3) / 4..=(n / z - 1) / 4 {
        p += phi(4 * k + 3) - phi(4 * k + 1);
    }
    Outcome { statistic: magnitude(z), p }
}

/// The range of the proportion of sequences that must pass, of `sequences` at level `alpha`
/// (section 4.2.1).
#[must_use]
pub fn proportion_range(alpha: f64, sequences: u64) -> (f64, f64) {
    let pass = 1.0 - alpha;
    let margin = 3.0 * (pass * alpha / real(sequences)).sqrt();
    (pass - margin, pass + margin)
}

/// The P-value of the uniformity of P-values in ten bins (section 4.2.2).
#[must_use]
pub fn uniformity(p_values: &[f64]) -> f64 {
    let mut bins = [0_u64; 10];
    for p in p_values {
        let bin = (0..9).find(|i| *p < f64::from(i + 1) / 10.0).unwrap_or(9);
        bins[usize::try_from(bin).unwrap_or_default()] += 1;
    }
    crate::chi_square::Fit::uniform(&bins).upper
}
