//! Exact binomial probabilities (elementary).

use crate::real;
use statrs::function::gamma::ln_gamma;

/// The chance of `k` hits in `n` trials with chance `p` each.
#[must_use]
pub fn chance(n: u64, p: f64, k: u64) -> f64 {
    if k > n {
        return 0.0;
    }
    let ways = ln_gamma(real(n) + 1.0) - ln_gamma(real(k) + 1.0) - ln_gamma(real(n - k) + 1.0);
    (ways + real(k) * p.ln() + real(n - k) * (-p).ln_1p()).exp()
}

/// The smallest count that at least a share `share` of all outcomes do not exceed.
#[must_use]
pub fn quantile(n: u64, p: f64, share: f64) -> u64 {
    let mut below = 0.0;
    for k in 0..=n {
        below += chance(n, p, k);
        if below >= share {
            return k;
        }
    }
    n
}

/// The band outside which at most `both_tails` of all outcomes lie, half on each side.
#[must_use]
pub fn band(n: u64, p: f64, both_tails: f64) -> (u64, u64) {
    (quantile(n, p, both_tails / 2.0), quantile(n, p, 1.0 - both_tails / 2.0))
}
