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
use crate::trials::{share_of, wilson};
use crate::world::child_seed;
use hopwright_core::coding::reed_solomon::ReedSolomon;
use hopwright_core::sequence::Draw;
use rayon::prelude::*;
use trial::Trial;

/// Standard deviations between a measured share and the closed form beyond which they disagree:
/// by chance once in 150 000 points.
pub const BAND: f64 = 4.5;

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
        let (_, (low, high)) = wilson(self.lost.into(), self.trials.into(), BAND);
        // Both are sums of rounded numbers.
        let expected = self.expected;
        self.surprises == 0 && (low - 1e-9..=high + 1e-9).contains(&expected)
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
