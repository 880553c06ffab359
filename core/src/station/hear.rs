//! Something was on the air.

use super::activity::{Activity, Basis, Call, Follow, Parked, Search, Verify, Watch};
use super::{
    Dropped, Event, GATHER_DUE, Heard, Mode, Payload, Radio, Reception, Station, VERIFY_SLOTS,
    WATERMARK_STEP, count,
};
use crate::acquire::{HASTE, PATIENCE_SLOTS};
use crate::clock::{Conflict, NetClock, Observation};
use crate::coding::interleave;
use crate::header::{self, Header, Kind};
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::{Channel, Dbm, Slot, Tick};

/// Traffic words in their places that confirm a header.
const WORDS_TO_CONFIRM: u8 = 2;

impl<const N: usize> Station<N> {
    /// Takes note of a unique word that the radio recognised and of what followed it.
    ///
    /// Whatever the bits are, time, keys, watermark and address state change only by headers that a member of the
    /// net made. What a relayed word or a recording can do besides, and for how long, is in `docs/threats.md`. Two header openings at most: eleven Golay words and four permutations.
    pub fn heard(&mut self, now: Tick, reception: Reception<'_>) -> Heard {
        let outcome = match self.awaited(reception) {
            Some(Awaited::Header(hop)) => self.heard_header(now, reception, hop),
            Some(Awaited::Payload(hop)) => self.heard_traffic(reception, hop),
            None => Heard::Dropped(Dropped::NotAwaited),
        };
        let counter = match outcome {
            Heard::Header { .. } => &mut self.counters.headers,
            Heard::Dropped(Dropped::NotAwaited) => &mut self.counters.not_awaited,
            Heard::Dropped(Dropped::NotGenuine) => &mut self.counters.not_genuine,
            Heard::Dropped(Dropped::OutOfPlace) => &mut self.counters.out_of_place,
            Heard::Dropped(Dropped::Replayed) => &mut self.counters.replayed,
            Heard::Dropped(Dropped::Ahead) => &mut self.counters.ahead,
            Heard::Payload(_) | Heard::Busy => return outcome,
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
        if self.energy_on_fixed(now, channel) {
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
            | Activity::Announce(_)
            | Activity::Single => {}
        }
    }

    fn energy_while_searching(&mut self, now: Tick, search: Search) {
        let Some(parked) = search.parked else { return };
        if search.hasty >= HASTE {
            // This stay lasts, whatever is met.
            return;
        }
        // In two slots that follow each other, if the loop is less than a slot late: traffic of those who hop comes now
        // and then.
        if now < parked.disturbed_until {
            self.interferers.note(now, parked.rank);
            let hasty = search.hasty.saturating_add(1);
            self.enter(Activity::Search(Search { parked: None, hasty, ..search }));
        } else {
            let disturbed_until = now.plus(self.timing.span_of(PATIENCE_SLOTS.into()));
            let parked = Some(Parked { disturbed_until, ..parked });
            self.activity = Activity::Search(Search { parked, ..search });
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
                    let header = Awaited::Header(Some(hop));
                    (complement && reception.word == !word).then_some(header)
                }
            }
            Some(_) | None => (reception.word == word).then_some(Awaited::Header(None)),
        }
    }

    /// The header in the bits, and the timeline that it was made for.
    ///
    /// A traffic slot has one timeline, that of the activity. Behind the sync word, which is the
    /// same on both, either is tried, always both, so that the time it takes tells nothing.
    #[inline(never)]
    fn open(&self, reception: Reception<'_>, hop: Option<Hop>) -> Option<(Timeline, Header)> {
        let sealed = interleave::decode(reception.bits.first_chunk()?).sealed;
        let opened = |timeline| {
            let stream = header::stream(self.sequence.lane(), timeline);
            self.header_keys.open(&sealed, stream).map(|header| (timeline, header))
        };
        match (hop, self.mode) {
            (Some(_), _) => opened(self.activity.timeline()),
            (None, Mode::SingleSealed | Mode::SinglePlain) => opened(Timeline::Single),
            (None, Mode::Hopping) => {
                let (home, cut_in) = (opened(Timeline::Home), opened(Timeline::CutIn));
                home.or(cut_in)
            }
        }
    }

    fn heard_header(&mut self, now: Tick, reception: Reception<'_>, hop: Option<Hop>) -> Heard {
        let Some((timeline, header)) = self.open(reception, hop) else {
            return Heard::Dropped(Dropped::NotGenuine);
        };
        let sent = self.timing.start_of(header.slot);
        let offset = self.timing.word_offset().us().cast_signed();
        let seen = Observation {
            at: reception.at,
            sent_us: sent.saturating_add(offset),
            half_width: header.quality.half_width(),
        };
        let taken = match timeline {
            Timeline::Home => self.heard_home(now, seen, header),
            Timeline::CutIn | Timeline::Single => self.heard_cut_in(now, seen, header, timeline),
        };
        if let Err(dropped) = taken {
            return Heard::Dropped(dropped);
        }
        // The clock has moved, and with it every deadline of the present action.
        self.current = None;
        if let Some(rank) = self.rank_of(reception.channel) {
            self.interferers.clear(rank);
        }
        Heard::Header { timeline, slot: header.slot, kind: header.kind }
    }

    /// A genuine header of the net's own timeline.
    #[inline(never)]
    fn heard_home(&mut self, now: Tick, seen: Observation, header: Header) -> Result<(), Dropped> {
        if self.floor.is_some_and(|floor| header.slot <= floor) && !self.in_step() {
            return Err(Dropped::Replayed);
        }
        match self.activity {
            Activity::Search(_) => self.first_header(seen, header, Basis::Header)?,
            Activity::Verify(Verify { basis, last, .. }) => {
                self.second_header(seen, header, basis, last)?;
            }
            Activity::Watch(_) | Activity::Follow(Follow { timeline: Timeline::Home, .. }) => {
                match self.header_in_step(seen) {
                    // Of two timelines of one net, or two opinions on one, the later wins, once
                    // it is confirmed: parted nets merge without negotiation.
                    Err(Dropped::Ahead) => {
                        return self.first_header(seen, header, Basis::Later);
                    }
                    taken => taken?,
                }
            }
            // A cut-in has the floor; and who speaks does not listen.
            Activity::Follow(_) | Activity::Speak(_) | Activity::Announce(_) | Activity::Single => {
                return Err(Dropped::NotAwaited);
            }
        }
        if self.in_step() {
            self.follow_header(now, header);
        }
        Ok(())
    }

    /// A header that may be the first of the net, or of a later timeline.
    fn first_header(
        &mut self,
        seen: Observation,
        header: Header,
        basis: Basis,
    ) -> Result<(), Dropped> {
        let clock = match self.clock {
            None => NetClock::acquire(self.clock_plan, seen, None),
            Some(mut known) => match known.observe(seen) {
                Ok(()) => known,
                Err(Conflict::Behind) => return Err(Dropped::Replayed),
                Err(Conflict::Ahead) => NetClock::acquire(self.clock_plan, seen, Some(&known)),
            },
        };
        let (last, until) = (header.slot, header.slot.plus(VERIFY_SLOTS));
        let verify = Verify { last, until, words: 0, run_end: run_end(header), basis };
        self.leave_over(seen.at);
        self.guest = self.clock.replace(clock);
        self.enter(Activity::Verify(verify));
        Ok(())
    }

    /// A header for a station that has one already: it confirms, or it counts for nothing. The first one played
    /// once more is no second opinion.
    fn second_header(
        &mut self,
        seen: Observation,
        header: Header,
        basis: Basis,
        last: Slot,
    ) -> Result<(), Dropped> {
        if basis == Basis::Word {
            let Some(clock) = &self.clock else { return Err(Dropped::NotAwaited) };
            clock.expect(&self.timing, seen).map_err(dropped)?;
            // What a unique word suggested has served its turn: the header is taken in by the
            // clock as it was before.
            let supposed = core::mem::replace(&mut self.clock, self.guest);
            let taken = self.header_in_step(seen);
            if taken.is_err() {
                self.clock = supposed;
            }
            taken?;
        } else if header.slot > last {
            self.header_in_step(seen)?;
        } else {
            return Err(Dropped::Replayed);
        }
        self.confirm(header.slot);
        Ok(())
    }

    /// A header for a station with time: it must be in its place.
    #[inline(never)]
    fn header_in_step(&mut self, seen: Observation) -> Result<(), Dropped> {
        let Some(clock) = &mut self.clock else { return Err(Dropped::NotAwaited) };
        clock.meet(&self.timing, seen).map_err(dropped)
    }

    /// A second opinion has come: the time is confirmed.
    fn confirm(&mut self, slot: Slot) {
        let Activity::Verify(Verify { run_end, basis, .. }) = self.activity else { return };
        if self.guest.take().is_some() && basis != Basis::Word {
            // Others may still be on the time that we have just left; and who has brought us back from
            // having lost it has heard nobody, and searches again behind his over.
            self.gather_until = slot.plus(GATHER_DUE);
        }
        let (timeline, resume) = (Timeline::Home, true);
        let follow = Follow { timeline, resume, call: None, last: slot, run_end };
        self.enter(Activity::Follow(follow));
        self.report(Event::InStep { slot });
    }

    /// What a genuine, timely header means for a station in step.
    #[inline(never)]
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
            | Activity::Announce(_)
            | Activity::Single => None,
        };
        let (timeline, resume) = (Timeline::Home, true);
        match header.kind {
            Kind::Over | Kind::Rekey => {
                let Header { source, target, kind, .. } = header;
                let call = Call { source, target, order: kind == Kind::Rekey };
                self.follow_call(
                    now,
                    Follow { timeline, resume, call: Some(call), last: slot, run_end: None },
                );
            }
            Kind::Closing => {
                if before.is_some() {
                    self.end_over(Timeline::Home, slot, now);
                }
            }
            Kind::Announce | Kind::LeadIn => {
                if before.is_none_or(|follow| follow.run_end.is_none() || follow.call.is_some()) {
                    self.report(Event::AnnounceHeard { slot });
                }
                if header.kind == Kind::Announce {
                    self.announce_heard = Some(now);
                }
                // The newcomer is answered, if there was one.
                self.lead_in_until = Slot::ZERO;
                self.leave_over(now);
                let run_end = narrowed(before.and_then(|follow| follow.run_end), header);
                let follow = Follow { timeline, resume, call: None, last: slot, run_end };
                self.enter(Activity::Follow(follow));
            }
            // A cut-in has a timeline of its own.
            Kind::CutIn => {}
        }
    }

    /// Follows an over, and tells of it unless it is the one that was followed before. That one has ended then,
    /// even if nobody has heard its end.
    #[inline(never)]
    fn follow_call(&mut self, now: Tick, follow: Follow) {
        let another = self.activity.call() != follow.call;
        if another {
            self.leave_over(now);
        }
        self.enter(Activity::Follow(follow));
        if let Some(call) = follow.call.filter(|_| another) {
            self.report_call(call, follow.last);
        }
    }

    /// Tells the operator of an over. An order is no talk, and whom it leaves out shall not notice.
    fn report_call(&mut self, call: Call, slot: Slot) {
        let Call { source, target, order } = call;
        if target.covers(self.address) && !order {
            self.report(Event::Call { source, target, slot });
        } else {
            self.report(Event::Busy { slot });
        }
    }

    /// A genuine header of a cut-in. Home time is none of its business.
    #[inline(never)]
    fn heard_cut_in(
        &mut self,
        now: Tick,
        seen: Observation,
        header: Header,
        timeline: Timeline,
    ) -> Result<(), Dropped> {
        match self.activity {
            Activity::Search(_) | Activity::Watch(_) | Activity::Single => {
                self.join_cut_in(seen, header, timeline)?;
            }
            Activity::Follow(Follow { timeline: Timeline::CutIn | Timeline::Single, .. }) => {
                let Some(guest) = &mut self.guest else { return Err(Dropped::NotAwaited) };
                guest.meet(&self.timing, seen).map_err(dropped)?;
            }
            Activity::Follow(_)
            | Activity::Verify(_)
            | Activity::Speak(_)
            | Activity::Announce(_) => return Err(Dropped::NotAwaited),
        }
        let Activity::Follow(follow) = self.activity else { return Ok(()) };
        let slot = header.slot;
        if header.kind == Kind::Closing {
            self.activity = Activity::Follow(Follow { last: slot, ..follow });
            self.end_over(timeline, slot, now);
            return Ok(());
        }
        let call = Call { source: header.source, target: header.target, order: false };
        let run_end = narrowed(follow.run_end, header);
        self.follow_call(now, Follow { call: Some(call), last: slot, run_end, ..follow });
        Ok(())
    }

    /// Suspends home time, if there is any, and follows a cut-in.
    fn join_cut_in(
        &mut self,
        seen: Observation,
        header: Header,
        timeline: Timeline,
    ) -> Result<(), Dropped> {
        // The end of a cut-in, or one that has been followed already, or spoken, is not joined:
        // recordings of it are of no use to anyone.
        let again =
            header.slot <= self.last_guest && header.slot.plus(WATERMARK_STEP) > self.first_guest;
        if again || header.kind != Kind::CutIn || header.source == self.address {
            return Err(Dropped::Replayed);
        }
        let resume = self.in_step();
        self.guest = Some(NetClock::acquire(self.clock_plan, seen, self.clock.as_ref()));
        let (last, run_end) = (header.slot, run_end(header));
        self.first_guest = header.slot;
        self.enter(Activity::Follow(Follow { timeline, resume, call: None, last, run_end }));
        Ok(())
    }

    #[inline(never)]
    fn heard_traffic(&mut self, reception: Reception<'_>, hop: Hop) -> Heard {
        let offset = self.timing.word_offset().us().cast_signed();
        let sent_us = self.timing.start_of(hop.slot).saturating_add(offset);
        let seen = Observation { at: reception.at, sent_us, half_width: None };
        let timeline = self.activity.timeline();
        let clock = match timeline {
            Timeline::Home => &self.clock,
            Timeline::CutIn | Timeline::Single => &self.guest,
        };
        if clock.as_ref().is_none_or(|clock| clock.expect(&self.timing, seen).is_err()) {
            return Heard::Dropped(Dropped::OutOfPlace);
        }
        let slot = hop.slot;
        match &mut self.activity {
            Activity::Verify(verify) => {
                if slot > verify.last {
                    verify.last = slot;
                    verify.words = verify.words.saturating_add(1);
                    if verify.words >= WORDS_TO_CONFIRM && verify.basis != Basis::Word {
                        self.confirm(slot);
                    }
                }
                Heard::Busy
            }
            Activity::Watch(Watch { coasting: true }) => {
                self.guest = self.clock;
                self.clock = self.clock.map(|clock| clock.supposing(seen));
                let until = slot.plus(VERIFY_SLOTS);
                let (last, run_end, basis) = (slot, None, Basis::Word);
                self.enter(Activity::Verify(Verify { last, until, words: 0, run_end, basis }));
                Heard::Busy
            }
            Activity::Watch(Watch { coasting: false }) => {
                let (timeline, resume) = (Timeline::Home, true);
                let follow = Follow { timeline, resume, call: None, last: slot, run_end: None };
                self.enter(Activity::Follow(follow));
                Heard::Busy
            }
            Activity::Follow(follow) => {
                follow.last = slot;
                match follow.call {
                    Some(Call { source, target, order }) if target.covers(self.address) => {
                        Heard::Payload(Payload { timeline, slot, source, target, order })
                    }
                    Some(_) | None => Heard::Busy,
                }
            }
            Activity::Search(_) | Activity::Speak(_) | Activity::Announce(_) | Activity::Single => {
                Heard::Dropped(Dropped::NotAwaited)
            }
        }
    }
}

