//! The station's end.

use super::frame::{Frame, FrameReader, Wire, kind, write_frame};
use super::store::{Active, Storage, StorageFault, Store};
use super::{CHUNK_BYTES, MAX_CARRIED, Offer, PROTOCOL, Refusal};
use crate::address::Address;
use core::fmt;
use zeroize::Zeroize;

/// Decides whether a content that arrived whole may take the place of the one in use.
///
/// This is where a station opens the seal, decodes, and looks whether a station comes of it
/// ([`KeyedJudge`](super::KeyedJudge), [`check_configuration`](super::check_configuration)). What is
/// stored and committed is the content as it was carried, not what the judge made of its copy: a
/// station that starts next time reads the very bytes that were judged, and opens them again.
pub trait Judge {
    /// The address of this station, if it has one: by its label, or by the configuration in use.
    /// A station without an address takes any.
    fn address(&self) -> Option<Address>;

    /// Judges a content that was offered for `address`. It may be changed (opened in place, say):
    /// it is a copy, and wiped afterwards, whatever the verdict.
    ///
    /// # Errors
    /// [`Refusal`] if it may not be used.
    fn judge(&mut self, content: &mut [u8], address: Address) -> Result<(), Refusal>;
}

/// What became of an offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// The new configuration is what the next start uses: make the station anew, with the watermark of its key, and drop
    /// a stored order. Until then replace nothing in the store: that would put the former plan over it.
    Accepted(Active),
    /// The old one is still in use, if there was one.
    Refused(Refusal),
}

/// The station's end of the loader: bytes in, bytes out, no time.
pub struct StationEnd<'b, S, J> {
    store: Store<S>,
    judge: J,
    work: &'b mut [u8],
    reader: FrameReader,
    answer: Wire,
    /// What was offered on this connection.
    offered: Option<Offer>,
    verdict: Option<Verdict>,
    /// The last answer was the verdict.
    told: bool,
    /// The last frame was answered by nothing, because only the next start tells what is in use.
    silent: bool,
}

/// Without `work`, where configurations are opened.
impl<S: fmt::Debug, J: fmt::Debug> fmt::Debug for StationEnd<'_, S, J> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { store, judge, offered, verdict, .. } = self;
        let mut shown = f.debug_struct("StationEnd");
        shown.field("store", store).field("judge", judge);
        shown.field("offered", offered).field("verdict", verdict).finish_non_exhaustive()
    }
}

/// A frame, without its borrowed payload.
enum Said {
    Offer(u16, Option<Offer>),
    Chunk(u16, heapless::Vec<u8, CHUNK_BYTES>),
    Commit,
    Garbled,
}

impl<'b, S: Storage, J: Judge> StationEnd<'b, S, J> {
    /// An end that awaits an offer. A content must fit into `work`, where it is judged. What was there
    /// is wiped: after a start it may be the configuration that was opened in it.
    pub const fn new(store: Store<S>, judge: J, work: &'b mut [u8]) -> Self {
        let mut rest = &mut *work;
        while let Some((first, others)) = rest.split_first_mut() {
            *first = 0;
            rest = others;
        }
        Self {
            store,
            judge,
            work,
            reader: FrameReader::new(),
            answer: Wire::new(),
            offered: None,
            verdict: None,
            told: false,
            silent: false,
        }
    }

    /// The configurations.
    #[must_use]
    pub const fn store(&self) -> &Store<S> {
        &self.store
    }

    /// The configurations again, after the work.
    #[must_use]
    pub fn into_store(self) -> Store<S> {
        self.store
    }

    /// What became of the last offer; `None` while that is open, and if only the next start tells
    /// ([`Store::is_in_doubt`]).
    #[must_use]
    pub const fn verdict(&self) -> Option<Verdict> {
        self.verdict
    }

    /// The verdict, if it was told with the last answer: [`verdict`](Self::verdict) stands until the
    /// next offer, also when another carrier is plugged in and has made none yet.
    #[must_use]
    pub fn told(&self) -> Option<Verdict> {
        self.verdict.filter(|_| self.told)
    }

    /// Whether the last frame was answered by nothing, because only the next start tells which configuration is in
    /// use ([`Store::is_in_doubt`]).
    #[must_use]
    pub const fn is_silent(&self) -> bool {
        self.silent
    }

    /// Takes a byte; returns what is to be sent because of it, if anything. There is no answer where the storage
    /// has failed so that only the next start tells which configuration is in use.
    /// A commit reads the whole bank, judges the content (a [`KeyedJudge`](super::KeyedJudge) makes a station of it, on the
    /// stack) and erases a bank. An offer may erase one, or reads the
    /// whole content once if it is in use already. Anything else is one cell's work, unless the storage
    /// fails: then a bank is erased.
    pub fn byte(&mut self, byte: u8) -> Option<&[u8]> {
        let said = match self.reader.byte(byte)? {
            Ok(Frame { kind: kind::OFFER, sequence, payload }) => {
                Said::Offer(sequence, Offer::from_bytes(payload))
            }
            Ok(Frame { kind: kind::CHUNK, sequence, payload }) => {
                let payload = payload.get(..CHUNK_BYTES).unwrap_or(payload);
                Said::Chunk(sequence, heapless::Vec::from_slice(payload).unwrap_or_default())
            }
            Ok(Frame { kind: kind::COMMIT, .. }) => Said::Commit,
            // The other end's own frames come back on a line that echoes: nothing to say.
            Ok(_) => return None,
            Err(_) => Said::Garbled,
        };
        (self.told, self.silent) = (false, false);
        match said {
            Said::Offer(version, offer) => self.offer(version, offer),
            Said::Chunk(number, mut bytes) => {
                self.chunk(number, &bytes);
                bytes.zeroize();
            }
            Said::Commit => self.commit(),
            Said::Garbled => self.again(),
        }
        (!self.answer.is_empty()).then_some(&*self.answer)
    }

