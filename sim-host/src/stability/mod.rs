//! Stability statistics of clocks, and whether the simulated oscillators have those that their
//! closed forms give.
//!
//! Statistics: W. Riley, NIST Special Publication 1065 (2008), section 5.2. Closed forms: the
//! same, section 3, and IEEE 1139.

mod process;
mod statistic;

pub use process::{Row, rows};
pub use statistic::{Statistic, phases};

/// One published value and what is computed here.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Published {
    /// Which statistic.
    pub statistic: Statistic,
    /// Over how many samples each average goes.
    pub m: usize,
    /// What is computed here.
    pub computed: f64,
    /// What is published.
    pub published: f64,
}

impl Published {
    /// Whether the two agree to one part in 10 000.
    #[must_use]
    pub fn agrees(&self) -> bool {
        (self.computed - self.published).abs() <= 1e-4 * self.published
    }
}

/// The 1000 frequency values of NIST SP 1065, section 12.4: the prime modulus generator of
/// S. Park and K. Miller (1988) from 1234567890, divided by its modulus.
#[must_use]
pub fn reference_data() -> Vec<f64> {
    const MODULUS: u64 = 2_147_483_647;
    let numbers = std::iter::successors(Some(1_234_567_890_u64), |n| Some(16_807 * n % MODULUS));
    numbers.take(1_000).map(|n| n as f64 / MODULUS as f64).collect()
}

/// The statistics of the reference data beside the published ones (the same section).
#[must_use]
pub fn published() -> Vec<Published> {
    const VALUES: [(Statistic, [f64; 3]); 6] = [
        (Statistic::Adev, [2.922_319e-1, 9.965_736e-2, 3.897_804e-2]),
        (Statistic::Oadev, [2.922_319e-1, 9.159_953e-2, 3.241_343e-2]),
        (Statistic::Mdev, [2.922_319e-1, 6.172_376e-2, 2.170_921e-2]),
        (Statistic::Tdev, [1.687_202e-1, 3.563_623e-1, 1.253_382]),
        (Statistic::Hdev, [2.943_883e-1, 1.052_754e-1, 3.910_861e-2]),
        (Statistic::Ohdev, [2.943_883e-1, 9.581_083e-2, 3.237_638e-2]),
    ];
    let phase = phases(&reference_data(), 1.0);
    let mut out = Vec::new();
    for (statistic, values) in VALUES {
        for (m, published) in [1, 10, 100].into_iter().zip(values) {
            let computed = statistic.of(&phase, 1.0, m).unwrap_or(f64::NAN);
            out.push(Published { statistic, m, computed, published });
        }
    }
    out
}

#[cfg(test)]
mod tests;
