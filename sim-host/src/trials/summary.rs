//! What many outcomes amount to.

/// Quantiles of outcomes, with the interval in which the true 99 % quantile lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Outcomes.
    pub count: usize,
    /// Outcomes that did not happen in time.
    pub never: usize,
    /// Mean of those that did.
    pub mean_s: f64,
    /// Median.
    pub median_s: f64,
    /// The interval that covers the true median with 95 % confidence, from order statistics
    /// (normal approximation of the binomial).
    pub median_interval_s: (f64, f64),
    /// 95 % quantile.
    pub p95_s: f64,
    /// The same interval for it.
    pub p95_interval_s: (f64, f64),
    /// 99 % quantile.
    pub p99_s: f64,
    /// The same interval for it.
    pub p99_interval_s: (f64, f64),
    /// The largest.
    pub worst_s: f64,
}

/// Two-sided 95 % of the normal distribution.
const NORMAL_95: f64 = 1.959_964;

/// Sums outcomes up; `None` if there are none.
#[must_use]
pub fn summarise(outcomes: &[f64]) -> Option<Summary> {
    let mut sorted = outcomes.to_vec();
    sorted.sort_by(f64::total_cmp);
    let count = sorted.len();
    let worst_s = *sorted.last()?;
    let happened = sorted.iter().copied().filter(|s| s.is_finite());
    let in_time = happened.clone().count();
    let n = count as f64;
    // The smallest outcome that at least so many do not exceed.
    let ranked = |rank: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the list"
        )]
        let index = libm::ceil(rank).clamp(1.0, n) as usize - 1;
        sorted[index]
    };
    let around = |p: f64| {
        let half = NORMAL_95 * libm::sqrt(n * p * (1.0 - p));
        (ranked(n * p - half), ranked(n * p + half))
    };
    Some(Summary {
        count,
        never: count - in_time,
        mean_s: happened.sum::<f64>() / (in_time.max(1) as f64),
        median_s: ranked(n * 0.5),
        median_interval_s: around(0.5),
        p95_s: ranked(n * 0.95),
        p95_interval_s: around(0.95),
        p99_s: ranked(n * 0.99),
        p99_interval_s: around(0.99),
        worst_s,
    })
}

/// The share of outcomes of at most `limit` seconds, and the interval that covers the true share
/// with 95 % confidence (E. B. Wilson, 1927).
#[must_use]
pub fn share_within(outcomes: &[f64], limit: f64) -> (f64, (f64, f64)) {
    let hits = outcomes.iter().filter(|outcome| **outcome <= limit).count();
    share_of(hits as u64, outcomes.len() as u64)
}

/// The share of `hits` in `count`, and the interval that covers the true share with 95 %
/// confidence (E. B. Wilson, 1927).
#[must_use]
pub fn share_of(hits: u64, count: u64) -> (f64, (f64, f64)) {
    wilson(hits, count, NORMAL_95)
}

/// The same for a two-sided quantile `z` of the normal distribution.
#[must_use]
pub fn wilson(hits: u64, count: u64, z: f64) -> (f64, (f64, f64)) {
    let n = count.max(1) as f64;
    let (share, z2) = (hits as f64 / n, z * z);
    let centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let spread = share * (1.0 - share) / n + z2 / (4.0 * n * n);
    let half = z * libm::sqrt(spread) / (1.0 + z2 / n);
    (share, (centre - half, centre + half))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nine of ten: 0.5958 to 0.9821 (computed by hand from Wilson's formula).
    #[test]
    fn wilson_interval() {
        let outcomes: Vec<f64> = (1..=10).map(f64::from).collect();
        let (share, (lo, hi)) = share_within(&outcomes, 9.0);
        assert!((share - 0.9).abs() < 1e-12);
        assert!((lo - 0.5958).abs() < 1e-4 && (hi - 0.9821).abs() < 1e-4, "{lo} {hi}");
    }

    #[test]
    fn quantiles_of_a_ruler() {
        let ruler: Vec<f64> = (1..=1_000).rev().map(f64::from).collect();
        let summary = summarise(&ruler).unwrap();
        assert_eq!(summary.count, 1_000);
        assert!((summary.mean_s - 500.5).abs() < 1e-9);
        assert_eq!((summary.median_s, summary.p95_s, summary.p99_s), (500.0, 950.0, 990.0));
        // 990 +- 1.96 * sqrt(9.9) ranks.
        assert_eq!(summary.p99_interval_s, (984.0, 997.0));
        // 500 +- 1.96 * sqrt(250), 950 +- 1.96 * sqrt(47.5).
        assert_eq!(summary.median_interval_s, (470.0, 531.0));
        assert_eq!(summary.p95_interval_s, (937.0, 964.0));
        assert_eq!(summary.worst_s, 1_000.0);
    }

    #[test]
    fn what_never_happened_is_worst() {
        let summary = summarise(&[1.0, f64::INFINITY, 3.0]).unwrap();
        assert_eq!((summary.never, summary.mean_s), (1, 2.0));
        assert!(summary.worst_s.is_infinite());
        assert_eq!(summarise(&[]), None);
    }
}
