//! Something was on the air.

use super::activity::{Activity, Follow, Parked, Search, Verify, Watch};
use super::{Dropped, Event, Heard, Radio, Reception, Station, VERIFY_SLOTS, count};
use crate::acquire::PATIENCE_SLOTS;
use crate::address::{Address, Target};
use crate::clock::{Conflict, NetClock, Observation};
use crate::header::{self, Header, Kind};
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::{Channel, Dbm, Slot, Tick};

/// Traffic words in their places that confirm a header.
const WORDS_TO_CONFIRM: u8 = 2;

impl<const N: usize> Station<N> {
    /// Takes note of a unique word that the radio recognised and of what followed it.
    ///
    /// Whatever the bits are, nothing but a counter changes unless a member of the net made them
    /// for this moment. One header opening at most: eleven Golay words and two permutations.
    pub fn heard(&mut self, now: Tick, reception: Reception<'_>) -> Heard {
        let outcome = match self.awaited(reception) {
            Some(Awaited::Header) => self.heard_header(now, reception),
            Some(Awaited::Payload(hop)) => self.heard_traffic(now, reception, hop),
            None => Heard::Dropped(Dropped::NotAwaited),
        };
        let counter = match outcome {
            Heard::Header { .. } => &mut self.counters.headers,
            Heard::Dropped(Dropped::NotAwaited) => &mut self.counters.not_awaited,
            Heard::Dropped(Dropped::NotGenuine) => &mut self.counters.not_genuine,
            Heard::Dropped(Dropped::OutOfPlace) => &mut self.counters.out_of_place,
            Heard::Dropped(Dropped::Replayed) => &mut self.counters.replayed,
            Heard::Dropped(Dropped::Ahead) => &mut self.counters.ahead,
            Heard::Payload { .. } | Heard::Busy => return outcome,
        };
        count(counter);
        outcome
    }

    /// Takes note of a slot's time on `channel` with power `level` and no unique word.
    /// Constant work.
    pub fn energy(&mut self, now: Tick, channel: Channel, level: Dbm) {
        if level < self.energy_threshold {
            return;
        }
        let listening = self.current.as_ref().map(|current| current.action.radio);
        let Some(Radio::Listen { channel: tuned, word, .. }) = listening else { return };
        if tuned != channel || word != self.sequence.sync_word() {
            return;
        }
        match self.activity {
            Activity::Search(search) => self.energy_while_searching(now, search),
            Activity::Watch(_) => {
                if let Some(rank) = self.rank_of(channel) {
                    self.interferers.note(now, rank);
                }
            }
            Activity::Verify(_)
            | Activity::Follow(_)
            | Activity::Speak(_)
            | Activity::Announce(_) => {}
        }
    }

    fn energy_while_searching(&mut self, now: Tick, search: Search) {
        let Some(parked) = search.parked else { return };
        let energy = parked.energy.saturating_add(1);
        if energy < PATIENCE_SLOTS {
            let parked = Some(Parked { energy, ..parked });
            self.activity = Activity::Search(Search { parked, ..search });
        } else {
            self.interferers.note(now, parked.rank);
            self.enter(Activity::Search(Search { parked: None, ..search }));
        }
    }

    /// The ascending rank of a rendezvous channel. At most 64 steps.
    fn rank_of(&self, channel: Channel) -> Option<u32> {
        self.sequence.rendezvous().position(|c| c == channel).and_then(|i| u32::try_from(i).ok())
    }

    /// What the reception is, if the station waits for it.
    fn awaited(&self, reception: Reception<'_>) -> Option<Awaited> {
        let current = self.current.as_ref()?;
        let Radio::Listen { channel, word, complement } = current.action.radio else { return None };
        if channel != reception.channel {
            return None;
        }
        match current.hop {
            Some(hop) if hop.kind == SlotKind::Traffic => {
                if reception.word == word {
                    Some(Awaited::Payload(hop))
                } else {
                    (complement && reception.word == !word).then_some(Awaited::Header)
                }
            }
            Some(_) | None => (reception.word == word).then_some(Awaited::Header),
        }
    }

