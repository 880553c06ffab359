//! What a way through the air does to a signal: path loss, a reflection, shadowing, fading.

use super::physics::{LIGHT_M_S, microseconds, ratio};
use super::places::Place;

/// The free-space loss in dB over `metres` at `hz`, ITU-R P.525: `20 log10(4 pi d f / c)`; distances
/// below 1 m count as 1 m.
#[must_use]
pub fn free_space_db(metres: f64, hz: f64) -> f64 {
    20.0 * libm::log10(4.0 * core::f64::consts::PI * metres.max(1.0) * hz / LIGHT_M_S)
}

/// How a signal weakens with distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Propagation {
    /// Free space, ITU-R P.525.
    FreeSpace,
    /// The direct wave and one reflected by flat ground with reversed phase and without loss
    /// (T. Rappaport, Wireless Communications, two-ray ground reflection; citation from memory). Far
    /// beyond `4 pi h1 h2 / wavelength` it is `40 log10(d) - 20 log10(h1) - 20 log10(h2)`.
    TwoRay,
    /// Free space up to 1 m and `10 n log10(d / 1 m)` beyond, with a normal deviate of the loss in
    /// dB for each pair of places (T. Rappaport, Wireless Communications; the exponent and the
    /// deviation are the environment's).
    LogDistance {
        /// `n`, 2 in free space.
        exponent: f64,
        /// Standard deviation of the shadowing, dB.
        shadowing_db: f64,
    },
}

impl Propagation {
    /// Whether the loss has a part by chance.
    #[must_use]
    pub fn shadows(self) -> bool {
        matches!(self, Self::LogDistance { shadowing_db, .. } if shadowing_db > 0.0)
    }

    /// The way between two places, taken at `hz`; `deviate` is the pair's standard normal deviate.
    #[must_use]
    pub fn way(self, from: Place, to: Place, hz: f64, deviate: f64) -> Way {
        let metres = from.metres_to(to);
        let (loss_db, reflected) = match self {
            Self::FreeSpace => (free_space_db(metres, hz), None),
            Self::TwoRay => (free_space_db(metres, hz), Some(Reflected::between(from, to))),
            Self::LogDistance { exponent, shadowing_db } => {
                let beyond = 10.0 * exponent * libm::log10(metres.max(1.0));
                (free_space_db(1.0, hz) + beyond + shadowing_db * deviate, None)
            }
        };
        let delay_us = microseconds(metres / LIGHT_M_S);
        Way { delay_us, at_hz: hz, gain: ratio(-loss_db), reflected }
    }
}

/// A way between two places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// How long a signal is under way, in whole microseconds.
    pub delay_us: u64,
    at_hz: f64,
    /// Of the direct wave at that frequency, as a power ratio.
    gain: f64,
    reflected: Option<Reflected>,
}

impl Way {
    /// The power ratio at `hz`.
    #[must_use]
    pub fn gain(&self, hz: f64) -> f64 {
        let shape = self.at_hz / hz;
        self.gain * shape * shape * self.reflected.map_or(1.0, |reflected| reflected.factor(hz))
    }
}

/// The reflected wave beside the direct one.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Reflected {
    /// The direct way divided by the reflected one.
    ratio: f64,
    /// How much longer the reflected way is, metres.
    longer_m: f64,
}

impl Reflected {
    fn between(from: Place, to: Place) -> Self {
        let ground = libm::hypot(from.x_m - to.x_m, from.y_m - to.y_m);
        let direct = libm::hypot(ground, from.height_m - to.height_m);
        let reflected = libm::hypot(ground, from.height_m + to.height_m);
        // The difference of the squares is known exactly; that of the lengths would cancel.
        let longer_m = 4.0 * from.height_m * to.height_m / (direct + reflected);
        Self { ratio: direct / reflected, longer_m }
    }

