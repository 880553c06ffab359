//! Single-channel modes: on the calling channel, for those who do not hop.
//!
//! An over there is a cut-in whose slots all go to one channel, on a timeline of its own
//! ([`Timeline::Single`]); nobody needs time for it. Net time goes on underneath, so that a station
//! comes back to the net as to one that has been silent.

use super::activity::{Activity, Basis, Speak, Verify};
use super::{Action, CALL_SLOTS, Current, Mode, Radio, Refused, Station, Wish};
use crate::clock::NetClock;
use crate::sequence::{Hop, SlotKind, Timeline};
use crate::units::{Slot, Tick};

/// Provisional slots of overs on a single channel are numbered by the time of the press, apart from
/// other choices.
const SINGLE_CHOICES: u64 = 5 << 40;
/// A station that only waits is asked again after so long at the latest.
pub(super) const PATIENCE_SLOTS: u32 = 3_000;

impl<const N: usize> Station<N> {
    /// How the station uses its radio.
    #[must_use]
    pub const fn mode(&self) -> Mode {
        self.mode
    }

    /// Goes over to another mode: at once, and without a transmission.
    pub(super) fn set_mode(&mut self, now: Tick, mode: Mode) -> Result<(), Refused> {
        if mode == self.mode {
            return Ok(());
        }
        if self.wish.is_some() || self.holds_floor() {
            return Err(Refused::Speaking);
        }
        if mode != Mode::Hopping && self.fixed.calling.is_none() {
            return Err(Refused::NoChannel);
        }
        let sealed = self.sealed();
        if self.mode == Mode::Hopping {
            if let Activity::Verify(Verify { basis, .. }) = self.activity {
                // There is no second opinion to be had elsewhere.
                self.clock = self.guest;
                self.kept = basis != Basis::Header;
            } else {
                self.kept = self.in_step();
            }
        }
        self.leave_over(now);
        self.note_guest(now);
        self.mode = mode;
        if sealed != self.sealed() {
            self.adopt();
        }
        self.go_home(self.kept, now);
        Ok(())
    }

    /// Waits on the channel, or begins what somebody waits to say.
    pub(super) fn poll_single(&mut self, now: Tick) -> Current {
        self.save_watermark_underneath(now);
        let waits = self.wish;
        if let Some(wish) = waits.filter(|wish| wish.since <= now)
            && let Some(current) = self.speak_single(wish, now)
        {
            return current;
        }
        let (sample, next_sample) = self.watch_sample_without_time(now);
        if let Some(sample) = sample {
            return sample;
        }
        let Some(channel) = self.fixed.calling else {
            // Nobody gets here: the mode was refused.
            let until = now.plus(self.timing.slot());
            let action = Action { radio: Radio::Off, from: now, until, poll_by: until };
            return Current { action, hop: None };
        };
        let word = self.sequence.single_word();
        let radio = Radio::Listen { channel, word, complement: false };
        let longest = now.plus(self.timing.span_of(PATIENCE_SLOTS));
        let wish_at = waits.map(|wish| wish.since).filter(|at| *at > now);
        let until = [wish_at, next_sample].into_iter().flatten().fold(longest, Ord::min);
        Current { action: Action { radio, from: now, until, poll_by: until }, hop: None }
    }

    /// Begins an over, on a provisional timeline that starts now at a slot by chance, or behind the last of the session.
    fn speak_single(&mut self, wish: Wish, now: Tick) -> Option<Current> {
        let first = self.provisional_slot(SINGLE_CHOICES, now);
        let talk = first.plus(CALL_SLOTS);
        if talk >= Slot::MAX {
            return None;
        }
        self.begin_provisional(Timeline::Single, wish, first, talk, now);
        let clock = self.guest?;
        Some(self.poll_timed(&clock, now))
    }

    /// The slot at which a provisional timeline begins: the first of a session by chance below 2^31, which leaves room
    /// for what is said; each further one behind the last. (Drawn anew and above the last, they would crowd towards
    /// the end, in every session alike, and meet.)
    pub(super) fn provisional_slot(&self, choices: u64, now: Tick) -> Slot {
        match self.unprepared_guest {
            Slot::ZERO => Slot::new(self.nuisance.word(choices.wrapping_add(now.us())) >> 1),
            next => next,
        }
    }

    /// Takes the floor on a provisional timeline: a run from `first` on, then talk.
    pub(super) fn begin_provisional(
        &mut self,
        timeline: Timeline,
        wish: Wish,
        first: Slot,
        talk: Slot,
        now: Tick,
    ) {
        self.wish = None;
        self.guest = Some(NetClock::start(self.clock_plan, now, self.timing.start_of(first)));
        self.enter(Activity::Speak(Speak {
            timeline,
            target: wish.target,
            order: false,
            first,
            call: talk,
            talk,
            told: false,
            closing: None,
        }));
    }

    /// The hop as it is on the air: on a single channel all go to that, behind another sync word.
    pub(super) const fn on_air(&self, timeline: Timeline, hop: Hop) -> Hop {
        match (timeline, self.fixed.calling) {
            (Timeline::Single, Some(channel)) => {
                let word = match hop.kind {
                    SlotKind::Sync => self.sequence.single_word(),
                    SlotKind::Traffic => hop.word,
                };
                Hop { channel, word, ..hop }
            }
            (Timeline::Single, None) | (Timeline::Home | Timeline::CutIn, _) => hop,
        }
    }
}
