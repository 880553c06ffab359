//! How often a block of a message is lost under interference: drawn and counted, beside the exact
//! probability.
//!
//! Each trial has a net key of its own and a place of its own on the timeline. Its slots go where
//! the core's sequence sends them; what falls on a jammed channel is lost, or arrives damaged. A
//! block is lost when `e + 2 v > n - k`. That this is what the core's decoder does is tried on the
//! first trials, symbol by symbol, with real words.

mod closed_form;
mod files;
mod picture;
mod trial;

pub use closed_form::Odds;
pub use files::{to_csv, write_files};

use crate::diagnostic::Diagnostic;
use crate::plan::Plan;
use crate::trials::share_of;
use crate::world::child_seed;
use hopwright_core::coding::reed_solomon::ReedSolomon;
use hopwright_core::sequence::Draw;
use rayon::prelude::*;
use trial::Trial;

/// A count to whose side the closed form gives less than this disagrees with it: by chance once in
/// 147 000 points, as beyond 4.5 standard deviations of a normal distribution.
pub const TAIL: f64 = 3.4e-6;

/// What is tried, and how often.
#[derive(Debug, Clone, PartialEq)]
pub struct Campaign {
    /// The codes.
    pub codes: Vec<ReedSolomon>,
    /// How traffic hops are drawn.
    pub draws: Vec<Draw>,
    /// Shares of the traffic channels that are jammed, 0 to 1.
    pub jammed: Vec<f64>,
    /// The share of jammed slots that arrive damaged, instead of not at all.
    pub damaged: f64,
    /// Trials.
    pub trials: u32,
    /// Trials of these whose words are really encoded and decoded.
    pub decoded: u32,
    /// The seed from which each trial's is drawn.
    pub seed: u64,
}

/// One code under one draw and one share of interference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// What it stands for.
    pub odds: Odds,
    /// Blocks.
    pub trials: u32,
    /// Blocks lost.
    pub lost: u32,
    /// Blocks that were really encoded and decoded.
    pub decoded: u32,
    /// Those of them that the decoder treated otherwise than the count says.
    pub surprises: u32,
    /// The probability of a loss.
    pub expected: f64,
}

impl Point {
    /// The share of blocks lost.
    #[must_use]
    pub fn share(&self) -> f64 {
        f64::from(self.lost) / f64::from(self.trials.max(1))
    }

    /// The interval that covers the true share with 95 % confidence.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        share_of(self.lost.into(), self.trials.into()).1
    }

    /// The share of the traffic channels that is jammed.
    #[must_use]
    pub fn jammed(&self) -> f64 {
        f64::from(self.odds.jammed) / f64::from(self.odds.channels)
    }

    /// Whether count, decoder and closed form agree.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.surprises == 0 && tail(self.lost, self.trials, self.expected) >= TAIL
    }
}

impl Campaign {
    /// Carries all trials out, on all cores.
    ///
    /// # Errors
    /// [`Diagnostic`] if the plan makes no sequence.
    pub fn run(&self, plan: &Plan) -> Result<Vec<Point>, Diagnostic> {
        let mut points = Vec::new();
        for draw in &self.draws {
            let channels = trial::traffic_channels(plan, *draw)?;
            let from = points.len();
            for code in &self.codes {
                points.extend(self.jammed.iter().map(|share| {
                    let odds = self.odds(code, *draw, channels, *share);
                    let expected = odds.loss();
                    Point { odds, trials: 0, lost: 0, decoded: 0, surprises: 0, expected }
                }));
            }
            let fresh = &points[from..];
            let sums = (0..self.trials)
                .into_par_iter()
                .try_fold(
                    || fresh.to_vec(),
                    |mut sums, number| {
                        let seed = child_seed(self.seed, &format!("block/{number}"));
                        let trial = Trial::draw(plan, *draw, seed, self.longest())?;
                        for point in &mut sums {
                            trial.count(point, number < self.decoded);
                        }
                        Ok(sums)
                    },
                )
                .try_reduce_with(|a, b| Ok(add(a, &b)))
                .transpose()?;
            points.splice(from.., sums.unwrap_or_default());
        }
        Ok(points)
    }

