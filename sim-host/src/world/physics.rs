//! Powers, losses, noise and error rates. Decibels outside, ratios inside.

/// Boltzmann's constant, J/K (exact in the SI since 2019).
const BOLTZMANN: f64 = 1.380_649e-23;
/// The usual reference temperature of noise figures, K.
const REFERENCE_K: f64 = 290.0;
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

/// How a signal weakens with distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Propagation {
    /// Free space, ITU-R P.525: `20 log10(4 pi d f / c)`.
    FreeSpace,
    /// Free space up to 1 m and `10 n log10(d / 1 m)` beyond (T. Rappaport, Wireless
    /// Communications; the exponent is the environment's).
    LogDistance {
        /// `n`, 2 in free space.
        exponent: f64,
    },
}

impl Propagation {
    /// The path loss in dB over `metres` at `hz`; distances below 1 m count as 1 m.
    #[must_use]
    pub fn loss_db(self, metres: f64, hz: f64) -> f64 {
        let metres = metres.max(1.0);
        let at = |d: f64| 20.0 * libm::log10(4.0 * core::f64::consts::PI * d * hz / LIGHT_M_S);
        match self {
            Self::FreeSpace => at(metres),
            Self::LogDistance { exponent } => at(1.0) + 10.0 * exponent * libm::log10(metres),
        }
    }
}

/// The density of thermal noise in a receiver of the given noise figure, mW/Hz.
#[must_use]
pub fn noise_density_mw(noise_figure_db: f64) -> f64 {
    BOLTZMANN * REFERENCE_K * 1_000.0 * ratio(noise_figure_db)
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

    /// ITU-R P.525 with the exact constant 20 log10(4 pi 10^9 / c) = 32.447 783 dB; values computed
    /// independently.
    #[test]
    fn free_space() {
        let loss = |mhz: f64, km: f64| Propagation::FreeSpace.loss_db(km * 1_000.0, mhz * 1e6);
        close(loss(100.0, 1.0), 72.447_783, 1e-8);
        close(loss(87.975, 30.0), 100.877_394, 1e-8);
        close(loss(2440.0, 1.0), 100.195_580, 1e-8);
    }

    /// 10 n dB a decade, 10.536 dB a doubling for n = 3.5 (elementary).
    #[test]
    fn log_distance() {
        let model = Propagation::LogDistance { exponent: 3.5 };
        close(model.loss_db(2_000.0, 9e8) - model.loss_db(1_000.0, 9e8), 10.535_98, 1e-5);
        close(model.loss_db(1.0, 9e8), Propagation::FreeSpace.loss_db(1.0, 9e8), 1e-12);
    }

    /// kT at 290 K, k = 1.380649e-23 J/K: -173.975 dBm/Hz (arithmetic).
    #[test]
    fn thermal_noise() {
        close(decibels(noise_density_mw(0.0)), -173.975_187, 1e-8);
        close(decibels(noise_density_mw(10.0) * 25_000.0), -119.995_8, 1e-6);
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
