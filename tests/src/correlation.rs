//! How sequences resemble themselves and each other.

use crate::{real, real_len};

/// The correlation coefficient of `x[i]` and `x[i + lag]`, cyclically (D. E. Knuth, The Art of
/// Computer Programming, volume 2, section 3.3.2 K, citation from memory). For `n` independent
/// values: mean `-1 / (n - 1)`, variance about `1 / n`.
///
/// # Panics
/// If all values are equal.
#[must_use]
pub fn serial(x: &[u16], lag: usize) -> f64 {
    let n = real_len(x.len());
    let mean = x.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let later = x.iter().cycle().skip(lag);
    let products =
        x.iter().zip(later).map(|(a, b)| (f64::from(*a) - mean) * (f64::from(*b) - mean));
    let variance = x.iter().map(|a| (f64::from(*a) - mean).powi(2)).sum::<f64>();
    assert!(variance > 0.0, "a constant has no correlation");
    products.sum::<f64>() / variance
}

/// Coincidences of `a[i]` and `b[i + shift]`, cyclically: the periodic Hamming correlation
/// (A. Lempel and H. Greenberger, IEEE Trans. IT-20, 1974).
#[must_use]
pub fn hamming<T: PartialEq>(a: &[T], b: &[T], shift: usize) -> u64 {
    let pairs = a.iter().zip(b.iter().cycle().skip(shift));
    pairs.filter(|(a, b)| a == b).count() as u64
}

/// The largest Hamming autocorrelation off the peak.
#[must_use]
pub fn off_peak<T: PartialEq>(a: &[T]) -> u64 {
    (1..a.len()).map(|shift| hamming(a, a, shift)).max().unwrap_or_default()
}

/// The numerator and denominator of the Lempel-Greenberger bound on the off-peak autocorrelation
/// of one sequence of length `n` over `q` channels (IEEE Trans. IT-20, 1974, 90-94; the formula is
/// from memory, and the tests search small cases exhaustively).
#[must_use]
pub const fn lempel_greenberger(n: u64, q: u64) -> (u64, u64) {
    let e = n % q;
    // n + e >= q is not given for n < q, where nothing need ever coincide.
    ((n - e) * (n + e).saturating_sub(q), q * (n - 1))
}

/// The two Peng-Fan bounds on the largest correlation, own off-peak and mutual, in a family of
/// `m` sequences (D. Peng and P. Fan, IEEE Trans. IT-50, 2004, 2149-2154; from memory likewise).
#[must_use]
pub const fn peng_fan(n: u64, q: u64, m: u64) -> (u64, u64) {
    let i = n * m / q;
    let first = ((n * m - q) * n).div_ceil((n * m - 1) * q);
    let second = (2 * i * n * m - (i + 1) * i * q).div_ceil((n * m - 1) * m);
    (first, second)
}

/// The chance that a hop of one net meets another's, with `nets` independent nets on `q` channels
/// and slots aligned (elementary).
#[must_use]
pub fn hit_chance(q: u64, nets: i32) -> f64 {
    1.0 - (1.0 - 1.0 / real(q)).powi(nets - 1)
}