    fn longest(&self) -> usize {
        self.codes.iter().map(|code| usize::from(code.n())).max().unwrap_or_default()
    }

    fn odds(&self, code: &ReedSolomon, draw: Draw, channels: u32, share: f64) -> Odds {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a number of channels"
        )]
        let jammed = libm::round(share * f64::from(channels)) as u32;
        Odds { n: code.n(), k: code.k(), draw, channels, jammed, damaged: self.damaged }
    }
}

/// The probability of `hits` in `trials` outcomes of probability `p`, or of more, or of fewer: whichever
/// side `hits` is on. Exact, but for `p`, which is a sum of rounded numbers: of a part of itself, and where
/// it stands for 1 less a loss, of the rounding of 1. What cannot happen stays too unlikely for any
/// number of trials.
fn tail(hits: u32, trials: u32, p: f64) -> f64 {
    const OF_ITSELF: f64 = 1e-9;
    const OF_ONE: f64 = 1e-14;
    let (n, k) = (f64::from(trials), f64::from(hits));
    let many = k > n * p;
    // Fewer hits are more misses.
    let (mut k, p) = if many { (k, p) } else { (n - k, 1.0 - p) };
    let p = p.max(0.0) * (1.0 + OF_ITSELF) + OF_ONE;
    if k <= 0.0 || p >= 1.0 {
        return 1.0;
    }
    let ways = libm::lgamma(n + 1.0) - libm::lgamma(k + 1.0) - libm::lgamma(n - k + 1.0);
    let mut term = libm::exp(ways + k * libm::log(p) + (n - k) * libm::log1p(-p));
    let mut sum = 0.0;
    while k <= n && term > sum * f64::EPSILON {
        sum += term;
        term *= (n - k) / (k + 1.0) * p / (1.0 - p);
        k += 1.0;
    }
    sum
}

fn add(mut a: Vec<Point>, b: &[Point]) -> Vec<Point> {
    for (a, b) in a.iter_mut().zip(b) {
        a.trials += b.trials;
        a.lost += b.lost;
        a.decoded += b.decoded;
        a.surprises += b.surprises;
    }
    a
}

/// The word for a draw in a plan.
#[must_use]
pub const fn draw_word(draw: Draw) -> &'static str {
    match draw {
        Draw::Balanced => "balanced",
        Draw::Independent | _ => "independent",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{Binomial, DiscreteCDF};

    /// Against the binomial distribution of `statrs`, and where few losses are expected: with 2000 trials
    /// of 1.037082e-6 one loss comes once in 483 campaigns, and three once in 670 million.
    #[test]
    fn tails_are_those_of_the_binomial_distribution() {
        for (n, p) in [(40, 0.3), (2_000, 0.36), (2_000, 1.037_082e-6), (50, 0.999)] {
            let distribution = Binomial::new(p, n).unwrap();
            for hits in 0..=n.min(900) {
                let tail = tail(u32::try_from(hits).unwrap(), u32::try_from(n).unwrap(), p);
                let many = hits as f64 > n as f64 * p;
                let exact = if many { distribution.sf(hits - 1) } else { distribution.cdf(hits) };
                // What `p` is rounded by is a thousandth of the least of these.
                let close = exact < 1e-12 || (tail / exact - 1.0).abs() < 1e-2;
                assert!(close, "{hits} of {n} at {p}: {tail:e}, not {exact:e}");
            }
        }
        assert!((tail(1, 2_000, 1.037_082e-6) / 2.072e-3 - 1.0).abs() < 2e-3);
        assert!(tail(3, 2_000, 1.037_082e-6) < TAIL && TAIL < tail(1, 2_000, 1.037_082e-6));
        assert_eq!((tail(0, 100, 0.0), tail(100, 100, 1.0)), (1.0, 1.0));
        // One against what is impossible, in as many trials as `blocks` has and in as many as it may have;
        // rounding may leave a certain loss above 1.
        for (n, sure) in [(100, 1.0), (20_000, 1.0), (20_000, 1.0 + 1e-12), (10_000_000, 1.0)] {
            assert!(tail(1, n, 0.0) < TAIL && tail(n - 1, n, sure) < TAIL, "{n}");
        }
    }
}
