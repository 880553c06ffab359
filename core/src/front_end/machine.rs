//! What is written to a [`Part`] and read from it, without doing so: the part of a transceiver that
//! does not care how the bus is waited for.

use super::part::field;
use super::{Awaited, Captured, Part, PartError, Progress};
use crate::append::append;
use crate::band::Raster;
use crate::timing::{MAX_SLOT_BYTES, Timing, WORD_BITS};
use crate::units::{Channel, Dbm, Hertz, Micros, Tick};
use heapless::Vec;

/// How often a flag is looked at before it is given up, and the time between two looks: 2 ms in
/// all, twice the settling time of the default plan.
pub(super) const TRIES: u32 = 200;
pub(super) const BETWEEN_TRIES_US: u32 = 10;

/// One write: an address and up to four bytes.
pub(super) type Write = Vec<u8, 5>;
/// What has to be written before a reception or a transmission.
pub(super) type Writes = Vec<Write, 3>;

#[derive(Debug)]
pub(super) struct Machine<'a> {
    part: &'a Part,
    raster: Raster,
    divider: u32,
    lead: Micros,
    word_to_signal: Micros,
    timing: Timing,
    state: State,
    /// The bits of a transmission, and how many of them have been written.
    bits: Vec<u8, MAX_SLOT_BYTES>,
    written: usize,
    /// Some of them are being written: if that does not end, nobody knows how many the memory has got.
    torn: bool,
}

#[derive(Debug, Clone, Copy)]
enum State {
    /// Neither.
    Rest,
    /// Listens.
    Waiting(Awaited),
    /// A unique word has been recognised, and `have` of its `length` bytes have been read.
    Receiving { awaited: Awaited, word: u32, at: Tick, length: u16, have: usize },
    /// A reception has been taken, and the receiver does not listen again yet.
    Stopped(Awaited),
    /// Ready to send.
    Loaded,
    /// Sends a word that starts then.
    Sending(Tick),
    /// Has sent, and is to be silent. (Whether it has may not be told any more once the mode is another.)
    Ending,
}

/// What is under way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Progressing {
    Nothing,
    Waiting,
    Receiving,
    Stopped,
    Sending,
    Ending,
}

impl<'a> Machine<'a> {
    pub(super) fn new(part: &'a Part, raster: Raster, timing: &Timing) -> Result<Self, PartError> {
        part.check(timing.bytes())?;
        let bps = timing.link_bps();
        let divider = part.divider(bps, timing.bits())?;
        let ends = [Some(Channel::default()), Channel::new(raster.count().saturating_sub(1))];
        for frequency in ends.into_iter().flatten().filter_map(|end| raster.frequency(end)) {
            part.frequency_word(frequency)?;
        }
        let (lead, word_to_signal) = (part.lead(bps), part.word_to_signal(bps));
        let (state, bits, written) = (State::Rest, Vec::new(), 0);
        let timing = *timing;
        let torn = false;
        Ok(Self { part, raster, divider, lead, word_to_signal, timing, state, bits, written, torn })
    }

