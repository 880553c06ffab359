//! Noise at a receiver: its own, and what the place adds.

use super::physics::ratio;

/// Boltzmann's constant, J/K (exact in the SI since 2019).
const BOLTZMANN: f64 = 1.380_649e-23;
/// The usual reference temperature of noise figures, K.
const REFERENCE_K: f64 = 290.0;
/// Where the law of [`Environment`] holds, Hz (ITU-R P.372).
pub const EXTERNAL_HZ: core::ops::RangeInclusive<f64> = 3e5..=2.5e8;

/// External noise: the environmental categories of ITU-R P.372, medians. A receiver's noise varies
/// about them with place and hour; that is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Environment {
    /// None but the receiver's own.
    #[default]
    None,
    /// Man-made, city.
    City,
    /// Man-made, residential.
    Residential,
    /// Man-made, rural.
    Rural,
    /// Man-made, quiet rural.
    QuietRural,
    /// Galactic.
    Galactic,
}

impl Environment {
    /// Its name in a scenario.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::City => "city",
            Self::Residential => "residential",
            Self::Rural => "rural",
            Self::QuietRural => "quiet rural",
            Self::Galactic => "galactic",
        }
    }

    /// The median external noise figure in dB above `k T0 b`: `c - d log10(f / MHz)`, ITU-R
    /// P.372-17, part 6. Valid over [`EXTERNAL_HZ`]. Nothing for [`Environment::None`].
    #[must_use]
    pub fn figure_db(self, hz: f64) -> Option<f64> {
        let (c, d) = match self {
            Self::None => return None,
            Self::City => (76.8, 27.7),
            Self::Residential => (72.5, 27.7),
            Self::Rural => (67.2, 27.7),
            Self::QuietRural => (53.6, 28.6),
            Self::Galactic => (52.0, 23.0),
        };
        Some(c - d * libm::log10(hz / 1e6))
    }

    /// The density of all noise in a receiver of the given noise figure at `hz`, mW/Hz:
    /// `k T0 (fa + fr - 1)` with a lossless antenna (ITU-R P.372).
    #[must_use]
    pub fn density_mw(self, noise_figure_db: f64, hz: f64) -> f64 {
        let external = self.figure_db(hz).map_or(1.0, ratio);
        BOLTZMANN * REFERENCE_K * 1_000.0 * (external + ratio(noise_figure_db) - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::physics::decibels;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance, "{a} is not {b}");
    }

    /// kT at 290 K, k = 1.380649e-23 J/K: -173.975 dBm/Hz (arithmetic).
    #[test]
    fn thermal_noise() {
        let dbm = |figure: f64, hz: f64| decibels(Environment::None.density_mw(figure, 1e9) * hz);
        close(dbm(0.0, 1.0), -173.975_187, 1e-6);
        close(dbm(10.0, 25_000.0), -119.995_8, 1e-4);
        close(dbm(0.0, 200_000.0), -120.964_9, 1e-4);
    }

    /// Medians of ITU-R P.372-17, part 6, computed independently from its coefficients.
    #[test]
    fn external_noise() {
        for (environment, figures) in [
            (Environment::City, [35.884, 29.739, 22.938, 21.400, 16.522, 10.377]),
            (Environment::Residential, [31.584, 25.439, 18.638, 17.100, 12.222, 6.077]),
            (Environment::Rural, [26.284, 20.139, 13.338, 11.800, 6.922, 0.777]),
            (Environment::QuietRural, [11.354, 5.009, -2.012, -3.600, -8.636, -14.981]),
            (Environment::Galactic, [18.026, 12.924, 7.277, 6.000, 1.950, -3.153]),
        ] {
            for (mhz, figure) in [30.0, 50.0, 88.0, 100.0, 150.0, 250.0].into_iter().zip(figures) {
                close(environment.figure_db(mhz * 1e6).expect("external"), figure, 6e-4);
            }
        }
        assert_eq!(Environment::None.figure_db(5e7), None);
    }

    /// Total noise factor at 50 MHz behind a receiver of 10 dB, computed independently.
    #[test]
    fn both_together() {
        let thermal = Environment::None.density_mw(0.0, 5e7);
        for (environment, total) in [
            (Environment::City, 29.780),
            (Environment::Residential, 25.549),
            (Environment::Rural, 20.502),
            (Environment::QuietRural, 10.853),
        ] {
            close(decibels(environment.density_mw(10.0, 5e7) / thermal), total, 6e-4);
        }
    }
}
