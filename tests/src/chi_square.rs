//! Pearson's chi-square test of goodness of fit (K. Pearson, 1900; NIST/SEMATECH e-Handbook
//! section 1.3.5.15, citation from memory), with both tails.

use crate::real;
use statrs::function::gamma::{gamma_lr, gamma_ur};

/// The outcome of a test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// The sum of `(observed - expected)^2 / expected`.
    pub statistic: f64,
    /// Degrees of freedom.
    pub freedom: u64,
    /// The chance that fair data fit at least as well as these.
    pub lower: f64,
    /// The chance that fair data fit at most as well as these.
    pub upper: f64,
}

/// What a test says at a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing against it.
    Fair,
    /// The data fit worse than chance explains.
    TooUneven,
    /// The data fit better than chance explains: they were not drawn independently.
    TooUniform,
}

impl Fit {
    /// The test of `observed` against `expected`, with one degree of freedom less than there
    /// are cells.
    ///
    /// # Panics
    /// If the lengths differ, there are fewer than two cells, or a cell expects nothing.
    #[must_use]
    pub fn of(observed: &[u64], expected: &[f64]) -> Self {
        assert_eq!(observed.len(), expected.len(), "one expectation a cell");
        assert!(observed.len() >= 2, "one cell always fits");
        let cell = |(o, e): (&u64, &f64)| {
            assert!(*e > 0.0, "a cell that expects nothing");
            (real(*o) - e).powi(2) / e
        };
        let statistic = observed.iter().zip(expected).map(cell).sum();
        let freedom = observed.len() as u64 - 1;
        Self {
            statistic,
            freedom,
            lower: lower(freedom, statistic),
            upper: upper(freedom, statistic),
        }
    }

    /// The test of `observed` against equal expectations.
    #[must_use]
    pub fn uniform(observed: &[u64]) -> Self {
        let each = real(observed.iter().sum()) / real(observed.len() as u64);
        Self::of(observed, &vec![each; observed.len()])
    }

    /// What the test says if each tail may give a false alarm with probability `level`.
    #[must_use]
    pub fn verdict(&self, level: f64) -> Verdict {
        if self.upper < level {
            Verdict::TooUneven
        } else if self.lower < level {
            Verdict::TooUniform
        } else {
            Verdict::Fair
        }
    }
}

/// The chance that a chi-square variable with `freedom` degrees of freedom is below `x`.
#[must_use]
pub fn lower(freedom: u64, x: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { gamma_lr(real(freedom) / 2.0, x / 2.0) }
}

/// The chance that a chi-square variable with `freedom` degrees of freedom is above `x`.
#[must_use]
pub fn upper(freedom: u64, x: f64) -> f64 {
    if x <= 0.0 { 1.0 } else { gamma_ur(real(freedom) / 2.0, x / 2.0) }
}
