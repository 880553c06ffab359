//! Time passes: deadlines, and what the radio does in the slot under way.

use super::activity::{Activity, Announce, Basis, Follow, Parked, Search, Speak, Verify, Watch};
use super::keys::Adopting;
use super::single::PATIENCE_SLOTS;
use super::{
    Action, CALL_SLOTS, CLOSING_SLOTS, CUT_IN_PATIENCE, CUT_IN_SLOTS, CUT_IN_TIMEOUT, Current,
    Event, LEAD_IN_DUE, Mode, OVER_TIMEOUT, RUN_STEPS, Radio, Station, WATERMARK_STEP, Wish,
};
use crate::acquire::choose;
use crate::clock::{COAST_SLOTS, Grip, NetClock};
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::{Slot, Tick};

/// Provisional slots of cut-ins are numbered by the time of the press, apart from the choices of
/// the search.
const CUT_IN_CHOICES: u64 = 4 << 40;
/// And these are the numbers of the choices of a search.
const CHOICES_OF_A_SEARCH: u64 = (1 << 40) - 1;
/// Visits of the run that gathers a net after a long silence to each rendezvous channel.
const GATHER_VISITS: u32 = 4;
/// Frames of listening before an over where somebody else may be about to speak.
const LISTENING_FRAMES: u32 = 2;
/// No over begins so close to the end of the timeline that its run and call do not fit.
const LAST_START: Slot = Slot::new(u32::MAX - 4_096);

impl<const N: usize> Station<N> {
    /// Acts on every deadline at or before `now`, then says what the radio does.
    ///
    /// Bounded work: see [`Station`].
    #[inline(never)]
    pub fn poll(&mut self, now: Tick) -> Action {
        if let Some(current) = &self.current
            && current.action.from <= now
            && now < current.action.until
        {
            return current.action;
        }
        self.first_asked(now);
        if self.adopt_step() {
            return self.at_once(now);
        }
        self.change_keys_when_due(now);
        if self.adopting != Adopting::Done {
            return self.at_once(now);
        }
        let mut current = match (self.activity, self.activity.timeline()) {
            (Activity::Search(_), _) => self.poll_search(now),
            (Activity::Single, _) => self.poll_single(now),
            (_, timeline) => {
                let clock = match timeline {
                    Timeline::Home => self.clock,
                    Timeline::CutIn | Timeline::Single => {
                        self.define_provisional(now);
                        self.guest
                    }
                };
                match clock {
                    Some(clock) => self.poll_timed(&clock, now),
                    None => self.poll_search(now),
                }
            }
        };
        if self.adopting != Adopting::Done {
            // What has just been found out was found with keys that are no longer in use.
            return self.at_once(now);
        }
        // A slot that is sent is sent whole: those of a single channel are not the net's.
        let sends = matches!(current.action.radio, Radio::Transmit { .. });
        if let Some(change) = self.change_at().filter(|at| *at > now && !sends) {
            current.action.until = current.action.until.min(change);
            current.action.poll_by = current.action.poll_by.min(change);
        }
        if !sends {
            self.burst.clear();
        }
        self.current = Some(current);
        current.action
    }

    /// Whoever begins a provisional timeline defines it, however long he speaks.
    fn define_provisional(&mut self, now: Tick) {
        if self.holds_floor()
            && let Some(guest) = &mut self.guest
        {
            guest.define(now);
        }
    }

    /// Nothing yet: there is more to be worked out first, in the next call.
    #[inline(never)]
    fn at_once(&mut self, now: Tick) -> Action {
        self.current = None;
        self.burst.clear();
        Action { radio: Radio::Off, from: now, until: now, poll_by: now }
    }

