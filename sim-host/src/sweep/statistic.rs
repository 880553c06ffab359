//! Mean and median with bootstrap intervals.
//!
//! The bootstrap (B. Efron, 1979) draws as many outcomes as there are, with replacement, again and
//! again, and takes the statistic of each draw; the interval is cut from the middle of these
//! (percentile method). The draws come from a seed: the same outcomes in the same order have the
//! same interval everywhere.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// The part of the replicates that lies outside the interval, on each side: 95 % are inside.
const TAIL: f64 = 0.025;

/// The mean; `None` of nothing.
pub(super) fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// The median: of an even number of values, the mean of the two in the middle. What never
/// happened counts as later than everything. `None` of nothing.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    if values.is_empty() {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    if odd {
        return Some(*upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(if lower.is_infinite() { lower } else { f64::midpoint(lower, *upper) })
}

/// The statistic of each of `resamples` draws, ascending.
fn replicates(
    values: &[f64],
    resamples: u32,
    seed: u64,
    statistic: impl Fn(&mut [f64]) -> Option<f64>,
) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut drawn = vec![0.0; values.len()];
    let mut out = Vec::with_capacity(resamples as usize);
    for _ in 0..resamples {
        for place in &mut drawn {
            // The high half of the product: uneven by no more than count / 2^32.
            let index = (u64::from(rng.next_u32()) * values.len() as u64) >> 32;
            *place = values[usize::try_from(index).unwrap_or(0)];
        }
        out.extend(statistic(&mut drawn));
    }
    out.sort_by(f64::total_cmp);
    out
}

