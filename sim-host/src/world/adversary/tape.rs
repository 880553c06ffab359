//! What was heard, sent again: hours later, or at once.

use super::{Act, Emission, Overheard};
use crate::world::child_seed;
use hopwright_core::units::Channel;

/// Transmissions that a recorder keeps at most.
const LONGEST: usize = 100_000;

/// In which order and where a recording is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// On the same channels with the same spacing.
    AsHeard,
    /// Single headers on any of the channels that were heard, one every so many microseconds.
    Anywhere {
        /// The spacing.
        every_us: u64,
    },
}

/// Records for a while and plays later.
#[derive(Debug)]
pub struct Replayer {
    listen_us: (u64, u64),
    play_us: u64,
    times: u32,
    order: Order,
    seed: u64,
    tape: Vec<Emission>,
    /// How many have been sent.
    sent: usize,
}

impl Replayer {
    /// Records what begins within `listen_us` and plays it from `play_us` on, `times` times over.
    #[must_use]
    pub const fn new(
        listen_us: (u64, u64),
        play_us: u64,
        times: u32,
        order: Order,
        seed: u64,
    ) -> Self {
        Self { listen_us, play_us, times, order, seed, tape: Vec::new(), sent: 0 }
    }

    pub(super) fn overhears(&mut self, heard: &Overheard<'_>) {
        let (from, to) = self.listen_us;
        let wanted = heard.header() || self.order == Order::AsHeard;
        if (from..to).contains(&heard.began_us) && wanted && self.tape.len() < LONGEST {
            self.tape.push(Emission {
                at_us: heard.began_us,
                channel: heard.channel,
                word: heard.word,
                bits: heard.bits.to_vec(),
            });
        }
    }

    /// When the `n`th transmission is due, and what it is.
    fn due(&self, n: usize) -> Option<Emission> {
        let length = self.tape.len();
        let (round, index) = (n.checked_div(length)?, n.checked_rem(length)?);
        let recorded = self.tape.get(index)?;
        if round as u64 >= u64::from(self.times) {
            return None;
        }
        Some(match self.order {
            Order::AsHeard => {
                let span = self.listen_us.1 - self.listen_us.0;
                let since = recorded.at_us - self.listen_us.0;
                Emission { at_us: self.play_us + round as u64 * span + since, ..recorded.clone() }
            }
            Order::Anywhere { every_us } => {
                let chance = child_seed(self.seed, &n.to_string());
                let place = usize::try_from(chance % length as u64).ok()?;
                let channel: Channel = self.tape.get(place)?.channel;
                let at_us = self.play_us + n as u64 * every_us.max(1);
                Emission { at_us, channel, ..recorded.clone() }
            }
        })
    }

    pub(super) fn poll(&mut self, now: u64) -> Act {
        if now < self.play_us {
            return Act { until_us: Some(self.play_us), ..Act::default() };
        }
        let mut act = Act::default();
        while let Some(emission) = self.due(self.sent) {
            if emission.at_us > now {
                act.until_us = Some(emission.at_us);
                break;
            }
            self.sent += 1;
            act.send.push(emission);
        }
        act
    }
}

/// Repeats everything that it hears.
#[derive(Debug)]
pub struct Relay {
    delay_us: u64,
    ahead: Vec<Emission>,
}

impl Relay {
    /// Repeats everything `delay_us` after it was heard.
    #[must_use]
    pub const fn new(delay_us: u64) -> Self {
        Self { delay_us, ahead: Vec::new() }
    }

    pub(super) fn overhears(&mut self, heard: &Overheard<'_>) {
        self.ahead.push(Emission {
            at_us: heard.began_us + self.delay_us,
            channel: heard.channel,
            word: heard.word,
            bits: heard.bits.to_vec(),
        });
    }

    pub(super) fn poll(&mut self) -> Act {
        Act { send: std::mem::take(&mut self.ahead), ..Act::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hear(replayer: &mut Replayer, channel: u16, word: u32, began_us: u64) {
        let channel = Channel::new(channel).unwrap();
        let ends_us = began_us + 6_000;
        replayer.overhears(&Overheard { channel, word, bits: &[7; 33], began_us, ends_us });
    }

    #[test]
    fn a_recording_is_played_with_its_spacing_and_over_again() {
        let mut replayer = Replayer::new((1_000, 101_000), 500_000, 2, Order::AsHeard, 1);
        hear(&mut replayer, 3, 30, 999);
        hear(&mut replayer, 4, 40, 1_000);
        hear(&mut replayer, 5, 50, 21_000);
        hear(&mut replayer, 6, 60, 101_000);
        assert_eq!(replayer.poll(400_000).until_us, Some(500_000));
        let mut played = Vec::new();
        let mut now = 500_000;
        loop {
            let act = replayer.poll(now);
            played.extend(act.send.iter().map(|e| (e.at_us, e.channel.number(), e.word)));
            let Some(next) = act.until_us else { break };
            now = next;
        }
        let wanted = [(500_000, 4, 40), (520_000, 5, 50), (600_000, 4, 40), (620_000, 5, 50)];
        assert_eq!(played, wanted);
    }

    #[test]
    fn single_headers_go_anywhere() {
        let order = Order::Anywhere { every_us: 1_000 };
        let mut replayer = Replayer::new((0, 1_000_000), 2_000_000, 50, order, 1);
        for c in 0..8 {
            hear(&mut replayer, c, u32::from(c), u64::from(c) * 20_000);
        }
        let (mut same, mut all) = (0, 0);
        for n in 0..400 {
            for emission in replayer.poll(2_000_000 + n * 1_000).send {
                same += u32::from(u32::from(emission.channel.number()) == emission.word);
                all += 1;
            }
        }
        assert_eq!(all, 400);
        assert!((20..90).contains(&same), "{same} of 400 where they were heard");
    }

    #[test]
    fn a_relay_sends_everything_once_and_later() {
        let mut relay = Relay::new(250);
        let channel = Channel::new(1).unwrap();
        relay.overhears(&Overheard { channel, word: 2, bits: &[3], began_us: 100, ends_us: 900 });
        assert_eq!(relay.poll().send, [Emission { at_us: 350, channel, word: 2, bits: vec![3] }]);
        assert_eq!(relay.poll().send, []);
    }
}
