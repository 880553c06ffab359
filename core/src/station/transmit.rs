//! Our own transmissions, slot by slot: announces, overs, cut-ins.

use super::activity::{Announce, Speak};
use super::poll::Place;
use super::{CLOSING_SLOTS, Current, Mode, RUN_STEPS, Radio, Station, count};
use crate::header::Kind;
use crate::keys::uniform;
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::Slot;

/// Waits before an over that had to be put off are numbered by slot, apart from other choices.
const WAIT_CHOICES: u64 = 2 << 40;
/// How many waits there are to choose from: two who wait choose the same once in so many times.
const WAITS: u32 = 16;

impl<const N: usize> Station<N> {
    /// Our own announce.
    pub(super) fn announce(&mut self, place: &Place<'_>, run: Announce) -> Current {
        if place.slot < run.first {
            return self.silent_until(place, run.first);
        }
        if !self.prepare(Timeline::Home, place) {
            return self.silent_until(place, place.slot.plus(1));
        }
        let hop = self.run_hop(Timeline::Home, place.slot);
        let left = slots_to(place.slot, run.end).saturating_sub(1);
        let target = crate::address::Target::ALL;
        self.transmit_header(place, hop, Timeline::Home, Kind::Announce, target, left)
    }

    /// Our own over: run if there is one, call headers, talk, closing headers.
    pub(super) fn speak(&mut self, place: &Place<'_>, speak: Speak) -> Current {
        let slot = place.slot;
        let Speak { timeline, target, order, .. } = speak;
        if slot < speak.first {
            // So that the first call header costs no more than its sealing. A run leaves time later.
            if speak.call == speak.first {
                self.work_ahead(timeline, speak.call, u32::MAX);
            }
            return self.silent_until(place, speak.first);
        }
        // (Before anything is taken for the slot.)
        if !self.prepare(timeline, place) {
            return self.silent_until(place, slot.plus(1));
        }
        if timeline == Timeline::Home && slot >= speak.call {
            // What was owed has been sent.
            self.lead_in_until = Slot::ZERO;
            self.gather_until = Slot::ZERO;
        }
        let ends = speak.closing.is_some_and(|closing| slot >= closing);
        let (run_left, call_left) = (slots_to(slot, speak.call), slots_to(slot, speak.talk));
        // Who follows a run goes on with it, even if it has been broken off.
        let hop = match run_left {
            0 => self.hop(timeline, slot),
            _ => self.run_hop(timeline, slot),
        };
        let (kind, left) = match (timeline, ends, run_left) {
            (_, true, _) => (Kind::Closing, 1),
            (Timeline::Home, false, 0) if order => (Kind::Rekey, call_left),
            (Timeline::Home, false, 0) => (Kind::Over, call_left),
            (Timeline::Home, false, _) => (Kind::LeadIn, run_left),
            (Timeline::CutIn | Timeline::Single, false, 0) => (Kind::CutIn, call_left),
            (Timeline::CutIn | Timeline::Single, false, _) => (Kind::CutIn, run_left),
        };
        if run_left > 0 && !ends {
            self.work_ahead(timeline, speak.call, RUN_STEPS);
        }
        if left == 0 && hop.kind == SlotKind::Traffic {
            return self.transmit_payload(place, hop, timeline, target);
        }
        self.transmit_header(place, hop, timeline, kind, target, left.saturating_sub(1))
    }

    /// Whether the slot under way may be prepared for transmission: before its word should be on the
    /// air, once, and not after a later one.
    fn prepare(&mut self, timeline: Timeline, place: &Place<'_>) -> bool {
        let slot = place.slot;
        let word = place.clock.start_of(&self.timing, slot).plus(self.timing.word_offset());
        if place.now > word {
            count(&mut self.counters.late);
            return false;
        }
        let unprepared = match timeline {
            Timeline::Home => &mut self.unprepared,
            Timeline::CutIn | Timeline::Single => &mut self.unprepared_guest,
        };
        let fresh = slot >= *unprepared;
        if fresh {
            // (The last slot of a timeline is not used.)
            *unprepared = slot.plus(1);
        }
        fresh
    }

    /// Waits for the first slot of our own transmission.
    fn silent_until(&self, place: &Place<'_>, first: Slot) -> Current {
        let mut stay = self.stay(place, place.slot, first);
        stay.action.from = place.now;
        stay
    }

    /// A transmission in the slot under way.
    pub(super) fn transmit(&self, place: &Place<'_>, hop: Hop, word: u32) -> Current {
        let mut stay = self.stay(place, place.slot, place.slot.plus(1)).with(Radio::Off, Some(hop));
        let at = stay.action.from.plus(self.timing.word_offset());
        stay.action.radio = Radio::Transmit { channel: hop.channel, word, at };
        stay
    }

    /// Whoever waits for the floor begins behind [`quiet_until`](Self::quiet_until). Two who wait shall not
    /// take it in the same slot: each waits, after the second closing header, for one of sixteen numbers of
    /// steps, of which one is long enough to hear that another has begun.
    pub(super) fn put_wish_off(&mut self) {
        let now = self.quiet_until;
        let slot = self.slot(now);
        let chance = slot.unwrap_or(self.last_guest);
        // An over without time opens with a run, as does one that owes a lead-in, and who waits hears that only by the
        // call headers behind it.
        let runs = slot.is_none() || chance < self.lead_in_until;
        let step = match self.mode {
            Mode::Hopping if runs => self.sequence.longest_gap().saturating_add(3),
            Mode::Hopping | Mode::SingleSealed | Mode::SinglePlain => 2,
        };
        let word = self.nuisance.word(WAIT_CHOICES.wrapping_add(u64::from(chance.number())));
        let wait = uniform(word, WAITS).saturating_mul(step).saturating_add(CLOSING_SLOTS);
        let Some(wish) = &mut self.wish else { return };
        wish.since = now.plus(self.timing.span_of(wait));
        if let Some(slot) = slot {
            // An odd one: who has heard the first closing header and who has heard the second wait on one grid.
            wish.not_before = Slot::new(slot.plus(wait).number() | 1);
        }
    }
}

/// How many slots lie ahead of `slot` before `end`.
fn slots_to(slot: Slot, end: Slot) -> u32 {
    u32::try_from(end.after(slot)).unwrap_or_default()
}