    fn offer(&mut self, version: u16, offer: Option<Offer>) {
        self.verdict = None;
        self.offered = None;
        self.store.tidy();
        if self.store.is_in_doubt() {
            // Whatever would be said of what is in use may not be so.
            return self.say_nothing();
        }
        if version != u16::from(PROTOCOL) {
            return self.refuse(Refusal::Protocol);
        }
        let Some(offer) = offer else { return self.refuse(Refusal::Protocol) };
        if self.judge.address().is_some_and(|mine| mine != offer.address) {
            return self.refuse(Refusal::OtherStation);
        }
        let room = self.work.len().min(self.store.room()).min(MAX_CARRIED);
        let size = usize::try_from(offer.size).unwrap_or(usize::MAX);
        if size > room || size == 0 {
            return self.refuse(Refusal::TooLong);
        }
        // Already in use: the answer was lost on the way. Or it came long ago, and would not be taken
        // today: the station may have been given a transfer key since.
        if let Some(active) = self.store.active().filter(|active| active.offer == offer) {
            let judged = match self.store.load(self.work) {
                Ok(content) => self.judge.judge(content, offer.address),
                Err(StorageFault) => Err(Refusal::Storage),
            };
            self.work.zeroize();
            return match judged {
                Ok(()) => self.accept(active),
                Err(refusal) => self.refuse(refusal),
            };
        }
        match self.store.begin(offer) {
            Ok(next) => {
                self.offered = Some(offer);
                self.say(kind::READY, next, &[]);
            }
            Err(StorageFault) => self.refuse(Refusal::Storage),
        }
    }

    fn chunk(&mut self, number: u16, bytes: &[u8]) {
        let Some((offer, wanted)) = self.offer_and_wanted() else { return self.again() };
        if number < wanted {
            // It is here already: the answer was lost on the way.
            return self.say(kind::READY, wanted, &[]);
        }
        let before = usize::from(wanted).saturating_mul(CHUNK_BYTES);
        let left = usize::try_from(offer.size).unwrap_or_default().saturating_sub(before);
        if number != wanted || bytes.len() != left.min(CHUNK_BYTES) || bytes.is_empty() {
            return self.again();
        }
        match self.store.chunk(bytes) {
            Ok(()) => self.say(kind::READY, wanted.saturating_add(1), &[]),
            Err(StorageFault) => {
                // What is refused does not stay: the chunks before may hold a key.
                let _ = self.store.discard();
                self.refuse(Refusal::Storage);
            }
        }
    }

    fn commit(&mut self) {
        let Some((offer, wanted)) = self.offer_and_wanted() else {
            // The verdict was lost on the way.
            return match self.verdict {
                Some(Verdict::Accepted(active)) => self.accept(active),
                Some(Verdict::Refused(refusal)) => self.refuse(refusal),
                None => self.again(),
            };
        };
        if wanted != offer.chunks() {
            return self.again();
        }
        let judged = match self.store.built(self.work) {
            Err(StorageFault) => Err(Refusal::Storage),
            Ok(None) => Err(Refusal::Damaged),
            Ok(Some(content)) => self.judge.judge(content, offer.address),
        };
        self.work.zeroize();
        let committed =
            judged.and_then(|()| self.store.commit().map_err(|StorageFault| Refusal::Storage));
        match committed {
            Ok(active) => self.accept(active),
            Err(refusal) => {
                // What is refused does not stay. A fault here is made up for by the next offer.
                let _ = self.store.discard();
                self.refuse(refusal);
            }
        }
    }

    /// What is being loaded on this connection: an offer must have been made on it.
    fn offer_and_wanted(&self) -> Option<(Offer, u16)> {
        self.store.wanted().filter(|(offer, _)| self.offered == Some(*offer))
    }

    /// Asks for what is wanted once more; for an offer, if none has been made.
    fn again(&mut self) {
        let next = self.offer_and_wanted().map_or(u16::MAX, |(_, wanted)| wanted);
        self.say(kind::AGAIN, next, &[]);
    }

    fn accept(&mut self, active: Active) {
        self.offered = None;
        (self.verdict, self.told) = (Some(Verdict::Accepted(active)), true);
        self.say(kind::ACCEPTED, 0, &active.generation.to_le_bytes());
    }

    fn refuse(&mut self, refusal: Refusal) {
        self.offered = None;
        if refusal == Refusal::Storage && self.store.is_in_doubt() {
            // "It keeps what it had" may not be so. The carrier gets no answer, and says so.
            return self.say_nothing();
        }
        (self.verdict, self.told) = (Some(Verdict::Refused(refusal)), true);
        self.say(kind::REFUSED, u16::from(PROTOCOL), &[refusal.code()]);
    }

    fn say_nothing(&mut self) {
        self.silent = true;
        self.answer.clear();
    }

    fn say(&mut self, kind: u8, sequence: u16, payload: &[u8]) {
        write_frame(Frame { kind, sequence, payload }, &mut self.answer);
    }
}