    fn heard_header(&mut self, now: Tick, reception: Reception<'_>) -> Heard {
        let stream = header::stream(self.sequence.lane(), Timeline::Home);
        let opened =
            reception.bits.first_chunk().and_then(|bits| self.header_keys.from_bits(bits, stream));
        let Some(header) = opened else { return Heard::Dropped(Dropped::NotGenuine) };
        if self.floor().is_some_and(|floor| header.slot <= floor) && !self.in_step() {
            return Heard::Dropped(Dropped::Replayed);
        }
        let sent = self.timing.start_of(header.slot);
        let offset = self.timing.word_offset().us().cast_signed();
        let seen = Observation {
            at: reception.at,
            sent_us: sent.saturating_add(offset),
            half_width: header.quality.half_width(),
        };
        let taken = match self.activity {
            Activity::Search(_) => self.first_header(seen, header),
            Activity::Verify(_) => self.second_header(seen, header),
            Activity::Watch(_) | Activity::Follow(_) => self.header_in_step(seen),
            Activity::Speak(_) | Activity::Announce(_) => Err(Dropped::NotAwaited),
        };
        if let Err(dropped) = taken {
            return Heard::Dropped(dropped);
        }
        // The clock has moved, and with it every deadline of the present action.
        self.current = None;
        if let Some(rank) = self.rank_of(reception.channel) {
            self.interferers.clear(rank);
        }
        if self.in_step() {
            self.follow_header(now, header);
        }
        Heard::Header { slot: header.slot, kind: header.kind }
    }

    /// A header for a station without time.
    fn first_header(&mut self, seen: Observation, header: Header) -> Result<(), Dropped> {
        let clock = match self.clock {
            None => NetClock::acquire(self.clock_plan, seen),
            Some(mut known) => match known.observe(seen) {
                Ok(()) => known,
                Err(Conflict::Behind) => return Err(Dropped::Replayed),
                // A later timeline of the same net wins, once it is confirmed.
                Err(Conflict::Ahead) => NetClock::acquire(self.clock_plan, seen),
            },
        };
        let verify = Verify {
            until: header.slot.plus(VERIFY_SLOTS),
            words: 0,
            run_end: run_end(header),
            before: self.clock,
            supposed: false,
        };
        self.clock = Some(clock);
        self.enter(Activity::Verify(verify));
        Ok(())
    }

    /// A header for a station that has one already: it confirms, or it counts for nothing.
    fn second_header(&mut self, seen: Observation, header: Header) -> Result<(), Dropped> {
        self.in_place(seen.at, seen.sent_us)?;
        if let Activity::Verify(Verify { supposed: true, before, .. }) = self.activity {
            // What a unique word suggested has served its turn: the header is taken in by the
            // clock as it was before.
            let supposed = core::mem::replace(&mut self.clock, before);
            let taken = self.header_in_step(seen);
            if taken.is_err() {
                self.clock = supposed;
            }
            taken?;
        } else {
            self.header_in_step(seen)?;
        }
        self.confirm(header.slot);
        Ok(())
    }

    /// A header for a station with time: it must be in its place.
    fn header_in_step(&mut self, seen: Observation) -> Result<(), Dropped> {
        self.in_place(seen.at, seen.sent_us)?;
        let Some(clock) = &mut self.clock else { return Err(Dropped::NotAwaited) };
        clock.observe(seen).map_err(|conflict| match conflict {
            Conflict::Behind => Dropped::Replayed,
            Conflict::Ahead => Dropped::Ahead,
        })
    }

    /// Whether something that was sent at net time `sent_us` can have arrived at `at`.
    fn in_place(&self, at: Tick, sent_us: i64) -> Result<(), Dropped> {
        let Some(clock) = &self.clock else { return Err(Dropped::NotAwaited) };
        let play = clock.spread(at).max(self.timing.guard()).plus(self.clock_plan.jitter);
        let late = play.plus(self.clock_plan.longest_delay);
        let difference = sent_us.saturating_sub(clock.net_us(at));
        if difference < 0 && difference.unsigned_abs() > late.us() {
            Err(Dropped::Replayed)
        } else if difference > 0 && difference.unsigned_abs() > play.us() {
            Err(Dropped::Ahead)
        } else {
            Ok(())
        }
    }

    /// A second opinion has come: the time is confirmed.
    fn confirm(&mut self, slot: Slot) {
        let Activity::Verify(Verify { run_end, .. }) = self.activity else { return };
        self.enter(Activity::Follow(Follow { call: None, last: slot, run_end }));
        self.report(Event::InStep { slot });
    }

