//! The operator's side: commands, call headers, payload.

use super::activity::{Activity, Announce, Speak};
use super::poll::Place;
use super::{
    CLOSING_SLOTS, Command, Current, Event, Mode, Payload, Refused, Role, Station, WATERMARK_STEP,
    Wish,
};
use crate::address::{Address, Target};
use crate::clock::NetClock;
use crate::header::{self, Header, Kind, Quality};
use crate::keys::put;
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::{Slot, Tick};

/// Bytes of a traffic slot that tell the length of its payload.
const LENGTH_BYTES: usize = 2;

impl<const N: usize> Station<N> {
    /// Asks something of the station at `now`. Constant work: ten permutations at most for a press, and what is left
    /// of a change of keys, of which there are two pieces of a poll's length at most.
    ///
    /// # Errors
    /// [`Refused`]; nothing has changed then.
    #[inline(never)]
    pub fn command(&mut self, now: Tick, command: Command) -> Result<(), Refused> {
        self.first_asked(now);
        self.adopt_whole();
        match command {
            Command::Announce => self.start_announce(now),
            Command::Press(target) => self.press(now, target),
            Command::Release => self.release(now),
            Command::Order => self.press_order(now),
            Command::Mode(mode) => self.set_mode(now, mode),
        }
    }

    /// The bytes that a traffic slot carries.
    #[must_use]
    pub const fn payload_capacity(&self) -> usize {
        self.timing.bytes().saturating_sub(LENGTH_BYTES)
    }

    /// Hands over the payload of the next traffic slot of our own over. A traffic slot for which
    /// none was handed over carries an empty one. What has not been sent when the over ends, however it
    /// does, is dropped. An empty one changes nothing and tells by [`Refused::Full`] whether one waits: who
    /// releases behind the last one waits for that.
    ///
    /// # Errors
    /// [`Refused::NotSpeaking`] without an over or once it has been released, [`Refused::TooLong`] beyond
    /// [`payload_capacity`](Self::payload_capacity), [`Refused::Full`] while the last one waits.
    pub fn queue_payload(&mut self, bytes: &[u8]) -> Result<(), Refused> {
        if !matches!(self.activity, Activity::Speak(Speak { closing: None, .. })) {
            return Err(Refused::NotSpeaking);
        }
        let limit = self.payload_capacity();
        if bytes.len() > limit {
            return Err(Refused::TooLong(limit));
        }
        if !self.payload.is_empty() {
            return Err(Refused::Full);
        }
        self.payload.extend_from_slice(bytes).map_err(|_| Refused::TooLong(limit))
    }

    /// Reads the bits of a traffic slot that [`heard`](Self::heard) has called
    /// [`Heard::Payload`](super::Heard::Payload); gives the number of bytes put into `out`, or
    /// `None` if the bits are too short or garbled, `out` is too small, or the station has no key
    /// to such a call.
    ///
    /// The payload is encrypted but not authenticated: what was garbled on the way reads as
    /// garbage. A cipher block for each 64 bytes; for the first payload of a call eleven
    /// permutations besides.
    #[must_use]
    #[inline(never)]
    pub fn open_payload(
        &mut self,
        payload: &Payload,
        bits: &[u8],
        out: &mut [u8],
    ) -> Option<usize> {
        let Payload { timeline, slot, source, target, .. } = *payload;
        let mut text = [0; crate::timing::MAX_SLOT_BYTES];
        let bits = bits.get(..self.timing.bytes())?;
        let text = text.get_mut(..bits.len())?;
        text.copy_from_slice(bits);
        if self.sealed() {
            let nonce = self.payload_nonce(timeline, slot, source);
            self.call_key(source, target)?.apply(&nonce, text);
        }
        let (length, body) = text.split_first_chunk::<LENGTH_BYTES>()?;
        let length = usize::from(u16::from_le_bytes(*length));
        out.get_mut(..length)?.copy_from_slice(body.get(..length)?);
        Some(length)
    }

    fn start_announce(&mut self, now: Tick) -> Result<(), Refused> {
        match self.role {
            Role::Timekeeper => {}
            Role::Member => return Err(Refused::NotTimekeeper),
            Role::Deputy { after } => {
                let not_before = self.announce_heard.unwrap_or(now).plus(after);
                if now < not_before {
                    return Err(Refused::TooEarly(not_before));
                }
            }
        }
        let (first, starts) = match self.activity {
            Activity::Watch(_) => {
                let first = self.slot(now).ok_or(Refused::TimelineEnded)?.plus(1);
                // It would wait deaf, and begin on top of whoever speaks then. (The station may have been on a
                // time that was ahead of this one.)
                if now < self.quiet_until || first < self.unprepared {
                    return Err(Refused::Busy);
                }
                (first, false)
            }
            Activity::Search(_) => (self.new_timeline(now)?, true),
            Activity::Speak(_) | Activity::Announce(_) => return Err(Refused::Speaking),
            Activity::Verify(_) | Activity::Follow(_) | Activity::Single => {
                return Err(Refused::Busy);
            }
        };
        let end = first.plus(u32::from(self.announce_slots));
        if end == Slot::MAX {
            return Err(Refused::TimelineEnded);
        }
        if starts {
            self.clock = Some(NetClock::start(self.clock_plan, now, self.timing.start_of(first)));
        }
        self.announce_heard = Some(now);
        self.enter(Activity::Announce(Announce { first, end }));
        Ok(())
    }

