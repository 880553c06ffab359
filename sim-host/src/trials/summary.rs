//! What many outcomes amount to.
//!
//! The outcomes of one trial are not independent of one another: its stations share a net key, the
//! interference and an over. Intervals therefore count trials, not outcomes (decision 0019): the
//! variance of a share between trials says how many independent outcomes the list is worth.

use std::ops::RangeInclusive;

/// Quantiles of outcomes, with the intervals in which the true ones lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Trials.
    pub trials: usize,
    /// Outcomes.
    pub count: usize,
    /// Outcomes that did not happen in time.
    pub never: usize,
    /// Mean of those that did.
    pub mean_s: f64,
    /// Median.
    pub median_s: f64,
    /// The interval that covers the true median with 95 % confidence; see [`summarise`].
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
/// What may lie beyond either end of a two-sided 95 % interval.
const TAIL: f64 = 0.025;

/// Sums the outcomes of trials up; `None` if there are none.
///
/// Intervals of quantiles go from one order statistic to another, by exact binomial ranks (H. A.
/// David, H. N. Nagaraja, Order Statistics, section 7.1) of as many independent outcomes as the list
/// is worth, put into ranks of the list (R. S. Woodruff, Journal of the American Statistical
/// Association 47, 1952). Where no outcome bounds the quantile from above the end is infinite; where none
/// does from below it is 0.
#[must_use]
pub fn summarise(trials: &[Vec<f64>]) -> Option<Summary> {
    let mut sorted = trials.concat();
    sorted.sort_by(f64::total_cmp);
    let count = sorted.len();
    let worst_s = *sorted.last()?;
    let happened = sorted.iter().copied().filter(|s| s.is_finite());
    let in_time = happened.clone().count();
    let n = count as f64;
    // The smallest outcome that at least so many do not exceed.
    let ranked = |rank: f64| sorted[whole(libm::ceil(rank).clamp(1.0, n)) - 1];
    let around = |p: f64| {
        let quantile = ranked(n * p);
        let worth = worth(trials, |outcome| outcome <= quantile);
        // A rounding error is no outcome less.
        let size = libm::floor(worth * (1.0 + 1e-12));
        // From ranks among so many to ranks in the list.
        let scaled = |rank: u64| rank as f64 * n / size;
        let (low, high) = ranks(whole(size) as u64, p);
        (
            low.map_or(0.0, |rank| ranked(libm::floor(scaled(rank)))),
            high.map_or(f64::INFINITY, |rank| ranked(scaled(rank))),
        )
    };
    Some(Summary {
        trials: trials.len(),
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

/// A whole number that is not negative, as an index.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast from a float saturates, and all are clamped to a list"
)]
const fn whole(number: f64) -> usize {
    number as usize
}

/// How many independent outcomes those of these trials are worth, for the share of them that
/// `hits`: all of them divided by the design effect (L. Kish, Survey Sampling, 1965; for intervals of
/// shares E. L. Korn and B. I. Graubard, Survey Methodology 24, 1998), which is never taken below 1.
/// The variance of the share is that of a ratio of totals between trials. Where all or none hit, the
/// trials say nothing of how their outcomes go together: then it is the number of trials.
fn worth(trials: &[Vec<f64>], hits: impl Fn(f64) -> bool) -> f64 {
    let of = |trial: &Vec<f64>| trial.iter().filter(|outcome| hits(**outcome)).count() as f64;
    let full = trials.iter().filter(|trial| !trial.is_empty());
    let (mut clusters, mut count, mut hit) = (0.0, 0.0, 0.0);
    for trial in full.clone() {
        clusters += 1.0;
        count += trial.len() as f64;
        hit += of(trial);
    }
    let share = hit / count;
    // With one trial nothing is known of what lies between trials.
    if hit <= 0.0 || hit >= count || clusters < 2.0 {
        return clusters;
    }
    let off = full.map(|trial| of(trial) - share * trial.len() as f64);
    let variance = off.map(|d| d * d).sum::<f64>() * clusters / (clusters - 1.0) / (count * count);
    // So many independent outcomes have this variance, as it is estimated from them. (Trials that
    // are more alike than chance lets them be are worth no more than their outcomes.)
    (1.0 + share * (1.0 - share) / variance).min(count)
}

/// The ranks of the order statistics of `n` independent outcomes between which their quantile `p`
/// lies with 95 % confidence; `None` for an end that none bounds. Exact: the number of outcomes below
/// the quantile is binomial.
fn ranks(n: u64, p: f64) -> (Option<u64>, Option<u64>) {
    // The upper end is the lower one of the reversed list.
    (lower_rank(n, p), lower_rank(n, 1.0 - p).map(|rank| n - rank + 1))
}

/// The largest rank whose order statistic exceeds the quantile `p` with a probability of [`TAIL`] at
/// most: that fewer outcomes than this lie below it.
fn lower_rank(n: u64, p: f64) -> Option<u64> {
    let size = n as f64;
    let (mean, deviation) = (size * p, libm::sqrt(size * p * (1.0 - p)));
    // What lies farther below weighs nothing.
    let first = whole(libm::floor(mean - 12.0 * deviation - 12.0).max(0.0)) as u64;
    let factorial = |k: f64| libm::lgamma(k + 1.0);
    let k = first as f64;
    let log = factorial(size) - factorial(k) - factorial(size - k)
        + k * libm::log(p)
        + (size - k) * libm::log1p(-p);
    let (mut term, mut below) = (libm::exp(log), 0.0);
    let ranks: RangeInclusive<u64> = first..=n;
    for rank in ranks {
        below += term;
        if below > TAIL {
            return (rank > 0).then_some(rank);
        }
        let k = rank as f64;
        term *= (size - k) / (k + 1.0) * p / (1.0 - p);
    }
    None
}

/// The share of outcomes of at most `limit` seconds, and the interval that covers the true share
/// with 95 % confidence: Wilson's (1927), of as many outcomes as those of these trials are worth.
#[must_use]
pub fn share_within(trials: &[Vec<f64>], limit: f64) -> (f64, (f64, f64)) {
    let count: usize = trials.iter().map(Vec::len).sum();
    let hits = trials.iter().flatten().filter(|outcome| **outcome <= limit).count();
    let share = hits as f64 / count.max(1) as f64;
    let worth = worth(trials, |outcome| outcome <= limit);
    (share, score_interval(share, worth.max(1.0), NORMAL_95))
}

/// The share of `hits` in `count` independent outcomes, and the interval that covers the true share
/// with 95 % confidence (E. B. Wilson, 1927).
#[must_use]
pub fn share_of(hits: u64, count: u64) -> (f64, (f64, f64)) {
    wilson(hits, count, NORMAL_95)
}

/// The same for a two-sided quantile `z` of the normal distribution.
#[must_use]
pub fn wilson(hits: u64, count: u64, z: f64) -> (f64, (f64, f64)) {
    let n = count.max(1) as f64;
    let share = hits as f64 / n;
    (share, score_interval(share, n, z))
}

/// Wilson's interval of a share of `n` outcomes.
fn score_interval(share: f64, n: f64, z: f64) -> (f64, f64) {
    let z2 = z * z;
    let centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let spread = share * (1.0 - share) / n + z2 / (4.0 * n * n);
    let half = z * libm::sqrt(spread) / (1.0 + z2 / n);
    (centre - half, centre + half)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::{child_seed, unit};

    /// One outcome a trial.
    fn single(outcomes: &[f64]) -> Vec<Vec<f64>> {
        outcomes.iter().map(|outcome| vec![*outcome]).collect()
    }

    /// Numbers that go up and down.
    fn drawn(n: u64) -> Vec<f64> {
        (0..n).map(|i| unit(child_seed(i, "outcome"))).collect()
    }

    /// Nine of ten: 0.5958 to 0.9821 (computed by hand from Wilson's formula).
    #[test]
    fn wilson_interval() {
        let outcomes: Vec<f64> = (1..=10).map(f64::from).collect();
        let (share, (lo, hi)) = share_within(&single(&outcomes), 9.0);
        assert!((share - 0.9).abs() < 1e-12);
        assert!((lo - 0.5958).abs() < 1e-4 && (hi - 0.9821).abs() < 1e-4, "{lo} {hi}");
    }

    #[test]
    fn quantiles_of_a_ruler() {
        let ruler: Vec<f64> = (1..=1_000).rev().map(f64::from).collect();
        let summary = summarise(&single(&ruler)).unwrap();
        assert_eq!((summary.trials, summary.count), (1_000, 1_000));
        assert!((summary.mean_s - 500.5).abs() < 1e-9);
        assert_eq!((summary.median_s, summary.p95_s, summary.p99_s), (500.0, 950.0, 990.0));
        // Binomial ranks, worked out in fractions of whole numbers apart from this.
        assert_eq!(summary.p99_interval_s, (983.0, 997.0));
        assert_eq!(summary.median_interval_s, (469.0, 532.0));
        assert_eq!(summary.p95_interval_s, (936.0, 964.0));
        assert_eq!(summary.worst_s, 1_000.0);
    }

    /// What an interval from order statistic to order statistic covers, by the binomial sum. With
    /// the ends taken from a normal approximation and the upper one clamped to the largest outcome it
    /// was 0.45 for the 99 % quantile of 60 outcomes, and 0.81 for that of 200.
    #[test]
    fn intervals_cover_what_they_promise() {
        for n in [60_u64, 200, 367, 368, 1_000] {
            for p in [0.5, 0.95, 0.99] {
                // P(B = k) for k = 0.. of Binomial(n, p).
                let choose = |k: u64| -> f64 {
                    (0..k).map(|i| (((n - i) as f64) / ((i + 1) as f64)).ln()).sum()
                };
                let probability = |k: u64| {
                    (choose(k) + k as f64 * f64::ln(p) + (n - k) as f64 * f64::ln(1.0 - p)).exp()
                };
                let (low, high) = ranks(n, p);
                // The quantile lies above the low one if at least so many outcomes lie below it,
                // and below the high one if fewer do.
                let covered: f64 = (low.unwrap_or(0)..high.unwrap_or(n + 1)).map(probability).sum();
                assert!(covered >= 0.95, "{n} outcomes, {p}: {covered}");
                // Neither end could be nearer.
                let below = |k: u64| (0..k).map(probability).sum::<f64>();
                assert!(low.is_none_or(|l| below(l) <= 0.025 && below(l + 1) > 0.025));
                let above = |k: u64| (k..=n).map(probability).sum::<f64>();
                assert!(high.is_none_or(|h| above(h) <= 0.025 && above(h - 1) > 0.025));
                // If all outcomes may lie below it, none bounds it: 0.99^367 = 0.02501.
                assert_eq!(high.is_none(), probability(n) > 0.025, "{n} outcomes, {p}");
            }
        }
        let summary = summarise(&single(&drawn(200))).unwrap();
        assert_eq!(summary.p99_interval_s.1, f64::INFINITY);
        assert!(summary.p95_interval_s.1 <= summary.worst_s);
        assert_eq!(
            summarise(&single(&[1.0, 2.0])).unwrap().median_interval_s,
            (0.0, f64::INFINITY)
        );
    }

    /// A trial whose four outcomes are one says no more than one that has it once.
    #[test]
    fn copies_within_a_trial_count_once() {
        let list = drawn(500);
        let copies: Vec<Vec<f64>> = list.iter().map(|outcome| vec![*outcome; 4]).collect();
        let (once, often) = (summarise(&single(&list)).unwrap(), summarise(&copies).unwrap());
        assert_eq!((often.trials, often.count), (500, 2_000));
        assert_eq!(often.median_interval_s, once.median_interval_s);
        assert_eq!(often.p95_interval_s, once.p95_interval_s);
        assert_eq!(often.p99_interval_s, once.p99_interval_s);
        for limit in [0.3, 0.99, 1.0, -1.0] {
            let ((one, once), (other, often)) =
                (share_within(&single(&list), limit), share_within(&copies, limit));
            assert!((one - other).abs() < 1e-12, "{limit}");
            let near = (once.0 - often.0).abs() + (once.1 - often.1).abs();
            assert!(near < 1e-9, "{limit}: {once:?}, {often:?}");
        }
    }

    /// Outcomes that have nothing to do with each other count one by one, but for what the variance
    /// between trials is off by chance; and never more than that.
    #[test]
    fn independent_outcomes_count_one_by_one() {
        let list = drawn(4_000);
        let trials: Vec<Vec<f64>> = list.chunks(4).map(<[f64]>::to_vec).collect();
        for limit in [0.1, 0.5, 0.9] {
            let hits = list.iter().filter(|outcome| **outcome <= limit).count() as u64;
            let (_, (low, high)) = share_of(hits, 4_000);
            let (_, (lo, hi)) = share_within(&trials, limit);
            // The variance between 1000 trials is known to within 9 % twice in three times.
            let width = (hi - lo) / (high - low);
            assert!((1.0 - 1e-12..1.1).contains(&width), "{limit}: {width}");
        }
        // One outcome a trial: exactly Wilson's.
        let hits = list.iter().filter(|outcome| **outcome <= 0.9).count() as u64;
        let (share, (low, high)) = share_of(hits, 4_000);
        let (same, (lo, hi)) = share_within(&single(&list), 0.9);
        assert_eq!(share, same);
        assert!((low - lo).abs() < 1e-12 && (high - hi).abs() < 1e-12);
        // Outcomes that make up for each other within a trial are not worth more than they are.
        let pairs: Vec<Vec<f64>> = (0..100).map(|_| vec![0.0, 1.0]).collect();
        assert_eq!(share_within(&pairs, 0.5).1, share_of(100, 200).1);
        // Where everything happens, trials are counted.
        let all: Vec<Vec<f64>> = (0..50).map(|_| vec![0.0; 4]).collect();
        assert_eq!(share_within(&all, 1.0).1, share_of(50, 50).1);
    }

    #[test]
    fn what_never_happened_is_worst() {
        let summary = summarise(&single(&[1.0, f64::INFINITY, 3.0])).unwrap();
        assert_eq!((summary.never, summary.mean_s), (1, 2.0));
        assert!(summary.worst_s.is_infinite());
        assert_eq!(summarise(&[]), None);
    }
}