/// What a reception is, if it is awaited.
enum Awaited {
    /// A header; in a traffic slot, that slot.
    Header(Option<Hop>),
    Payload(Hop),
}

/// No run is longer.
const LONGEST_RUN: u32 = 2_001;

/// The end of the run that a header belongs to: no later than its countdown says.
#[inline(never)]
fn run_end(header: Header) -> Option<Slot> {
    let left = u32::from(header.countdown);
    let single = match header.kind {
        Kind::Announce | Kind::CutIn => 16,
        Kind::LeadIn => 1,
        Kind::Over | Kind::Closing | Kind::Rekey => return None,
    };
    // The largest countdown stands for all larger ones; the headers that follow tell more.
    let left = if left == 15 { LONGEST_RUN } else { left.saturating_mul(single) };
    Some(header.slot.plus(left).plus(1))
}

/// The same with what earlier headers of the run said. Each gives a latest end; the one before
/// the countdown went down gives the true one.
#[inline(never)]
fn narrowed(before: Option<Slot>, header: Header) -> Option<Slot> {
    let end = run_end(header)?;
    Some(before.filter(|before| *before > header.slot).map_or(end, |before| before.min(end)))
}

const fn dropped(conflict: Conflict) -> Dropped {
    match conflict {
        Conflict::Behind => Dropped::Replayed,
        Conflict::Ahead => Dropped::Ahead,
    }
}
