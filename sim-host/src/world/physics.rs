//! Powers and error rates. Decibels outside, ratios inside.

/// The speed of light in vacuum, m/s.
pub const LIGHT_M_S: f64 = 299_792_458.0;

/// A span in whole microseconds, rounded; spans are not negative and last a month at most.
#[must_use]
pub(crate) fn microseconds(seconds: f64) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not negative and far below 2^64; a saturating cast is harmless"
    )]
    let us = libm::round(seconds * 1e6) as u64;
    us
}

/// A power ratio from decibels.
#[must_use]
pub fn ratio(db: f64) -> f64 {
    libm::pow(10.0, db / 10.0)
}

/// Decibels from a power ratio.
#[must_use]
pub fn decibels(ratio: f64) -> f64 {
    10.0 * libm::log10(ratio)
}

/// The bit error probability of non-coherent binary FSK: `exp(-g / 2) / 2`, with `g` the ratio of
/// energy per bit to noise density (J. Proakis and M. Salehi, Digital Communications).
#[must_use]
pub fn bit_error(g: f64) -> f64 {
    0.5 * libm::exp(-g / 2.0)
}

/// The probability that no more than `most` of `n` bits are wrong.
#[must_use]
pub fn at_most(most: u32, n: u32, p: f64) -> f64 {
    let mut term = libm::pow(1.0 - p, f64::from(n));
    let mut sum = term;
    for k in 0..most {
        term *= f64::from(n - k) / f64::from(k + 1) * p / (1.0 - p);
        sum += term;
    }
    sum.min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance * b.abs(), "{a} is not {b}");
    }

    /// exp(-g / 2) / 2 at 3, 10 and 15 dB (J. Proakis and M. Salehi), values computed
    /// independently.
    #[test]
    fn error_rates() {
        close(bit_error(2.0), 1.839_397e-1, 1e-6);
        close(bit_error(10.0), 3.368_973e-3, 1e-6);
        close(bit_error(31.622_777), 6.794_716e-8, 1e-6);
    }

    /// More than 3 of 24 bits wrong: the word error table of the extended Golay code, computed
    /// independently from the binomial distribution.
    #[test]
    fn binomial_tails() {
        close(1.0 - at_most(3, 24, 0.05), 2.978_250e-2, 1e-6);
        close(1.0 - at_most(3, 24, 0.1), 2.142_622e-1, 1e-6);
        close(at_most(32, 32, 0.3), 1.0, 1e-12);
    }
}