    /// A station without time: parked, or moving to the next channel.
    fn poll_search(&mut self, now: Tick) -> Current {
        let cut_in_at = self.wish.map(|wish| wish.since.plus(CUT_IN_PATIENCE));
        if let (Some(wish), Some(at)) = (self.wish, cut_in_at)
            && at <= now
            && let Some(current) = self.speak_adrift(wish, now).or_else(|| self.cut_in(wish, now))
        {
            return current;
        }
        let (sample, next_sample) = self.watch_sample_without_time(now);
        if let Some(sample) = sample {
            return sample;
        }
        let Search { parked, choice, hasty } = match self.activity {
            Activity::Search(search) => search,
            Activity::Verify(_)
            | Activity::Watch(_)
            | Activity::Follow(_)
            | Activity::Speak(_)
            | Activity::Announce(_)
            | Activity::Single => Search { parked: None, choice: 0, hasty: 0 },
        };
        let parked = match parked {
            Some(parked) if now < parked.until => parked,
            ended @ (Some(_) | None) => {
                // A stay that came to its end is none that was broken off.
                let hasty = if ended.is_some() { 0 } else { hasty };
                let count = self.sequence.structure().rendezvous;
                let known = self.interferers.known(now);
                let rank = choose(self.nuisance, choice, known, count);
                let until = now.plus(self.longest_stay());
                let parked = Parked { rank, since: now, until, disturbed_until: now };
                let choice = choice.wrapping_add(1);
                self.activity = Activity::Search(Search { parked: Some(parked), choice, hasty });
                parked
            }
        };
        let channel = self.sequence.rendezvous_channel(parked.rank);
        let radio = self.sync_radio(channel);
        // Since the stay began, or since the radio came back from the watch channel.
        let from = match next_sample {
            Some(_) => now,
            None => parked.since,
        };
        let until = [cut_in_at, next_sample].into_iter().flatten().filter(|at| *at > now);
        let until = until.fold(parked.until, Ord::min);
        Current { action: Action { radio, from, until, poll_by: until }, hop: None }
    }

    /// Takes the floor on home time that is no longer good enough to find others by, but good
    /// enough to be found.
    fn speak_adrift(&mut self, wish: Wish, now: Tick) -> Option<Current> {
        let clock = self.clock.filter(|clock| clock.grip(&self.timing, now) != Grip::Lost)?;
        let slot = clock.slot_at(&self.timing, now).filter(|slot| self.may_begin(*slot))?;
        self.take_floor(wish, slot, clock.grip_of_others(&self.timing, now));
        Some(self.poll_timed(&clock, now))
    }

    /// Takes the floor without time: on a provisional timeline that starts now, at a slot by chance, or behind the
    /// last of the session.
    fn cut_in(&mut self, wish: Wish, now: Tick) -> Option<Current> {
        if wish.order {
            // An order is for those who have time, or are given it: the wish waits.
            return None;
        }
        let first = self.provisional_slot(CUT_IN_CHOICES, now);
        let talk = first.plus(CUT_IN_SLOTS);
        if talk >= Slot::MAX {
            return None;
        }
        self.begin_provisional(Timeline::CutIn, wish, first, talk, now);
        let clock = self.guest?;
        Some(self.poll_timed(&clock, now))
    }

    /// The longest gap between visits of running traffic, and a frame.
    fn longest_stay(&self) -> crate::units::Micros {
        let frames = self.sequence.longest_gap().saturating_add(1);
        let slots = frames.saturating_mul(u32::from(self.sequence.structure().frame));
        self.timing.span_of(slots)
    }

    /// A station with time, confirmed or not.
    pub(super) fn poll_timed(&mut self, clock: &NetClock, now: Tick) -> Current {
        let slot = match clock.slot_at(&self.timing, now) {
            // The last slot is not used, so that every slot has an end.
            Some(slot) if slot < Slot::MAX => slot,
            Some(_) | None => {
                if let Activity::Verify(verify) = self.activity {
                    // A header that nothing has confirmed ends no timeline.
                    return self.give_up(verify, now);
                }
                self.leave_over(now);
                if self.activity.timeline() == Timeline::Home {
                    self.clock = None;
                    self.enter(Activity::search());
                    self.report(Event::TimelineEnded);
                    self.be_quiet(now, 0);
                } else {
                    self.be_quiet(now, 1);
                    self.return_home(now);
                }
                return self.poll_home(now);
            }
        };
        if let Activity::Verify(verify) = self.activity
            && slot >= verify.until
        {
            return self.give_up(verify, now);
        }
        let timeline = self.activity.timeline();
        self.advance(clock, slot, now);
        if timeline != Timeline::Home && self.guest.is_none() {
            // Home time has run on underneath; what is due there is due now.
            return self.poll_home(now);
        }
        if let Activity::Search(_) = self.activity {
            self.be_quiet(now, 0);
            return self.poll_search(now);
        }
        match timeline {
            Timeline::Home if self.in_step() => self.save_watermark(slot, 0),
            Timeline::Home => {}
            Timeline::CutIn | Timeline::Single => self.save_watermark_underneath(now),
        }
        let place = &Place { clock, slot, now };
        if let Activity::Verify(_) | Activity::Follow(_) = self.activity
            && let Some(sample) = self.watch_sample(place)
        {
            return sample;
        }
        match self.activity {
            Activity::Speak(speak) => self.speak(place, speak),
            Activity::Announce(run) => self.announce(place, run),
            Activity::Verify(Verify { run_end, .. }) | Activity::Follow(Follow { run_end, .. }) => {
                let hop = self.expected(slot, run_end);
                self.listen_slot(place, hop)
            }
            Activity::Watch(_) | Activity::Search(_) | Activity::Single => self.watch(place),
        }
    }

