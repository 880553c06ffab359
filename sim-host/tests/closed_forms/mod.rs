//! What the simulated links are compared with, apart from the code under test.

/// Two-sided 99.9 % of the normal distribution.
pub(crate) const NORMAL_999: f64 = 3.290_527;

/// Checks a share of `n` against the closed form, within the two-sided 99.9 % interval of the
/// binomial distribution (normal approximation with continuity correction).
#[track_caller]
pub(crate) fn agrees(hits: u32, n: u32, p: f64, what: &str) {
    let n = f64::from(n);
    let share = f64::from(hits) / n;
    let play = NORMAL_999 * (p * (1.0 - p) / n).sqrt() + 0.5 / n;
    assert!((share - p).abs() <= play, "{what}: {share} of {n}, closed form {p} +- {play}");
}

/// The chance that at most 3 of 32 bits are wrong, summed term by term.
pub(crate) fn word_accepted(p: f64) -> f64 {
    let term = |ways: f64, wrong: i32| ways * p.powi(wrong) * (1.0 - p).powi(32 - wrong);
    term(1.0, 0) + term(32.0, 1) + term(496.0, 2) + term(4_960.0, 3)
}

/// Non-coherent binary FSK, `exp(-g / 2) / 2` (J. Proakis and M. Salehi, Digital Communications).
pub(crate) fn bit_error(g: f64) -> f64 {
    0.5 * (-g / 2.0).exp()
}