    pub(super) const fn part(&self) -> &'a Part {
        self.part
    }

    pub(super) const fn lead(&self) -> Micros {
        self.lead
    }

    // ---- what is written ----

    #[inline(never)]
    fn several(&self, register: u8, bytes: &[u8]) -> Write {
        let mut write = Write::new();
        append(&mut write, [register | self.part.write].into_iter().chain(bytes.iter().copied()));
        write
    }

    #[inline(never)]
    pub(super) fn one(&self, register: u8, value: u8) -> Write {
        self.several(register, &[value])
    }

    pub(super) fn mode(&self, mode: u8) -> Write {
        self.one(self.part.registers.mode, mode)
    }

    pub(super) fn bit_rate(&self) -> Write {
        let (register, bytes) = self.part.registers.divider;
        self.several(register, &field(self.divider, bytes))
    }

    /// The frequency word of a channel; `None` off the raster.
    pub(super) fn frequency(&self, channel: Channel) -> Option<Write> {
        let frequency: Hertz = self.raster.frequency(channel)?;
        let word = self.part.frequency_word(frequency).ok()?;
        let (register, bytes) = self.part.registers.frequency;
        Some(self.several(register, &field(word, bytes)))
    }

    /// What a receiver is told. If two words are waited for, the length is the larger one; a shorter
    /// reception is taken when it is there.
    pub(super) fn listen(&mut self, awaited: Awaited) -> Writes {
        let complement = awaited.complement.filter(|_| self.matches_two());
        self.state = State::Waiting(awaited);
        let longest = complement.map_or(awaited.bytes, |bytes| bytes.max(awaited.bytes));
        let mut writes = Writes::new();
        let registers = &self.part.registers;
        let word = self.several(registers.word, &awaited.word.to_be_bytes());
        let second = registers.second_word.map(|register| {
            // If no complement is waited for, the second word is the first.
            let word = if complement.is_some() { !awaited.word } else { awaited.word };
            self.several(register, &word.to_be_bytes())
        });
        let length = self.length(longest);
        append(&mut writes, [Some(word), second, Some(length)].into_iter().flatten());
        writes
    }

    fn length(&self, bytes: u16) -> Write {
        let (register, width) = self.part.registers.length;
        self.several(register, &field(bytes.into(), width))
    }

    /// What a transmitter is told; `None` if there are too many bits.
    pub(super) fn load(&mut self, word: u32, bits: &[u8]) -> Option<Writes> {
        self.state = State::Rest;
        self.bits.clear();
        (self.written, self.torn) = (0, false);
        self.part.check(bits.len()).ok()?;
        self.bits.extend_from_slice(bits).ok()?;
        let bytes = u16::try_from(bits.len()).ok()?;
        let mut writes = Writes::new();
        let word = self.several(self.part.registers.word, &word.to_be_bytes());
        append(&mut writes, [word, self.length(bytes)].into_iter());
        self.state = State::Loaded;
        Some(writes)
    }

    // ---- what is under way ----

    pub(super) const fn progressing(&self) -> Progressing {
        match self.state {
            State::Rest | State::Loaded => Progressing::Nothing,
            State::Waiting(_) => Progressing::Waiting,
            State::Receiving { .. } => Progressing::Receiving,
            State::Stopped(_) => Progressing::Stopped,
            State::Sending(_) => Progressing::Sending,
            State::Ending => Progressing::Ending,
        }
    }

    pub(super) const fn rest(&mut self) {
        self.state = State::Rest;
    }

    /// Whether something was loaded, to its end; from now on it is being sent, and cannot be sent again.
    pub(super) const fn sends(&mut self, at: Tick) -> bool {
        let loaded = matches!(self.state, State::Loaded) && !self.torn;
        if loaded {
            self.state = State::Sending(at);
        }
        loaded
    }

    pub(super) const fn matches_two(&self) -> bool {
        self.part.registers.second_word.is_some()
    }

    /// A unique word was recognised, and signalled at `stamp`.
    pub(super) const fn recognised(&mut self, stamp: Tick, second: bool) {
        let State::Waiting(awaited) = self.state else { return };
        let (word, length) = match awaited.complement {
            Some(bytes) if second => (!awaited.word, bytes),
            Some(_) | None => (awaited.word, awaited.bytes),
        };
        let at = stamp.minus(self.word_to_signal);
        self.state = State::Receiving { awaited, word, at, length, have: 0 };
    }

    /// Where the next `count` bytes of the reception go.
    pub(super) fn room<'b>(&self, bits: &'b mut [u8], count: usize) -> &'b mut [u8] {
        let State::Receiving { length, have, .. } = self.state else { return &mut [] };
        let end = have.saturating_add(count).min(length.into()).min(bits.len());
        bits.get_mut(have..end).unwrap_or_default()
    }

    pub(super) const fn drained(&mut self, count: usize) {
        if let State::Receiving { have, .. } = &mut self.state {
            *have = have.saturating_add(count);
        }
    }

    /// The reception, if it is whole; no more than `room` bytes of it.
    pub(super) fn captured(&self, room: usize) -> Option<Captured> {
        let State::Receiving { word, at, length, have, .. } = self.state else { return None };
        (have >= usize::from(length).min(room)).then_some(Captured { word, at, length: have })
    }

    /// Whether more has come of the reception than was read and the memory holds: what is in it does not follow what
    /// was read. A byte late, for the time stamp is not better than the line's.
    pub(super) fn has_run_over(&self, now: Tick) -> bool {
        let State::Receiving { at, length, have, .. } = self.state else { return false };
        let held =
            u32::try_from(have).unwrap_or(u32::MAX).saturating_add(self.part.memory_bytes.into());
        let lost = held.saturating_add(1);
        let bits = lost.saturating_add(1).saturating_mul(8).saturating_add(WORD_BITS);
        u32::from(length) >= lost && now > at.plus(self.timing.air_time(bits))
    }

    /// Something is under way, and when it has to be looked after: before half of what the threshold
    /// leaves has come or gone, and when the last bit is due.
    pub(super) fn under_way(&self, now: Tick) -> Progress {
        let bytes = |bytes: u16| self.timing.air_time(u32::from(bytes).saturating_mul(8));
        let word = self.timing.air_time(WORD_BITS);
        let room = self.part.memory_bytes.saturating_sub(self.part.threshold);
        let soon = now.plus(bytes(room.min(self.part.threshold) / 2));
        let end = match self.state {
            State::Receiving { at, length, .. } => at.plus(word).plus(bytes(length)),
            State::Sending(at) => {
                let sent = u16::try_from(self.bits.len()).unwrap_or(u16::MAX);
                at.plus(word).plus(bytes(sent))
            }
            State::Rest | State::Waiting(_) | State::Stopped(_) | State::Loaded | State::Ending => {
                soon
            }
        };
        // What is overdue is looked for again, but not without a pause.
        let look = if end > now { end.min(soon) } else { now.plus(bytes(1)) };
        Progress::UnderWay { look }
    }

    /// The transmission has been sent.
    pub(super) const fn ends(&mut self) {
        self.state = State::Ending;
    }

    /// The reception has been taken.
    pub(super) const fn stops(&mut self) {
        if let State::Receiving { awaited, .. } = self.state {
            self.state = State::Stopped(awaited);
        }
    }

    /// The receiver listens again, for the same words.
    pub(super) const fn again(&mut self) {
        if let State::Stopped(awaited) = self.state {
            self.state = State::Waiting(awaited);
        }
    }

    pub(super) fn has_bits(&self) -> bool {
        self.written < self.bits.len()
    }

    /// As many bytes as certainly fit once the memory has fallen to the threshold.
    pub(super) const fn room_above_threshold(&self) -> usize {
        self.part.memory_bytes.saturating_sub(self.part.threshold) as usize
    }

    /// The next bytes to send, `room` at most.
    pub(super) fn next_bits(&self, room: usize) -> &[u8] {
        let end = self.written.saturating_add(room).min(self.bits.len());
        self.bits.get(self.written..end).unwrap_or_default()
    }

    /// Bits are about to be written.
    pub(super) const fn fills(&mut self) {
        self.torn = true;
    }

    pub(super) const fn filled(&mut self, count: usize) {
        self.written = self.written.saturating_add(count);
        self.torn = false;
    }

    /// Whether a write of bits has failed, or was dropped: what goes on would be sent twice, or not at all.
    pub(super) const fn is_torn(&self) -> bool {
        self.torn
    }

    pub(super) fn level(&self, raw: u8) -> Dbm {
        Dbm::new(self.part.level_offset_dbm.saturating_sub(i16::from(raw / 2)))
    }
}
