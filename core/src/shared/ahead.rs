//! The loop's side: when to ask the station, and what to leave for the interrupt.

use super::{Full, Hops, Prepared, Serial, Ticket};
use crate::station::{Action, Radio, Station};
use crate::timing::Timing;
use crate::units::{Channel, Micros, Tick};

/// Asks a station for its next slot before that begins.
///
/// The station's time then runs ahead of the clock by as much as [`margin`](Self::margin), and never
/// back: everything that the loop tells the station has to be told with [`time`](Self::time).
/// What a station hears in a slot must reach it before it is asked for the next; so the loop does not
/// call [`prepare`](Self::prepare) while bits come in that the station waits for.
#[derive(Debug)]
pub struct Ahead {
    timing: Timing,
    margin: Micros,
    /// For when the station was last asked.
    asked_for: Tick,
    /// What it answered.
    answer: Option<Action>,
    /// The slot that was prepared last.
    prepared: Option<Serial>,
}

impl Ahead {
    /// Asks `margin` ahead, and at most half a slot: so late the loop may be with asking, and have the answer before the
    /// slot begins. It is for that alone. When the slot has begun, the loop still has to tell the radio what to do
    /// there, and for that it has what the plan leaves: the settling time less the radio's lead to listen, a guard time
    /// more to send, whatever the margin.
    #[must_use]
    pub const fn new(timing: Timing, margin: Micros) -> Self {
        let half = Micros::new(timing.slot().us() / 2);
        let margin = if margin.us() > half.us() { half } else { margin };
        Self { timing, margin, asked_for: Tick::ZERO, answer: None, prepared: None }
    }

    /// How long ahead the station is asked.
    #[must_use]
    pub const fn margin(&self) -> Micros {
        self.margin
    }

    /// The station's time: the clock's, or what the station was last asked for if that is later.
    #[must_use]
    pub fn time(&self, now: Tick) -> Tick {
        now.max(self.asked_for)
    }

    /// When [`prepare`](Self::prepare) has something to do. An instant that has passed means at once.
    #[must_use]
    pub fn wake(&self) -> Tick {
        // An answer that is over when it comes means that the station has more to work out first.
        let whole = self.answer.filter(|answer| answer.until > self.asked_for);
        whole.map_or(Tick::ZERO, |answer| answer.until.minus(self.margin).max(self.asked_for))
    }

    /// The last answer.
    #[must_use]
    pub const fn answer(&self) -> Option<&Action> {
        self.answer.as_ref()
    }

    /// Asks the station, and leaves its answer for the interrupt if it is a new one. Call it when
    /// [`wake`](Self::wake) has come, and after everything that was told the station.
    ///
    /// `setting` gives what the synthesiser needs for a channel. If the answer is that the radio goes on
    /// as it is, the slot in force is made longer, and there is no ticket; unless the interrupt has found it
    /// over before.
    ///
    /// # Errors
    /// [`Full`] if the interrupt does not come. Ask again later.
    pub fn prepare<S: Copy, const N: usize, const D: usize>(
        &mut self,
        station: &mut Station<N>,
        hops: &Hops<S, D>,
        now: Tick,
        setting: impl FnOnce(Channel) -> S,
    ) -> Result<Option<Ticket>, Full> {
        let before = self.answer;
        let next = before.map(|before| before.until).filter(|until| {
            // One slot ahead, no more: the one that was prepared last has begun.
            self.asked_for <= now && *until <= now.plus(self.margin)
        });
        let at = next.unwrap_or(now).max(self.time(now));
        let action = station.poll(at);
        self.asked_for = at;
        if before == Some(action) {
            return Ok(None);
        }
        let goes_on = before.is_some_and(|before| before.radio == action.radio);
        if goes_on
            && !matches!(action.radio, Radio::Transmit { .. })
            && self.prepared.is_some_and(|serial| hops.amend(serial, action.until))
        {
            self.answer = Some(action);
            return Ok(None);
        }
        if action.until <= at {
            // There is more to be worked out first, with the radio off: nothing to tune for.
            self.answer = Some(action);
            return Ok(None);
        }
        if next.is_none() {
            hops.take_back();
        }
        let Some(slot) = Prepared::new(station, &self.timing, &action, setting) else {
            self.answer = Some(action);
            return Ok(None);
        };
        // Who comes from another timeline comes into the middle of a slot: its beginning is past, and the
        // slot before it is not over yet.
        let slot = slot.not_before(at);
        // Late is what had been due before it was asked for; what the station has just heard is not.
        let late = before.is_some_and(|before| before.until <= now);
        let ticket = hops.prepare(now, slot, late)?;
        self.prepared = Some(ticket.serial);
        self.answer = Some(action);
        Ok(Some(ticket))
    }
}