    /// No second opinion has come: back to the time that there was before, if there was any.
    fn give_up(&mut self, verify: Verify, now: Tick) -> Current {
        self.clock = self.guest.take();
        self.enter(match verify.basis {
            // Elsewhere than before: a header that nobody confirms may come again and again.
            Basis::Header => Activity::search_by(now.us() & CHOICES_OF_A_SEARCH),
            Basis::Word => Activity::Watch(Watch { coasting: true }),
            Basis::Later => Activity::watch(),
        });
        if self.in_step() {
            // Somebody may have been speaking all the while.
            self.listen_first(now);
        }
        self.poll_home(now)
    }

    /// A station that has just come back to the home time that it had, or to having none.
    fn poll_home(&mut self, now: Tick) -> Current {
        if let Activity::Single = self.activity {
            return self.poll_single(now);
        }
        match self.clock.filter(|_| self.in_step()) {
            Some(home) => self.poll_timed(&home, now),
            None => self.poll_search(now),
        }
    }

    /// Acts on what is due at `slot`. At most one change of activity, and the start of an over
    /// behind it.
    fn advance(&mut self, clock: &NetClock, slot: Slot, now: Tick) {
        let timeline = self.activity.timeline();
        match (clock.grip(&self.timing, now), timeline) {
            (Grip::Locked, _) => {}
            (Grip::Coasting(_), Timeline::Home) => self.coast(slot, now),
            // Whoever holds the floor is followed, as long as it can be found.
            (Grip::Adrift, Timeline::Home) if self.holds_floor() => {}
            (Grip::Adrift | Grip::Lost, Timeline::Home) => self.lose(slot),
            (Grip::Coasting(_) | Grip::Adrift | Grip::Lost, Timeline::CutIn | Timeline::Single) => {
                self.end_over(timeline, slot, now);
            }
        }
        match self.activity {
            Activity::Follow(follow) => self.advance_follow(follow, slot, now),
            Activity::Speak(speak) => {
                if speak.closing.is_some_and(|closing| slot >= closing.plus(CLOSING_SLOTS)) {
                    self.finish(speak.timeline, now);
                } else if !speak.told && speak.closing.is_none() && slot.plus(1) >= speak.talk {
                    self.activity = Activity::Speak(Speak { told: true, ..speak });
                    let slot = speak.talk.max(slot);
                    self.report(Event::GoAhead { slot });
                }
            }
            Activity::Announce(run) if slot >= run.end => self.enter(Activity::watch()),
            Activity::Verify(_)
            | Activity::Watch(_)
            | Activity::Announce(_)
            | Activity::Search(_)
            | Activity::Single => {}
        }
        if timeline != Timeline::Home {
            // What follows goes by home time, of which `slot` is none.
            return;
        }
        // An over or an announce may have ended with a spread that nobody has narrowed.
        match (self.activity, clock.grip(&self.timing, now)) {
            (Activity::Watch(_), Grip::Coasting(_)) => self.coast(slot, now),
            (Activity::Watch(_), Grip::Adrift | Grip::Lost) => self.lose(slot),
            _ => {}
        }
        if let (Activity::Watch(_), Some(wish)) = (self.activity, self.wish)
            && slot >= wish.not_before
            && self.may_begin(slot)
        {
            self.take_floor(wish, slot, clock.grip_of_others(&self.timing, now));
        }
    }

    /// An over or a run ends: after its last slot, or when nothing more is heard of it.
    fn advance_follow(&mut self, follow: Follow, slot: Slot, now: Tick) {
        // The run of a cut-in is followed by its talk, other runs by calls or by silence.
        let (patience, run_end) = match follow.timeline {
            Timeline::Home => (OVER_TIMEOUT, follow.run_end),
            Timeline::CutIn | Timeline::Single => (CUT_IN_TIMEOUT, None),
        };
        let silent = slot > follow.last.plus(patience);
        match run_end {
            Some(end) if silent || slot >= end => {
                self.finish(Timeline::Home, now);
                // Somebody may call behind it.
                self.listen_first(now);
            }
            Some(_) | None if silent => self.end_over(follow.timeline, slot, now),
            Some(_) | None => {}
        }
    }

    /// Somebody's over is at its end, or is followed no longer. Everybody else finds so in the same
    /// slot.
    pub(super) fn end_over(&mut self, timeline: Timeline, slot: Slot, now: Tick) {
        // Another closing header may be on the air one slot later.
        self.be_quiet(now, 1);
        self.finish(timeline, now);
        self.report(Event::Clear { slot });
    }