    /// The squared sum of both waves, in units of the direct one: `|1 - r exp(-i k l)|^2`, written
    /// so that two waves of nearly the same length do not cancel in the last digits.
    fn factor(self, hz: f64) -> f64 {
        let half_turns = libm::sin(core::f64::consts::PI * hz / LIGHT_M_S * self.longer_m);
        let less = 1.0 - self.ratio;
        less * less + 4.0 * self.ratio * half_turns * half_turns
    }
}

/// How the power of a signal changes from hop to hop, about the mean that the path loss leaves.
/// Each hop is a channel of its own, and fades by itself: common practice for hops farther apart than
/// the coherence bandwidth, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fading {
    /// It does not.
    None,
    /// Many waves and none that stands out: exponentially distributed power.
    Rayleigh,
    /// One steady wave among many.
    Rician {
        /// The steady wave's power above that of all others, dB.
        k_db: f64,
    },
}

impl Fading {
    /// The power relative to the mean, from two standard normal deviates.
    #[must_use]
    pub fn power(self, (across, along): (f64, f64)) -> f64 {
        let steady = match self {
            Self::None => return 1.0,
            Self::Rayleigh => 0.0,
            Self::Rician { k_db } => ratio(k_db),
        };
        let amplitude = libm::sqrt(2.0 * steady) + across;
        (amplitude * amplitude + along * along) / (2.0 * (steady + 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::chance;
    use crate::world::physics::{bit_error, decibels};

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance * b.abs(), "{a} is not {b}");
    }

    fn over(model: Propagation, metres: f64, (one, other): (f64, f64), hz: f64) -> f64 {
        let from = Place { x_m: 0.0, y_m: 0.0, height_m: one };
        let to = Place { x_m: metres, y_m: 0.0, height_m: other };
        -decibels(model.way(from, to, hz, 0.0).gain(hz))
    }

    /// ITU-R P.525 with the exact constant 20 log10(4 pi 10^9 / c) = 32.447 783 dB; values computed
    /// independently.
    #[test]
    fn free_space() {
        for (mhz, km, db) in [
            (30.0, 1.0, 61.990_208),
            (60.0, 5.0, 81.990_208),
            (100.0, 1.0, 72.447_783),
            (87.975, 30.0, 100.877_394),
            (225.0, 10.0, 99.491_434),
            (400.0, 10.0, 104.488_983),
            (868.0, 1.0, 91.218_178),
            (2440.0, 1.0, 100.195_580),
        ] {
            let loss = over(Propagation::FreeSpace, km * 1e3, (2.0, 2.0), mhz * 1e6);
            close(loss, db, 1e-8);
        }
    }

    /// A way that was taken at one frequency, used at another: `20 log10` of their ratio.
    #[test]
    fn free_space_over_a_wide_band() {
        let (from, to) = (Place::ORIGIN, Place { x_m: 5e3, ..Place::ORIGIN });
        let way = Propagation::FreeSpace.way(from, to, 59e6, 0.0);
        close(-decibels(way.gain(30e6)), free_space_db(5e3, 30e6), 1e-12);
        close(-decibels(way.gain(87.975e6)), free_space_db(5e3, 87.975e6), 1e-12);
    }

    /// 10 n dB a decade, 10.536 dB a doubling for n = 3.5 (elementary).
    #[test]
    fn log_distance() {
        let model = Propagation::LogDistance { exponent: 3.5, shadowing_db: 0.0 };
        let at = |metres| over(model, metres, (2.0, 2.0), 9e8);
        close(at(2_000.0) - at(1_000.0), 10.535_98, 1e-5);
        close(at(1.0), free_space_db(1.0, 9e8), 1e-12);
        for (exponent, doubling) in [(2.0, 6.0206), (3.0, 9.0309), (4.0, 12.0412)] {
            let model = Propagation::LogDistance { exponent, shadowing_db: 0.0 };
            let at = |metres| over(model, metres, (2.0, 2.0), 9e8);
            close(at(2_000.0) - at(1_000.0), doubling, 1e-4);
        }
    }

    /// The exact sum of both rays with reflection -1, at 1 and 10 km, and the far formula
    /// `40 log d - 20 log h1 - 20 log h2` (T. Rappaport, from memory); the values were computed
    /// independently from the complex sum.
    #[test]
    fn two_rays() {
        for (mhz, heights, near, far) in [
            (50.0, (2.0, 2.0), 107.9589, 147.9588),
            (50.0, (10.0, 2.0), 93.9809, 133.9794),
            (225.0, (10.0, 2.0), 93.9932, 133.9795),
            (900.0, (30.0, 1.5), 88.0119, 126.9463),
        ] {
            close(over(Propagation::TwoRay, 1e3, heights, mhz * 1e6), near, 1e-6);
            close(over(Propagation::TwoRay, 1e4, heights, mhz * 1e6), far, 1e-6);
            let formula = 40.0 * 4.0 - 20.0 * (heights.0 * heights.1).log10();
            close(over(Propagation::TwoRay, 1e4, heights, mhz * 1e6), formula, 3e-4);
        }
    }

    /// What share of `n` draws is so far below the mean.
    fn faded(fading: Fading, n: u64, below: f64) -> f64 {
        let draw = |i: &u64| fading.power(chance::normals(chance::mix(*i))) < below;
        (0..n).filter(draw).count() as f64 / n as f64
    }

    /// Outage of Rayleigh fading M dB below the mean, `1 - exp(-10^(-M / 10))`, within the two-sided
    /// 99.9 % interval of the binomial distribution.
    #[test]
    fn rayleigh_outage() {
        let n = 200_000;
        for (margin_db, outage) in
            [(0.0, 0.632_120_6), (3.0, 0.394_189), (10.0, 0.095_162_6), (20.0, 0.009_950_2)]
        {
            let share = faded(Fading::Rayleigh, n, ratio(-margin_db));
            let play = 3.29 * (outage * (1.0 - outage) / n as f64).sqrt();
            assert!((share - outage).abs() < play, "{margin_db} dB: {share}, not {outage}");
        }
    }

    /// The mean error probability of non-coherent binary FSK in flat Rayleigh fading is `1 / (2 + g)`
    /// (J. Proakis and M. Salehi), and the mean of its square is `1 / (4 (1 + g))` (the same integral);
    /// within the two-sided 99.9 % interval of the normal distribution.
    #[test]
    fn rayleigh_error_rates() {
        let n = 400_000_u64;
        for (g, wanted) in [(10.0, 0.083_333_3), (100.0, 9.803_922e-3), (1_000.0, 9.980_04e-4)] {
            let draw = |i| bit_error(g * Fading::Rayleigh.power(chance::normals(chance::mix(i))));
            let mean = (0..n).map(draw).sum::<f64>() / n as f64;
            let variance = 0.25 / (1.0 + g) - wanted * wanted;
            let play = 3.29 * (variance / n as f64).sqrt();
            assert!((mean - wanted).abs() < play, "{g}: {mean}, not {wanted} +- {play}");
        }
    }

    /// The power of Rician fading has mean 1 and variance `(1 + 2 K) / (1 + K)^2` (from the
    /// noncentral chi-square distribution with two degrees of freedom).
    #[test]
    fn rician_moments() {
        let n = 200_000_u64;
        for k in [0.0, 1.0, 4.0, 10.0_f64] {
            let fading = Fading::Rician { k_db: decibels(k) };
            let draws = || (0..n).map(|i| fading.power(chance::normals(chance::mix(i))));
            let mean = draws().sum::<f64>() / n as f64;
            let variance = draws().map(|p| (p - mean).powi(2)).sum::<f64>() / n as f64;
            let wanted = (1.0 + 2.0 * k) / (1.0 + k).powi(2);
            assert!((mean - 1.0).abs() < 3.29 * (wanted / n as f64).sqrt(), "K {k}: mean {mean}");
            close(variance, wanted, 0.05);
        }
        assert_eq!(Fading::None.power((3.0, 4.0)), 1.0);
    }
}