    /// What a genuine, timely header means for a station in step.
    fn follow_header(&mut self, now: Tick, header: Header) {
        let slot = header.slot;
        let before = match self.activity {
            Activity::Follow(follow) => Some(follow),
            Activity::Watch(Watch { coasting: true }) => {
                self.enter(Activity::watch());
                self.report(Event::InStep { slot });
                None
            }
            Activity::Search(_)
            | Activity::Verify(_)
            | Activity::Watch(Watch { coasting: false })
            | Activity::Speak(_)
            | Activity::Announce(_) => None,
        };
        match header.kind {
            Kind::Over => {
                let call = (header.source, header.target);
                let known = before.and_then(|follow| follow.call);
                let follow = Follow { call: Some(call), last: slot, run_end: None };
                self.enter(Activity::Follow(follow));
                if known != Some(call) {
                    self.report_call(call, slot);
                }
            }
            Kind::Closing => {
                if before.is_some() {
                    self.enter(Activity::watch());
                    self.put_wish_off(now);
                    self.report(Event::Clear { slot });
                }
            }
            Kind::Announce | Kind::LeadIn => {
                if before.is_none_or(|follow| follow.run_end.is_none() || follow.call.is_some()) {
                    self.report(Event::AnnounceHeard { slot });
                }
                let run_end = run_end(header);
                self.enter(Activity::Follow(Follow { call: None, last: slot, run_end }));
            }
            // A change of keys and a cut-in have no meaning on this timeline yet.
            Kind::Rekey | Kind::CutIn => {}
        }
    }

    fn report_call(&mut self, (source, target): (Address, Target), slot: Slot) {
        if target.covers(self.address) {
            self.report(Event::Call { source, target, slot });
        } else {
            self.report(Event::Busy { slot });
        }
    }

    /// Two who wait for the floor shall not take it in the same slot.
    fn put_wish_off(&mut self, now: Tick) {
        if let (Some((target, _)), Some(slot)) = (self.wish, self.slot(now)) {
            // The second closing header is still to come.
            let wait = self.wait_slots(slot).saturating_add(super::CLOSING_SLOTS);
            self.wish = Some((target, slot.plus(wait)));
        }
    }

    fn heard_traffic(&mut self, _now: Tick, reception: Reception<'_>, hop: Hop) -> Heard {
        let offset = self.timing.word_offset().us().cast_signed();
        let sent_us = self.timing.start_of(hop.slot).saturating_add(offset);
        if self.in_place(reception.at, sent_us).is_err() {
            return Heard::Dropped(Dropped::OutOfPlace);
        }
        let slot = hop.slot;
        match &mut self.activity {
            Activity::Verify(verify) => {
                verify.words = verify.words.saturating_add(1);
                if verify.words >= WORDS_TO_CONFIRM && !verify.supposed {
                    self.confirm(slot);
                }
                Heard::Busy
            }
            Activity::Watch(Watch { coasting: true }) => {
                let seen = Observation { at: reception.at, sent_us, half_width: None };
                let before = self.clock;
                self.clock = before.map(|clock| clock.supposing(seen));
                let until = slot.plus(VERIFY_SLOTS);
                let verify = Verify { until, words: 0, run_end: None, before, supposed: true };
                self.enter(Activity::Verify(verify));
                Heard::Busy
            }
            Activity::Watch(Watch { coasting: false }) => {
                let follow = Follow { call: None, last: slot, run_end: None };
                self.enter(Activity::Follow(follow));
                Heard::Busy
            }
            Activity::Follow(follow) => {
                follow.last = slot;
                match follow.call {
                    Some((source, target)) if target.covers(self.address) => {
                        Heard::Payload { slot, source }
                    }
                    Some(_) | None => Heard::Busy,
                }
            }
            Activity::Search(_) | Activity::Speak(_) | Activity::Announce(_) => {
                Heard::Dropped(Dropped::NotAwaited)
            }
        }
    }
}

/// What a reception is, if it is awaited.
enum Awaited {
    Header,
    Payload(Hop),
}

/// The end of the run that a header belongs to: no later than its countdown says.
fn run_end(header: Header) -> Option<Slot> {
    match header.kind {
        Kind::Announce | Kind::LeadIn => {
            let left = u32::from(header.countdown).saturating_mul(16);
            Some(header.slot.plus(left).plus(1))
        }
        Kind::Over | Kind::CutIn | Kind::Closing | Kind::Rekey => None,
    }
}
