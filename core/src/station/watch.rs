//! Idle watch: where to listen while nobody speaks.

use super::poll::{Place, listen};
use super::{Current, Station, WATERMARK_STEP};
use crate::acquire::choose;
use crate::clock::{COAST_SLOTS, Grip, NetClock};
use crate::sequence::Timeline;
use crate::units::{Slot, Tick};

/// Choices of the idle watch are numbered by frame, apart from those of the search.
const WATCH_CHOICES: u64 = 1 << 40;
/// So are those of a coasting station, by stay.
const COAST_CHOICES: u64 = 3 << 40;

impl<const N: usize> Station<N> {
    /// Idle watch. A pure function of the time, so that a driver need not ask before something
    /// happens.
    pub(super) fn watch(&mut self, place: &Place<'_>) -> Current {
        let Place { clock, now, .. } = *place;
        let grip = clock.grip(&self.timing, now);
        let mut current = match (self.watch_sample(place), grip) {
            (Some(sample), _) => sample,
            (None, Grip::Coasting(slots)) => self.watch_coasting(place, slots),
            (None, Grip::Locked | Grip::Adrift | Grip::Lost) => self.watch_in_time(place),
        };
        if let Some(sampled) = self.after_watch_sample(place) {
            current.action.from = current.action.from.max(sampled);
        }
        if let Some(next) = self.next_watch_sample(place) {
            current.action.until = current.action.until.min(next);
        }
        // What is listened to depends on the grip, so an answer holds until the grip loosens; and
        // what is due is done when it is due.
        let loosens = clock.loosens_at(&self.timing, grip).unwrap_or(Tick::MAX);
        let deadline = self.watch_deadline(clock, grip);
        for at in [loosens, deadline] {
            if at > now {
                current.action.until = current.action.until.min(at);
            }
        }
        current.action.poll_by = deadline.max(current.action.until);
        current
    }

    /// Idle watch with slots that can be met: half of each frame on the home channels, half
    /// parked on a rendezvous channel, a different one each frame. Whoever waits for the floor listens
    /// on the home channels throughout, so as not to begin on top of another.
    fn watch_in_time(&mut self, place: &Place<'_>) -> Current {
        let Place { slot, .. } = *place;
        let (frame, frame_start, frame_end) = self.block_of(slot, self.frame_slots());
        let half = frame_start.plus(self.frame_slots() / 2);
        if slot < half || self.wish.is_some() {
            let hop = self.hop(Timeline::Home, slot);
            self.listen_slot(place, hop)
        } else if let Some(channel) = self.calling_frame(frame) {
            self.stay(place, half, frame_end).with(self.sync_radio(channel), None)
        } else {
            self.park(place, WATCH_CHOICES, frame, half, frame_end)
        }
    }

    /// Idle watch while coasting with a spread of `k` slots; in the middle of each second on the calling channel.
    fn watch_coasting(&mut self, place: &Place<'_>, k: u32) -> Current {
        let Some((channel, start, end)) = self.calling_stay(place.slot) else {
            return self.watch_ahead(place, k);
        };
        let calling = self.stay(place, start, end).with(self.sync_radio(channel), None);
        if (start..end).contains(&place.slot) {
            return calling;
        }
        let mut ahead = self.watch_ahead(place, k);
        if place.slot < start {
            ahead.action.until = ahead.action.until.min(calling.action.from);
        } else {
            ahead.action.from = ahead.action.from.max(calling.action.until);
        }
        ahead
    }

    /// While coasting with a spread of `k` slots: parked on the channel of a slot that
    /// lies `k` ahead, for the `2 k + 1` slots within which a speaker must pass there. Every
    /// fourth such stay is on a rendezvous channel instead, where runs are heard.
    fn watch_ahead(&mut self, place: &Place<'_>, k: u32) -> Current {
        let length = k.saturating_mul(2).saturating_add(1);
        let (stay, start, end) = self.block_of(place.slot, length);
        if stay & 3 == 3 {
            return self.park(place, COAST_CHOICES, stay, start, end);
        }
        let hop = self.hop(Timeline::Home, start.plus(k));
        self.stay(place, start, end).with(listen(hop), Some(hop))
    }

    /// Parked on a rendezvous channel for the slots `from..until`.
    fn park(
        &self,
        place: &Place<'_>,
        choices: u64,
        number: u32,
        from: Slot,
        until: Slot,
    ) -> Current {
        let mut stay = self.stay(place, from, until);
        // What was known when the stay began decides, not what is known when `poll` asks.
        let known = self.interferers.known(stay.action.from);
        let choice = choices.wrapping_add(u64::from(number));
        let count = self.sequence.structure().rendezvous;
        let rank = choose(self.nuisance, choice, known, count);
        stay.action.radio = self.sync_radio(self.sequence.rendezvous_channel(rank));
        stay
    }

    pub(super) fn frame_slots(&self) -> u32 {
        u32::from(self.sequence.structure().frame)
    }

    /// The number, first slot and end of the aligned block of `length` slots that holds `slot`.
    fn block_of(&self, slot: Slot, length: u32) -> (u32, Slot, Slot) {
        let number = slot.number().checked_div(length).unwrap_or_default();
        let start = Slot::new(number.saturating_mul(length));
        (number, start, start.plus(length))
    }

    /// When the watch must be looked after even if nothing happens: to hand out a watermark,
    /// because somebody waits for the floor, or because the station begins to coast or loses
    /// time.
    fn watch_deadline(&self, clock: &NetClock, grip: Grip) -> Tick {
        let save = match self.floor.filter(|_| self.saved) {
            Some(floor) => clock.start_of(&self.timing, floor.plus(WATERMARK_STEP)),
            None => Tick::ZERO,
        };
        let wish = self.wish.map_or(Tick::MAX, |w| clock.start_of(&self.timing, w.not_before));
        let next = match grip {
            Grip::Locked => Grip::Locked,
            Grip::Coasting(_) | Grip::Adrift | Grip::Lost => Grip::Coasting(COAST_SLOTS),
        };
        let loosens = clock.loosens_at(&self.timing, next).unwrap_or(Tick::MAX);
        save.min(loosens).min(wish)
    }
}
