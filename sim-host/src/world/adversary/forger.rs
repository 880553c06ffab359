//! A forger: headers that no member made, behind the right word, where stations wait for it.

use super::ear::Ear;
use super::{Act, Emission, Overheard};
use crate::world::child_seed;
use hopwright_core::address::{Address, Target};
use hopwright_core::coding::interleave::{HEADER_BITS, HEADER_BYTES};
use hopwright_core::header::{Header, HeaderKeys, Kind, Quality};
use hopwright_core::units::{Micros, Slot};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What is forged.
#[derive(Debug)]
pub enum Forgery {
    /// Random bits.
    Random,
    /// The last genuine header that was heard, with so many bits turned, 1 to 264.
    Turned(u16),
    /// An announce sealed under a key that is not the net's.
    WrongKey(HeaderKeys),
}

/// A forger.
#[derive(Debug)]
pub struct Forger {
    forgery: Forgery,
    every_us: u64,
    rng: ChaCha8Rng,
    ear: Ear,
    /// The last headers that were heard, and when each was heard out.
    heard: Vec<(u64, [u8; HEADER_BYTES])>,
    next_us: u64,
}

impl Forger {
    /// A forger that sends one header every `every_us`, once it has heard the sync word twice.
    #[must_use]
    pub fn new(forgery: Forgery, every_us: u64, seed: u64) -> Self {
        let rng = ChaCha8Rng::seed_from_u64(child_seed(seed, "forger"));
        let (ear, heard) = (Ear::default(), Vec::new());
        Self { forgery, every_us: every_us.max(1), rng, ear, heard, next_us: 0 }
    }

    pub(super) fn overhears(&mut self, heard: &Overheard<'_>) {
        self.ear.note(heard);
        if let Ok(bits) = heard.bits.try_into() {
            self.heard.push((heard.ends_us, bits));
        }
    }

    pub(super) fn poll(&mut self, now: u64) -> Act {
        if now < self.next_us {
            return Act { until_us: Some(self.next_us), ..Act::default() };
        }
        self.next_us = now + self.every_us;
        // The last that has been heard out is enough.
        let complete = self.heard.iter().filter(|(ends, _)| *ends <= now).count();
        self.heard.drain(..complete.saturating_sub(1));
        let mut act = Act { until_us: Some(self.next_us), ..Act::default() };
        let Some((word, channels)) = self.ear.learned() else { return act };
        let count = u32::from(channels.len()).max(1);
        let pick = usize::try_from(self.rng.next_u32() % count).unwrap_or(0);
        let Some(channel) = channels.iter().nth(pick) else { return act };
        let bits = match &self.forgery {
            Forgery::Random => {
                let mut bits = vec![0; HEADER_BYTES];
                self.rng.fill_bytes(&mut bits);
                bits
            }
            Forgery::Turned(count) => {
                let last = self.heard.first().filter(|(ends, _)| *ends <= now);
                let Some((_, mut bits)) = last.copied() else { return act };
                let mut turned = std::collections::BTreeSet::new();
                while turned.len() < usize::from(*count).min(HEADER_BITS as usize) {
                    turned.insert(self.rng.next_u32() % HEADER_BITS);
                }
                for bit in turned {
                    let bit = bit as usize;
                    if let Some(byte) = bits.get_mut(bit / 8) {
                        *byte ^= 0x80 >> (bit % 8);
                    }
                }
                bits.to_vec()
            }
            Forgery::WrongKey(keys) => {
                let header = Header {
                    slot: Slot::new(self.rng.next_u32()),
                    source: Address::new(0),
                    target: Target::ALL,
                    kind: Kind::Announce,
                    quality: Quality::of(Micros::new(100)),
                    countdown: 15,
                };
                keys.to_bits(header, 0).to_vec()
            }
        };
        act.send.push(Emission { at_us: now, channel, word, bits });
        act
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hopwright_core::units::Channel;

    fn hear(forger: &mut Forger, channel: u16, began_us: u64) {
        let channel = Channel::new(channel).unwrap();
        let ends_us = began_us + 6_000;
        forger.overhears(&Overheard { channel, word: 77, bits: &[0; 33], began_us, ends_us });
    }

    #[test]
    fn it_waits_until_it_knows_the_word() {
        let mut forger = Forger::new(Forgery::Random, 10_000, 1);
        assert_eq!(forger.poll(0).send, []);
        hear(&mut forger, 4, 1_000);
        assert_eq!(forger.poll(10_000).send, []);
        hear(&mut forger, 5, 21_000);
        let sent = forger.poll(30_000).send;
        assert_eq!((sent[0].word, sent[0].bits.len()), (77, 33));
        assert!([4, 5].contains(&sent[0].channel.number()));
        assert_eq!(forger.poll(35_000).send, [], "its pace");
    }

    #[test]
    fn it_turns_as_many_bits_as_it_was_told() {
        for count in [1, 4, 264] {
            let mut forger = Forger::new(Forgery::Turned(count), 1, 1);
            hear(&mut forger, 4, 0);
            hear(&mut forger, 4, 20_000);
            let sent = forger.poll(40_000).send;
            let turned: u32 = sent[0].bits.iter().map(|byte| byte.count_ones()).sum();
            assert_eq!(turned, u32::from(count));
        }
    }
}
