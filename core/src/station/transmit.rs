//! Our own transmissions, slot by slot: announces, overs, cut-ins.

use super::activity::{Announce, Speak};
use super::poll::Place;
use super::{Action, Current, RUN_STEPS, Radio, Station, count};
use crate::header::Kind;
use crate::keys::uniform;
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::Slot;

/// Waits before an over that had to be put off are numbered by slot, apart from other choices.
const WAIT_CHOICES: u64 = 2 << 40;

impl<const N: usize> Station<N> {
    /// Our own announce.
    pub(super) fn announce(&mut self, place: Place, run: Announce) -> Current {
        if place.slot < run.first {
            return self.silent_until(place, run.first);
        }
        if !self.prepare(Timeline::Home, place.slot) {
            return self.silent_until(place, place.slot.plus(1));
        }
        let hop = self.run_hop(Timeline::Home, place.slot);
        let left = slots_to(place.slot, run.end).saturating_sub(1);
        let target = crate::address::Target::ALL;
        self.transmit_header(place, hop, Timeline::Home, Kind::Announce, target, left)
    }

    /// Our own over: run if there is one, call headers, talk, closing headers.
    pub(super) fn speak(&mut self, place: Place, speak: Speak) -> Current {
        let Place { slot, .. } = place;
        let Speak { timeline, target, order, .. } = speak;
        if slot < speak.first {
            // So that the first call header costs no more than its sealing. A run leaves time later.
            if speak.call == speak.first {
                self.work_ahead(timeline, speak.call, u32::MAX);
            }
            return self.silent_until(place, speak.first);
        }
        if !self.prepare(timeline, slot) {
            return self.silent_until(place, slot.plus(1));
        }
        let over = match timeline {
            Timeline::Home if order => Kind::Rekey,
            Timeline::Home => Kind::Over,
            Timeline::CutIn | Timeline::Single => Kind::CutIn,
        };
        if let Some(closing) = speak.closing
            && slot >= closing
        {
            let hop = self.hop(timeline, slot);
            return self.transmit_header(place, hop, timeline, Kind::Closing, target, 0);
        }
        let run_left = slots_to(slot, speak.call);
        if run_left > 0 {
            let hop = self.run_hop(timeline, slot);
            self.work_ahead(timeline, speak.call, RUN_STEPS);
            let kind = match timeline {
                Timeline::Home => Kind::LeadIn,
                Timeline::CutIn | Timeline::Single => Kind::CutIn,
            };
            let left = run_left.saturating_sub(1);
            return self.transmit_header(place, hop, timeline, kind, target, left);
        }
        let hop = self.hop(timeline, slot);
        let call_left = slots_to(slot, speak.talk);
        match hop.kind {
            SlotKind::Traffic if call_left == 0 => {
                self.transmit_payload(place, hop, timeline, target)
            }
            SlotKind::Traffic | SlotKind::Sync => {
                let left = call_left.saturating_sub(1);
                self.transmit_header(place, hop, timeline, over, target, left)
            }
        }
    }

    /// Whether a slot may be prepared for transmission: once, and not after a later one.
    fn prepare(&mut self, timeline: Timeline, slot: Slot) -> bool {
        let prepared = match timeline {
            Timeline::Home => &mut self.prepared,
            Timeline::CutIn | Timeline::Single => &mut self.prepared_guest,
        };
        let fresh = prepared.is_none_or(|prepared| slot > prepared);
        if fresh {
            *prepared = Some(slot);
        }
        fresh
    }

    /// Waits for the first slot of our own transmission.
    fn silent_until(&self, place: Place, first: Slot) -> Current {
        let until = place.clock.start_of(&self.timing, first);
        let action = Action { radio: Radio::Off, from: place.now, until, poll_by: until };
        Current { action, hop: None }
    }

    /// A transmission in the slot under way, or nothing if it is too late for that.
    pub(super) fn transmit(&mut self, place: Place, hop: Hop, word: u32) -> Current {
        let from = place.clock.start_of(&self.timing, place.slot);
        let until = place.clock.start_of(&self.timing, place.slot.plus(1));
        let at = from.plus(self.timing.word_offset());
        let radio = if place.now <= at {
            Radio::Transmit { channel: hop.channel, word, at }
        } else {
            count(&mut self.counters.late);
            Radio::Off
        };
        Current { action: Action { radio, from, until, poll_by: until }, hop: Some(hop) }
    }

    /// How many slots to wait, after somebody else's over, before our own: up to a frame, so that
    /// two who wait do not start together.
    pub(super) fn wait_slots(&self, slot: Slot) -> u32 {
        let word = self.nuisance.word(WAIT_CHOICES.wrapping_add(u64::from(slot.number())));
        uniform(word, u32::from(self.sequence.structure().frame))
    }
}

/// How many slots lie ahead of `slot` before `end`.
fn slots_to(slot: Slot, end: Slot) -> u32 {
    u32::try_from(end.after(slot)).unwrap_or_default()
}
