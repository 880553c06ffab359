//! An energy mimic: it looks like an interferer on the channels where stations without time wait,
//! to drive them off, and spares every word, so that it costs it next to nothing.

use super::ear::Ear;
use super::{Act, Overheard};
use crate::world::child_seed;
use hopwright_core::band::ChannelSet;
use hopwright_core::units::Channel;

/// An energy mimic.
#[derive(Debug)]
pub struct Mimic {
    ear: Ear,
    /// The channels, if it knows them from earlier recordings.
    known: Option<ChannelSet>,
    share: f64,
    burst_us: u64,
    seed: u64,
    /// The channels of words that are on the air, and until when.
    spared: Vec<(Channel, u64)>,
}

impl Mimic {
    /// A mimic that covers `share` of the channels on which it has heard the sync word (or of the
    /// `known` ones), others every `burst_us`.
    #[must_use]
    pub fn new(known: Option<ChannelSet>, share: f64, burst_us: u64, seed: u64) -> Self {
        let (ear, spared) = (Ear::default(), Vec::new());
        Self { ear, known, share, burst_us: burst_us.max(1), seed, spared }
    }

    pub(super) fn overhears(&mut self, heard: &Overheard<'_>) {
        self.ear.note(heard);
        self.spared.push((heard.channel, heard.ends_us));
    }

    pub(super) fn poll(&mut self, now: u64) -> Act {
        self.spared.retain(|(_, until)| now < *until);
        let burst = now / self.burst_us;
        let next = (burst + 1) * self.burst_us;
        let ends = self.spared.iter().map(|(_, until)| *until).min();
        let until_us = Some(ends.map_or(next, |ends| ends.min(next)));
        let learned = self.ear.learned().map(|(_, channels)| channels);
        let Some(channels) = self.known.as_ref().or(learned) else {
            return Act { until_us, ..Act::default() };
        };
        let chance = |c: Channel| child_seed(self.seed ^ burst, &c.number().to_string());
        let mut drawn: Vec<_> = channels.iter().map(|c| (chance(c), c)).collect();
        drawn.sort_unstable();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to the number of channels"
        )]
        let count = libm::round(self.share * drawn.len() as f64) as usize;
        let spared = |c: &Channel| self.spared.iter().any(|(spared, _)| spared == c);
        let covered = drawn.into_iter().take(count).map(|(_, c)| c).filter(|c| !spared(c));
        Act { noise: Some(covered.collect()), send: Vec::new(), until_us }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(channels: &[u16]) -> ChannelSet {
        channels.iter().filter_map(|c| Channel::new(*c)).collect()
    }

    #[test]
    fn it_covers_its_share_and_spares_words() {
        let mut mimic = Mimic::new(Some(set(&[1, 2, 3, 4, 5, 6, 7, 8])), 0.5, 60_000, 1);
        let first = mimic.poll(0).noise.unwrap();
        assert_eq!(first.len(), 4);
        let bursts: Vec<_> = (0..40).map(|n| mimic.poll(n * 60_000).noise.unwrap()).collect();
        assert!(bursts.iter().any(|burst| *burst != first), "others every burst");
        let channel = first.iter().next().unwrap();
        let bits = [0; 33];
        let heard = Overheard { channel, word: 9, bits: &bits, began_us: 10, ends_us: 6_000 };
        mimic.overhears(&heard);
        assert!(!mimic.poll(10).noise.unwrap().contains(channel));
        assert_eq!(mimic.poll(10).until_us, Some(6_000));
        assert!(mimic.poll(6_000).noise.unwrap().contains(channel));
    }

    #[test]
    fn it_learns_the_channels_of_the_word_that_comes_twice() {
        let mut mimic = Mimic::new(None, 1.0, 60_000, 1);
        let bits = [0; 33];
        for (i, (channel, word)) in [(1, 7), (2, 100), (3, 7), (4, 101)].into_iter().enumerate() {
            let channel = Channel::new(channel).unwrap();
            let began_us = i as u64 * 20_000;
            let ends_us = began_us + 6_000;
            mimic.overhears(&Overheard { channel, word, bits: &bits, began_us, ends_us });
        }
        assert_eq!(mimic.poll(1_000_000).noise, Some(set(&[1, 3])));
    }
}
