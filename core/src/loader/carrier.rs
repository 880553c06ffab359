//! The carrier's end.

use super::frame::{Frame, FrameReader, Wire, kind, write_frame};
use super::{CHUNK_BYTES, Offer, PROTOCOL, Refusal};
use crate::address::Address;
use crate::units::{Micros, Tick};
use zeroize::Zeroize;

/// How long the carrier waits for an answer before it says the same again. A full chunk takes 27 ms
/// at 115 200 bit/s (elementary); writing flash takes the rest.
pub const RETRY_AFTER: Micros = Micros::from_millis(500);
/// How often it says the same again before it gives up; as often it offers again before a chunk more
/// is there.
pub const RETRIES: u8 = 8;

/// What became of an offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Outcome {
    /// The station has it in use: so many have been committed, this one included.
    Accepted {
        /// How many.
        generation: u32,
    },
    /// The station refused it and keeps what it had.
    Refused(Refusal),
    /// The station did not answer. What it has is the old configuration or, if the last answer
    /// was lost, the new one; another try tells and completes it.
    NoAnswer,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Offering,
    Sending(u16),
    Committing,
    Ended(Outcome),
}

/// The carrier's end of the loader: bytes and time in, bytes out.
pub struct CarrierEnd<'a> {
    content: &'a [u8],
    offer: Offer,
    state: State,
    reader: FrameReader,
    out: Wire,
    /// Something is to be sent.
    due: bool,
    /// How often the same has been said.
    tries: u8,
    /// How often it has been offered since the station last had a chunk more.
    offers: u8,
    /// The most chunks that the station has acknowledged.
    acknowledged: u16,
    /// When the same is sent again.
    retry_at: Tick,
}

crate::keys::redacted!(CarrierEnd<'_>, "CarrierEnd");

impl Drop for CarrierEnd<'_> {
    fn drop(&mut self) {
        self.out.zeroize();
    }
}

impl<'a> CarrierEnd<'a> {
    /// An end that offers `content` to the station at `address`.
    #[must_use]
    pub fn new(address: Address, content: &'a [u8]) -> Self {
        Self {
            content,
            offer: Offer::of(address, content),
            state: State::Offering,
            reader: FrameReader::new(),
            out: Wire::new(),
            due: true,
            tries: 0,
            offers: 0,
            acknowledged: 0,
            retry_at: Tick::ZERO,
        }
    }

    /// What became of it; `None` while that is open.
    #[must_use]
    pub const fn outcome(&self) -> Option<Outcome> {
        match self.state {
            State::Ended(outcome) => Some(outcome),
            State::Offering | State::Sending(_) | State::Committing => None,
        }
    }

    /// The most chunks that the station has acknowledged, and how many there are.
    #[must_use]
    pub const fn progress(&self) -> (u16, u16) {
        (self.acknowledged, self.offer.chunks())
    }

    /// When to poll again if nothing arrives before.
    #[must_use]
    pub const fn wake(&self) -> Tick {
        self.retry_at
    }

    /// What is to be sent now, if anything.
    pub fn poll(&mut self, now: Tick) -> Option<&[u8]> {
        if self.outcome().is_some() || !(self.due || now >= self.retry_at) {
            return None;
        }
        if self.tries > RETRIES {
            self.state = State::Ended(Outcome::NoAnswer);
            return None;
        }
        // A station that has lost its place, or its power, is asked anew.
        if self.tries > RETRIES / 2 {
            self.state = State::Offering;
        }
        if self.state == State::Offering {
            // An answer to an offer is not yet progress: on a line that spoils one frame every time,
            // chunks and offers would take turns for ever.
            if self.offers > RETRIES {
                self.state = State::Ended(Outcome::NoAnswer);
                return None;
            }
            self.offers = self.offers.saturating_add(1);
        }
        self.due = false;
        self.tries = self.tries.saturating_add(1);
        self.retry_at = now.plus(RETRY_AFTER);
        let offer = self.offer.to_bytes();
        let (kind, sequence, payload) = match self.state {
            State::Offering => (kind::OFFER, u16::from(PROTOCOL), &offer[..]),
            State::Sending(next) => {
                let from = usize::from(next).saturating_mul(CHUNK_BYTES);
                let rest = self.content.get(from..).unwrap_or_default();
                (kind::CHUNK, next, rest.get(..CHUNK_BYTES).unwrap_or(rest))
            }
            State::Committing | State::Ended(_) => (kind::COMMIT, self.offer.chunks(), &[][..]),
        };
        write_frame(Frame { kind, sequence, payload }, &mut self.out);
        Some(&self.out)
    }

    /// Takes a byte from the station. Poll afterwards: there may be something to send.
    pub fn byte(&mut self, byte: u8) {
        // What is garbled is repeated when its time comes.
        let Some(Ok(Frame { kind, sequence, payload })) = self.reader.byte(byte) else { return };
        let all = self.offer.chunks();
        match (kind, self.state) {
            (kind::READY, State::Offering) if sequence <= all => self.go_on(sequence),
            // Only the answer to what was sent last moves on: a late answer to a repetition must
            // not set off another round of everything that follows.
            (kind::READY, State::Sending(sent)) if sequence == sent.saturating_add(1) => {
                self.go_on(sequence);
            }
            (kind::AGAIN, State::Sending(sent)) if sequence == sent => self.due = true,
            (kind::AGAIN, State::Sending(_) | State::Committing) => {
                self.state = State::Offering;
                self.due = true;
            }
            // No chunk is accepted: while they are sent, this is a late answer to an earlier carrier.
            (kind::ACCEPTED, State::Offering | State::Committing) => {
                if let Ok(generation) = payload.try_into() {
                    let generation = u32::from_le_bytes(generation);
                    self.acknowledged = all;
                    self.state = State::Ended(Outcome::Accepted { generation });
                }
            }
            (kind::REFUSED, State::Offering | State::Sending(_) | State::Committing) => {
                let reason = payload.first().copied().and_then(Refusal::from_code);
                // A reason of a later version is still a refusal.
                let refusal = reason.unwrap_or(Refusal::Protocol);
                self.state = State::Ended(Outcome::Refused(refusal));
            }
            _ => {}
        }
    }

    fn go_on(&mut self, next: u16) {
        let all = self.offer.chunks();
        self.state = if next < all { State::Sending(next) } else { State::Committing };
        self.due = true;
        self.tries = 0;
        // Beyond the most that has been, so that a station that begins anew has no endless credit.
        if next > self.acknowledged {
            self.acknowledged = next;
            self.offers = 0;
        }
    }
}