    /// An over that was told and is followed no longer, though nobody has heard its end, is over for
    /// whoever waits for that.
    #[inline(never)]
    pub(super) fn leave_over(&mut self, now: Tick) {
        if self.activity.call().is_some() {
            // (Behind the last slot there is none.)
            let slot = self.active_slot(now).unwrap_or(Slot::MAX);
            self.report(Event::Clear { slot });
        }
    }

    /// Goes back to watching after an over; after a cut-in, or an over under the former key, to the home time that
    /// there was.
    #[inline(never)]
    pub(super) fn finish(&mut self, timeline: Timeline, now: Tick) {
        match timeline {
            Timeline::Home if !self.visiting => self.enter(Activity::watch()),
            Timeline::Home | Timeline::CutIn | Timeline::Single => self.return_home(now),
        }
    }

    /// The station was elsewhere, and somebody may have been speaking all the while: nothing that is asked now begins
    /// before he would have been heard.
    #[inline(never)]
    fn listen_first(&mut self, now: Tick) {
        self.be_quiet(now, LISTENING_FRAMES.saturating_mul(self.frame_slots()));
    }

    /// Nothing that is asked, or waits, begins within so many slots.
    #[inline(never)]
    fn be_quiet(&mut self, now: Tick, slots: u32) {
        self.quiet_until = now.plus(self.timing.span_of(slots));
        self.put_wish_off();
    }

    /// Leaves a cut-in.
    pub(super) fn return_home(&mut self, now: Tick) {
        self.note_guest(now);
        let has_time = self.in_step();
        self.go_home(has_time, now);
    }

    /// To where the station is by its mode, when it neither speaks nor follows anybody.
    #[inline(never)]
    pub(super) fn go_home(&mut self, has_time: bool, now: Tick) {
        self.guest = None;
        let home = match self.mode {
            Mode::Hopping if has_time => {
                self.listen_first(now);
                Activity::watch()
            }
            Mode::Hopping => {
                // A timeline that begins here begins now.
                self.be_quiet(now, 0);
                Activity::search()
            }
            Mode::SingleSealed | Mode::SinglePlain => Activity::Single,
        };
        self.enter(home);
    }

    /// A cut-in that is followed no longer: recordings of it are not joined, and whoever has time and speaks
    /// next owes the newcomer a lead-in.
    #[inline(never)]
    pub(super) fn note_guest(&mut self, now: Tick) {
        if let Activity::Follow(Follow {
            timeline: timeline @ (Timeline::CutIn | Timeline::Single),
            last,
            ..
        }) = self.activity
        {
            self.last_guest = last;
            if timeline == Timeline::CutIn {
                self.lead_in_until =
                    self.slot(now).map_or(Slot::ZERO, |slot| slot.plus(LEAD_IN_DUE));
            }
        }
    }

    /// Whether an over may begin behind `slot`: in slots that have not been prepared yet (on a time that was ahead
    /// of this one), and with room for all of it.
    #[inline(never)]
    fn may_begin(&self, slot: Slot) -> bool {
        slot < LAST_START && self.unprepared <= slot.plus(1)
    }

    /// Begins our own over in the next slot.
    fn take_floor(&mut self, wish: Wish, slot: Slot, grip: Grip) {
        self.wish = None;
        // Those who have missed a change of keys may have no time either.
        let announced = if wish.order && self.visit_former() { self.announce_slots } else { 0 };
        let first = slot.plus(1);
        // (What is owed stays owed until it is sent.)
        let lead_in = if slot < self.lead_in_until {
            // Long enough to visit every rendezvous channel, wherever in a window it starts.
            self.sequence.longest_gap()
        } else {
            0
        }
        .max(self.gathering_slots(grip, slot))
        .max(u32::from(announced));
        let call = first.plus(lead_in);
        let talk = call.plus(self.call_slots(grip));
        let (timeline, target) = (Timeline::Home, wish.target);
        let order = wish.order;
        let speak =
            Speak { timeline, target, order, first, call, talk, told: false, closing: None };
        self.enter(Activity::Speak(speak));
    }

    /// How many call headers to send, by the grip that others may be left with: until each of them
    /// that coasts has waited on the right channel twice.
    #[inline(never)]
    fn call_slots(&self, grip: Grip) -> u32 {
        let k = match grip {
            Grip::Locked => return CALL_SLOTS,
            Grip::Coasting(k) => k,
            Grip::Adrift | Grip::Lost => COAST_SLOTS,
        };
        let stays = k.saturating_mul(4).saturating_add(2);
        CALL_SLOTS.saturating_add(stays)
    }