/// The 95 % interval of a statistic; `None` of fewer than two values, which say nothing of how far
/// they spread.
pub(super) fn interval(
    values: &[f64],
    resamples: u32,
    seed: u64,
    statistic: impl Fn(&mut [f64]) -> Option<f64>,
) -> Option<(f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let replicates = replicates(values, resamples, seed, statistic);
    let ranked = |share: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a rank within the list"
        )]
        let rank = libm::ceil(share * replicates.len() as f64) as usize;
        replicates.get(rank.saturating_sub(1)).copied()
    };
    Some((ranked(TAIL)?, ranked(1.0 - TAIL)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trials::share_of;

    /// The seven treated mice of B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap
    /// (1993), Table 2.1: days of survival.
    const TREATED: [f64; 7] = [94.0, 197.0, 16.0, 38.0, 99.0, 141.0, 23.0];

    fn by_mean(values: &mut [f64]) -> Option<f64> {
        mean(values)
    }

    fn spread(values: &[f64]) -> f64 {
        let mean = mean(values).unwrap();
        let squares: f64 = values.iter().map(|x| (x - mean) * (x - mean)).sum();
        libm::sqrt(squares / (values.len() as f64 - 1.0))
    }

    /// Table 2.2 of the same book: with ever more draws the standard errors tend to 23.36 for the
    /// mean and 37.83 for the median (from memory; `the_exact_distribution_of_the_median` and the
    /// line below find them again by closed forms).
    #[test]
    fn standard_errors_are_those_of_the_book() {
        let plug_in: f64 = {
            let mean = mean(&TREATED).unwrap();
            let squares: f64 = TREATED.iter().map(|x| (x - mean) * (x - mean)).sum();
            libm::sqrt(squares) / 7.0
        };
        assert!((plug_in - 23.36).abs() < 0.005, "{plug_in}");
        let means = replicates(&TREATED, 100_000, 1, by_mean);
        assert!((spread(&means) - 23.36).abs() < 0.3, "{}", spread(&means));
        let medians = replicates(&TREATED, 100_000, 2, median);
        assert!((spread(&medians) - 37.83).abs() < 0.4, "{}", spread(&medians));
    }

    /// How likely at most `most` of `n` draws are hits, with the chance `p` of each.
    fn binomial_at_most(most: u32, n: u32, p: f64) -> f64 {
        let choose = |k: u32| (0..k).fold(1.0, |c, i| c * f64::from(n - i) / f64::from(i + 1));
        let power = |x: f64, k: u32| libm::pow(x, f64::from(k));
        (0..=most).map(|k| choose(k) * power(p, k) * power(1.0 - p, n - k)).sum()
    }

    /// The median of n = 7 draws is no more than the i-th smallest value if at least four draws
    /// are (closed form by the binomial distribution; Efron, 1979, section 3).
    #[test]
    fn the_exact_distribution_of_the_median() {
        let mut sorted = TREATED;
        sorted.sort_by(f64::total_cmp);
        let at_most = |i: u32| 1.0 - binomial_at_most(3, 7, f64::from(i) / 7.0);
        let chance = |i: u32| at_most(i) - at_most(i - 1);
        let moment = |k: i32| -> f64 {
            let of = |i: u32| chance(i) * libm::pow(sorted[i as usize - 1], f64::from(k));
            (1..=7).map(of).sum()
        };
        let error = libm::sqrt(moment(2) - moment(1) * moment(1));
        assert!((error - 37.83).abs() < 0.005, "{error}");
        let n = 50_000;
        let drawn = replicates(&TREATED, n, 3, median);
        for (i, value) in (1..=7).zip(sorted) {
            let hits = drawn.iter().filter(|m| **m == value).count() as f64 / f64::from(n);
            assert!((hits - chance(i)).abs() < 0.01, "{value}: {hits}, exact {}", chance(i));
        }
    }

    #[test]
    fn an_interval_holds_95_percent_of_the_replicates() {
        let (low, high) = interval(&TREATED, 20_000, 4, by_mean).unwrap();
        let drawn = replicates(&TREATED, 20_000, 5, by_mean);
        let inside = drawn.iter().filter(|m| low <= **m && **m <= high).count();
        assert!((18_850..=19_150).contains(&inside), "{inside}");
        assert_eq!(interval(&TREATED, 500, 4, median), interval(&TREATED, 500, 4, median));
        assert_ne!(interval(&TREATED, 500, 4, by_mean), interval(&TREATED, 500, 5, by_mean));
    }

    /// Of 400 samples of 40 from an even spread over 0 to 1, nearly 95 % have the true mean in their
    /// interval: a percentile interval of 40 is a little short.
    #[test]
    fn intervals_cover_the_truth() {
        let mut rng = ChaCha8Rng::seed_from_u64(6);
        let mut covered = [0, 0];
        for trial in 0..400 {
            let sample: Vec<f64> =
                (0..40).map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0).collect();
            let around = |interval: Option<(f64, f64)>| {
                interval.is_some_and(|(low, high)| low <= 0.5 && 0.5 <= high)
            };
            covered[0] += u64::from(around(interval(&sample, 400, trial, by_mean)));
            covered[1] += u64::from(around(interval(&sample, 400, trial, median)));
        }
        for count in covered {
            assert!((364..=394).contains(&count), "{covered:?}");
        }
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(
            median(&mut [f64::INFINITY, 1.0, f64::INFINITY, f64::INFINITY]),
            Some(f64::INFINITY)
        );
        assert_eq!(median(&mut [1.0, f64::INFINITY]), Some(f64::INFINITY));
        assert_eq!((median(&mut []), mean(&[])), (None, None));
        assert_eq!(interval(&[1.0], 100, 1, by_mean), None);
    }

    /// R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in
    /// Medicine 17 (1998), Table I, method 3 (Wilson's score without continuity correction); from
    /// memory. The ends are also where the score test just holds: |p - h| = z sqrt(h (1 - h) / n).
    #[test]
    fn wilson_intervals_are_the_published_ones() {
        for (hits, of, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0000, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let (share, (l, h)) = share_of(hits, of);
            assert!((l - low).abs() < 5e-5 && (h - high).abs() < 5e-5, "{hits}/{of}: {l} {h}");
            for end in [l, h] {
                let score = 1.959_964 * libm::sqrt((end * (1.0 - end)).max(0.0) / of as f64);
                assert!(((share - end).abs() - score).abs() < 1e-9, "{hits}/{of} at {end}");
            }
        }
    }
}
