//! A follower: it detects a transmission, retunes, and makes noise where it was.

use super::{Act, Overheard};
use hopwright_core::band::ChannelSet;
use hopwright_core::coding::interleave::HEADER_BITS;
use hopwright_core::timing::WORD_BITS;
use hopwright_core::units::Channel;
use std::collections::VecDeque;

/// A follower. Its receiver goes on while it transmits, and what it detects later wins.
#[derive(Debug)]
pub struct Follower {
    detect_us: u64,
    retune_us: u64,
    /// How long the net stays on a channel, which is no secret.
    dwell_us: u64,
    ahead: VecDeque<Target>,
    on: Option<Target>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Target {
    channel: Channel,
    from_us: u64,
    to_us: u64,
}

impl Follower {
    /// A follower that needs `detect_us` of a transmission to detect it and `retune_us` to be
    /// there; it stays until `dwell_us` after the transmission began.
    #[must_use]
    pub const fn new(detect_us: u64, retune_us: u64, dwell_us: u64) -> Self {
        Self { detect_us, retune_us, dwell_us, ahead: VecDeque::new(), on: None }
    }

    pub(super) fn overhears(&mut self, heard: &Overheard<'_>) {
        // What ends before it is detected is not detected.
        if heard.began_us + self.detect_us >= heard.ends_us {
            return;
        }
        let from_us = heard.began_us + self.detect_us + self.retune_us;
        let to_us = heard.began_us + self.dwell_us;
        if from_us < to_us {
            self.ahead.push_back(Target { channel: heard.channel, from_us, to_us });
        }
    }

    pub(super) fn poll(&mut self, now: u64) -> Act {
        while self.ahead.front().is_some_and(|target| target.from_us <= now) {
            self.on = self.ahead.pop_front();
        }
        self.on = self.on.filter(|target| now < target.to_us);
        let noise = self.on.map(|target| std::iter::once(target.channel).collect::<ChannelSet>());
        let ends = self.on.map(|target| target.to_us);
        let next = self.ahead.front().map(|target| target.from_us);
        let until_us = [ends, next].into_iter().flatten().min();
        Act { noise, send: Vec::new(), until_us }
    }
}

/// Closed form: the share of a transmission of `air_us` that is hit by noise that begins
/// `reaction_us` after it: `max(0, 1 - reaction / air)`.
#[must_use]
pub fn share_hit(reaction_us: f64, air_us: f64) -> f64 {
    (1.0 - reaction_us / air_us).clamp(0.0, 1.0)
}

/// Closed form, a lower bound: the probability that a coded header is still read when each of its bits from
/// number `first` of the transmission on (its unique word included) is wrong with probability
/// `p`, and the others are right.
///
/// Bits go round the code words, so word `j` has every eleventh bit; each corrects three wrong
/// bits of 24 (the binomial distribution; the extended Golay code). The unique word stands three
/// wrong bits too (common practice, no source).
#[must_use]
pub fn header_survives(first: u32, p: f64) -> f64 {
    let word_hit = WORD_BITS.saturating_sub(first);
    // Each word has 24 bits, one in each column.
    let from = first.saturating_sub(WORD_BITS).min(HEADER_BITS);
    let columns = HEADER_BITS / 24;
    (0..columns).fold(at_most_three(word_hit, p), |so_far, word| {
        let hit = (from..HEADER_BITS).filter(|bit| bit % columns == word).count();
        so_far * at_most_three(u32::try_from(hit).unwrap_or(u32::MAX), p)
    })
}

fn at_most_three(n: u32, p: f64) -> f64 {
    if n <= 3 {
        return 1.0;
    }
    crate::world::physics::at_most(3, n, p)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(channel: u16, began_us: u64, air_us: u64) -> Overheard<'static> {
        let channel = Channel::new(channel).unwrap();
        Overheard { channel, word: 1, bits: &[], began_us, ends_us: began_us + air_us }
    }

    fn covers(act: &Act) -> Option<u16> {
        act.noise.as_ref()?.iter().next().map(Channel::number)
    }

    #[test]
    fn it_comes_after_its_reaction_and_stays_for_the_dwell() {
        let mut follower = Follower::new(300, 700, 18_000);
        follower.overhears(&heard(5, 10_000, 18_000));
        assert_eq!(covers(&follower.poll(10_999)), None);
        assert_eq!(follower.poll(10_999).until_us, Some(11_000));
        assert_eq!(covers(&follower.poll(11_000)), Some(5));
        assert_eq!(follower.poll(11_000).until_us, Some(28_000));
        assert_eq!(covers(&follower.poll(28_000)), None);
    }

    #[test]
    fn it_never_comes_when_its_reaction_exceeds_the_dwell() {
        for reaction in [18_000, 18_001, 50_000] {
            let mut follower = Follower::new(0, reaction, 18_000);
            follower.overhears(&heard(5, 0, 18_000));
            assert_eq!(follower.poll(100_000), Act::default());
        }
        // Nor to what has ended when it would have been detected.
        let mut follower = Follower::new(6_000, 0, 18_000);
        follower.overhears(&heard(5, 0, 5_920));
        assert_eq!(follower.poll(6_000), Act::default());
    }

    #[test]
    fn the_later_detection_wins() {
        let mut follower = Follower::new(100, 100, 18_000);
        follower.overhears(&heard(5, 0, 18_000));
        follower.overhears(&heard(9, 1_000, 18_000));
        assert_eq!(covers(&follower.poll(200)), Some(5));
        assert_eq!(follower.poll(200).until_us, Some(1_200));
        assert_eq!(covers(&follower.poll(1_200)), Some(9));
    }

    #[test]
    fn shares_and_survival_at_both_ends() {
        assert_eq!(share_hit(0.0, 18_000.0), 1.0);
        assert_eq!(share_hit(9_000.0, 18_000.0), 0.5);
        assert_eq!(share_hit(18_000.0, 18_000.0), 0.0);
        assert_eq!(share_hit(40_000.0, 18_000.0), 0.0);
        // 33 hit bits put three into each word: all are corrected.
        assert_eq!(header_survives(32 + 264 - 33, 0.5), 1.0);
        // 44 put four into each: all eleven words must have one of them right by chance, 15/16.
        let four = header_survives(32 + 264 - 44, 0.5);
        assert!((four - (15.0_f64 / 16.0).powi(11)).abs() < 1e-12, "{four}");
        assert!(header_survives(32, 0.5) < 1e-30);
        assert_eq!(header_survives(296, 0.5), 1.0);
    }
}
