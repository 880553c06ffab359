//! How often a block is lost, exactly.
//!
//! * **Independent draw**: each slot is jammed with the share of jammed channels: the number of
//!   jammed slots is binomial.
//! * **Balanced draw**: within a cycle channels are drawn without replacement: hypergeometric. A
//!   block that reaches from one cycle into the next is a sample of each, and the two are
//!   independent, because every cycle is drawn afresh: a convolution. Where in its cycle a block
//!   begins is as likely here as there.
//!
//! Both distributions are elementary (W. Feller, An Introduction to Probability Theory and Its
//! Applications, volume 1, chapters II and VI, citation from memory).

use hopwright_core::sequence::Draw;

/// What decides how often a block is lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Odds {
    /// Slots of a block.
    pub n: u8,
    /// Slots that suffice.
    pub k: u8,
    /// How traffic hops are drawn.
    pub draw: Draw,
    /// Channels that traffic uses.
    pub channels: u32,
    /// Those of them that are jammed.
    pub jammed: u32,
    /// The share of jammed slots that arrive damaged, instead of not at all.
    pub damaged: f64,
}

impl Odds {
    /// The probability that a block is lost: `e + 2 v > n - k`, with `e` slots lost and `v`
    /// damaged.
    ///
    /// ```
    /// # use hopwright_core::sequence::Draw;
    /// # use hopwright_sim::blocks::Odds;
    /// // Two slots of which one suffices, one channel of four jammed: both are hit with 1/16.
    /// let odds = Odds {
    ///     n: 2, k: 1, draw: Draw::Independent, channels: 4, jammed: 1, damaged: 0.0,
    /// };
    /// assert!((odds.loss() - 1.0 / 16.0).abs() < 1e-12);
    /// // The balanced draw uses no channel twice in a cycle, but one block in four spans two.
    /// let odds = Odds { draw: Draw::Balanced, ..odds };
    /// assert!((odds.loss() - 1.0 / 4.0 / 16.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn loss(&self) -> f64 {
        let spare = usize::from(self.n - self.k);
        let hits = self.hits();
        let lost = hits.iter().enumerate().map(|(x, chance)| chance * self.beyond(x, spare));
        // The smallest first, so that nothing of them is lost.
        lost.rev().sum()
    }

    /// The probability that of `hit` jammed slots so many are damaged that they cost more than
    /// `spare`.
    fn beyond(&self, hit: usize, spare: usize) -> f64 {
        if self.damaged <= 0.0 {
            return f64::from(u8::from(hit > spare));
        }
        binomial(hit, self.damaged).iter().skip((spare + 1).saturating_sub(hit)).sum()
    }

    /// The distribution of the number of jammed slots of a block.
    fn hits(&self) -> Vec<f64> {
        let n = usize::from(self.n);
        let share = f64::from(self.jammed) / f64::from(self.channels);
        match self.draw {
            Draw::Balanced => self.balanced(n),
            Draw::Independent | _ => binomial(n, share),
        }
    }

    /// The mean over all places of a cycle in which a block can begin.
    fn balanced(&self, n: usize) -> Vec<f64> {
        let cycle = self.channels as usize;
        let within = |s: usize| hypergeometric(s, self.channels, self.jammed);
        let mut mean = vec![0.0; n + 1];
        let mut add = |weight: f64, hits: &[f64]| {
            mean.iter_mut().zip(hits).for_each(|(mean, hits)| *mean += weight * hits);
        };
        // What is left of the cycle when the block begins: all lengths that the block exceeds are
        // different, the others all alike.
        let alike = (cycle + 1).saturating_sub(n);
        if alike > 0 {
            add(alike as f64 / cycle as f64, &within(n));
        }
        for left in 1..=cycle.min(n - 1) {
            let (mut hits, mut rest) = (within(left), n - left);
            while rest > 0 {
                let some = rest.min(cycle);
                hits = convolve(&hits, &within(some));
                rest -= some;
            }
            add(1.0 / cycle as f64, &hits);
        }
        mean
    }
}

/// Successes in `n` trials with chance `p` each.
fn binomial(n: usize, p: f64) -> Vec<f64> {
    let (log_p, log_q) = (libm::log(p), libm::log1p(-p));
    let term = |x: usize| {
        // 0 * log 0 is 1 to the power 0.
        let power = |count: usize, log: f64| if count == 0 { 0.0 } else { count as f64 * log };
        libm::exp(log_choose(n, x) + power(x, log_p) + power(n - x, log_q))
    };
    (0..=n).map(term).collect()
}

/// Jammed ones among `sample` channels drawn without replacement.
fn hypergeometric(sample: usize, channels: u32, jammed: u32) -> Vec<f64> {
    let (all, hit) = (channels as usize, jammed as usize);
    let term = |x: usize| {
        if x > hit || sample - x > all - hit {
            return 0.0;
        }
        let ways = log_choose(hit, x) + log_choose(all - hit, sample - x);
        libm::exp(ways - log_choose(all, sample))
    };
    (0..=sample).map(term).collect()
}

fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut sum = vec![0.0; a.len() + b.len() - 1];
    for (i, a) in a.iter().enumerate() {
        for (sum, b) in sum.iter_mut().skip(i).zip(b) {
            *sum += a * b;
        }
    }
    sum
}

fn log_choose(n: usize, k: usize) -> f64 {
    let log_factorial = |n: usize| libm::lgamma(n as f64 + 1.0);
    log_factorial(n) - log_factorial(k) - log_factorial(n - k)
}

#[cfg(test)]
mod tests;