    /// The first slot of a new timeline, which starts now: beyond every slot that may have been
    /// on the air before.
    fn new_timeline(&self, now: Tick) -> Result<Slot, Refused> {
        if self.storage_lost {
            return Err(Refused::WatermarkLost);
        }
        let after = |slot: Slot| slot.plus(WATERMARK_STEP).plus(1);
        let beyond_storage = self.floor.map_or(Slot::ZERO, after);
        // A station that has lost step has a bound on what others may have reached meanwhile.
        let beyond_bound = match &self.clock {
            None => Slot::ZERO,
            Some(clock) => {
                let reached = self.timing.slot_at(clock.bound(now).1.max(0));
                reached.ok_or(Refused::TimelineEnded)?.plus(1)
            }
        };
        Ok(beyond_storage.max(beyond_bound))
    }

    fn press(&mut self, now: Tick, target: Target) -> Result<(), Refused> {
        if self.wish.is_some() || self.holds_floor() {
            return Err(Refused::Speaking);
        }
        if !self.reaches(target) {
            return Err(Refused::NoKey(target));
        }
        // Worked out here, so that no slot has to wait for it.
        let _ = self.call_key(self.address, target);
        self.wish_for(now, target, false);
        Ok(())
    }

    fn press_order(&mut self, now: Tick) -> Result<(), Refused> {
        if self.role == Role::Member {
            return Err(Refused::NotTimekeeper);
        }
        if self.wish.is_some() || self.holds_floor() {
            return Err(Refused::Speaking);
        }
        if self.mode != Mode::Hopping {
            return Err(Refused::Busy);
        }
        if !self.has_order() {
            return Err(Refused::NoOrder);
        }
        self.wish_for(now, Target::ALL, true);
        Ok(())
    }

    fn wish_for(&mut self, now: Tick, target: Target, order: bool) {
        // With a quiet net the next poll starts the over; otherwise the wish waits for its end,
        // or for net time.
        self.wish = Some(Wish { target, order, not_before: Slot::ZERO, since: now });
        if now < self.quiet_until {
            self.put_wish_off();
        }
        self.ask_anew();
        self.report(Event::HoldOff);
    }

    fn release(&mut self, now: Tick) -> Result<(), Refused> {
        if self.wish.take().is_some() {
            self.ask_anew();
            return Ok(());
        }
        match (self.activity, self.active_slot(now)) {
            (Activity::Speak(speak), Some(slot)) if speak.closing.is_none() => {
                self.payload.clear();
                if slot < speak.first {
                    self.finish(speak.timeline, now);
                } else {
                    // The slot under way goes on as it began.
                    let closing = Some(slot.plus(1));
                    self.activity = Activity::Speak(Speak { closing, ..speak });
                }
                Ok(())
            }
            (
                Activity::Speak(_)
                | Activity::Search(_)
                | Activity::Verify(_)
                | Activity::Watch(_)
                | Activity::Follow(_)
                | Activity::Announce(_)
                | Activity::Single,
                _,
            ) => Err(Refused::NotSpeaking),
        }
    }

    /// Prepares a slot with a header; `left` slots of the run or of the call follow it.
    pub(super) fn transmit_header(
        &mut self,
        place: &Place<'_>,
        hop: Hop,
        timeline: Timeline,
        kind: Kind,
        target: Target,
        left: u32,
    ) -> Current {
        let word = match hop.kind {
            SlotKind::Sync => hop.word,
            // The complement tells a header from payload before its first bit.
            SlotKind::Traffic => !hop.word,
        };
        let current = self.transmit(place, hop, word);
        let header = Header {
            slot: hop.slot,
            source: self.address,
            target,
            kind,
            // It only grows, and the word comes before the slot ends.
            quality: Quality::of(place.clock.half_width(current.action.until)),
            countdown: Header::countdown_of(kind, left),
        };
        let stream = header::stream(self.sequence.lane(), timeline);
        self.burst.clear();
        // 33 bytes always fit.
        let _ = self.burst.extend_from_slice(&self.header_keys.to_bits(header, stream));
        current
    }

    /// Prepares a slot with payload.
    pub(super) fn transmit_payload(
        &mut self,
        place: &Place<'_>,
        hop: Hop,
        timeline: Timeline,
        target: Target,
    ) -> Current {
        let nonce = self.payload_nonce(timeline, hop.slot, self.address);
        let length = u16::try_from(self.payload.len()).unwrap_or_default();
        self.burst.clear();
        // A slot's bytes always fit.
        let _ = self.burst.resize(self.timing.bytes(), 0);
        put(&mut self.burst, 0, &length.to_le_bytes());
        put(&mut self.burst, LENGTH_BYTES, &self.payload);
        self.payload.clear();
        if self.sealed() {
            match self.own_call_key(target) {
                (Some(key), burst) => key.apply(&nonce, burst),
                // Nobody gets here: the press was refused. Nothing is said rather than in the
                // clear.
                (None, burst) => burst.fill(0),
            }
        }
        self.transmit(place, hop, hop.word)
    }

    /// Lane, slot and source: used once, because slots are, and a source has one transmitter.
    fn payload_nonce(&self, timeline: Timeline, slot: Slot, source: Address) -> [u8; 12] {
        let [a, b, c, d] = header::stream(self.sequence.lane(), timeline).to_le_bytes();
        let [e, f, g, h] = slot.number().to_le_bytes();
        [a, b, c, d, e, f, g, h, source.number(), 0, 0, 0]
    }
}

const _: () = assert!(CLOSING_SLOTS > 0, "an over must be seen to end");