    /// Slots of the run before the call headers by which a speaker gathers stations that have
    /// gone over from coasting to searching (decision 0006), or are still on a timeline that the
    /// speaker has left (decision 0009).
    fn gathering_slots(&self, grip: Grip, slot: Slot) -> u32 {
        let visits = u32::from(self.sequence.structure().rendezvous);
        let changed = slot < self.gather_until;
        match grip {
            Grip::Locked | Grip::Coasting(_) if !changed => 0,
            Grip::Locked | Grip::Coasting(_) | Grip::Adrift | Grip::Lost => {
                visits.saturating_mul(GATHER_VISITS)
            }
        }
    }

    /// The spread has outgrown the guard: others can no longer be met slot by slot.
    fn coast(&mut self, slot: Slot, now: Tick) {
        match self.activity {
            Activity::Watch(Watch { coasting: false }) | Activity::Follow(_) => {
                self.leave_over(now);
                self.enter(Activity::Watch(Watch { coasting: true }));
                self.report(Event::Coasting { slot });
            }
            // Whoever holds the floor is followed: a speaker may coast.
            Activity::Speak(_) | Activity::Announce(_) => {}
            Activity::Watch(Watch { coasting: true })
            | Activity::Search(_)
            | Activity::Verify(_)
            | Activity::Single => {}
        }
    }

    /// The spread has outgrown what a station may coast with.
    fn lose(&mut self, slot: Slot) {
        match self.activity {
            Activity::Speak(Speak { first, .. }) | Activity::Announce(Announce { first, .. }) => {
                if slot >= first {
                    self.report(Event::Cut { slot });
                }
            }
            Activity::Search(_)
            | Activity::Verify(_)
            | Activity::Watch(_)
            | Activity::Follow(_)
            | Activity::Single => {}
        }
        if let Some(clock) = &mut self.clock {
            clock.distrust();
        }
        self.guest = None;
        self.enter(Activity::search());
        self.report(Event::OutOfStep);
    }

    /// Hands a watermark out when one is due, or will be in so many slots; and again if the queue was
    /// full.
    fn save_watermark(&mut self, slot: Slot, ahead: u32) {
        let step = WATERMARK_STEP.saturating_sub(ahead);
        // (The slot that has come for certain may lie below what is stored: never that.)
        let step = if self.saved { step } else { 1 };
        let due = self.floor.is_none_or(|floor| slot >= floor.plus(step));
        if due && self.report(Event::SaveWatermark { slot }) {
            self.floor = Some(slot);
            self.saved = true;
        }
    }

    /// The same while the station is elsewhere and home time runs on underneath: in time before it
    /// is asked again, and of a slot that has come for certain, or it would take the others' headers for
    /// recordings. (It says nothing there itself.)
    pub(super) fn save_watermark_underneath(&mut self, now: Tick) {
        if let Some(clock) = self.clock.filter(|_| self.in_step())
            && let Some(slot) = self.timing.slot_at(clock.bound(now).0)
        {
            self.save_watermark(slot, PATIENCE_SLOTS);
        }
    }

    /// The hop that a follower expects in `slot`.
    pub(super) fn expected(&mut self, slot: Slot, run_end: Option<Slot>) -> Hop {
        let timeline = self.activity.timeline();
        match run_end.filter(|end| slot < *end) {
            Some(end) => {
                let hop = self.run_hop(timeline, slot);
                self.work_ahead(timeline, end, RUN_STEPS);
                hop
            }
            None => self.hop(timeline, slot),
        }
    }

    /// Listens for one slot.
    #[inline(never)]
    pub(super) fn listen_slot(&self, place: &Place<'_>, hop: Hop) -> Current {
        self.stay(place, place.slot, place.slot.plus(1)).with(listen(hop), Some(hop))
    }

    /// The slots `from..until` with the radio off.
    #[inline(never)]
    pub(super) fn stay(&self, place: &Place<'_>, from: Slot, until: Slot) -> Current {
        let from = place.clock.start_of(&self.timing, from);
        let until = place.clock.start_of(&self.timing, until);
        Current { action: Action { radio: Radio::Off, from, until, poll_by: until }, hop: None }
    }
}

/// Where in time a poll finds the station.
pub(super) struct Place<'a> {
    pub(super) clock: &'a NetClock,
    pub(super) slot: Slot,
    pub(super) now: Tick,
}

/// What the radio does to hear a hop.
pub(super) const fn listen(hop: Hop) -> Radio {
    let complement = matches!(hop.kind, SlotKind::Traffic);
    Radio::Listen { channel: hop.channel, word: hop.word, complement }
}
