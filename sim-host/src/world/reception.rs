//! What a radio makes of the bits that arrive.

use super::chance::mix;
use super::medium::{Arrival, Hop, Medium};
use super::physics::at_most;
use hopwright_core::timing::WORD_BITS;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Wrong bits of a unique word that a radio's correlator still accepts. Common practice, no
/// source: packet radios offer such a threshold; the value is ours.
pub const WORD_ERRORS: u32 = 3;
/// Below this bit error probability no bit of a slot is wrong.
pub(super) const NEGLIGIBLE: f64 = 1e-9;

/// A recognised transmission.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Received {
    /// The bits, if they differ from what was sent.
    pub(super) bits: Option<Vec<u8>>,
    /// The error of the time stamp.
    pub(super) jitter_us: i64,
}

impl Medium {
    /// Whether the correlator recognises the word, and what it makes of the bits behind it.
    /// Chance does not depend on the order in which receivers are served.
    pub(super) fn receive(&self, arrival: Arrival, hop: Hop, bits: &[u8]) -> Option<Received> {
        let p = arrival.bit_error;
        if p < NEGLIGIBLE {
            let jitter_us = self.jitter(&mut || mix(self.seed ^ mix(hop.number) ^ hop.key));
            return Some(Received { bits: None, jitter_us });
        }
        let mut rng = ChaCha8Rng::seed_from_u64(mix(self.seed ^ mix(hop.number)) ^ hop.key);
        if uniform(&mut rng) >= at_most(WORD_ERRORS, WORD_BITS, p) {
            return None;
        }
        let mut noisy = bits.to_vec();
        for byte in &mut noisy {
            for bit in 0..8 {
                if uniform(&mut rng) < p {
                    *byte ^= 1 << bit;
                }
            }
        }
        let jitter_us = self.jitter(&mut || rng.next_u64());
        Some(Received { bits: Some(noisy), jitter_us })
    }

    /// As [`receive`](Self::receive), with bits that are not equally likely wrong: `runs` gives
    /// the end of each run, the bits of the unique word counted first, and its probability.
    pub(super) fn receive_runs(
        &self,
        runs: &[(u32, f64)],
        hop: Hop,
        bits: &[u8],
    ) -> Option<Received> {
        let mut rng = ChaCha8Rng::seed_from_u64(mix(self.seed ^ mix(hop.number)) ^ hop.key);
        let (mut wrong_in_word, mut noisy, mut from) = (0, None, 0);
        for (to, p) in runs {
            if *p >= NEGLIGIBLE {
                for bit in from..*to {
                    if uniform(&mut rng) >= *p {
                        continue;
                    }
                    match bit.checked_sub(WORD_BITS) {
                        None => wrong_in_word += 1,
                        Some(bit) => {
                            let noisy = noisy.get_or_insert_with(|| bits.to_vec());
                            if let Some(byte) = noisy.get_mut(bit as usize / 8) {
                                *byte ^= 0x80 >> (bit % 8);
                            }
                        }
                    }
                }
            }
            from = *to;
        }
        if wrong_in_word > WORD_ERRORS {
            return None;
        }
        let jitter_us = self.jitter(&mut || rng.next_u64());
        Some(Received { bits: noisy, jitter_us })
    }

    fn jitter(&self, draw: &mut impl FnMut() -> u64) -> i64 {
        let span = 2 * self.plan.jitter_us + 1;
        (draw() % span).cast_signed() - self.plan.jitter_us.cast_signed()
    }
}

/// A number in `0.0..1.0`.
fn uniform(rng: &mut ChaCha8Rng) -> f64 {
    f64::from(rng.next_u32()) / 4_294_967_296.0
}
